"""How the scan was laid into the vehicle frame, in words for the terminal."""

from __future__ import annotations

import math

from fitcheck.report.wording import clean, number
from fitcheck.result import Alignment, TargetFit

_KINDS = {
    "target": "target", "ground": "ground point", "station": "station", "hub": "hub", "pair": "pair", "floor": "floor",
}  # fmt: skip


def alignment_words(alignment: Alignment) -> list[str]:
    """One remark each: the fit, how well places are known, straightness, hubs, floor; only what there is."""
    return [
        _fit_words(alignment),
        *_place_words(alignment),
        *_straightness_words(alignment),
        *_hub_words(alignment),
        *_floor_words(alignment),
    ]


def _fit_words(alignment: Alignment) -> str:
    worst, fit = max(alignment.targets.items(), key=lambda item: _off_mm(item[1]))
    spread = "" if alignment.sigma_mm is None else f", one sigma of a coordinate {number(alignment.sigma_mm)} mm"
    return f"{_counted(alignment)} fit within {number(_off_mm(fit))} mm (worst {clean(worst)}){spread}"


def _off_mm(fit: TargetFit) -> float:
    return math.hypot(*(value or 0.0 for value in fit.residual_mm))


def _counted(alignment: Alignment) -> str:
    """ "10 targets", or "5 ground points, 3 pairs and 1 station"."""
    kinds = [fit.kind for fit in alignment.targets.values()]
    counts = [f"{kinds.count(kind)} {word}{'s' * (kinds.count(kind) > 1)}" if kind != "floor" else "the floor"
              for kind, word in _KINDS.items() if kind in kinds]  # fmt: skip
    return counts[0] if len(counts) == 1 else f"{', '.join(counts[:-1])} and {counts[-1]}"


def _place_words(alignment: Alignment) -> list[str]:
    places = alignment.place_sigma_mm
    if not places:
        return []
    named = ", ".join(f"{number(sigma)} mm {'in the' if name == 'middle' else 'at the'} {name}"
                      for name, sigma in places.items())  # fmt: skip
    return [f"one sigma of the frame {named}"]


def _straightness_words(alignment: Alignment) -> list[str]:
    if not alignment.straightness:
        return []
    ordered = sorted(alignment.straightness.items(), key=lambda item: item[1].x_mm)
    named = ", ".join(f"{clean(name)} {_signed(pair.middle_mm)}" for name, pair in ordered)
    return [f"straightness, mm of each pair's middle to the right of the middle plane: {named}"]


def _signed(value_mm: float) -> str:
    text = number(value_mm)
    return text if text.startswith("-") or text == "0.0" else f"+{text}"


def _hub_words(alignment: Alignment) -> list[str]:
    if alignment.hub_warp_mm is None:
        return []
    warp = number(abs(alignment.hub_warp_mm))
    return [f"one hub stands {warp} mm off the plane of the other three (floor warp, frame twist, unequal tyres)"]


def _floor_words(alignment: Alignment) -> list[str]:
    floor = alignment.floor
    if floor is None:
        return []
    patches = "1 patch" if floor.patches == 1 else f"{floor.patches} patches"
    return [f"floor found in {patches}, {floor.points} points flat to {number(floor.sigma_mm)} mm (one sigma), "
            f"{number(100 * floor.rejected, 0)} % rejected as something on it"]  # fmt: skip
