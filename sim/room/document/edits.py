"""Gestures at the set as data: what a person may change, one class for each kind, read from JSON and checked once.

    {"op": "set", "path": [...], "value": ...}            any value in the form of the scene file
    {"op": "unset", "path": [...]}                        take an optional key out
    {"op": "move", "what": [...], "to_m": [x, y, z]}      bearings to 1 degree, lengths to 1 cm
    {"op": "aim", "what": [...], "at": part or [x, y, z]}
    {"op": "turn", "what": ["sitter"] or ["head"], "deg": -35}
    {"op": "add_light", "name", "block"}    {"op": "copy_light", "name", "as"}
    {"op": "rename_light", "name", "to"}    {"op": "remove_light", "name"}
    {"op": "pin", "name" or null, "at_m", "kind"}    {"op": "unpin", "name"}
    {"op": "dials", "stops": {name: stops}}

`what` is ["light", name], ["panel", name], ["camera"], ["sitter"] or ["backdrop"]; a window counts as a light. What an
edit makes of the text is `sim.room.document.edit_text`'s; whether the result is a scene is for the document to ask.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, JsonValue, StrictInt, StrictStr, TypeAdapter, ValidationError

from sim.quantities.errors import SceneError, quoted

MOST_EDITS = 64
LONGEST_PATH = 8
DEEPEST = 6
MOST_WORDS = 400
# Far outside any studio: what is further out is no place but a slip.
FARTHEST_M, MOST_STOPS, MOST_DEG, MOST_NUMBER = 1000.0, 1e6, 1e6, 1e15

Name: TypeAlias = Annotated[StrictStr, Field(min_length=1, max_length=MOST_WORDS)]
Place: TypeAlias = Annotated[StrictInt, Field(ge=0)]
Path: TypeAlias = Annotated[
    tuple[Annotated[StrictStr, Field(min_length=1)] | Place, ...], Field(min_length=1, max_length=LONGEST_PATH)
]
Metres: TypeAlias = Annotated[float, Field(strict=True, ge=-FARTHEST_M, le=FARTHEST_M)]
Point: TypeAlias = tuple[Metres, Metres, Metres]
Thing: TypeAlias = (
    tuple[Literal["light"], StrictStr]
    | tuple[Literal["panel"], StrictStr | StrictInt]
    | tuple[Literal["camera", "sitter", "backdrop"]]
)
Dial: TypeAlias = Annotated[float, Field(strict=True, gt=-MOST_STOPS, lt=MOST_STOPS)]


class _Edit(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True)


class SetValue(_Edit):
    """A value in the form of the scene file, at a key path."""

    op: Literal["set"] = "set"
    path: Path
    value: JsonValue


class Unset(_Edit):
    """Take an optional key out."""

    op: Literal["unset"] = "unset"
    path: Path


class Move(_Edit):
    """Set something down at a point (m)."""

    op: Literal["move"] = "move"
    what: Thing
    to_m: Point


class Aim(_Edit):
    """Point something at a part of the set, or at a point (m)."""

    op: Literal["aim"] = "aim"
    what: Thing
    at: StrictStr | Point


class Turn(_Edit):
    """Turn the sitter, or the head alone, to an angle."""

    op: Literal["turn"] = "turn"
    what: tuple[Literal["sitter", "head"]]
    deg: Annotated[float, Field(strict=True, gt=-MOST_DEG, lt=MOST_DEG)]


class AddLight(_Edit):
    """Add a light; `block` as the scene file writes it, None for the usual one."""

    op: Literal["add_light"] = "add_light"
    name: Name
    block: Annotated[dict[str, JsonValue], Field(min_length=1)] | None = None


class CopyLight(_Edit):
    """Set a copy of a light beside it."""

    op: Literal["copy_light"] = "copy_light"
    name: Name
    copy_name: Name = Field(alias="as")


class RenameLight(_Edit):
    """Give a light another name, wherever it is named."""

    op: Literal["rename_light"] = "rename_light"
    name: Name
    to: Name


class RemoveLight(_Edit):
    """Take a light off the set."""

    op: Literal["remove_light"] = "remove_light"
    name: Name


class Pin(_Edit):
    """Set a meter point, or move one: at a part, or at a point (m); without a name it gets the next number."""

    op: Literal["pin"] = "pin"
    name: Name | None = None
    at: StrictStr | None = None
    at_m: Point | None = None
    kind: StrictStr | None = None
    facing: StrictStr | None = None


class Unpin(_Edit):
    """Take a meter point out."""

    op: Literal["unpin"] = "unpin"
    name: Name


class Dials(_Edit):
    """Turn the dials of lights, each to stops under full."""

    op: Literal["dials"] = "dials"
    stops: Annotated[dict[str, Dial], Field(min_length=1)]


Edit: TypeAlias = (
    SetValue | Unset | Move | Aim | Turn | AddLight | CopyLight | RenameLight | RemoveLight | Pin | Unpin | Dials
)
_KINDS: tuple[type[_Edit], ...] = (
    SetValue, Unset, Move, Aim, Turn, AddLight, CopyLight, RenameLight, RemoveLight, Pin, Unpin, Dials,
)  # fmt: skip
OPERATIONS = tuple(str(kind.model_fields["op"].default) for kind in _KINDS)
_READ: TypeAdapter[Edit] = TypeAdapter(Annotated[Edit, Field(discriminator="op")])


def edits_from_data(data: object, file: str = "scene") -> tuple[Edit, ...]:
    """The edits of a list of JSON objects, 1 to 64 of them; raises `SceneError` for the first that means nothing.

    Arguments: `file` that faults are told of.
    """
    if not isinstance(data, (list, tuple)) or not 1 <= len(data) <= MOST_EDITS:
        raise SceneError(file, 1, "", "got no list of changes", f"1 to {MOST_EDITS} changes", "do it again")
    return tuple(edit_from_data(each, file) for each in data)


def edit_from_data(data: object, file: str = "scene") -> Edit:
    """One edit of a JSON object; raises `SceneError`."""
    op = data.get("op") if isinstance(data, Mapping) else None
    if not isinstance(data, Mapping) or not isinstance(op, str) or op not in OPERATIONS:
        expected = f"one of {', '.join(OPERATIONS)}"
        raise SceneError(file, 1, "", f"there is no change {quoted(op)}", expected, "do it again")
    require_plain(data, file)
    try:
        return _READ.validate_python(data)
    except ValidationError as fault:
        # Lead with the tag of the union, then the field: the rest tells which of its forms failed.
        _, field, *rest = (*map(str, fault.errors()[0]["loc"]), "", "")
        raise _refusal(op, field, rest, data, file) from None


def _refusal(op: str, field: str, rest: list[str], data: Mapping[str, object], file: str) -> SceneError:
    """What is wrong with a field of an edit, in the words of whoever made it."""
    got = data.get(field)
    match op, field:
        case "turn", _:
            return SceneError(file, 1, "", "got no turn", "the sitter or the head, and degrees", "do it again")
        case "dials", "stops" if isinstance(got, dict) and got:
            name = rest[0]
            what, cure = f"got {quoted(got.get(name))}", "give a number such as -1.3"
            return SceneError(file, 1, f"lights.{name}.power", what, "stops under full", cure)
        case _, "stops":
            return SceneError(file, 1, "", "got no dials", "stops under full by light", "do it again")
        case _, "path":
            expected = 'such as ["lights", "key", "power"]'
            return SceneError(file, 1, "", "got no key path", expected, "do it again")
        case _, "value":
            return SceneError(file, 1, "", "no value was given", "a value", "give one")
        case _, "what":
            expected = 'such as ["light", "key"] or ["camera"]'
            return SceneError(file, 1, "", "got nothing to move", expected, "do it again")
        case _, "block":
            return SceneError(file, 1, "", "got no light", "a block with source and place", "choose one")
        case _, "name" | "as" | "copy_name" | "to":
            return SceneError(file, 1, "", f"got the name {quoted(got)}", "a name in words", "give one")
        case _, "at" | "to_m" | "at_m":
            return SceneError(file, 1, field, f"got {quoted(got)}", "three numbers in metres", "do it again")
    return SceneError(file, 1, field, f"got {quoted(got)}", "a word", "choose one")


def require_plain(value: object, file: str = "scene", depth: int = 0) -> None:
    """Refuse what no scene file could hold: depth, length, characters that are no text, numbers without end."""

    def refused(what: str, expected: str, cure: str) -> SceneError:
        return SceneError(file, 1, "", what, expected, cure)

    if depth > DEEPEST:
        raise refused("this is nested too deeply", "plain values", "write it simpler")
    match value:
        case None | bool():
            if value is None and depth != 1:
                raise refused("no value was given", "a value", "give one")
        case str():
            if len(value) > MOST_WORDS or any("\ud800" <= c <= "\udfff" for c in value):
                raise refused(f"got {quoted(value)}", f"at most {MOST_WORDS} characters of text", "shorten it")
        case int() | float():
            # Compare first: an integer of a thousand digits fits no float.
            if not abs(value) <= MOST_NUMBER or not math.isfinite(value):
                raise refused("got a number without end" if abs(value) > 1e300 else f"got {quoted(value)}",
                              "a number", "give another")  # fmt: skip
        case Mapping() | list():
            if len(value) > MOST_WORDS:
                raise refused("this is too much at once", f"at most {MOST_WORDS} values", "write less")
            for key in value if isinstance(value, Mapping) else ():
                if not isinstance(key, str):
                    raise refused(f"got the key {quoted(key)}", "a word", "write a word")
                require_plain(key, file, depth + 1)
            for item in value.values() if isinstance(value, Mapping) else value:
                require_plain(item, file, depth + 1)
        case _:
            raise refused(f"got {quoted(value)}", "plain values", "do it again")
