"""Numbers out of text files: line ends of all systems, and never a word taken for a number."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.meshes import mesh_error

Floats = NDArray[np.float64]

BOM = b"\xef\xbb\xbf"
BLANKS = b" \t\r\v\f"
"""What parts words, besides the line feed."""
_AGAIN = "The file is cut short or damaged: export or copy it again."


def plain_text(data: bytes) -> bytes:
    """The text with every line end as a line feed, without a byte order mark."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data.removeprefix(BOM)


def open_end(text: bytes) -> tuple[str, ...]:
    """A note where the last line has no end, as in a file that was cut; else nothing."""
    if not text.strip() or text.endswith((b"\n", b"\r")):
        return ()
    return ("its last line has no line end: was the file cut short there?",)


def numbers_in(path: Path, text: bytes) -> Floats:
    """All numbers of a text of numbers and blanks. Raises MeshError at anything else, "1.5-2" among it."""
    if not text.strip():
        return np.empty(0)
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            numbers = np.fromstring(text.decode("latin-1"), dtype=np.float64, sep=" ")
            if len(numbers) == int(words_per_line(text, BLANKS).sum()):
                return numbers
        except (DeprecationWarning, ValueError):
            pass
    word, number = _first_non_number(text)
    raise mesh_error(path, f"value {number} of its data is {word!r}; a number was expected", _AGAIN)


def words_per_line(text: bytes, between: bytes = BLANKS) -> NDArray[np.int64]:
    """How many words each line has (m,), where any of the bytes ``between`` parts them; a last empty line is none."""
    if not text:
        return np.empty(0, dtype=np.int64)
    apart = np.zeros(256, dtype=bool)
    apart[list(between + b"\n")] = True
    symbols = np.frombuffer(text, dtype=np.uint8)
    gap = apart[symbols]
    begins = ~gap
    begins[1:] &= gap[:-1]
    return _per_line(symbols, begins)


def marks_per_line(text: bytes, mark: bytes) -> NDArray[np.int64]:
    """How often one byte stands in each line (m,); a last empty line is none."""
    symbols = np.frombuffer(text, dtype=np.uint8)
    return _per_line(symbols, symbols == ord(mark)) if text else np.empty(0, dtype=np.int64)


def _per_line(symbols: NDArray[np.uint8], counted: NDArray[np.bool_]) -> NDArray[np.int64]:
    ends = np.flatnonzero(symbols == ord("\n"))
    if symbols[-1] != ord("\n"):
        ends = np.append(ends, len(symbols))
    return np.diff(np.searchsorted(np.flatnonzero(counted), ends), prepend=0)


def _first_non_number(text: bytes) -> tuple[str, int]:
    for number, word in enumerate(text.split(), start=1):
        try:
            float(word)
        except ValueError:
            return word[:40].decode("latin-1"), number
        if b"_" in word:
            return word[:40].decode("latin-1"), number
    return "", 0
