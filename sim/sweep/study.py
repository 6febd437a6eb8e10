"""The study file: a base scene, its axes, what to keep and what to rank by; every fault is one line with its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag

from sim.advice.balance import Wish, wishes_from_texts
from sim.metering.report_points import KEY_CHEEK, POINTS, SHADOW_CHEEK, point_from_text
from sim.quantities.errors import SceneError, UnitError, quoted
from sim.reports.preview import QUALITIES
from sim.reports.preview.quality import LEAST_SAMPLES, MOST_SAMPLES, MOST_SEED, SHORTEST_PX
from sim.scene.edit import SceneText, path_from_text, scene_text_from_file
from sim.scene.model.block import Block, BlockFault
from sim.scene.model.fields import Number, Value
from sim.scene.model.words import Choice, FileName, Text
from sim.scene.read import Lines, block_from_file, key_text
from sim.session import size_from_long_side
from sim.studio.layout import Layout, layout_from_scene
from sim.sweep.amounts import values_of_range
from sim.sweep.axes import Axis, AxisValue, axis_value, require_apart
from sim.sweep.conditions import Condition, condition_from_text

KEEPS = ("pictures", "layers", "readings", "checks")
MOST_AXES, MOST_VALUES = 12, 1000
NAME_FORM = re.compile(r"[a-z][a-z0-9 _-]{0,39}")
WHERE_KEYS = ("axes", "only", "skip")

Place = tuple[str | int, ...]


@dataclass(frozen=True)
class _Plain(Value):
    """Any value of a scene file: text, number, switch, list or block."""

    def read(self, value: object) -> Any:
        return value


@dataclass(frozen=True)
class _Values(Value):
    """The values of an axis: a list with at least one."""

    def read(self, value: object) -> Any:
        if not isinstance(value, list):
            raise UnitError(f"got {quoted(value)}", "a list of values", "write [1.4 m, 1.8 m]")
        if not 1 <= len(value) <= MOST_VALUES:
            raise UnitError(f"got {len(value)} values", f"1 to {MOST_VALUES}", "write [1.4 m, 1.8 m]")
        return tuple(value)


Anything = Annotated[Any, _Plain()]


class RangeBlock(Block):
    """Values at even distances."""

    start: Anything = Field(alias="from", description="The first value, with its unit.", examples=["1.4 m"])
    end: Anything = Field(alias="to", description="The last value, with its unit.", examples=["2.4 m"])
    step: Anything = Field(default=None, description="From one to the next.", examples=["20 cm"])
    count: Annotated[int, Number("how many values", 2, MOST_VALUES, True, "5")] | None = Field(
        default=None, description="How many values, in place of a step.", examples=[5]
    )


class AxisBlock(Block):
    """What is varied: a key of the scene and its values."""

    key: Annotated[str, Text("a key path")] = Field(
        description="Key path in the scene; a light's name may stand for lights.", examples=["key.modifier"]
    )
    name: Annotated[str, Text("a name", 40)] | None = Field(
        default=None, description="What the table calls it; default: the key.", examples=["key box"]
    )
    values: Annotated[Any, _Values()] = Field(default=None, description="The values.", examples=[["1/4", "1/8"]])
    range: RangeBlock | None = Field(default=None, description="Values at even distances, in place of a list.")


class TogetherBlock(Block):
    """Axes that go through their values together, the first with the first, and so on."""

    together: tuple[AxisBlock, ...] = Field(
        max_length=MOST_AXES, description="Two or more axes of as many values each."
    )


def _axis_kind(value: Any) -> str:
    is_group = isinstance(value, TogetherBlock) or (isinstance(value, dict) and "together" in value)
    return "together" if is_group else "axis"


AnyAxis = Annotated[
    Annotated[AxisBlock, Tag("axis")] | Annotated[TogetherBlock, Tag("together")], Discriminator(_axis_kind)
]


class WantedBlock(Block):
    """What the variations are ranked by: wishes as in a balance."""

    reference: Annotated[str, Text("a meter point")] = Field(
        default="face", description='The point that stops are counted from, or "camera".', examples=["face"]
    )
    wishes: tuple[Annotated[str, Text("a wish")], ...] = Field(
        max_length=32, description="Wanted readings.", examples=[["face=f/8", "backdrop=-3"]]
    )


class StudyBlock(Block):
    """A study file."""

    halfstop_study: Annotated[int, Number("the version of the format", 1, 1, True, "1")] = Field(
        description="Version of this format: 1.", examples=[1]
    )
    title: Annotated[str, Text("a title")] = Field(description="A line for the tables.", examples=["Which box"])
    scene: Annotated[str, FileName((".yaml", ".yml"))] = Field(
        description="The base scene, from this file's folder.", examples=["../recital.yaml"]
    )
    axes: tuple[AnyAxis, ...] = Field(
        max_length=MOST_AXES, description="What is varied; axes are crossed.",
        examples=[[{"key": "key.power", "values": ["1/4", "1/8"]}]],
    )  # fmt: skip
    only: tuple[Annotated[str, Text("a condition")], ...] = Field(
        default=(), max_length=50, description="Conditions that must all hold.", examples=[["head turn >= 0°"]]
    )
    skip: tuple[Annotated[str, Text("a condition")], ...] = Field(
        default=(), max_length=50, description="Conditions of which none may hold.", examples=[["distance > 2 m"]]
    )
    keep: tuple[Annotated[str, Choice("what to keep", KEEPS)], ...] = Field(
        default=("pictures", "readings", "checks"), max_length=4, description="What is kept.",
        examples=[["pictures", "readings"]],
    )  # fmt: skip
    quality: Annotated[str, Choice("a quality", tuple(QUALITIES))] = Field(
        default="draft", description="How fine the pictures and meters are.", examples=["draft"]
    )
    size_px: Annotated[int, Number("the long side in pixels", SHORTEST_PX, 4000, True, "600")] | None = Field(
        default=None, alias="size", description="Long side of the pictures; default: the quality's.", examples=[600]
    )
    samples: Annotated[int, Number("rays per pixel", LEAST_SAMPLES, MOST_SAMPLES, True, "8")] | None = Field(
        default=None, description="Rays per pixel; default: the quality's.", examples=[16]
    )
    seed: Annotated[int, Number("the seed", 0, MOST_SEED, True, "0")] = Field(
        default=0, description="The same seed gives the same results.", examples=[0]
    )
    wanted: WantedBlock | None = Field(default=None, description="What the variations are ranked by.")


@dataclass(frozen=True)
class Study:
    """A checked study.

    `groups` of axes: groups are crossed, axes of a group go together. `size` (width, height) in pixels.
    """

    path: Path
    title: str
    base: SceneText
    groups: tuple[tuple[Axis, ...], ...]
    only: tuple[Condition, ...]
    skip: tuple[Condition, ...]
    keep: frozenset[str]
    quality: str
    size: tuple[int, int]
    samples: int
    seed: int
    wishes: tuple[Wish, ...]
    reference: str
    lines: Lines

    @property
    def axes(self) -> tuple[Axis, ...]:
        """All axes in order."""
        return tuple(axis for group in self.groups for axis in group)

    def fault(self, place: Place, error: UnitError) -> SceneError:
        """The error of something at a place of the study file."""
        return SceneError(str(self.path), self.lines.of(place), key_text(place), error.what, error.expected, error.cure)


def load_study(path: str | Path) -> Study:
    """Read and check a study file; raises `SceneError` for every fault of it, or of its base scene."""
    path = Path(path)
    if path.is_dir() or not path.exists():
        what = "this is a folder" if path.is_dir() else "there is no such file"
        cure = 'check the name, for example "scenes/studies/modifiers.yaml"'
        raise SceneError(str(path), 1, "", what, "a study file", cure)
    try:
        block, lines = block_from_file(StudyBlock, path, "a study file")
    except SceneError as fault:
        # A text with no keys at all: say how a study begins, not a scene.
        if fault.cure != 'begin with "halfstop: 1"':
            raise
        cure = 'begin with "halfstop_study: 1"'
        raise SceneError(str(path), fault.line, "", fault.what, "a study file", cure) from None

    def checked(place: Place, work: Callable[..., Any], *given: Any) -> Any:
        try:
            return work(*given)
        except BlockFault as error:
            where = (*place, *error.where)
            raise SceneError(
                str(path), lines.of(where), key_text(where), error.what, error.expected, error.cure
            ) from None
        except UnitError as error:
            raise SceneError(
                str(path), lines.of(place), key_text(place), error.what, error.expected, error.cure
            ) from None

    scene_path = path.parent / block.scene
    if not scene_path.is_file():
        what = f"there is no file {quoted(block.scene)}"
        cure = "correct the name, or put the file there"
        raise SceneError(str(path), lines.of(("scene",)), "scene", what, "a scene file", cure)
    base = scene_text_from_file(scene_path)
    layout = layout_from_scene(base.scene, scene_path.parent)

    for name, items in (("axes", block.axes), ("keep", block.keep)):
        checked((name,), _require_some, items)
    groups = []
    for index, item in enumerate(block.axes):
        place: Place = ("axes", index)
        if isinstance(item, TogetherBlock):
            members = [
                _axis(one, base, (*place, "together", number), checked) for number, one in enumerate(item.together)
            ]
            checked((*place, "together"), _require_as_many, members)
            groups.append(tuple(members))
        else:
            groups.append((_axis(item, base, place, checked),))
    axes = tuple(axis for group in groups for axis in group)
    for count, axis in enumerate(axes):
        checked(axis.place, require_apart, axes[: count + 1])
    only, skip = (
        tuple(checked((name, i), condition_from_text, text, axes, (name, i)) for i, text in enumerate(lines_of))
        for name, lines_of in (("only", block.only), ("skip", block.skip))
    )
    quality = QUALITIES[block.quality]
    size = size_from_long_side(block.size_px or quality.long_side_px, layout.camera.aspect)
    if min(size) < SHORTEST_PX:
        what, cure = f"the pictures would be {size[0]} x {size[1]} pixels", 'write "size: 24" or more'
        checked(("size",), _refuse, what, f"sides of {SHORTEST_PX} pixels or more", cure)
    reference, wishes = _wanted(block.wanted, base, layout, "readings" in block.keep, checked)
    return Study(
        path=path, title=block.title, base=base, groups=tuple(groups), only=only, skip=skip,
        keep=frozenset(block.keep), quality=block.quality, size=size, samples=block.samples or quality.samples,
        seed=block.seed, wishes=wishes, reference=reference, lines=lines,
    )  # fmt: skip


def _axis(block: AxisBlock, base: SceneText, place: Place, checked: Callable[..., Any]) -> Axis:
    path = checked((*place, "key"), path_from_text, base.scene, block.key)
    if path[0] in ("title", "halfstop"):
        what = f"{quoted(block.key)} changes no light"
        checked((*place, "key"), _refuse, what, "a key that the light depends on", 'write "key.power"')
    name = block.name or block.key.strip()
    if block.name is not None and not (NAME_FORM.fullmatch(name) and not re.search(r"\b(and|or|is)\b", name)):
        expected = 'small letters, digits, spaces, - or _, without "and", "or", "is"'
        checked((*place, "name"), _refuse, f"got the name {quoted(name)}", expected, 'write "key distance"')
    if (block.values is None) == (block.range is None):
        what = "this axis has no values" if block.values is None else "this axis has both a list and a range"
        cure = 'add "values: [1/4, 1/8]"' if block.values is None else "remove one of them"
        checked(place, _refuse, what, "values or range, one of them", cure)
    if block.range is not None:
        values = checked((*place, "range"), _values_of, block.range)
        places = [(*place, "range")] * len(values)
    else:
        values = list(block.values)
        places = [(*place, "values", index) for index in range(len(values))]
    found: list[AxisValue] = []
    for value, where in zip(values, places, strict=True):
        item = checked(where, axis_value, path, value, where)
        if item.text in [other.text for other in found]:
            what = f"the value {quoted(item.text)} stands here twice"
            checked(where, _refuse, what, "every value once", "remove one of them")
        found.append(item)
    return Axis(name, path, tuple(found), place)


def _values_of(block: RangeBlock | None) -> list[Any]:
    assert block is not None
    if (block.step is None) == (block.count is None):
        what = "the range has no step" if block.step is None else "the range has both a step and a count"
        raise UnitError(what, "step or count, one of them", 'write "{from: 1.4 m, to: 2 m, step: 20 cm}"')
    return values_of_range(block.start, block.end, block.step, block.count)


def _require_some(items: Sequence[Any]) -> None:
    if not items:
        raise UnitError("nothing is written here", "one or more", "add one")


def _require_as_many(axes: list[Axis]) -> None:
    if len(axes) < 2:
        raise UnitError("one axis alone", "two or more that go together", "add another, or write it without together")
    counts = [len(axis.values) for axis in axes]
    if len(set(counts)) > 1:
        told = ", ".join(f"{axis.name} has {len(axis.values)}" for axis in axes)
        raise UnitError(f"axes that go together differ: {told}", "as many values in each", "add or remove values")


def _wanted(
    block: WantedBlock | None, base: SceneText, layout: Layout, keeps_readings: bool, checked: Callable[..., Any]
) -> tuple[str, tuple[Wish, ...]]:
    if block is None:
        return "face", ()
    if not keeps_readings:
        checked(("keep",), _refuse, "wishes are ranked by readings", "readings among what is kept", 'add "readings"')
    known = [name for name, part in POINTS.items() if part in layout.anchors_m]
    own = [name for name, meter in base.scene.meters.items() if meter.kind != "spot"]
    names = [KEY_CHEEK, SHADOW_CHEEK, *known, *own]
    reference = block.reference
    if reference != "camera":
        reference = checked(("wanted", "reference"), point_from_text, block.reference, names)
    for index, text in enumerate(block.wishes):
        checked(("wanted", "wishes", index), wishes_from_texts, [text], names, reference)
    wishes = checked(("wanted", "wishes"), wishes_from_texts, block.wishes, names, reference)
    return reference, tuple(wishes)


def _refuse(what: str, expected: str, cure: str) -> None:
    raise UnitError(what, expected, cure)
