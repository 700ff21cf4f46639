"""Prepared scans kept between runs: one folder an entry, plain .npy arrays, memory-mapped when read.

An entry's name is a hash of everything that shaped it, so a stale one is never found.
It is written under a temporary name and renamed when whole. Its manifest, written
last, holds size, type and shape of every array and a CRC: of all of a small array,
of blocks spread over a large one. An entry that does not agree is made anew. The
cache never stops a run: what went wrong with it is a note.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sys
import tempfile
import threading
import time
import zlib
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import FileProblem, InternalError

MOST_GB = 8.0
"""The cache is kept below this; the entries used longest ago go first."""

LEFTOVER_AGE_S = 24 * 3600.0
"""A half-written entry older than this belongs to a run that died."""

_MANIFEST = "manifest.json"
_TEMPORARY = ".new-"
_WHOLE_BYTES = 64 << 20  # arrays up to this size are checked wholly: 0.04 s
_BLOCK, _BLOCKS = 4096, 64  # half a millisecond an array
_DAMAGED = (OSError, ValueError, KeyError, TypeError, IndexError, EOFError)

Arrays = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class FileHash:
    """SHA-256 of a file's content. ``stamp`` (size, modification time in ns) tells a change since; never a key."""

    sha256: str
    stamp: tuple[int, int]


@dataclass(frozen=True)
class Entry:
    """``arrays``: name → read-only memory-mapped array; ``facts``: what was stored beside them, as JSON."""

    arrays: Arrays
    facts: dict[str, Any]


def hash_file(path: Path) -> FileHash:
    """Hash of the whole content. Raises FileProblem when it cannot be read or changes meanwhile."""
    digest = hashlib.sha256()
    try:
        with path.open("rb", buffering=0) as file:
            before = _stamp(os.fstat(file.fileno()))
            buffer = memoryview(bytearray(1 << 20))
            while count := file.readinto(buffer):
                digest.update(buffer[:count])
            after = _stamp(os.fstat(file.fileno()))
    except OSError as problem:
        why = problem.strerror or problem
        raise FileProblem(f"{path}: cannot be read ({why}). Check its name and permissions.") from None
    if before != after:
        raise FileProblem(f"{path}: it changed while it was read. Run again when it is written.")
    return FileHash(digest.hexdigest(), before)


def start_hashing(path: Path) -> Future[FileHash]:
    """The same in a thread (hashing lets other threads run); ``result()`` gives it or raises its FileProblem."""
    future: Future[FileHash] = Future()

    def work() -> None:
        try:
            future.set_result(hash_file(path))
        except FileProblem as problem:
            future.set_exception(problem)

    threading.Thread(target=work, name=f"hash {path.name}", daemon=True).start()
    return future


def file_stamp(path: Path) -> tuple[int, int]:
    """Size and modification time, to see whether a file changed between hashing and reading."""
    try:
        return _stamp(path.stat())
    except OSError as problem:
        raise FileProblem(f"{path}: cannot be read ({problem.strerror or problem}). Check its name.") from None


def _stamp(stat: os.stat_result) -> tuple[int, int]:
    return stat.st_size, stat.st_mtime_ns


def default_cache_dir() -> Path | None:
    """``$FITCHECK_CACHE_DIR``, else the system's folder for caches of this user; None where there is no home."""
    named = os.environ.get("FITCHECK_CACHE_DIR")
    if named:
        return Path(named)
    try:
        if sys.platform == "win32":
            return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "fitcheck" / "cache"
        if sys.platform == "darwin":
            return Path.home() / "Library" / "Caches" / "fitcheck"
        return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "fitcheck"
    except RuntimeError:
        return None


def entry_key(facts: dict[str, Any]) -> str:
    """Name of the entry that these facts (as JSON) shape."""
    return hashlib.sha256(_canonical(facts)).hexdigest()


def load_entry(folder: Path, key: str) -> Entry | None:
    """The entry, if it is there and whole; a damaged one is taken away. Reads only the small arrays."""
    place = folder / key
    try:
        manifest = json.loads((place / _MANIFEST).read_text("utf-8"))
        body = manifest["body"]
        if zlib.crc32(_canonical(body)) != manifest["crc"]:
            raise ValueError("manifest")
        arrays = {name: _load_array(place / f"{name}.npy", promise) for name, promise in body["arrays"].items()}
    except FileNotFoundError:
        if place.is_dir():
            shutil.rmtree(place, ignore_errors=True)
        return None
    except _DAMAGED:
        shutil.rmtree(place, ignore_errors=True)
        return None
    with contextlib.suppress(OSError):
        os.utime(place / _MANIFEST)  # last use, for the order in which entries go
    return Entry(arrays, body["facts"])


