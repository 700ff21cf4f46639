"""What the command line says, and to whom: standard output for answers, standard error for complaints and progress."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from fitcheck.errors import FileProblem

if TYPE_CHECKING:
    from fitcheck.result import Result


def say(text: str) -> bool:
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
def only_our_words_on_stdout() -> Iterator[None]:
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


def never_choke_on_letters(stream: TextIO | None) -> None:
    """Print "?" for what the terminal's encoding does not have, instead of failing."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")


def complain(message: str, code: int) -> int:
    """Write a message of ours to standard error, fit for a terminal; the code is handed back."""
    from fitcheck.report.wording import clean

    lines = "\n".join(clean(line) for line in message.splitlines())
    if sys.stderr is not None:
        print(f"fitcheck: {lines}", file=sys.stderr)  # noqa: T201
    return code


def nobody_reads() -> bool:
    """Whether standard output is a pipe or a terminal whose other end is closed; False where that cannot be told."""
    import select

    try:
        ask = select.poll()
        ask.register(sys.stdout.fileno(), 0)
        return bool(ask.poll(0))
    except (AttributeError, OSError, ValueError):  # Windows, or no real standard output
        return False


def show(result: Result, *, as_json: bool, parts: bool, pages: Collection[str] = ()) -> bool:
    """Print a result, with the ``pages`` ("causes", "shafts", "suspension") asked for; whether somebody still reads."""
    if as_json:
        from fitcheck.report.json_document import to_json

        return say(to_json(result))
    import io

    from fitcheck.report.terminal import print_result

    if sys.stdout is not None and sys.stdout.isatty():
        print_result(result, sys.stdout, parts=parts, pages=pages)
        return True
    page = io.StringIO()
    print_result(result, page, parts=parts, pages=pages)
    return say(page.getvalue())
