"""A checked study: a base scene, its axes, what to keep and what to rank by; every fault is one line with its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, ParamSpec, TypeVar

from sim.advice.balance import Wish, wishes_from_texts
from sim.metering.report_points import KEY_CHEEK, SHADOW_CHEEK, point_from_text, points_of_set
from sim.quantities.errors import SceneError, UnitError, quoted
from sim.quantities.open_file import UnreadableFile, open_file
from sim.reports.preview import QUALITIES
from sim.reports.preview.quality import SHORTEST_PX
from sim.scene.edit import SceneText, path_from_text, scene_text_from_file
from sim.scene.model.block import BlockFault
from sim.scene.read import MOST_BYTES, Lines, block_from_file, key_text
from sim.session import size_from_long_side
from sim.studio.layout import Layout, layout_from_scene
from sim.sweep.amounts import values_of_range
from sim.sweep.axes import Axis, AxisValue, axis_value, require_apart
from sim.sweep.conditions import Condition, condition_from_text
from sim.sweep.study_file import AxisBlock, AxisOrGroup, RangeBlock, StudyBlock, TogetherBlock, WantedBlock

NAME_FORM = re.compile(r"[a-z][a-z0-9 _-]{0,39}")

Place = tuple[str | int, ...]
Given = ParamSpec("Given")
Made = TypeVar("Made")


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
    places: _Places

    @property
    def axes(self) -> tuple[Axis, ...]:
        """All axes in order."""
        return tuple(axis for group in self.groups for axis in group)

    def fault(self, place: Place, error: UnitError) -> SceneError:
        """The error of something at a place of the study file."""
        return self.places.fault(place, error)


@dataclass(frozen=True)
class _Places:
    """Where the parts of a study file stand, so that a fault names its line."""

    path: Path
    lines: Lines

    def checked(self, place: Place, work: Callable[Given, Made], *given: Given.args, **named: Given.kwargs) -> Made:
        """What some work makes of a part of the file; its fault becomes one of that place."""
        try:
            return work(*given, **named)
        except BlockFault as error:
            raise self.fault((*place, *error.where), error) from None
        except UnitError as error:
            raise self.fault(place, error) from None

    def refuse(self, place: Place, what: str, expected: str, cure: str) -> NoReturn:
        """Raise the fault of a part of the file."""
        raise self.fault(place, UnitError(what, expected, cure))

    def fault(self, place: Place, error: UnitError) -> SceneError:
        """The error of something at a place."""
        return SceneError(str(self.path), self.lines.of(place), key_text(place), error.what, error.expected, error.cure)


def load_study(path: str | Path) -> Study:
    """Read and check a study file; raises `SceneError` for every fault of it, or of its base scene."""
    path = Path(path)
    block, places = _block_from_file(path)
    base = _base_scene(block, places)
    layout = layout_from_scene(base.scene, base.path.parent)
    for name, count in (("axes", len(block.axes)), ("keep", len(block.keep))):
        if not count:
            places.refuse((name,), "nothing is written here", "one or more", "add one")
    groups = tuple(_group(item, base, ("axes", index), places) for index, item in enumerate(block.axes))
    axes = [axis for group in groups for axis in group]
    for count, axis in enumerate(axes, start=1):
        places.checked(axis.place, require_apart, axes[:count])
    reference, wishes = _wanted(block.wanted, base, layout, "readings" in block.keep, places)
    return Study(
        path=path, title=block.title, base=base, groups=groups,
        only=_conditions("only", block.only, axes, places), skip=_conditions("skip", block.skip, axes, places),
        keep=frozenset(block.keep), quality=block.quality, size=_size(block, layout, places),
        samples=block.samples or QUALITIES[block.quality].samples, seed=block.seed, wishes=wishes,
        reference=reference, places=places,
    )  # fmt: skip


def _block_from_file(path: Path) -> tuple[StudyBlock, _Places]:
    """What the file holds, key by key."""
    try:
        open_file(path, MOST_BYTES).close()
    except UnreadableFile as error:
        cure = 'check the name, for example "scenes/studies/modifiers.yaml"'
        raise SceneError(str(path), 1, "", error.why, "a study file", cure) from None
    try:
        block, lines = block_from_file(StudyBlock, path, "a study file")
    except SceneError as fault:
        # A text with no keys at all: say how a study begins, not a scene.
        if fault.cure != 'begin with "halfstop: 1"':
            raise
        cure = 'begin with "halfstop_study: 1"'
        raise SceneError(str(path), fault.line, "", fault.what, "a study file", cure) from None
    return block, _Places(path, lines)


def _base_scene(block: StudyBlock, places: _Places) -> SceneText:
    """The scene that is varied."""
    path = places.path.parent / block.scene
    if not path.is_file():
        cure = "correct the name, or put the file there"
        places.refuse(("scene",), f"there is no file {quoted(block.scene)}", "a scene file", cure)
    return scene_text_from_file(path)


def _conditions(name: str, texts: Sequence[str], axes: Sequence[Axis], places: _Places) -> tuple[Condition, ...]:
    """The conditions of one of the file's lists."""
    return tuple(
        places.checked((name, index), condition_from_text, text, axes, (name, index))
        for index, text in enumerate(texts)
    )


