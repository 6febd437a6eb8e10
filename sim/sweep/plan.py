"""The plan of a run as it lies in the folder: the study in plain data, and every variation's name and values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

from ruamel.yaml import YAML

from sim.scene.edit import flow_text
from sim.scene.light_words import modifier_words
from sim.sweep.amounts import amount_from_value
from sim.sweep.axes import Axis
from sim.sweep.setup import GroupRequest
from sim.sweep.study import Study
from sim.sweep.variations import Variation

FORMAT = 1


class BaseValue(TypedDict):
    """The base scene's own value of an axis, as text and number; None where the scene leaves it out."""

    base: str | None
    base_number: float | None


class AxisRecord(BaseValue):
    """An axis: its name in the table, its key, its unit and values as written."""

    name: str
    key: str
    unit: str | None
    values: list[str]


class WishRecord(TypedDict):
    """A wish: its point, and an f-number or stops."""

    text: str
    point: str
    f_number: float | None
    stops: float | None


class VariationRecord(TypedDict):
    """A variation: its id, its values as text and as numbers, and why it cannot stand, where it cannot."""

    id: str
    values: list[str]
    numbers: list[float | None]
    refused: NotRequired[str]


class StudyRecord(TypedDict):
    """A study and how it was made; `lights` and `points` by kind of reading stand in a table's metadata alone."""

    format: int
    program: str
    title: str
    study: str
    scene: str
    scene_title: str
    axes: list[AxisRecord]
    wishes: list[WishRecord]
    reference: str
    size: list[int]
    samples: int
    seed: int
    quality: str
    keep: list[str]
    made_by: list[str]
    lights: NotRequired[list[str]]
    points: NotRequired[dict[str, list[str]]]


class Plan(StudyRecord):
    """A study with every variation of it, in order."""

    variations: list[VariationRecord]


def plan_record(study: Study, request: GroupRequest, variations: Sequence[Variation]) -> Plan:
    """The plan of a run as plain data."""
    from sim import __version__

    return {
        "format": FORMAT,
        "program": f"halfstop {__version__}",
        "title": study.title,
        "study": study.path.name,
        "scene": study.base.path.name,
        "scene_title": study.base.scene.title,
        "axes": [_axis_record(study, axis) for axis in study.axes],
        "wishes": [
            {"text": wish.text, "point": wish.point, "f_number": wish.f_number, "stops": wish.stops}
            for wish in study.wishes
        ],
        "reference": study.reference,
        "size": list(request.size),
        "samples": request.samples,
        "seed": request.seed,
        "quality": study.quality,
        "keep": list(request.keep),
        "made_by": list(request.maker),
        "variations": [_variation_record(variation) for variation in variations],
    }


def _variation_record(variation: Variation) -> VariationRecord:
    record: VariationRecord = {
        "id": variation.id,
        "values": [value.text for value in variation.values],
        "numbers": [value.amount.number if value.amount else None for value in variation.values],
    }
    if variation.refused:
        record["refused"] = variation.refused
    return record


def _axis_record(study: Study, axis: Axis) -> AxisRecord:
    base = _base_value(study, axis)
    return {
        "name": axis.name,
        "key": ".".join(map(str, axis.path)),
        "unit": axis.unit,
        "values": [value.text for value in axis.values],
        "base": base["base"],
        "base_number": base["base_number"],
    }


def _base_value(study: Study, axis: Axis) -> BaseValue:
    value: object = YAML(typ="safe", pure=True).load(study.base.text.removeprefix("\ufeff"))
    for key in axis.path:
        if isinstance(value, dict):
            value = value.get(key)
        elif isinstance(value, list) and isinstance(key, int) and key < len(value):
            value = value[key]
        else:
            value = None
    if value is None:
        return {"base": None, "base_number": None}
    amount = amount_from_value(value)
    if axis.path[0] == "lights" and axis.path[-1] == "modifier":
        text = modifier_words(study.base.scene.lights[str(axis.path[1])])
    else:
        text = value if isinstance(value, str) else flow_text(value)
    return {"base": text, "base_number": amount.number if amount else None}
