"""The command line. A command is a few lines, and imports what it needs when it runs."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

import click

from fitcheck import __version__
from fitcheck.errors import FileProblem, InputError

if TYPE_CHECKING:
    from pathlib import Path

    from fitcheck.comparison import Comparison
    from fitcheck.report.progress import Progress
    from fitcheck.result import Result
    from fitcheck.study.watch import Answer, Session
    from fitcheck.vehicle.scene import Scene
    from fitcheck.view.column import Arrangement
    from fitcheck.view.window import News

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
    fresh: bool,
    cache_dir: str | None,
) -> None:
    """Check one LAYOUT file: what touches, how close things come, ground, loads.

    The exit code is the verdict: 0 PASS, 1 FAIL, 3 NOT PROVEN.
    """
    with _only_our_words_on_stdout():
        result = _check(layout, cache_dir, (load_states, only), fresh=fresh)
    _show(result, as_json=as_json, parts=parts)
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
    with _only_our_words_on_stdout():
        comparison = _compare(layouts, cache_dir, load_state, fresh=fresh)
    _show_comparison(comparison, as_json=as_json)
    if in_window:
        with _only_our_words_on_stdout():
            _open(_all_checked(layouts, cache_dir))


@commands.command()
@click.argument("layout", type=click.Path())
@click.option("--cache-dir", type=click.Path(), metavar="DIR", help="Where prepared scans are kept.")
def view(layout: str, cache_dir: str | None) -> None:
    """Look at one LAYOUT in a 3D window: heat, worst places, poses, cuts, the ground.

    What can be done is listed in the window. The exit code is 0 once the window is closed, whatever the verdict is.
    """
    with _only_our_words_on_stdout():
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
    with _only_our_words_on_stdout():
        written = _pictures(layouts, folder, cache_dir)
    _say("".join(f"wrote {path}\n" for path in written))


@commands.command()
@click.option(
    "--result", "of_result", is_flag=True, help="The schema of what check --json prints, not of layout files."
)
@click.option("--comparison", "of_comparison", is_flag=True, help="The schema of what compare --json prints.")
def schema(of_result: bool, of_comparison: bool) -> None:
    """Print the JSON Schema of layout files, for editors that complete and check them."""
    if of_result and of_comparison:
        raise InputError("schema: --result and --comparison are two documents: ask for one")
    if of_comparison:
        from fitcheck.report.comparison_document import comparison_schema_text

        _say(comparison_schema_text())
    elif of_result:
        from fitcheck.report.schema import result_schema_text

        _say(result_schema_text())
    else:
        import json

        from fitcheck.layout.schema import json_schema

        _say(json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n")


@commands.command()
@click.argument("directory", type=click.Path(), metavar="DIR")
def new(directory: str) -> None:
    """Write a small project into the new folder DIR; it checks as it stands."""
    from pathlib import Path

    from fitcheck.layout.starter import write_starter

    written = write_starter(Path(directory))
    _say("".join(f"wrote {path}\n" for path in written))
    layouts = [path for path in written if path.suffix == ".yaml" and path.stem != "vehicle"]
    if layouts:
        _say(f'type next: fitcheck check "{layouts[0]}"\n')


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
    context.exit(_watch(layout, cache_dir, (load_states, only), in_window=in_window))


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
    return scene, check_scene(scene, progress=progress, **how)


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

        _say(comparison_json(comparison))
        return
    import io

    from fitcheck.report.comparison import print_comparison

    if sys.stdout is not None and sys.stdout.isatty():
        print_comparison(comparison, sys.stdout)
        return
    page = io.StringIO()
    print_comparison(comparison, page)
    _say(page.getvalue())


def _window(layouts: Sequence[str], cache_dir: str | None) -> None:
    from fitcheck.view.graphics import ready_for_window

    ready_for_window()
    _open(_all_checked(layouts, cache_dir))


def _open(checked: Sequence[Checked], news: News | None = None) -> None:
    from fitcheck.view.window import Window

    window = Window(_arrangements(checked), news=news)
    window.open()
    window.run()


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


def _watch(
    layout: str, cache_dir: str | None, chosen: tuple[tuple[str, ...], tuple[str, ...]], *, in_window: bool
) -> int:
    """Check at every save until Ctrl-C, or until nobody reads any more; the exit code of the last one."""
    import gc
    from pathlib import Path

    from fitcheck.layout.reader import read_bytes

    read_bytes(Path(layout), Path(layout).as_posix())  # a mistyped name is not waited for
    gc.disable()  # garbage is looked for while nothing else is to be done
    code, said = INTERRUPTED, ""
    with _session(Path(layout), cache_dir, chosen) as session, _ctrl_c_is_remembered() as pressed:
        try:
            while True:
                found = _recheck(session)
                if isinstance(found, str) and session.wait(_HALF_SAVED_S):
                    continue
                code = WRONG_INPUT if isinstance(found, str) else found.result.exit_code
                listening, said = _tell(found, said)
                gc.collect()
                gc.freeze()
                if in_window and not isinstance(found, str):
                    return _watch_in_window(session, found, layout)
                if not listening or not _saved(session, pressed):
                    return code
        except KeyboardInterrupt:
            return code


def _watch_in_window(session: Session, first: Answer, layout: str) -> int:
    """Show each save in a window, and tell it on the terminal, until the window is closed; the last one's code."""
    codes, said = [first.result.exit_code], [""]

    def news() -> list[Arrangement] | None:
        if not session.touched():
            return None
        found = _recheck(session)
        if isinstance(found, str) and session.wait(_HALF_SAVED_S):
            return None
        codes.append(WRONG_INPUT if isinstance(found, str) else found.result.exit_code)
        said.append(_tell(found, said[-1])[1])
        if isinstance(found, str) or found.again:
            return None
        return _arrangements([(found.scene, found.result, layout)])

    try:
        _open([(first.scene, first.result, layout)], news)
    except KeyboardInterrupt:
        return codes[-1]
    return codes[-1]


