"""Random things that move, each written down twice: as the program's own pieces and as the oracle's bodies.

``KINDS`` maps a name to a maker that takes a seeded source of chance and returns a ``Case``: two
bodies near each other, of which the second may stand still. A maker may draw a mechanism that the
program refuses (InputError): draw again. The program's modules are imported by the makers that need
them. Frame: x rearward, y right, z up; mm, radians.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import oracle_mechanisms as mechanisms
import oracle_motion
from numpy.typing import NDArray
from oracle_bodies import Between, Body, End, Hose, Rigid
from oracle_mechanisms import Chain, Joint, Limit, LinkedAxle, Motion, Pose, Rod, Still, Travel, Upright, Vector
from oracle_motion import Carried as Shape
from oracle_motion import nearest_on_piece
from triangle_pairs import rotations

Floats = NDArray[np.float64]
Chance = np.random.Generator
Place = tuple["Twin", Vector]
CHORD_MM = 0.0101


@dataclass(frozen=True)
class Twin:
    """The program's motion, the oracle's, and where on the vehicle it is; ``told`` names its poses (n, d) otherwise."""

    ours: Any
    theirs: Motion
    about: Vector
    told: Callable[[Floats], Pose] | None = None

    def named(self, poses: Floats) -> Pose:
        """Rows of the program's poses as the oracle's mapping."""
        if self.told is not None:
            return self.told(poses)
        return dict(zip(self.ours.coordinates, poses.T, strict=True)) if len(poses.T) else {}


@dataclass(frozen=True)
class BodyTwin:
    """Pieces of the program and the same body of the oracle; ``ride``: the motions that both ride on.

    ``parts``: how many of the oracle's pieces, in order, lie in each piece of the program.
    ``exact``: both are the very same solids, but for ``grown_mm`` by which the program's may be larger (a flat-ended
    cylinder is circumscribed by 0.01 mm).
    """

    pieces: tuple[Any, ...]
    body: Body
    ride: tuple[Twin, ...]
    parts: int = 1
    exact: bool = True
    grown_mm: float = 0.0

    def named(self, poses: Floats, coordinates: tuple[str, ...]) -> Pose:
        """Rows of joint poses (n, d), whose columns are ``coordinates``, as the oracle's mapping."""
        found: dict[str, Floats] = {"": np.zeros(len(poses))}
        for twin in self.ride:
            found |= twin.named(poses[:, [coordinates.index(name) for name in twin.ours.coordinates]])
        return found


@dataclass(frozen=True)
class Case:
    """Two bodies whose least distance is asked."""

    first: BodyTwin
    second: BodyTwin
    notes: dict[str, Any] = field(default_factory=dict)


# ------------------------------------------------------------------ numbers


def vector(numbers: Any) -> Vector:
    x, y, z = (float(number) for number in numbers)
    return x, y, z


def near(chance: Chance, point: Any, spread: Any) -> Vector:
    """A random point within ± spread of a point."""
    spread = np.broadcast_to(np.asarray(spread, dtype=float), 3)
    return vector(np.asarray(point, dtype=float) + chance.uniform(-spread, spread))


def direction(chance: Chance) -> Floats:
    return mechanisms.unit(chance.normal(size=3))


# ------------------------------------------------------------------ motions


def still() -> Twin:
    from fitcheck.vehicle.mechanisms import Still as OurStill

    return Twin(OurStill(), Still(), (0.0, 0.0, 0.0))


def leaf_axle(chance: Chance, name: str = "axle") -> Twin:
    from fitcheck.vehicle.mechanisms import Leaf, SolidAxle

    axle = oracle_motion.random_axle(chance)
    leaf = Leaf(axle.half_length_mm, axle.eye, axle.flat_at_mm) if axle.eye else None
    numbers = (axle.centre_mm, axle.bump_mm, axle.droop_mm, axle.stops_mm, axle.lateral_mm, leaf)
    ours = SolidAxle(name, *numbers, wind_up_drive_deg=axle.drive_deg, wind_up_brake_deg=axle.brake_deg)
    return Twin(ours, mechanisms.LeafAxle(name, axle), axle.centre_mm)


