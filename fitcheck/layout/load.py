"""From a path to a validated layout, and on to a scene. All mistakes of all files at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fitcheck.errors import LayoutError, Mistake
from fitcheck.layout.merge import Stack, read_stack
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


def load_scene(path: Path | str, *, cache_dir: Path | None = None, progress: Progress | None = None) -> Scene:
    """Read a layout and build its scene.

    Raises what :func:`read_layout` and :func:`fitcheck.layout.build.build_scene` raise.
    A mistake in the text is reported before the scan is prepared.
    """
    path = Path(path)
    stack = read_stack(path)
    hashing = _hash_early(stack)
    layout = _checked(path, stack)
    from fitcheck.layout.build import build_scene

    return build_scene(layout, cache_dir=cache_dir, progress=progress, hashing=hashing)


def _checked(path: Path, stack: Stack) -> Layout:
    if stack.root is None:
        raise LayoutError(tuple(stack.mistakes()))
    from fitcheck.layout.complaints import check_entries
    from fitcheck.layout.names import check_names

    entries = check_entries(stack, stack.root)
    check_names(stack, stack.root)
    mistakes: list[Mistake] = stack.mistakes()
    if mistakes or entries is None:
        raise LayoutError(tuple(mistakes))
    return Layout(path.as_posix(), entries, stack.root, stack)


def _hash_early(stack: Stack) -> Future[FileHash] | None:
    """Let the scan be hashed while the layout is still being checked: it is the longest wait of a second run."""
    named = stack.root.get("scan", "file") if stack.root is not None else None
    if named is None or not isinstance(named.data, str):
        return None
    file = stack.file_beside(named)
    if not file.is_file():
        return None
    from fitcheck.scan.cache import start_hashing

    return start_hashing(file)
