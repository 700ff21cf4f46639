"""The suspension page: travel left, articulation, ride frequency, stiffer springs, and what the frame's twist racks."""

from __future__ import annotations

from collections.abc import Iterator

from fitcheck.report.columns import Column, lay_out, wrap
from fitcheck.report.shaft_page import NO_VERDICT, practice_lines
from fitcheck.report.wording import clean, number, short_name
from fitcheck.result import AxleSuspension, FrameRacking, LeafSprings, StifferSpring, Suspension, SuspensionState

_TAPE = (
    "To tape: bump counts to metal, so from the axle to the rubber, and half to two thirds of the rubber's free height "
    "with it; droop: jack up the frame until the wheels hang, and see how far the axle went down; wheel rate: known "
    "weight over the axle, and how far the frame came down over the hubs, at two loads."
)


def suspension_lines(suspension: Suspension, width: int) -> list[str]:
    """The page as lines of at most ``width`` cells; of a vehicle without axles a sentence that says so."""
    lines: list[str] = []
    for name, axle in suspension.axles.items():
        lines += [*_axle(name, axle, width), ""]
    if not suspension.axles:
        lines = ["SUSPENSION PAGE", *wrap("the vehicle file names no axles: type them under 'axles'", width), ""]
    lines += [*_racking(suspension.racking, width), ""]
    return [*lines, *wrap(NO_VERDICT, width, "", "  "), *wrap(_TAPE, width, "", "  ")]


def _axle(name: str, axle: AxleSuspension, width: int) -> list[str]:
    carried = f", on {clean(axle.mechanism)}" if axle.mechanism else ""
    lines = wrap(f"SUSPENSION, {name} axle{carried}", width, "", "  ")
    for text in _travel_words(axle):
        lines += wrap(text, width, "  ", "    ")
    lines += [f"  {line}" for line in _state_table(axle.states, width - 2)]
    lines += _stiffer_lines(axle, width)
    for text in _leaf_words(axle.leaf):
        lines += wrap(text, width, "  ", "    ")
    lines += practice_lines(axle.practice, width)
    return lines + [line for note in axle.notes for line in wrap(f"Mind: {clean(note)}", width, "  ", "    ")]


def _travel_words(axle: AxleSuspension) -> Iterator[str]:
    if axle.bump_mm is not None:
        yield (
            f"as scanned: {number(axle.bump_mm, 0)} mm up to the metal stop, {number(axle.droop_mm, 0)} mm down to "
            "full droop; stops are fixed to the body, so no spring and no load changes their distance"
        )
    if axle.articulation_deg is not None:
        yield (
            f"crossed, one side on its bump stop and the other hanging: {number(axle.articulation_deg)}°, one wheel "
            f"{number(axle.wheel_rise_mm, 0)} mm up and the other {number(_minus(axle.wheel_fall_mm), 0)} mm down from "
            f"where they were scanned (straight bump: {number(axle.bump_mm, 0)} mm)"
        )
    elif axle.mechanism is not None:
        yield "each wheel has its own travel: crossed up, none rises higher than its straight bump"
    if not axle.states:
        yield "not weighed: what a load leaves of the travel, and the ride frequency, are not known"


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def _state_table(states: dict[str, SuspensionState], width: int) -> list[str]:
    columns = [Column("state", left=True, gives_way=True), Column("bump left, mm"), Column("droop left, mm")]
    columns += [Column("sprung kg a corner"), Column("ride Hz")]
    rows = [
        (
            short_name(name),
            _with_spread(state.bump_left_mm, state.bump_left_sigma_mm),
            _with_spread(state.droop_left_mm, state.bump_left_sigma_mm),
            number(state.sprung_corner_kg, 0),
            number(state.frequency_hz, 2),
        )
        for name, state in states.items()
    ]
    return lay_out(columns, rows, width)


def _with_spread(value: float | None, sigma: float) -> str:
    shown = number(value)
    return shown if shown == "?" else f"{shown} ±{number(2 * sigma)}"


