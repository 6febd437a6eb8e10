"""The smallest pieces of a scene: one checked value each, with its range, its plain message and its schema."""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sim import units
from sim.errors import UnitError, quoted

NO_LIMIT = math.inf


class Block(BaseModel):
    """A block of keys in the scene file: frozen, unknown keys forbidden, YAML keys as aliases."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        validate_by_name=True,
        validate_by_alias=True,
        serialize_by_alias=False,
        use_attribute_docstrings=False,
        field_title_generator=lambda name, info: (info.alias or name).replace("_", " ").capitalize(),
    )


class BlockFault(UnitError):
    """A fault between several values of a block: a `UnitError` with the keys that lead to the offender."""

    def __init__(self, where: Sequence[str | int], what: str, expected: str = "", cure: str = "") -> None:
        super().__init__(what, expected, cure)
        self.where = tuple(where)


@dataclass(frozen=True)
class Value:
    """Base of the checked values: `read` turns YAML data into a Python value, `show` turns it back."""

    def read(self, value: object) -> Any:
        """Return the checked Python value or raise `UnitError`."""
        raise NotImplementedError

    def show(self, value: Any) -> Any:
        """Return the YAML form of a checked value."""
        return value

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of the YAML form."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self.show, when_used="json"),
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class Measured(Value):
    """A quantity with a unit between `low` and `high`, both in the unit of the field's name."""

    quantity: units.Quantity
    parse: Callable[[object], float]
    show_text: Callable[[float], str]
    low: float = -NO_LIMIT
    high: float = NO_LIMIT
    above_low: bool = False

    def read(self, value: object) -> float:
        number = self.parse(value)
        if number > self.high or number < self.low or (self.above_low and number == self.low):
            raise UnitError(f"got {quoted(value)}", self.range_text(), self._range_cure(number))
        return number

    def show(self, value: float) -> str:
        return self.show_text(value)

    def range_text(self) -> str:
        """The range in words, in the units of the scene file."""
        noun = self.quantity.name.split(" such as")[0]
        low, high = self.show_text(self.low), self.show_text(self.high)
        if self.high == NO_LIMIT:
            return f"{noun} above {low}" if self.above_low else f"{noun} of {low} or more"
        return f"{noun} above {low}, up to {high}" if self.above_low else f"{noun} from {low} to {high}"

    def _range_cure(self, number: float) -> str:
        if number <= self.low:
            if not self.above_low:
                return f'write "{self.show_text(self.low)}" or more'
            return f'write a positive one such as "{self.quantity.example}"'
        return f'write "{self.show_text(self.high)}" or less'

    def schema(self) -> dict[str, Any]:
        span = "" if self.low == -NO_LIMIT and self.high == NO_LIMIT else f" Range: {self.range_text()}."
        return {"type": "string", "pattern": _PATTERNS[self.quantity.unit],
                "x-quantity": self.quantity.name + span, "examples": [self.quantity.example]}



_NUMBER_START = r"^\s*[+\-−–]?[0-9.]"
_PATTERNS = {
    "m": _NUMBER_START + r".*(m|cm|mm|ft|foot|feet|in|inch|inches|['\"′″])\s*$",
    "W·s": _NUMBER_START + r".*(W[·⋅.*]?s|k?J)\s*$",
    "W": _NUMBER_START + r".*k?W\s*$",
    "lm": _NUMBER_START + r".*k?lm\s*$",
    "lm·s": _NUMBER_START + r".*lm[·⋅.*]?s\s*$",
    "lx": _NUMBER_START + r".*(k?lx|lux)\s*$",
    "cd/m²": _NUMBER_START + r".*cd/m(²|2|\^2)\s*$",
    "lm/W": _NUMBER_START + r".*lm/W\s*$",
    "°": _NUMBER_START + r".*(°|º|deg|degrees?)\s*$",
    "K": _NUMBER_START + r".*K\s*$",
    "stops": _NUMBER_START + r".*stops?\s*$",
    "s": _NUMBER_START + r".*(s|ms|sec)\s*$",
    "f/": r"^\s*[fF] ?/ ?[0-9]+(\.[0-9]+)?( [12]/[23]| and [0-9] tenths?)?\s*$",
}
_DIAL_PATTERN = r"^\s*(full|[0-9]+/[0-9]+|[0-9]+(\.[0-9]+)? ?%|[+\-−–]?[0-9.]+(/[0-9]+)? ?stops?)\s*$"


