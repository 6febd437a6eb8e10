"""Amounts of an axis: a value of the study as a number with its unit, and even ranges of such values."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from sim.quantities import units
from sim.quantities.errors import UnitError, quoted
from sim.quantities.units import Quantity

MOST_STEPS = 1000
# Quantities whose unit tells them apart, tried in this order.
_MEASURES = (
    units.LENGTH, units.ANGLE, units.ENERGY, units.POWER, units.FLUX, units.LIGHT, units.ILLUMINANCE, units.LUMINANCE,
    units.EFFICACY, units.TEMPERATURE,
)  # fmt: skip


@dataclass(frozen=True)
class Amount:
    """A number and its unit: m, °, W·s, W, lm, lm·s, lx, cd/m², lm/W, K, s, stops, f/, or "" for a plain number."""

    number: float
    unit: str


def amount_from_value(value: object) -> Amount | None:
    """The amount that a value of a scene file stands for, None for words, switches and blocks.

    A part of full power counts in stops under full.

    >>> amount_from_value("150 cm"), amount_from_value("1/4"), amount_from_value("softbox")
    (Amount(number=1.5, unit='m'), Amount(number=-2.0, unit='stops'), None)
    """
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        return None
    if not isinstance(value, str):
        return Amount(float(value), "") if math.isfinite(value) else None
    plain = units.clean(value)
    try:
        if re.match(r"[fF] ?/ ?[0-9]", plain):
            return Amount(units.f_number_from_text(plain), "f/")
        if plain == "full" or re.fullmatch(r"[0-9]+ ?/ ?[0-9]+|[0-9.]+ ?%", plain):
            return Amount(units.dial_stops_from_text(plain), "stops")
        if re.fullmatch(r".*[0-9] ?stops?", plain):
            return Amount(units.stops_from_text(plain), "stops")
        if re.fullmatch(r".*[0-9] ?(s|sec|ms)", plain):
            return Amount(units.time_s_from_text(plain), "s")
        if re.match(r"[0-9]+ ?(?:ft|foot|feet|') ?[0-9]", plain):
            return Amount(units.length_m_from_text(plain), "m")
    except UnitError:
        return None
    match = re.fullmatch(rf"{units.NUMBER} ?([^0-9\s+,-].*)", plain)
    quantity = next((q for q in _MEASURES if match and match.group(1) in q.units), None)
    return None if quantity is None else Amount(units.measure_from_text(plain, quantity), quantity.unit)


def values_of_range(start: object, end: object, step: object, count: int | None) -> list[object]:
    """Values from `start` to `end`, in the unit that `start` is written in; one of `step` and `count` is given.

    F-numbers and shutter times go in stops, all else in equal differences. `end` is one of the values where the steps
    meet it. Raises `UnitError` for ends of two kinds.

    >>> values_of_range("140 cm", "2 m", "20 cm", None)
    ['140 cm', '160 cm', '180 cm', '200 cm']
    >>> values_of_range("f/4", "f/8", "1 stop", None)
    ['f/4', 'f/5.6', 'f/8']
    >>> values_of_range("0°", "-30°", None, 3)
    ['0°', '-15°', '-30°']
    """
    low, high = _amount(start), _amount(end)
    if low.unit != high.unit:
        what = f"{quoted(start)} and {quoted(end)} are of two kinds"
        raise UnitError(what, "two values of one kind", f"write both ends in {low.unit or 'plain numbers'}")
    in_stops = low.unit in ("f/", "s")
    first, last = (_stops(low), _stops(high)) if in_stops else (low.number, high.number)
    places = _evenly(first, last, _step(step, low.unit, start) if step is not None else None, count)
    return [_written(place, low.unit, start) for place in places]


def _amount(value: object) -> Amount:
    amount = amount_from_value(value)
    if amount is None:
        raise UnitError(f"got {quoted(value)}", "an amount with its unit", 'write "1.4 m", or list the values')
    return amount


def _step(step: object, unit: str, start: object) -> float:
    amount = _amount(step)
    wanted = "stops" if unit in ("f/", "s") else unit
    if amount.unit != wanted or amount.number == 0:
        example = {"stops": "1/2 stop", "": "1"}.get(wanted, f"{_example(start)}")
        raise UnitError(f"got the step {quoted(step)}", f"a step in {wanted or 'plain numbers'}", f'write "{example}"')
    return abs(amount.number)


def _example(start: object) -> str:
    unit = re.sub(rf"^{units.NUMBER}", "", units.clean(str(start))).strip()
    return f"10{unit}" if unit in ("°", "'", '"') else f"10 {unit}"


def _evenly(first: float, last: float, step: float | None, count: int | None) -> list[float]:
    if step is not None:
        steps = math.floor(abs(last - first) / step + 1e-6)
        if steps >= MOST_STEPS:
            raise UnitError(f"the range takes {steps + 1} steps", f"at most {MOST_STEPS}", "make the step larger")
        return [first + math.copysign(step, last - first) * index for index in range(steps + 1)]
    assert count is not None
    return [first + (last - first) * index / max(1, count - 1) for index in range(count)]


def _stops(amount: Amount) -> float:
    return units.stops_from_f_number(amount.number) if amount.unit == "f/" else math.log2(amount.number)


def _written(place: float, unit: str, start: object) -> str | int | float:
    """A place of a range as the scene file has it."""
    if unit == "f/":
        return units.text_from_f_number(units.f_number_from_stops(_on_the_series(place)))
    if unit == "s":
        return _time_text(2.0**place)
    number = round(place, 9) + 0.0
    if unit == "stops" and not re.search(r"stops?$", str(start)):
        return units.text_from_dial_stops(number)
    if unit == "":
        whole = isinstance(start, int) and number == int(number)
        return int(number) if whole else number
    quantity = next((q for q in (*_MEASURES, units.STOPS) if q.unit == unit), units.LENGTH)
    match = re.fullmatch(rf"{units.NUMBER}( ?)([^0-9\s+,-].*)", units.clean(str(start)))
    if unit == "stops" or match is None:
        return units.text_from_measure(number, quantity)
    return f"{units.shortest(round(_in_unit(number, match.group(2), quantity), 9))}{match.group(1)}{match.group(2)}"


def _on_the_series(stops: float) -> float:
    """Stops at the very third or tenth that they are meant to be, so that the engraved f-number is found."""
    near = [round(parts * stops) / parts for parts in (3, 10)]
    return next((place for place in near if abs(place - stops) < 1e-6), stops)


def _in_unit(number: float, unit: str, quantity: Quantity) -> float:
    factor = quantity.units[unit]
    return number * round(1 / factor) if factor in (0.01, 0.001) else number / factor


def _time_text(time_s: float) -> str:
    inverse = round(1 / time_s) if time_s < 1 else 0
    exact = inverse and abs(1 / inverse - time_s) < 1e-9 * time_s
    return f"1/{inverse} s" if exact else f"{units.shortest(float(f'{time_s:.6g}'))} s"
