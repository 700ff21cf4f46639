"""What an edit changed, in a few lines of words: what weighs most first, the rest counted.

A line names a pair with its distance before and after, rounded down as in the table, and its verdict:
``charger – bracket  4.1 → 9.8 mm: FAIL → PASS``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from fitcheck.report.wording import apart, clean, floor_mm, number, pair_name, short_name
from fitcheck.result import Clearance, Limit, Result, Verdict

if TYPE_CHECKING:
    from fitcheck.study.changes import Changes, CoverageChange, FigureChange, LimitChange, PairChange, PartChange

MOST_LINES = 12
NOTHING = "nothing changed"
_NAMED = 4


def change_lines(changes: Changes, *, most: int = MOST_LINES) -> list[str]:
    """At most ``most`` lines; the last one counts what was left out. Of no change one line that says so."""
    lines = list(_lines(changes))
    if not lines:
        return [NOTHING] if changes.verdict[0] is changes.verdict[1] else []
    if len(lines) <= most:
        return lines
    left = len(lines) - most + 1
    return [*lines[: most - 1], f"and {left} smaller changes"]


def verdict_line(result: Result) -> str:
    """The overall verdict with the counts of clearances, and of targets and ratings."""
    if not result.clearances and not result.limits:
        return f"{result.verdict.value}: nothing was judged"
    counts = [f"clearances {_counted(result.counts)}"]
    if result.limits:
        counts.append(f"targets and ratings {_counted(result.limit_counts)}")
    return f"{result.verdict.value}: {'; '.join(counts)}"


def _counted(counts: dict[str, int]) -> str:
    return f"{counts['fail']} FAIL, {counts['not_proven']} NOT PROVEN, {counts['pass']} PASS"


def _lines(changes: Changes) -> Iterator[str]:
    """All lines, what weighs most first."""
    turned = [change for change in changes.pairs if change.turned]
    others = [change for change in changes.pairs if not change.turned]
    yield from map(_pair, turned)
    yield from (_limit(change) for change in changes.limits if change.turned)
    yield from _parts(changes.parts)
    yield from (f"new warning: {clean(words)}" for words in changes.warnings_new)
    yield from (_limit(change) for change in changes.limits if not change.turned)
    yield from _rules(others)
    yield from _came_and_went(others)
    yield from _covered(changes.coverage)
    yield from (_pair(change) for change in others if change.moved)
    yield from map(_figure, changes.figures)
    yield from (f"no longer warned: {clean(words)}" for words in changes.warnings_gone)


# --- pairs ------------------------------------------------------------------------------------------------------------


def _pair(change: PairChange) -> str:
    """ "A2 – rear_shaft  16.6 → 24.2 mm: NOT PROVEN → PASS" """
    was, now = change.before, change.after
    name = pair_name(change.between)
    if was is None or now is None:
        row, word, tense = (was, "gone", "was ") if now is None else (now, "new", "")
        return f"{name}  {word}" if row is None else f"{name}  {word}: {_mm(row)} mm, {tense}{_said(row)}"
    verdicts = _said(now) if was.verdict is now.verdict else f"{was.verdict.value} → {_said(now)}"
    demand = f", must+guard {_demand(was)} → {_demand(now)}" if change.turned and change.ruled_anew else ""
    return f"{name}  {_arrow(_mm(was), _mm(now))} mm{demand}: {verdicts}"


def _said(row: Clearance) -> str:
    """The verdict; where it is not PASS, why."""
    return row.verdict.value if row.verdict is Verdict.PASS else f"{row.verdict.value} ({clean(row.reason)})"


def _mm(row: Clearance) -> str:
    """The distance, or minus the depth; "-" where a pair only touches in its declared place."""
    if row.distance_mm is None and row.contact == "declared":
        return "-"
    return floor_mm(row.distance_mm if row.depth_mm is None else -row.depth_mm)


def _rules(changes: Iterable[PairChange]) -> Iterator[str]:
    """Pairs that are judged by another demand with the same verdict, one line a demand."""
    found: dict[str, list[PairChange]] = {}
    for change in changes:
        if change.ruled_anew and change.before is not None and change.after is not None:
            found.setdefault(f"{_demand(change.before)} → {_demand(change.after)}", []).append(change)
    for words, some in found.items():
        yield f"must+guard {words} mm: {_named([pair_name(change.between) for change in some])}, verdict as before"


def _demand(row: Clearance) -> str:
    declared = ", touch declared" if row.contact == "declared" else ""
    return f"{row.must_mm:g}+{number(row.guard_mm)} (want {row.want_mm:g}{declared})"


def _came_and_went(changes: Iterable[PairChange]) -> Iterator[str]:
    """New pairs, and pairs that are judged no more, which all PASS."""
    some = list(changes)
    for words, those in (
        ("new, all PASS", [change for change in some if change.before is None]),
        ("no longer judged, all were PASS", [change for change in some if change.after is None]),
    ):
        if those:
            closest = those[0].after or those[0].before
            least = f"; the closest: {pair_name(those[0].between)} {_mm(closest)} mm" if closest is not None else ""
            yield f"{_count(len(those), 'pair')} {words}{least}"


def _covered(changes: Iterable[CoverageChange]) -> Iterator[str]:
    """Pairs that are treated in another way, one line a way."""
    ordered = sorted(changes, key=lambda change: (change.before.status, change.after.status))
    for (was, now), some in groupby(ordered, key=lambda change: (change.before.status, change.after.status)):
        names = [pair_name(change.between) for change in some]
        yield f"{was.replace('_', ' ')} → {now.replace('_', ' ')}: {_named(names)}"


# --- parts ------------------------------------------------------------------------------------------------------------


def _parts(changes: Iterable[PartChange]) -> Iterator[str]:
    """What came, went, moved, grew or weighs something else: a line a kind."""
    some = list(changes)
    for word, words in (
        ("new part", [short_name(one.name) for one in some if one.before is None]),
        ("part gone", [short_name(one.name) for one in some if one.after is None]),
        ("moved", [f"{short_name(one.name)} {_way(one.moved_mm)}" for one in some if one.moved_mm]),
        ("size", [f"{short_name(one.name)} {_way(one.grown_mm)}" for one in some if one.grown_mm]),
        ("mass", [words for one in some for words in _mass(one)]),
        ("class", [words for one in some for words in _class(one)]),
    ):
        if words:
            yield f"{word}: {_named(words)}"


def _way(vector: tuple[float, float, float]) -> str:
    """ "x +3.0, z -12.5 mm"; what rounds to nothing is left out."""
    digits = 1 if max(map(abs, vector)) >= 0.1 else 3
    steps = [f"{axis} {value:+.{digits}f}" for axis, value in zip("xyz", vector, strict=True) if round(value, digits)]
    return ", ".join(steps) + " mm"


def _mass(change: PartChange) -> Iterator[str]:
    was, now = change.before, change.after
    if was is not None and now is not None and was.mass_kg != now.mass_kg:
        yield f"{short_name(change.name)} {_kg(was.mass_kg)} → {_kg(now.mass_kg)} kg"
    elif was is not None and now is not None and was.cg_mm != now.cg_mm and not change.moved_mm:
        yield f"{short_name(change.name)} has its centre of gravity elsewhere"


def _kg(mass_kg: float | None) -> str:
    return "none" if mass_kg is None else f"{mass_kg:.6g}"


def _class(change: PartChange) -> Iterator[str]:
    was, now = change.before, change.after
    if was is not None and now is not None and was.part_class != now.part_class:
        yield f"{short_name(change.name)} {clean(was.part_class)} → {clean(now.part_class)}"


# --- limits and figures -----------------------------------------------------------------------------------------------


def _limit(change: LimitChange) -> str:
    """ "breakover_deg laden  33.5 → 31.2 (at least 32): PASS → FAIL" """
    was, now = change.before, change.after
    name = f"{clean(change.name)} {short_name(change.state)}"
    if was is None or now is None:
        limit, word = (was, "asked no more") if now is None else (now, "asked anew")
        return f"{name}  {word}" if limit is None else f"{name}  {word}: {_asked(limit)}, {limit.verdict.value}"
    values = _arrow(apart(was.value, was.limit)[0], apart(now.value, now.limit)[0])
    verdicts = _arrow(was.verdict.value, now.verdict.value)
    return f"{name}  {values} ({_arrow(_bound(was), _bound(now))}): {verdicts}"


def _asked(limit: Limit) -> str:
    return f"{apart(limit.value, limit.limit)[0]} ({_bound(limit)})"


def _bound(limit: Limit) -> str:
    return f"{limit.sense} {limit.limit:g}"


def _arrow(before: str, after: str) -> str:
    return before if before == after else f"{before} → {after}"


_UNITS = (("_deg", "°"), ("_mm", " mm"), ("_kg", " kg"), ("_pct", " %"))


def _figure(change: FigureChange) -> str:
    """ "laden: belly 375.8 → 372.1 mm" """
    ending, unit = next(((ending, unit) for ending, unit in _UNITS if change.name.endswith(ending)), ("", ""))
    name = change.name.removesuffix(ending).replace("_", " ")
    return f"{short_name(change.of)}: {name} {number(change.before)} → {number(change.after)}{unit}"


def _named(words: list[str]) -> str:
    """The first few of a list, the rest counted."""
    more = f" and {len(words) - _NAMED} more" if len(words) > _NAMED else ""
    return "; ".join(words[:_NAMED]) + more


def _count(count: int, word: str) -> str:
    return f"{count} {word}" + ("s" if count != 1 else "")
