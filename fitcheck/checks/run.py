"""Check one scene: every pair, the ground, the loads, the shafts, the limits → one Result."""

from __future__ import annotations

import difflib
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from fitcheck.checks.baseline import check_baseline, weighed_scene
from fitcheck.checks.clearance import Judgement, judge, row_of, undecided
from fitcheck.checks.crew import Job, check_jobs
from fitcheck.checks.evidence import urgency
from fitcheck.checks.ground import check_ground
from fitcheck.checks.kept import Kept, key_of, open_kept, scene_facts
from fitcheck.checks.limits import check_limits
from fitcheck.checks.lines import check_lines
from fitcheck.checks.loads import check_loads
from fitcheck.checks.pairing import pair_up
from fitcheck.checks.pairs import StillPair, check_still
from fitcheck.checks.scanned import check_scanned_still
from fitcheck.checks.shafts import check_shafts
from fitcheck.checks.suspension import check_suspension
from fitcheck.checks.swept import MovingPair, far_enough_mm
from fitcheck.checks.twisted import under_twist
from fitcheck.errors import InputError
from fitcheck.result import Clearance, Coverage, Limit, PartEcho, Result, Verdict
from fitcheck.vehicle.masses import weighing_cautions
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import SCAN, Part, Scene

Progress = Callable[[str], None]


@dataclass(frozen=True)
class _Clock:
    """Says what is going on, and keeps the seconds of each stage."""

    say: Progress
    seconds: dict[str, float]
    cores: int = 1

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        began = time.perf_counter()
        self.say(name)
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - began


def check_scene(
    scene: Scene,
    *,
    load_states: Iterable[str] | None = None,
    only: Iterable[str] | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
    cores: int = 1,
) -> Result:
    """Everything that fitcheck finds in a scene.

    ``load_states``: names of the load states to report (None: all). ``only``: judge just the
    pairs that one of these parts, moving bodies or "scan" is part of. Raises InputError for an
    unknown name. ``fresh``: compute every pair anew, also where its answer was kept from an earlier
    run on the same prepared scan (the report is the same). ``cores``: how many processes may share many
    moving pairs (0: one a core); a script that lends more than 1 needs the usual
    ``if __name__ == "__main__"`` round its work. The clearances come worst first: by verdict, then by what is
    left over the rule.
    """
    kept = open_kept(scene.scan, fresh=fresh)
    result = check_with(scene, kept, load_states=load_states, only=only, progress=progress, cores=cores)
    kept.store()
    return result


def check_with(
    scene: Scene,
    kept: Kept,
    *,
    load_states: Iterable[str] | None = None,
    only: Iterable[str] | None = None,
    progress: Progress | None = None,
    cores: int = 1,
) -> Result:
    """The same with answers that somebody holds on to; nothing is stored. What is kept shapes nothing but the time."""
    scene = _with_states(scene, load_states)
    names = _known(scene, only)
    clock = _Clock(progress or (lambda _: None), {}, cores)
    clearances, coverage = _clearances(scene, names, kept, clock)
    with clock.stage("ground and loads"):
        loads = check_loads(scene)
        ground = kept.recall("ground", scene_facts(scene), lambda: check_ground(scene))
        lines = kept.recall("lines", scene_facts(scene), lambda: check_lines(scene))
        limits = check_limits(scene, loads, ground) + lines + _without_scan(scene)
        as_weighed = kept.recall("as weighed", scene_facts(weighed_scene(scene)), lambda: check_baseline(scene))
    with clock.stage("shafts"):
        shafts = kept.recall("shafts", scene_facts(scene), lambda: check_shafts(scene))
        suspension = kept.recall("suspension", scene_facts(scene), lambda: check_suspension(scene))
    return Result(
        title=scene.title,
        layout=scene.layout_file,
        clearances=clearances,
        coverage=coverage,
        ground=ground,
        loads=loads,
        shafts=shafts,
        suspension=suspension,
        limits=limits,
        parts=tuple(_echo(part) for part in scene.parts),
        alignment=None if scene.scan is None else scene.scan.alignment,
        notes=() if scene.scan is None else scene.scan.notes,
        warnings=(*scene.warnings, *_gaps(scene)),
        cautions=weighing_cautions(scene),
        inputs=dict(scene.inputs),
        timing_s=clock.seconds,
        as_weighed=as_weighed,
    )


def _clearances(
    scene: Scene, only: tuple[str, ...], kept: Kept, clock: _Clock
) -> tuple[tuple[Clearance, ...], Coverage]:
    pairing = pair_up(scene, only)
    with clock.stage("still pairs"):
        rows = [_still_answer(kept, pair) for pair in pairing.still]
    with clock.stage("moving pairs"):
        rows += _moving_answers(kept, pairing.moving, clock)
    if kept.used:
        clock.say(f"{kept.used} of {kept.asked} pairs kept from an earlier check")
    return tuple(sorted(rows, key=urgency)), Coverage(pairing.rows)


@dataclass(frozen=True)
class _Filed:
    """Where the row of a pair is kept: by all that shapes it, and by what is measured of it alone (None: not held)."""

    kept: Kept
    key: str
    measured: str | None

    @classmethod
    def of(cls, kept: Kept, pair: StillPair | MovingPair, body: MovingBody | None) -> _Filed:
        """The keys of a pair."""
        measured = None if kept.figures is None else key_of(pair, body, kept.scan, demand=False)
        return cls(kept, key_of(pair, body, kept.scan), measured)

    def find(self, pair: StillPair | MovingPair) -> Clearance | None:
        """The row kept from an earlier check, also of one with another rule; None: to be computed."""
        row = self.kept.find(self.key)
        if row is None:
            row = _judged_anew(pair, self.kept.measured.get(self.measured or ""))
            if row is not None:
                self.kept.keep(self.key, row)
        return row if row is None else self.held(row)

    def held(self, row: Clearance) -> Clearance:
        """Hold on to what was measured."""
        if self.measured is not None:
            self.kept.measured[self.measured] = row
        return row

    def keep(self, row: Clearance) -> Clearance:
        """File a computed row."""
        self.kept.keep(self.key, row)
        return self.held(row)


