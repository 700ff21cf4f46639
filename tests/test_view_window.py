"""The window, driven as a person drives it: on a screen (the machine's, or a virtual one), else in memory."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from staged import BESIDE, HIT, TIGHT, arrangement, needs_drawing, screen
from trucks import part, scene

from fitcheck.checks.heat import Heat
from fitcheck.checks.run import check_scene
from fitcheck.errors import InputError
from fitcheck.geometry.distance import least_between
from fitcheck.geometry.solids import box
from fitcheck.result import Verdict
from fitcheck.vehicle.motion import Carried
from fitcheck.vehicle.mounts import Mount, rocking_unit, twist_at
from fitcheck.vehicle.moving import carried_body
from fitcheck.vehicle.scene import FrameTwist
from fitcheck.view import colours, lettering
from fitcheck.view.column import Arrangement
from fitcheck.view.controls import Movement
from fitcheck.view.heating import as_judged
from fitcheck.view.pins import Pin, apart
from fitcheck.view.sliders import MOST_LINES, pages_of
from fitcheck.view.stage import LAYERS
from fitcheck.view.window import ACTS, HEAT_MODES, Window

pytestmark = needs_drawing

ONE = arrangement("one")
OTHER = arrangement("other", tight_z=560.0)
SHAFT_PAIR = (BESIDE, "rear_shaft")


@pytest.fixture(scope="module")
def on_screen():
    with screen() as there_is_one:
        yield there_is_one


@pytest.fixture
def window(on_screen):
    opened = Window([ONE], off_screen=not on_screen)
    opened.open()
    yield opened
    opened.close()


def choose(window, between):
    column = window.columns[0]
    column.choose([row.between for row in column.rows].index(between))
    window.render()
    return column


def key(window, name):
    interactor = window.canvas.interactor
    interactor.SetKeySym(name)
    interactor.InvokeEvent("KeyPressEvent")


def share_of(pixels, colour, within=30):
    """How much of a picture has a colour, lit more or less: its direction from black."""
    wanted = colours.rgb(colour) * 255.0
    unit = wanted / np.linalg.norm(wanted)
    flat = pixels.reshape(-1, 3).astype(float)
    along = flat @ unit
    off = np.linalg.norm(flat - along[:, None] * unit, axis=1)
    return float(((off < within) & (np.abs(along - np.linalg.norm(wanted)) < 70)).mean())


def test_it_opens_with_something_to_see_and_closes(window):
    pixels = window.canvas.pixels()
    assert pixels.shape == (900, 1400, 3)
    assert pixels.std() > 20.0
    window.close()
    assert window.canvas.interactor is not None


def test_the_screen_says_what_can_be_done_and_what_was_found(window):
    from fitcheck.view.controls import KEYS

    words = window.columns[0].words()
    assert all(name in KEYS for name in ("next, previous pair", "worst pose", "heat", "cut", "see through", "close"))
    assert window.columns[0].heading().splitlines()[1] == Verdict.FAIL.value
    assert "must" in words
    assert "proven not below" in words or "overlap" in words


def test_a_slider_moves_the_axle_and_the_distance_shown_is_the_engines(window):
    column = choose(window, SHAFT_PAIR)
    before = column.now_mm
    window.set_movement("rear_axle.heave_mm", 55.0)
    window.set_movement("rear_axle.wind_up_deg", 5.0)
    axle = ONE.scene.mechanisms["rear_axle"]
    pose = axle.pose_of({"rear_axle.heave_mm": 55.0, "rear_axle.wind_up_deg": 5.0})
    shaft = next(body for body in ONE.scene.moving if body.name == "rear_shaft")
    box = next(part for part in ONE.scene.parts if part.name == BESIDE)
    engine = least_between(shaft.solids(pose), box.solids)
    assert column.now_mm == pytest.approx(engine.distance_mm, abs=1e-9)
    assert abs(column.now_mm - before) > 0.5
    words = " ".join(column.words().split())
    assert f"{np.floor(engine.distance_mm * 100) / 100:.2f} mm" in words.split("pose shown: ")[1]
    assert "heave +55.0 mm" in words.split("pose shown: ")[1]


def test_what_is_drawn_stands_where_the_pose_puts_it(window):
    window.set_movement("rear_axle.heave_mm", 60.0)
    body, pieces = window.columns[0].stage._bodies[0]
    pose = window.columns[0].stage.poses["rear_axle"]
    drawn = np.concatenate([actor.GetMapper().GetInput().points for actor, _ in pieces])
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    boxes = np.array([solid.extents() for solid in body.solids(pose)])
    assert low == pytest.approx(boxes[:, 0].min(axis=0), abs=1.0)
    assert high == pytest.approx(boxes[:, 1].max(axis=0), abs=1.0)


def test_sliders_beyond_the_stops_come_back_to_them(window):
    window.set_movement("rear_axle.heave_mm", 80.0)
    window.set_movement("rear_axle.roll_deg", 12.0)
    pose = window.columns[0].stage.poses["rear_axle"]
    assert pose[0] == 80.0
    shown = window.sliders["rear_axle.heave_mm"][1].GetRepresentation().GetValue()
    assert shown == pytest.approx((pose[0] + pose[1]) / 2.0)
    assert shown < 80.0


def test_the_worst_pose_button_gives_the_tables_number(window):
    column = choose(window, SHAFT_PAIR)
    window.buttons[0].act()
    assert column.now_mm == pytest.approx(column.row.distance_mm, abs=1e-6)
    for name, value in column.row.pose.items():
        assert window.sliders[name][1].GetRepresentation().GetValue() == pytest.approx(value, abs=1e-3)
    window.act("as_scanned")
    assert column.now_mm == pytest.approx(column.row.static_mm, abs=1e-9)


def test_each_cause_has_its_own_pose_and_its_distance_is_the_tables(window):
    """The key goes through the causes of the pair; in each cause's pose the engine measures what the row says."""
    column = choose(window, SHAFT_PAIR)
    seen = []
    for cause in column.row.causes:
        key(window, "m")
        assert column.cause == cause.name
        assert f"[{cause.name} " in column.words().replace("\n", " ")
        # the table's figure is of the round shaft, the window's of the prism round it: 0.01 mm at most
        assert column.now_mm == pytest.approx(cause.distance_mm, abs=0.011), cause.name
        assert window.rack.values()["rear_axle.heave_mm"] == pytest.approx(cause.pose["rear_axle.heave_mm"], abs=1e-3)
        seen.append(column.cause)
    assert {"ride", "straight bump", "drive torque", "everything together"} <= set(seen)
    assert len(seen) == len(set(seen))
    key(window, "m")
    assert column.cause == seen[0]  # it goes round
    window.set_movement("rear_axle.heave_mm", 10.0)
    assert column.cause == ""