def store_entry(folder: Path, key: str, arrays: Arrays, facts: dict[str, Any]) -> tuple[str, ...]:
    """Write an entry; () when it is there afterwards, else a note that says why the cache was not used."""
    work: Path | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=_TEMPORARY, dir=folder))
        _write(work, arrays, facts)
        _rename(work, folder / key)
        work = None
        _tidy(folder, keep=key)
    except OSError as problem:
        why = problem.strerror or problem
        return (f"the cache folder {folder} was not used ({why}): the scan is prepared each time",)
    finally:
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
    return ()


def _write(work: Path, arrays: Arrays, facts: dict[str, Any]) -> None:
    promises: dict[str, Any] = {}
    for name, array in arrays.items():
        if "/" in name or name.startswith("."):
            raise InternalError(f"{name!r} cannot be the name of a stored array")
        path = work / f"{name}.npy"
        np.save(path, array, allow_pickle=False)
        promises[name] = _promise(path, array)
    body = {"arrays": promises, "facts": facts}
    text = json.dumps({"body": body, "crc": zlib.crc32(_canonical(body))})
    (work / _MANIFEST).write_text(text, "utf-8")


def _rename(work: Path, place: Path) -> None:
    try:
        os.replace(work, place)
    except OSError:
        if load_entry(place.parent, place.name) is None:  # not whole: it was taken away, so once more
            os.replace(work, place)
        else:  # another run was first with the same content
            shutil.rmtree(work, ignore_errors=True)


def _canonical(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":")).encode()


def _promise(path: Path, array: NDArray[Any]) -> dict[str, Any]:
    size, crc = path.stat().st_size, _sampled_crc(path)
    return {"bytes": size, "dtype": array.dtype.str, "shape": list(array.shape), "crc": crc}


def _load_array(path: Path, promise: dict[str, Any]) -> NDArray[Any]:
    if path.stat().st_size != promise["bytes"] or _sampled_crc(path) != promise["crc"]:
        raise ValueError(path.name)
    array = np.load(path, mmap_mode="r" if 0 not in promise["shape"] else None, allow_pickle=False)
    if array.dtype.str != promise["dtype"] or list(array.shape) != promise["shape"]:
        raise ValueError(path.name)
    return np.asarray(array)


def _sampled_crc(path: Path) -> int:
    crc = 0
    with path.open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size
        if size <= _WHOLE_BYTES:
            return zlib.crc32(file.read())
        for k in range(_BLOCKS):
            file.seek((size - _BLOCK) * k // (_BLOCKS - 1))  # the first and the last block among them
            crc = zlib.crc32(file.read(_BLOCK), crc)
    return crc


def _tidy(folder: Path, *, keep: str) -> None:
    """Take away what dead runs left, and the entries used longest ago beyond the limit."""
    now = time.time()
    entries: list[tuple[float, int, Path]] = []
    for place in _folders(folder):
        with contextlib.suppress(OSError):  # another run may take it away meanwhile
            if place.name.startswith(_TEMPORARY):
                if now - place.stat().st_mtime > LEFTOVER_AGE_S:
                    shutil.rmtree(place, ignore_errors=True)
                continue
            size = sum(file.stat().st_size for file in place.iterdir())
            entries.append(((place / _MANIFEST).stat().st_mtime, size, place))
    total = sum(size for _, size, _ in entries)
    for _, size, place in sorted(entries):
        if total <= MOST_GB * 1e9:
            break
        if place.name != keep:
            shutil.rmtree(place, ignore_errors=True)
            total -= size


def _folders(folder: Path) -> Iterator[Path]:
    """Only what this cache made: other things in a folder that somebody named are left alone."""
    for place in folder.iterdir():
        ours = place.name.startswith(_TEMPORARY) or (len(place.name) == 64 and (place / _MANIFEST).is_file())
        if ours and place.is_dir():
            yield place
