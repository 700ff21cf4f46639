"""Arrangements of one vehicle side by side: figures, differences with their ±, and what each is beaten in.

Two arrangements are compared by their worst clearances through what is *left* of the tightest
pair: its certified clearance less what the rule demands and less the guard (where they
overlap: minus the depth). That is the figure that decides between PASS and not; its
uncertainty is the guard. Of two overlaps neither is told apart from the other, since a depth
is a lower estimate. As one common pair (say, two things of the vehicle itself) may be the
tightest in all of them and hide the rest, the same figure is also given without those pairs
that are alike in every arrangement.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from fitcheck.checks.baseline import check_baseline, has_moved_metal, weighed_ledger, weighed_scene
from fitcheck.checks.run import check_scene
from fitcheck.comparison import BASELINE, Arrangement, Baseline, Cell, Comparison, Row
from fitcheck.errors import InputError
from fitcheck.result import Clearance, Result, Verdict
from fitcheck.study.compare_basis import Named, notes_on, refuse_incomparable, short_names
from fitcheck.study.difference import (
    HIGHER,
    LOWER,
    Judged,
    Spread,
    differences,
    expanded_difference,
    standings,
    unsure_flips,
)
from fitcheck.study.figures import (
    HV_BOX,
    Cells,
    Column,
    balance_cells,
    box_cells,
    bump_cells,
    ground_cells,
    load_cells,
)
from fitcheck.vehicle.masses import ledger, states_of
from fitcheck.vehicle.scene import Scene

Progress = Callable[[str], None]
Pair = tuple[str, str]

_Counted = tuple[str, str, frozenset[Verdict], str | None]

_COUNTS: tuple[_Counted, ...] = (
    ("pass", "PASS", frozenset({Verdict.PASS}), None),
    ("not_proven", "NOT PROVEN", frozenset({Verdict.NOT_PROVEN}), None),
    ("fail", "FAIL", frozenset({Verdict.FAIL}), LOWER),
    ("open", "FAIL or NOT PROVEN", frozenset({Verdict.FAIL, Verdict.NOT_PROVEN}), LOWER),
)
"""Name, title, verdicts, which way is better. Fewer NOT PROVEN alone are no gain: they may have become FAIL."""

_ROWS: dict[str, tuple[str, str, str, str | None]] = {
    "least_left_mm": ("left of the tightest pair", "clearances", "mm", HIGHER),
    "least_left_own_mm": ("left of the tightest pair that is not alike in all", "clearances", "mm", HIGHER),
    "belly_mm": ("belly", "ground", "mm", HIGHER),
    "under_front_axle_mm": ("under front axle", "ground", "mm", HIGHER),
    "under_rear_axle_mm": ("under rear axle", "ground", "mm", HIGHER),
    "approach_deg": ("approach", "ground", "deg", HIGHER),
    "departure_deg": ("departure", "ground", "deg", HIGHER),
    "breakover_deg": ("breakover", "ground", "deg", HIGHER),
    "mass_kg": ("total mass", "loads", "kg", None),
    "front_kg": ("front axle", "loads", "kg", None),
    "rear_kg": ("rear axle", "loads", "kg", None),
    "front_share_pct": ("front share", "loads", "%", None),
    "room_front_kg": ("room under front rating", "loads", "kg", HIGHER),
    "room_rear_kg": ("room under rear rating", "loads", "kg", HIGHER),
    "bump_left_front_mm": ("bump left, front", "bump", "mm", HIGHER),
    "bump_left_rear_mm": ("bump left, rear", "bump", "mm", HIGHER),
    "cg_x_mm": ("CG, x", "balance", "mm", None),
    "cg_y_mm": ("CG, y", "balance", "mm", None),
    "cg_height_mm": ("CG, height over ground", "balance", "mm", LOWER),
    "ssf": ("stability factor", "balance", "", HIGHER),
    "hv_box_kg": ("mass of hv boxes", "boxes", "kg", None),
    "hv_box_count": ("number of hv boxes", "boxes", "", None),
    "hv_box_sizes": ("different sizes", "boxes", "", None),
}
"""Name → title, group, unit, which way is better; in the order of the table."""

_PLAIN_LOADS = ("mass_kg", "front_kg", "rear_kg", "front_share_pct")


@dataclass(frozen=True)
class _Checked:
    """One arrangement, checked."""

    name: str
    scene: Scene
    result: Result


def compare(
    scenes: Iterable[Scene],
    *,
    load_state: str | None = None,
    results: Sequence[Result] | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Two or more scenes of one vehicle, side by side.

    ``load_state``: the one whose heights, angles and loads are compared (None: the heaviest; its
    loads are then given for the lightest as well). ``results``: of the scenes, with all load
    states and pairs, where they were checked already; else each is checked, ``fresh`` and
    ``progress`` as in :func:`fitcheck.checks.run.check_scene`. Raises InputError where the scenes
    cannot be compared, with everything that speaks against it, and for an unknown load state.
    """
    scenes = tuple(scenes)
    names = short_names([scene.layout_file for scene in scenes])
    named = [Named(name, scene) for name, scene in zip(names, scenes, strict=True)]
    refuse_incomparable(named)
    states = _states(scenes[0], load_state)
    if results is None:
        results = check_all(scenes, fresh=fresh, progress=progress)
    checked = [_Checked(*found) for found in zip(names, scenes, results, strict=True)]
    return _side_by_side(checked, states, notes_on(named, results))