def _still_answer(kept: Kept, pair: StillPair) -> Clearance:
    """A still pair's row: kept from an earlier run, or computed and kept."""
    filed = _Filed.of(kept, pair, None)
    found = filed.find(pair)
    if found is not None:
        return found
    if pair.evidence is not None:
        return filed.keep(check_scanned_still(pair, pair.evidence))
    return filed.keep(under_twist(check_still(pair), pair))


def _moving_answers(kept: Kept, jobs: Sequence[Job], clock: _Clock) -> list[Clearance]:
    """The rows of all moving pairs: kept ones, and those that are computed, the most dangerous first."""
    filed = [_Filed.of(kept, pair, body) for body, pair in jobs]
    found = [one.find(pair) for one, (_, pair) in zip(filed, jobs, strict=True)]
    missing = [k for k, row in enumerate(found) if row is None]
    done = 0

    def told(number: int, row: Clearance) -> None:
        nonlocal done
        done += 1
        found[missing[number]] = filed[missing[number]].keep(row)
        if done % _SAY_EVERY == 0:
            clock.say(f"moving pairs: {done} of {len(missing)}")

    check_jobs([jobs[k] for k in missing], told, clock.cores)
    return [row for row in found if row is not None]


_SAY_EVERY = 20
_MEASURED = ("distance_mm", "at_least_mm", "static_mm", "straight_bump_mm", "pose", "points_mm", "contact")
_BY_CAUSE = ("causes", "bites")
_WORDS_OF_A_RULE = ("rule", "want_mm", "rule_reason", "rule_source", "rule_label", "guard_parts")


def _judged_anew(pair: StillPair | MovingPair, row: Clearance | None) -> Clearance | None:
    """The row of a pair of which only the demand is another than that of a measured ``row``, as if computed.

    None where the demand shapes more than the verdict: places and moves, and all that a scan says.
    """
    if row is None:
        return None
    rule = pair.chosen.rule
    ends = [far_enough_mm(row.must_mm + row.guard_mm, row.want_mm), far_enough_mm(pair.clear_mm, rule.want_mm)]
    if rule.cause != row.judged or ends[0] != ends[1]:
        return None
    if (rule.must_mm, pair.guard_mm) == (row.must_mm, row.guard_mm):
        worded = row_of(pair, Judgement(row.verdict, row.reason))
        return replace(row, **{name: getattr(worded, name) for name in _WORDS_OF_A_RULE})
    if rule.cause or pair.contacts or row.distance_mm is None or row.depth_mm is not None:
        return None
    if row.contact not in ("apart", "unknown"):
        return None
    if pair.evidence is not None:
        return None
    judgement = judge(row.distance_mm, row.at_least_mm, pair.guard_mm, pair.chosen.rule.must_mm)
    figures = {name: getattr(row, name) for name in (*_MEASURED, *_BY_CAUSE)}
    return row_of(pair, undecided(judgement) if row.contact == "unknown" else judgement, **figures)


def _with_states(scene: Scene, names: Iterable[str] | None) -> Scene:
    wanted = tuple(names or ())
    if not wanted:
        return scene
    known = [state.name for state in scene.load_states]
    for name in wanted:
        if name not in known:
            raise InputError(f"load state {name!r} is not in {scene.layout_file}: {_nearest(name, known)}")
    states = tuple(state for state in scene.load_states if state.name in wanted)
    targets = tuple(target for target in scene.targets if target.state in wanted)
    return replace(scene, load_states=states, targets=targets)


def _known(scene: Scene, names: Iterable[str] | None) -> tuple[str, ...]:
    wanted = tuple(names or ())
    known = list(dict.fromkeys([p.name for p in scene.parts if p.solids] + [body.name for body in scene.moving]))
    known += [SCAN] * bool(scene.scan)
    for name in wanted:
        if name not in known:
            raise InputError(f"{name!r} is not a part with a shape in {scene.layout_file}: {_nearest(name, known)}")
    return wanted


def _nearest(word: str, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, 1)
    return f"did you mean {close[0]!r}?" if close else "it knows " + (", ".join(known) or "none")


def _without_scan(scene: Scene) -> tuple[Limit, ...]:
    """Without a scan nothing was shown about the vehicle: that is no PASS."""
    if scene.scan is not None:
        return ()
    reason = "there is no scan: no part was checked against the vehicle"
    return (Limit("scan", "every", None, 0.0, 0.0, "at least", Verdict.NOT_PROVEN, reason),)


def _gaps(scene: Scene) -> Iterator[str]:
    """What the scene lacks, and which answers are missing for it."""
    if scene.scan is None:
        yield "no scan: nothing is checked against the vehicle's metal"
    if not scene.moving:
        yield "no mechanisms: nothing is checked against moving parts"


def _echo(part: Part) -> PartEcho:
    mass = part.mass
    spans: tuple[tuple[float, float] | None, ...] = (None, None, None)
    if part.solids:
        boxes = np.array([solid.extents() for solid in part.solids])
        low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
        spans = tuple((float(low[k]), float(high[k])) for k in range(3))
    return PartEcho(
        name=part.name,
        part_class=part.part_class,
        x_mm=spans[0],
        y_mm=spans[1],
        z_mm=spans[2],
        mass_kg=None if mass is None else mass.mass_kg.value,
        cg_mm=None if mass is None else mass.cg_mm,
        placed_by=part.placed_by,
    )
