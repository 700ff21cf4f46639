"""Edges, pieces and border loops of triangle surfaces: closed forms and trimesh."""

from __future__ import annotations

import numpy as np
import pytest
from mesh_files import grid, join
from shapes import box_mesh, cylinder_mesh

from fitcheck.geometry.borders import chain_edges, first_of_place, topology


def test_a_closed_box_has_no_border_and_one_piece():
    found = topology(*box_mesh([0, 0, 0], [1, 2, 3]))
    assert (found.piece_count, found.loops, found.border_edges, found.crowded_edges) == (1, (), 0, 0)
    assert found.edge_count == 18  # 12 triangles, Euler: 8 − 18 + 12 = 2


def test_an_open_tube_has_a_loop_at_each_end():
    vertices, faces = cylinder_mesh(10.0, 50.0, 24)
    sides = np.abs(np.cross(*(vertices[faces][:, k] - vertices[faces][:, 0] for k in (1, 2)))[:, 2]) < 1e-9
    found = topology(vertices, faces[sides])
    assert [len(loop.corners) for loop in found.loops] == [24, 24]
    assert all(loop.closed for loop in found.loops)


def test_a_sheet_with_a_window_has_its_outer_border_and_the_window():
    vertices, faces = grid(21, 21, lo=[0, 0, 0], hi=[100, 100, 0])
    centres = vertices[faces].mean(axis=1)
    hole = (np.abs(centres[:, :2] - 50) < 15).all(axis=1)
    found = topology(vertices, faces[~hole])
    lengths = sorted(len(loop.corners) for loop in found.loops)
    assert lengths == [24, 80]
    window = min(found.loops, key=lambda loop: len(loop.corners))
    assert np.ptp(vertices[window.corners], axis=0).tolist() == [30.0, 30.0, 0.0]


def test_a_soup_has_the_same_edges_as_the_surface_it_came_from():
    vertices, faces = grid(9, 7, lo=[0, 0, 0], hi=[80, 60, 5], wave=3.0)
    welded, soup = topology(vertices, faces), topology(vertices[faces].reshape(-1, 3), np.arange(3 * len(faces)))
    assert (welded.edge_count, welded.border_edges) == (soup.edge_count, soup.border_edges)
    assert [len(loop.corners) for loop in welded.loops] == [len(loop.corners) for loop in soup.loops]


def test_negative_zero_is_zero():
    assert first_of_place(np.array([[0.0, 1.0, 2.0], [-0.0, 1.0, 2.0], [0.0, 1.0, 2.5]])).tolist() == [0, 0, 2]


def test_edges_agree_with_trimesh_on_a_torn_surface():
    import trimesh

    vertices, faces = grid(30, 20, lo=[0, 0, 0], hi=[290, 190, 0], wave=9.0)
    kept = faces[np.random.default_rng(5).random(len(faces)) > 0.1]
    found = topology(vertices, kept)
    mesh = trimesh.Trimesh(vertices, kept, process=False)
    counts = np.unique(mesh.edges_sorted, axis=0, return_counts=True)[1]
    assert (found.edge_count, found.border_edges) == (len(counts), int((counts == 1).sum()))
    assert found.piece_count == trimesh.graph.connected_components(mesh.edges_unique, nodes=np.unique(kept)).__len__()


def test_every_border_edge_is_in_exactly_one_loop_and_no_loop_passes_a_point_twice():
    vertices, faces = grid(30, 20, lo=[0, 0, 0], hi=[290, 190, 0])
    kept = faces[np.random.default_rng(6).random(len(faces)) > 0.25]
    found = topology(vertices, kept)
    assert sum(len(loop.corners) - (not loop.closed) for loop in found.loops) == found.border_edges
    assert all(len(set(loop.corners.tolist())) == len(loop.corners) for loop in found.loops)


@pytest.mark.parametrize("flip", [False, True])
def test_a_face_turned_over_is_counted_by_its_edges(flip):
    vertices, faces = grid(5, 5, lo=[0, 0, 0], hi=[40, 40, 0])
    inner = int(np.flatnonzero((np.abs(vertices[faces].mean(axis=1)[:, :2] - 20) < 8).all(axis=1))[0])
    if flip:
        faces = faces.copy()
        faces[inner] = faces[inner][::-1]
    assert topology(vertices, faces).flipped_edges == (3 if flip else 0)


def test_an_edge_of_three_faces_is_crowded():
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1]], dtype=float)
    found = topology(vertices, np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]]))
    assert (found.crowded_edges, found.edge_count) == (1, 7)


def test_pieces_are_told_apart_and_numbered_without_gaps():
    found = topology(
        *join(box_mesh([0, 0, 0], [1, 1, 1]), box_mesh([5, 0, 0], [6, 1, 1]), box_mesh([9, 0, 0], [10, 1, 1]))
    )
    assert found.piece_count == 3
    assert sorted(np.bincount(found.pieces).tolist()) == [12, 12, 12]


def test_no_faces_have_no_edges():
    found = topology(np.empty((0, 3)), np.empty((0, 3), np.int32))
    assert (found.piece_count, found.edge_count, found.loops) == (0, 0, ())


def test_two_loops_that_touch_in_a_point_are_cut_there():
    chains = chain_edges(np.array([[0, 1], [1, 2], [2, 0], [2, 3], [3, 4], [4, 2]]))
    assert sorted(sorted(rows.tolist()) for rows, closed in chains if closed) == [[0, 1, 2], [2, 3, 4]]