def _axle_rods(chance: Chance, centre: Floats) -> list[tuple[Any, Any]]:
    """Lower and upper links, or radius arms, or a single upper link; with a lateral rod where one is needed."""
    run = chance.uniform(600, 1000)
    side = chance.uniform(350, 520)
    lower = [((-run, s * (side - chance.uniform(0, 60)), -40), (-20, s * side, -70)) for s in (-1, 1)]
    lateral = [((90, 420, 30 + chance.uniform(0, 60)), (80, -420, chance.uniform(-10, 60)))]
    which = int(chance.integers(4))
    if which == 0:  # four links, the upper ones leaning in
        upper = [((-run * 0.8, s * 420, 190), (10, s * 90, 210)) for s in (-1, 1)]
        return [*lower, *upper]
    if which == 1:  # radius arms
        return [*lower, *(((-run, s * (side - 40), -40), (-60, s * side, 60)) for s in (-1, 1)), *lateral]
    if which == 2:  # one upper link
        return [*lower, ((-run * 0.7, 60, 170), (0, 40, 200)), *lateral]
    return [*lower, *(((-run * 0.9, s * 330, 170), (0, s * 380, 190)) for s in (-1, 1)), *lateral]


def linked_axle(chance: Chance, name: str = "axle") -> Twin:
    from fitcheck.vehicle import linkages

    axle = oracle_motion.random_axle(chance)
    axle = oracle_motion.Axle(*(getattr(axle, word) for word in _AXLE_WORDS))
    ends = _axle_rods(chance, np.array(axle.centre_mm))
    given = [tuple(near(chance, np.add(axle.centre_mm, end), 15) for end in rod) for rod in ends]
    lengths = [math.dist(*rod) + chance.uniform(-2, 2) if chance.random() < 0.3 else None for rod in given]
    lengths = lengths if chance.random() < 0.2 else [None] * len(given)
    ours = linkages.LinkedAxle(
        name,
        axle.centre_mm,
        axle.bump_mm,
        axle.droop_mm,
        axle.stops_mm,
        tuple(
            linkages.Rod(f"rod {k}", *rod, length) for k, (rod, length) in enumerate(zip(given, lengths, strict=True))
        ),
        lateral_mm=axle.lateral_mm,
        wind_up_drive_deg=axle.drive_deg,
        wind_up_brake_deg=axle.brake_deg,
    )
    rods = tuple(Rod(*rod) for rod in given)  # a taped length is only held against the ends: the scan pose is pose zero
    return Twin(ours, LinkedAxle(name, axle, rods), axle.centre_mm)


_AXLE_WORDS = ("centre_mm", "bump_mm", "droop_mm", "stops_mm", "lateral_mm", "drive_deg", "brake_deg")


@dataclass(frozen=True)
class Site:
    """Where a right front wheel is, and how far it goes; a hard one has short rods, odd places and long travel."""

    wheel: Floats
    bump_mm: float
    droop_mm: float
    rack_mm: float  # often none
    hard: bool
    short: float = 1.0

    def end(self, chance: Chance, away: tuple[float, float, float], spread: float) -> Vector:
        """A rod's end near a place given from the wheel centre."""
        return near(
            chance, self.wheel + np.multiply(away, (1.0, self.short, 1.0)), spread * (2.0 if self.hard else 1.0)
        )


def upright_site(chance: Chance) -> Site:
    wheel = np.array([chance.uniform(-40, 40), 740.0, 350.0])
    rack = float(chance.choice([0.0, 40.0, 65.0]))
    if chance.random() < 0.7:
        return Site(wheel, *(float(chance.uniform(40, 95)) for _ in range(2)), rack, False)
    return Site(wheel, *(float(chance.uniform(50, 135)) for _ in range(2)), rack, True, float(chance.uniform(0.4, 0.9)))


_FIVE = (
    ((-180, -430, -90), (-20, -70, -110)),
    ((170, -430, -100), (0, -70, -110)),
    ((-130, -360, 110), (-10, -110, 130)),
    ((140, -360, 120), (10, -110, 130)),
    ((120, -410, -60), (130, -80, -70)),
)
"""Two lower rods, two upper ones, one steering rod: body end and upright end, from the wheel centre."""


