"""checks/baseline.py: the vehicle as it stood on the scales, against plain sums and closed forms."""

from __future__ import annotations

import dataclasses
import math

import pytest
from shapes import box_mesh
from trucks import mass, part, plate, rear_axle, scanned, scene, weights

from fitcheck.checks.baseline import check_baseline, has_moved_metal, pieces_back_on, weighed_scene
from fitcheck.geometry.solids import box, capsule
from fitcheck.geometry.surface import tile_surface
from fitcheck.report.json_document import to_document
from fitcheck.result import Coverage, Result
from fitcheck.vehicle.scene import ScanLayers, Scene

FLOOR = plate((-600, 3400), (-500, 500), 500.0)
TANK = box_mesh([1600, -400, 430], [2100, 100, 520])


def layers(*notes: str, **removed) -> ScanLayers:
    pieces = {name: tile_surface(*mesh) for name, mesh in removed.items()}
    return dataclasses.replace(scanned(FLOOR), removed=pieces, notes=notes)


def truck(**more) -> Scene:
    """A plate at z 500 that weighs 1480 kg, its tank gone; a new deep box, and an engine that came off."""
    more.setdefault("scan", layers(tank=TANK))
    removed = (mass("engine", 238.0, (60, 0, 720)), mass("tank", 44.0, (1850, -150, 475)))
    new = part("A1", box([1300, -200, 300], [2200, 200, 480]), weighs=mass("A1", 100.0, (1750, 0, 390)))
    more.setdefault("parts", (new,))
    return scene(weights=weights(removed=removed, gross_rating_kg=2250.0), mechanisms={}, **more)


def test_the_loads_are_the_scales_readings():
    """Corners 402, 398, 342, 338: closed form, x = L·rear/W with L = 2620; nothing taken off, put in or aboard."""
    loads = check_baseline(truck()).loads
    assert (loads.mass_kg, loads.front_kg, loads.rear_kg) == (1480.0, 800.0, 680.0)
    assert loads.front_share_pct == pytest.approx(100.0 * 800 / 1480)
    assert (loads.left_kg, loads.right_kg) == (744.0, 736.0)
    assert loads.cg_mm[0] == pytest.approx(2620.0 * 680 / 1480)
    assert loads.cg_mm[1] == pytest.approx(1480.0 / 2 * (736 - 744) / 1480)
    assert loads.ssf == pytest.approx(1480.0 / (2.0 * loads.cg_mm[2]))
    assert loads.body_drop_mm == {"front": 0.0, "rear": 0.0}


def test_what_came_off_is_back_on_and_what_is_new_is_not_there():
    """The tank's bottom at 430 is the belly, though the new box hangs at 300; the plate at 500 is next."""
    ground = check_baseline(truck()).ground
    assert (ground.belly_mm, ground.belly_owner) == (pytest.approx(430.0), "tank")
    belly = ground.owners["belly"]
    assert (belly.runner_up, belly.runner_up_value) == ("scan", pytest.approx(500.0))
    assert ground.floor_z_mm == {"front": 0.0, "rear": 0.0}


def test_breakover_is_that_of_the_lowest_corner_of_all_metal():
    """Two tangents to the loaded tyres from the tank's corners: closed form asin of the circle's tangent, both ends."""
    ground = check_baseline(truck()).ground

    def tangent(along: float, up: float, radius: float) -> float:
        """Angle of the line from a point that touches the tyre from below, in degrees."""
        far = math.hypot(along, up - radius)
        return math.degrees(math.atan2(up - radius, along) + math.asin(radius / far))

    hubs = [395.0 - 9.80665 * load / 600.0 for load in (800.0, 680.0)]
    corners = [tangent(x, 430.0, hubs[0]) + tangent(2620.0 - x, 430.0, hubs[1]) for x in (1600.0, 2100.0)]
    assert ground.breakover_deg == pytest.approx(min(corners), abs=1e-6)
    assert ground.owners["breakover"].owner == "tank"


def test_a_scanned_piece_that_the_scales_never_saw_is_left_out():
    """A stand under the truck is cut out of the scan and has no mass: it was no part of the vehicle."""
    stand = box_mesh([1500, -100, 0], [1600, 100, 450])
    scene_ = truck(scan=layers(tank=TANK, stand=stand))
    assert pieces_back_on(scene_) == ("tank",)
    assert check_baseline(scene_).ground.belly_mm == pytest.approx(430.0)


def test_a_pipe_that_the_scanner_missed_and_the_tape_found_is_there():
    pipe = part("pipe", capsule([0, -300, 420], [2600, -300, 420], 3.0), part_class="brake_line", taped_sigma_mm=2.0)
    ground = check_baseline(truck(parts=(pipe,))).ground
    assert (ground.belly_owner, ground.belly_mm) == ("pipe", pytest.approx(417.0, abs=0.01))
    assert [one.name for one in weighed_scene(truck(parts=(pipe,))).parts] == ["pipe"]


def test_bump_left_is_the_whole_bump():
    axles = truck().axles
    rear = dataclasses.replace(axles["rear"], mechanisms=("rear_axle",))
    scene_ = dataclasses.replace(truck(), axles={**axles, "rear": rear}, mechanisms={"rear_axle": rear_axle()})
    assert check_baseline(scene_).ground.bump_left_mm == {"front": None, "rear": 80.0}


def test_it_says_what_the_heights_are_of():
    scene_ = truck(scan=layers("removed tank: 12 of 14 faces", "moved bed: 2 of 14 faces", tank=TANK))
    said = check_baseline(scene_).measured
    assert said == (
        "heights and angles of what was scanned, with tank; not of engine: weighed, and gone before the scan; "
        "bed as this layout moves it"
    )
    assert has_moved_metal(scene_)
    assert not has_moved_metal(truck())


@pytest.mark.parametrize("missing", [{"axles": {}}, {"weights": None}])
def test_without_scales_or_axles_nothing_is_known(missing):
    found = check_baseline(dataclasses.replace(truck(), **missing))
    assert (found.loads, found.ground, found.measured) == (None, None, "")


def test_without_a_scan_there_are_loads_and_no_heights():
    found = check_baseline(truck(scan=None))
    assert found.loads.mass_kg == 1480.0
    assert (found.ground, found.measured) == (None, "")


def test_it_is_in_the_document():
    document = to_document(Result("", "a.yaml", (), Coverage(()), as_weighed=check_baseline(truck())))
    assert document["as_weighed"]["loads"]["front_kg"] == 800.0
    assert document["as_weighed"]["ground"]["belly_owner"] == "tank"
    assert to_document(Result("", "a.yaml", (), Coverage(())))["as_weighed"] is None
