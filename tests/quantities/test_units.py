"""Quantities read and print as photographers write them, strictly and without loss."""

from __future__ import annotations

import doctest
import math
import re
from functools import partial

import pytest
import scipy.constants
from hypothesis import assume, example, given
from hypothesis import strategies as st

from sim.quantities import errors, units
from sim.quantities.errors import UnitError, one_line, quoted
from sim.scene import read as scenefile

QUANTITIES = {
    name: value for name, value in vars(units).items() if isinstance(value, units.Quantity) and name != "LENGTH"
}
PLAIN = {name: q for name, q in QUANTITIES.items() if name not in ("TIME", "F_NUMBER", "DIAL", "STOPS")}
READERS = {
    "length": units.length_m_from_text,
    "angle": units.angle_deg_from_text,
    "energy": partial(units.measure_from_text, quantity=units.ENERGY),
    "stops": units.stops_from_text,
    "time": units.time_s_from_text,
    "f-number": units.f_number_from_text,
    "dial": units.dial_stops_from_text,
} | {name: lambda text, q=q: units.measure_from_text(text, q) for name, q in PLAIN.items()}
FINITE = st.floats(-1e9, 1e9, allow_nan=False)
POSITIVE = st.floats(1e-6, 1e9)


@pytest.mark.parametrize("module", [units, errors, scenefile], ids=lambda module: module.__name__)
def test_numbers_in_the_docstrings(module) -> None:
    result = doctest.testmod(module)
    assert result.failed == 0 and result.attempted > 0


# Outside numbers.


def test_feet_and_inches_agree_with_a_reference_library() -> None:
    # scipy.constants holds the international foot and inch; the same values stand in NIST SP 811 (2008), B.8.
    assert units.length_m_from_text("1 ft") == 0.3048
    assert scipy.constants.foot == pytest.approx(0.3048, rel=1e-15)
    assert units.length_m_from_text("1 in") == 0.0254
    assert scipy.constants.inch == pytest.approx(0.0254, rel=1e-15)
    assert units.length_m_from_text("9 feet") == pytest.approx(9 * scipy.constants.foot, rel=1e-15)


@pytest.mark.parametrize(
    ("f_number", "aperture_value"),
    [("f/1", 0), ("f/1.4", 1), ("f/2", 2), ("f/2.8", 3), ("f/4", 4), ("f/5.6", 5), ("f/8", 6), ("f/11", 7),
     ("f/16", 8), ("f/22", 9), ("f/32", 10), ("f/45", 11), ("f/64", 12)],
)  # fmt: skip
def test_aperture_values_of_apex(f_number: str, aperture_value: int) -> None:
    # Table of aperture values Av = 2 log2 N of the APEX system [ASAPH2.12:1961]:
    # the engraved figures are powers of the square root of two, rounded, and Av counts them.
    assert units.stops_from_f_number(units.f_number_from_text(f_number)) == pytest.approx(aperture_value, abs=1e-12)


def test_engraved_thirds_lie_nearest_to_their_own_place() -> None:
    # The engraved figures are rounded by trade habit (common practice, no source); the place in the series is
    # exact, so each figure must be nearer to its own place than to either neighbour, a third of a stop away.
    worst = max(abs(units.stops_from_f_number(float(mark)) - n / 3) for n, mark in enumerate(units.THIRDS))
    assert worst < 1 / 6


def test_one_joule_is_one_watt_second() -> None:
    # The SI Brochure (9th edition), table 4: J = N m, W = J/s.
    for text in ("400 W·s", "400 Ws", "400 W*s", "400 J", "0.4 kJ", "400 W⋅s"):
        assert units.measure_from_text(text, units.ENERGY) == pytest.approx(400.0, rel=1e-15)