def five_rods(chance: Chance, name: str = "upright") -> Twin:
    from fitcheck.vehicle import linkages

    site = upright_site(chance)
    given = [tuple(site.end(chance, end, 20) for end in rod) for rod in _FIVE]
    rods = tuple(linkages.Rod(f"rod {k}", *rod) for k, rod in enumerate(given))
    numbers = vector(site.wheel), site.bump_mm, site.droop_mm
    steering = "rod 4" if site.rack_mm else ""
    ours = linkages.FiveRods(name, *numbers, rods, steering_rod=steering, rack_mm=site.rack_mm)
    theirs = Upright(name, *numbers, tuple(Rod(*rod) for rod in given), 4, site.rack_mm)
    return Twin(ours, theirs, vector(site.wheel))


def strut(chance: Chance, name: str = "upright") -> Twin:
    from fitcheck.vehicle import linkages

    site = upright_site(chance)
    ball = site.end(chance, (0, -60, -110), 20)
    given = [(site.end(chance, (x, -420, -90), 25), ball) for x in (-190, 150)]
    given.append((site.end(chance, (130, -400, -60), 20), site.end(chance, (140, -70, -60), 20)))
    top, foot = site.end(chance, (20, -170, 480), 30), site.end(chance, (5, -90, 90), 20)
    rods = tuple(linkages.Rod(f"rod {k}", *rod) for k, rod in enumerate(given))
    numbers = vector(site.wheel), site.bump_mm, site.droop_mm
    steering = "rod 2" if site.rack_mm else ""
    ours = linkages.Strut(name, *numbers, top, foot, rods, steering_rod=steering, rack_mm=site.rack_mm)
    theirs = Upright(name, *numbers, tuple(Rod(*rod) for rod in given), 2, site.rack_mm, top, foot)
    return Twin(ours, theirs, vector(site.wheel))


def swing_arm(chance: Chance, name: str = "arm") -> Twin:
    """Trailing, semi-trailing, or on a front-view axis; the program's coordinate is an angle, the oracle's a height."""
    from fitcheck.vehicle.arms import swing_arm as our_arm

    wheel = np.array([2600.0, 720.0, 350.0])
    axes = [((-450, -350), (-450, -150)), ((-450, -350), (-150, -450)), ((0, -500), (300, -500))]
    first, second = ((*end, 0) for end in axes[int(chance.integers(3))])
    pivots = near(chance, wheel + first, (60, 60, 50)), near(chance, wheel + second, (60, 60, 50))
    pivots = pivots if chance.random() < 0.5 else pivots[::-1]
    bump, droop = (float(chance.uniform(40, 110)) for _ in range(2))
    ours = our_arm(name, vector(wheel), pivots, bump, droop)
    theirs = mechanisms.SwingArm(name, vector(wheel), pivots, bump, droop)

    def told(poses: Floats) -> Pose:
        return {f"{name}.bump": ours.place(poses, wheel[None])[:, 0, 2] - wheel[2]}

    return Twin(ours, theirs, vector(wheel), told)


def steered(chance: Chance, name: str = "steer") -> tuple[Twin, Twin]:
    """The left and the right wheel of one steering, at the front axle's line."""
    from fitcheck.vehicle.steering import Kingpin, steered_wheels

    low, lean = chance.uniform([-10, 560, 230], [10, 640, 280]), chance.uniform([0, -60, 180], [40, -10, 260])
    right = vector(low), vector(low + lean)
    left = tuple(vector(np.multiply(point, (1, -1, 1))) for point in right)
    inner, outer = float(chance.uniform(28, 40)), float(chance.uniform(22, 34))
    ours = steered_wheels(name, Kingpin(*left), Kingpin(*right), inner, outer)
    locks = math.radians(inner), math.radians(outer)
    one, two = (mechanisms.SteeredWheel(name, *side, *locks) for side in (("left", *left), ("right", *right)))
    hub = vector(low + (0, 60, 100))
    return Twin(ours.left, one, (hub[0], -hub[1], hub[2])), Twin(ours.right, two, hub)


