"""Random running gear on rods, within what vehicles have: for tests of the promise."""

from __future__ import annotations

import numpy as np

from fitcheck.vehicle.linkages import FiveRods, LinkedAxle, Rod, Strut

AXLES = ("three links", "four links", "five links", "radius arms")
WHEELS = ("five rods", "five rods, steered", "strut", "strut, steered")
KINDS = AXLES + WHEELS


def random_linkage(kind: str, seed: int) -> LinkedAxle | FiveRods | Strut:
    """One of ``KINDS``; not every one of them reaches over its travel."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    if kind in AXLES:
        return _axle(kind, rng)
    rack = float(rng.uniform(20, 60)) if kind.endswith("steered") else 0.0
    return _strut(rng, rack) if kind.startswith("strut") else _five_rods(rng, rack)


def _rod(rng: np.random.Generator, name: str, body: tuple[float, ...], carried: tuple[float, ...], by: float) -> Rod:
    ends = [tuple(float(v) for v in np.array(end) + rng.uniform(-by, by, 3)) for end in (body, carried)]
    return Rod(name, *ends)


def _axle(kind: str, rng: np.random.Generator) -> LinkedAxle:
    x, z = 2600.0, 380.0
    ahead = float(rng.choice([-1.0, 1.0])) * rng.uniform(450, 800)
    rods = []
    if kind == "radius arms":
        for side, y in (("right", 430.0), ("left", -430.0)):
            end = tuple(np.array([x + ahead, y * rng.uniform(0.7, 1.0), z]) + rng.uniform(-40, 40, 3))
            for place, up in (("upper", 90.0), ("lower", -90.0)):
                at = (x + np.sign(ahead) * rng.uniform(-60, 60), y, z + up + rng.uniform(-30, 30))
                rods.append(Rod(f"{side} {place}", end, at))
    else:
        lower = [_rod(rng, f"lower {n}", (x + ahead, y, z + 10), (x, y * 1.05, z - 30), 40) for n, y in _sides(430)]
        upper_ends = {"three links": [("", 60.0, 50.0)], "four links": [("r", 420.0, 90.0), ("l", -420.0, -90.0)]}
        ends = upper_ends.get(kind, [("r", 380.0, 380.0), ("l", -380.0, -380.0)])
        upper = [
            _rod(rng, f"upper {n}", (x + 0.8 * ahead, a, z + 150), (x + 20, b, z + 130), 40) for n, a, b in ends
        ]
        rods = [*lower, *upper]
    if kind != "four links":
        rods.append(_rod(rng, "lateral", (x + 90, -400, z + 30), (x + 90, 400, z + 20), 50))
    bump, droop = (float(v) for v in rng.uniform(40, 100, 2))
    stops = float(rng.uniform(350, 500))
    return LinkedAxle("axle", (x, 0.0, z), bump, droop, stops, tuple(rods), float(rng.uniform(0, 6)), 5.0, 3.0)


def _sides(y: float) -> list[tuple[str, float]]:
    return [("r", y), ("l", -y)]


def _lower(rng: np.random.Generator, front: tuple[float, ...], rear: tuple[float, ...]) -> list[Rod]:
    return [
        _rod(rng, "lower front", (-170, 340, 250), front, 30),
        _rod(rng, "lower rear", (190, 340, 255), rear, 30),
    ]


def _steering(rng: np.random.Generator) -> Rod:
    arm = float(rng.choice([-1.0, 1.0])) * rng.uniform(100, 150)
    return _rod(rng, "steering", (arm, 320, 280), (arm, 660, 280), 25)


def _travel(rng: np.random.Generator) -> tuple[float, float]:
    bump, droop = (float(v) for v in rng.uniform(40, 100, 2))
    return bump, droop


def _five_rods(rng: np.random.Generator, rack: float) -> FiveRods:
    rods = [
        *_lower(rng, (-20, 680, 240), (20, 680, 240)),
        _rod(rng, "upper front", (-130, 400, 480), (-15, 640, 470), 30),
        _rod(rng, "upper rear", (140, 400, 475), (15, 640, 470), 30),
        _steering(rng),
    ]
    return FiveRods("wheel", (0.0, 740.0, 350.0), *_travel(rng), tuple(rods), "steering" if rack else "", rack)


def _strut(rng: np.random.Generator, rack: float) -> Strut:
    ball = tuple(float(v) for v in np.array([0.0, 690.0, 220.0]) + rng.uniform(-20, 20, 3))
    lower = [Rod(rod.name, rod.body, ball) for rod in _lower(rng, ball, ball)]
    top = tuple(float(v) for v in np.array([30.0, 560.0, 860.0]) + rng.uniform(-40, 40, 3))
    foot = tuple(float(v) for v in np.array([10.0, 640.0, 330.0]) + rng.uniform(-20, 20, 3))
    rods = (*lower, _steering(rng))
    return Strut("wheel", (0.0, 740.0, 350.0), *_travel(rng), top, foot, rods, "steering" if rack else "", rack)
