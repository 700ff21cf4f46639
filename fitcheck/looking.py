"""The ``scan`` command: look at a scan file, or at the scan of a layout, and say what was seen."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from fitcheck.errors import InputError
from fitcheck.speaking import say

if TYPE_CHECKING:
    from fitcheck.intake import Intake
    from fitcheck.report.progress import Progress
    from fitcheck.scan.intake.look import Asked, Looked

LAYOUTS = (".yaml", ".yml")
"""What ends so is a layout; anything else is taken for a scan."""


def look(file: str, units: str | None, pictures: str | None) -> tuple[Intake, list[Path]]:
    """The report, and the pictures that were drawn: none without a folder for them.

    Raises InputError for a file, a layout, a unit or targets that are wrong, and where pictures are
    wanted and cannot be drawn.
    """
    from fitcheck.report.progress import Progress

    if pictures is not None:
        _ready_to_draw(pictures)
    with Progress(sys.stderr) as progress:
        from fitcheck.scan.intake.look import look_at

        looked = look_at(_asked(file, units), progress)
        drawn = pictures is not None and looked.report.unit.used  # without a unit nothing has a size
        return looked.report, _draw(looked, Path(pictures or ""), progress) if drawn else []


def tell(report: Intake, written: list[Path], *, as_json: bool) -> None:
    """Print a report; as text, then also which pictures were written."""
    if as_json:
        from fitcheck.report.intake_document import intake_json

        say(intake_json(report))
        return
    import io

    from fitcheck.report.intake import print_intake

    if sys.stdout is not None and sys.stdout.isatty():
        print_intake(report, sys.stdout)
    else:
        page = io.StringIO()
        print_intake(report, page)
        say(page.getvalue())
    say("".join(f"wrote {path}\n" for path in written))


def _asked(file: str, units: str | None) -> Asked:
    from fitcheck.scan.intake.look import Asked

    path = Path(file)
    if path.suffix.lower() not in LAYOUTS:
        return Asked(path, unit=units or "")
    if units is not None:
        raise InputError(f"--units: {file} is a layout, which says the unit of its scan itself. Leave the option out.")
    from fitcheck.errors import LayoutError
    from fitcheck.layout import read_layout
    from fitcheck.layout.build_scan import scan_spec

    layout = read_layout(path)
    spec = scan_spec(layout)
    mistakes = layout.stack.mistakes()
    if mistakes:
        raise LayoutError(tuple(mistakes))
    if spec is None:
        raise InputError(f"{file}: it names no scan to look at. Add a scan entry, or name the scan file itself.")
    entries = layout.entries
    wheelbase_mm = None if entries.axles is None else entries.axles.rear.at
    typed = layout.typed.get("scan")
    bare = layout.stack.units.get("" if typed is None else typed.place.file, ("mm", "kg"))
    return Asked(spec.file, spec.unit, spec, layout.file, bare[0], wheelbase_mm)


def _ready_to_draw(folder: str) -> None:
    """Fail before anything is computed where nothing can be drawn."""
    from fitcheck.view.graphics import ready_for_pictures

    if not folder.strip():
        raise InputError("--pictures: expected the name of a folder, found nothing")
    ready_for_pictures()


def _draw(looked: Looked, folder: Path, progress: Progress) -> list[Path]:
    from fitcheck.view.intake_pictures import take_intake_pictures

    return take_intake_pictures(looked, folder, progress)
