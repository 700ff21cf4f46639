"""Entries that few layouts have are made ready when one has them: each costs a millisecond of every check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema


@dataclass(frozen=True)
class Lazily:
    """Read by ``model`` when there is something to read; null stays None. Its mistakes keep their places."""

    model: type[BaseModel]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        del source, handler
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema
        self.model.model_rebuild()
        inner = handler(_named(self.model.__pydantic_core_schema__))
        return {"anyOf": [inner, {"type": "null"}]}

    def _read(self, typed: Any) -> BaseModel | None:
        return None if typed is None else self.model.model_validate(typed)


def _named(schema: CoreSchema) -> CoreSchema:
    """The schema as a definition with a name, where it is not among definitions already."""
    if schema["type"] == "definitions":
        return schema
    return core_schema.definitions_schema(core_schema.definition_reference_schema(str(schema.get("ref"))), [schema])
