"""Values that remember where they were typed, and how one file's are laid over another's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fitcheck.errors import Place

Data = None | bool | int | float | str | dict[str, "Value"] | list["Value"]


@dataclass(frozen=True, eq=False)
class Value:
    """A value and where it stands: ``place`` its own, ``key`` its key's, or None in a list."""

    data: Data
    place: Place
    key: Place | None = None

    @property
    def spot(self) -> Place:
        """Where a mistake about the whole entry points: its key, or itself in a list."""
        return self.key or self.place

    @property
    def origin(self) -> str:
        """file:line of the entry."""
        return f"{self.spot.file}:{self.spot.line}"

    def items(self) -> Iterator[tuple[str, Value]]:
        """Keys and values of a mapping; of anything else: none."""
        if isinstance(self.data, dict):
            yield from self.data.items()

    def members(self) -> list[Value]:
        """The items of a list; of anything else: none."""
        return self.data if isinstance(self.data, list) else []

    def get(self, *path: str | int) -> Value | None:
        """The value at a path of keys and indices, or None."""
        here: Value | None = self
        for step in path:
            if here is None:
                return None
            here = here.child(step)
        return here

    def child(self, step: str | int) -> Value | None:
        """The value of one key or index, or None."""
        if isinstance(self.data, dict):
            return self.data.get(str(step))
        if isinstance(self.data, list) and str(step).isdigit() and int(step) < len(self.data):
            return self.data[int(step)]
        return None

    def text(self, *path: str | int) -> str | None:
        """The text at a path; None where it is missing or no text."""
        found = self.get(*path)
        return found.data if found is not None and isinstance(found.data, str) else None
