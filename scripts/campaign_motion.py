"""Random mechanisms, bodies and obstacles: the proven least distance over all poses against dense sampling.

    python scripts/campaign_motion.py --trials 300 --seed 1
    python scripts/campaign_motion.py --trials 50 --kind "five rods"

Every mechanism is written down twice, see tests/motion_twins.py: once as the program's pieces, once as the oracle of
the tests, which only knows where points go. A trial asks four things.

mismatch   poses: how far the two come apart at one and the same pose (support along random directions)
leak       boxes: how far the oracle's body at a pose in a box of poses sticks out of the hull that is to hold them all
violation  search: the oracle found poses with less distance than the search's lower bound
unreached  search: the distance at the search's own pose is not what it says it is (by more than 0.02 mm)

Then how many boxes of poses the search looked at, beside the number of poses of a regular grid of equal safety: spaced
so that no point of the bodies moves by more than 0.2 mm between neighbours along any coordinate. Ends 1 when a bound
leaked or was violated, or when the two part by more than a rounding error.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from fitcheck.errors import InputError, InternalError  # noqa: E402

Floats = NDArray[np.float64]
Chance = np.random.Generator

SAME_MM, UNREACHED_MM, TOLERANCE_MM = 1e-5, 0.02, 0.1
DIRECTIONS = 120


# -- the same at one pose, and within a box of poses --


def support_of_hulls(hulls: Any, ways: Floats) -> Floats:
    """How far n hulls reach along d unit directions, (n, d), remainder included."""
    along = hulls.points @ ways.T
    if hulls.discs is not None:
        across = np.sqrt(np.maximum(1.0 - (hulls.discs @ ways.T) ** 2, 0.0))
        along = along + hulls.disc_radius_mm * across
    reach: Floats = along.max(axis=1) + hulls.ball_mm + hulls.grow_mm[:, None]
    return reach


def support_of_piece(piece: Any, ways: Floats) -> Floats:
    """How far the oracle's solid reaches at n poses along d unit directions, (n, d)."""
    along = np.maximum(piece.start @ ways.T, piece.end @ ways.T)
    if piece.kind == "box":
        spread = np.abs(np.einsum("nkj,dj->nkd", piece.axes, ways))
        return np.asarray(along + np.einsum("k,nkd->nd", piece.half_mm, spread))
    if piece.kind == "capsule":
        return np.asarray(along + piece.radius_mm)
    axis = (piece.end - piece.start) / np.linalg.norm(piece.end - piece.start, axis=1, keepdims=True)
    return np.asarray(along + piece.radius_mm * np.sqrt(np.maximum(1.0 - (axis @ ways.T) ** 2, 0.0)))


def oracle_support(twin: Any, poses: Floats, ways: Floats) -> list[Floats]:
    """One (n, d) for each piece of the program: what the oracle's parts of it reach."""
    named = twin.named(poses, twin.pieces[0].space.coordinates)
    parts = [support_of_piece(piece, ways) for piece in twin.body.pieces(named)]
    return [np.max(parts[k : k + twin.parts], axis=0) for k in range(0, len(parts), twin.parts)]


def random_ways(chance: Chance) -> Floats:
    ways = chance.normal(size=(DIRECTIONS, 3))
    return np.asarray(ways / np.linalg.norm(ways, axis=1, keepdims=True))


def mismatch_mm(twin: Any, chance: Chance, count: int = 40) -> tuple[float, Floats]:
    """The most that both part at one of ``count`` poses, and that pose."""
    space, ways = twin.pieces[0].space, random_ways(chance)
    poses = chance.uniform(space.low, space.high, size=(count, len(space.low)))
    poses[0] = space.scan_pose
    worst = np.full(count, -np.inf)
    for piece, theirs in zip(twin.pieces, oracle_support(twin, poses, ways), strict=True):
        off = theirs - support_of_hulls(piece.hulls(poses, poses), ways)
        off = np.where(np.isnan(off), np.inf, off)
        worst = np.maximum(worst, (np.maximum(off, -off - twin.grown_mm) if twin.exact else off).max(axis=1))
    return float(worst.max()), poses[int(worst.argmax())]