def carried(outer: Twin, inner: Twin) -> Twin:
    """The inner motion mounted on the outer one."""
    from fitcheck.vehicle.motion import Carried

    cut = len(inner.ours.coordinates)

    def told(poses: Floats) -> Pose:
        return {**inner.named(poses[:, :cut]), **outer.named(poses[:, cut:])}

    return Twin(Carried(outer.ours, inner.ours), mechanisms.Carried(outer.theirs, inner.theirs), inner.about, told)


def front_axle(chance: Chance) -> tuple[Twin, Twin, Twin]:
    """A steered solid axle on leaf springs at x = 0: the axle, its left wheel, its right wheel."""
    axle = leaf_axle(chance)
    left, right = steered(chance)
    centre = (0.0, 0.0, 350.0)
    numbers = replace(axle.theirs.axle, centre_mm=centre)  # type: ignore[attr-defined]
    axle = Twin(replace(axle.ours, centre_mm=centre), mechanisms.LeafAxle(axle.ours.name, numbers), centre)
    return axle, carried(axle, left), carried(axle, right)


def rocking_unit(chance: Chance, name: str = "unit", about: Vector = (1200.0, 0.0, 500.0)) -> Twin:
    from fitcheck.vehicle.mounts import rocking_unit as our_unit

    point = near(chance, about, (100, 60, 60))
    axis = vector([(1, 0, 0), (0, 1, 0), direction(chance)][chance.integers(3)])
    drive, reverse = (float(chance.uniform(0.5, 6)) for _ in range(2))
    surge, settle = float(chance.choice([0.0, 5.0, 8.0])), float(chance.choice([0.0, 3.0]))
    ours = our_unit(name, point, axis, drive_deg=drive, reverse_deg=reverse, surge_mm=surge, settle_mm=settle)
    theirs = mechanisms.RockingUnit(name, point, axis, math.radians(drive), math.radians(reverse), surge, settle)
    return Twin(ours, theirs, about)


def twisted(chance: Chance, station: float, numbers: tuple[float, float, float, float] | None = None) -> Twin:
    """A thing on a twisting frame; ``numbers``: half angle deg, length, from, height, shared by both of a pair."""
    from fitcheck.vehicle.mounts import twist_at

    half, between, start, height = numbers or twist_numbers(chance)
    ours = twist_at("frame", station, half, between, start, height)
    theirs = mechanisms.Twisted("frame", station, math.radians(half), between, start, height)
    return Twin(ours, theirs, (station, 300.0, height))


def twist_numbers(chance: Chance) -> tuple[float, float, float, float]:
    return float(chance.uniform(0.5, 5)), float(chance.uniform(2000, 3000)), float(chance.uniform(-200, 800)), 450.0


def chain(chance: Chance, name: str = "chain", about: Vector = (1500.0, 200.0, 500.0)) -> Twin:
    """One to three coordinates, up to four joints with mixed laws, now and then a limit on a sum."""
    from fitcheck.vehicle import chains
    from fitcheck.vehicle.motion import Limit as OurLimit

    count, joints = int(chance.integers(1, 4)), int(chance.integers(1, 5))
    words = ("a", "b", "c")[:count]
    ends = [(-float(chance.uniform(0, 1)), float(chance.uniform(0.1, 1))) for _ in words]
    kinds = [str(chance.choice(["turn", "slide"])) for _ in range(joints)]
    places = [(vector(3.0 * direction(chance)), near(chance, about, 250)) for _ in kinds]
    size = [{"turn": float(chance.uniform(0.05, 0.5)), "slide": float(chance.uniform(10, 80))}[kind] for kind in kinds]

    def numbers(by: float) -> tuple[float, ...]:
        return tuple(float(number) * by for number in chance.normal(size=count))

    gains = [numbers(s) for s in size]
    squares = [numbers(0.3 * s) if chance.random() < 0.4 else () for s in size]
    sums = numbers(1.0)
    most = float(chance.uniform(0.1, 0.8))
    limited = count > 1 and chance.random() < 0.5
    ours = chains.Chain(
        name,
        tuple(chains.Coordinate(word, *end, "rad") for word, end in zip(words, ends, strict=True)),
        tuple(chains.Joint(kind, *place) for kind, place in zip(kinds, places, strict=True)),
        tuple(chains.Law(*law) for law in zip(gains, squares, strict=True)),
        limits=(OurLimit(sums, most),) if limited else (),
    )
    names = tuple(f"{name}.{word}" for word in words)
    limits = (Limit(tuple(zip(names, sums, strict=True)), -math.inf, most),) if limited else ()
    travel = Travel(names, tuple(low for low, _ in ends), tuple(high for _, high in ends), limits)
    rows = zip(kinds, places, gains, squares, strict=True)
    theirs = Chain(travel, tuple(Joint(kind, *place, gain, square) for kind, place, gain, square in rows))
    return Twin(ours, theirs, about)


