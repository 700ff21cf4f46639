"""Is the scan the right size? Scale bars, taped distances and the size of the whole against the declared unit."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import ScanError
from fitcheck.scan.spec import UNIT_MM, ScaleBar, ScanSpec, Target

Floats = NDArray[np.float64]

SCALE_LIMIT = 0.005
"""A scale bar may be off by this share; beyond it nothing is checked (common practice)."""

LEAST_MM, MOST_MM = 500.0, 30_000.0
"""The longest side of a scanned vehicle lies between these."""

TYPICAL = {"m": (2.5, 7.0), "ft": (8.0, 23.0), "in": (98.0, 280.0), "cm": (250.0, 700.0), "mm": (2500.0, 7000.0)}
"""Longest side of a vehicle's bounding box as a bare number, by unit."""

UNIT_WORDS = {"mm": "mm", "cm": "cm", "m": "metres", "in": "inches", "ft": "feet"}


def unit_mm(spec: ScanSpec) -> float:
    """The declared unit in mm. Raises ScanError for a unit that is not known."""
    if spec.unit not in UNIT_MM:
        raise ScanError(f"{_at(spec.origin)}scan unit {spec.unit!r} is not known. Write one of {', '.join(UNIT_MM)}.")
    return UNIT_MM[spec.unit]


def check_scale(spec: ScanSpec) -> None:
    """Raises ScanError when a scale bar, or most distances between targets, contradict the unit.

    A scale bar may be off by 0.5 %. Where a wrong unit explains the ratio (25.4, 1000, 10,
    304.8, their inverses and products), the message names the unit that was meant.
    """
    unit = unit_mm(spec)
    marks = {target.name: np.asarray(target.scan, dtype=np.float64) * unit for target in spec.targets}
    for bar in spec.scale_bars:
        _check_bar(bar, marks, spec.unit)
    ratio = _median_ratio(spec.targets, unit)
    meant = unit_meant(ratio, spec.unit)
    if ratio is not None and meant is not None:
        raise ScanError(f"{_at(spec.origin)}distances between targets are {_times(ratio)} in the scan: "
                        f"{_looks_like(meant, spec.unit)}")  # fmt: skip


def unit_meant(ratio: float | None, declared: str) -> str | None:
    """The unit that the file is really in, when scanned lengths are ``ratio`` times the true ones; else None."""
    if ratio is None or not ratio > 0.0:
        return None
    near = [u for u in UNIT_MM if u != declared and abs(ratio * UNIT_MM[u] / UNIT_MM[declared] - 1.0) <= 0.02]
    return near[0] if near else None


def check_size(vertices: Floats, spec: ScanSpec) -> tuple[str, ...]:
    """Notes on the size of (n, 3) vertices in file units.

    Raises ScanError when the longest side is outside 0.5 to 30 m in the declared unit, with the
    unit that its number suggests.
    """
    sides = [float(vertices[:, axis].max() - vertices[:, axis].min()) for axis in range(3)]
    longest = max(sides)
    size_mm = longest * unit_mm(spec)
    probable = [u for u, (low, high) in TYPICAL.items() if low <= longest <= high]
    guess = " or ".join(UNIT_WORDS[u] for u in probable)
    if not LEAST_MM <= size_mm <= MOST_MM:
        hint = f"A side of {longest:.4g} is usual for {guess}" if guess else "No usual unit makes it a vehicle"
        raise ScanError(
            f"{_at(spec.origin)}{spec.file}: read in {UNIT_WORDS[spec.unit]} the scan is {size_mm / 1000:.4g} m long; "
            f"0.5 to 30 m were expected. {hint}. Correct the scan's unit."
        )
    if probable and spec.unit not in probable:
        usual = f"the scan's longest side is {longest:.4g}, which is usual for {guess}"
        return (f"{usual}; it was read in {UNIT_WORDS[spec.unit]}: check its unit",)
    return ()


def _check_bar(bar: ScaleBar, marks: dict[str, Floats], declared: str) -> None:
    where, title = _at(bar.origin), f"scale bar {bar.between[0]} to {bar.between[1]}"
    for name in bar.between:
        if name not in marks:
            known = ", ".join(marks) or "none"
            raise ScanError(f"{where}{title}: there is no target {name!r}. Name two of the targets ({known}).")
    measured = float(np.linalg.norm(marks[bar.between[0]] - marks[bar.between[1]]))
    if not (bar.length_mm > 0.0 and np.isfinite(bar.length_mm) and np.isfinite(measured)):
        raise ScanError(f"{where}{title}: a length of {bar.length_mm:g} mm. Give its taped length, above 0.")
    ratio = measured / bar.length_mm
    if abs(ratio - 1.0) <= SCALE_LIMIT:
        return
    meant = unit_meant(ratio, declared)
    why = _looks_like(meant, declared) if meant else (
        "Check both marks and the tape; a scan whose scale is off must be scaled in the scanner's software."
    )  # fmt: skip
    raise ScanError(f"{where}{title}: the scan has {measured:.1f} mm, the tape {bar.length_mm:.1f} mm, "
                    f"{_times(ratio)} (limit {100 * SCALE_LIMIT:g} %). {why}")  # fmt: skip


def _times(ratio: float) -> str:
    if 0.8 < ratio < 1.25:
        return f"{100 * (ratio - 1):+.2f} %"
    return f"{ratio:.4g} times too long" if ratio > 1 else f"{1 / ratio:.4g} times too short"


def _looks_like(meant: str, declared: str) -> str:
    now = UNIT_WORDS[declared]
    return f"looks like {UNIT_WORDS[meant]} read as {now}. Write unit {meant}, or export the scan in {now}."


def _median_ratio(targets: tuple[Target, ...], unit: float) -> float | None:
    """Scanned over taped distance, the median of all pairs of targets that are known in all three axes: one mistyped
    target does not move it far."""
    ratios = []
    known = [target for target in targets if target.complete]
    for a, b in itertools.combinations(known, 2):
        taped = float(np.linalg.norm(np.array(a.vehicle, dtype=np.float64) - np.array(b.vehicle, dtype=np.float64)))
        if taped > 0.0:
            ratios.append(float(np.linalg.norm(np.subtract(a.scan, b.scan))) * unit / taped)
    return float(np.median(ratios)) if ratios else None


def _at(origin: str) -> str:
    return f"{origin}: " if origin else ""
