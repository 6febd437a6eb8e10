"""Checked numbers of a scene: quantities with units, plain numbers, rows of them; each knows its range."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sim.quantities import units
from sim.quantities.errors import UnitError, quoted
from sim.quantities.plain import PlainDict, Tree
from sim.scene.model.block import BlockFault


@dataclass(frozen=True)
class Value:
    """Base of the checked values: `read` turns YAML data into a Python value, `show` turns it back."""

    def read(self, value: object) -> object:
        """Return the checked Python value or raise `UnitError`."""
        raise NotImplementedError

    def show(self, value: Tree) -> object:
        """Return the YAML form of a checked value."""
        return value

    def schema(self) -> PlainDict:
        """Return the JSON Schema of the YAML form."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self.show, when_used="json"),
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> PlainDict:
        return self.schema()


@dataclass(frozen=True)
class Measured(Value):
    """A quantity with a unit between `low` and `high`, both in the unit of the field's name."""

    quantity: units.Quantity
    parse: Callable[[object], float]
    show_text: Callable[[float], str]
    low: float
    high: float
    above_low: bool = False

    def read(self, value: object) -> float:
        number = self.parse(value) + 0.0
        if number < self.low or number > self.high or (self.above_low and number == self.low):
            raise UnitError(f"got {quoted(value)}", self.range_text(), self._cure(number))
        return number

    def show(self, value: float) -> str:
        return self.show_text(value)

    def range_text(self, whole: bool = False) -> str:
        """The range in words, in the units of the scene file; `whole` makes a sentence of it."""
        noun = self.quantity.name.split(" such as")[0]
        low, high = self.show_text(self.low), self.show_text(self.high)
        span = f"above {low}, up to {high}" if self.above_low else f"from {low} to {high}"
        return f"Range: {span}." if whole else f"{noun} {span}"

    def _cure(self, number: float) -> str:
        if number > self.high:
            return f'write "{self.show_text(self.high)}" or less'
        return f'write "{self.quantity.example}"' if self.above_low else f'write "{self.show_text(self.low)}" or more'

    def schema(self) -> PlainDict:
        return {"type": "string", "pattern": self.quantity.pattern}


def _measured(quantity: units.Quantity, low: float, high: float, above_low: bool) -> Measured:
    def parse(value: object) -> float:
        return units.measure_from_text(value, quantity)

    def show(value: float) -> str:
        return units.text_from_measure(value, quantity)

    return Measured(quantity, parse, show, low, high, above_low)


def length(low_m: float, high_m: float) -> Measured:
    """A length in metres."""
    return Measured(units.LENGTH, units.length_m_from_text, units.exact_text_from_length_m, low_m, high_m)


def angle(low_deg: float, high_deg: float) -> Measured:
    """An angle in degrees."""
    return _measured(units.ANGLE, low_deg, high_deg, False)


def stops(low: float, high: float, above_low: bool = False) -> Measured:
    """A difference in stops."""

    def show(value: float) -> str:
        return units.text_from_measure(value, units.STOPS)

    return Measured(units.STOPS, units.stops_from_text, show, low, high, above_low)


def aperture(low: float, high: float) -> Measured:
    """An f-number."""
    return Measured(units.F_NUMBER, units.f_number_from_text, units.text_from_f_number, low, high)


def shutter(low_s: float, high_s: float) -> Measured:
    """A shutter time in seconds."""
    return Measured(units.TIME, units.time_s_from_text, units.text_from_time_s, low_s, high_s)


def positive(quantity: units.Quantity, high: float) -> Measured:
    """A quantity above zero, up to `high` in its first unit."""
    return _measured(quantity, 0.0, high, True)


def between(quantity: units.Quantity, low: float, high: float) -> Measured:
    """A quantity from `low` to `high` in its first unit."""
    return _measured(quantity, low, high, False)


@dataclass(frozen=True)
class Number(Value):
    """A number without a unit from `low` to `high`; `whole` asks for an integer."""

    noun: str
    low: float
    high: float
    whole: bool = False
    example: str = "0.5"

    def read(self, value: object) -> float:
        kind = "a whole number" if self.whole else "a number without a unit"
        span = f"{kind} from {units.shortest(self.low)} to {units.shortest(self.high)}"
        expected = f"{self.noun}: {span if self.low < self.high else self.example}"
        number = float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else math.nan
        if not self.low <= number <= self.high or (self.whole and number != int(number)):
            raise UnitError(f"got {quoted(value)}", expected, f"write {self._near(value)}")
        return int(number) if self.whole else number + 0.0

    def _near(self, value: object) -> str:
        percent = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*%\s*", value) if isinstance(value, str) else None
        if percent and not self.whole and self.low <= float(percent.group(1)) / 100 <= self.high:
            return units.shortest(float(percent.group(1)) / 100)
        return self.example

    def schema(self) -> PlainDict:
        return {"type": "integer" if self.whole else "number", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class Row(Value):
    """A fixed number of values in square brackets, read as a tuple."""

    noun: str
    item: Value
    count: int
    example: str

    def read(self, value: object) -> tuple[object, ...]:
        if not isinstance(value, (list, tuple)) or len(value) != self.count:
            raise UnitError(f"got {quoted(value)}", self.noun, f"write {self.example}")
        row = []
        for place, entry in enumerate(value):
            try:
                row.append(self.item.read(entry))
            except UnitError as fault:
                raise BlockFault((place,), fault.what, fault.expected, fault.cure) from None
        return tuple(row)

    def show(self, value: tuple[object, ...]) -> list[object]:
        return [self.item.show(entry) for entry in value]

    def schema(self) -> PlainDict:
        return {"type": "array", "items": self.item.schema(), "minItems": self.count, "maxItems": self.count}


REFLECTANCE = Number("a diffuse reflectance", 0.0, 0.95)
Reflectance = Annotated[float, REFLECTANCE]
Share = Annotated[float, Number("a share of the light", 0.01, 1.0)]
Dial = Annotated[float, Measured(units.DIAL, units.dial_stops_from_text, units.text_from_dial_stops, -20.0, 0.0)]
Kelvin = Annotated[float, between(units.TEMPERATURE, 1000.0, 25000.0)]
FilmSpeed = Annotated[float, Number("a film speed (ISO)", 6, 409600, example="100")]
COORDINATE = length(-100.0, 100.0)