def pitman(chance: Chance, on: Twin, other: Vector) -> Twin:
    """A steering box's arm ahead of the axle; its drag link runs to a point of the axle."""
    from fitcheck.vehicle.drag_link import Pitman
    from fitcheck.vehicle.ends import End as OurEnd

    tip = near(chance, np.add(other, (-80, -560, 90)), (60, 60, 40))
    centre = vector(np.add(tip, (chance.uniform(-30, 30), chance.uniform(-30, 30), chance.uniform(120, 180))))
    axis = vector(np.array([1.0, 0, 0]) + 0.15 * chance.normal(size=3))
    ours = Pitman("pitman", centre, axis, tip, OurEnd(other, on.ours))
    return Twin(ours, mechanisms.Pitman(centre, axis, tip, other, on.theirs), tip, on.told)


# ------------------------------------------------------------------ bodies


def shape(chance: Chance, about: Any, *, spread: Any = (220, 180, 120), size: float = 1.0) -> Shape:
    """A ball, a capsule or a box near a point."""
    kind = str(chance.choice(["ball", "capsule", "box"]))
    start = np.array(near(chance, about, spread))
    along = {"ball": np.zeros(3), "box": chance.uniform(20, 200, size=3)}.get(kind, chance.normal(size=3) * 120) * size
    radius = 0.0 if kind == "box" else float(chance.uniform(5, 90)) * size
    return Shape("box" if kind == "box" else "capsule", vector(start), vector(start + along), radius)


def solid(form: Shape) -> Any:
    """The program's solid."""
    from fitcheck.geometry import solids

    if form.kind == "box":
        return solids.box(form.start_mm, form.end_mm)
    if form.start_mm == form.end_mm:
        return solids.sphere(form.start_mm, form.radius_mm)
    return solids.capsule(form.start_mm, form.end_mm, form.radius_mm)


def rigid(twin: Twin, *shapes: Shape) -> BodyTwin:
    from fitcheck.vehicle.moving import RigidPiece

    pieces = tuple(RigidPiece(f"piece {k}", twin.ours, solid(form)) for k, form in enumerate(shapes))
    return BodyTwin(pieces, Rigid(twin.theirs, tuple(shapes)), (twin,))


def fixed(shape: Shape, turn: Floats, shift: Floats) -> BodyTwin:
    """An obstacle: a shape, turned and shifted."""
    from fitcheck.vehicle.moving import RigidPiece

    where = still()
    placed = Still((vector(turn[0]), vector(turn[1]), vector(turn[2])), vector(shift))
    piece = RigidPiece("obstacle", where.ours, solid(shape).moved(turn, shift))
    return BodyTwin((piece,), Rigid(placed, (shape,)), (where,))


def wheel(twin: Twin, chance: Chance) -> BodyTwin:
    """A tyre as a cylinder, square to y or nearly so."""
    from fitcheck.vehicle.discs import WheelPiece

    axis = mechanisms.unit(np.array([0.0, 1.0, 0.0]) + 0.05 * chance.normal(size=3))
    centre = near(chance, twin.about, 30)
    radius, width = float(chance.uniform(280, 420)), float(chance.uniform(150, 280))
    ends = vector(centre - axis * width / 2), vector(centre + axis * width / 2)
    piece = WheelPiece("wheel", twin.ours, centre, vector(axis), radius, width)
    return BodyTwin((piece,), Rigid(twin.theirs, (Shape("cylinder", *ends, radius),)), (twin,), grown_mm=CHORD_MM)