def _measured(quantity: units.Quantity, low: float, high: float, above_low: bool) -> Measured:
    return Measured(quantity, lambda value: units.measure_from_text(value, quantity),
                    lambda value: units.text_from_measure(value, quantity), low, high, above_low)


def length(low_m: float = 0.0, high_m: float = 100.0, above_low: bool = False) -> Measured:
    """A length in metres."""
    return Measured(units.LENGTH, units.length_m_from_text,
                    lambda value: units.text_from_measure(value, units.LENGTH), low_m, high_m, above_low)


def angle(low_deg: float, high_deg: float) -> Measured:
    """An angle in degrees."""
    return _measured(units.ANGLE, low_deg, high_deg, False)


def stops(low: float, high: float, above_low: bool = False) -> Measured:
    """A difference in stops."""
    return Measured(units.STOPS, units.stops_from_text,
                    lambda value: units.text_from_measure(value, units.STOPS), low, high, above_low)


def positive(quantity: units.Quantity, high: float) -> Measured:
    """A quantity above zero, up to `high` in its first unit."""
    return _measured(quantity, 0.0, high, True)


def span(quantity: units.Quantity, low: float, high: float) -> Measured:
    """A quantity from `low` to `high` in its first unit."""
    return _measured(quantity, low, high, False)


@dataclass(frozen=True)
class DialValue(Measured):
    """A power setting in stops relative to full, 0 or less."""

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": _DIAL_PATTERN, "x-quantity": self.quantity.name,
                "examples": ["1/4", "-2 stops", "full"]}


@dataclass(frozen=True)
class Number(Value):
    """A number without a unit from `low` to `high`; `whole` asks for an integer."""

    noun: str
    low: float
    high: float
    whole: bool = False
    example: str = "0.5"

    def read(self, value: object) -> float | int:
        kind = "a whole number" if self.whole else "a number without a unit"
        expected = f"{self.noun}: {kind} from {self.low:g} to {self.high:g}"
        good = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
        if not good or (self.whole and value != int(value)):  # type: ignore[arg-type, call-overload]
            percent = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?) ?%", value.strip()) if isinstance(value, str) else None
            inside = percent and not self.whole and self.low <= float(percent.group(1)) / 100 <= self.high
            example = units.shortest(float(percent.group(1)) / 100) if percent and inside else self.example
            raise UnitError(f"got {quoted(value)}", expected, f"write {example}")
        number = float(value)  # type: ignore[arg-type]
        if not self.low <= number <= self.high:
            raise UnitError(f"got {number:g}", expected, f"write {self.example}")
        return int(number) if self.whole else number

    def schema(self) -> dict[str, Any]:
        return {"type": "integer" if self.whole else "number", "minimum": self.low, "maximum": self.high,
                "examples": [int(self.example) if self.whole else float(self.example)]}


@dataclass(frozen=True)
class Choice(Value):
    """One of some words; American spelling of centre is taken as well."""

    noun: str
    names: tuple[str, ...]
    show_all: int = field(default=8)

    def read(self, value: object) -> str:
        if isinstance(value, str):
            word = " ".join(value.split()).replace("center", "centre")
            if word in self.names:
                return word
        raise UnitError(f"got {quoted(value)}", *choice_help(self.noun, value, self.names))

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "enum": list(self.names)}


def choice_help(noun: str, value: object, names: Sequence[str]) -> tuple[str, str]:
    """Return what was expected and a cure for a word that is none of `names`."""
    near = get_close_matches(value.lower(), names, 1, 0.6) if isinstance(value, str) else []
    listed = ", ".join(names)
    if isinstance(value, bool) and {"on", "off", "yes", "no"} & set(names):
        return f"{noun}: {listed}", "put the word in quotes"
    return f"{noun}: {listed}", f'write "{near[0]}"' if near else f'write one of them, such as "{names[0]}"'