@dataclass(frozen=True)
class Leak:
    """The worst box: how far out something stuck, which share of the remainder was needed, and where."""

    leak_mm: float
    share: float
    box: tuple[Floats, Floats, Floats] | None
    endless: float  # share of the boxes for which no bound was given


def random_boxes(space: Any, chance: Chance, count: int) -> tuple[Floats, Floats]:
    """Boxes of poses (count, d) of every size and shape; every other one as halving the travel over and over gives."""
    wide = space.high - space.low
    half = wide / 2.0 * 10.0 ** chance.uniform(-2.5, 0.0, (count, 1)) * chance.choice([0.05, 1.0], (count, len(wide)))
    middle = chance.uniform(space.low + half, np.maximum(space.high - half, space.low + half))
    low, high = np.maximum(middle - half, space.low), np.minimum(middle + half, space.high)
    pieces = 2.0 ** chance.integers(0, 8, size=(count, len(wide)))
    number = np.floor(chance.uniform(0.0, 1.0, size=(count, len(wide))) * pieces)
    number = np.where(chance.random((count, len(wide))) < 0.3, pieces - 1.0, number)  # the ends are where it gets hard
    halved = np.arange(count)[:, None] % 2 == 1
    low = np.where(halved, space.low + wide * (number / pieces), low)
    return low, np.where(halved, np.minimum(space.low + wide * ((number + 1.0) / pieces), space.high), high)


def leak(twin: Any, chance: Chance, count: int = 60, each: int = 12) -> Leak:
    """Random boxes of poses, and random poses in them, their corners and middles among them."""
    space, ways = twin.pieces[0].space, random_ways(chance)
    if not len(space.low):
        return Leak(0.0, 0.0, None, 0.0)
    wide = space.high - space.low
    low, high = random_boxes(space, chance, count)
    share = chance.uniform(0.0, 1.0, size=(count, each, len(wide)))
    share[:, :4] = chance.choice([0.0, 0.5, 1.0], size=(count, 4, len(wide)))
    share[:, 0] = 0.5
    poses = low[:, None] + share * (high - low)[:, None]
    worst, most, found, endless = -np.inf, 0.0, None, 0.0
    for piece, theirs in zip(twin.pieces, oracle_support(twin, poses.reshape(-1, len(wide)), ways), strict=True):
        hulls = piece.hulls(low, high)
        out = theirs.reshape(count, each, -1) - support_of_hulls(hulls, ways)[:, None]
        out = np.where(np.isnan(out), -np.inf, out)
        grown = np.where(np.isfinite(hulls.grow_mm), hulls.grow_mm, 1e9)
        needed = np.maximum(out.max(axis=(1, 2)) + grown, 0.0) / np.maximum(grown, 1e-6)
        endless, most = max(endless, float(np.isinf(hulls.grow_mm).mean())), max(most, float(needed.max()))
        box, pose, _ = np.unravel_index(int(out.argmax()), out.shape)
        if out[box, pose].max() > worst:
            worst, found = float(out[box, pose].max()), (low[box], high[box], poses[box, pose])
    return Leak(worst, most, found, endless)


# -- the search --


@dataclass(frozen=True)
class Joint:
    """The coordinates of both bodies together."""

    space: Any
    columns: tuple[Any, Any]
    within: Any


def joint_of(case: Any) -> Joint:
    """Both spaces side by side, shared coordinates once, and the limits that couple them."""
    motion, sweep = import_module("fitcheck.vehicle.motion"), import_module("fitcheck.geometry.sweep")
    spaces = [body.pieces[0].space for body in (case.first, case.second)]
    space = motion.together(*spaces)
    gains, most, start = [], [], 0
    for block in space.blocks:
        for limit in block.limits:
            row = np.zeros(len(space.coordinates))
            row[start : start + len(limit.gains)] = limit.gains
            gains.append(row)
            most.append(limit.most)
        start += len(block.coordinates)
    within = sweep.Halfspaces(np.array(gains), np.array(most), space.scan_pose) if gains else None
    return Joint(space, tuple(motion.columns_of(each, space) for each in spaces), within)


@dataclass(frozen=True)
class Asked:
    """A part of the travel, and the distance above which no more is asked."""

    word: str
    low: Floats
    high: Floats
    enough_mm: float = np.inf