def test_the_words_say_what_bites(window):
    column = choose(window, SHAFT_PAIR)
    assert column.row.bites
    words = " ".join(column.words().split())
    assert f"what bites: {column.row.bites}" in words
    assert "by cause: ride " in words


def test_a_still_pair_has_no_cause(window):
    choose(window, (HIT, "scan"))
    key(window, "m")
    assert window.columns[0].cause == ""
    assert window.status == "no cause moves this pair"


def test_a_click_on_a_button_is_the_button(window):
    choose(window, SHAFT_PAIR)
    interactor = window.canvas.interactor
    left, low, right, high = box_of_button(window, 0)
    interactor.SetEventInformation(int((left + right) / 2), int((low + high) / 2), 0, 0, "\0", 0, None)
    interactor.InvokeEvent("LeftButtonPressEvent")
    interactor.InvokeEvent("LeftButtonReleaseEvent")
    column = window.columns[0]
    assert column.now_mm == pytest.approx(column.row.distance_mm, abs=1e-6)


def box_of_button(window, number):
    from fitcheck.view.lettering import box_on_screen

    return box_on_screen(window.buttons[number].actor, window.panel)


def test_a_click_on_a_part_shows_its_row(window):
    interactor = window.canvas.interactor
    window.look("below")
    window.render()
    x, y = on_screen_at(window, [450.0, 275.0, 450.0])  # the under side of "tight"
    interactor.SetEventInformation(x, y, 0, 0, "\0", 0, None)
    interactor.InvokeEvent("LeftButtonPressEvent")
    interactor.InvokeEvent("LeftButtonReleaseEvent")
    row = window.columns[0].row
    assert "tight" in row.between
    assert row == next(row for row in window.columns[0].rows if "tight" in row.between)  # its worst one