def _size(block: StudyBlock, layout: Layout, places: _Places) -> tuple[int, int]:
    """Width and height of the pictures."""
    size = size_from_long_side(block.size_px or QUALITIES[block.quality].long_side_px, layout.camera.aspect)
    if min(size) < SHORTEST_PX:
        what, cure = f"the pictures would be {size[0]} x {size[1]} pixels", 'write "size: 24" or more'
        places.refuse(("size",), what, f"sides of {SHORTEST_PX} pixels or more", cure)
    return size


def _group(item: AxisOrGroup, base: SceneText, place: Place, places: _Places) -> tuple[Axis, ...]:
    """Axes that go together, most often one."""
    if not isinstance(item, TogetherBlock):
        return (_axis(item, base, place, places),)
    place = (*place, "together")
    axes = tuple(_axis(one, base, (*place, number), places) for number, one in enumerate(item.together))
    if len(axes) < 2:
        cure = "add another, or write it without together"
        places.refuse(place, "one axis alone", "two or more that go together", cure)
    if len({len(axis.values) for axis in axes}) > 1:
        counts = ", ".join(f"{axis.name} has {len(axis.values)}" for axis in axes)
        what = f"axes that go together differ: {counts}"
        places.refuse(place, what, "as many values in each", "add or remove values")
    return axes


def _axis(block: AxisBlock, base: SceneText, place: Place, places: _Places) -> Axis:
    path = places.checked((*place, "key"), path_from_text, base.scene, block.key)
    if path[0] in ("title", "halfstop"):
        what = f"{quoted(block.key)} changes no light"
        places.refuse((*place, "key"), what, "a key that the light depends on", 'write "key.power"')
    name = block.name or block.key.strip()
    if block.name is not None and not (NAME_FORM.fullmatch(name) and not re.search(r"\b(and|or|is)\b", name)):
        expected = 'small letters, digits, spaces, - or _, without "and", "or", "is"'
        places.refuse((*place, "name"), f"got the name {quoted(name)}", expected, 'write "key distance"')
    values: list[AxisValue] = []
    for value, where in _values(block, place, places):
        item = places.checked(where, axis_value, path, value, where)
        if item.text in [other.text for other in values]:
            what = f"the value {quoted(item.text)} stands here twice"
            places.refuse(where, what, "every value once", "remove one of them")
        values.append(item)
    return Axis(name, path, tuple(values), place)


def _values(block: AxisBlock, place: Place, places: _Places) -> list[tuple[object, Place]]:
    """Values as they are written, with the place of each."""
    if block.values is not None and block.range is None:
        return [(value, (*place, "values", index)) for index, value in enumerate(block.values)]
    if block.range is not None and block.values is None:
        where = (*place, "range")
        return [(value, where) for value in places.checked(where, _values_of, block.range)]
    what = "this axis has no values" if block.values is None else "this axis has both a list and a range"
    cure = 'add "values: [1/4, 1/8]"' if block.values is None else "remove one of them"
    places.refuse(place, what, "values or range, one of them", cure)


def _values_of(block: RangeBlock) -> Sequence[object]:
    if (block.step is None) == (block.count is None):
        what = "the range has no step" if block.step is None else "the range has both a step and a count"
        raise UnitError(what, "step or count, one of them", 'write "{from: 1.4 m, to: 2 m, step: 20 cm}"')
    return values_of_range(block.start, block.end, block.step, block.count)


def _wanted(
    block: WantedBlock | None, base: SceneText, layout: Layout, keeps_readings: bool, places: _Places
) -> tuple[str, tuple[Wish, ...]]:
    if block is None:
        return "face", ()
    if not keeps_readings:
        what, expected = "wishes are ranked by readings", "readings among what is kept"
        places.refuse(("keep",), what, expected, 'add "readings"')
    own = [name for name, meter in base.scene.meters.items() if meter.kind != "spot"]
    names = [KEY_CHEEK, SHADOW_CHEEK, *points_of_set(base.scene, layout), *own]
    reference = block.reference
    if reference != "camera":
        reference = places.checked(("wanted", "reference"), point_from_text, block.reference, names)
    for index, text in enumerate(block.wishes):
        places.checked(("wanted", "wishes", index), wishes_from_texts, [text], names, reference)
    wishes = places.checked(("wanted", "wishes"), wishes_from_texts, block.wishes, names, reference)
    return reference, tuple(wishes)