def questions(joint: Joint, chance: Chance) -> list[Asked]:
    """All of the travel; a part of it, some coordinates at the scan pose or on one side of it; all, roughly."""
    low, high, scan = joint.space.low, joint.space.high, joint.space.scan_pose
    which = chance.integers(0, 5, size=len(low))
    part = np.where(which < 2, scan, np.where(which == 2, scan, low)), np.where(which < 2, scan, high)
    rough = float(chance.uniform(1.0, 60.0))
    return [Asked("all", low, high), Asked("part", *part), Asked("enough", low, high, rough)]


def searched(case: Any, joint: Joint, asked: list[Asked]) -> list[Any]:
    """The program's answers, all in one call."""
    sweep = import_module("fitcheck.geometry.sweep")
    limits = joint.space.low, joint.space.high
    within = {} if joint.within is None else {"within": joint.within}
    if not len(case.second.pieces[0].space.coordinates):
        solid = case.second.pieces[0].solid
        atoms = solid.vertices[None]
        tasks = [
            sweep.Obstacle(atoms, solid.radius_mm, low=one.low, high=one.high, enough_mm=one.enough_mm) for one in asked
        ]
        return list(sweep.least_over_motion(case.first.pieces, tasks, limits, **within))
    pairs = import_module("fitcheck.geometry.sweep_pairs")
    movers = [
        pairs.Mover(body.pieces, columns)
        for body, columns in zip((case.first, case.second), joint.columns, strict=True)
    ]
    parts = [pairs.Part(one.low, one.high, enough_mm=one.enough_mm) for one in asked]
    return list(pairs.least_between_motions(*movers, parts, **within))


def oracle_travel(case: Any, joint: Joint, asked: Asked) -> Any:
    """The same part of the travel for the oracle; None where its coordinates are others than the program's."""
    mechanisms = import_module("oracle_mechanisms")
    whole = mechanisms.joined(case.first.body.travel, case.second.body.travel)
    if asked.word != "part":
        return whole
    if set(whole.names) != set(joint.space.coordinates):
        return None
    order = [joint.space.coordinates.index(name) for name in whole.names]
    low, high = (tuple(float(end[k]) for k in order) for end in (asked.low, asked.high))
    return mechanisms.Travel(whole.names, low, high, whole.limits)


def named(case: Any, joint: Joint, poses: Floats) -> Any:
    """Joint poses of the program as the oracle's mapping."""
    coordinates = joint.space.coordinates
    return {**case.first.named(poses, coordinates), **case.second.named(poses, coordinates)}


def grid_poses(case: Any, joint: Joint, chance: Chance) -> float:
    """How many poses of a regular grid move no point by more than 0.2 mm between neighbours, speeds as sampled."""
    low, high = joint.space.low, joint.space.high
    total = 1.0
    for k in range(len(low)):
        step = (high[k] - low[k]) * 1e-3
        poses = chance.uniform(low, high, size=(30, len(low)))
        poses[:, k] = np.minimum(poses[:, k], high[k] - step)
        ahead = poses.copy()
        ahead[:, k] += step
        here, there = named(case, joint, poses), named(case, joint, ahead)
        moved = sum(travelled_mm(body, here, there) for body in (case.first.body, case.second.body))
        total *= 1.0 + np.floor(moved * 1e3 / 0.2)
    return total


def travelled_mm(body: Any, here: Any, there: Any) -> float:
    """The most that a point of the body's pieces moves from one pose to the other."""
    moved = 0.0
    for one, two in zip(body.pieces(here), body.pieces(there), strict=True):
        points = [np.asarray(piece_points(piece)) for piece in (one, two)]
        moved = max(moved, float(np.nanmax(np.linalg.norm(points[0] - points[1], axis=-1), initial=0.0)))
    return moved


def piece_points(piece: Any) -> list[Floats]:
    """Corners of a box, ends of anything else, (n, 3) each."""
    if piece.kind != "box":
        return [piece.start, piece.end]
    signs = itertools.product((-1.0, 1.0), repeat=3)
    return [piece.start + np.einsum("k,nkj->nj", np.array(sign) * piece.half_mm, piece.axes) for sign in signs]