def _stiffer_lines(axle: AxleSuspension, width: int) -> list[str]:
    if not axle.stiffer or axle.fullest is None:
        return []
    spread = 2.0 * axle.states[axle.fullest].bump_left_sigma_mm
    columns = [Column("springs", left=True, gives_way=True), Column("N/mm at the wheel"), Column("bump left, mm")]
    columns += [Column("body drop, mm"), Column("ride Hz")]
    fitted = axle.stiffer[0].bump_left_mm
    table = lay_out(columns, [_spring_row(one, fitted, spread) for one in axle.stiffer], width - 2)
    title = (
        f"stiffer springs, {short_name(axle.fullest)} (each stands as scanned under the scan-day load; "
        f"drop below 0: higher; ≈: less of a change than the ±{number(spread)} mm of the loads)"
    )
    return wrap(title, width, "  ", "    ") + [f"  {line}" for line in table]


def _spring_row(spring: StifferSpring, fitted_mm: float, spread_mm: float) -> tuple[str, ...]:
    small = 0.0 < abs(spring.bump_left_mm - fitted_mm) < spread_mm
    return (
        spring.why,
        number(spring.wheel_rate_n_mm),
        ("≈ " if small else "") + number(spring.bump_left_mm),
        number(spring.body_drop_mm),
        number(spring.frequency_hz, 2),
    )


def _leaf_words(leaf: LeafSprings | None) -> Iterator[str]:
    if leaf is None:
        return
    drive, brake = (number(value) for value in leaf.typed_deg)
    held = ""
    if leaf.grip_torque_nm is not None:
        held = (
            f"; tyres that hold {number(leaf.grip_torque_nm, 0)} N·m (friction 0.8) wind it up by "
            f"{number(leaf.grip_deg)}°"
        )
    yield (
        f"leaf springs, taken as symmetric: {number(leaf.stiffness_nm_deg, 0)} N·m a degree against wind-up{held}; "
        f"typed: {drive}° driving, {brake}° braking. Measure: load the drive against the brakes, gauge on the pinion"
    )
    yield (
        f"the eye at the shackle travels {number(leaf.shackle_mm, 0)} mm from full droop to the stop: keep its arc free"
    )


def _racking(racking: FrameRacking, width: int) -> list[str]:
    lines = ["FRAME TWIST"]
    for text in _twist_words(racking):
        lines += wrap(text, width, "  ", "    ")
    rows = [
        (short_name(part.name), number(part.length_mm, 0), number(part.across_mm, 0), f"±{number(part.racked_mm)}")
        for part in racking.parts
    ]
    columns = [Column("part on both sides", left=True, gives_way=True)]
    columns += [Column(heading) for heading in ("length, mm", "across, mm", "racked, mm")]
    lines += [f"  {line}" for line in lay_out(columns, rows, width - 2)]
    advice = (
        "A rigid box on four bolts across both rails takes all of it: hang it from one rail, on three points, or in "
        "rubber. Measure: lift one wheel, a level on the rails at both places."
    )
    return lines + (wrap(advice, width, "  ", "    ") if racking.parts else [])


def _twist_words(racking: FrameRacking) -> Iterator[str]:
    if racking.lift_torque_nm is not None:
        yield (
            f"the most torque through the frame: {number(racking.lift_torque_nm, 0)} N·m, at which the lighter axle "
            "lifts a wheel"
        )
    if racking.twist_deg is None:
        yield "no frame_twist is typed under 'mechanisms': what it racks is not known"
        return
    across = "their own width" if racking.rails_mm is None else f"rails {number(racking.rails_mm, 0)} mm apart"
    yield (
        f"{number(racking.torque_nm, 0)} N·m twists it ±{number(racking.twist_deg)}° over "
        f"{number(racking.between_mm, 0)} mm; racked: twist over a part's length, times {across}"
    )
    if not racking.parts:
        yield "no part lies on both sides of the middle"
