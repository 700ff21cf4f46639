"""fitcheck scan --pictures: the scan from three sides with its odd places drawn in and numbered."""

from __future__ import annotations

import mesh_files as mf
import numpy as np
import pytest
from mesh_files import join
from PIL import Image
from shapes import box_mesh
from staged import needs_drawing
from test_intake import fine_box, sheet

from fitcheck import cli
from fitcheck.errors import FileProblem
from fitcheck.scan.intake.look import Asked, Looked, look_at
from fitcheck.view import graphics
from fitcheck.view.cameras import camera_of
from fitcheck.view.colours import rgb
from fitcheck.view.graphics import NoGraphics
from fitcheck.view.intake_pictures import DOUBLED, HEIGHT, HOLE, SPECK, WIDTH, label_actors, marks_of, pixel_of
from fitcheck.view.intake_pictures import take_intake_pictures as take

HOLE_AT, SPECK_AT = np.array([2000.0, 0.0, 600.0]), np.array([500.0, 300.0, 650.0])
DOUBLED_AT = np.array([900.0, -300.0, 602.0])


@pytest.fixture(scope="module")
def looked(tmp_path_factory) -> Looked:
    """A plate with a hole, a doubled skin and a speck on it, over two rails."""
    vertices, faces = sheet((0, -800, 600), 3000, 1600, 20.0, down=True)
    centres = vertices[faces].mean(axis=1)
    plate = vertices, faces[(np.abs(centres - HOLE_AT) > [200.0, 100.0, 1.0]).any(axis=1)]
    rails = [fine_box((0, y, 400), (3000, y + 60, 500), 20.0) for y in (-400, 340)]
    doubled = sheet((700, -500, 604), 400, 400, 20.0, down=True)
    speck = box_mesh(SPECK_AT - 8.0, SPECK_AT + 8.0)
    path = tmp_path_factory.mktemp("scan") / "plate.ply"
    vertices, faces = join(plate, *rails, doubled, speck)
    vertices[:, 2] += np.random.default_rng(1).normal(0.0, 0.2, len(vertices))
    path.write_bytes(mf.ply_bytes(vertices, faces, number="double"))
    return look_at(Asked(path))


def test_what_is_numbered_has_the_numbers_of_the_text(looked):
    words = [mark.word for mark in marks_of(looked.report)]
    hole = next(hole for hole in looked.report.holes if not hole.outer)
    assert words == [str(hole.number), "D1", "S1"]


@needs_drawing
def test_labels_at_one_place_do_not_lie_over_each_other(looked):
    marks = marks_of(looked.report) * 4
    same = [type(mark)(mark.word, HOLE_AT, mark.colour) for mark in marks]
    camera = camera_of("above", np.array([[0.0, -800, 0], [3000, 800, 700]]), WIDTH / HEIGHT)
    places = [actor.GetPositionCoordinate().GetValue() for actor in label_actors(same, camera)]
    assert len(set(places)) == len(places) == 12


@pytest.fixture(scope="module")
def drawn(looked, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    files = take(looked, folder)
    return {path.name: np.asarray(Image.open(path).convert("RGB"), dtype=float) / 255.0 for path in files}, folder


@needs_drawing
def test_there_are_three_and_none_is_blank(drawn):
    files, folder = drawn
    assert list(files) == ["scan_below.png", "scan_left.png", "scan_above.png"]
    assert not list(folder.glob(".new-*"))
    for pixels in files.values():
        assert pixels.shape == (HEIGHT, WIDTH, 3)
        assert pixels.std() > 0.03


@pytest.mark.parametrize(
    ("colour", "place"),
    [(HOLE, HOLE_AT - [200.0, 40.0, 0.0]), (DOUBLED, DOUBLED_AT - [0.0, 200.0, 0.0]), (SPECK, SPECK_AT)],
)
@pytest.mark.parametrize(("view", "name"), [("below", "below"), ("above", "above")])
@needs_drawing
def test_each_kind_is_drawn_at_its_place_in_its_colour(looked, drawn, colour, place, view, name):
    """A point on the edge of the hole, on the edge of the doubled skin's box, and the speck; through the plate too."""
    points = looked.vertices @ looked.axes.T
    camera = camera_of(view, np.array([points.min(axis=0), points.max(axis=0)]), WIDTH / HEIGHT)
    x, y = pixel_of(looked.axes @ place, camera)
    row, column = round(HEIGHT - y), round(x)
    near = drawn[0][f"scan_{name}.png"][row - 4 : row + 5, column - 4 : column + 5].reshape(-1, 3)
    assert np.linalg.norm(near - rgb(colour), axis=1).min() < 0.15


@needs_drawing
def test_a_folder_that_cannot_be_made_is_a_clear_error(looked, tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(FileProblem, match="cannot be written"):
        take(looked, tmp_path / "file" / "inner")


def test_without_opengl_it_is_one_sentence_before_anything_is_read(monkeypatch, capfd, tmp_path):
    def nothing_draws() -> None:
        raise NoGraphics("pictures need OpenGL, and none works here")

    monkeypatch.setattr(graphics, "ready_for_pictures", nothing_draws)
    assert cli.run(["scan", str(tmp_path / "gone.ply"), "--pictures", str(tmp_path / "out")]) == 2
    assert capfd.readouterr().err == "fitcheck: pictures need OpenGL, and none works here\n"
    assert not (tmp_path / "out").exists()