# -- trials --


@dataclass
class Tally:
    """What the trials of a kind came to."""

    trials: int = 0
    refused: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    numbers: dict[str, list[float]] = field(default_factory=dict)
    complaints: list[str] = field(default_factory=list)

    def add(self, name: str, value: float) -> None:
        self.numbers.setdefault(name, []).append(value)

    def most(self, name: str) -> float:
        return max(self.numbers.get(name, [0.0]))

    def complain(self, word: str, text: str) -> None:
        self.counts[word] += 1
        self.complaints.append(f"{word}: {text}")


def draw(kind: str, chance: Chance, tally: Tally) -> Any:
    """A case; mechanisms that the program refuses are drawn again."""
    make = import_module("motion_twins").KINDS[kind]
    for _ in range(50):
        try:
            case = make(chance)
            for body in (case.first, case.second):  # some are only found out of reach when they are asked
                scan = body.pieces[0].space.scan_pose[None]
                body.pieces[0].hulls(scan, scan)
            return case
        except InputError as refusal:
            tally.refused += 1
            tally.numbers.setdefault(f"refused: {str(refusal)[:90]}", []).append(1.0)
    raise SystemExit(f"{kind}: 50 mechanisms in a row were refused: {sorted(tally.numbers)}")


def trial(kind: str, seed: tuple[int, int], tally: Tally, options: argparse.Namespace) -> None:
    """All four questions of one random case; an internal error is a complaint."""
    try:
        ask(kind, seed, tally, options)
    except InternalError as error:
        tally.complain("broke", f"{kind}, seed {seed[0]}, trial {seed[1]}: {error}")


def ask(kind: str, seed: tuple[int, int], tally: Tally, options: argparse.Namespace) -> None:
    """Poses, boxes and the search of one random case."""
    chance = np.random.default_rng([sum(map(ord, kind)), *seed])
    case = draw(kind, chance, tally)
    where = f"{kind}, seed {seed[0]}, trial {seed[1]}"
    for body in (case.first, case.second):
        off, pose = mismatch_mm(body, chance)
        tally.add("mismatch", off)
        if not off <= SAME_MM:
            tally.complain("mismatch", f"{where}: {off:.3g} mm at {told(body.pieces[0].space, pose)}")
            return
        found = leak(body, chance, options.boxes)
        tally.add("leak", found.leak_mm)
        tally.add("needed", found.share)
        tally.add("endless", found.endless)
        if found.leak_mm > SAME_MM and found.box is not None:
            low, high, pose = found.box
            tally.complain("leak", f"{where}: {found.leak_mm:.3g} mm out at {pose}, box {low} … {high}")
    tally.trials += 1
    if not options.bounds_only:
        search(case, where, chance, tally, options.poses)


def search(case: Any, where: str, chance: Chance, tally: Tally, poses: int) -> None:
    """The least distance by both roads, over all of the travel and over a part of it."""
    joint = joint_of(case)
    asked = questions(joint, chance)
    start = time.perf_counter()
    alone = searched(case, joint, asked[:1])
    tally.add("seconds", time.perf_counter() - start)
    tally.add("boxes", alone[0].boxes)
    tally.add("grid", grid_poses(case, joint, chance))
    tally.counts["not proven"] += not alone[0].proven
    answers = searched(case, joint, asked) if alone[0].proven else alone
    for one, answer in zip(asked, answers, strict=False):
        travel = oracle_travel(case, joint, one)
        if travel is not None:
            compare(Comparison(case, joint, one, answer, f"{where}, {one.word}"), travel, chance, (tally, poses))


@dataclass(frozen=True)
class Comparison:
    """One question, and the program's answer to it."""

    case: Any
    joint: Joint
    asked: Asked
    answer: Any
    where: str


