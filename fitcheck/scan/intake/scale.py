"""Which unit is a scan in, what speaks for it, and which one length would settle it?"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from fitcheck.intake import Size, Unit
from fitcheck.scan.spec import UNIT_MM, ScanSpec
from fitcheck.scan.units import TYPICAL, UNIT_WORDS, unit_mm

Floats = NDArray[np.float64]


def guess_unit(vertices: Floats, declared: str, spec: ScanSpec | None) -> Unit:
    """From the longest side of (n, 3) vertices in the file's unit; a declared unit is used, and held against it.

    Sides that suit no unit, or two of them, leave ``used`` empty: that is asked, not chosen.
    """
    longest = max(float(np.ptp(vertices[:, axis])) for axis in range(3))
    guesses = tuple(unit for unit, (low, high) in TYPICAL.items() if low <= longest <= high)
    used = declared or (guesses[0] if len(guesses) == 1 else "")
    return Unit(
        declared=declared,
        guesses=guesses,
        used=used,
        longest_side=longest,
        reason=_reason(longest, guesses, declared),
        confirmed_by="" if spec is None else _confirmed(spec),
        ask="" if used else _which(longest, guesses),
    )


def with_question(unit: Unit, size: Size, wheelbase_mm: float | None) -> Unit:
    """The unit with the one length that would settle it, where nothing has yet."""
    if unit.confirmed_by or not unit.used:
        return unit
    ends = " to ".join(_place(end) for end in size.longest_ends_mm)
    ask = f"tape the longest straight, from {ends}: is it about {size.longest_mm:.0f} mm?"
    if wheelbase_mm is not None:
        in_file = wheelbase_mm / UNIT_MM[unit.used]
        wheels = f"is it about {in_file:.6g} from wheel to wheel in the scan"
        ask = f"wheelbase taped {wheelbase_mm:.0f} mm: {wheels}? Or {ask}"
    return Unit(**{**vars(unit), "ask": ask})


def _place(point: tuple[float, float, float]) -> str:
    return "(" + ", ".join(f"{number:.0f}" for number in point) + ")"


def _reason(longest: float, guesses: tuple[str, ...], declared: str) -> str:
    usual = " or ".join(f"{UNIT_WORDS[unit]} ({TYPICAL[unit][0]:g} to {TYPICAL[unit][1]:g})" for unit in guesses)
    side = f"the longest side is {longest:.4g}"
    found = f"{side}, usual for a vehicle in {usual}" if guesses else f"{side}, usual for a vehicle in no unit"
    if not declared:
        return found
    if declared in guesses:
        return f"declared; {found}"
    return f"declared {UNIT_WORDS[declared]}, but {found}"


def _which(longest: float, guesses: tuple[str, ...]) -> str:
    lengths = [
        f"in {UNIT_WORDS[unit]} it is {longest * UNIT_MM[unit] / 1000.0:.3g} m long" for unit in guesses or UNIT_MM
    ]
    again = " or ".join(f"--units {unit}" for unit in guesses) if guesses else "--units and what it is in"
    return f"which unit is it? {'; '.join(lengths)}. Say it with {again}"


def _confirmed(spec: ScanSpec) -> str:
    """What taped lengths agree: scale bars first, else all pairs of targets. They were held to 0.5 % before."""
    unit = unit_mm(spec)
    marks = {target.name: np.asarray(target.scan, dtype=np.float64) * unit for target in spec.targets}
    for bar in spec.scale_bars:
        if set(bar.between) <= set(marks):
            found = float(np.linalg.norm(marks[bar.between[0]] - marks[bar.between[1]]))
            off = 100.0 * (found / bar.length_mm - 1.0)
            lengths = f"{bar.length_mm:g} mm taped, {found:.1f} in the scan ({off:+.2f} %)"
            return f"scale bar {bar.between[0]} to {bar.between[1]}: {lengths}"
    taped = [target for target in spec.targets if None not in tuple(target.vehicle)]
    ratios = [
        float(np.linalg.norm(np.subtract(a.scan, b.scan))) * unit / length
        for a, b in itertools.combinations(taped, 2)
        if (length := math.dist(_numbers(a.vehicle), _numbers(b.vehicle))) > 0.0
    ]
    if not ratios:
        return ""
    off = 100.0 * (float(np.median(ratios)) - 1.0)
    return f"{len(ratios)} taped distances between targets ({off:+.2f} % in the middle)"


def _numbers(place: tuple[float | None, ...]) -> list[float]:
    return [math.nan if number is None else float(number) for number in place]
