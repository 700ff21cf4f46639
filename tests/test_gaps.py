"""Gaps of a scanned surface: which borders count, and what is said of the rest."""

from __future__ import annotations

import numpy as np
import pytest
from mesh_files import grid, join
from shapes import box_mesh

from fitcheck.geometry.borders import topology
from fitcheck.geometry.inside import inside
from fitcheck.scan.gaps import find_gaps, gap_places, outer_borders


def sheet_with_window(size: float) -> tuple[np.ndarray, np.ndarray]:
    vertices, faces = grid(101, 61, lo=[0, 0, 100], hi=[1000, 600, 100])
    centres = vertices[faces].mean(axis=1)
    return vertices, faces[~(np.abs(centres[:, :2] - (500, 300)) < size / 2).all(axis=1)]


def tube(missing: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """A rail of 60 × 120 × 1000 along x, open at both ends; a patch of 150 × 120 of its face y = 0 may be missing."""
    parts = [grid(101, 13, lo=[0, 0, 0], hi=[1000, 120, 0]) for _ in range(2)]
    parts += [grid(101, 7, lo=[0, 0, 0], hi=[1000, 60, 0]) for _ in range(2)]
    (v0, f0), (v1, f1), (v2, f2), (v3, f3) = parts
    v0, v1 = v0[:, [0, 2, 1]], v1[:, [0, 2, 1]] + [0, 60, 0]
    v3 = v3 + [0, 0, 120]
    vertices, faces = join((v0, f0), (v1, f1[:, ::-1]), (v2, f2[:, ::-1]), (v3, f3))
    if missing:
        centres = vertices[faces].mean(axis=1)
        faces = faces[~((np.abs(centres[:, 0] - 500) < 75) & (centres[:, 1] < 1e-9))]
    return vertices, faces


def test_a_window_is_a_gap_and_the_outer_border_is_not():
    gaps = find_gaps(*sheet_with_window(60.0))
    assert [round(over.width_mm) for over in gaps.cushions] == [pytest.approx(60, abs=3)]
    assert gaps.cushions[0].middle_mm == pytest.approx([500, 300, 100], abs=6)
    assert "1 gaps" in gaps.notes[0]
    assert "1 outer borders are left out" in gaps.notes[0]


def test_what_is_in_a_window_or_just_before_it_is_not_seen_and_beside_it_is():
    place = gap_places(find_gaps(*sheet_with_window(60.0)))[0]
    asked = np.array([[500, 300, 100], [500, 300, 125], [500, 300, 75], [500, 300, 140], [545, 300, 101]], dtype=float)
    assert inside(asked, place.solid).tolist() == [True, True, True, False, False]
    assert place.kind == "hole"


def test_a_missing_face_of_a_rail_and_both_its_ends_are_gaps():
    gaps = find_gaps(*tube(missing=True))
    middles = sorted(round(float(over.middle_mm[0])) for over in gaps.cushions)
    assert (middles[0], middles[-1], len(middles)) == (0, 1000, 3)
    assert middles[1] == pytest.approx(500, abs=40)
    assert gaps.cushions[0].width_mm == pytest.approx(120, abs=6)


def test_a_closed_box_has_no_gaps_and_says_so():
    gaps = find_gaps(*box_mesh([0, 0, 0], [100, 50, 20]))
    assert gap_places(gaps) == ()
    assert gaps.notes == ("the scanned surface has no gaps",)


def test_a_pinhole_counts_only_as_far_as_it_is_wide():
    vertices, faces = grid(101, 61, lo=[0, 0, 100], hi=[400, 240, 100])
    gaps = find_gaps(vertices, np.delete(faces, 6000, axis=0))
    assert (len(gaps.cushions), len(gaps.small)) == (0, 1)
    assert gaps.small[0, 3] < 4.0
    places = gap_places(gaps)
    assert inside(gaps.small[:, :3], places[0].solid).all()


def test_no_faces_have_no_gaps():
    assert gap_places(find_gaps(np.empty((0, 3)), np.empty((0, 3), np.int32))) == ()


def test_a_gap_at_the_mirror_plane_is_where_the_halves_meet():
    vertices, faces = tube()
    turned = vertices[:, [1, 0, 2]] * [1, -1, 1]  # along −y, from the plane outwards
    both = find_gaps(turned, faces[:, ::-1])
    seam = find_gaps(turned, faces[:, ::-1], mirrored=True)
    assert (len(both.cushions), len(seam.cushions)) == (2, 1)


def test_only_one_border_of_a_piece_is_its_outer_one():
    vertices, faces = sheet_with_window(300.0)
    found = topology(vertices, faces)
    assert len(found.loops) == 2
    assert len(outer_borders(vertices, faces, found)) == 1
