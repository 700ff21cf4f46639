"""The command line. A command is a few lines, and imports what it needs when it runs."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from fitcheck import __version__
from fitcheck.errors import InputError
from fitcheck.speaking import complain, never_choke_on_letters, only_our_words_on_stdout, say, show

if TYPE_CHECKING:
    from pathlib import Path

    from fitcheck.comparison import Comparison
    from fitcheck.report.progress import Progress
    from fitcheck.result import Result
    from fitcheck.vehicle.scene import Scene
    from fitcheck.view.column import Arrangement

    Checked = tuple[Scene, Result, str]

WRONG_INPUT = 2
OUR_BUG = 70
INTERRUPTED = 130


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="fitcheck")
def commands() -> None:
    """Does an arrangement of parts fit into a scanned vehicle, while it moves and under load?

    \b
    Exit codes:
      0   all PASS
      1   something FAILs
      2   the command line or a file is wrong
      3   no FAIL, but something is NOT PROVEN
      70  a bug of fitcheck
    """


@commands.command()
@click.argument("layout", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, and nothing else, on standard output.")
@click.option(
    "--load-state", "load_states", multiple=True, metavar="NAME", help="Judge only this load state (may be repeated)."
)
@click.option("--only", multiple=True, metavar="PART", help="Judge only the pairs of this part (may be repeated).")
@click.option("--parts", is_flag=True, help="Also print where each part is, to be taped on the vehicle.")
@click.option("--causes", is_flag=True, help="Also print which motion bites: each pair part by part of the travel.")
@click.option("--shafts", is_flag=True, help="Also print the shaft page: joint angles, plunge, speed, practice.")
@click.option("--suspension", is_flag=True, help="Also print the suspension page: travel left, springs, frame twist.")
@click.option("--fresh", is_flag=True, help="Compute every pair anew, also those kept from an earlier check.")
@click.option(
    "--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept (default: your cache folder)."
)
@click.pass_context
def check(
    context: click.Context,
    layout: str,
    as_json: bool,
    load_states: tuple[str, ...],
    only: tuple[str, ...],
    parts: bool,
    causes: bool,
    shafts: bool,
    suspension: bool,
    fresh: bool,
    cache_dir: str | None,
) -> None:
    """Check one LAYOUT file: what touches, how close things come, ground, loads.

    The exit code is the verdict: 0 PASS, 1 FAIL, 3 NOT PROVEN.
    """
    with only_our_words_on_stdout():
        result = _check(layout, cache_dir, (load_states, only), fresh=fresh)
    pages = [page for page, asked in (("causes", causes), ("shafts", shafts), ("suspension", suspension)) if asked]
    show(result, as_json=as_json, parts=parts, pages=pages)
    context.exit(result.exit_code)


@commands.command()
@click.argument("layouts", type=click.Path(), nargs=-1, required=True, metavar="LAYOUT LAYOUT…")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, and nothing else, on standard output.")
@click.option(
    "--load-state", metavar="NAME", help="Compare heights, angles and loads in this load state (default: the heaviest)."
)
@click.option("--window", "in_window", is_flag=True, help="Open a window too: two to four views under one camera.")
@click.option("--fresh", is_flag=True, help="Compute every pair anew, also those kept from an earlier check.")
@click.option("--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept.")
def compare(
    layouts: tuple[str, ...],
    as_json: bool,
    load_state: str | None,
    in_window: bool,
    fresh: bool,
    cache_dir: str | None,
) -> None:
    """Put two or more LAYOUT files of one vehicle side by side: figures, differences with their ±, no score.

    The first column is the vehicle as weighed. A difference below its own uncertainty is marked ≈ and is nobody's gain.
    The exit code is 0 when the comparison was made, whatever the verdicts are, and 2 when the layouts cannot be
    compared: another vehicle, scan, scales or load states.
    """
    if in_window:
        _ready_for_columns(len(layouts))
    with only_our_words_on_stdout():
        comparison = _compare(layouts, cache_dir, load_state, fresh=fresh)
    _show_comparison(comparison, as_json=as_json)
    if in_window:
        with only_our_words_on_stdout():
            _open(_all_checked(layouts, cache_dir))


@commands.command()
@click.argument("layout", type=click.Path())
@click.option("--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept.")
def view(layout: str, cache_dir: str | None) -> None:
    """Look at one LAYOUT in a 3D window: heat, worst places, poses, cuts, the ground.

    What can be done is listed in the window. The exit code is 0 once the window is closed, whatever the verdict is.
    """
    with only_our_words_on_stdout():
        _window([layout], cache_dir)


@commands.command()
@click.argument("layouts", type=click.Path(), nargs=-1, required=True, metavar="LAYOUT…")
@click.option("-o", "--output", "folder", type=click.Path(), required=True, metavar="DIR", help="The folder to fill.")
@click.option("--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept.")
def picture(layouts: tuple[str, ...], folder: str, cache_dir: str | None) -> None:
    """Draw pictures (PNG) of one LAYOUT or of several, without a screen.

    Side, below, rear, three-quarter, the worst places close up in their worst pose, heat; of several layouts
    a folder each, and the same views side by side. The exit code is 0 when all are written, whatever the verdicts are.
    """
    with only_our_words_on_stdout():
        written = _pictures(layouts, folder, cache_dir)
    say("".join(f"wrote {path}\n" for path in written))


@commands.command()
@click.argument("file", type=click.Path(), metavar="FILE|LAYOUT")
@click.option("--units", metavar="UNIT", help="The unit of FILE: mm, cm, m, in or ft (a layout says it itself).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, and nothing else, on standard output.")
@click.option("--pictures", type=click.Path(), metavar="DIR", help="Also draw pictures (PNG) with the places numbered.")
def scan(file: str, units: str | None, as_json: bool, pictures: str | None) -> None:
    """Look at a scan before anything rests on it: a mesh or point cloud FILE, or the scan of a LAYOUT (.yaml).

    Unit, size, noise, holes, doubled skins, specks, symmetry, drift. It changes nothing: what it proposes is YAML to
    paste. The exit code is 0 when the report was made, whatever it says, and 2 when the file cannot be looked at.
    """
    from fitcheck.looking import look, tell

    with only_our_words_on_stdout():
        report, written = look(file, units, pictures)
    tell(report, written, as_json=as_json)


@commands.command()
@click.option(
    "--result", "of_result", is_flag=True, help="The schema of what check --json prints, not of layout files."
)
@click.option("--comparison", "of_comparison", is_flag=True, help="The schema of what compare --json prints.")
@click.option("--intake", "of_intake", is_flag=True, help="The schema of what scan --json prints.")
def schema(of_result: bool, of_comparison: bool, of_intake: bool) -> None:
    """Print the JSON Schema of layout files, for editors that complete and check them."""
    if of_result + of_comparison + of_intake > 1:
        raise InputError("schema: --result, --comparison and --intake are different documents: ask for one")
    if of_intake:
        from fitcheck.report.intake_document import intake_schema_text

        say(intake_schema_text())
    elif of_comparison:
        from fitcheck.report.comparison_document import comparison_schema_text

        say(comparison_schema_text())
    elif of_result:
        from fitcheck.report.schema import result_schema_text

        say(result_schema_text())
    else:
        import json

        from fitcheck.layout.schema import json_schema

        say(json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n")


@commands.command()
@click.argument("directory", type=click.Path(), metavar="DIR")
def new(directory: str) -> None:
    """Write a small project into the new folder DIR; it checks as it stands."""
    from pathlib import Path

    from fitcheck.layout.starter import write_starter

    written = write_starter(Path(directory))
    say("".join(f"wrote {path}\n" for path in written))
    layouts = [path for path in written if path.suffix == ".yaml" and path.stem != "vehicle"]
    if layouts:
        say(f'type next: fitcheck check "{layouts[0]}"\n')


@commands.command()
@click.argument("layout", type=click.Path())
@click.option("--load-state", "load_states", multiple=True, metavar="NAME", help="Judge only this load state.")
@click.option("--only", multiple=True, metavar="PART", help="Judge only the pairs of this part (may be repeated).")
@click.option("--window", "in_window", is_flag=True, help="Show each save in a window; closing it ends the watch.")
@click.option("--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept.")
@click.pass_context
def watch(
    context: click.Context,
    layout: str,
    load_states: tuple[str, ...],
    only: tuple[str, ...],
    in_window: bool,
    cache_dir: str | None,
) -> None:
    """Check one LAYOUT now, and again each time it, or a file it is read from, is saved.

    Prints the table once, then for each save what it changed and the verdict. A half-typed file prints its error, and
    the next good save what changed since the last good one. Ctrl-C ends it; the exit code is that of the last save:
    its verdict, or 2 when a file was wrong. Where a shared folder tells of no changes, they are found within a
    second or so; WATCHFILES_FORCE_POLLING=1 in the environment has all folders looked through instead.
    """
    if in_window:
        _ready_for_columns(1)
    from pathlib import Path

    from fitcheck.watching import watch_layout

    folder = None if cache_dir is None else Path(cache_dir)
    context.exit(watch_layout(Path(layout), folder, (load_states, only), in_window=in_window))


def _check(layout: str, cache_dir: str | None, chosen: tuple[Sequence[str], Sequence[str]], *, fresh: bool) -> Result:
    import gc

    from fitcheck.report.progress import Progress

    gc.disable()  # one short run makes no garbage to speak of, and looking for it takes a tenth of the time
    with Progress(sys.stderr) as progress:
        load_states, only = chosen
        return _checked(layout, cache_dir, progress, load_states=load_states or None, only=only or None, fresh=fresh)[1]


def _checked(layout: str, cache_dir: str | None, progress: Progress, **how: Any) -> tuple[Scene, Result]:
    """Read a layout and check it; ``how`` as :func:`fitcheck.checks.run.check_scene` takes it."""
    from pathlib import Path

    progress(f"reading {layout}")
    from fitcheck.checks.run import check_scene
    from fitcheck.layout import load_scene

    scene = load_scene(Path(layout), cache_dir=None if cache_dir is None else Path(cache_dir), progress=progress)
    return scene, check_scene(scene, progress=progress, cores=0, **how)


def _compare(layouts: Sequence[str], cache_dir: str | None, load_state: str | None, *, fresh: bool) -> Comparison:
    """Read all layouts before the first is checked: what cannot be compared is said at once."""
    import gc
    from pathlib import Path

    from fitcheck.report.progress import Progress

    gc.disable()
    with Progress(sys.stderr) as progress:
        progress(f"reading {len(layouts)} layouts")
        from fitcheck.layout import load_scene
        from fitcheck.study.compare import compare as side_by_side

        folder = None if cache_dir is None else Path(cache_dir)
        scenes = [load_scene(Path(layout), cache_dir=folder, progress=progress) for layout in layouts]
        return side_by_side(scenes, load_state=load_state, fresh=fresh, progress=progress)


def _show_comparison(comparison: Comparison, *, as_json: bool) -> None:
    if as_json:
        from fitcheck.report.comparison_document import comparison_json

        say(comparison_json(comparison))
        return
    import io

    from fitcheck.report.comparison import print_comparison

    if sys.stdout is not None and sys.stdout.isatty():
        print_comparison(comparison, sys.stdout)
        return
    page = io.StringIO()
    print_comparison(comparison, page)
    say(page.getvalue())


def _window(layouts: Sequence[str], cache_dir: str | None) -> None:
    from fitcheck.view.graphics import ready_for_window

    ready_for_window()
    _open(_all_checked(layouts, cache_dir))


def _open(checked: Sequence[Checked]) -> None:
    from fitcheck.view.window import show_window

    show_window(_arrangements(checked))


def _ready_for_columns(count: int) -> None:
    """Fail before anything is computed where a window cannot open, or has no room for so many."""
    from fitcheck.view.graphics import ready_for_window
    from fitcheck.view.window import MOST_COLUMNS

    if count > MOST_COLUMNS:
        raise InputError(f"a window shows 2 to {MOST_COLUMNS} arrangements side by side, not {count}: leave some out")
    ready_for_window()


def _pictures(layouts: Sequence[str], folder: str, cache_dir: str | None) -> list[Path]:
    from pathlib import Path

    from fitcheck.report.progress import Progress
    from fitcheck.view.graphics import ready_for_pictures
    from fitcheck.view.picture import take_pictures

    if not folder.strip():
        raise InputError("--output: expected the name of a folder, found nothing")
    ready_for_pictures()
    checked = _all_checked(layouts, cache_dir)
    _refuse_unlike(checked)
    shown = _arrangements(checked)
    with Progress(sys.stderr) as progress:
        return take_pictures(shown, Path(folder), progress)


def _refuse_unlike(checked: Sequence[Checked]) -> None:
    """What cannot be compared is not shown side by side either."""
    from pathlib import Path

    from fitcheck.study.compare_basis import Named, refuse_incomparable

    if len(checked) > 1:
        refuse_incomparable([Named(Path(layout).stem, scene) for scene, _, layout in checked])


def _all_checked(layouts: Sequence[str], cache_dir: str | None) -> list[Checked]:
    from fitcheck.report.progress import Progress

    with Progress(sys.stderr) as progress:
        return [(*_checked(layout, cache_dir, progress), layout) for layout in layouts]


def _arrangements(checked: Sequence[Checked]) -> list[Arrangement]:
    from pathlib import Path

    from fitcheck.view.column import Arrangement

    return [Arrangement(scene, result, Path(layout).stem) for scene, result, layout in checked]


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return the exit code; every error has become a message on standard error."""
    for stream in (sys.stdout, sys.stderr):
        never_choke_on_letters(stream)
    try:
        code = commands.main(args=arguments, prog_name="fitcheck", standalone_mode=False)
    except InputError as error:
        return complain(str(error), WRONG_INPUT)
    except click.ClickException as error:
        error.show()
        return WRONG_INPUT
    except (KeyboardInterrupt, click.Abort):
        return complain("stopped", INTERRUPTED)
    except Exception as error:  # noqa: BLE001  (the outermost edge: what gets here is a bug, and is reported as one)
        return complain(_bug_report(error), OUR_BUG)
    return code if isinstance(code, int) else 0


def main() -> None:
    """The console script."""
    sys.exit(run())


def _bug_report(error: Exception) -> str:
    """One paragraph: whose fault it is, and what to send. The traceback goes to a file."""
    import platform
    import tempfile
    import traceback

    trace = "".join(traceback.format_exception(error))
    if os.environ.get("FITCHECK_TRACEBACK"):
        where = "The traceback:\n" + trace
    else:
        about = f"fitcheck {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
        with tempfile.NamedTemporaryFile(
            "w", prefix="fitcheck-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(about + f"arguments: {sys.argv[1:]}\n\n" + trace)
        where = f"Please send that file, with the layout and the vehicle file: {file.name}"
    return f"this is a bug of fitcheck, not of your files: {type(error).__name__}: {error}. Nothing was judged. {where}"
