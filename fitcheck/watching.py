"""A layout checked at every save: the loop of ``fitcheck watch``, told on the terminal and shown in a window."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitcheck.speaking import complain, nobody_reads, only_our_words_on_stdout, say, show

if TYPE_CHECKING:
    from fitcheck.study.watch import Answer, Session
    from fitcheck.vehicle.scene import Scene
    from fitcheck.view.column import Arrangement

Chosen = tuple[tuple[str, ...], tuple[str, ...]]

WRONG_INPUT = 2
INTERRUPTED = 130


def watch_layout(layout: Path, cache_dir: Path | None, chosen: Chosen, *, in_window: bool) -> int:
    """Check at every save until Ctrl-C, or until nobody reads any more, or the window is closed.

    ``chosen``: the load states and the parts to judge, none: all. Returns the exit code of the last save. Raises
    FileProblem for a layout that is not there at the start.
    """
    import gc

    from fitcheck.layout.reader import read_bytes

    read_bytes(layout, layout.as_posix())  # a mistyped name is not waited for
    gc.disable()  # garbage is looked for while nothing else is to be done
    code, said = INTERRUPTED, ""
    with _session(layout, cache_dir, chosen) as session, _ctrl_c_is_remembered() as pressed:
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


def _watch_in_window(session: Session, first: Answer, layout: Path) -> int:
    """Show each save in a window, and tell it on the terminal, until the window is closed; the last one's code."""
    from fitcheck.view.column import Arrangement
    from fitcheck.view.window import show_window

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
        return [Arrangement(found.scene, found.result, layout.stem)]

    try:
        show_window([Arrangement(first.scene, first.result, layout.stem)], news)
    except KeyboardInterrupt:
        return codes[-1]
    return codes[-1]


_HALF_SAVED_S = 0.2
"""An editor that writes anew may leave a file empty or missing for so long: no error is worth telling before."""


def _session(layout: Path, cache_dir: Path | None, chosen: Chosen) -> Session:
    from fitcheck.layout import KnownHashes, load_scene, named_files
    from fitcheck.study.watch import Reading, Session

    hashes = KnownHashes()

    def load(path: Path, progress: Any) -> Scene:
        return load_scene(path, cache_dir=cache_dir, progress=progress, hashes=hashes)

    load_states, only = chosen
    return Session(layout, Reading(load, named_files), load_states=load_states, only=only)


def _recheck(session: Session) -> Answer | str:
    """The answer, or the words of the error."""
    from fitcheck.report.progress import Progress
    from fitcheck.study.watch import Trouble

    with only_our_words_on_stdout(), Progress(sys.stderr) as progress:
        progress(f"reading {session.layout}")
        found = session.recheck(progress)
    return found.words if isinstance(found, Trouble) else found


def _tell(found: Answer | str, said: str) -> tuple[bool, str]:
    """Print what a save came to: whether somebody still reads, and the error that was told last ('': none)."""
    if isinstance(found, str):
        complain("as before: " + found.splitlines()[0] if found == said else found, WRONG_INPUT)
        return True, found
    if found.again:
        return True, ""
    if found.changes is None:
        names = ", ".join(os.path.basename(file) for file in found.result.inputs)
        return show(found.result, as_json=False, parts=False) and say(f"\nwatching {names}; Ctrl-C ends\n"), ""
    import time

    from fitcheck.report.changes import change_lines, verdict_line

    first, *others = [*change_lines(found.changes), verdict_line(found.result)]
    lines = [f"{time.strftime('%H:%M:%S')}  {first}", *(f"{'':10}{line}" for line in others)]
    return say("\n" + "\n".join(lines) + "\n"), ""


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
        if nobody_reads():
            return False
    return not pressed
