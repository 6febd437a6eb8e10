"""The JSON Schema of a scene file, for editors: titles, descriptions, examples, defaults as written."""

import re
from typing import get_args

from pydantic import BaseModel, TypeAdapter
from pydantic.fields import FieldInfo

from sim.quantities.plain import Tree
from sim.scene.model.block import Block
from sim.scene.model.scene import Scene


def scene_schema() -> dict[str, Tree]:
    """Return the JSON Schema (draft 2020-12) of a scene file.

    Does not: express the checks between blocks, nor enforce the range of a quantity with a unit.
    """
    schema = Scene.model_json_schema(by_alias=True)
    parts = {**schema.pop("$defs"), "Scene": schema}
    for block in _blocks(Block):
        if block.__name__ in parts:
            _dress(parts[block.__name__], block)
    root = parts.pop("Scene")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **root,
        "title": "halfstop scene",
        "$defs": parts,
    }


def _blocks(base: type[Block]) -> list[type[Block]]:
    return [block for child in base.__subclasses__() for block in (child, *_blocks(child))]


def _dress(part: dict[str, Tree], block: type[Block]) -> None:
    """Write the properties of one block as they stand in a scene file."""
    part["description"] = " ".join((block.__doc__ or "").split())
    part["title"] = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", block.__name__).capitalize()
    for name, field in block.model_fields.items():
        entry = part["properties"][field.alias or name]
        entry.pop("default", None)
        # Leave null out: a key without a value is refused, a key that is not needed is left out.
        choices = [choice for choice in entry.get("anyOf", []) if choice.get("type") != "null"]
        if len(choices) == 1:
            del entry["anyOf"]
            entry |= choices[0] | entry
        if "patternProperties" in entry:
            entry["additionalProperties"] = False
        # Tell the range after what the field is.
        described = f"{field.description} {_range_of(field)}".strip()
        entry["description"] = described
        if not field.is_required() and field.default is not None and field.default_factory is None:
            entry["default"] = _as_written(field)


def _range_of(field: FieldInfo) -> str:
    values = [*field.metadata, *(meta for part in get_args(field.annotation) for meta in get_args(part))]
    return next((value.range_text(whole=True) for value in values if hasattr(value, "range_text")), "")


def _as_written(field: FieldInfo) -> Tree:
    if isinstance(field.default, BaseModel):
        return field.default.model_dump(mode="json", by_alias=True, exclude_none=True)
    for value in field.metadata:
        if hasattr(value, "show"):
            return value.show(field.default)
    adapter: TypeAdapter[object] = TypeAdapter(field.rebuild_annotation())
    return adapter.dump_python(field.default, mode="json", by_alias=True, exclude_none=True)