def check_all(
    scenes: Sequence[Scene], *, fresh: bool = False, progress: Progress | None = None
) -> tuple[Result, ...]:
    """The results of several scenes; while it works, each step is said with the layout's file before it."""
    return tuple(check_scene(scene, fresh=fresh, progress=_telling(scene, progress)) for scene in scenes)


def _telling(scene: Scene, progress: Progress | None) -> Progress | None:
    """Says each step with the layout's file before it."""
    if progress is None:
        return None
    return lambda step: progress(f"{scene.layout_file}: {step}")


def _states(scene: Scene, wanted: str | None) -> tuple[str, ...]:
    """The load state that was asked for; or the heaviest, then the lightest if that is another one."""
    known = {state.name: sum(mass.mass_kg.value for mass in state.aboard) for state in states_of(scene)}
    if wanted is None:
        heaviest, lightest = max(known, key=lambda name: known[name]), min(known, key=lambda name: known[name])
        return (heaviest, lightest) if heaviest != lightest else (heaviest,)
    if wanted not in known:
        close = difflib.get_close_matches(wanted, known, 1)
        hint = f"did you mean {close[0]!r}?" if close else f"they know {', '.join(known)}"
        raise InputError(f"load state {wanted!r} is in none of these layouts: {hint}")
    return (wanted,)


def _side_by_side(checked: Sequence[_Checked], states: tuple[str, ...], notes: tuple[str, ...]) -> Comparison:
    names = [item.name for item in checked]
    alike = alike_pairs([item.result for item in checked])
    base = next((item for item in checked if not has_moved_metal(item.scene)), checked[0])
    weighed = base.result.as_weighed or check_baseline(base.scene)
    rows = [*_verdict_rows(checked), *_clearance_rows(checked, alike), *_figure_rows(checked, base, states)]
    missing = [] if any(row.group == "loads" for row in rows) else ["no axles or scales: no heights, angles or loads"]
    inputs: dict[str, str] = {}
    for item in checked:
        inputs |= item.result.inputs
    return Comparison(
        vehicle=checked[0].scene.vehicle,
        state=states[0],
        baseline=Baseline(BASELINE, base.result.layout, weighed.measured),
        arrangements=tuple(_arrangement(item) for item in checked),
        rows=tuple(rows),
        standings=standings(rows, names),
        alike=alike,
        notes=(*notes, *_box_note([item.result for item in checked]), *missing),
        inputs=inputs,
    )


def _arrangement(item: _Checked) -> Arrangement:
    result = item.result
    return Arrangement(
        item.name,
        result.title,
        result.layout,
        result.verdict,
        result.counts,
        result.limit_counts,
        result.clearances,
        (*result.warnings, *result.cautions),
    )


