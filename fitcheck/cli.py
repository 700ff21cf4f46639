"""The command line. A command is a few lines, and imports what it needs when it runs."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

import click

from fitcheck import __version__
from fitcheck.errors import FileProblem, InputError

if TYPE_CHECKING:
    from fitcheck.result import Result

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
@click.option(
    "--result", "of_result", is_flag=True, help="The schema of what check --json prints, not of layout files."
)
def schema(of_result: bool) -> None:
    """Print the JSON Schema of layout files, for editors that complete and check them."""
    if of_result:
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


def _check(layout: str, cache_dir: str | None, chosen: tuple[Sequence[str], Sequence[str]], *, fresh: bool) -> Result:
    import gc
    from pathlib import Path

    from fitcheck.report.progress import Progress

    gc.disable()  # one short run makes no garbage to speak of, and looking for it takes a tenth of the time
    with Progress(sys.stderr) as progress:
        progress(f"reading {layout}")
        from fitcheck.checks.run import check_scene
        from fitcheck.layout import load_scene

        scene = load_scene(Path(layout), cache_dir=None if cache_dir is None else Path(cache_dir), progress=progress)
        load_states, only = chosen
        return check_scene(scene, load_states=load_states or None, only=only or None, fresh=fresh, progress=progress)


def _show(result: Result, *, as_json: bool, parts: bool) -> None:
    if as_json:
        from fitcheck.report.json_document import to_json

        _say(to_json(result))
        return
    import io

    from fitcheck.report.terminal import print_result

    if sys.stdout is not None and sys.stdout.isatty():
        print_result(result, sys.stdout, parts=parts)
        return
    page = io.StringIO()
    print_result(result, page, parts=parts)
    _say(page.getvalue())


def _say(text: str) -> None:
    """Write to standard output. A reader that has gone (``| head -1``) is no error: the exit code stays the verdict.

    Raises FileProblem when standard output cannot be written for another reason.
    """
    if sys.stdout is None:  # closed by whoever started us
        return
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        _forget_stdout()
        if error.errno not in (errno.EPIPE, errno.EINVAL):  # EINVAL: a closed pipe on Windows
            raise FileProblem(f"standard output cannot be written: {error.strerror}") from error


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
