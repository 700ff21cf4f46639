"""The shaft page: what each shaft's joints, spline and speed have to bear, beside what practice asks of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fitcheck.report.columns import Column, lay_out, wrap
from fitcheck.report.wording import clean, number, pose_words, short_name
from fitcheck.result import JointPair, Practice, Shaft, ShaftSpeed

NO_VERDICT = "Practice is no verdict: these words change neither PASS nor FAIL, nor the exit code."
_TAPE = (
    "To check on the vehicle: an angle gauge along the shaft and on both flanges, seen from the side and from above; a "
    "tape from joint centre to joint centre, at ride and with the axle hanging. For cross joints: a constant-velocity "
    "joint turns evenly (a service manual: under 10°)."
)


def shaft_lines(shafts: dict[str, Shaft], width: int) -> list[str]:
    """The page as lines of at most ``width`` cells; of no shafts: a sentence that says so."""
    if not shafts:
        return ["SHAFT PAGE", *wrap("the layout has no shaft: type one under 'parts'", width)]
    lines: list[str] = []
    for name, shaft in shafts.items():
        lines += [*_one(name, shaft, width), ""]
    return [*lines, *wrap(NO_VERDICT, width, "", "  "), *wrap(_TAPE, width, "", "  ")]


def _one(name: str, shaft: Shaft, width: int) -> list[str]:
    carried = " to ".join("the body" if one is None else clean(one) for one in shaft.rides_on)
    lines = wrap(f"SHAFT {short_name(name)}, from {carried}", width, "", "  ")
    lines += [f"  {line}" for line in _angle_table(shaft, width - 2)]
    for text in _remarks(shaft):
        lines += wrap(text, width, "  ", "    ")
    return lines + practice_lines(shaft.practice, width)


def _angle_table(shaft: Shaft, width: int) -> list[str]:
    """One row a state: both joints, what is left of them together, peak accelerations; of a half shaft the joints."""
    rows = [_pair_row(state, pair) for state, pair in shaft.pairs.items()]
    joints = list(shaft.joint_deg.values())
    if all(joint.droop is not None for joint in joints):
        rows.append(("straight droop", *(number(joint.droop) for joint in joints), "", "", ""))
    rows.append(("largest of all", *(number(joint.max) for joint in joints), "", "", ""))
    columns = [Column("joint angles, °", left=True, gives_way=True)]
    columns += [Column(end) for end in shaft.joint_deg]
    if shaft.constant_velocity:
        return lay_out(columns, [row[: len(columns)] for row in rows], width)
    return lay_out([*columns, Column("left over"), Column("shaft rad/s²"), Column("driven rad/s²")], rows, width)


def _pair_row(state: str, pair: JointPair) -> tuple[str, ...]:
    peaks = (number(peak, 0) for peak in pair.acceleration_rad_s2)
    return (short_name(state), *(number(angle) for angle in pair.joints_deg), number(pair.left_deg), *peaks)


def _remarks(shaft: Shaft) -> Iterator[str]:
    for end, joint in shaft.joint_deg.items():
        yield f"largest {end} joint {number(joint.max)}°: {pose_words(joint.max_pose)}"
    length = shaft.length_mm
    yield f"longest {number(length.max)} mm: {pose_words(length.max_pose)}"
    yield f"shortest {number(length.min)} mm: {pose_words(length.min_pose)}"
    yield f"plunge {number(shaft.plunge_mm)} mm; {number(length.ride)} mm at ride"
    if shaft.constant_velocity:
        yield "a half shaft, for its joints' axes lie across the vehicle: its joints are taken to turn evenly"
        return
    yield _speed_words(shaft)
    yield _turning_words(shaft)
    yield from _loop_words(shaft)


def _speed_words(shaft: Shaft) -> str:
    critical = f"critical speed {number(shaft.critical_rpm, 0)} rpm at the longest (uniform tube on pinned ends)"
    if shaft.critical_rpm is None:
        critical = "critical speed not known: type the wall of the tube"
    if shaft.speed is None:
        return f"{critical}; speed on the road not known: type the shaft's ratio and the vehicle's top speed"
    return f"{_road_words(shaft.speed)}; {critical}"


def _road_words(speed: ShaftSpeed) -> str:
    return (
        f"{number(speed.rpm, 0)} rpm at {number(speed.road_km_h, 0)} km/h (wheel radius "
        f"{number(speed.wheel_radius_mm, 0)} mm loaded, {speed.ratio:g} turns to one of the wheel)"
    )


def _turning_words(shaft: Shaft) -> str:
    phase = {None: "yokes taken as in phase", True: "yokes in phase", False: "yokes a quarter turn out of phase"}
    swings = " and ".join(number(joint.swing_pct, 2) for joint in shaft.joint_deg.values())
    spread = f"; an angle is known to ±{number(2 * shaft.angle_sigma_deg)}°" if shaft.angle_sigma_deg else ""
    return (
        f"uneven turning: the speed swings by {swings} % of itself behind each joint alone (the chart allows about "
        "1000 rad/s² at any speed); left over: the one joint that turns as unevenly as both together "
        f"({phase[shaft.phased]}){spread}"
    )


def _loop_words(shaft: Shaft) -> Iterator[str]:
    if shaft.loop is None:
        return
    low, high = (number(value, 0) for value in shaft.loop.x_mm)
    yield (
        f"retaining loop: at x {low} to {high}, within 152 mm of the joint where the shaft starts, with "
        f"{number(shaft.loop.room_mm, 0)} mm of room about its line at ride (a drag-race rule, quoted by others: all "
        "round, steel strap 6.35 × 51 mm)"
    )


def practice_lines(rows: Sequence[Practice], width: int) -> list[str]:
    """Figures beside what practice asks, under the source of each; of no rows: no lines."""
    columns = [Column("figure", left=True, gives_way=True), Column("is"), Column("practice asks", left=True)]
    columns.append(Column("so it is", left=True))
    table = lay_out(columns, [_practice_row(row) for row in rows], width - 4)
    lines, source = [f"    {line}" for line in table[:1]], ""
    for row, line in zip(rows, table[1:], strict=True):
        if row.source != source:
            lines += wrap(f"{clean(row.source)}:", width, "  ", "    ")
            source = row.source
        lines.append(f"    {line}")
        lines += wrap(clean(row.note), width, "      ") if row.note else []
    return lines


_UNITS = {"deg": ("°", 1), "mm": (" mm", 1), "%": (" %", 0), "km/h": (" km/h", 0), "Hz": (" Hz", 2)}


def _practice_row(row: Practice) -> tuple[str, ...]:
    unit, decimals = _UNITS.get(row.unit, (f" {row.unit}", 1))
    shown = number(row.value, decimals)
    return clean(row.figure), f"{shown}{unit}" if shown != "?" else shown, clean(row.asks), row.word
