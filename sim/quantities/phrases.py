"""Quantities in a photographer's words, one notation each, for the terminal, the pages and the pictures.

These are words to read. What is written into a scene file, and reads back, is `text_from_*` of `units`.
The cut: here are plain numbers and names only. `sim/scene/light_words.py` takes them from a light's blocks, so nobody
above needs to know which block has which size. The pages have the same notation in JavaScript; both are tested on
`tests/quantities/phrases_table.json`.

Negative numbers carry the true minus sign (U+2212). Who draws or prints with fewer signs replaces it last, as with ±.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sim.quantities import units

MINUS = "\u2212"
# Signs that a plain terminal may lack, and what stands in for them.
PLAIN_SIGNS = str.maketrans({
    MINUS: "-", "±": "+/-", "°": " deg", "·": "*", "×": "x", "²": "2", "½": "1/2", "–": "-", "─": "-", "…": "...",
})  # fmt: skip
# Below this a meter shows nothing of use; common practice, no source.
LOWEST_F_NUMBER = 0.7


def number(value: float, places: int = 2) -> str:
    """A number in as few digits as it needs, rounded, never a negative zero.

    >>> number(2.700001), number(-0.32193), number(-0.001), number(4.0)
    ('2.7', '−0.32', '0', '4')
    """
    return units.shortest(round(value, places) + 0.0).replace("-", MINUS)


# -- stops and powers ---------------------------------------------------------------------------


def stops(count: float, places: int = 2) -> str:
    """How many stops, without a sign; one is singular.

    >>> stops(1.0), stops(-2.5), stops(0.3)
    ('1 stop', '2.5 stops', '0.3 stops')
    """
    text = number(abs(count), places)
    return f"{text} stop" if text == "1" else f"{text} stops"


def signed_number(count: float) -> str:
    """Stops with their sign, in as few digits as they need.

    >>> signed_number(-2.0), signed_number(0.25), signed_number(-0.001)
    ('−2', '+0.25', '0')
    """
    text = number(count)
    return text if text == "0" or count < 0 else f"+{text}"


def change(count: float) -> str:
    """A change or a wish in stops.

    >>> change(-2.0), change(1.0), change(0.25), change(0.0)
    ('−2 stops', '+1 stop', '+0.25 stops', '0 stops')
    """
    sign = signed_number(count)[0]
    return (sign if sign in f"+{MINUS}" else "") + stops(count)


def signed_stops(count: float | None, places: int = 1, darkest: float = -math.inf) -> str:
    """Stops against something, with their sign and a fixed number of decimals, for columns of figures.

    count: None where there is nothing to say, minus infinity for darkness; `darkest`: below it only that it is so.

    >>> signed_stops(-1.234), signed_stops(0.04), signed_stops(float("-inf")), signed_stops(None)
    ('−1.2', '0.0', 'dark', '')
    >>> signed_stops(-14.0, darkest=-10.0)
    '< −10'
    """
    if count is None:
        return ""
    if not math.isfinite(count):
        return "dark"
    if count < darkest:
        return f"< {number(darkest)}"
    text = f"{count:+.{places}f}"
    return text[1:] if float(text) == 0 else text.replace("-", MINUS)


def power(power_stops: float) -> str:
    """A light's power: its stops from full, with the fraction where that is a whole step.

    >>> power(-2.0), power(-2.7), power(0.0), power(0.5)
    ('2 stops below full (1/4)', '2.7 stops below full', 'full power', '0.5 stops above full')
    """
    rounded = round(power_stops, 2)
    if not rounded:
        return "full power"
    return f"{stops(rounded)} {'below' if rounded < 0 else 'above'} full{_fraction(rounded)}"


def power_short(power_stops: float) -> str:
    """The same for tables and captions.

    >>> power_short(-2.0), power_short(-2.7), power_short(-0.004)
    ('−2 (1/4)', '−2.7', 'full')
    """
    rounded = round(power_stops, 2)
    return f"{signed_number(rounded)}{_fraction(rounded)}" if rounded else "full"


def _fraction(power_stops: float) -> str:
    return f" (1/{2 ** round(-power_stops)})" if power_stops < 0 and power_stops == round(power_stops) else ""


# -- what a meter and a camera show -------------------------------------------------------------


def reading(f_number: float | None) -> str:
    """What a meter shows, to a tenth of a stop; None where nothing was measured.

    >>> reading(8.0), reading(7.21), reading(0.2), reading(0.0), reading(None)
    ('f/8', 'f/5.6 and 7 tenths', '< f/0.7', 'dark', '')
    """
    return _too_dim(f_number) or units.text_from_f_number_in_tenths(f_number or 0.0) if f_number is not None else ""


def reading_short(f_number: float | None) -> str:
    """The same in few characters.

    >>> reading_short(8.0), reading_short(7.21), reading_short(0.2), reading_short(0.0)
    ('f/8', 'f/5.6 7/10', '< f/0.7', 'dark')
    """
    mark, _, tenths = reading(f_number).partition(" and ")
    return f"{mark} {tenths.split()[0]}/10" if tenths else mark


def ratio(factor: float) -> str:
    """A ratio of light.

    >>> ratio(4.73), ratio(12.6), ratio(0.91), ratio(0.99), ratio(2.0)
    ('4.7 : 1', '13 : 1', '1 : 1.1', '1 : 1', '2 : 1')
    """
    turned = max(factor, 1 / factor)
    text = number(turned, 1 if turned < 9.95 else 0)
    return f"{text} : 1" if factor >= 1 else f"1 : {text}"


def lighting_ratio(key: str, fill: str | None, key_over_fill_stops: float = 0.0) -> str:
    """(key + fill) : fill with both lights by name.

    >>> lighting_ratio("key", "fill", 1.9)
    '4.7 : 1 (key + fill : fill; key 1.9 stops over fill)'
    >>> lighting_ratio("key", None)
    'no fill (key alone)'
    """
    if fill is None:
        return f"no fill ({key} alone)"
    over = key_over_fill_stops
    way = "as strong as" if abs(over) < 0.05 else f"{stops(over, 1)} {'over' if over > 0 else 'under'}"
    return f"{ratio(2.0**over + 1)} ({key} + {fill} : {fill}; {key} {way} {fill})"


def amount(value: float, unit: str) -> str:
    """An amount of light with its unit, to three digits and no finer than a thousandth.

    >>> amount(19.8943, "lx"), amount(1234.0, "lx·s"), amount(0.00004, "cd/m²"), amount(0.0, "lx")
    ('19.9 lx', '1230 lx·s', '< 0.001 cd/m²', 'dark')
    """
    if value < 0.001:
        return f"< 0.001 {unit}" if value > 0 else "dark"
    places = min(2 - math.floor(math.log10(value)), 3)
    return f"{round(value, places):.{max(places, 0)}f} {unit}"


def _too_dim(f_number: float) -> str:
    if f_number <= 0:
        return "dark"
    return f"< f/{LOWEST_F_NUMBER:g}" if f_number < LOWEST_F_NUMBER else ""


def camera_exposure(f_number: float, shutter_s: float, iso: float) -> str:
    """Aperture, time and sensitivity on one line.

    >>> camera_exposure(8.0, 1 / 160, 100.0)
    'f/8 · 1/160 s · ISO 100'
    """
    aperture, time = units.text_from_f_number(f_number), units.text_from_time_s(shutter_s)
    return f"{aperture} · {time} · ISO {units.shortest(iso)}"


# -- gels and modifiers -------------------------------------------------------------------------


def mired_gel(mired: float) -> str:
    """A gel that moves the colour temperature.

    >>> mired_gel(60.0), mired_gel(-80.0)
    ('gel +60 mired (warmer)', 'gel −80 mired (cooler)')
    """
    return f"gel {signed_number(mired)} mired ({'warmer' if mired > 0 else 'cooler'})"


def color_gel(color: str) -> str:
    """A gel of a colour.

    >>> color_gel("#ff8800")
    'gel #ff8800'
    """
    return f"gel {color}"


def grey_gel(nd_stops: float) -> str:
    """A grey gel.

    >>> grey_gel(1.0), grey_gel(1.5)
    ('gel ND 1 stop', 'gel ND 1.5 stops')
    """
    return f"gel ND {stops(nd_stops)}"


def temperature(temperature_K: float) -> str:
    """A colour temperature.

    >>> temperature(5600.0)
    '5600 K'
    """
    return f"{number(temperature_K)} K"


def modifier(thing: str, *, beam_deg: float | None = None, grid_deg: float | None = None,
             doors: Sequence[tuple[str, float]] | None = None) -> str:  # fmt: skip
    """What is fitted to a lamp: the thing with its size, then what shapes its beam.

    doors: name and angle of each leaf that is not wide open; an empty list says barn doors and no more.

    >>> modifier("strip 30 x 120 cm", grid_deg=40.0)
    'strip 30 x 120 cm, 40° grid'
    >>> modifier("reflector 18 cm", beam_deg=60.0, doors=[("left", 30.0)])
    'reflector 18 cm, 60° beam, barn doors left 30°'
    """
    words = [thing]
    if beam_deg is not None:
        words.append(f"{angle(beam_deg)} beam")
    if grid_deg is not None:
        words.append(f"{angle(grid_deg)} grid")
    if doors is not None:
        words.append(" ".join(["barn doors", *(f"{leaf} {angle(deg)}" for leaf, deg in doors)]))
    return ", ".join(words)


# -- lengths and angles -------------------------------------------------------------------------


def size(length_m: float) -> str:
    """The size of a thing that is held or fitted, in centimetres.

    >>> size(0.914), size(1.05)
    ('91.4 cm', '105 cm')
    """
    return f"{number(100 * length_m, 1)} cm"


def size_across(width_m: float, height_m: float) -> str:
    """Width and height of a thing.

    >>> size_across(0.9, 1.2)
    '90 x 120 cm'
    """
    return f"{number(100 * width_m, 1)} x {size(height_m)}"


def metres(length_m: float) -> str:
    """A distance on the floor, to the centimetre.

    >>> metres(1.7), metres(-0.001)
    ('1.70 m', '0.00 m')
    """
    return f"{round(length_m, 2) + 0.0:.2f} m".replace("-", MINUS)


def metres_and_feet(length_m: float) -> str:
    """A distance in metres, and in feet and inches to the half inch.

    >>> metres_and_feet(1.7)
    '1.70 m (5 ft 7 in)'
    """
    return f"{metres(length_m)} ({feet(length_m)})"


def feet(length_m: float, inch_parts: int = 2) -> str:
    """A length in feet and inches, rounded to a part of an inch.

    >>> feet(1.8), feet(1.524), feet(-0.0254, 1)
    ('5 ft 11 in', '5 ft', '−1 in')
    """
    whole, parts = divmod(round(abs(length_m) / units.INCH_M * inch_parts), 12 * inch_parts)
    inches = units.shortest(parts / inch_parts)
    sign = MINUS if length_m < 0 and (whole or parts) else ""
    if not whole:
        return f"{sign}{inches} in"
    return f"{sign}{whole} ft" + (f" {inches} in" if parts else "")


def angle(angle_deg: float) -> str:
    """An angle in as few digits as it needs.

    >>> angle(40.0), angle(-7.5)
    ('40°', '−7.5°')
    """
    return f"{number(angle_deg, 1)}°"


def tilt(tilt_deg: float) -> str:
    """A tilt as a direction and an angle.

    >>> tilt(-12.34), tilt(0.2)
    ('12° down', 'level')
    """
    if abs(tilt_deg) < 0.5:
        return "level"
    return f"{abs(tilt_deg):.0f}° {'up' if tilt_deg > 0 else 'down'}"
