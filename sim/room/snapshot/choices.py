"""What a person may choose for a scene, read from the model: kinds with their fields, units, examples, words."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import get_args

from pydantic.fields import FieldInfo

from sim.quantities import units
from sim.room.protocol.scene_choices import FieldChoice, FixedChoices, KindChoice
from sim.room.protocol.scene_view import JsonBlock
from sim.scene import model
from sim.scene.model.block import Block
from sim.scene.model.fields import Measured, Number, Value
from sim.scene.model.lights import FACING_WORDS
from sim.scene.model.places import PARTS, SITTER_PARTS
from sim.scene.model.words import Choice, FileName, HexColor, Switch, Text

MODIFIERS: tuple[type[Block], ...] = (
    model.BareBulb, model.Reflector, model.Snoot, model.BeautyDish, model.Softbox, model.Strip, model.Octabox,
    model.Umbrella, model.ShootThrough, model.CoveredUmbrella, model.Spot,
)  # fmt: skip
SOURCES: tuple[type[Block], ...] = (
    model.FlashSource, model.ContinuousSource, model.MeasuredSource, model.GuideNumberSource, model.IesSource,
)  # fmt: skip
PANELS: tuple[type[Block], ...] = (model.Flag, model.BouncePanel, model.Scrim, model.VFlat)
BACKDROPS: tuple[type[Block], ...] = tuple(get_args(get_args(model.Backdrop)[0]))
# Settings that heads, grids and gels come in: common practice, no source.
POWERS = ("1/1", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64", "1/128")
GRIDS = ("5°", "10°", "20°", "30°", "40°", "50°")
APERTURES = ("f/1.4", "f/2", "f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16", "f/22")
SHUTTERS = ("1/30 s", "1/60 s", "1/100 s", "1/125 s", "1/160 s", "1/200 s", "1/250 s")
FILM_SPEEDS = (50, 100, 200, 400, 800, 1600, 3200)
GELS: tuple[tuple[str, JsonBlock], ...] = (
    ("warmer by a quarter", {"mired": 42}), ("warmer by a half", {"mired": 81}),
    ("lamp light from daylight", {"mired": 159}), ("cooler by a quarter", {"mired": -30}),
    ("cooler by a half", {"mired": -68}), ("daylight from lamp light", {"mired": -131}),
    ("grey, 1 stop", {"nd": "1 stop"}), ("grey, 2 stops", {"nd": "2 stops"}), ("grey, 3 stops", {"nd": "3 stops"}),
    ("amber", {"color": "#ffb347"}), ("red", {"color": "#e8402a"}), ("blue", {"color": "#3f6fe8"}),
    ("teal", {"color": "#2fa8a0"}), ("magenta", {"color": "#c64fb4"}),
)  # fmt: skip
# Lengths of these keys are said in centimetres or millimetres, all others in metres.
SMALL_UNITS = {"focal_length": "mm", "sensor.width": "mm", "sensor.height": "mm"}
# These are shown on the sheet and have fields of their own.
PLACES = ("place", "aim", "step")
LONG_KEYS = ("at", "distance", "stature", "guide_number", "bottom", "focus")


@cache
def choices() -> FixedChoices:
    """Everything that can be chosen, as plain data; the same object every time."""
    return {
        "modifier_kinds": [kind_from_block(kind) for kind in MODIFIERS],
        "source_kinds": [kind_from_block(kind) for kind in SOURCES],
        "panel_kinds": [kind_from_block(kind) for kind in PANELS],
        "backdrop_kinds": [kind_from_block(kind) for kind in BACKDROPS],
        "camera": fields_from_block(model.Camera),
        "sitter": fields_from_block(model.Sitter),
        "room": fields_from_block(model.Room),
        "grids": list(GRIDS),
        "gels": [{"title": title, "gel": gel} for title, gel in GELS],
        "powers": list(POWERS),
        "apertures": list(APERTURES),
        "shutters": list(SHUTTERS),
        "film_speeds": list(FILM_SPEEDS),
        "stands": ["floor", "boom", "none"],
        "aim_parts": list(PARTS),
        "focus_parts": list(SITTER_PARTS),
        "meter_kinds": ["dome", "flat", "spot"],
        "facing_words": list(FACING_WORDS),
    }


def kind_from_block(block: type[Block]) -> KindChoice:
    """One kind of a block with its fields."""
    kind = str(get_args(block.model_fields["kind"].annotation)[0])
    about = (block.model_fields["kind"].description or "").rstrip(".")
    return {
        "kind": kind,
        "title": kind[:1].upper() + kind[1:],
        "description": about,
        "fields": fields_from_block(block),
    }


@cache
def _fields(block: type[Block]) -> tuple[tuple[str, FieldInfo], ...]:
    return tuple((field.alias or name, field) for name, field in block.model_fields.items() if name != "kind")


def fields_from_block(block: type[Block], lead: str = "", words: str = "") -> list[FieldChoice]:
    """What a person may set in a block, blocks inside it by keys with dots."""
    fields: list[FieldChoice] = []
    for alias, field in _fields(block):
        if alias in PLACES:
            continue
        key = f"{lead}{alias}"
        label = f"{words}{alias.replace('_', ' ').replace('color', 'colour')}"
        values = list(_values(field))
        inner = next((value for value in values if isinstance(value, type)), None)
        plain = [value for value in values if isinstance(value, Value)]
        if inner is not None and not plain:
            fields += fields_from_block(inner, f"{key}.", "" if alias == "size" else f"{label} ")
            continue
        if plain:
            fields.append(_described(key, label, field, plain))
    return fields


def _values(field: FieldInfo) -> Iterator[Value | type[Block]]:
    """The checks of a field that a person can answer in a line, and the blocks it may hold."""
    waiting: list[object] = [*field.metadata, field.annotation]
    while waiting:
        part = waiting.pop(0)
        if isinstance(part, Value) or (isinstance(part, type) and issubclass(part, Block)):
            yield part
            continue
        waiting += [*getattr(part, "__metadata__", ()), *get_args(part)]


def _described(key: str, label: str, field: FieldInfo, plain: list[Value]) -> FieldChoice:
    example = field.examples[0] if field.examples else None
    about: FieldChoice = {
        "key": key,
        "label": label[:1].upper() + label[1:],
        "description": (field.description or "").rstrip("."),
        "unit": "",
        "example": example if isinstance(example, (str, int, float, bool)) else None,
        "optional": not field.is_required(),
    }
    for value in plain:
        match value:
            case Choice():
                about["choices"] = list(value.names)
            case Switch():
                about["kind"] = "switch"
            case HexColor():
                about.setdefault("kind", "colour")
            case Text() | FileName():
                about.setdefault("kind", "text")
            case Measured():
                about = _measured(about, key, value)
            case Number():
                step = 1 if value.whole else 0.01
                about = {**about, "kind": "number", "low": value.low, "high": value.high, "step": step}
    return about


def _measured(about: FieldChoice, key: str, value: Measured) -> FieldChoice:
    unit, factor = value.quantity.unit, 1.0
    if value.quantity is units.LENGTH:
        last = key.rsplit(".", 1)[-1]
        unit = SMALL_UNITS.get(key, "m" if last in LONG_KEYS or value.high > 6.0 else "cm")
        factor = value.quantity.units[unit]
    if value.quantity in (units.DIAL, units.F_NUMBER, units.TIME):
        # These have forms of their own, such as 1/4 or f/5.6 1/3.
        return {**about, "unit": "", "kind": "text"}
    steps = {"°": 1.0, "m": 0.05, "cm": 1.0, "mm": 1.0, "K": 100.0, "stops": 0.1}
    return {
        **about, "unit": unit, "kind": "measure", "low": round(value.low / factor, 6),
        "high": round(value.high / factor, 6), "step": steps.get(unit, 1.0),
    }  # fmt: skip