def on_screen_at(window, point):
    renderer = window.columns[0].renderer
    renderer.SetWorldPoint(*point, 1.0)
    renderer.WorldToDisplay()
    return tuple(int(value) for value in renderer.GetDisplayPoint()[:2])


@pytest.mark.parametrize("layer", LAYERS)
def test_every_layer_is_switched_by_its_key(window, layer):
    stage = window.columns[0].stage
    before = layer in stage.hidden
    key(window, str(LAYERS.index(layer) + 1))
    assert (layer in stage.hidden) != before
    assert {actor.GetVisibility() for actor in stage.layers[layer]} <= {int(before), *([0] if layer == "scan" else [])}
    key(window, str(LAYERS.index(layer) + 1))
    assert (layer in stage.hidden) == before


def test_hiding_the_parts_takes_their_colours_away(window):
    window.act("heat")
    window.act("heat")
    assert window.heat_mode == "off"
    window.look("below")
    window.render()
    without_legend = slice(0, 1150)
    violet = share_of(window.canvas.pixels()[:, without_legend], colours.VERDICT[Verdict.FAIL])
    key(window, "2")
    assert share_of(window.canvas.pixels()[:, without_legend], colours.VERDICT[Verdict.FAIL]) < violet / 5
    assert {"FAIL", "NOT PROVEN", "PASS"} <= words_of(window._ruler)  # what the colours mean


def test_heat_is_painted_on_every_part_and_on_the_scan(window):
    window.heat_up()
    assert window.status == ""
    stage = window.columns[0].stage
    for thing in [*stage.parts.values(), stage.scan]:
        levels = thing.surface.GetMapper().GetInput().point_data["level"]
        assert levels.min() >= 0.0
        assert (levels.min() < 4.0) == (thing.name != TIGHT), thing.name  # 12 mm off where 5 are wanted
    hit = stage.parts[HIT].surface.GetMapper().GetInput().point_data["level"]
    assert hit.min() == 0.0  # it stands in the plate


def test_static_heat_is_never_tighter_than_swept_heat(window):
    found = {}
    for _ in range(2):
        window.heat_up()
        stage = window.columns[0].stage
        found[window.heat_mode] = stage.parts[BESIDE].surface.GetMapper().GetInput().point_data["level"].copy()
        window.act("heat")
    assert (found["swept"] <= found["as scanned"] + 1e-6).all()
    assert found["swept"].min() < found["as scanned"].min() - 0.05
    assert window.heat_mode == HEAT_MODES[2]


def test_the_heat_bar_has_its_lines_and_words(window):
    assert {"must", "want, or must + guard"} <= {word.strip("— ") for word in words_of(window._ruler)}
    assert {"FAILs", "too close to call", "PASSes", "as wanted"} <= words_of(window._ruler)


def words_of(actors):
    return {actor.GetInput() for actor in actors if hasattr(actor, "GetInput") and isinstance(actor.GetInput(), str)}


def test_a_cut_takes_away_what_is_before_it(window):
    window.look("below")
    window.render()
    whole = window.canvas.pixels()
    key(window, "y")
    cut = window.canvas.pixels()
    assert np.abs(whole.astype(int) - cut).max(axis=2).mean() > 1.0
    assert "cut at y" in window.status
    at = window.cut_share["y"]
    key(window, "Up")
    assert window.cut_share["y"] > at
    key(window, "i")
    assert window.cut_above is False
    key(window, "y")
    assert not window.columns[0].stage.cuts


