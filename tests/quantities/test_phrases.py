"""The one notation of quantities: its table, which the pages' JavaScript shares, and what no phrase may say."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.quantities import phrases

# A row: what it is called with (a list where that is more than one thing), then the phrase, then the short phrase where
# there is one.
TABLE: dict[str, list[list[object]]] = json.loads(Path(__file__).with_name("phrases_table.json").read_text("utf-8"))
ROWS = [(name, row) for name, rows in TABLE.items() for row in rows]


@pytest.mark.parametrize(("name", "row"), ROWS, ids=[f"{name} {row[0]}" for name, row in ROWS])
def test_phrases_are_as_in_the_table(name: str, row: list[object]) -> None:
    value, long, *short = row
    values = value if isinstance(value, list) else [-math.inf if value == "-Infinity" else value]
    assert getattr(phrases, name)(*values) == long
    if short:
        assert getattr(phrases, f"{name}_short")(*values) == short[0]


@given(st.floats(-20, 2))
def test_a_power_never_says_zero_stops_nor_a_typewriters_minus(power_stops: float) -> None:
    for text in (phrases.power(power_stops), phrases.power_short(power_stops), phrases.change(power_stops)):
        assert "-" not in text and "−0 " not in text and not text.startswith("0 stops below")
    # Whatever is said is within half of its last digit.
    digits = phrases.power_short(power_stops).split(" ")[0].replace(phrases.MINUS, "-").replace("full", "0")
    assert abs(float(digits) - power_stops) <= 0.005 + 1e-9


@given(st.floats(-30, 30))
def test_a_fraction_stands_only_where_it_is_the_power(power_stops: float) -> None:
    text = phrases.power(power_stops)
    if "(1/" in text:
        parts = int(text.split("(1/")[1].rstrip(")"))
        assert abs(-math.log2(parts) - power_stops) <= 0.005 + 1e-9
