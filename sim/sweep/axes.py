"""Axes of a study: what is varied, which values it takes, and how axes combine."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.quantities.errors import UnitError, quoted
from sim.scene.edit import KeyPath, flow_text, modifier_from_text
from sim.sweep.amounts import Amount, amount_from_value


@dataclass(frozen=True)
class AxisValue:
    """One value of an axis: `text` as it is written, `value` in YAML form, `amount` where it is a number."""

    text: str
    value: object
    amount: Amount | None
    place: tuple[str | int, ...]


@dataclass(frozen=True)
class Axis:
    """One thing that is varied: its `name` in the table, the key `path` in the scene, and its `values`.

    `place` leads to the axis in the study file.
    """

    name: str
    path: KeyPath
    values: tuple[AxisValue, ...]
    place: tuple[str | int, ...]

    @property
    def unit(self) -> str | None:
        """The unit of the values as numbers, None where they are words or of several kinds."""
        units = {value.amount.unit if value.amount else None for value in self.values}
        return units.pop() if len(units) == 1 else None


def axis_value(path: KeyPath, value: object, place: tuple[str | int, ...]) -> AxisValue:
    """A value of an axis from what stands in the study file.

    A modifier may be given in a few words; what the scene cannot hold is found later. Raises `UnitError`.
    """
    text = value if isinstance(value, str) else flow_text(value)
    if path[-1] == "modifier" and isinstance(value, str):
        value = modifier_from_text(value)
    return AxisValue(" ".join(text.split()), value, amount_from_value(value), place)


def combinations(groups: Sequence[Sequence[Axis]]) -> Iterator[tuple[AxisValue, ...]]:
    """Every combination of values, one for each axis in order: groups are crossed, axes of a group go together."""
    rows = [list(zip(*(axis.values for axis in group), strict=True)) for group in groups]
    for combination in itertools.product(*rows):
        yield tuple(value for row in combination for value in row)


def count_of_combinations(groups: Sequence[Sequence[Axis]]) -> int:
    """How many combinations there are."""
    count = 1
    for group in groups:
        count *= len(group[0].values)
    return count


def changes_from_values(axes: Sequence[Axis], values: Sequence[AxisValue]) -> dict[KeyPath, object]:
    """The scene's new values by key path, whole blocks before what is inside them."""
    pairs = [(axis.path, value.value) for axis, value in zip(axes, values, strict=True)]
    return dict(sorted(pairs, key=lambda pair: len(pair[0])))


def require_apart(axes: Sequence[Axis]) -> None:
    """Refuse two axes of one name, or of one key; raises `UnitError`."""
    names: set[str] = set()
    paths: set[KeyPath] = set()
    for axis in axes:
        if axis.name in names or axis.path in paths:
            what = f"the axis {quoted(axis.name)} stands here twice"
            raise UnitError(what, "every axis once", 'remove one, or give it a "name" of its own')
        names.add(axis.name)
        paths.add(axis.path)