def _row(name: str, cells: Cells, *, state: str | None = None, spread: Spread | None = None) -> Row:
    title, group, unit, better = _ROWS[name]
    return Row(name, title, group, unit, better, state, cells, differences(cells, better, spread))


# --- verdicts ------------------------------------------------------------------------------


def _verdict_rows(checked: Sequence[_Checked]) -> list[Row]:
    """Counts of the clearances' verdicts, then of targets and ratings.

    The uncertainty of a difference of counts is the number of verdicts that differ though the
    figures that they rest on are not told apart.
    """
    pairs = {item.name: _judged_pairs(item.result) for item in checked}
    limits = {item.name: _judged_limits(item.result) for item in checked}
    kinds = (("clearances", "clearances", pairs), ("limits", "targets and ratings", limits))
    return [_count_row(prefix, title, judged, counted) for prefix, title, judged in kinds for counted in _COUNTS]


def _count_row(prefix: str, title: str, judged: dict[str, dict[str, Judged]], counted: _Counted) -> Row:
    word, words, verdicts, better = counted
    counts = {name: sum(item.verdict in verdicts for item in found.values()) for name, found in judged.items()}
    cells = {name: Cell(float(count)) for name, count in counts.items()}

    def spread(of: str, against: str) -> float:
        return float(unsure_flips(judged[of], judged[against], verdicts))

    found = differences(cells, better, spread)
    return Row(f"{prefix}_{word}", f"{title}: {words}", "verdicts", "", better, None, cells, found)


def _judged_pairs(result: Result) -> dict[str, Judged]:
    return {
        " – ".join(sorted(row.between)): Judged(row.verdict, _found_mm(row), row.guard_mm + _bracket_mm(row))
        for row in result.clearances
    }


def _judged_limits(result: Result) -> dict[str, Judged]:
    return {
        f"{limit.name} {limit.state}": Judged(limit.verdict, limit.value, 2.0 * limit.sigma)
        for limit in result.limits
    }


# --- clearances ----------------------------------------------------------------------------


def alike_pairs(results: Sequence[Result]) -> tuple[Pair, ...]:
    """Pairs that have the same clearance, rule and guard in all results: nothing tells them apart there."""
    tables = [{_key(row): _signature(row) for row in result.clearances} for result in results]
    shared = set(tables[0]).intersection(*tables[1:]) if tables else set()
    return tuple(sorted(pair for pair in shared if len({table[pair] for table in tables}) == 1))


def _key(row: Clearance) -> Pair:
    first, second = sorted(row.between)
    return first, second


def _signature(row: Clearance) -> tuple[object, ...]:
    return row.verdict, row.distance_mm, row.at_least_mm, row.depth_mm, row.must_mm, row.guard_mm


def left_mm(row: Clearance) -> float | None:
    """What is left of a pair's clearance when must and guard are taken off; None where it was not computed."""
    found = _found_mm(row)
    return None if found is None else found - row.must_mm - row.guard_mm


def _found_mm(row: Clearance) -> float | None:
    """The certified clearance; where they overlap, minus the depth."""
    found = row.at_least_mm if row.depth_mm is None else -row.depth_mm
    return found if found is not None and math.isfinite(found) else None


def _bracket_mm(row: Clearance) -> float:
    """How much more than the certified clearance was found: the search stopped once the verdict was sure."""
    if row.depth_mm is not None or row.distance_mm is None or row.at_least_mm is None:
        return 0.0
    bracket = row.distance_mm - row.at_least_mm
    return bracket if math.isfinite(bracket) and bracket > 0.0 else 0.0


def _clearance_rows(checked: Sequence[_Checked], alike: Sequence[Pair]) -> list[Row]:
    """Of the tightest pair of all, and of the tightest that is not alike in all."""
    rows = []
    for name, left_out in (("least_left_mm", frozenset[Pair]()), ("least_left_own_mm", frozenset(alike))):
        tightest = {item.name: _tightest(item.result, left_out) for item in checked}
        if name == "least_left_own_mm" and not left_out:
            continue
        cells = {column: _left_cell(column, row) for column, row in tightest.items()}
        rows.append(_row(name, cells, spread=_left_spread(cells, tightest)))
    return rows


