"""Two bodies that both move, judged over both their travels, in cases whose least distance has a closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.checks.movers import Movers
from fitcheck.checks.search import search
from fitcheck.checks.stretches import UNLADEN, stretches, whole
from fitcheck.geometry.solids import CHORD_ERROR_MM, sphere
from fitcheck.vehicle.chains import Chain, Coordinate, Joint, Law
from fitcheck.vehicle.discs import WheelPiece
from fitcheck.vehicle.ends import End
from fitcheck.vehicle.hoses import Line, chord_error_mm, hang_mm, hose_pieces
from fitcheck.vehicle.mechanisms import Still
from fitcheck.vehicle.motion import Carried
from fitcheck.vehicle.mounts import rocking_unit
from fitcheck.vehicle.moving import MovingBody, RigidPiece
from fitcheck.vehicle.spans import RodPiece
from fitcheck.vehicle.steering import Kingpin, steered_wheels

HUB_Z = 382.0
LOCK = math.radians(35.0)
STEERING = steered_wheels(
    "steering",
    Kingpin((0.0, -700.0, 300.0), (0.0, -700.0, 500.0)),
    Kingpin((0.0, 700.0, 300.0), (0.0, 700.0, 500.0)),
    35.0,
    30.0,
)
TYRE = MovingBody(
    "tyre", "tyre", (WheelPiece("tyre", STEERING.left, (0.0, -740.0, HUB_Z), (0.0, 1.0, 0.0), 395.0, 205.0),)
)


def least(body: MovingBody, other: MovingBody, cause: str = ""):
    """The bracket over everything, or over one part of the travel."""
    movers = Movers(body, other=other)
    parts = [whole(movers.space), *stretches(movers.space, UNLADEN)]
    found = search(movers, parts, movers.closest(movers.space.scan_pose))
    return next(one for one in found if one.stretch.name == (cause or parts[0].name))


def slide(name: str, axis: tuple[float, float, float], low: float, high: float) -> Chain:
    return Chain(name, (Coordinate("way", low, high, "mm"),), (Joint("slide", axis),), (Law((1.0,)),))


def test_a_front_tyre_at_lock_against_a_rocking_drive_unit():
    """Inboard reach of the tyre R·sin δ + (w/2 − s)·cos δ at hub height; a knob above the rocking axis meets it.

    The knob leans by the whole rock, so that at full torque it stands straight above the axis, at the height of the
    hub and beside the corner of the tyre that reaches farthest in. Both are at the ends of their travel: the distance
    is the difference of both reaches across the vehicle, less the knob's radius. Closed form.
    """
    reach = 395.0 * math.sin(LOCK) + (102.5 - 40.0) * math.cos(LOCK)
    along = 395.0 * math.cos(LOCK) - (102.5 - 40.0) * math.sin(LOCK)
    rock, lever, radius, axis_y = math.radians(3.0), 300.0, 25.0, -340.0
    unit = rocking_unit("unit", (0.0, axis_y, HUB_Z - lever), (1.0, 0.0, 0.0), drive_deg=3.0, reverse_deg=3.0)
    # Steered left, the left wheel is the inner one: its rear corner comes in.
    centre = (along, axis_y + lever * math.sin(rock), HUB_Z - lever + lever * math.cos(rock))
    other = MovingBody("unit", "drive_unit", (RigidPiece("knob", unit, sphere(centre, radius)),))
    want = axis_y - (-700.0 + reach) - radius
    found = least(other, TYRE)
    assert found.distance_mm - found.at_least_mm <= 0.1
    assert found.at_least_mm <= want <= found.distance_mm + CHORD_ERROR_MM
    assert found.distance_mm == pytest.approx(want, abs=0.05)
    assert found.described()["steering.steer_deg"] < 0.0
    assert found.described()["unit.rock_deg"] == pytest.approx(3.0, abs=0.05)


def test_a_half_shaft_against_a_sagging_hose():
    """The hose sags most where its ends are nearest; the half shaft lifts under it.

    The line is a parabola in a plane across the shaft, so its lowest point is what the shaft's own normal finds
    nearest: (height of that point − height of the shaft under it)·cos(tilt) less both radii. Closed form; the sag is
    s = √(3(L − d)(9L + d)/80) (a parabola's arc length, two terms).
    """
    bump = slide("wheel", (0.0, 0.0, 1.0), -60.0, 60.0)
    arm = slide("arm", (1.0, 0.0, 0.0), -40.0, 0.0)
    shaft = MovingBody(
        "half_shaft",
        "shaft",
        (RodPiece("tube", End((0.0, 0.0, 400.0), Still()), End((0.0, 500.0, 400.0), bump), 15.0),),
    )
    line = Line("hose", End((-230.0, 250.0, 575.0), Still()), End((270.0, 250.0, 575.0), arm), 520.0, 12.0)
    hose = MovingBody("hose", "brake_line", hose_pieces(line))
    sag = float(hang_mm(np.array([460.0]), 520.0)[0])
    tilt = math.atan2(60.0, 500.0)
    want = (575.0 - sag - (400.0 + 60.0 * 250.0 / 500.0)) * math.cos(tilt) - 15.0 - 6.0
    found = least(shaft, hose)
    assert found.distance_mm - found.at_least_mm <= 0.1
    assert found.at_least_mm <= want
    # the capsules hold the parabola: they may stand outside it by the chord error, never inside
    assert want - chord_error_mm(line) - 1e-6 <= found.distance_mm <= want + 0.1


@pytest.mark.parametrize("apart", [200.0, 60.5])
def test_what_rides_on_one_axle_keeps_its_distance_over_all_of_the_travel(apart):
    """Two balls on one slide and turn with it: the distance is the same in every pose, whatever their travel."""
    ride = Chain(
        "axle",
        (Coordinate("lift", -90.0, 80.0, "mm"), Coordinate("turn", -0.3, 0.3, "rad")),
        (Joint("slide", (0.0, 0.0, 1.0)), Joint("turn", (1.0, 0.0, 0.0))),
        (Law((1.0, 0.0)), Law((0.0, 1.0))),
    )
    one, two = (
        MovingBody(name, "axle", (RigidPiece(name, ride, sphere((0.0, y, 600.0), 30.0)),))
        for name, y in (("one", 0.0), ("two", apart))
    )
    found = least(one, two)
    assert found.at_least_mm <= apart - 60.0 <= found.distance_mm + 1e-6
    assert found.distance_mm - found.at_least_mm <= 0.1


def test_a_wheel_that_steers_on_an_axle_shares_the_axle_with_what_is_fixed_to_it():
    """A knob on the axle, beside the tyre's rim: steering alone brings them together, however the axle moves."""
    ride = slide("axle", (0.0, 0.0, 1.0), -90.0, 80.0)
    tyre = MovingBody(
        "tyre",
        "tyre",
        (WheelPiece("t", Carried(ride, STEERING.left), (0.0, -740.0, HUB_Z), (0.0, 1.0, 0.0), 395.0, 205.0),),
    )
    reach = 395.0 * math.sin(LOCK) + 62.5 * math.cos(LOCK)
    along = 395.0 * math.cos(LOCK) - 62.5 * math.sin(LOCK)
    knob = MovingBody("knob", "axle", (RigidPiece("knob", ride, sphere((along, -700.0 + reach + 60.0, HUB_Z), 20.0)),))
    found = least(knob, tyre)
    assert found.distance_mm - found.at_least_mm <= 0.1
    assert found.at_least_mm <= 40.0 <= found.distance_mm + CHORD_ERROR_MM
    assert found.distance_mm == pytest.approx(40.0, abs=0.05)