_HALF_SAVED_S = 0.2
"""An editor that writes anew may leave a file empty or missing for so long: no error is worth telling before."""


def _session(layout: Path, cache_dir: str | None, chosen: tuple[tuple[str, ...], tuple[str, ...]]) -> Session:
    from pathlib import Path

    from fitcheck.layout import KnownHashes, load_scene, named_files
    from fitcheck.study.watch import Reading, Session

    folder, hashes = None if cache_dir is None else Path(cache_dir), KnownHashes()

    def load(path: Path, progress: Any) -> Scene:
        return load_scene(path, cache_dir=folder, progress=progress, hashes=hashes)

    load_states, only = chosen
    return Session(layout, Reading(load, named_files), load_states=load_states, only=only)


def _recheck(session: Session) -> Answer | str:
    """The answer, or the words of the error."""
    from fitcheck.report.progress import Progress
    from fitcheck.study.watch import Trouble

    with _only_our_words_on_stdout(), Progress(sys.stderr) as progress:
        progress(f"reading {session.layout}")
        found = session.recheck(progress)
    return found.words if isinstance(found, Trouble) else found


def _tell(found: Answer | str, said: str) -> tuple[bool, str]:
    """Print what a save came to: whether somebody still reads, and the error that was told last ('': none)."""
    if isinstance(found, str):
        _complain("as before: " + found.splitlines()[0] if found == said else found, WRONG_INPUT)
        return True, found
    if found.again:
        return True, ""
    if found.changes is None:
        names = ", ".join(os.path.basename(file) for file in found.result.inputs)
        return _show(found.result, as_json=False, parts=False) and _say(f"\nwatching {names}; Ctrl-C ends\n"), ""
    import time

    from fitcheck.report.changes import change_lines, verdict_line

    first, *others = [*change_lines(found.changes), verdict_line(found.result)]
    lines = [f"{time.strftime('%H:%M:%S')}  {first}", *(f"{'':10}{line}" for line in others)]
    return _say("\n" + "\n".join(lines) + "\n"), ""


