"""Read and print the quantities that photographers write: `1.8 m`, `f/5.6 1/3`, `1/160 s`, `400 W·s`, `-25°`.

Every `*_from_text` takes a string with its unit and returns a float in the unit of its name; a bare number,
NaN, infinity or a wrong unit raises `UnitError` with an example of the right form. Every `text_from_*` prints
a form that reads back to the same value, unless it says that it rounds.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from sim.quantities.errors import UnitError, quoted

FOOT_M = 0.3048  # international foot, exact; [NISTSP811:2008] B.8
INCH_M = 0.0254  # international inch, exact; same source

DIGITS = r"([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?"
SIGN = r"[+\-\u2212\u2013]?"
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_LOOKALIKES = str.maketrans({
    "\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u22c5": "·", "\u2219": "·",
    "\u2022": "·", "\u00ba": "°", "\u2032": "'", "\u2019": "'", "\u2033": '"', "\u201d": '"',
})  # fmt: skip


@dataclass(frozen=True, eq=False)
class Quantity:
    """A kind of quantity: its name in a sentence, its units as factors of the first one, and an example."""

    name: str
    units: Mapping[str, float]
    example: str

    forms: str = ""

    @property
    def unit(self) -> str:
        """The unit that is printed and suggested."""
        return next(iter(self.units))

    @property
    def pattern(self) -> str:
        """A regular expression for editors that accepts the forms of this quantity."""
        plain = rf"{SIGN}{DIGITS}\s*({'|'.join(map(re.escape, self.units))})"
        return rf"^\s*({self.forms or plain})\s*$"


FEET_INCHES = r"[0-9]+ ?(ft|foot|feet|['\u2032]) ?[0-9]+(\.[0-9]+)? ?(in|inch|inches|[\x22\u2033])"
LENGTH = Quantity(
    "a length such as 1.8 m, 150 cm or 6 ft",
    {
        "m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M, "'": FOOT_M,
        "in": INCH_M, "inch": INCH_M, "inches": INCH_M, '"': INCH_M,
    },
    "1.8 m",
    rf"{FEET_INCHES}|{SIGN}{DIGITS}\s*(m|cm|mm|ft|foot|feet|in|inch|inches|['\x22\u2032\u2033])",
)  # fmt: skip
ENERGY = Quantity(
    "an energy such as 400 W·s (also written 400 Ws or 400 J)",
    {"W·s": 1.0, "Ws": 1.0, "W*s": 1.0, "W.s": 1.0, "J": 1.0, "kJ": 1000.0},
    "400 W·s",
)
POWER = Quantity("an electrical power such as 300 W", {"W": 1.0, "kW": 1000.0}, "300 W")
FLUX = Quantity("a luminous flux such as 8000 lm", {"lm": 1.0, "klm": 1000.0}, "8000 lm")
LIGHT = Quantity(
    "an amount of flash light such as 16000 lm·s",
    {"lm·s": 1.0, "lms": 1.0, "lm*s": 1.0, "lm.s": 1.0},
    "16000 lm·s",
)
ILLUMINANCE = Quantity("an illuminance such as 300 lx", {"lx": 1.0, "lux": 1.0, "klx": 1000.0}, "300 lx")
LUMINANCE = Quantity("a luminance such as 2000 cd/m²", {"cd/m²": 1.0, "cd/m2": 1.0, "cd/m^2": 1.0}, "2000 cd/m²")
EFFICACY = Quantity("a luminous efficacy such as 40 lm/W", {"lm/W": 1.0}, "40 lm/W")
ANGLE = Quantity("an angle such as 25°", {"°": 1.0, "deg": 1.0, "degree": 1.0, "degrees": 1.0}, "25°")
TEMPERATURE = Quantity("a colour temperature such as 5600 K", {"K": 1.0}, "5600 K")
STOPS = Quantity(
    "a number of stops such as 1.3 stops",
    {"stops": 1.0, "stop": 1.0},
    "1 stop",
    rf"{SIGN}([0-9]+/[0-9]+|{DIGITS})\s*stops?",
)
TIME = Quantity(
    "a time such as 1/160 s or 2 s",
    {"s": 1.0, "sec": 1.0, "ms": 0.001},
    "1/160 s",
    rf"([0-9]+/[0-9]+ ?(s|sec))|({DIGITS}\s*(s|sec|ms))",
)
F_NUMBER = Quantity(
    "an f-number such as f/8, f/5.6 1/3 or f/5.6 and 7 tenths",
    {"f/": 1.0},
    "f/8",
    r"[fF] ?/ ?[0-9]+(\.[0-9]+)?( (and )?(1/2|1/3|2/3)| and [0-9] tenths?)?",
)
DIAL = Quantity(
    "a part of full power such as 1/4, 25 %, -2 stops or 7 of 10",
    {"stops": 1.0},
    "1/4",
    rf"full|[0-9]+(\.[0-9]+)? of [0-9]+|[0-9]+/[0-9]+|[0-9]+(\.[0-9]+)? ?%|{SIGN}([0-9]+/[0-9]+|{DIGITS})\s*stops?",
)


def clean(text: str) -> str:
    """Return `text` with typographic minus signs, dots, primes and spaces made plain.

    >>> clean("\u221225\u00a0°")
    '-25 °'
    """
    return " ".join(text.translate(_LOOKALIKES).split())


def shortest(value: float) -> str:
    """Print a float in plain decimals, in the fewest digits that read back to the same value.

    >>> shortest(2.0), shortest(1e-05), shortest(0.1)
    ('2', '0.00001', '0.1')
    """
    digits = format(Decimal(repr(float(value) + 0.0)), "f")
    return digits.rstrip("0").rstrip(".") if "." in digits else digits


def refuse(got: object, quantity: Quantity, cure: str = "") -> UnitError:
    """Return the error for a value that is not of the given kind; the cure defaults to an example."""
    return UnitError(f"got {quoted(got)}", quantity.name, cure or f'write "{quantity.example}"')


def text_only(value: object, quantity: Quantity) -> str:
    """Return the cleaned text of a quantity, or raise `UnitError` for a bare number or any other thing.

    `value` is what stood in the file.
    """
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        right = _with_unit(value, quantity)
        raise UnitError(f"got the bare number {shortest(value)}", quantity.name, f'add the unit: write "{right}"')
    raise refuse(value, quantity)


def _with_unit(number: float, quantity: Quantity) -> str:
    # Guess what a photographer meant by a bare number.
    if quantity is F_NUMBER:
        return f"f/{shortest(abs(number))}"
    if quantity is TIME and number >= 10:
        return f"1/{round(number)} s"
    if quantity is DIAL:
        # Numbers of a head's own scale are no fractions.
        if 1 < number <= 10 and not math.log2(number).is_integer():
            return f"{shortest(number)} of 10"
        share = number if 0 < number < 1 else 1 / number if number >= 1 else 0.25
        return f"{shortest(number)} stops" if number < 0 else text_from_dial_stops(round(10 * math.log2(share)) / 10)
    if quantity is STOPS:
        return text_from_measure(float(number), STOPS)
    return _joined(shortest(number), quantity.unit)


def measure_from_text(text: object, quantity: Quantity) -> float:
    """Return the value of `number unit`, in the first unit of `quantity`; any finite value.

    >>> measure_from_text("1.2 kW", POWER)
    1200.0
    """
    plain = text_only(text, quantity)
    match = re.fullmatch(rf"({NUMBER}) ?([^0-9\s+,-].*)?", plain)
    if not match:
        comma = re.fullmatch(r"([+-]?[0-9]+),([0-9]+)( ?)(\D.*)", plain)
        if comma:
            whole, rest, _, unit = comma.groups()
            point = f"{whole}{rest}" if len(rest) == 3 else f"{whole}.{rest}"
            unit = unit if unit in quantity.units else quantity.unit
            raise refuse(text, quantity, f'write the number without a comma: "{_joined(point, unit)}"')
        raise refuse(text, quantity)
    number, unit = match.groups()
    value = float(number)
    if not math.isfinite(value):
        raise refuse(text, quantity)
    if unit is None:
        raise refuse(text, quantity, f'add the unit: write "{_joined(number, quantity.unit)}"')
    if unit not in quantity.units:
        near = next((u for u in quantity.units if u.lower() == unit.lower()), None)
        cure = f'write "{_joined(number, near)}"' if near else ""
        raise refuse(text, quantity, cure)
    factor = quantity.units[unit]
    # Divide by the inverse of small decimal factors: 150 cm is then exactly the float 1.5.
    scaled = value / round(1 / factor) if factor in (0.01, 0.001) else value * factor
    if not math.isfinite(scaled):
        raise refuse(text, quantity)
    return scaled


def length_m_from_text(text: object) -> float:
    """Return a length in metres from `1.8 m`, `150 cm`, `85 mm`, `6 ft`, `6 ft 2 in` or `5' 7"`.

    Source: foot and inch of [NISTSP811:2008].

    >>> length_m_from_text("6 ft 2 in")
    1.8796
    """
    if isinstance(text, str):
        both = re.fullmatch(r"([0-9]+) ?(?:ft|foot|feet|') ?([0-9]+(?:\.[0-9]+)?) ?(?:in|inch|inches|\")", clean(text))
        if both:
            inches = 12 * float(both.group(1)) + float(both.group(2))
            if math.isfinite(inches):
                return inches * INCH_M
    return measure_from_text(text, LENGTH)


def angle_deg_from_text(text: object) -> float:
    """Return an angle in degrees from `-25°` or `25 deg`.

    >>> angle_deg_from_text("-25°")
    -25.0
    """
    return measure_from_text(text, ANGLE)


def stops_from_text(text: object) -> float:
    """Return a number of stops from `1 stop`, `0.3 stop`, `1/10 stop` or `7 stops`.

    >>> stops_from_text("1/10 stop")
    0.1
    """
    plain = text_only(text, STOPS)
    part = re.fullmatch(r"([+-]?)([0-9]{1,6})/([0-9]{1,6}) ?stops?", plain)
    if part and int(part.group(3)):
        return float(f"{part.group(1)}1") * int(part.group(2)) / int(part.group(3))
    return measure_from_text(text, STOPS)


def time_s_from_text(text: object) -> float:
    """Return a shutter time in seconds from `1/160 s`, `2 s` or `8 ms`; more than zero.

    Does not: replace the engraved value by the exact power of two; 1/60 s is one sixtieth.

    >>> time_s_from_text("1/160 s")
    0.00625
    """
    plain = text_only(text, TIME)
    part = re.fullmatch(r"([0-9]{1,6})/([0-9]{1,6}) ?(s|sec)?", plain)
    if part:
        top, bottom, unit = int(part.group(1)), int(part.group(2)), part.group(3)
        if top and bottom and unit:
            return top / bottom
        raise refuse(text, TIME, f'add the unit: write "{top}/{bottom} s"' if top and bottom else "")
    value = measure_from_text(text, TIME)
    if value <= 0:
        raise refuse(text, TIME)
    return value


def f_number_from_stops(stops: float) -> float:
    """Return the f-number that lies `stops` above f/1: N = 2^(stops/2).

    >>> f_number_from_stops(6)
    8.0
    """
    return float(2.0 ** (stops / 2.0))


def stops_from_f_number(f_number: float) -> float:
    """Return how many stops an f-number lies above f/1 (aperture value of APEX): 2 log2 N; N > 0.

    >>> stops_from_f_number(8.0)
    6.0
    """
    return 2.0 * math.log2(f_number)


# Engraved f-numbers in thirds of a stop from f/1 on; common practice, no source.
THIRDS = (
    "1", "1.1", "1.2", "1.4", "1.6", "1.8", "2", "2.2", "2.5", "2.8", "3.2", "3.5", "4", "4.5", "5", "5.6",
    "6.3", "7.1", "8", "9", "10", "11", "13", "14", "16", "18", "20", "22", "25", "29", "32", "36", "40",
    "45", "51", "57", "64", "72", "81", "90",
)  # fmt: skip


def mark_from_full_stop(stop: int) -> str:
    """Return the engraved f-number of a whole stop above f/1, without `f/`; -10 to 30.

    >>> [mark_from_full_stop(n) for n in (-1, 0, 5, 7, 14)]
    ['0.7', '1', '5.6', '11', '128']
    """
    if 0 <= 3 * stop < len(THIRDS):
        return THIRDS[3 * stop]
    value = f_number_from_stops(stop)
    return f"{value:.0f}" if value > 1 else "0.7" if stop == -1 else shortest(float(f"{value:.2g}"))


_STOPS_OF_MARK = {float(mark_from_full_stop(stop)): float(stop) for stop in range(-10, 31)}
_STOPS_OF_MARK |= {float(mark): place / 3 for place, mark in enumerate(THIRDS)}


def f_number_from_text(text: object) -> float:
    """Return the f-number of `f/8`, `f/5.6 1/3` or `f/5.6 and 7 tenths`; 0.01 to 40000.

    An engraved value stands for its exact place in the series: f/5.6 is 2^2.5 = 5.657 and f/11 is 11.31; the
    part after it is in stops. Any other number is taken as it is written.

    >>> round(f_number_from_text("f/5.6 and 7 tenths"), 3)
    7.21
    """
    plain = text_only(text, F_NUMBER)
    part = r"(?: (?:and )?(1/2|1/3|2/3)| and ([0-9]) tenths?)?"
    match = re.fullmatch(rf"[fF] ?/ ?([0-9]+(?:\.[0-9]+)?){part}", plain)
    value = float(match.group(1)) if match else 0.0
    if not match or not 0.01 <= value <= 40000:
        bare = re.fullmatch(r"[fF]? ?\.?([0-9]+(?:\.[0-9]+)?)", plain)
        raise refuse(text, F_NUMBER, f'write "f/{bare.group(1)}"' if bare else "")
    added = {"1/2": 1 / 2, "1/3": 1 / 3, "2/3": 2 / 3}.get(match.group(2), int(match.group(3) or 0) / 10)
    if value in _STOPS_OF_MARK:
        return f_number_from_stops(_STOPS_OF_MARK[value] + added)
    return f_number_from_stops(stops_from_f_number(value) + added) if added else value


def dial_stops_from_text(text: object) -> float:
    """Return a power setting in stops relative to full (0 or less) from `1/4`, `25 %`, `-2 stops` or `full`.

    `7 of 10` is a setting of a head whose scale ends at 10: one full number of it is one stop, as is common practice
    on such heads (no source).

    >>> dial_stops_from_text("1/4"), dial_stops_from_text("7 of 10")
    (-2.0, -3.0)
    """
    plain = text_only(text, DIAL)
    if plain == "full":
        return 0.0
    scale = scale_of_dial(plain)
    if scale is not None:
        number, top = scale
        if number > top or not top:
            raise refuse(text, DIAL, f'this scale ends at {top}: write "{top} of {top}"')
        return number - top + 0.0
    part = re.fullmatch(r"([0-9]{1,7}(?:\.[0-9]+)?) ?(?:/ ?([0-9]{1,7})|%)", plain)
    if part:
        bottom = int(part.group(2) or 100)
        share = float(part.group(1)) / bottom if bottom else 0.0
        if share > 1:
            raise refuse(text, DIAL, 'a light gives no more than full power: write "1/1"')
        if not share:
            raise refuse(text, DIAL, 'write "1/4"' + (', or "mute: true" for a light that is off' if bottom else ""))
        return math.log2(share)
    if not plain.endswith(("stop", "stops")):
        raise refuse(text, DIAL)
    try:
        stops = stops_from_text(plain)
    except UnitError:
        raise refuse(text, DIAL) from None
    if stops > 0:
        raise refuse(text, DIAL, f'count down from full: write "-{plain.lstrip("+")}"')
    return stops + 0.0


def scale_of_dial(text: str) -> tuple[float, int] | None:
    """Number and end of a scale from 1 up, None where a power is said in another way.

    >>> scale_of_dial("7.5 of 10"), scale_of_dial("1/4")
    ((7.5, 10), None)
    """
    found = re.fullmatch(r"([0-9]{1,3}(?:\.[0-9]{1,3})?) of ([0-9]{1,3})", clean(text))
    return (float(found.group(1)), int(found.group(2))) if found else None


def text_from_dial_as(dial_stops: float, before: object) -> str | None:
    """A power on the scale that it was said on before, to a hundredth; None where that was no scale.

    >>> text_from_dial_as(-2.5, "7 of 10"), text_from_dial_as(-2.5, "1/4")
    ('7.5 of 10', None)
    """
    scale = scale_of_dial(before) if isinstance(before, str) else None
    # Below its first number such a scale has no setting.
    if scale is None or scale[1] + dial_stops < 0:
        return None
    return f"{shortest(round(scale[1] + dial_stops, 2))} of {scale[1]}"


def _joined(number: str, unit: str) -> str:
    return f"{number}{unit}" if unit in ("°", "'", '"') else f"{number} {unit}"


def text_from_measure(value: float, quantity: Quantity) -> str:
    """Print a value that is in the first unit of `quantity`.

    >>> text_from_measure(-25.0, ANGLE), text_from_measure(400.0, ENERGY)
    ('-25°', '400 W·s')
    """
    if quantity is STOPS and abs(value) <= 1 and value != 0:
        return f"{shortest(value)} stop"
    return _joined(shortest(value), quantity.unit)


def exact_text_from_length_m(length_m: float) -> str:
    """Print a length in the metric unit that suits its size and reads back to the same value.

    >>> exact_text_from_length_m(0.085), exact_text_from_length_m(1.9), exact_text_from_length_m(0.9)
    ('85 mm', '1.9 m', '90 cm')
    """
    size_m = abs(length_m)
    small = (("mm", 1000), ("cm", 100)) if size_m < 0.1 else (("cm", 100), ("mm", 1000))
    for unit, per_metre in small if 0.001 <= size_m < 1 else ():
        number = round(length_m * per_metre, 6)
        if number / per_metre == length_m:
            return f"{shortest(number)} {unit}"
    return f"{shortest(length_m)} m"


def text_from_length_m(length_m: float, imperial: bool = False) -> str:
    """Print a length for people, rounded to 1 mm or to 1/4 inch.

    >>> text_from_length_m(1.8), text_from_length_m(0.9), text_from_length_m(1.8796, imperial=True)
    ('1.8 m', '90 cm', '6 ft 2 in')
    """
    sign, size_m = ("-" if length_m < 0 else ""), abs(length_m)
    if not imperial:
        return exact_text_from_length_m(round(length_m, 3))
    feet, inches = divmod(round(size_m / INCH_M * 4) / 4, 12)
    if not feet:
        return f"{sign if inches else ''}{shortest(inches)} in"
    return f"{sign}{feet:.0f} ft" + (f" {shortest(inches)} in" if inches else "")


def text_from_time_s(time_s: float) -> str:
    """Print a shutter time as `1/160 s` where that is exact, otherwise in seconds.

    >>> text_from_time_s(0.00625), text_from_time_s(2.0)
    ('1/160 s', '2 s')
    """
    if 0 < time_s < 1:
        inverse = round(1 / time_s)
        if inverse < 1_000_000 and 1 / inverse == time_s:
            return f"1/{inverse} s"
    return f"{shortest(time_s)} s"


def text_from_dial_stops(dial_stops: float) -> str:
    """Print a power setting: a simple fraction where that is exact, otherwise stops under full.

    >>> text_from_dial_stops(-2.0), text_from_dial_stops(-1.3)
    ('1/4', '-1.3 stops')
    """
    inverse = round(2.0 ** min(-dial_stops, 20.0))
    if inverse >= 1 and math.log2(1 / inverse) == dial_stops:
        return f"1/{inverse}"
    return f"{shortest(dial_stops)} stops"


def text_from_f_number(f_number: float) -> str:
    """Print an f-number so that it reads back: the engraved value, or stop and tenths, or else its digits.

    Does not: read back a value such as 5.6 itself, because f/5.6 stands for its exact place in the series.

    >>> text_from_f_number(8.0), text_from_f_number(2**2.5), text_from_f_number(2**2.85)
    ('f/8', 'f/5.6', 'f/5.6 and 7 tenths')
    """
    place = round(3 * stops_from_f_number(f_number))
    marks = [f"f/{THIRDS[place]}"] if 0 <= place < len(THIRDS) else []
    forms = [*marks, text_from_f_number_in_tenths(f_number)] if 0.02 < f_number < 30000 else []
    for text in forms:
        if math.isclose(f_number_from_text(text), f_number, rel_tol=1e-14):
            return text
    return f"f/{shortest(f_number)}"


def text_from_f_number_in_thirds(f_number: float) -> str:
    """Print a meter reading rounded to a third of a stop, as `f/5.6 1/3`.

    >>> text_from_f_number_in_thirds(6.3)
    'f/5.6 1/3'
    """
    stop, thirds = divmod(round(3 * stops_from_f_number(f_number)), 3)
    return f"f/{mark_from_full_stop(stop)}" + (f" {thirds}/3" if thirds else "")


def text_from_f_number_in_tenths(f_number: float) -> str:
    """Print a meter reading rounded to a tenth of a stop, as `f/5.6 and 7 tenths`.

    >>> text_from_f_number_in_tenths(7.21)
    'f/5.6 and 7 tenths'
    """
    stop, tenths = divmod(round(10 * stops_from_f_number(f_number)), 10)
    plural = "tenth" if tenths == 1 else "tenths"
    return f"f/{mark_from_full_stop(stop)}" + (f" and {tenths} {plural}" if tenths else "")