# Every word for a unit, with its factor of the first one: prefixes of the SI, and feet and inches as above.
WORDS = {
    "LENGTH": {"m": 1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "'": 0.3048,
               "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254},
    "ENERGY": {"W·s": 1, "Ws": 1, "W*s": 1, "W.s": 1, "J": 1, "kJ": 1000},
    "POWER": {"W": 1, "kW": 1000},
    "FLUX": {"lm": 1, "klm": 1000},
    "LIGHT": {"lm·s": 1, "lms": 1, "lm*s": 1, "lm.s": 1},
    "ILLUMINANCE": {"lx": 1, "lux": 1, "klx": 1000},
    "LUMINANCE": {"cd/m²": 1, "cd/m2": 1, "cd/m^2": 1},
    "EFFICACY": {"lm/W": 1},
    "ANGLE": {"°": 1, "deg": 1, "degree": 1, "degrees": 1},
    "TEMPERATURE": {"K": 1},
    "STOPS": {"stops": 1, "stop": 1},
    "TIME": {"s": 1, "sec": 1, "ms": 0.001},
}  # fmt: skip


@pytest.mark.parametrize("name", WORDS)
def test_every_word_for_a_unit_has_its_factor(name: str) -> None:
    quantity = getattr(units, name)
    assert set(quantity.units) == set(WORDS[name])
    for word, factor in WORDS[name].items():
        assert units.measure_from_text(f"3 {word}", quantity) == pytest.approx(3 * factor, rel=1e-15)
        assert re.search(quantity.pattern, f"3 {word}")


@pytest.mark.parametrize(
    ("typed", "plain"),
    [("\u22122 \u201312", "-2 -12"), ("1\u00a0m\u202f2\u2009in", "1 m 2 in"),
     ("W\u22c5s W\u2219s W\u2022s", "W·s W·s W·s"),
     ("25\u00ba", "25°"), ("5\u2032 7\u2033", "5' 7\""), ("5\u2019 7\u201d", "5' 7\"")],
)  # fmt: skip
def test_what_looks_alike_reads_alike(typed: str, plain: str) -> None:
    assert units.clean(typed) == plain


# Forms.


@pytest.mark.parametrize(
    ("text", "length_m"),
    [("1.8 m", 1.8), ("1.8m", 1.8), ("150 cm", 1.5), ("85 mm", 0.085), ("6 ft", 1.8288),
     ("6 ft 2 in", 1.8796),
     ("5'7\"", 1.7018), ("5′ 7″", 1.7018), ("−0.5 m", -0.5), ("+2 m", 2.0), (" 2\u00a0m ", 2.0),
     (".5 m", 0.5),
     ("1e-2 m", 0.01)],
)  # fmt: skip
def test_lengths(text: str, length_m: float) -> None:
    assert units.length_m_from_text(text) == pytest.approx(length_m, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "stops"),
    [("1/4", -2), ("1/1", 0), ("full", 0), ("25 %", -2), ("100%", 0), ("-2 stops", -2), ("−1.3 stops", -1.3),
     ("0 stops", 0), ("-1/3 stop", -1 / 3), ("3/4", math.log2(0.75))],
)  # fmt: skip
def test_dials(text: str, stops: float) -> None:
    assert units.dial_stops_from_text(text) == pytest.approx(stops, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "stops"),
    [("f/8", 6), ("F/8", 6), ("f / 8", 6), ("f/5.6 1/3", 5 + 1 / 3), ("f/5.6 and 1/3", 5 + 1 / 3),
     ("f/5.6 1/2", 5.5), ("f/5.6 and 2/3", 5 + 2 / 3), ("f/0.031", -10), ("f/40000", 2 * math.log2(40000)),
     ("f/5.6 and 7 tenths", 5.7), ("f/5.6 and 1 tenth", 5.1), ("f/6.3", 5 + 1 / 3), ("f/13", 7 + 1 / 3),
     ("f/0.7", -1), ("f/0.95", 2 * math.log2(0.95)), ("f/128", 14)],
)  # fmt: skip
def test_f_numbers(text: str, stops: float) -> None:
    assert units.stops_from_f_number(units.f_number_from_text(text)) == pytest.approx(stops, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "time_s"),
    [("1/160 s", 1 / 160), ("1/160s", 1 / 160), ("2 s", 2), ("0.5 s", 0.5), ("8 ms", 0.008)],
)
def test_times(text: str, time_s: float) -> None:
    assert units.time_s_from_text(text) == pytest.approx(time_s, rel=1e-15)


