"""PCD files, the open point-cloud format of version 0.7: a text header, then text, binary or packed (LZF) points."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.mesh_text import numbers_in, plain_text, words_per_line
from fitcheck.geometry.meshes import Found, float_step, mesh_error

Floats = NDArray[np.float64]

_KEYS = ("VERSION", "FIELDS", "SIZE", "TYPE", "COUNT", "WIDTH", "HEIGHT", "VIEWPOINT", "POINTS", "DATA")
_KINDS = {"I": (1, 2, 4, 8), "U": (1, 2, 4, 8), "F": (4, 8)}
_AS_SCANNED = ("0", "0", "0", "1", "0", "0", "0")
_HEADER_LIMIT = 1 << 16
_HIGHEST_RATIO = 88  # three bytes of LZF stand for at most 264
_AGAIN = "The file is cut short or damaged: export or copy it again."


@dataclass(frozen=True)
class _Field:
    """One field of a point: ``count`` numbers of the numpy ``type``."""

    name: str
    type: str
    count: int

    @property
    def size(self) -> int:
        return self.count * np.dtype(self.type).itemsize


@dataclass(frozen=True)
class _Header:
    fields: tuple[_Field, ...]
    points: int
    data: str  # "ascii", "binary" or "binary_compressed"
    start: int  # the first byte after the header
    turned: bool  # its viewpoint is not the origin

    @property
    def row_bytes(self) -> int:
        return sum(field.size for field in self.fields)


def read_pcd(path: Path) -> Found:
    """Points (n, 3) float64, those without a return (NaN) dropped and counted; no faces.

    Fields other than x, y and z are passed over; a viewpoint is not applied, and said in the notes.
    Raises MeshError for a header that cannot be read, or promises more, or less, than the file holds.
    """
    header = _read_header(path)
    with path.open("rb") as file:
        file.seek(header.start)
        data = file.read()
    points = {"ascii": _from_text, "binary": _from_rows, "binary_compressed": _from_packed}[header.data](
        path, header, data
    )
    empty = np.isnan(points).any(axis=1)
    dropped = int(np.count_nonzero(empty))
    if dropped == len(points):
        raise mesh_error(path, f"it holds {len(points)} points, none with numbers", "Export it again.")
    notes: tuple[str, ...] = ()
    if dropped:
        notes = (f"{dropped} of {len(points)} points without a return (NaN) were left out",)
    if header.turned:
        notes += ("its viewpoint was not applied: the points stand as the file has them",)
    points = points[~empty] if dropped else points
    return Found(points, np.empty((0, 3), np.int32), notes, _step(header, points))


def _step(header: _Header, points: Floats) -> float:
    kinds = {field.type[1:] for field in header.fields if field.name in ("x", "y", "z")}
    if header.data == "ascii":
        return 0.0
    if any(kind[0] != "f" for kind in kinds):
        return 1.0
    return float_step(float(np.abs(points).max())) if "f4" in kinds else 0.0


# --- header ---------------------------------------------------------------------------------------------------------


def _read_header(path: Path) -> _Header:
    with path.open("rb") as file:
        head = file.read(_HEADER_LIMIT)
    said: dict[str, list[str]] = {}
    start = 0
    while "DATA" not in said:
        end = head.find(b"\n", start) + 1
        line = head[start:end].decode("latin-1").split("#")[0].split()
        if not end or (line and (line[0] not in _KEYS or line[0] in said)):
            shown = head[start : start + 40].split(b"\n")[0].decode("latin-1")
            wrong = f"its header cannot be read at {shown!r}" if end else "its header has no end ('DATA' was expected)"
            raise mesh_error(path, wrong, _AGAIN)
        if line:
            said[line[0]] = line[1:]
        start = end
    try:
        return _header(said, start)
    except (KeyError, ValueError, IndexError) as problem:
        raise mesh_error(path, f"its header does not hold together ({problem})", _AGAIN) from None


def _header(said: dict[str, list[str]], start: int) -> _Header:
    names = said["FIELDS"]
    sizes, counts = [_count(w) for w in said["SIZE"]], [_count(w) for w in said.get("COUNT", ["1"] * len(names))]
    if not len(names) == len(sizes) == len(counts) == len(said["TYPE"]):
        raise ValueError("FIELDS, SIZE, TYPE and COUNT are not of one length")
    fields = []
    for name, size, kind, count in zip(names, sizes, said["TYPE"], counts, strict=True):
        if size not in _KINDS[kind] or count < 1:
            raise ValueError(f"field {name} is {count} of type {kind} and {size} bytes")
        fields.append(_Field(name, f"<{kind.lower()}{size}", count))
    if any([f.count for f in fields if f.name == axis] != [1] for axis in "xyz"):
        raise ValueError("x, y and z, once each, were expected among its FIELDS")
    points = _count(said["POINTS"][0]) if "POINTS" in said else _count(said["WIDTH"][0]) * _count(said["HEIGHT"][0])
    if "WIDTH" in said and _count(said["WIDTH"][0]) * _count(said.get("HEIGHT", ["1"])[0]) != points:
        raise ValueError("WIDTH × HEIGHT is not POINTS")
    if said["DATA"] not in (["ascii"], ["binary"], ["binary_compressed"]):
        raise ValueError(f"DATA {' '.join(said['DATA'])}")
    turned = [float(w) for w in said.get("VIEWPOINT", _AS_SCANNED)] != [float(w) for w in _AS_SCANNED]
    return _Header(tuple(fields), points, said["DATA"][0], start, turned)


def _count(word: str) -> int:
    if not (word.isascii() and word.isdecimal() and len(word) < 12):
        raise ValueError(f"{word!r} where a count was expected")
    return int(word)


# --- data -----------------------------------------------------------------------------------------------------------


def _from_text(path: Path, header: _Header, data: bytes) -> Floats:
    text = plain_text(data)
    width = sum(field.count for field in header.fields)
    words = words_per_line(text)
    lines = words[words != 0]
    if len(lines) != header.points or (lines != width).any():
        odd = f", the {np.flatnonzero(lines != width)[0] + 1}. of other width" if (lines != width).any() else ""
        wrong = f"its header promises {header.points} lines of {width} numbers; {len(lines)} lines follow{odd}"
        raise mesh_error(path, wrong, _AGAIN)
    numbers = numbers_in(path, text).reshape(-1, width) if len(lines) else np.empty((0, width))
    first = np.cumsum([0, *(field.count for field in header.fields)])
    names = [field.name for field in header.fields]
    return np.ascontiguousarray(numbers[:, [first[names.index(axis)] for axis in "xyz"]])


def _check_room(path: Path, header: _Header, there: int) -> None:
    needs = header.points * header.row_bytes
    if not needs <= there <= needs + 2:  # a final line end is harmless
        wrong = f"its header promises {header.points} points of {header.row_bytes} bytes: {needs}; {there} bytes follow"
        raise mesh_error(path, wrong, _AGAIN)


def _from_rows(path: Path, header: _Header, data: bytes) -> Floats:
    _check_room(path, header, len(data))
    points = np.empty((header.points, 3))
    at = 0
    for field in header.fields:
        if field.name in ("x", "y", "z") and header.points:
            column = np.ndarray((header.points,), field.type, data, at, (header.row_bytes,))
            points[:, "xyz".index(field.name)] = column
        at += field.size
    return points


def _from_packed(path: Path, header: _Header, data: bytes) -> Floats:
    """Packed points lie field by field, not point by point."""
    packed, unpacked = (int.from_bytes(data[i : i + 4], "little") for i in (0, 4))
    if len(data) < 8 or not packed <= len(data) - 8 <= packed + 2 or unpacked > packed * _HIGHEST_RATIO:
        raise mesh_error(path, f"its packed data promise {packed} bytes; {max(len(data) - 8, 0)} follow", _AGAIN)
    _check_room(path, header, unpacked)
    whole = _unpacked(path, data[8 : 8 + packed], unpacked)
    points = np.empty((header.points, 3))
    at = 0
    for field in header.fields:
        if field.name in ("x", "y", "z"):
            points[:, "xyz".index(field.name)] = np.frombuffer(whole, field.type, header.points, at)
        at += field.size * header.points
    return points


def _unpacked(path: Path, data: bytes, size: int) -> bytes:
    """LZF: runs of bytes as they are, and copies of what was there up to 8192 bytes before."""
    out = bytearray()
    at = 0
    try:
        while at < len(data) and len(out) <= size:
            token = data[at]
            if token < 32:
                out += data[at + 1 : at + 2 + token]
                at += 2 + token
                continue
            length = token >> 5
            if length == 7:
                at += 1
                length += data[at]
            start = len(out) - ((token & 31) << 8) - data[at + 1] - 1
            at += 2
            _copy(out, start, length + 2)
    except (IndexError, ValueError):
        at = -1
    if at != len(data) or len(out) != size:
        raise mesh_error(path, f"its packed data do not unpack to the {size} bytes that they promise", _AGAIN)
    return bytes(out)


def _copy(out: bytearray, start: int, length: int) -> None:
    if start < 0:
        raise ValueError(start)
    piece = out[start : start + length]
    if len(piece) < length:  # it reaches into itself: repeats
        piece = (piece * (length // len(piece) + 1))[:length]
    out += piece
