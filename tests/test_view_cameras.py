"""Cameras: everything is in the picture, and the same for all arrangements."""

from __future__ import annotations

import numpy as np
import pytest
from staged import plain_plate, staged_scene
from trucks import scene

from fitcheck.view.cameras import BAR_ROOM, VIEW_ANGLE_DEG, VIEWS, across, box_of, camera_of, distance_mm

BOX = np.array([[-560.0, -900.0, -20.0], [3480.0, 850.0, 1200.0]])
CORNERS = np.array([[BOX[i, 0], BOX[j, 1], BOX[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])


def on_picture(camera, points):
    """Where points appear: (n, 2), half the picture's height is 1; an own pinhole, closed form."""
    right = np.cross(camera.look, camera.up)
    eye = camera.centre_mm - camera.look * distance_mm(camera)
    ray = points - eye
    flat = np.stack([ray @ right, ray @ camera.up], axis=1)
    if camera.flat:
        return flat / camera.half_height_mm
    return flat / (ray @ camera.look)[:, None] / np.tan(np.radians(VIEW_ANGLE_DEG / 2.0))


@pytest.mark.parametrize("aspect", [0.6, 1.0, 1.6, 3.0])
@pytest.mark.parametrize("view", VIEWS)
def test_the_whole_box_is_in_the_picture_and_fills_it(view, aspect):
    seen = on_picture(camera_of(view, BOX, aspect), CORNERS)
    share = np.abs(seen) / [aspect, 1.0]
    room = np.array([1.0 - BAR_ROOM, 1.0])  # on the right there is place for the heat bar
    assert (share / room).max() <= 1.0
    assert (share / room).max() >= 0.8


@pytest.mark.parametrize(
    ("view", "left", "right"),
    [("side", "front", "rear"), ("below", "front", "rear"), ("rear", "left side", "right side")],
)
def test_where_front_and_sides_are(view, left, right):
    """From the side and below the front is on the left; from the rear the driver's left is on the left."""
    points = {"front": [0, 0, 500], "rear": [2600, 0, 500], "left side": [0, -700, 500], "right side": [0, 700, 500]}
    seen = on_picture(camera_of(view, BOX, 1.6), np.array([points[left], points[right]], dtype=float))
    assert seen[0, 0] < seen[1, 0]


def test_up_is_up():
    for view in ("side", "rear", "three_quarter"):
        seen = on_picture(camera_of(view, BOX, 1.6), np.array([[1000.0, 0, 100], [1000, 0, 900]]))
        assert seen[0, 1] < seen[1, 1]


def test_the_cameras_do_not_depend_on_the_arrangement():
    assert np.array_equal(box_of([staged_scene()]), box_of([staged_scene(tight_z=500.0)]))


def test_without_anything_a_box_is_still_given():
    assert (np.ptp(box_of([scene()]), axis=0) > 0.0).all()
    assert np.isfinite(box_of([plain_plate()])).all()


def test_close_up_looks_square_to_the_line_and_shows_both_points():
    random = np.random.default_rng(4)
    for view in VIEWS:
        for _ in range(40):
            points = random.uniform(-300, 300, size=(2, 3))
            camera = across(points, camera_of(view, BOX, 1.5))
            assert abs((points[1] - points[0]) @ camera.look) < 1e-6 * np.linalg.norm(points[1] - points[0])
            assert abs(camera.look @ camera.up) < 1e-9
            assert np.abs(on_picture(camera, points)).max() < 1.0


def test_close_up_on_one_point_and_along_the_view():
    camera = camera_of("side", BOX, 1.5)
    same = across(np.zeros((2, 3)), camera)
    assert np.allclose(same.look, camera.look)
    along = across(np.array([[0.0, -50, 0], [0, 50, 0]]), camera)  # the line that the side view looks along
    assert abs(along.look[1]) < 1e-9
    assert np.isfinite(along.up).all()
