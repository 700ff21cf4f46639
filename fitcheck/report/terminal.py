"""A Result as a table that a person reads in ten seconds: worst first, the overall verdict last.

The lines are plain text that says everything by itself; colour only underlines the
verdicts, on a terminal that wants it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator
from typing import TextIO

from fitcheck.report.alignment import alignment_words
from fitcheck.report.cause_page import TOLERANCE_MM, cause_lines
from fitcheck.report.cautions import CAUTIONS, UNCHECKED, UNSEEN_NOTE
from fitcheck.report.columns import Column, lay_out, wrap
from fitcheck.report.json_document import COVERAGE_STATES
from fitcheck.report.shaft_page import shaft_lines
from fitcheck.report.suspension_page import suspension_lines
from fitcheck.report.wording import apart, clean, floor_mm, number, pair_name, point_words, pose_words, short_name
from fitcheck.result import Clearance, Ground, Limit, Loads, Owned, PartEcho, Result, Verdict

WIDTH = 100
CLOSEST_SHOWN = 5
NAMED_PAIRS = 3
_COLOURS = {"FAIL": "bold red", "NOT PROVEN": "bold yellow", "PASS": "green"}
_VERDICT_AT_START = re.compile(r"^(FAIL|NOT PROVEN|PASS)(?=  |: )")


def print_result(
    result: Result, stream: TextIO, *, parts: bool = False, pages: Collection[str] = (), width: int | None = None
) -> None:
    """Write the table to ``stream``, in the terminal's own width (40 to 100 cells), 100 when it is no terminal.

    ``parts``: also where each part is. ``pages``: as in :func:`report_lines`. Part names are shown as text,
    whatever they hold.
    """
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)
    if width is None:
        width = max(40, min(WIDTH, console.width)) if console.is_terminal else WIDTH
    text = Text()
    for line in report_lines(result, parts=parts, pages=pages, width=width):
        found = _VERDICT_AT_START.match(line)
        text.append_text(Text(line, style="bold" if line.isupper() else ""))
        if found:
            text.stylize(_COLOURS[found.group()], len(text) - len(line), len(text) - len(line) + found.end())
        text.append("\n")
    console.print(text, end="")


def report_lines(
    result: Result, *, parts: bool = False, pages: Collection[str] = (), width: int = WIDTH
) -> list[str]:
    """The whole report as lines of at most ``width`` cells; the last one is the overall verdict.

    ``pages``: "causes", "shafts", "suspension": also these pages.
    """
    sections = [
        _title(result, width),
        _clearances(result, width),
        _ground(result.ground, width),
        _loads(result.loads, width),
        _shafts(result, width),
        cause_lines(result, width) if "causes" in pages else [],
        shaft_lines(result.shafts, width) if "shafts" in pages else [],
        suspension_lines(result.suspension, width) if "suspension" in pages else [],
        _limits(result.limits, width),
        _parts(result.parts, width) if parts else [],
        _coverage(result, width),
        _scan(result, width),
        _warnings(result, width),
        _cautions(result, width),
        _overall(result, width),
    ]
    lines: list[str] = []
    for section in sections:
        lines += ["", *section] if lines and section else section
    return lines


def _title(result: Result, width: int) -> list[str]:
    return [
        *wrap(clean(result.title) or "(no title)", width, ""),
        *wrap(f"{clean(result.layout)}   (x rearward, y right, z up; mm, kg, degrees)", width, ""),
    ]


def _clearances(result: Result, width: int) -> list[str]:
    """FAIL and NOT PROVEN each with its pose and place, then the closest of what passed."""
    if not result.clearances:
        return ["CLEARANCES", "  no pair was judged"]
    ranked = sorted(result.clearances, key=_urgency)
    open_rows = [item for item in ranked if item.verdict is not Verdict.PASS]
    passed = [item for item in ranked if item.verdict is Verdict.PASS]
    shown = open_rows + passed[:CLOSEST_SHOWN]
    heading, *rows = lay_out(_CLEARANCE_COLUMNS, [_clearance_row(item, width) for item in shown], width)
    lines = [
        "CLEARANCES, mm (least: over all poses; proven: no pose comes nearer; bump: straight up and down; "
        "unseen: to what the scan did not see)",
        heading,
    ]
    for item, row in zip(shown, rows, strict=True):
        lines += [row, *_remarks(item, width)]
    if len(passed) > CLOSEST_SHOWN:
        lines.append(f"  and {len(passed) - CLOSEST_SHOWN} more PASS, farther from their limits (--json lists them)")
    return [line for text in lines[:1] for line in wrap(text, width, "", "  ")] + lines[1:]


_CLEARANCE_COLUMNS = (
    Column("verdict", left=True),
    Column("between", left=True, gives_way=True),
    Column("least"),
    Column("proven"),
    Column("static"),
    Column("bump"),
    Column("unseen"),
    Column("must+guard"),
)


def _clearance_row(item: Clearance, width: int) -> tuple[str, ...]:
    return (
        item.verdict.value,
        pair_name(item.between, max(20, width - 68)),
        _least(item),
        *(_distance(item, value) for value in (item.at_least_mm, item.static_mm)),
        "" if item.straight_bump_mm is None else floor_mm(item.straight_bump_mm),
        "" if item.unseen_mm is None else floor_mm(item.unseen_mm),
        f"{item.must_mm:g}+{number(item.guard_mm)}",
    )


def _least(item: Clearance) -> str:
    """The distance found; with a sign where the search ended early: it may be less, down to what is proven."""
    low, high = item.at_least_mm, item.distance_mm
    wide = low is not None and high is not None and high - low > TOLERANCE_MM
    return f"≤{_distance(item, high)}" if wide else _distance(item, high)


def _distance(item: Clearance, value: float | None) -> str:
    """A distance; "-" where a pair only touches in its declared place, so that there is none."""
    return "-" if value is None and item.contact == "declared" else floor_mm(value)


def _urgency(item: Clearance) -> tuple[int, float]:
    """Worst verdict first; inside one verdict, least room beyond what the rule demands first."""
    found = item.at_least_mm if item.depth_mm is None else -item.depth_mm
    if found is None and item.contact == "declared":
        return -item.verdict.severity, math.inf
    room = -math.inf if found is None or math.isnan(found) else found - item.guard_mm - item.must_mm
    return -item.verdict.severity, room


def _remarks(item: Clearance, width: int) -> list[str]:
    """Under a row that did not pass: why, in which pose, where, and what would clear it."""
    if item.verdict is Verdict.PASS:
        return []
    where = point_words(item.points_mm[0]) if item.points_mm else ""
    remarks = [clean(item.reason), _depth_words(item), f"at {where}" if where else "", _pose_remark(item)]
    lines = wrap("; ".join(remark for remark in remarks if remark), width, "            ")
    for more in (clean(item.settle), _moves(item)):
        lines += wrap(more, width, "            ") if more else []
    return lines


def _pose_remark(item: Clearance) -> str:
    told = f"; what bites: {clean(item.bites)}" if item.bites else ""
    return f"pose: {pose_words(item.pose)}{told}" if item.pose else ""


def _depth_words(item: Clearance) -> str:
    return f"at least {number(item.depth_mm)} deep" if item.depth_mm is not None and item.depth_mm > 0 else ""


def _moves(item: Clearance) -> str:
    """The first clear position along each direction, the nearest first."""
    if not item.moves:
        return ""
    found = sorted(
        (move for move in item.moves if move.distance_mm is not None), key=lambda move: move.distance_mm or 0.0
    )
    if not found:
        return (
            f"no clear position within {number(max(move.limit_mm for move in item.moves), 0)} mm in any direction tried"
        )
    words = ", ".join(f"{clean(move.direction)} {_ceil_mm(move.distance_mm or 0.0)}" for move in found)
    who = f" of {short_name(item.moving_part)}" if item.moving_part else ""
    return f"first clear position{who}: {words} (a position, not a path)"


def _ceil_mm(value: float) -> str:
    return f"{math.ceil(value * 10 - 1e-5) / 10:.1f}"


def _ground(ground: dict[str, Ground], width: int) -> list[str]:
    if not ground:
        return []
    columns = [Column("state", left=True, gives_way=True)]
    columns += [
        Column(name) for name in ("belly", "under axle f/r", "approach", "departure", "breakover", "bump left f/r")
    ]
    rows = [
        (
            short_name(state),
            floor_mm(item.belly_mm),
            _front_rear(item.under_axle_mm),
            _angle(item.approach_deg),
            _angle(item.departure_deg),
            _angle(item.breakover_deg),
            _front_rear(item.bump_left_mm),
        )
        for state, item in ground.items()
    ]
    heading, *body = lay_out(columns, rows, width)
    lines = ["GROUND, mm and degrees", heading]
    for row, item in zip(body, ground.values(), strict=True):
        lines += [row, *wrap(_owners(item), width, "    ")]
    return lines


def _owners(item: Ground) -> str:
    return "; ".join(
        _owner_words(name, item.owners[name])
        for name in ("belly", "approach", "departure", "breakover")
        if name in item.owners and item.owners[name].owner
    )


def _owner_words(name: str, owned: Owned) -> str:
    next_one = f" (next {short_name(owned.runner_up)} {number(owned.runner_up_value)})" if owned.runner_up else ""
    return f"{name}: {short_name(owned.owner or '')}{next_one}"


def _front_rear(values: dict[str, float | None]) -> str:
    return " / ".join(floor_mm(values.get(axle)) for axle in ("front", "rear"))


def _angle(value: float | None) -> str:
    shown = floor_mm(value)
    return shown if value is None or shown == "?" else f"{shown}°"


def _loads(loads: dict[str, Loads], width: int) -> list[str]:
    if not loads:
        return []
    columns = [Column("state", left=True, gives_way=True)]
    columns += [
        Column(name) for name in ("total", "front", "rear", "front%", "left/right", "CG x, y, z", "SSF", "sinks")
    ]
    lines = lay_out(columns, [_load_row(state, item) for state, item in loads.items()], width)
    title = "LOADS, kg and mm (±: two standard uncertainties; sinks: front/rear, since scan day)"
    return [*wrap(title, width, "", "  "), *lines, *_contributor_lines(loads, width)]


def _load_row(state: str, item: Loads) -> tuple[str, ...]:
    drop = "/".join(number(item.body_drop_mm.get(axle), 0) for axle in ("front", "rear"))
    return (
        short_name(state),
        number(item.mass_kg, 0),
        f"{number(item.front_kg, 0)} ±{number(2 * item.front_sigma_kg, 0)}",
        f"{number(item.rear_kg, 0)} ±{number(2 * item.rear_sigma_kg, 0)}",
        number(item.front_share_pct),
        f"{number(item.left_kg, 0)}/{number(item.right_kg, 0)}",
        ", ".join(number(value, 0) for value in item.cg_mm),
        number(item.ssf, 2),
        drop,
    )


def _contributor_lines(loads: dict[str, Loads], width: int) -> list[str]:
    """What makes most of the ±, of the last load state: it holds all that the others hold."""
    state, item = list(loads.items())[-1]
    if not item.contributors:
        return []
    words = ", ".join(f"{short_name(one.name)} {number(2 * one.front_sigma_kg)}" for one in item.contributors[:3])
    return wrap(f"most of the front ± ({clean(state)}): {words}", width, "    ")


def _shafts(result: Result, width: int) -> list[str]:
    rows = []
    for name, shaft in result.shafts.items():
        angles = [shaft.joint_deg.get(end) for end in ("front", "rear")]
        rows.append(
            (
                short_name(name),
                *("?" if angle is None else f"{number(angle.ride)} / {number(angle.max)}" for angle in angles),
                " / ".join(
                    number(value, 0) for value in (shaft.length_mm.min, shaft.length_mm.ride, shaft.length_mm.max)
                ),
                number(shaft.plunge_mm),
                number(shaft.critical_rpm, 0),
            )
        )
    columns = [Column("shaft", left=True, gives_way=True)]
    headings = ("front joint", "rear joint", "length", "plunge", "critical rpm")
    lines = lay_out([*columns, *(Column(heading) for heading in headings)], rows, width)
    title = "SHAFTS (joint angles, degrees: ride / largest; length, mm: least / ride / most)"
    return [*wrap(title, width, "", "  "), *lines] if lines else []


def _limits(limits: tuple[Limit, ...], width: int) -> list[str]:
    if not limits:
        return []
    ranked = sorted(limits, key=lambda limit: -limit.verdict.severity)
    columns = [
        Column("verdict", left=True),
        Column("figure", left=True, gives_way=True),
        Column("state", left=True, gives_way=True),
    ]
    columns += [Column("is"), Column("±"), Column("should be", left=True)]
    heading, *rows = lay_out(columns, [_limit_row(limit) for limit in ranked], width)
    lines = ["TARGETS AND RATINGS (±: two standard uncertainties)", heading]
    for limit, row in zip(ranked, rows, strict=True):
        remark = [] if limit.verdict is Verdict.PASS else wrap(clean(limit.reason), width, "            ")
        lines += [row, *remark]
    return lines


def _limit_row(limit: Limit) -> tuple[str, ...]:
    value, bound = apart(limit.value, limit.limit)
    spread = number(2 * limit.sigma) if limit.sigma else ""
    return limit.verdict.value, clean(limit.name), short_name(limit.state), value, spread, f"{limit.sense} {bound}"


def _parts(parts: tuple[PartEcho, ...], width: int) -> list[str]:
    if not parts:
        return []
    columns = [Column("part", left=True, gives_way=True)]
    columns += [Column(name) for name in ("x", "y", "z", "kg", "CG x, y, z")]
    heading, *rows = lay_out(columns, [_part_row(part) for part in parts], width)
    lines = ["PARTS, mm and kg: tape these on the vehicle", heading]
    for part, row in zip(parts, rows, strict=True):
        lines += [row, *wrap(f"placed by {clean(part.placed_by)}", width, "    ")]
    return lines


def _part_row(part: PartEcho) -> tuple[str, ...]:
    return (
        short_name(part.name),
        *("-" if extent is None else "…".join(map(number, extent)) for extent in (part.x_mm, part.y_mm, part.z_mm)),
        "-" if part.mass_kg is None else number(part.mass_kg),
        "-" if part.cg_mm is None else ", ".join(number(value, 0) for value in part.cg_mm),
    )


def _coverage(result: Result, width: int) -> list[str]:
    """How many pairs there are and what became of them; those left out, by reason."""
    coverage = result.coverage
    checked, declared, excluded = (coverage.count(status) for status in COVERAGE_STATES)
    line = f"{len(coverage.rows)} pairs = {checked} checked + {declared} declared to touch + {excluded} excluded"
    left_out: dict[str, list[str]] = {}
    for row in coverage.rows:
        if row.status == "excluded":
            left_out.setdefault(clean(row.by), []).append(pair_name(row.between))
    lines = wrap(f"Coverage: {line}", width, "", "  ")
    for reason, pairs in left_out.items():
        more = f" and {len(pairs) - NAMED_PAIRS} more" if len(pairs) > NAMED_PAIRS else ""
        lines += wrap(f"excluded: {', '.join(pairs[:NAMED_PAIRS])}{more}: {reason}", width, "  ", "    ")
    return lines


def _scan(result: Result, width: int) -> list[str]:
    notes = [clean(note) for note in result.notes]
    if result.alignment is not None and result.alignment.targets:
        notes[:0] = alignment_words(result.alignment)
    return wrap(f"Scan: {'; '.join(notes)}", width, "", "  ") if notes else []


def _warnings(result: Result, width: int) -> list[str]:
    return [line for warning in result.warnings for line in wrap(f"Warning: {clean(warning)}", width, "", "  ")]


def _cautions(result: Result, width: int) -> list[str]:
    own = [f"Mind: {clean(text)}" for text in result.cautions if text not in (*CAUTIONS, UNSEEN_NOTE)]
    return [line for text in _caution_texts(own) for line in wrap(text, width, "", "  ")]


def _caution_texts(own: list[str]) -> Iterator[str]:
    yield UNSEEN_NOTE
    yield from own
    yield " ".join(CAUTIONS)
    yield "Not looked at: " + "; ".join(UNCHECKED) + "."


def _overall(result: Result, width: int) -> list[str]:
    text = f"{result.verdict.value}: clearances {_count_words(result.counts)}"
    if result.limits:
        text += f"; targets and ratings {_count_words(result.limit_counts)}"
    return wrap(text, width, "", "  ") if result.clearances or result.limits else ["NOT PROVEN: nothing was judged"]


def _count_words(counts: dict[str, int]) -> str:
    return f"{counts['fail']} FAIL, {counts['not_proven']} NOT PROVEN, {counts['pass']} PASS"
