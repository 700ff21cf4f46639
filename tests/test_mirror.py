"""One scanned half for both: triangles reversed, and nothing measured on the other side."""

from __future__ import annotations

import pytest
from mesh_files import join
from shapes import box_mesh

from fitcheck.errors import ScanError
from fitcheck.geometry.mass_properties import signed_volume_mm3
from fitcheck.scan.mirror import split_halves
from fitcheck.scan.spec import Mirror

LEFT = box_mesh([0, -200, 0], [300, -100, 50])
RIGHT = box_mesh([0, 150, 0], [100, 170, 10])


def test_without_a_mirror_all_is_measured():
    vertices, faces = join(LEFT, RIGHT)
    halves = split_halves(vertices, faces, None)
    assert halves.assumed is None
    assert halves.measured is faces


def test_a_mirrored_closed_body_keeps_its_positive_volume():
    """Silent error: a reflection without reversed triangles turns every normal inward."""
    halves = split_halves(*LEFT, Mirror("left"))
    assert halves.assumed is not None
    assert signed_volume_mm3(halves.assumed.vertices, halves.assumed.faces) == pytest.approx(300 * 100 * 50)
    assert halves.assumed.vertices[:, 1].min() == 100.0
    assert halves.side == "right"


def test_what_was_scanned_on_the_other_side_is_left_out_and_said():
    vertices, faces = join(LEFT, RIGHT)
    halves = split_halves(vertices, faces, Mirror("left"))
    assert len(halves.measured) == len(LEFT[1])
    assert any("12 scanned faces on the right side were left out" in note for note in halves.notes)


def test_a_half_that_the_file_holds_already_is_assumed_as_it_is():
    vertices, faces = join(LEFT, RIGHT)
    halves = split_halves(vertices, faces, Mirror("left", in_file=True))
    assert halves.assumed is not None
    assert halves.assumed.triangle_count == len(RIGHT[1])
    assert signed_volume_mm3(halves.assumed.vertices, halves.assumed.faces) == pytest.approx(100 * 20 * 10)


@pytest.mark.parametrize(
    ("mirror", "words"),
    [(Mirror("right"), "no scanned metal lies on the right"), (Mirror("left", in_file=True), "in_file")],
)
def test_a_half_that_is_not_there_is_refused(mirror, words):
    with pytest.raises(ScanError, match=words):
        split_halves(*LEFT, mirror)
