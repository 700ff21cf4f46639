"""Numbers, names and poses in the words of the terminal table."""

from __future__ import annotations

import math
import unicodedata

NOT_COMPUTED = "?"
NAME_CELLS = 34


def clean(text: str) -> str:
    """The text with everything that could steer a terminal shown as U+FFFD: control, escape, direction marks.

    Line feeds and tabs become blanks. Letters of any script, and emoji, stay.
    """
    return "".join(_visible(character) for character in text)


def _visible(character: str) -> str:
    if character in "\n\t":
        return " "
    # Cc: control; Cf: invisible, among them the marks that turn the direction of writing; Cs: halves of a pair.
    # The joiner U+200D, a Cf, holds emoji together.
    if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp") and character != "\u200d":
        return "\ufffd"
    return character


def short_name(name: str, limit: int = NAME_CELLS) -> str:
    """A name of at most ``limit`` characters, its middle left out: both ends tell names apart."""
    name = clean(name)
    if len(name) <= limit:
        return name
    head = (limit - 1) // 2
    return name[:head] + "…" + name[-(limit - 1 - head) :]


def pair_name(between: tuple[str, str], limit: int = NAME_CELLS) -> str:
    """ "A2 – rear_shaft", in at most ``limit`` characters: the longer name gives way first."""
    room = limit - 3
    first, second = sorted((len(clean(name)) for name in between), reverse=True)
    if first + second <= room:
        return f"{clean(between[0])} – {clean(between[1])}"
    longest = max(room // 2, room - second)
    return f"{short_name(between[0], longest)} – {short_name(between[1], longest)}"


def floor_mm(value: float | None) -> str:
    """A distance with one decimal, rounded down: what is printed is never more room than there is.

    What lies within a millionth of a millimetre under a tenth counts as that tenth.
    """
    if value is None or not math.isfinite(value):
        return NOT_COMPUTED
    return f"{math.floor(value * 10 + 1e-5) / 10 + 0.0:.1f}"


def number(value: float | None, decimals: int = 1) -> str:
    """A figure with fixed decimals; "?" when it could not be computed; never "-0.0"."""
    if value is None or not math.isfinite(value):
        return NOT_COMPUTED
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def apart(value: float | None, limit: float) -> tuple[str, str]:
    """A value and its limit with as many decimals (1 to 4) as show which one is larger."""
    for decimals in (1, 2, 3, 4):
        shown = number(value, decimals), number(limit, decimals)
        if value is None or value == limit or shown[0] != shown[1]:
            break
    return shown


def point_words(point: tuple[float, float, float] | None) -> str:
    """ "x 1748, y -105, z 480" in whole mm; nothing for no point."""
    if point is None or not all(math.isfinite(value) for value in point):
        return ""
    return ", ".join(f"{axis} {number(value, 0)}" for axis, value in zip("xyz", point, strict=True))


def pose_words(pose: dict[str, float]) -> str:
    """ "rear_axle heave +62.1 mm, roll -3.0°"; movements that round to nothing are left out."""
    words: list[str] = []
    last = ""
    for key, value in pose.items():
        mechanism, _, movement = key.rpartition(".")
        name, unit = _unit_of(movement)
        if abs(value) < 0.05:
            continue
        prefix = f"{clean(mechanism)} " if mechanism and mechanism != last else ""
        words.append(f"{prefix}{clean(name)} {value:+.1f}{unit}")
        last = mechanism
    return ", ".join(words) if words else "as scanned"


def _unit_of(movement: str) -> tuple[str, str]:
    """ "wind_up_deg" → ("wind-up", "°")."""
    for ending, unit in (("_deg", "°"), ("_mm", " mm")):
        if movement.endswith(ending):
            return movement.removesuffix(ending).replace("_", "-"), unit
    return movement.replace("_", "-"), ""
