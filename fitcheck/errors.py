"""The one tree of errors.

::

    FitcheckError
    ├── InputError          the user can mend it                          exit code 2
    │   ├── LayoutError     mistakes in layout files, all of them at once
    │   ├── FileProblem     a file that cannot be read or written
    │   ├── MeshError       a mesh file that holds no usable mesh
    │   ├── ScanError       units, scale bars, removals of the scan
    │   └── AlignmentError  targets that do not fit together
    └── InternalError       our bug: a broken promise inside fitcheck     exit code 70

A lower library's error never leaves the room that called the library: it is
translated into one of these, with the place, what was expected and what to do.
"""

from __future__ import annotations

from dataclasses import dataclass


class FitcheckError(Exception):
    """Anything that fitcheck raises on purpose."""

    exit_code = 70


class InputError(FitcheckError):
    """Something the user can mend: says where, what was expected, what to do."""

    exit_code = 2


class FileProblem(InputError):
    """A file is missing, is a folder, may not be read, or may not be written."""


class MeshError(InputError):
    """A mesh file that holds no usable mesh."""


class ScanError(InputError):
    """The scan's units, scale bars or removals do not hold."""


class AlignmentError(InputError):
    """Targets that do not fit together within the declared tolerance."""


class InternalError(FitcheckError):
    """A promise inside fitcheck was broken: our bug, never the user's."""


@dataclass(frozen=True)
class Place:
    """Where something stands in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Mistake:
    """One mistake in a layout file.

    ``text`` is the line itself, for the caret; ``message`` says what was expected
    and what was found; ``hint`` what to do ("did you mean 'track'?"), or ''.
    """

    place: Place
    message: str
    text: str = ""
    hint: str = ""

    def __str__(self) -> str:
        lines = [f"{self.place}: {self.message}"]
        if self.text:
            lines += [f"    {self.text}", "    " + " " * (self.place.column - 1) + "^"]
        if self.hint:
            lines.append(f"    {self.hint}")
        return "\n".join(lines)


class LayoutError(InputError):
    """All mistakes of a layout and the files it is based on, in file order."""

    def __init__(self, mistakes: tuple[Mistake, ...]) -> None:
        self.mistakes = mistakes
        count = f"{len(mistakes)} mistake" + ("s" if len(mistakes) != 1 else "")
        super().__init__("\n".join([*(str(mistake) for mistake in mistakes), count]))
