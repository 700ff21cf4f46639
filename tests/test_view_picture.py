"""Pictures by their content: what is known to collide is seen to collide, nothing is blank, cameras are the same."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from PIL import Image
from staged import HIT, TIGHT, arrangement, needs_drawing, plain_plate

from fitcheck.checks.run import check_scene
from fitcheck.errors import FileProblem, InputError
from fitcheck.result import Verdict
from fitcheck.view import colours
from fitcheck.view.cameras import PICTURED, box_of, camera_of
from fitcheck.view.column import Arrangement
from fitcheck.view.picture import HEIGHT, WIDTH, file_name, take_pictures

pytestmark = needs_drawing

ONE = arrangement("one")
OTHER = arrangement("other", tight_z=500.0)


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    files = take_pictures([ONE, OTHER], folder)
    return folder, {path.relative_to(folder).as_posix(): np.asarray(Image.open(path).convert("RGB")) for path in files}


def test_the_whole_set_is_there(taken):
    folder, files = taken
    expected = {f"{name}/{view}.png" for name in ("one", "other") for view in PICTURED}
    expected |= {f"compare_{view}.png" for view in PICTURED}
    expected |= {
        f"{name}/heat_{heat}.png"
        for name in ("one", "other")
        for heat in ("swept_below", "swept_three_quarter", "as_scanned_below")
    }
    assert expected <= set(files)
    close = [name for name in files if name.startswith("one/worst_")]
    assert len(close) == 3
    assert not list(folder.rglob(".new-*"))


def test_no_picture_is_blank(taken):
    for name, pixels in taken[1].items():
        assert pixels.std() > 8.0, name
        packed = pixels.astype(int) @ [65536, 256, 1]
        assert len(np.unique(packed)) > 20, name


def pixel_of(point, view="below"):
    """Where a point of the vehicle is in a picture of the set: closed form of the parallel projection."""
    camera = camera_of(view, box_of([ONE.scene, OTHER.scene]), WIDTH / HEIGHT)
    right = np.cross(camera.look, camera.up)
    away = np.asarray(point, dtype=float) - camera.centre_mm
    scale = HEIGHT / 2.0 / camera.half_height_mm
    return round(HEIGHT / 2.0 - scale * float(away @ camera.up)), round(
        WIDTH / 2.0 * (1.0 - camera.aside) + scale * float(away @ right)
    )


def colour_at(pixels, point, view="below", half=4):
    row, column = pixel_of(point, view)
    return np.median(pixels[row - half : row + half + 1, column - half : column + half + 1].reshape(-1, 3), axis=0)


def hue_off(found, colour):
    """Angle in degrees between two colours as directions from black: light and shade do not change it."""
    wanted = colours.rgb(colour)
    cosine = found @ wanted / np.linalg.norm(found) / np.linalg.norm(wanted)
    return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))


def test_the_part_that_collides_has_the_colour_of_failing_and_the_free_one_has_not(taken):
    below = taken[1]["one/below.png"]
    row = next(row for row in ONE.result.clearances if row.between == (HIT, "scan"))
    assert row.verdict is Verdict.FAIL
    assert hue_off(colour_at(below, [650, -130, 560]), colours.VERDICT[Verdict.FAIL]) < 12.0
    tight = colours.VERDICT[
        max((row.verdict for row in ONE.result.clearances if TIGHT in row.between), key=lambda v: v.severity)
    ]
    assert hue_off(colour_at(below, [650, 300, 450]), tight) < 12.0


def test_heat_is_darkest_where_the_box_goes_through_the_plate(taken):
    """From the side the box "hit" (z 560 to 650) crosses the plate at z = 600; its bottom is 40 mm off."""
    from fitcheck.checks.heat import Heat

    heat = Heat(ONE.scene).part(HIT, swept=False)
    crossing = np.abs(heat.points_mm[:, 2] - 600.0) < 2.0
    assert crossing.any()
    assert heat.level[crossing].max() < 2.0  # nowhere there does it pass
    below = taken[1]["one/heat_swept_below.png"]
    plate_over_box = colour_at(below, [450, -90, 600])  # scanned metal 10 mm beside the box
    far_plate = colour_at(below, [1200, -450, 600])
    assert colours.lightness(plate_over_box / 255.0) < colours.lightness(far_plate / 255.0) - 15.0


def test_the_cameras_are_the_same_for_both(taken):
    """What does not differ between the two is on the same pixels."""
    one, other = (taken[1][f"{name}/below.png"] for name in ("one", "other"))
    same = (np.abs(one.astype(int) - other).max(axis=2) < 12).mean()
    assert same > 0.85
    assert hue_off(colour_at(other, [650, -130, 560]), colours.VERDICT[Verdict.FAIL]) < 12.0


def test_the_worst_place_close_up_has_its_pin_in_the_middle(taken):
    pixels = taken[1]["one/worst_1.png"]
    middle = pixels[HEIGHT // 2 - 160 : HEIGHT // 2 + 160, WIDTH // 2 - 160 : WIDTH // 2 + 160]
    assert (np.abs(middle.astype(int) - 255).max(axis=2) < 12).any()  # the white rim of the dots


def test_a_scene_with_nothing_but_a_plate_can_be_pictured(tmp_path):
    bare = plain_plate()
    files = take_pictures([Arrangement(bare, check_scene(bare), "bare")], tmp_path)
    assert {path.name for path in files} >= {"side.png", "below.png"}


def test_hostile_names_become_plain_file_names():
    assert file_name("A1") == "A1"
    assert file_name("../../etc/passwd") == "etc_passwd"
    assert file_name("a|b$c\\d\n<e>") == "a_b_c_d_e"
    assert len(file_name("電" * 300).encode()) <= 60
    assert file_name("…") == "unnamed"
    assert len(file_name("x" * 500)) == 60
    assert file_name("Ладога 4×4") == "Ладога_4_4"


def test_hostile_titles_are_drawn_as_text(tmp_path):
    title = "$\\frac{1}{2}$ | two\x1b[31m 🚚 " + "x" * 300
    odd = dataclasses.replace(ONE.result, title=title)
    files = take_pictures([Arrangement(ONE.scene, odd, "a|b")], tmp_path)
    assert len(files) >= 7


def test_a_folder_that_is_a_file_is_said(tmp_path):
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(FileProblem, match="the picture cannot be written"):
        take_pictures([ONE], tmp_path / "taken")
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_set_leaves_no_worst_place_of_an_earlier_one(tmp_path):
    bare = plain_plate()
    (tmp_path / "worst_3.png").write_bytes(b"of another day")
    take_pictures([Arrangement(bare, check_scene(bare), "bare")], tmp_path)
    assert not list(tmp_path.glob("worst_*.png"))


def test_too_many_side_by_side_are_refused_before_the_first_is_drawn(tmp_path):
    with pytest.raises(InputError, match="at most 8 arrangements side by side, not 9"):
        take_pictures([ONE] * 9, tmp_path)
    assert not list(tmp_path.iterdir())
