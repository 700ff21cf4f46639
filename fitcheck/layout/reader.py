"""YAML text → values that remember where they were typed. The only module that imports a YAML library.

YAML 1.2: ``yes``, ``on`` and ``1:30`` are words, ``010`` is ten. Anchors and aliases are
read; duplicate keys, tags, ``.nan``, ``.inf``, merge keys and several documents in a file are
mistakes. All mistakes of a file are collected, but after a mistake of syntax there is nothing
more to read.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitcheck.errors import FileProblem, Mistake, Place
from fitcheck.layout.values import Data, Value

if TYPE_CHECKING:
    from ruamel.yaml.nodes import Node

LARGEST_FILE = 4_000_000
MOST_VALUES = 50_000
DEEPEST = 40

_INTEGER = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_WORDS: dict[str, bool | None] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False,
}  # fmt: skip

_CORE = "tag:yaml.org,2002:"
_TAGS = ("map", "seq", "str", "int", "float", "bool", "null", "timestamp", "merge", "value")
"""What the parser makes of text without a tag."""

_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ufeff]")


@dataclass
class Source:
    """One file as it was read. ``name`` is how messages call it; ``root`` is an empty mapping where
    the file is not ``readable``."""

    name: str
    path: Path
    sha256: str
    lines: list[str]
    root: Value
    readable: bool = False
    mistakes: list[Mistake] = field(default_factory=list)

    def mistake(self, place: Place, message: str, hint: str = "") -> None:
        """Note a mistake in this file."""
        self.mistakes.append(Mistake(place, message, self.line(place), hint))

    def line(self, place: Place) -> str:
        """The line of a place, as a message shows it: no control characters, cut on the right."""
        if not 1 <= place.line <= len(self.lines):
            return ""
        text = _UNPRINTABLE.sub(" ", self.lines[place.line - 1]).rstrip()
        longest = max(place.column + 40, 160)
        return text if len(text) <= longest else text[: longest - 1] + "…"


def read_source(path: Path, name: str) -> Source:
    """Read one file. Raises FileProblem where it cannot be opened; mistakes in its text are in the answer."""
    raw = read_bytes(path, name)
    source = Source(name, path, hashlib.sha256(raw).hexdigest(), [], Value({}, Place(name, 1, 1)))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        before = raw[: problem.start].decode("utf-8", "replace")
        source.lines = raw.decode("utf-8", "replace").splitlines()
        place = Place(name, before.count("\n") + 1, len(before) - before.rfind("\n"))
        source.mistake(place, "this is not UTF-8 text", "save the file as UTF-8")
        return source
    # YAML's own line ends, so that lines are counted as the parser counts them
    source.lines = re.split(r"\r\n|[\r\n\x85\u2028\u2029]", text)
    _compose(source, text)
    return source


def read_bytes(path: Path, name: str) -> bytes:
    """The content of a layout file. Raises FileProblem."""
    try:
        if path.is_dir():
            raise FileProblem(f"{name} is a folder: name the layout file in it")
        if path.stat().st_size > LARGEST_FILE:
            raise FileProblem(f"{name} is larger than {LARGEST_FILE // 1_000_000} MB: this is no layout file")
        return path.read_bytes()
    except FileNotFoundError as problem:
        raise FileProblem(f"{name}: no such file") from problem
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise FileProblem(f"{name} cannot be read: {reason}") from problem


def _compose(source: Source, text: str) -> None:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError
    from ruamel.yaml.reader import ReaderError

    start = Place(source.name, 1, 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            node = YAML(typ="safe", pure=True).compose(text)
    except ReaderError as problem:
        _unreadable_character(source, text, int(problem.position))
    except MarkedYAMLError as problem:
        _syntax(source, problem)
    except RecursionError:
        source.mistake(start, "this file is nested too deeply to be a layout")
    except (
        YAMLError,
        ValueError,
        OverflowError,
        LookupError,
        AttributeError,
        TypeError,
        AssertionError,
        NotImplementedError,
    ) as problem:
        # the parser's own stumbles over odd text (escapes, directives) carry no place
        source.mistake(
            start, f"this file cannot be read as YAML: {_UNPRINTABLE.sub(' ', str(problem)) or type(problem).__name__}"
        )
    else:
        if node is None:
            source.mistake(start, "this file is empty", "a layout begins with 'format: 1'")
        else:
            _take(source, node)


def _take(source: Source, node: Node) -> None:
    root = _Taker(source).value(node, None, 0)
    if isinstance(root.data, dict):
        source.root, source.readable = root, True
    else:
        source.mistake(root.place, "expected keys with values, like 'format: 1'", "a layout is a mapping")


def _unreadable_character(source: Source, text: str, position: int) -> None:
    before = re.split(r"\r\n|[\r\n\x85\u2028\u2029]", text[:position])
    place = Place(source.name, len(before), len(before[-1]) + 1)
    source.mistake(place, f"a character that no text editor shows (U+{ord(text[position]):04X})", "delete it")


_SYNTAX = (
    ("'\\t'", "a tab cannot stand here", "indent with spaces"),
    (
        "mapping values are not allowed",
        "a ':' where no value can stand",
        "check indentation and the line above; text with ': ' needs quotes",
    ),
    ("could not find expected ':'", "expected 'key: value'", "is a ':' missing, or the space after it?"),
    ("did not find expected <document start>", "more text after the end of the layout", "check the indentation"),
    ("expected ',' or '}'", "expected ',' or '}' in this {mapping}", "is a comma or the closing '}' missing?"),
    ("expected ',' or ']'", "expected ',' or ']' in this [list]", "is a comma or the closing ']' missing?"),
    ("expected <block end>", "this line does not fit the lines above it", "check the indentation, and '-' and ':'"),
    ("expected the node content", "a value is missing before this", "remove it, or write the value"),
    ("while scanning a quoted scalar", "this quoted text is not closed", "write the closing quote"),
    ("undefined alias", "an alias (*name) without its anchor (&name)", "text that begins with * needs quotes"),
    ("but found another document", "a second document begins here", "one layout a file: take '---' out"),
    ("found duplicate anchor", "this anchor is there already", ""),
    ("cannot start any token", "a character that cannot begin a value", "put the text in quotes"),
    ("unknown escape character", "an unknown escape in quoted text", "use '…' quotes, or double the backslash"),
)  # fmt: skip


def _syntax(source: Source, problem: Any) -> None:
    said = f"{problem.context or ''} {problem.problem or ''}"
    mark = problem.problem_mark or problem.context_mark
    line, column = (mark.line, mark.column) if mark is not None else (0, 0)
    message, hint = next(
        ((words, hint) for key, words, hint in _SYNTAX if key in said),
        (f"this cannot be read as YAML: {_UNPRINTABLE.sub(' ', (problem.problem or said).strip())}", ""),
    )
    opening = problem.context_mark
    if opening is not None and ("quoted scalar" in said or ("expected ','" in said and opening.line < line)):
        # what was opened and never closed is found far below: point at its beginning
        line, column = opening.line, opening.column
    while line >= len(source.lines) or (line > 0 and mark is not None and not source.lines[line].strip()):
        line -= 1  # the end of the file, or an empty line: point behind the last text
        column = len(source.lines[line].rstrip())
    source.mistake(Place(source.name, line + 1, column + 1), message, hint)


class _Taker:
    """Turns the parser's nodes into values, and notes what a layout may not hold."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.taken = 0
        self.open: set[int] = set()

    def value(self, node: Node, key: Place | None, depth: int) -> Value:
        place = self.place(node)
        self.taken += 1
        if self._refused(node, place, depth):
            return Value(None, place, key)
        self.open.add(id(node))
        data = self.data(node, place, depth)
        self.open.discard(id(node))
        return Value(data, place, key)

    def _refused(self, node: Node, place: Place, depth: int) -> bool:
        """Whether a value cannot belong to a layout: through aliases a short text can stand for an endless one."""
        if self.taken > MOST_VALUES:
            if self.taken == MOST_VALUES + 1:
                self.source.mistake(Place(place.file, 1, 1), "this file stands for too many values to be a layout")
            return True
        if id(node) in self.open:
            self.source.mistake(place, "this value holds itself", "take the alias (*name) out")
        elif depth > DEEPEST:
            self.source.mistake(place, "this value is nested too deeply to be a layout's")
        return id(node) in self.open or depth > DEEPEST

    def data(self, node: Node, place: Place, depth: int) -> Data:
        from ruamel.yaml.nodes import MappingNode, SequenceNode

        tag = str(node.tag)
        if tag.removeprefix(_CORE) not in _TAGS:
            self.source.mistake(
                place,
                f"a tag ({_UNPRINTABLE.sub(' ', tag.replace(_CORE, '!!'))}) has no meaning here",
                "write the value alone",
            )
            return None
        if isinstance(node, MappingNode):
            return self.mapping(node, depth)
        if isinstance(node, SequenceNode):
            return [self.value(item, None, depth + 1) for item in node.value]
        return self.scalar(node, place)

    def mapping(self, node: Any, depth: int) -> dict[str, Value]:
        found: dict[str, Value] = {}
        for key_node, value_node in node.value:
            key, place = key_node.value, self.place(key_node)
            if not isinstance(key, str):
                self.source.mistake(place, "expected a word as key", "write 'key: value'")
            elif key == "<<" and key_node.style is None:
                self.source.mistake(place, "merge keys (<<) are not read", "use based_on for files and like: for parts")
            elif key in found:
                first = found[key].key
                line = f" (first on line {first.line})" if first else ""
                self.source.mistake(place, f"the key '{key}' is there twice{line}", "keep one of them")
            else:
                found[key] = self.value(value_node, place, depth + 1)
        return found

    def scalar(self, node: Any, place: Place) -> Data:
        text = str(node.value)
        if node.style is not None or (str(node.tag).endswith(":str") and _plain_number(text)):
            return text
        if _NOT_FINITE.fullmatch(text):
            self.source.mistake(
                place, f"expected a finite number, found '{text}'", "leave the key out if the value is not known"
            )
            return 0.0
        if text in _WORDS:
            return _WORDS[text]
        if _INTEGER.fullmatch(text):
            return int(text) if len(text) < 19 else float(text)
        return float(text) if _FLOAT.fullmatch(text) else text

    def place(self, node: Any) -> Place:
        return Place(self.source.name, node.start_mark.line + 1, node.start_mark.column + 1)


def _plain_number(text: str) -> bool:
    """Whether plain text would be read as something else: then a ``!!str`` tag was typed."""
    return text in _WORDS or bool(_FLOAT.fullmatch(text) or _NOT_FINITE.fullmatch(text))