@dataclass(frozen=True)
class Switch(Value):
    """True or false."""

    def read(self, value: object) -> bool:
        if isinstance(value, bool):
            return value
        word = value.strip().lower() if isinstance(value, str) else ""
        cure = {"on": "write true", "yes": "write true", "y": "write true"}.get(word, "write false")
        raise UnitError(f"got {quoted(value)}", "true or false, without quotes", cure)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Text(Value):
    """A line of text of 1 to `longest` characters."""

    noun: str
    longest: int = 200

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            cure = f'put it in quotes: "{value}"' if isinstance(value, (int, float)) else "write a line of text"
            raise UnitError(f"got {quoted(value)}", self.noun, cure)
        line = " ".join(value.split())
        if not line or len(line) > self.longest or not line.isprintable():
            raise UnitError(f"got {quoted(value)}", f"{self.noun} of 1 to {self.longest} printable characters",
                            "write a short line of text")
        return line

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


@dataclass(frozen=True)
class HexColor(Value):
    """A colour as `#rrggbb` (sRGB)."""

    def read(self, value: object) -> str:
        if isinstance(value, str) and re.fullmatch(r"#[0-9a-fA-F]{6}", value.strip()):
            return value.strip().lower()
        digits = re.fullmatch(r"#?([0-9a-fA-F]{3}|[0-9a-fA-F]{6})", value.strip()) if isinstance(value, str) else None
        code = digits.group(1) if digits else "24143a"
        code = "".join(2 * c for c in code) if len(code) == 3 else code
        hint = ' (in quotes, because YAML reads # as a comment)' if value is None else ""
        raise UnitError(f"got {quoted(value)}", "a colour such as \"#24143a\"", f'write "#{code}"{hint}')

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^#[0-9a-fA-F]{6}$", "examples": ["#24143a"]}


@dataclass(frozen=True)
class Name(Value):
    """A name in the scene: a small letter, then small letters, digits, spaces, - or _."""

    noun: str

    def read(self, value: object) -> str:
        if isinstance(value, str) and re.fullmatch(r"[a-z](?:[a-z0-9 _-]{0,30}[a-z0-9])?", value):
            return value
        low = re.sub(r"[^a-z0-9_-]+", " ", str(value).lower()).strip(" 0123456789_-")[:32].strip()
        expected = f"{self.noun}: a small letter first, then small letters, digits, spaces, - or _, 32 at most"
        raise UnitError(f"got the name {quoted(value)}", expected, f'write "{low or "key"}"')

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[a-z]([a-z0-9 _-]{0,30}[a-z0-9])?$"}


@dataclass(frozen=True)
class FileName(Value):
    """A file beside the scene; the loader resolves it against the scene's folder."""

    endings: tuple[str, ...]

    def read(self, value: object) -> str:
        if isinstance(value, str) and value.strip() and value.isprintable():
            if value.strip().lower().endswith(self.endings):
                return value.strip()
        return self._refuse(value)

    def _refuse(self, value: object) -> str:
        kinds = ", ".join(self.endings)
        raise UnitError(f"got {quoted(value)}", f"the name of a file that ends in {kinds}",
                        f'write a name such as "mine{self.endings[0]}"')

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "(?i)(" + "|".join(map(re.escape, self.endings)) + ")$"}


Reflectance = Annotated[float, Number("a diffuse reflectance", 0.0, 0.95)]
Efficiency = Annotated[float, Number("the share of the light that comes out", 0.01, 1.0)]
Dial = Annotated[float, DialValue(units.DIAL, units.dial_stops_from_text, units.text_from_dial_stops, -20.0, 0.0)]
Hex = Annotated[str, HexColor()]
Kelvin = Annotated[float, span(units.TEMPERATURE, 1000.0, 25000.0)]
Coordinate = Annotated[float, length(-100.0, 100.0)]
ISO = Annotated[float, Number("a film speed", 6, 409600, example="100")]