def test_each_load_state_has_its_ground_and_then_there_is_none(window):
    states = []
    for _ in range(3):
        key(window, "g")
        states.append(window.state)
    assert states == ["kerb", "laden", None]
    key(window, "g")
    stage = window.columns[0].stage
    words = words_of(stage.layers["ground"])
    belly = ONE.result.ground["kerb"]
    assert any(f"belly {belly.belly_mm:.1f} mm, {belly.belly_owner}" in word for word in words)


def test_pins_carry_number_distance_and_line(window):
    words = words_of(window.columns[0].stage.layers["pins"])
    assert {word.split()[0] for word in words} == {"1", "2", "3", "4", "5"}
    first = window.columns[0].rows[0]
    shown = -first.depth_mm if first.depth_mm is not None else first.at_least_mm
    _number, value, unit = next(word for word in words if word.split()[0] == "1").split()
    assert unit == "mm"
    assert float(value) == pytest.approx(shown, abs=0.11)


def test_next_and_previous_go_round(window):
    column = window.columns[0]
    key(window, "Left")
    assert column.chosen == len(column.rows) - 1
    key(window, "n")
    assert column.chosen == 0


def test_every_act_can_be_done_and_leaves_a_picture(window):
    for name in ACTS:
        if name == "close":
            continue
        argument = {"layer": " scan", "cut": " x"}.get(name, "")
        window.act(name + argument)
        assert window.canvas.pixels().std() > 5.0, name


def test_while_it_turns_the_scan_has_few_triangles(window):
    stage = window.columns[0].stage
    window._turning(True)
    assert not stage.scan.surface.GetVisibility()
    assert stage.scan_while_turning.surface.GetVisibility()
    window._turning(False)
    assert stage.scan.surface.GetVisibility()
    assert not stage.scan_while_turning.surface.GetVisibility()


def test_news_of_the_file_is_shown_and_pair_and_pose_stay(window):
    choose(window, SHAFT_PAIR)
    window.set_movement("rear_axle.heave_mm", 30.0)
    arrived = [[OTHER], None, None]
    window.news = lambda: arrived.pop(0) if arrived else None
    window.tick()
    column = window.columns[0]
    assert column.shown is OTHER
    assert column.row.between == SHAFT_PAIR
    assert column.stage.poses["rear_axle"][0] == pytest.approx(30.0)
    window.tick()
    assert window.columns[0] is column