@pytest.mark.parametrize(
    ("f_number", "thirds", "tenths"),
    [(8.0, "f/8", "f/8"), (2**2.85, "f/5.6 2/3", "f/5.6 and 7 tenths"), (2**3.45, "f/11", "f/8 and 9 tenths"),
     (2**2.55, "f/5.6", "f/5.6 and 1 tenth"), (2**2.999, "f/8", "f/8"), (2**-0.5, "f/0.7", "f/0.7"),
     (2**-0.2, "f/0.7 2/3", "f/0.7 and 6 tenths"), (2**7, "f/128", "f/128")],
)  # fmt: skip
def test_meter_forms(f_number: float, thirds: str, tenths: str) -> None:
    assert units.text_from_f_number_in_thirds(f_number) == thirds
    assert units.text_from_f_number_in_tenths(f_number) == tenths


@pytest.mark.parametrize(
    ("length_m", "metric", "imperial"),
    [(1.8, "1.8 m", "5 ft 10.75 in"), (0.0, "0 m", "0 in"), (3.048, "3.048 m", "10 ft"),
     (-0.25, "-25 cm", "-9.75 in"), (0.018, "18 mm", "0.75 in"), (1.2344, "1.234 m", "4 ft 0.5 in")],
)  # fmt: skip
def test_lengths_for_people(length_m: float, metric: str, imperial: str) -> None:
    assert units.text_from_length_m(length_m) == metric
    assert units.text_from_length_m(length_m, imperial=True) == imperial


# Refusals.


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
@pytest.mark.parametrize(
    "bad",

       ["", " ", "m", "nan", "nan m", ".inf", "inf m", "1e999 m", "1,5 m", "1.2.3 m", "one m", "1 parsec",
     "1 m 2", "--1 m", "0x10 m", "١ m", "1/0", "f/", "f/x", "f/8 3/3", "f/5.6 and 11 tenths", "stops", "%",
     "-5 %", "/4", "9" * 400 + " m"],
)  # fmt: skip
def test_nonsense_is_refused_with_a_cure(reader, bad: str) -> None:
    with pytest.raises(UnitError) as caught:
        reader(bad)
    assert caught.value.expected and caught.value.cure and "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        ("1,5 m", "1.5 m"),
        ("1,500 m", "1500 m"),
        ("-1,25cm", "-1.25 cm"),
        ("1,5 parsec", "1.5 m"),
        ('5,5"', '5.5"'),
        ("5,5'", "5.5'"),
    ],
)
def test_a_comma_is_told_and_cured(text: str, cure: str) -> None:
    # Three digits behind a comma are thousands, any other number of them a decimal comma.
    with pytest.raises(UnitError) as caught:
        units.length_m_from_text(text)
    assert caught.value.cure == f'write the number without a comma: "{cure}"'


@pytest.mark.parametrize(
    ("reader", "text", "cure"),
    [
        (units.time_s_from_text, "1/160", 'add the unit: write "1/160 s"'),
        (units.time_s_from_text, "0/160", 'write "1/160 s"'),
        (units.time_s_from_text, "-2 s", 'write "1/160 s"'),
        (units.dial_stops_from_text, "3/2", 'a light gives no more than full power: write "1/1"'),
        (units.dial_stops_from_text, "0/4", 'write "1/4", or "mute: true" for a light that is off'),
        (units.dial_stops_from_text, "1/0", 'write "1/4"'),
        (units.dial_stops_from_text, "+1 stop", 'count down from full: write "-1 stop"'),
        (units.f_number_from_text, "f5.6", 'write "f/5.6"'),
        (units.measure_from_text, "400 ws", 'write "400 Ws"'),
        (units.measure_from_text, "400", 'add the unit: write "400 W·s"'),
    ],
)
def test_a_slip_has_its_own_cure(reader, text: str, cure: str) -> None:
    with pytest.raises(UnitError) as caught:
        reader(text, units.ENERGY) if reader is units.measure_from_text else reader(text)
    assert caught.value.cure == cure


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
@given(value=st.one_of(st.integers(), st.floats(), st.booleans(), st.none(), st.lists(st.text()), st.binary()))
def test_bare_numbers_and_other_things_are_refused(reader, value: object) -> None:
    with pytest.raises(UnitError) as caught:
        reader(value)
    assert caught.value.cure


