"""What a first look proposes, as YAML to paste into a layout. Nothing of it is done by anybody else."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from fitcheck.intake import Intake, Speck
from fitcheck.scan.spec import UNIT_MM

_MOST_SPECKS = 40
_FIGURES = 2


def paste_for_file(found: Intake) -> str:
    """A ``scan`` entry for a scan that no layout names yet; '' where its unit is not known."""
    if not found.unit.used:
        return ""
    source = "as you said" if found.unit.declared else "guessed: tape one length before you trust it"
    lines = [
        "# what fitcheck scan proposes; nothing of it has been done",
        "scan:",
        f"  file: {json.dumps(Path(found.file).name, ensure_ascii=False)}",
        f"  units: {found.unit.used}    # {source}",
        "  align: as_scanned    # until you give targets: the file's axes are taken for the vehicle's",
        *_accuracy(found, "mm"),
    ]
    if found.pieces is not None and found.pieces.specks:
        lines.append(
            "  # specks: look at the scan again with the layout, once it is aligned; then they have places to paste"
        )
    return "\n".join(lines) + "\n"


def paste_for_layout(found: Intake, length_unit: str, taken: Sequence[str]) -> str:
    """What is new for the ``scan`` entry of a layout, its lengths in the layout's own unit. ``taken``: names that are
    already given to removals."""
    specks = () if found.pieces is None else found.pieces.specks
    lines = ["# what fitcheck scan proposes; nothing of it has been done", "scan:", *_accuracy(found, length_unit)]
    if specks:
        lines += ["  remove:    # only what you have looked at: a clip in mid-air is metal too"]
        lines += [
            _removal(speck, _free_name(f"speck_{speck.number}", taken), length_unit) for speck in specks[:_MOST_SPECKS]
        ]
    if len(specks) > _MOST_SPECKS:
        lines.append(f"    # and {len(specks) - _MOST_SPECKS} more: --json lists them")
    return "\n".join(lines) + "\n" if len(lines) > 2 else ""


def _accuracy(found: Intake, length_unit: str) -> list[str]:
    """One sigma near by, and more for each metre where the tape told a slope from nothing."""
    if found.noise is None or found.noise.sigma_mm <= 0.0:
        return []
    entries = [f"local: {_length(found.noise.sigma_mm, length_unit)}"]
    words = f"one sigma of smooth patches {found.noise.patch_mm:.0f} mm wide"
    drift = found.drift
    if drift is not None and abs(drift.mm_per_m) > drift.expanded_mm_per_m:
        entries.append(f"per_metre: {_length(abs(drift.mm_per_m), length_unit)}")
        words += ", and what the scan is off by a metre"
    return [f"  accuracy: {{{', '.join(entries)}}}    # {words}"]


def _removal(speck: Speck, name: str, length_unit: str) -> str:
    at = ", ".join(_length(number, length_unit, 1) for number in speck.place_mm)
    size = " × ".join(f"{side:.0f}" for side in speck.sides_mm)
    return f"    {name}: {{piece: {{at: [{at}]}}, mass: 0, cg: [{at}]}}    # {size} mm, {speck.faces} faces"


def _free_name(name: str, taken: Sequence[str]) -> str:
    while name in taken:
        name += "_more"
    return name


def _length(value_mm: float, unit: str, decimals: int = _FIGURES) -> str:
    """A bare number where a bare number means that unit, to about the same figure in each."""
    extra = {"mm": 0, "cm": 1, "m": 3, "in": 2, "ft": 3}.get(unit, 0)
    return f"{value_mm / UNIT_MM[unit] + 0.0:.{decimals + extra}f}"