def rod(start: Place, end: Place, radius: float, cut: tuple[float, float] = (0.0, 1.0)) -> BodyTwin:
    from fitcheck.vehicle.ends import End as OurEnd
    from fitcheck.vehicle.spans import RodPiece

    (one, here), (two, there) = start, end
    piece = RodPiece("rod", OurEnd(here, one.ours), OurEnd(there, two.ours), radius, cut)
    body = Between("capsule", End(here, one.theirs), End(there, two.theirs), radius, (0.0, cut[0]), (0.0, cut[1]))
    return BodyTwin((piece,), body, (one, two))


def span(chance: Chance, start: Place, end: Place) -> BodyTwin:
    """A tube from joint to joint, or the yoke at either joint."""
    from fitcheck.vehicle.ends import End as OurEnd
    from fitcheck.vehicle.spans import Span

    (one, here), (two, there) = start, end
    yoke = float(chance.uniform(50, 90))
    first, last, radius = [
        ((0.0, 0.0), (0.0, 1.0), float(chance.uniform(15, 50))),
        ((0.0, 0.0), (yoke, 0.0), float(chance.uniform(40, 70))),
        ((-yoke, 1.0), (0.0, 1.0), float(chance.uniform(40, 70))),
        ((0.0, 0.5), (0.0, 1.0), float(chance.uniform(15, 50))),
    ][int(chance.integers(4))]
    piece = Span("span", OurEnd(here, one.ours), OurEnd(there, two.ours), first, last, radius)
    body = Between("cylinder", End(here, one.theirs), End(there, two.theirs), radius, first, last)
    return BodyTwin((piece,), body, (one, two), grown_mm=CHORD_MM)


def beside(chance: Chance, first: BodyTwin, make: Callable[[Shape, Floats, Floats], BodyTwin]) -> BodyTwin:
    """A second body that stands −20 … 160 off the first one at some pose; ``make`` takes shape, turn and shift."""
    travel = first.body.travel
    pose = travel.named(chance.uniform(travel.low, travel.high, size=(1, len(travel.low))))
    pieces = first.body.pieces(pose)
    piece = pieces[int(chance.integers(len(pieces)))]
    way = direction(chance)
    middle = piece.start[0] + chance.uniform(0, 1) * (piece.end[0] - piece.start[0])
    surface = nearest_on_piece(piece, (middle + 1e4 * way)[None, None])[0, 0]
    form = shape(chance, (0, 0, 0), spread=0, size=float(chance.choice([0.3, 1.0])))
    turn = np.eye(3) if chance.random() < 0.3 else rotations(chance, 1)[0]
    own = Rigid(Still(), (form,)).pieces({"": np.zeros(1)})[0]
    foot = turn @ nearest_on_piece(own, (-1e4 * turn.T @ way)[None, None])[0, 0]
    return make(form, turn, surface + float(chance.uniform(-20, 160)) * way - foot)


def with_obstacle(chance: Chance, first: BodyTwin) -> Case:
    return Case(first, beside(chance, first, fixed))


def with_mover(chance: Chance, first: BodyTwin, twin_near: Callable[[Vector], Twin]) -> Case:
    """The second body rides on a motion of its own, or on one that it shares; it keeps its axes."""

    def make(form: Shape, _: Floats, shift: Floats) -> BodyTwin:
        there = Shape(form.kind, vector(form.start_mm + shift), vector(form.end_mm + shift), form.radius_mm)
        return rigid(twin_near(vector(np.add(there.start_mm, there.end_mm) / 2.0)), there)

    return Case(first, beside(chance, first, make))


# ------------------------------------------------------------------ kinds


def _rigid_on(maker: Callable[[Chance], Twin]) -> Callable[[Chance], Case]:
    def make(chance: Chance) -> Case:
        twin = maker(chance)
        return with_obstacle(chance, rigid(twin, shape(chance, twin.about)))

    return make


