"""From a path to a validated layout, and on to a scene. All mistakes of all files at once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fitcheck.errors import InputError, LayoutError, Mistake
from fitcheck.layout.merge import Stack, read_stack, relative
from fitcheck.layout.reader import Source
from fitcheck.layout.values import Value

if TYPE_CHECKING:
    from concurrent.futures import Future

    from fitcheck.layout.schema import LayoutEntries
    from fitcheck.scan.cache import FileHash
    from fitcheck.vehicle.scene import Scene

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Layout:
    """A layout that was read and found to be in order, with the places of all its values.

    ``entries``: the merged layout, in mm, kg, degrees. ``typed``: the same as it was
    typed, with file, line and column. ``stack``: the files, this one first.
    """

    file: str
    entries: LayoutEntries
    typed: Value
    stack: Stack

    @property
    def title(self) -> str:
        """The layout's own title, else its file's name."""
        return self.entries.title or Path(self.file).stem

    @property
    def vehicle(self) -> str:
        """The vehicle's name; '' where none is given."""
        return self.stack.vehicle

    def origin(self, *path: str | int) -> str:
        """file:line of the entry at a path; '' where it is not in any file."""
        found = self.typed.get(*path)
        return found.origin if found is not None else ""

    def beside(self, *path: str | int) -> Path:
        """The file that the text at a path names, relative to the file that it stands in."""
        return self.stack.file_beside(self.typed.get(*path) or self.typed)


def read_layout(path: Path | str) -> Layout:
    """Read and check a layout, what it is based on and its vehicle file. No scan or mesh is opened.

    Raises FileProblem where ``path`` cannot be opened, LayoutError with all mistakes of
    all files in file order.
    """
    path = Path(path)
    return _checked(path, read_stack(path))


def named_files(path: Path | str) -> tuple[Path, ...]:
    """The layout and all files that its text and theirs name, there or not; as far as they can be read."""
    path = Path(path)
    try:
        sources = read_stack(path).sources
    except InputError:
        return (path,)
    found = [path, *(source.path for source in sources)]
    return tuple(dict.fromkeys([*found, *(relative(source, name) for source in sources for name in _names_in(source))]))


def _names_in(source: Source) -> Iterator[str]:
    """What stands where a file may be named."""
    parts = source.root.get("parts")
    places = [("based_on",), ("vehicle",), ("scan", "file")]
    for place in [*places, *(("parts", name, "mesh", "file") for name, _ in (parts.items() if parts else ()))]:
        named = source.root.get(*place)
        if named is not None and isinstance(named.data, str) and named.data:
            yield named.data


class KnownHashes:
    """Hashes of scan files, for a process that reads the same ones again and again.

    A file is hashed anew unless its size, both its times, its inode and its device are what they were, and both
    times were old when it was hashed: so an edit that keeps size and time is noticed where the system keeps the
    time of a change apart from the time of the content (not on Windows).
    """

    OLD_S = 3.0
    """No file system's clock is coarser."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[tuple[int, ...], FileHash]] = {}

    def start(self, file: Path) -> Future[FileHash]:
        """As :func:`fitcheck.scan.cache.start_hashing`; done at once where the hash is known."""
        from concurrent.futures import Future

        from fitcheck.scan.cache import start_hashing

        stamp = _stamp(file)
        known = self._known.get(file)
        if known is not None and known[0] == stamp:
            future: Future[FileHash] = Future()
            future.set_result(known[1])
            return future
        young = time.time_ns() - max(stamp[1:3], default=0) < self.OLD_S * 1e9
        hashing = start_hashing(file)
        if not young:
            hashing.add_done_callback(lambda done: self._learn(file, stamp, done))
        return hashing

    def _learn(self, file: Path, stamp: tuple[int, ...], done: Future[FileHash]) -> None:
        if done.exception() is None and _stamp(file) == stamp:
            self._known[file] = stamp, done.result()


def _stamp(file: Path) -> tuple[int, ...]:
    """Size, time of content, time of change, inode, device; () of a file that is not there."""
    try:
        stat = os.stat(file)
    except (OSError, ValueError):
        return ()
    return stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino, stat.st_dev


def load_scene(
    path: Path | str,
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    hashes: KnownHashes | None = None,
) -> Scene:
    """Read a layout and build its scene. ``hashes``: those of scan files that are known from an earlier time.

    Raises what :func:`read_layout` and :func:`fitcheck.layout.build.build_scene` raise.
    A mistake in the text is reported before the scan is prepared.
    """
    path = Path(path)
    stack = read_stack(path)
    hashing = _hash_early(stack, hashes)
    layout = _checked(path, stack)
    from fitcheck.layout.build import build_scene

    return build_scene(layout, cache_dir=cache_dir, progress=progress, hashing=hashing)


def _checked(path: Path, stack: Stack) -> Layout:
    if stack.root is None:
        raise LayoutError(tuple(stack.mistakes()))
    from fitcheck.layout.complaints import check_entries
    from fitcheck.layout.mirrored_wheels import whole_mechanisms
    from fitcheck.layout.names import check_names

    entries = check_entries(stack, stack.root)
    check_names(stack, stack.root)
    mistakes: list[Mistake] = stack.mistakes()
    if mistakes or entries is None:
        raise LayoutError(tuple(mistakes))
    entries = entries.model_copy(update={"mechanisms": whole_mechanisms(entries.mechanisms)})
    return Layout(path.as_posix(), entries, stack.root, stack)


def _hash_early(stack: Stack, hashes: KnownHashes | None) -> Future[FileHash] | None:
    """Let the scan be hashed while the layout is still being checked: it is the longest wait of a second run."""
    named = stack.root.get("scan", "file") if stack.root is not None else None
    if named is None or not isinstance(named.data, str):
        return None
    file = stack.file_beside(named)
    if not file.is_file():
        return None
    return (hashes or KnownHashes()).start(file)
