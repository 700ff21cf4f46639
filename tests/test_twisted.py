"""A frame that twists: what two things do to each other is the twist of the frame between their stations."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import trucks

from fitcheck.checks.pairing import pair_up
from fitcheck.checks.run import check_scene
from fitcheck.checks.twisted import beside
from fitcheck.geometry.solids import Solid, box, sphere
from fitcheck.vehicle.motion import Carried
from fitcheck.vehicle.mounts import twist_at
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.scene import Contact, FrameTwist, Region

TWIST = FrameTwist("frame", 1400.0, 4900.0, 3.5, 2620.0, 0.0, 580.0, 740.0)
HALF = math.radians(3.5)


def balls(along: float, across: float = 120.0):
    """Two balls of radius 20, 300 above the twist's line, so far apart along and across."""
    places = ((500.0, 0.0, 880.0), (500.0 + along, across, 880.0))
    return tuple(trucks.part(name, sphere(at, 20.0)) for name, at in zip(("A0", "A1"), places, strict=True))


def row_of(scene):
    return check_scene(scene).clearances[0]


def test_two_parts_at_two_stations_come_as_near_as_the_frame_between_them_twists():
    """Turn φ = half · Δx / base about the line: √(Δx² + (Δy − r sin φ)² + (r − r cos φ)²) − 2·20. Closed form."""
    for along in (100.0, 200.0):
        row = row_of(trucks.scene(parts=balls(along), twist=TWIST))
        turn = HALF * along / 2620.0
        least = min(
            math.sqrt(along**2 + (120.0 - 300.0 * math.sin(way)) ** 2 + (300.0 - 300.0 * math.cos(way)) ** 2)
            for way in (turn, -turn)
        )
        assert row.distance_mm == pytest.approx(least - 40.0, abs=0.01)
        assert row.at_least_mm <= least - 40.0
        assert row.static_mm == pytest.approx(math.hypot(along, 120.0) - 40.0)
        assert row.pose.keys() == {"frame.twist_deg"}


def test_the_witnesses_and_names_keep_their_order():
    row = row_of(trucks.scene(parts=balls(800.0), twist=TWIST))
    assert row.between == ("A0", "A1")
    assert row.points_mm[0][0] < row.points_mm[1][0]


def test_at_one_station_nothing_twists_and_the_row_is_that_of_a_still_pair():
    still, twisted = (row_of(trucks.scene(parts=balls(0.0), twist=twist)) for twist in (None, TWIST))
    assert still == twisted


def test_what_is_fastened_to_each_other_is_not_twisted_apart():
    """A declared contact is a joint between the two: the racking of what it joins is told elsewhere."""
    first, second = (
        trucks.part(name, box((x, 0.0, 800.0), (x + 200.0, 100.0, 900.0))) for name, x in (("A0", 500.0), ("A1", 700.0))
    )
    place = Contact(("A0", "A1"), Region("box", lo=(690.0, -10.0, 790.0), hi=(710.0, 110.0, 910.0)), "bolted")
    scene = trucks.scene(parts=(first, second), twist=TWIST, contacts=(place,))
    assert [pair.twisted for pair in pair_up(scene).still] == [None]


def test_a_body_beside_a_part_keeps_only_the_twist_between_their_stations():
    motion = twist_at("frame", 1500.0, 3.5, 2620.0, 0.0, 580.0)
    inner = twist_at("other", 300.0, 1.0, 1000.0, 0.0, 0.0)
    body = MovingBody("b", "lv", (RigidPiece("b", Carried(outer=motion, inner=inner), box((0, 0, 0), (1, 1, 1))),))
    seen = beside(body, (box((1000, 0, 0), (1400, 10, 10)),), TWIST)
    gains = [seen.pieces[0].motion.outer.laws[0].gains[0], seen.pieces[0].motion.inner.laws[0].gains[0]]
    assert gains == pytest.approx([300.0 / 2620.0, 0.3])
    assert beside(body, (), None) is body


def test_without_twist_torque_nothing_moves():
    none = replace(TWIST, half_deg=0.0)
    assert [pair.twisted for pair in pair_up(trucks.scene(parts=balls(800.0), twist=none)).still] == [None]


def test_a_mesh_too_fine_to_be_swept_loses_all_that_the_twist_can_move_it():
    """The bound is the distance as scanned less the twist's angle times the farthest radius: below every pose.

    A ball of 20 as a mesh of 1,280 triangles, 300 above the line and 200 along: φ = 3.5° · 200 / 2620.
    """
    import trimesh

    fine = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    ball = Solid(fine.vertices + (500.0, 0.0, 880.0), fine.faces.astype("int32"))
    other = trucks.part("A1", sphere((700.0, 60.0, 880.0), 20.0))
    scene = trucks.scene(parts=(trucks.part("A0", ball), other), twist=TWIST)
    pair = pair_up(scene).still[0]
    assert pair.twisted is None
    assert pair.twist_mm == pytest.approx(HALF * 200.0 / 2620.0 * math.hypot(20.0, 320.0), rel=1e-3)
    row = row_of(scene)
    assert row.at_least_mm == pytest.approx(row.distance_mm - pair.twist_mm)
    assert "too fine to be swept" in row.reason