@pytest.mark.parametrize("name", [*QUANTITIES, "LENGTH"])
@given(number=st.floats(0.01, 20000))
def test_the_cure_for_a_bare_number_is_itself_good(name: str, number: float) -> None:
    quantity = getattr(units, name)
    reader = {
        "TIME": units.time_s_from_text,
        "F_NUMBER": units.f_number_from_text,
        "DIAL": units.dial_stops_from_text,
        "STOPS": units.stops_from_text,
        "LENGTH": units.length_m_from_text,
    }.get(name, lambda text: units.measure_from_text(text, quantity))
    with pytest.raises(UnitError) as caught:
        reader(round(number, 2))
    written = caught.value.cure.split('"')[1] if name != "LENGTH" else caught.value.cure.split('write "')[1][:-1]
    assert math.isfinite(reader(written))


@given(st.text(max_size=40))
@example("1.8 \x00m")
@example("f/8\u2028")
def test_any_text_gives_a_number_or_a_plain_refusal(text: str) -> None:
    for reader in READERS.values():
        try:
            assert math.isfinite(reader(text))
        except UnitError as error:
            assert "\n" not in str(error) and error.cure


# Round trips.


@pytest.mark.parametrize("quantity", PLAIN.values(), ids=PLAIN)
@given(value=FINITE)
def test_plain_quantities_read_back_exactly(quantity: units.Quantity, value: float) -> None:
    assert units.measure_from_text(units.text_from_measure(value, quantity), quantity) == value


@given(FINITE)
@example(1e-7)
@example(0.036)
@example(-0.0)
def test_lengths_and_stops_read_back_exactly(value: float) -> None:
    assert units.length_m_from_text(units.exact_text_from_length_m(value)) == value
    assert units.stops_from_text(units.text_from_measure(value, units.STOPS)) == value


@given(st.floats(-1e6, 1e6))
def test_lengths_for_people_round_by_half_a_step(length_m: float) -> None:
    metric = units.length_m_from_text(units.text_from_length_m(length_m))
    assert abs(metric - length_m) <= 0.0005 * (1 + 1e-6) + abs(length_m) * 1e-12
    text = units.text_from_length_m(abs(length_m), imperial=True)
    assert abs(units.length_m_from_text(text) - abs(length_m)) <= units.INCH_M / 8 * (1 + 1e-6) + 1e-9


@given(POSITIVE)
def test_times_read_back_exactly(time_s: float) -> None:
    assert units.time_s_from_text(units.text_from_time_s(time_s)) == time_s


@given(st.integers(2, 999_999))
def test_times_under_a_second_print_as_fractions(denominator: int) -> None:
    assert units.text_from_time_s(units.time_s_from_text(f"1/{denominator} s")) == f"1/{denominator} s"


@given(st.floats(-20, 0))
def test_dials_read_back_exactly(dial_stops: float) -> None:
    assert units.dial_stops_from_text(units.text_from_dial_stops(dial_stops)) == dial_stops


@given(st.integers(1, 1_000_000))
def test_dial_fractions_print_as_they_were_written(denominator: int) -> None:
    stops = units.dial_stops_from_text(f"1/{denominator}")
    assert units.dial_stops_from_text(units.text_from_dial_stops(stops)) == stops


