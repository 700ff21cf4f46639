"""What every report says besides its figures: what was not looked at, and who decides."""

from __future__ import annotations

UNSEEN_NOTE = (
    "A scan is evidence, not the vehicle: its gaps, and what is out of sight of where the scanner looked, count as not "
    "seen; a thing that left no trace at all in the scan is not known here either."
)
"""Said by every report: what ``unseen_mm`` covers, and what it cannot."""

UNCHECKED: tuple[str, ...] = (
    "strength and fatigue of parts, brackets and frame",
    "quality of welds and bolted joints",
    "protection against electric shock",
    "behaviour in a crash",
    "fire and venting of cells",
    "braking",
    "the way to bring a part into its place, and reach for tools",
)
"""Matters that no figure of a Result speaks of."""

CAUTIONS: tuple[str, ...] = (
    "This says what fits, and nothing about whether it holds, protects or is permitted.",
    "High voltage: a pack above 60 V DC can kill, also half assembled; let its strings stay split until the last step.",
    "Heavy boxes: lift with a table and a second support; with parts off, the vehicle balances elsewhere.",
    "Brakes, and the ratings of axles, tyres and vehicle, have to suit the new masses; regeneration is not a brake.",
    "Local codes, and people licensed for the work, decide; this program does not.",
)
"""Printed by every report."""