def _tightest(result: Result, left_out: frozenset[Pair]) -> Clearance | None:
    """The pair with the least left; one that was not computed comes before all others."""
    rows = [row for row in result.clearances if _key(row) not in left_out]
    rows = [row for row in rows if not (row.contact == "declared" and _found_mm(row) is None)]
    return min(rows, key=lambda row: -math.inf if (left := left_mm(row)) is None else left, default=None)


def _left_cell(column: str, row: Clearance | None) -> Cell:
    if row is None:
        return Cell(None, note="no pair")
    owner = " – ".join(row.between)
    if left_mm(row) is None:
        return Cell(None, owner=owner, note="not computed")
    terms = {f"{owner} of {column}": row.guard_mm / 2.0}
    note = "at least so deep" if row.depth_mm is not None else ""
    return Cell(left_mm(row), terms, owner, note, _bracket_mm(row))


def _left_spread(cells: Cells, tightest: dict[str, Clearance | None]) -> Spread:
    def spread(of: str, against: str) -> float | None:
        rows = [row for row in (tightest[of], tightest[against]) if row is not None]
        if all(row.depth_mm is not None for row in rows):
            return None
        return expanded_difference(cells[of], cells[against])

    return spread


# --- figures with a load state -------------------------------------------------------------


def _figure_rows(checked: Sequence[_Checked], base: _Checked, states: tuple[str, ...]) -> list[Row]:
    columns = _columns(checked, base, states[0])
    rows = []
    for group, cells_of in (("ground", ground_cells), ("loads", load_cells)):
        rows += _rows_of({name: cells_of(column) for name, column in columns.items()}, group, states[0])
        if group == "loads":
            rows += _light_rows(checked, base, states[1:])
    for group, cells_of in (("bump", bump_cells), ("balance", balance_cells)):
        rows += _rows_of({name: cells_of(column) for name, column in columns.items()}, group, states[0])
    return rows + _rows_of({item.name: box_cells(item.result.parts, item.scene) for item in checked}, "boxes", None)


def _columns(checked: Sequence[_Checked], base: _Checked, state: str) -> dict[str, Column]:
    """The baseline, then each arrangement in one load state; those without axles or scales have none."""
    columns = {}
    book = weighed_ledger(base.scene)
    if book is not None:
        weighed = base.result.as_weighed or check_baseline(base.scene)
        columns[BASELINE] = Column(BASELINE, weighed_scene(base.scene), book, weighed.ground)
    for item in checked:
        loaded = next((one for one in states_of(item.scene) if one.name == state), None)
        book = None if loaded is None else ledger(item.scene, loaded)
        if book is not None:
            columns[item.name] = Column(item.name, item.scene, book, item.result.ground.get(state))
    return columns


def _light_rows(checked: Sequence[_Checked], base: _Checked, states: tuple[str, ...]) -> list[Row]:
    """The plain loads of one more state: nearest to what stood on the scales."""
    rows = []
    for state in states:
        cells = {name: load_cells(column) for name, column in _columns(checked, base, state).items()}
        kept = {name: {k: found[k] for k in _PLAIN_LOADS if k in found} for name, found in cells.items()}
        rows += [replace(row, group="light") for row in _rows_of(kept, "loads", state)]
    return rows


def _rows_of(cells: dict[str, Cells], group: str, state: str | None) -> list[Row]:
    """The rows of a group that any column has a figure for, in the order of the table."""
    wanted = [name for name, row in _ROWS.items() if row[1] == group]
    return [
        _row(name, {column: found.get(name, Cell(None)) for column, found in cells.items()}, state=state)
        for name in wanted
        if any(name in found for found in cells.values())
    ]


def _box_note(results: Sequence[Result]) -> list[str]:
    """Not every part of the class is a battery box: those that are the same in all are named."""
    tables = [{part.name: part for part in result.parts if part.part_class == HV_BOX} for result in results]
    shared = [name for name, part in tables[0].items() if all(table.get(name) == part for table in tables[1:])]
    if not shared:
        return []
    return [
        f"hv boxes: every part of the class {HV_BOX} is counted, so {', '.join(sorted(shared))} too, "
        "alike in all arrangements"
    ]
