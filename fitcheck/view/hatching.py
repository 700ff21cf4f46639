"""Patterns of ink laid over surfaces, as wide from far as from near: what a surface is can be told without colour.

They are drawn by the graphics card on an actor of its own over the surface; where one cannot, the surface itself,
its outline and its words remain.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.view import colours, lettering, shapes

Floats = NDArray[np.float64]

SLANTED, DOTTED, LEVEL = "slanted", "dotted", "level"
"""Slanted lines: not seen. Dots: assumed. Level lines: measured by hand."""

_INK_SHARE = {
    SLANTED: "1.0 - smoothstep(0.7, 1.6, abs(mod(gl_FragCoord.x - gl_FragCoord.y, 12.0) - 6.0))",
    LEVEL: "1.0 - smoothstep(0.5, 1.3, abs(mod(gl_FragCoord.y, 7.0) - 3.5))",
    DOTTED: "1.0 - smoothstep(1.0, 2.0, length(mod(gl_FragCoord.xy + vec2(5.0, 0.0) "
    "* mod(floor(gl_FragCoord.y / 8.0), 2.0), vec2(10.0, 8.0)) - vec2(5.0, 4.0)))",
}
_PLACE = "//VTK::Light::Impl"


def hatch_actor(mesh: Any, pattern: str, colour: str = colours.INK, *, share: float = 1.0) -> Any:
    """The pattern over a mesh, nothing between its lines; not to be picked. ``share``: how dark the ink is."""
    actor = shapes.flat_actor(mesh, colour)
    code = f"{_PLACE}\n  fragOutput0.a = float({share}) * ({_INK_SHARE[pattern]});\n"
    actor.GetShaderProperty().AddFragmentShaderReplacement(_PLACE, False, code, False)
    actor.ForceTranslucentOn()
    shapes.lay_over(actor)
    return actor


def swatch_actors(low: tuple[float, float], high: tuple[float, float], pattern: str | None, fill: str) -> list[Any]:
    """A patch of a pattern for a legend, between two corners: shares (0 to 1) of the view; None: only a rim."""
    patch = lettering.strip(low, high, fill)
    ink = [] if pattern is None else [lettering.flat_lines(_strokes(low, high, pattern), colours.INK)]
    corners = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    rim = lettering.flat_lines(np.stack([corners, np.roll(corners, -1, axis=0)], axis=1), colours.INK)
    return [patch, *ink, rim]


def _strokes(low: tuple[float, float], high: tuple[float, float], pattern: str) -> Floats:
    """Line segments (n, 2, 2) that stand for a pattern in a patch."""
    start, size = np.array(low), np.array(high) - np.array(low)
    if pattern == SLANTED:
        unit = [[(k, 0.0), (k + 0.34, 1.0)] for k in (0.0, 0.33, 0.66)]
    elif pattern == LEVEL:
        unit = [[(0.0, k), (1.0, k)] for k in (0.25, 0.5, 0.75)]
    else:
        unit = [[(x - 0.03, y), (x + 0.03, y)] for x in (0.2, 0.5, 0.8) for y in (0.3, 0.7)]
    return np.asarray(start + np.array(unit) * size)
