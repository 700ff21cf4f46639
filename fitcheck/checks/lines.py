"""Do the flexible lines reach? Each one that moves keeps slack over all the travel of both its ends.

A line that is too short is pulled out of its fitting, whatever distance it keeps from everything. What is judged is
its free length less the greatest distance of its ends, bounded from above over every pose; nothing is taken off for
bends at its fittings.
"""

from __future__ import annotations

from collections.abc import Iterator

from fitcheck.checks.biting import pose_words
from fitcheck.result import Limit, Verdict
from fitcheck.vehicle.ends import Ends
from fitcheck.vehicle.hoses import HosePiece, Line
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.reach import Farthest, farthest_apart
from fitcheck.vehicle.scene import Scene

_TOLERANCE_MM = 0.1


def check_lines(scene: Scene) -> tuple[Limit, ...]:
    """The slack of each flexible line of which an end moves: FAIL where a pose stretches it. Without any: ()."""
    return tuple(_judged(body.name, line) for body in scene.moving for line in _line_of(body))


def _line_of(body: MovingBody) -> Iterator[Line]:
    """The line that a body is; nothing for any other body."""
    if body.pieces and isinstance(body.pieces[0], HosePiece):
        yield body.pieces[0].line


def _judged(name: str, line: Line) -> Limit:
    far = farthest_apart(line.start, line.end, tolerance_mm=_TOLERANCE_MM)
    slack = line.length_mm - far.at_most_mm
    verdict, words = _verdict(line, far)
    return Limit(f"slack_{name}_mm", "every", slack, 0.0, 0.0, "at least", verdict, words)


def _verdict(line: Line, far: Farthest) -> tuple[Verdict, str]:
    space = Ends(line.start, line.end).space
    where = pose_words(space, space.describe(far.pose)) or "the scan pose"
    ends = f"its ends come {far.found_mm:.1f} mm apart at {where}"
    if far.found_mm > line.length_mm:
        over = far.found_mm - line.length_mm
        return Verdict.FAIL, f"stretched by {over:.1f} mm: {ends}, and it is {line.length_mm:g} mm long"
    if far.at_most_mm <= line.length_mm:
        left = line.length_mm - far.at_most_mm
        return Verdict.PASS, f"at least {left:.1f} mm of slack: {ends}, and it is {line.length_mm:g} mm long"
    return Verdict.NOT_PROVEN, f"no slack is proven: {ends}, perhaps {far.at_most_mm:.1f} mm, and it is as long"
