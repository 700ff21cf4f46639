"""The heat scale as a bar on the right of a view, with the must and want lines marked."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitcheck.view import colours, lettering

_LEFT, _RIGHT, _LOW, _HIGH = 0.965, 0.985, 0.30, 0.78
_SLICES = 60


def ruler_actors(*, swept: bool) -> list[Any]:
    """The bar, its lines and its words; ``swept``: what the colours are the least of."""
    table = colours.heat_table()[:, :3] / 255.0
    actors = []
    for k in range(_SLICES):
        low, high = _at(4.0 * k / _SLICES), _at(4.0 * (k + 1) / _SLICES)
        shade = table[min(int((k + 0.5) / _SLICES * len(table)), len(table) - 2)]
        colour = "#" + "".join(f"{round(channel * 255):02x}" for channel in shade)
        actors.append(lettering.strip((_LEFT, low), (_RIGHT, high), colour))
    for start, _, _, word in colours.STEPS:
        actors.append(_word(start + (0.2 if start < colours.MUST_LEVEL < start + 1.0 else 0.5), word, colours.INK))
    for level, word in ((colours.MUST_LEVEL, "must"), (colours.WANT_LEVEL, "want, or must + guard")):
        actors.append(
            lettering.strip((_LEFT - 0.008, _at(level) - 0.0015), (_RIGHT, _at(level) + 0.0015), colours.MARK)
        )
        actors.append(_line_word(level, word))
    actors.append(_word(0.0, "touches", colours.FAINT_INK))
    actors.append(_word(4.0, "twice the want", colours.FAINT_INK))
    head = "least of every pose,\nagainst each pair's rule" if swept else "as scanned,\nagainst each pair's rule"
    title = lettering.label(head, 12, colours.INK)
    return [*actors, lettering.at_share(title, _RIGHT, _HIGH + 0.03, across=lettering.RIGHT)]


def verdict_actors() -> list[Any]:
    """Without heat: what the parts' colours mean."""
    actors = []
    for number, (verdict, colour) in enumerate(colours.VERDICT.items()):
        top = _HIGH - 0.06 * number
        actors.append(lettering.strip((_LEFT, top - 0.04), (_RIGHT, top), colour))
        text = lettering.label(verdict.value, 12, colours.INK)
        place = (_LEFT - 0.012, top - 0.02)
        actors.append(lettering.at_share(text, *place, across=lettering.RIGHT, up=lettering.MIDDLE))
    title = lettering.label("a part's worst verdict", 12, colours.INK)
    return [*actors, lettering.at_share(title, _RIGHT, _HIGH + 0.03, across=lettering.RIGHT)]


def _at(level: float) -> float:
    return float(np.interp(level, [0.0, colours.TOP_LEVEL], [_LOW, _HIGH]))


def _word(level: float, word: str, colour: str) -> Any:
    text = lettering.label(word, 12, colour)
    return lettering.at_share(text, _LEFT - 0.012, _at(level), across=lettering.RIGHT, up=lettering.MIDDLE)


def _line_word(level: float, word: str) -> Any:
    text = lettering.label(f"— {word} —", 12, colours.MARK, font=lettering.BOLD)
    return lettering.at_share(text, _LEFT - 0.012, _at(level), across=lettering.RIGHT, up=lettering.MIDDLE)