def test_two_arrangements_share_one_camera(on_screen):
    both = Window([ONE, OTHER], off_screen=not on_screen)
    both.open()
    try:
        cameras = [column.renderer.GetActiveCamera() for column in both.columns]
        assert cameras[0] is cameras[1]
        both.act("worst_pose")
        assert all(column.now_mm is not None for column in both.columns)
        width = both.canvas.size[0]
        pixels = both.canvas.pixels()
        halves = pixels[:, 250 : 250 + (width - 250) // 2], pixels[:, 250 + (width - 250) // 2 :]
        assert all(half.std() > 10.0 for half in halves)
    finally:
        both.close()


def test_more_than_four_are_refused():
    with pytest.raises(InputError, match="1 to 4 arrangements side by side, not 5"):
        Window([ONE] * 5, off_screen=True)


def test_an_error_while_the_window_is_open_ends_it_and_is_raised(on_screen):
    broken = Window([ONE], off_screen=not on_screen)
    broken.open()

    def news():
        raise InputError("the layout is gone")

    broken.news = news
    broken.canvas.interactor.InvokeEvent("TimerEvent")
    with pytest.raises(InputError, match="the layout is gone"):
        broken.close()


def test_a_click_where_nothing_is_near_says_so_and_not_the_heat_of_elsewhere(window):
    window.heat_up()
    window.look("below")
    window.render()
    window.click(*on_screen_at(window, [1100.0, -450.0, 600.0]))  # bare plate, 400 mm from anything
    assert "nothing within twice" in window.columns[0].here
    window.click(*on_screen_at(window, [704.0, -200.0, 600.0]))  # 4 mm beside the box that stands in the plate
    assert "mm to hit" in window.columns[0].here


def test_what_the_status_line_says_stays_until_something_else_is_said(window):
    window.heat_up()
    window.act("cut y")
    window.tick()
    assert "cut at y" in window.status
    window.act("cut y")


def test_a_mechanism_may_go_and_come_while_the_window_is_open(on_screen):
    built = ONE.scene
    still = dataclasses.replace(built, mechanisms={}, moving=(), shafts=())
    bare = Arrangement(still, check_scene(still), "bare")
    shown = Window([ONE], off_screen=not on_screen)
    shown.open()
    try:
        shown.set_movement("rear_axle.heave_mm", 30.0)
        shown.show([bare])
        assert shown.sliders == {}
        shown.show([ONE])
        shown.set_movement("rear_axle.heave_mm", 20.0)
        assert shown.columns[0].stage.poses["rear_axle"][0] == pytest.approx(20.0)
    finally:
        shown.close()


def test_heat_of_the_mode_before_is_gone_at_once(window):
    window.heat_up()
    window.act("heat")
    assert window.columns[0].stage.heat == {}


def test_a_cut_also_cuts_what_is_shown_while_it_turns(window):
    window.act("cut z")
    window._turning(True)
    planes = window.columns[0].stage.scan_while_turning.surface.GetMapper().GetClippingPlanes()
    assert planes.GetNumberOfItems() == 1


def test_no_colour_is_better_than_the_verdict():
    """A pair that is undecided for another reason than its distance, and one whose place lies between heat points."""
    heat = Heat(ONE.scene).part(BESIDE, swept=True)
    row = next(row for row in ONE.result.clearances if row.between == SHAFT_PAIR)
    far = dataclasses.replace(row, verdict=Verdict.NOT_PROVEN, reason="an open mesh", at_least_mm=99.0)
    capped = as_judged(heat, [far])
    mine = heat.other == heat.others.index("rear_shaft")
    assert mine.any()
    assert capped.level[mine].max() < 2.0
    assert np.array_equal(capped.level[~mine], heat.level[~mine])
    between = dataclasses.replace(
        row, verdict=Verdict.FAIL, at_least_mm=0.0, points_mm=(tuple(heat.points_mm[7]), (0, 0, 0))
    )
    assert as_judged(heat, [between]).level[7] < 1.0
    assert np.array_equal(as_judged(heat, [dataclasses.replace(row, verdict=Verdict.PASS)]).level, heat.level)


def test_many_movements_are_in_pages_each_under_its_mechanism():
    """Thirty mechanisms with one movement and one with thirty: no page is too long, none is lost."""
    many = [Movement(f"arm_{k}", "bump_mm", -1.0, 1.0) for k in range(30)]
    many += [Movement("big", f"q{k}_mm", -1.0, 1.0) for k in range(30)]
    pages = pages_of(many)
    assert max(map(len, pages)) <= MOST_LINES
    assert [line.movement for page in pages for line in page if line.movement is not None] == many
    for page in pages:
        assert page[0].movement is None
        for above, line in itertools.pairwise(page):
            assert line.movement is None or above.mechanism == line.mechanism
    assert pages_of([]) == []


MOVED, BUMPER = "carried", "bumper"


@pytest.fixture(scope="module")
def twisting():
    """A box on a rocking unit that sits on a twisting frame, and a still box 40 mm beside it."""
    twist = twist_at("frame", 1000.0, 2.0, 2600.0, 0.0, 580.0)
    mounts = (Mount((1000.0, -200.0, 500.0), 300.0), Mount((1000.0, 200.0, 500.0), 300.0))
    axis = (1.0, 0.0, 0.0)
    unit = rocking_unit("unit", (1000, 0, 500), axis, mounts=mounts, torque_nm=(600, 600), surge_mm=3, settle_mm=2)
    moved = part(MOVED, box((900, -150, 400), (1100, 150, 560)))
    still = part(BUMPER, box((1500, 190, 300), (1700, 300, 560)))
    near = part("near", box((900, 190, 300), (1100, 300, 560)))
    body = carried_body(moved, Carried(twist, unit), ("unit",))
    built = scene(
        parts=(moved, still, near),
        mechanisms={"unit": unit},
        moving=(body,),
        twist=FrameTwist("frame", 1400.0, 2800.0, 2.0, 2600.0, 0.0, 580.0),
    )
    return Arrangement(built, check_scene(built), "twisting")


@pytest.fixture
def twisted(on_screen, twisting):
    opened = Window([twisting], off_screen=not on_screen)
    opened.open()
    yield opened
    opened.close()


def test_a_carried_part_has_its_verdicts_colour_is_picked_and_its_sliders_move_it(twisted):
    stage = twisted.columns[0].stage
    (body, pieces) = stage._bodies[0]
    actor = pieces[0][0]
    assert actor.GetProperty().GetColor() == pytest.approx(tuple(colours.rgb(colours.VERDICT[stage.verdict_of(MOVED)])))
    assert stage.thing_at(actor) == body.name == MOVED
    assert list(twisted.sliders) == ["unit.rock_deg", "unit.surge_mm", "unit.settle_mm", "frame.twist_deg"]
    column = choose(twisted, ("near", MOVED))
    before = column.now_mm
    twisted.set_movement("unit.rock_deg", 1.0)
    assert column.now_mm != pytest.approx(before, abs=0.1)


@pytest.mark.parametrize("thing", [BUMPER, "near"])
def test_what_is_drawn_of_a_twisted_frame_is_what_is_measured(twisted, thing):
    """The body is drawn as the pair's still thing sees it: the nearest drawn point is as far off as the engine says."""
    column = choose(twisted, (thing, MOVED))
    twisted.set_movement("frame.twist_deg", 2.0)
    twisted.set_movement("unit.rock_deg", 0.5)
    drawn = np.asarray(column.stage._bodies[0][1][0][0].GetMapper().GetInput().points)
    still = next(one for one in twisted.columns[0].shown.scene.parts if one.name == thing).solids[0].extents()
    off = np.maximum(np.maximum(still[0] - drawn, drawn - still[1]), 0.0)
    assert np.linalg.norm(off, axis=1).min() == pytest.approx(column.now_mm, abs=0.01)


def test_the_worst_pose_sets_all_sliders(twisted):
    column = choose(twisted, (BUMPER, MOVED))
    twisted.act("worst_pose")
    assert column.now_mm == pytest.approx(column.row.distance_mm, abs=1e-6)
    assert {name.partition(".")[0] for name in column.row.pose} == {"unit", "frame"}
    for name, value in column.row.pose.items():
        assert twisted.rack.values()[name] == pytest.approx(value, abs=1e-3)


def test_labels_of_pins_at_one_place_are_below_each_other():
    one = Pin(1, 5.0, np.zeros((2, 3)), Verdict.PASS)
    far = dataclasses.replace(one, number=3, points_mm=np.full((2, 3), 900.0))
    pins = apart([one, dataclasses.replace(one, number=2, chosen=True), far])
    assert [(pin.number, pin.step) for pin in pins if pin.points_mm.max() == 0.0] == [(1, 1), (2, 0)]
    assert pins[-1].chosen  # drawn over the others
    assert next(pin for pin in pins if pin.points_mm.max() > 0.0).step == 0


def test_a_letter_that_the_font_lacks_is_a_box_and_does_not_vanish():
    assert lettering.plain("電池 – B $5 a|b ■") == "□□ – B $5 a¦b ■"