@given(st.floats(0.02, 10000))
def test_f_numbers_read_back_unless_they_are_engraved(f_number: float) -> None:
    assume(float(units.shortest(f_number)) not in units._STOPS_OF_MARK)
    assert units.f_number_from_text(units.text_from_f_number(f_number)) == pytest.approx(f_number, rel=1e-14)


@pytest.mark.parametrize(
    ("f_number", "text"),
    [(1.0, "f/1"), (2**-0.5, "f/0.7"), (2**0.05, "f/1 and 1 tenth"), (2**14.5, "f/23170"),
     (8 * (1 + 1e-12), "f/8.000000000008"), (0.95, "f/0.95"), (36000.0, "f/36000")],
)  # fmt: skip
def test_f_numbers_print_as_engraved_only_where_they_are(f_number: float, text: str) -> None:
    assert units.text_from_f_number(f_number) == text


@pytest.mark.parametrize("mark", units.THIRDS)
def test_every_engraved_f_number_prints_as_it_is_engraved(mark: str) -> None:
    assert units.text_from_f_number(units.f_number_from_text(f"f/{mark}")) == f"f/{mark}"


@given(st.integers(-20, 300))
def test_meter_tenths_read_back_and_print_again(tenths: int) -> None:
    text = units.text_from_f_number_in_tenths(units.f_number_from_stops(tenths / 10))
    f_number = units.f_number_from_text(text)
    assert units.stops_from_f_number(f_number) == pytest.approx(tenths / 10, abs=1e-9)
    assert units.text_from_f_number_in_tenths(f_number) == text


@given(st.integers(-6, 90))
def test_meter_thirds_read_back_and_print_again(thirds: int) -> None:
    text = units.text_from_f_number_in_thirds(units.f_number_from_stops(thirds / 3))
    f_number = units.f_number_from_text(text)
    assert units.stops_from_f_number(f_number) == pytest.approx(thirds / 3, abs=1e-9)
    assert units.text_from_f_number_in_thirds(f_number) == text


@given(st.floats(0.5, 128))
def test_meter_forms_round_by_half_a_step(f_number: float) -> None:
    stops = units.stops_from_f_number(f_number)
    for text, half in (
        (units.text_from_f_number_in_tenths(f_number), 1 / 20),
        (units.text_from_f_number_in_thirds(f_number), 1 / 6),
    ):
        assert abs(units.stops_from_f_number(units.f_number_from_text(text)) - stops) <= half + 1e-9


# Stop arithmetic.


@given(st.floats(-20, 40), st.floats(-10, 10))
def test_stops_add_where_f_numbers_multiply(stops: float, more: float) -> None:
    both = units.f_number_from_stops(stops) * units.f_number_from_stops(more)
    assert both == pytest.approx(units.f_number_from_stops(stops + more), rel=1e-12)


@given(st.integers(1, 5000))
def test_halving_the_dial_is_one_stop(denominator: int) -> None:
    half = units.dial_stops_from_text(f"1/{2 * denominator}")
    assert units.dial_stops_from_text(f"1/{denominator}") - half == pytest.approx(1.0, abs=1e-12)


@given(st.floats(0.1, 100), st.sampled_from(["m", "cm", "mm", "ft", "in"]))
def test_lengths_are_linear(number: float, unit: str) -> None:
    one, two = (units.length_m_from_text(f"{n:.6f} {unit}") for n in (number, 2 * number))
    assert two == pytest.approx(2 * one, abs=1e-6)


# Words of the errors.


@given(st.text())
def test_quotes_are_short_and_on_one_line(text: str) -> None:
    assert len(quoted(text)) <= 62 and "\n" not in quoted(text)
    assert one_line(text).isprintable() or not one_line(text).isascii()


@pytest.mark.parametrize("name", [*QUANTITIES, "LENGTH"])
def test_editor_pattern_takes_the_example_and_no_bare_number(name: str) -> None:
    quantity = getattr(units, name)
    assert re.search(quantity.pattern, quantity.example)
    assert not re.search(quantity.pattern, "1.5") and not re.search(quantity.pattern, "1 parsec")
