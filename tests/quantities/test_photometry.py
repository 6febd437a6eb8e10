"""Exposure arithmetic against published tables and worked values."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sim.quantities.photometry as ph
from sim.quantities.units import FOOT_M

stops = st.floats(-12, 12)
positive = st.floats(1e-3, 1e6)


def test_docstring_numbers():
    # The worked numbers in the docstrings are part of the tests.
    assert doctest.testmod(ph).failed == 0


# -- meters -----------------------------------------------------------------------------------


def test_constants_lie_in_the_standards_ranges():
    # [ISO2720:1974]: K 10.6 to 13.4, C 240 to 400 flat, 320 to 540 cardioid.
    assert 10.6 <= ph.REFLECTED_CONSTANT_K <= 13.4
    assert 240 <= ph.INCIDENT_FLAT_CONSTANT_C <= 400 and 320 <= ph.INCIDENT_DOME_CONSTANT_C <= 540


def test_incident_worked_values():
    # ISO 2720: H = C N^2 / S. Flat, f/8, ISO 100: 160 lx*s; dome: 217.6 lx*s.
    assert ph.exposure_from_f_number(8, 100) == pytest.approx(160)
    assert ph.exposure_from_f_number(8, 100, ph.INCIDENT_DOME_CONSTANT_C) == pytest.approx(217.6)


def test_meters_agree_on_the_grey_their_constants_imply():
    # ISO 2720: incident and reflected readings agree on a surface of reflectance pi K / C = 15.7 %.
    grey = math.pi * 12.5 / 250
    assert grey == pytest.approx(0.157, abs=5e-4)
    incident = ph.f_number_from_exposure(160.0, 100)
    reflected = ph.f_number_from_luminous_exposure(160.0 * grey / math.pi, 100)
    assert float(incident) == pytest.approx(float(reflected), rel=1e-12)


# -- camera -----------------------------------------------------------------------------------


def test_lens_factor():
    # [ISO12232:2019]: q = (pi / 4) T v cos^4(10 deg) with T = 0.9 and v = 0.98.
    q = math.pi / 4 * 0.9 * 0.98 * math.cos(math.radians(10)) ** 4
    assert pytest.approx(q, abs=0.002) == ph.LENS_FACTOR_Q


def test_standard_output_and_saturation_meet():
    # [ISO12232:2019]: 78 / S leaves half a stop over white, so 18 % lies at 0.18 x 78 / sqrt 2 = 9.93 / S.
    assert (ph.SATURATION_EXPOSURE, ph.STANDARD_OUTPUT_EXPOSURE, ph.MIDDLE_GREY) == (78, 10, 0.18)
    assert 0.18 * ph.SATURATION_EXPOSURE / math.sqrt(2) == pytest.approx(ph.STANDARD_OUTPUT_EXPOSURE, rel=0.01)


def test_grey_card_in_the_picture():
    # ISO 12232 and 2720: an 18 % card at its incident reading is shown 0.10 stop below middle grey.
    shown = ph.display_scale(8, 100) * 160 * 0.18 / math.pi
    assert math.log2(shown / 0.18) == pytest.approx(math.log2(0.65 * 250 * 0.18 / (math.pi * 10)), abs=1e-12)
    assert math.log2(shown / 0.18) == pytest.approx(-0.10, abs=0.005)


def test_spot_reading_in_the_picture():
    # ISO 2720 and 12232: what a spot meter reads comes out 0.30 stop below middle grey (q K = 8.125 against 10).
    shown = ph.display_scale(5.6, 400) * 12.5 * 5.6**2 / 400
    assert math.log2(shown / 0.18) == pytest.approx(math.log2(8.125 / 10), abs=1e-12)


# -- flash ------------------------------------------------------------------------------------


def test_guide_number_and_candela_seconds():
    # Handbook form GN(feet) = sqrt(0.05 x BCPS x ISO): 0.05 = 10.764 lx a footcandle / C, so its C is 215, not 250,
    # and the two differ by log2(250 / 215) = 0.22 stop.
    assert math.log2(250 / (10.764 / 0.05)) == pytest.approx(0.216, abs=0.001)
    bcps = ph.intensity_from_guide_number(160.0 * FOOT_M)
    # C GN^2 / S: 250 x 2.5^2 / 400.
    assert ph.intensity_from_guide_number(2.5, 400) == pytest.approx(3.90625)
    assert ph.intensity_from_guide_number(2.5, 400, 340) == pytest.approx(5.3125)
    assert 2 * math.log2(math.sqrt(0.05 * bcps * 100) / 160.0) == pytest.approx(0.0, abs=0.25)


def test_sync_warning():
    # Common practice, no source: shutters faster than the sync darken part of the frame.
    assert ph.sync_warning(1 / 160, 1 / 200) is None and ph.sync_warning(1 / 200, 1 / 200) is None
    assert "1/250 s" in str(ph.sync_warning(1 / 250, 1 / 200))
    assert "1/160 s or slower" in str(ph.sync_warning(1 / 500, 1 / 160))


def test_recycling():
    # Energy over power: 500 J through a 70 % charger on 1000 W takes 0.714 s (definition of the watt).
    assert ph.recycling_s(500, 1000) == pytest.approx(0.714, abs=1e-3)


@given(positive, stops)
def test_stops_round_trip(light, change):
    # log2 and 2^x undo each other.
    assert float(ph.diff_stops(light * 2.0**change, light)) == pytest.approx(change, abs=1e-9)


@given(st.floats(0.5, 128), st.floats(1, 1e5))
def test_reading_round_trip(f_number, iso):
    # A reading gives back the exposure that made it.
    for constant in (250.0, 340.0):
        lux_s = ph.exposure_from_f_number(f_number, iso, constant)
        assert float(ph.f_number_from_exposure(lux_s, iso, constant)) == pytest.approx(f_number, rel=1e-12)


@given(positive, positive, st.floats(25, 6400))
def test_readings_of_two_lights_add_as_squares(a, b, iso):
    # Light adds, f-numbers add as squares: N^2 = N1^2 + N2^2.
    both = ph.f_number_from_exposure(a + b, iso)
    apart = np.hypot(ph.f_number_from_exposure(a, iso), ph.f_number_from_exposure(b, iso))
    assert float(both) == pytest.approx(float(apart), rel=1e-12)
