"""Axis systems and the maps between them: turns, never mirrors."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from shapes import box_mesh

from fitcheck.errors import InputError
from fitcheck.geometry.directions import ISO_4130, ISO_8855, SAE_J670_Z_DOWN, WORDS, converted, direction_map
from fitcheck.geometry.mass_properties import signed_volume_mm3

SYSTEMS = (ISO_8855, ISO_4130, SAE_J670_Z_DOWN)

# Axes. ISO 8855:2011: read, in an instrument manual that quotes it. ISO 4130:1978: planes read, directions read
# in a page that quotes it. SAE J670 z-down: from memory. The maps between them: closed form.
ROWS = [
    pytest.param(ISO_8855, ISO_4130, (-1.0, -0.3, 0.2), id="A6 ISO 8855 to ISO 4130"),
    pytest.param(ISO_8855, SAE_J670_Z_DOWN, (1.0, -0.3, -0.2), id="A7 ISO 8855 to J670 z-down"),
    pytest.param(ISO_4130, SAE_J670_Z_DOWN, (-1.0, 0.3, -0.2), id="A8 ISO 4130 to J670 z-down"),
]


@pytest.mark.parametrize(("source", "target", "answer"), ROWS)
def test_A6_to_A8_maps_there_and_back(source, target, answer):
    """The published axes give this map, in both directions."""
    np.testing.assert_array_equal(converted((1.0, 0.3, 0.2), source, target), answer)
    np.testing.assert_array_equal(converted(answer, target, source), (1.0, 0.3, 0.2))


def test_every_map_between_the_systems_is_a_turn():
    for source, target in itertools.product(SYSTEMS, repeat=2):
        matrix = direction_map(source, target)
        np.testing.assert_array_equal(matrix @ matrix.T, np.eye(3))
        assert np.linalg.det(matrix) == pytest.approx(1.0)


def test_A9_a_mirrored_system_is_refused():
    """(x, −y, z): x forward, y right, z up is left-handed, so a left box would become a right one. Closed form."""
    with pytest.raises(InputError, match="mirror"):
        direction_map(("forward", "right", "up"), ISO_8855)
    with pytest.raises(InputError, match="mirror"):
        converted([[1.0, 2.0, 3.0]], ("forward", "right", "up"))


def test_A9_what_a_mirror_would_do_signed_volume_changes_sign():
    """Closed form: the map (x, −y, z) turns a closed mesh inside out; no accepted map does."""
    vertices, faces = box_mesh([1, 2, 3], [4, 7, 9])
    assert signed_volume_mm3(vertices, faces) == pytest.approx(90.0)
    assert signed_volume_mm3(vertices * [1, -1, 1], faces) == pytest.approx(-90.0)
    for source in SYSTEMS:
        assert signed_volume_mm3(converted(vertices, source), faces) == pytest.approx(90.0)


def test_of_all_48_systems_just_the_24_right_handed_ones_are_taken():
    taken = 0
    for order in itertools.permutations(("rearward", "right", "up")):
        for flips in itertools.product((False, True), repeat=3):
            opposite = {"rearward": "forward", "right": "left", "up": "down"}
            system = tuple(opposite[word] if flip else word for word, flip in zip(order, flips, strict=True))
            try:
                direction_map(system, ISO_4130)
            except InputError:
                continue
            taken += 1
    assert taken == 24


@pytest.mark.parametrize(
    ("system", "said"),
    [(("forwrd", "left", "up"), "did you mean 'forward'"), (("forward", "rearward", "up"), "one line twice")],
)
def test_axes_that_are_none_are_refused(system, said):
    with pytest.raises(InputError, match=said):
        direction_map(system, ISO_4130)


def test_the_words_are_the_frame_of_the_program():
    """x rearward, y right, z up: each word's own point lies at +1 or −1 of its axis."""
    assert WORDS["rearward"] == (0, 1)
    assert WORDS["right"] == (1, 1)
    assert WORDS["up"] == (2, 1)
    assert converted(np.empty((0, 3)), ISO_8855).shape == (0, 3)
