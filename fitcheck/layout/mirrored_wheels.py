"""``mirror_of`` for mechanisms: the wheel on the other side, every taped point with y the other way round."""

from __future__ import annotations

from typing import Any

from fitcheck.layout.entries import BoxRegion, Entry
from fitcheck.layout.mechanism_entries import Mechanism


def whole_mechanisms(mechanisms: dict[str, Mechanism]) -> dict[str, Mechanism]:
    """Each mechanism by itself: mirror images written out, riding on what they say. Names were checked before."""
    return {
        name: entry if entry.mirror_of is None else _other_side(mechanisms[entry.mirror_of], entry)
        for name, entry in mechanisms.items()
    }


def _other_side(original: Mechanism, entry: Mechanism) -> Mechanism:
    return original.model_copy(update={original.kind: _mirrored(getattr(original, original.kind)), "on": entry.on})


def _mirrored(value: Any) -> Any:
    """A value on the other side: points, intervals of y in boxes, and all that holds them."""
    if isinstance(value, BoxRegion):
        return value.model_copy(update={"y": (0.0 - value.y[1], 0.0 - value.y[0])})
    if isinstance(value, Entry):
        changed = {key: _mirrored(item) for key, item in value if key != "front_view"}
        front = getattr(value, "front_view", None)
        return value.model_copy(update=changed | ({} if front is None else {"front_view": (0.0 - front[0], front[1])}))
    if isinstance(value, dict):
        return {key: _mirrored(item) for key, item in value.items()}
    if isinstance(value, tuple) and len(value) == 3 and all(isinstance(item, float) for item in value):
        return value[0], 0.0 - value[1], value[2]
    return tuple(_mirrored(item) for item in value) if isinstance(value, tuple) and not _is_flat(value) else value


def _is_flat(value: tuple[Any, ...]) -> bool:
    return all(isinstance(item, float) for item in value)