def _nested(chance: Chance) -> Case:
    """A chain on a chain on a chain."""
    one, two, three = (chain(chance, name) for name in ("one", "two", "three"))
    twin = carried(carried(one, two), three)
    return with_obstacle(chance, rigid(twin, shape(chance, twin.about)))


def _steered_on_axle(chance: Chance) -> Case:
    twin = front_axle(chance)[int(chance.integers(1, 3))]
    return with_obstacle(chance, rigid(twin, shape(chance, twin.about, spread=(250, 90, 200))))


def _damper(chance: Chance) -> Case:
    axle = leaf_axle(chance)
    low = near(chance, np.add(axle.about, (0, 400 * chance.choice([-1, 1]), 0)), 60)
    high = near(chance, np.add(low, (chance.uniform(-200, 200), 0, 420)), 60)
    cut = (0.0, 1.0) if chance.random() < 0.5 else (0.3, 0.8)
    return with_obstacle(chance, rod((axle, low), (still(), high), float(chance.uniform(8, 40)), cut))


def _tie_rod(chance: Chance) -> Case:
    """Between the steering arms of both wheels of a steered axle: all of one shared coordinate and the axle's."""
    _, left, right = front_axle(chance)
    ends = [(twin, near(chance, np.multiply(twin.about, (1, 0.85, 1)) + (160, 0, -60), 15)) for twin in (left, right)]
    return with_obstacle(chance, rod(ends[0], ends[1], float(chance.uniform(8, 25))))


def _drag_link(chance: Chance) -> Case:
    axle = front_axle(chance)[0]
    other = near(chance, np.add(axle.about, (-150, 480, 0)), 40)
    arm = pitman(chance, axle, other)
    return with_obstacle(chance, rod((arm, arm.about), (axle, other), float(chance.uniform(8, 25))))


def _pitman_arm(chance: Chance) -> Case:
    axle = front_axle(chance)[0]
    other = near(chance, np.add(axle.about, (-150, 480, 0)), 40)
    arm = pitman(chance, axle, other)
    return with_obstacle(chance, rigid(arm, shape(chance, arm.about, spread=60, size=0.4)))


def _propeller_shaft(chance: Chance) -> Case:
    axle = leaf_axle(chance) if chance.random() < 0.5 else linked_axle(chance)
    unit = rocking_unit(chance) if chance.random() < 0.7 else still()
    end = near(chance, np.add(axle.about, (-220, 0, 20)), 40)
    start = near(chance, np.subtract(end, (float(chance.uniform(500, 1200)), 0, -60)), 60)
    return with_obstacle(chance, span(chance, (unit, start), (axle, end)))


def _half_shaft(chance: Chance) -> Case:
    upright = five_rods(chance) if chance.random() < 0.5 else strut(chance)
    end = near(chance, np.add(upright.about, (0, -70, 0)), 15)
    start = near(chance, np.add(end, (0, -420, 20)), 40)
    return with_obstacle(chance, span(chance, (still(), start), (upright, end)))


def _wheel_on(maker: Callable[[Chance], Twin]) -> Callable[[Chance], Case]:
    def make(chance: Chance) -> Case:
        return with_obstacle(chance, wheel(maker(chance), chance))

    return make


