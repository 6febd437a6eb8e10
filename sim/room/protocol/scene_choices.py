"""What a person may choose for a scene, as a page is told it."""

from __future__ import annotations

from typing import NotRequired

from pydantic import JsonValue
from typing_extensions import TypedDict


class FieldChoice(TypedDict):
    """What a person may set under one key: `low`, `high` and `step` in `unit`; `kind` of the input, if no choice."""

    key: str
    label: str
    description: str
    unit: str
    example: str | float | bool | None
    optional: bool
    choices: NotRequired[list[str]]
    kind: NotRequired[str]
    low: NotRequired[float | None]
    high: NotRequired[float | None]
    step: NotRequired[float]


class KindChoice(TypedDict):
    """One kind of a block, with its fields."""

    kind: str
    title: str
    description: str
    fields: list[FieldChoice]


class GelChoice(TypedDict):
    """A gel as the scene file writes it."""

    title: str
    gel: dict[str, JsonValue]


class FixedChoices(TypedDict):
    """What can be chosen in every scene."""

    modifier_kinds: list[KindChoice]
    source_kinds: list[KindChoice]
    panel_kinds: list[KindChoice]
    backdrop_kinds: list[KindChoice]
    camera: list[FieldChoice]
    sitter: list[FieldChoice]
    room: list[FieldChoice]
    grids: list[str]
    gels: list[GelChoice]
    powers: list[str]
    apertures: list[str]
    shutters: list[str]
    film_speeds: list[int]
    stands: list[str]
    aim_parts: list[str]
    focus_parts: list[str]
    meter_kinds: list[str]
    facing_words: list[str]


class SceneChoices(FixedChoices):
    """The same, with the fields of the present backdrop."""

    backdrop: list[FieldChoice]
