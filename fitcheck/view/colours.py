"""Colours, chosen to be told apart by colour-blind people and in grey.

The heat scale runs over the levels of :mod:`fitcheck.checks.heat`: dark is tight. Its steps
differ in lightness, and neighbours also in hue along the violet–orange–blue path, which all
common kinds of colour blindness leave apart (no red against green).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fitcheck.result import Verdict

Floats = NDArray[np.float64]

BACKGROUND = "#f6f5f2"
INK = "#1d2126"
FAINT_INK = "#6b7076"
PANEL = "#ffffff"

SCAN = "#bdb7ac"
REMOVED = "#8f9aa3"
MOVING = "#5c6873"
FLOOR = "#7d8a72"
MARK = "#111417"

UNSEEN = "#ffffff"
"""Blank paper, with slanted ink: nothing is known there. No verdict and no metal looks like it, in grey neither."""
MEASURED = "#a39c8c"
ASSUMED = "#d7dbd6"

VERDICT = {Verdict.FAIL: "#5a1060", Verdict.NOT_PROVEN: "#d9701e", Verdict.PASS: "#7fb2d6"}

STEPS: tuple[tuple[float, str, str, str], ...] = (
    (0.0, "#26062f", "#6a1b70", "FAILs"),
    (1.0, "#c4530f", "#e2832c", "too close to call"),
    (2.0, "#76b2dc", "#a4cde8", "PASSes"),
    (3.0, "#bcddf0", "#e6eff3", "as wanted"),
)
"""(level where it begins, colour there, colour where the next begins, word): from "touches" to twice the want."""

BEYOND, SCAN_BEYOND = "#dddbd6", "#bdb7ac"
"""Further than twice the want, or nothing near: grey, a part lighter than the scan."""

MUST_LEVEL, WANT_LEVEL, TOP_LEVEL = 1.5, 3.0, 4.0

_SHADES = 64


def heat_table(beyond: str = BEYOND) -> NDArray[np.uint8]:
    """The scale as (n, 4) bytes of red, green, blue, opacity: equal steps of level from 0 to 4, the last ``beyond``."""
    rows = []
    for _, start, end, _ in STEPS:
        share = (np.arange(_SHADES) + 0.5)[:, None] / _SHADES
        rows.append((1.0 - share) * rgb(start) + share * rgb(end))
    table = np.concatenate(rows)
    table[-1] = rgb(beyond)
    return np.concatenate([np.round(table * 255.0), np.full((len(table), 1), 255.0)], axis=1).astype(np.uint8)


def rgb(colour: str) -> Floats:
    """ "#rrggbb" → red, green, blue (3,) between 0 and 1."""
    return np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float64) / 255.0


def lightness(colours: Floats | Sequence[float]) -> Floats:
    """CIE 1976 L* of sRGB colours (…, 3) between 0 and 1. Source: IEC 61966-2-1 and CIE 15."""
    channel = np.asarray(colours, dtype=np.float64)
    linear = np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    return np.asarray(
        np.where(luminance > 216.0 / 24389.0, 116.0 * np.cbrt(luminance) - 16.0, luminance * 24389.0 / 27.0)
    )
