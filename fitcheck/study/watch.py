"""What does the layout come to after each save? One session: read, check, wait for an edit, check again.

The session holds on to every answer that an edit does not touch, so that a save is answered in a fraction
of the time of a first check; each answer is that of a cold check, timing apart. A file that is half typed,
gone for a moment or still being copied is a :class:`Trouble` in the words of the error, and the last good
answer stays what the next one is compared with.

Edits are noticed twice over: the system tells of events in the folders of all files that the scene was read
from (folders, because editors save to a new file and rename it), and the files' stamps are compared twice a
second (events do not come from some shared folders, or from behind a link). An edit made while a check runs
is found by the stamps taken before it began.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from fitcheck.checks.kept import Kept, carried_on, open_kept
from fitcheck.checks.run import check_with
from fitcheck.errors import InputError
from fitcheck.result import Result
from fitcheck.study.changes import Changes, changes_between
from fitcheck.vehicle.scene import Scene

Progress = Callable[[str], None]

DEBOUNCE_MS, STEP_MS = 50, 10
"""Events this close together are one edit; it is told as soon as nothing came for a step."""

LOOK_S = 0.5
"""How often the files' stamps are compared when no event came."""

_YOUNG_NS = 50_000_000
"""A file written this shortly before its stamp was taken may have been written again within one tick of the clock."""

_WHILE_READING_NS = 2_000_000_000


@dataclass(frozen=True)
class Reading:
    """How a layout is read. ``load``: path and progress to scene, InputError where it cannot.
    ``named``: the files that a layout is read from, as far as it can be read; raises nothing."""

    load: Callable[[Path, Progress], Scene]
    named: Callable[[Path], Iterable[Path]]


@dataclass(frozen=True)
class Answer:
    """One check. ``changes``: since the last good answer; None: it is the first.
    ``again``: no file differs from the last answer, in content or in time, so there is nothing to tell."""

    scene: Scene
    result: Result
    changes: Changes | None
    seconds: float
    again: bool = False


@dataclass(frozen=True)
class Trouble:
    """The files cannot be read or checked now: ``words`` say where, what was expected, and what to do."""

    words: str
    seconds: float


@dataclass(frozen=True)
class _Stamp:
    """Size, times, inode of a file (() where it is not there), and whether it was just written."""

    facts: tuple[int, ...]
    young: bool


