"""What the schema found wrong → mistakes with file, line, column and the nearest valid word."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, get_args, get_origin

from fitcheck.layout.entries import Entry
from fitcheck.layout.merge import Stack
from fitcheck.layout.quantities import Bare, Flaw, bare_type
from fitcheck.layout.schema import LayoutEntries
from fitcheck.layout.values import Value
from fitcheck.units import UnitError, did_you_mean, nearest, spoken

Loc = tuple[str | int, ...]

_HEAD = ("format",)  # each file's own has been looked at already


def check_entries(stack: Stack, root: Value) -> LayoutEntries | None:
    """The tree as validated entries. What is wrong joins the stack's mistakes; then the answer is None."""
    from pydantic import ValidationError

    try:
        return LayoutEntries.model_validate(plain_data(stack, root))
    except ValidationError as problem:
        found = problem.errors(include_url=False)
    for error in _without_echoes(found):
        _complain(stack, root, error)
    return None


def plain_data(stack: Stack, root: Value) -> dict[str, Any]:
    """The tree without its places; bare numbers know the units of their file."""
    types = {name: bare_type(*units) for name, units in stack.units.items() if units != ("mm", "kg")}
    return {key: _plain(value, types) for key, value in root.items() if value.data is not None} | {"format": 1}


def _plain(value: Value, types: dict[str, type[Bare]]) -> Any:
    data = value.data
    if isinstance(data, dict):
        return {key: _plain(item, types) for key, item in data.items()}
    if isinstance(data, list):
        return [_plain(item, types) for item in data]
    bare = types.get(value.place.file)
    if bare is None or isinstance(data, bool) or not isinstance(data, (int, float)):
        return data
    return bare(data)


def _without_echoes(errors: Sequence[Any]) -> Iterator[Any]:
    """A misspelt key makes another one missing: one mistake, not two."""
    unknown = {
        (error["loc"][:-1], meant)
        for error in errors
        if error["type"] == "extra_forbidden" and (meant := _meant(error["loc"]))
    }
    for error in errors:
        if not (error["type"] == "missing" and (error["loc"][:-1], error["loc"][-1]) in unknown):
            yield error


def _meant(loc: Loc) -> str | None:
    return nearest(str(loc[-1]), keys_at(loc[:-1]))


def _complain(stack: Stack, root: Value, error: Any) -> None:
    at = _deepest(root, error["loc"])
    for flaw in _flaws(error):
        found = _deepest(at, tuple(flaw.at.split("."))) if flaw.at else at
        whole = not flaw.at and isinstance(at.data, dict)
        by_key = whole or error["type"] == "extra_forbidden" or flaw.on_key
        stack.mistake(found.spot if by_key else found.place, flaw.message, flaw.hint)


def _deepest(value: Value, loc: Loc) -> Value:
    """As far as the path leads; steps that the text does not have, like the 0 of a list of one, are skipped."""
    for step in loc:
        value = value.child(step) or value
    return value


def _flaws(error: Any) -> Sequence[Flaw]:
    kind, loc, context = error["type"], error["loc"], error.get("ctx", {})
    if kind == "layout":
        flaws: Sequence[Flaw] = context["flaws"]
        return flaws
    problem = context.get("error")
    if isinstance(problem, UnitError):
        return (Flaw(problem.message, hint=problem.hint),)
    return (_flaw(kind, loc, context, error.get("input")),)


def _flaw(kind: str, loc: Loc, context: dict[str, Any], typed: Any) -> Flaw:
    """The schema library's own findings in our words."""
    where = ".".join(str(step) for step in loc[:-1])
    if kind == "extra_forbidden":
        return Flaw(
            f"unknown key '{loc[-1]}'" + (f" in {where}" if where else ""),
            hint=did_you_mean(str(loc[-1]), keys_at(loc[:-1])),
        )
    if kind == "missing":
        return Flaw(f"'{loc[-1]}' is missing in {where}", hint="valid here: " + ", ".join(keys_at(loc[:-1])))
    if kind == "literal_error":
        words = tuple(re.findall(r"'([^']*)'", str(context["expected"])))
        short = f"one of: {', '.join(words)}" if len(words) <= 8 else f"a known {loc[-1]}"
        hint = did_you_mean(typed, words) if isinstance(typed, str) else f"valid here: {', '.join(words)}"
        return Flaw(f"expected {short}, found {spoken(typed)}", hint=hint)
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return Flaw(f"expected keys with values under '{loc[-1]}', found {spoken(typed)}", hint=_keys_hint(loc))
    if kind in ("tuple_type", "list_type"):
        return Flaw(
            f"expected a list under '{loc[-1]}', found {spoken(typed)}",
            hint="like [one, two], or lines that begin with '- '",
        )
    return Flaw(f"this value cannot be used: {spoken(typed)} ({kind})")


def _keys_hint(loc: Loc) -> str:
    keys = keys_at(loc)
    return "valid here: " + ", ".join(keys) if keys else "like {name: {…}}"


def keys_at(loc: Loc) -> tuple[str, ...]:
    """The keys that may stand in the entry at a path; () where names are chosen freely."""
    annotation: Any = LayoutEntries
    for step in loc:
        annotation = _below(annotation, step)
    model = _model_of(annotation)
    if model is None:
        return ()
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _below(annotation: Any, step: str | int) -> Any:
    """The type under a key or index of a type."""
    model = _model_of(annotation)
    if model is not None:
        fields = {field.alias or name: field.annotation for name, field in model.model_fields.items()}
        return fields.get(str(step))
    inner = [arg for arg in get_args(annotation) if arg not in (type(None), Ellipsis)]
    origin = get_origin(annotation)
    if origin in (dict, tuple):
        return inner[-1]
    return _below(inner[0], step) if len(inner) == 1 else None


def _model_of(annotation: Any) -> type[Entry] | None:
    """The one entry class in a type such as ``Entry | None``."""
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return annotation
    if get_origin(annotation) in (dict, tuple):
        return None
    found = [model for arg in get_args(annotation) if (model := _model_of(arg)) is not None]
    return found[0] if found else None