def compare(made: Comparison, travel: Any, chance: Chance, count: tuple[Tally, int]) -> None:
    """Hold an answer against dense sampling."""
    bodies, case, answer, (tally, poses) = import_module("oracle_bodies"), made.case, made.answer, count
    exact = case.first.exact and case.second.exact
    dense = bodies.dense_minimum(case.first.body, case.second.body, poses, chance, travel=travel)
    there = float(bodies.distances(case.first.body, case.second.body, named(case, made.joint, answer.pose[None]))[0])
    figures = (
        f"{made.where}: distance {answer.distance_mm:.4f}, at least {answer.at_least_mm:.4f}, proven {answer.proven}, "
        f"boxes {answer.boxes}; oracle {dense.distance_mm:.4f}, at the search's pose {there:.4f}\n"
        f"        the search's pose: {told(made.joint.space, answer.pose)}\n        the oracle's pose: "
        + ", ".join(f"{name} {value:.5g}" for name, value in zip(dense.travel.names, dense.pose, strict=True))
    )
    wide = answer.distance_mm - max(answer.at_least_mm, 0.0) > TOLERANCE_MM + 1e-6
    outside = (answer.pose < made.asked.low - 1e-9) | (answer.pose > made.asked.high + 1e-9)
    tally.counts["touching"] += dense.distance_mm == 0.0
    if min(dense.distance_mm, there) < answer.at_least_mm - 1e-6:
        tally.complain("violation", figures)
    if (exact and not abs(max(answer.distance_mm, 0.0) - there) <= UNREACHED_MM) or outside.any():
        tally.complain("unreached", figures)
    if answer.proven and wide and answer.at_least_mm < made.asked.enough_mm:
        tally.complain("wide", figures)
    if answer.proven and exact and not wide and answer.distance_mm > dense.distance_mm + TOLERANCE_MM + 1e-3:
        tally.complain("missed", figures)
    if answer.proven and not wide:
        tally.add("gap", dense.distance_mm - max(answer.at_least_mm, 0.0))


def told(space: Any, pose: Floats) -> str:
    return ", ".join(f"{name} {value:.5g}" for name, value in zip(space.coordinates, pose, strict=True))


# -- the report --


def line(kind: str, tally: Tally, seconds: float) -> str:
    """One row: what was found, then boxes and grid."""
    words = ("violation", "unreached", "leak", "mismatch", "broke", "wide", "missed", "not proven", "touching")
    counts = " ".join(f"{tally.counts[word]:6d}" for word in words)
    boxes, grid = tally.numbers.get("boxes", [0.0]), tally.numbers.get("grid", [0.0])
    many = f"{np.median(boxes):7.0f} {np.percentile(boxes, 90):7.0f} {max(boxes):7.0f}   {np.median(grid):8.1e}"
    times = tally.numbers.get("seconds", [0.0])
    return (
        f"{kind:22s} {tally.trials:5d} {counts}  {tally.most('gap'):7.3f} {tally.most('needed'):6.3f} "
        f"{tally.most('endless'):5.2f}   {many}  {np.median(times):6.3f} {max(times):6.2f} {seconds:6.1f}"
    )


HEAD = (
    f"{'kind':22s} trial violat unreac   leak mismat  broke   wide missed unprov  touch      gap needed  endl"
    f"   {'boxes: median, p90, max':23s}   grid      search s: med, max   all s"
)


def main() -> int:
    """Run the trials of each kind; say what was found."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=300, help="of each kind (default 300)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", action="append", help="only this kind; may be given again")
    parser.add_argument("--first", type=int, default=0, help="number of the first trial (default 0)")
    parser.add_argument("--poses", type=int, default=1500, help="of the oracle, before polishing (default 1500)")
    parser.add_argument("--boxes", type=int, default=60, help="boxes of poses of each body (default 60)")
    parser.add_argument("--bounds-only", action="store_true", help="poses and boxes only, no search")
    options = parser.parse_args()
    print(HEAD, flush=True)
    broken = False
    for kind in options.kind or import_module("motion_twins").KINDS:
        tally, start = Tally(), time.perf_counter()
        try:
            for number in range(options.first, options.first + options.trials):
                trial(kind, (options.seed, number), tally, options)
        except ImportError as missing:
            print(f"{kind:22s} not there: {missing}", flush=True)
            continue
        print(line(kind, tally, time.perf_counter() - start), flush=True)
        for complaint in tally.complaints[:6]:
            print("   ", complaint, flush=True)
        broken |= any(tally.counts[word] for word in ("violation", "leak", "mismatch", "broke"))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