class Session:
    """One layout under watch. Use it in a ``with`` statement, or close it.

    :meth:`recheck` computes, in whatever thread calls it (one at a time); :meth:`touched` costs next to
    nothing and may be asked by another thread, as a window's timer does. ``last``: the last good answer.
    """

    def __init__(
        self, layout: Path, reading: Reading, *, load_states: tuple[str, ...] = (), only: tuple[str, ...] = ()
    ) -> None:
        self.layout = layout
        self.last: Answer | None = None
        self._reading = reading
        self._chosen = {"load_states": load_states or None, "only": only or None}
        self._ears = _Ears()
        self._busy = threading.Lock()
        self._seen: dict[Path, _Stamp] = {}
        self._kept: Kept | None = None
        self._due = True
        self._looked = 0.0
        self._troubled = False

    def __enter__(self) -> Session:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening, and store what was computed for the next session or check."""
        self._ears.close()
        if self._kept is not None and self._kept.changed:
            self._kept.rows = {**open_kept(self._kept.scan).rows, **self._kept.rows}  # another run may have stored some
            self._kept.store()

    def recheck(self, progress: Progress | None = None) -> Answer | Trouble:
        """Read and check now. Errors that are no InputError are bugs, and are raised."""
        with self._busy:
            began, began_ns = time.perf_counter(), time.time_ns()
            if not self._seen:
                self._watch_over(self._named(), began_ns)
            unmoved = self._begin()
            try:
                scene, result = self._check(progress or _silent)
            except InputError as problem:
                self._watch_over([*self._seen, *self._named()], began_ns)
                self._troubled = True
                return Trouble(str(problem), time.perf_counter() - began)
            answer = self._answer(scene, result, began, unmoved=unmoved)
            self._watch_over(map(Path, result.inputs), began_ns)
            return answer

    def touched(self) -> bool:
        """Whether a file has changed since the last :meth:`recheck` began to read; True before the first."""
        heard = self._ears.heard.is_set()
        if not self._due and (heard or time.monotonic() - self._looked >= LOOK_S):
            self._looked = time.monotonic()
            self._ears.heard.clear()
            self._due = any(
                _facts(file) != stamp.facts or (heard and stamp.young) for file, stamp in list(self._seen.items())
            )
        return self._due

    def wait(self, most_s: float | None = None) -> bool:
        """Wait until :meth:`touched`, at most so many seconds; whether it is. Ctrl-C gets through at any time."""
        end = None if most_s is None else time.monotonic() + most_s
        while not self.touched():
            left = LOOK_S / 2 if end is None else min(LOOK_S / 2, end - time.monotonic())
            if left <= 0.0:
                return False
            self._ears.heard.wait(left)
        return True

    def _begin(self) -> bool:
        """What comes from here on asks for another check. Whether all files are as the last check began with."""
        before = self._seen
        self._ears.heard.clear()
        self._seen = {file: _stamp(file) for file in before}
        self._due = False
        return all(stamp.facts == before[file].facts for file, stamp in self._seen.items())

    def _check(self, progress: Progress) -> tuple[Scene, Result]:
        scene = self._reading.load(self.layout, progress)
        kept = carried_on(self._kept, scene.scan)
        load_states, only = self._chosen["load_states"], self._chosen["only"]
        result = check_with(scene, kept, load_states=load_states, only=only, progress=progress)
        first, self._kept = self._kept is None, kept
        if first:
            kept.store()
        return scene, result

    def _answer(self, scene: Scene, result: Result, began: float, *, unmoved: bool) -> Answer:
        last = self.last
        again = last is not None and not self._troubled and unmoved and last.result.inputs == result.inputs
        changes = None if last is None else changes_between(last.result, result)
        self._troubled = False
        self.last = Answer(scene, result, changes, time.perf_counter() - began, again)
        return self.last

    def _named(self) -> list[Path]:
        return [self.layout, *self._reading.named(self.layout)]

    def _watch_over(self, files: Iterable[Path], began_ns: int) -> None:
        """From now on these files count. One not known before, and written while it may have been read, is due."""
        counting = dict.fromkeys([self.layout, *files])
        new = {file: _stamp(file) for file in counting if file not in self._seen}
        if self.last is not None:
            self._due |= any(max(stamp.facts[1:3], default=0) > began_ns - _WHILE_READING_NS for stamp in new.values())
        self._seen = {file: new.get(file) or self._seen[file] for file in counting}
        self._ears.listen(frozenset(_folders(self._seen)))


class _Ears:
    """Hears of events in folders, in a thread of its own, and sets ``heard``."""

    def __init__(self) -> None:
        self.heard = threading.Event()
        self._folders: frozenset[Path] = frozenset()
        self._stop: threading.Event | None = None

    def listen(self, folders: frozenset[Path]) -> None:
        """Listen to these folders alone; the new thread starts before the old one ends."""
        if folders == self._folders:
            return
        stop = threading.Event()
        arguments = (folders, self.heard, stop)
        threading.Thread(target=_hear, args=arguments, name="watch folders", daemon=True).start()
        self.close()
        self._folders, self._stop = folders, stop

    def close(self) -> None:
        if self._stop is not None:
            self._stop.set()
        self._folders, self._stop = frozenset(), None


def _hear(folders: Iterable[Path], heard: threading.Event, stop: threading.Event) -> None:
    """Until ``stop``. Where the system cannot tell (too many watches, a folder that went), the stamps have to do."""
    from watchfiles import watch

    with suppress(OSError, RuntimeError):
        for _ in watch(
            *folders,
            watch_filter=None,
            debounce=DEBOUNCE_MS,
            step=STEP_MS,
            stop_event=stop,
            raise_interrupt=False,
            recursive=False,
            ignore_permission_denied=True,
        ):
            heard.set()


def _folders(files: Iterable[Path]) -> Iterator[Path]:
    """The folders of the files, and of what links lead to; of a folder that is not there, the one above."""
    for file in files:
        with suppress(ValueError, OSError):  # what was typed can be no name at all
            for path in (os.path.abspath(file), os.path.realpath(file)):
                folder = Path(path).parent
                while not folder.is_dir() and folder != folder.parent:
                    folder = folder.parent
                yield folder


def _facts(file: Path) -> tuple[int, ...]:
    try:
        stat = os.stat(file)
    except (OSError, ValueError):
        return ()
    return stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino


def _stamp(file: Path) -> _Stamp:
    facts = _facts(file)
    return _Stamp(facts, time.time_ns() - max(facts[1:3], default=0) < _YOUNG_NS)


def _silent(step: str) -> None:
    """Progress that nobody watches."""
