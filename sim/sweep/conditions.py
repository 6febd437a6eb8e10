"""Conditions of a study: comparisons of axes with values or with each other, joined by `and` and `or`."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from sim.quantities.errors import UnitError, quoted
from sim.sweep.amounts import Amount, amount_from_value
from sim.sweep.axes import Axis, AxisValue

_SIGNS: dict[str, Callable[[float, float], bool]] = {
    "<=": operator.le, ">=": operator.ge, "!=": operator.ne, "is not": operator.ne, "<": operator.lt,
    ">": operator.gt, "=": operator.eq, "is": operator.eq,
}  # fmt: skip
_PATTERN = re.compile(r"\s*(<=|>=|!=|<|>|=|\bis not\b|\bis\b)\s*")
_FORM = 'a comparison such as "key distance < 2 m" or "head turn = 0°"'
# Numbers this near are the same: what text says in few digits.
SAME = 1e-9


@dataclass(frozen=True)
class ConditionTerm:
    """An axis against a value or another axis."""

    left: str
    sign: str
    right: str | None
    literal: str
    amount: Amount | None

    def holds(self, values: Mapping[str, AxisValue]) -> bool:
        """Whether it is true of one variation, by the values of its axes."""
        ours = values[self.left]
        text, amount = (values[self.right].text, values[self.right].amount) if self.right else (
            self.literal, self.amount
        )  # fmt: skip
        if ours.amount is None or amount is None:
            left, right = _plain(ours.text), _plain(text)
            return _SIGNS[self.sign](float(left > right) - float(left < right), 0.0)
        if ours.amount.unit != amount.unit:
            raise UnitError(
                f"{quoted(ours.text)} and {quoted(text)} cannot be compared", "two values of one kind",
                f"write a value in {ours.amount.unit or 'plain numbers'}",
            )  # fmt: skip
        diff = ours.amount.number - amount.number
        near = abs(diff) <= SAME * max(1.0, abs(amount.number))
        return _SIGNS[self.sign](0.0 if near else diff, 0.0)


@dataclass(frozen=True)
class Condition:
    """Comparisons: any of the rows holds when all of its comparisons do; `place` leads to it in the study file."""

    rows: tuple[tuple[ConditionTerm, ...], ...]
    place: tuple[str | int, ...]

    def holds(self, values: Mapping[str, AxisValue]) -> bool:
        """Whether it is true of one variation."""
        return any(all(comparison.holds(values) for comparison in row) for row in self.rows)


def condition_from_text(text: str, axes: Sequence[Axis], place: tuple[str | int, ...]) -> Condition:
    """A condition from `head turn > 10° and key distance < 2 m or ...`; `and` binds before `or`.

    An axis goes by its name or its key. Raises `UnitError`.
    """
    rows = [
        tuple(_comparison(part, axes) for part in re.split(r"\s+and\s+", line)) for line in re.split(r"\s+or\s+", text)
    ]
    return Condition(tuple(rows), place)


def _comparison(text: str, axes: Sequence[Axis]) -> ConditionTerm:
    parts = _PATTERN.split(text, maxsplit=1)
    if len(parts) != 3 or not parts[0].strip() or not parts[2].strip():
        raise UnitError(f"got {quoted(text)}", _FORM, f'write "{axes[0].name} = {axes[0].values[0].text}"')
    left, sign, right = (part.strip() for part in parts)
    names = {name: axis.name for axis in axes for name in (axis.name, ".".join(map(str, axis.path)))}
    if left not in names:
        known = ", ".join(axis.name for axis in axes)
        raise UnitError(f"there is no axis {quoted(left)}", f"one of {known}", f'write "{axes[0].name} {sign} {right}"')
    other = names.get(right)
    amount = amount_from_value(right)
    plain_number = re.fullmatch(r"[+-]?[0-9.]+", right)
    if plain_number:
        amount = Amount(float(right), "")
    ours = next(axis for axis in axes if axis.name == names[left])
    if other is None and sign in ("<", "<=", ">", ">="):
        if ours.unit is None:
            raise UnitError(f"{quoted(left)} has no order", "= or !=", f'write "{left} = {ours.values[0].text}"')
        if amount is None or amount.unit != ours.unit:
            raise UnitError(f"got {quoted(right)}", f"a value in {ours.unit or 'plain numbers'}", _written(ours, sign))
    if other is None and sign in ("=", "!=", "is", "is not"):
        _require_value(ours, right, amount)
    return ConditionTerm(names[left], sign, other, right, amount)


def _require_value(axis: Axis, right: str, amount: Amount | None) -> None:
    """Refuse a comparison with what the axis never is: most likely a slip."""
    if axis.unit is None and _plain(right) not in [_plain(value.text) for value in axis.values]:
        listed = ", ".join(value.text for value in axis.values)
        raise UnitError(f"{quoted(axis.name)} is never {quoted(right)}", f"one of {listed}", _written(axis, "="))
    if axis.unit is not None and (amount is None or amount.unit != axis.unit):
        raise UnitError(f"got {quoted(right)}", f"a value in {axis.unit or 'plain numbers'}", _written(axis, "="))


def _written(axis: Axis, sign: str) -> str:
    return f'write "{axis.name} {sign} {axis.values[0].text}"'


def _plain(text: str) -> str:
    return " ".join(text.lower().replace("×", "x").strip("\"'").split())