@contextmanager
def _ctrl_c_is_remembered() -> Iterator[list[int]]:
    """Ctrl-C interrupts as ever, and leaves an item in the list: an interrupt that falls into a callback of
    Python's own housekeeping is swallowed there."""
    import signal
    import threading

    pressed: list[int] = []
    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield pressed
        return

    def stop(number: int, frame: object) -> None:
        pressed.append(number)
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before or signal.default_int_handler)


def _saved(session: Session, pressed: list[int]) -> bool:
    """Wait for the next save; False when Ctrl-C was pressed, or nobody reads what we say any more."""
    while not pressed and not session.wait(0.5):
        if _nobody_reads():
            return False
    return not pressed


def _nobody_reads() -> bool:
    """Whether standard output is a pipe or a terminal whose other end is closed; False where that cannot be told."""
    import select

    try:
        ask = select.poll()
        ask.register(sys.stdout.fileno(), 0)
        return bool(ask.poll(0))
    except (AttributeError, OSError, ValueError):  # Windows, or no real standard output
        return False


def _show(result: Result, *, as_json: bool, parts: bool) -> bool:
    """Print a result; whether somebody still reads."""
    if as_json:
        from fitcheck.report.json_document import to_json

        return _say(to_json(result))
    import io

    from fitcheck.report.terminal import print_result

    if sys.stdout is not None and sys.stdout.isatty():
        print_result(result, sys.stdout, parts=parts)
        return True
    page = io.StringIO()
    print_result(result, page, parts=parts)
    return _say(page.getvalue())


def _say(text: str) -> bool:
    """Write to standard output; False when its reader has gone (``| head -1``): no error, the exit code stays.

    Raises FileProblem when standard output cannot be written for another reason.
    """
    if sys.stdout is None:  # closed by whoever started us
        return False
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        _forget_stdout()
        if error.errno not in (errno.EPIPE, errno.EINVAL):  # EINVAL: a closed pipe on Windows
            raise FileProblem(f"standard output cannot be written: {error.strerror}") from error
        return False
    return True


def _forget_stdout() -> None:
    """Let what is left in the buffer go nowhere, or Python would complain when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())


@contextmanager
def _only_our_words_on_stdout() -> Iterator[None]:
    """While libraries compute, send what they print to standard error, also from C."""
    try:
        out, err = sys.stdout.fileno(), sys.stderr.fileno()
        kept = os.dup(out)
    except (AttributeError, OSError, ValueError):  # no real standard output: closed, or replaced by a test
        yield
        return
    try:
        sys.stdout.flush()
        os.dup2(err, out)
        yield
    finally:
        sys.stdout.flush()
        os.dup2(kept, out)
        os.close(kept)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return the exit code; every error has become a message on standard error."""
    for stream in (sys.stdout, sys.stderr):
        _never_choke_on_letters(stream)
    try:
        code = commands.main(args=arguments, prog_name="fitcheck", standalone_mode=False)
    except InputError as error:
        return _complain(str(error), WRONG_INPUT)
    except click.ClickException as error:
        error.show()
        return WRONG_INPUT
    except (KeyboardInterrupt, click.Abort):
        return _complain("stopped", INTERRUPTED)
    except Exception as error:  # noqa: BLE001  (the outermost edge: what gets here is a bug, and is reported as one)
        return _complain(_bug_report(error), OUR_BUG)
    return code if isinstance(code, int) else 0


def main() -> None:
    """The console script."""
    sys.exit(run())


def _never_choke_on_letters(stream: TextIO | None) -> None:
    """Print "?" for what the terminal's encoding does not have, instead of failing."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")


def _complain(message: str, code: int) -> int:
    from fitcheck.report.wording import clean

    lines = "\n".join(clean(line) for line in message.splitlines())
    if sys.stderr is not None:
        print(f"fitcheck: {lines}", file=sys.stderr)  # noqa: T201
    return code


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
