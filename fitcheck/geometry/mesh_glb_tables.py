"""The tables of a GLB: numbers taken out of its binary part, each reach checked before it is read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.meshes import float_step, mesh_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Tree = dict[str, Any]

_TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
_PACKED_VIEWS = ("EXT_meshopt_compression", "KHR_meshopt_compression")
_SPARSE_ZEROS = 1 << 20  # vertices that a table may leave at zero without data of their own
_AGAIN = "The file is cut short or damaged: export or copy it again."
_UNPACKED = "Export it without compression."


def named(rows: list[Any], number: Any) -> Tree:
    """The entry of that number. Raises IndexError for what is not one, ValueError for an entry of another kind."""
    if not 0 <= _whole(number) < len(rows):
        raise IndexError(f"entry {number} of {len(rows)}")
    if not isinstance(rows[number], dict):
        raise ValueError(f"entry {number} is no description")
    return dict(rows[number])


def _whole(number: Any) -> int:
    if not isinstance(number, int) or isinstance(number, bool) or number < 0:
        raise ValueError(f"{number!r} where a count was expected")
    return number


@dataclass(frozen=True)
class Tables:
    """The description ``tree`` and binary ``data`` of the file at ``path``."""

    path: Path
    tree: Tree
    data: bytes

    def places(self, number: int, packed: str) -> tuple[Floats, float]:
        """The (n, 3) positions in a table, and the step of their numbers.

        ``packed`` names the compression whose uncompressed other copy this is, if any. Raises MeshError
        for tables without data, of other kinds or reaching beyond the file's end.
        """
        table = named(self.tree["accessors"], number)
        kind = _TYPES[table["componentType"]]
        quantised = "KHR_mesh_quantization" in self.tree.get("extensionsUsed", [])
        if table["type"] != "VEC3" or (kind != "<f4" and not quantised):
            raise mesh_error(self.path, "its vertices are not three floats each", "Export it without quantisation.")
        rows = self._rows(number, packed)
        places = rows.astype(np.float64)
        if kind == "<f4":
            largest = float(np.abs(places).max()) if places.size else 0.0
            return places, float_step(largest)
        if not table.get("normalized", False):
            return places, 1.0
        top = float(np.iinfo(np.dtype(kind)).max)
        return np.maximum(places / top, -1.0), 1.0 / top

    def indices(self, number: int, packed: str) -> Ints:
        """The (n,) vertex numbers in a table. Raises MeshError as places does."""
        table = named(self.tree["accessors"], number)
        if table["type"] != "SCALAR" or table["componentType"] not in (5121, 5123, 5125):
            raise mesh_error(self.path, "its faces do not name vertices by whole numbers", _AGAIN)
        return self._rows(number, packed)[:, 0].astype(np.int64)

    def _rows(self, number: int, packed: str) -> NDArray[Any]:
        table = named(self.tree["accessors"], number)
        count, width = _whole(table["count"]), _WIDTHS[table["type"]]
        kind = np.dtype(_TYPES[table["componentType"]])
        what = f"its table {number}"
        if "bufferView" in table:
            start = _whole(table.get("byteOffset", 0))
            rows = self._view_rows(what, (table["bufferView"], start), (count, width), kind)
        elif packed:
            raise mesh_error(self.path, f"its triangles are compressed ({packed}), which is not read", _UNPACKED)
        elif "sparse" not in table:
            raise mesh_error(self.path, f"{what} of {count} entries has no data of its own", "Export it again.")
        elif count > max(len(self.data), _SPARSE_ZEROS):
            raise mesh_error(self.path, f"{what} promises {count} entries without data", _AGAIN)
        else:
            rows = np.zeros((count, width), kind)
        return self._with_sparse(what, table, rows)

    def _with_sparse(self, what: str, table: Tree, rows: NDArray[Any]) -> NDArray[Any]:
        """The rows with those that the table says otherwise put in."""
        if "sparse" not in table:
            return rows
        sparse = table["sparse"]
        count = _whole(sparse["count"])
        at, values = sparse["indices"], sparse["values"]
        if at["componentType"] not in (5121, 5123, 5125):
            raise ValueError("sparse entries that are not named by whole numbers")
        index_kind = np.dtype(_TYPES[at["componentType"]])
        where = (at["bufferView"], _whole(at.get("byteOffset", 0)))
        places = self._view_rows(what, where, (count, 1), index_kind)[:, 0].astype(np.int64)
        where = (values["bufferView"], _whole(values.get("byteOffset", 0)))
        news = self._view_rows(what, where, (count, rows.shape[1]), rows.dtype)
        if count and (places.max() >= len(rows) or (np.diff(places) <= 0).any()):
            raise mesh_error(self.path, f"{what} changes entries that it does not have, or one twice", _AGAIN)
        rows = rows.copy()
        rows[places] = news
        return rows

    def _view_rows(
        self, what: str, where: tuple[int, int], shape: tuple[int, int], kind: np.dtype[Any]
    ) -> NDArray[Any]:
        """Rows of a view of the data: (its number, first byte in it), (rows, columns), number type."""
        view = named(self.tree["bufferViews"], where[0])
        begin, length = _whole(view.get("byteOffset", 0)), _whole(view["byteLength"])
        row = shape[1] * kind.itemsize
        stride = _whole(view.get("byteStride", row))
        if stride < row:
            raise ValueError(f"rows of {row} bytes every {stride} bytes")
        there = min(length, self._buffer_bytes(view) - begin) - where[1]
        needs = (shape[0] - 1) * stride + row if shape[0] else 0
        if needs > there:
            wrong = f"{what} promises {shape[0]} entries, {needs} bytes; {there} are there"
            raise mesh_error(self.path, wrong, _AGAIN)
        if not shape[0]:
            return np.empty(shape, kind)
        return np.ndarray(shape, kind, self.data, begin + where[1], (stride, kind.itemsize))

    def _buffer_bytes(self, view: Tree) -> int:
        """Bytes of the view's buffer, which must be the file's own."""
        buffer = named(self.tree["buffers"], view["buffer"])
        packed = [name for name in view.get("extensions", {}) if name in _PACKED_VIEWS]
        if packed and ("uri" in buffer or view["buffer"] != 0 or buffer.get("extensions")):
            raise mesh_error(self.path, f"its triangles are compressed ({packed[0]}), which is not read", _UNPACKED)
        if "uri" in buffer or view["buffer"] != 0:
            raise mesh_error(self.path, "it keeps its data outside of itself", "Export it as one GLB file.")
        length = _whole(buffer["byteLength"])
        if length > len(self.data):
            raise mesh_error(self.path, f"its data promise {length} bytes; {len(self.data)} are there", _AGAIN)
        return length