def hose(chance: Chance) -> Case:
    """From the body to an axle: its pieces, 8 of the program, hold 64 of the oracle's."""
    from fitcheck.vehicle.ends import End as OurEnd
    from fitcheck.vehicle.hoses import Line, hose_pieces

    axle = leaf_axle(chance)
    end = near(chance, np.add(axle.about, (0, 200, 60)), 150)
    start = near(chance, np.add(end, (-250, 60, 250)), 120)
    length = math.dist(start, end) * float(chance.choice([chance.uniform(0.97, 1.1), chance.uniform(1.02, 1.6)]))
    radius = float(chance.uniform(4, 15))
    where = still()
    pieces = hose_pieces(Line("hose", OurEnd(start, where.ours), OurEnd(end, axle.ours), length, 2 * radius))
    body = Hose(End(start, where.theirs), End(end, axle.theirs), length, radius, 64)
    return with_obstacle(chance, BodyTwin(tuple(pieces), body, (where, axle), 64 // len(pieces), False))


def _against_own(maker: Callable[[Chance], Twin]) -> Callable[[Chance], Case]:
    """A rigid body on a mechanism against one on a small chain of its own."""

    def make(chance: Chance) -> Case:
        twin = maker(chance)
        first = rigid(twin, shape(chance, twin.about))
        if chance.random() < 0.5:
            return with_mover(chance, first, lambda about: chain(chance, "other", about))
        return with_mover(chance, first, lambda about: rocking_unit(chance, "other", about))

    return make


def _wheel_against_rod(chance: Chance) -> Case:
    """A steered wheel and a damper, both on the same axle: five coordinates, four of them shared."""
    axle, _, right = front_axle(chance)
    low = near(chance, np.add(axle.about, (120, 430, 0)), 60)
    high = near(chance, np.add(low, (0, -60, 420)), 60)
    first = rigid(right, shape(chance, np.add(right.about, (100, -60, 50)), spread=(150, 60, 150)))
    return Case(first, rod((axle, low), (still(), high), float(chance.uniform(10, 40))))


def _unit_against_its_shaft(chance: Chance) -> Case:
    """A box on the rocking unit and the shaft from the unit to the axle."""
    axle, unit = leaf_axle(chance), rocking_unit(chance)
    end = near(chance, np.add(axle.about, (-220, 0, 20)), 40)
    start = near(chance, (1450, 0, 450), 60)
    first = span(chance, (unit, start), (axle, end))
    return with_mover(chance, first, lambda _: unit)


def _axle_against_its_shaft(chance: Chance) -> Case:
    axle = leaf_axle(chance)
    end = near(chance, np.add(axle.about, (-220, 0, 20)), 40)
    start = near(chance, np.subtract(end, (800, 0, -60)), 60)
    return with_mover(chance, span(chance, (still(), start), (axle, end)), lambda _: axle)


def _twist_pair(chance: Chance) -> Case:
    numbers = twist_numbers(chance)
    station = float(chance.uniform(800, 2600))
    first = twisted(chance, station, numbers)
    return with_mover(
        chance,
        rigid(first, shape(chance, first.about, spread=(150, 300, 150))),
        lambda about: twisted(chance, about[0], numbers),
    )


def _wheel_pair(chance: Chance) -> Case:
    """The steered wheel against a body on the axle that carries it."""
    axle, _, right = front_axle(chance)
    first = rigid(right, shape(chance, right.about, spread=(200, 60, 150)))
    return with_mover(chance, first, lambda _: axle)


KINDS: dict[str, Callable[[Chance], Case]] = {
    "leaf axle": _rigid_on(leaf_axle),
    "linked axle": _rigid_on(linked_axle),
    "five rods": _rigid_on(five_rods),
    "strut": _rigid_on(strut),
    "swing arm": _rigid_on(swing_arm),
    "steered wheel": _rigid_on(lambda chance: steered(chance)[int(chance.integers(2))]),
    "steered on axle": _steered_on_axle,
    "rocking unit": _rigid_on(rocking_unit),
    "frame twist": _rigid_on(lambda chance: twisted(chance, float(chance.uniform(800, 2600)))),
    "chain": _rigid_on(chain),
    "chain thrice": _nested,
    "damper": _damper,
    "tie rod": _tie_rod,
    "drag link": _drag_link,
    "pitman arm": _pitman_arm,
    "propeller shaft": _propeller_shaft,
    "half shaft": _half_shaft,
    "hose": hose,
    "wheel on axle": _wheel_on(leaf_axle),
    "wheel on five rods": _wheel_on(five_rods),
    "wheel steered on axle": _wheel_on(lambda chance: front_axle(chance)[2]),
    "chain and mover": _against_own(chain),
    "axle and mover": _against_own(leaf_axle),
    "strut and mover": _against_own(strut),
    "wheel and damper": _wheel_against_rod,
    "unit and its shaft": _unit_against_its_shaft,
    "axle and its shaft": _axle_against_its_shaft,
    "two on a frame": _twist_pair,
    "wheel and its axle": _wheel_pair,
}
"""Name → maker; the last eight are two moving bodies, with coordinates of their own or shared ones."""
