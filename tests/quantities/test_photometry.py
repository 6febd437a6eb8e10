"""Exposure arithmetic against published tables and worked values."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sim.quantities.photometry as ph

stops = st.floats(-12, 12)
positive = st.floats(1e-3, 1e6)


def test_docstring_numbers():
    # The worked numbers in the docstrings are part of the tests.
    assert doctest.testmod(ph).failed == 0


# -- APEX -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marked", "value"),
    [(1, 0), (1.4, 1), (2, 2), (2.8, 3), (4, 4), (5.6, 5), (8, 6), (11, 7), (16, 8), (22, 9), (32, 10)],
)
def test_apex_aperture_values(marked, value):
    # ASA PH2.5-1960 (APEX), table of Av for engraved f-numbers, from memory; engraving rounds by up to 0.1 stop.
    assert ph.aperture_value_from_f_number(marked) == pytest.approx(value, abs=0.1)


@pytest.mark.parametrize(
    ("marked_s", "value"),
    [
        (1, 0),
        (1 / 2, 1),
        (1 / 4, 2),
        (1 / 8, 3),
        (1 / 15, 4),
        (1 / 30, 5),
        (1 / 60, 6),
        (1 / 125, 7),
        (1 / 250, 8),
        (1 / 500, 9),
        (1 / 1000, 10),
    ],
)
def test_apex_time_values(marked_s, value):
    # ASA PH2.5-1960 (APEX), table of Tv for engraved shutter times, from memory; engraving rounds by up to 0.1 stop.
    assert ph.time_value_from_shutter(marked_s) == pytest.approx(value, abs=0.1)


@pytest.mark.parametrize(
    ("iso", "value"), [(3.125, 0), (6.25, 1), (25, 3), (50, 4), (100, 5), (200, 6), (400, 7), (800, 8)]
)
def test_apex_speed_values(iso, value):
    # ASA PH2.5-1960 (APEX), table of Sv, from memory.
    assert ph.speed_value_from_iso(iso) == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("bv", range(0, 11))
def test_apex_brightness_in_foot_lamberts(bv):
    # APEX counts Bv in foot-lamberts (1 fL = 3.4263 cd/m2): Bv 0 = 1 fL, from memory. Its meter constant was 11.4 in
    # cd/m2 terms, ISO 2720's 12.5 is 0.13 stop and the unit 0.22 stop away.
    assert ph.brightness_value_from_luminance(3.4263 * 2**bv) == pytest.approx(bv, abs=0.25)


@pytest.mark.parametrize("iv", range(0, 11))
def test_apex_incident_light_in_foot_candles(iv):
    # APEX counts Iv in foot-candles (10.764 lx): Iv 0 = 6.25 fc, from memory; ISO 2720's C = 250 is 0.25 stop away.
    assert ph.incident_value_from_illuminance(6.25 * 10.764 * 2**iv) == pytest.approx(iv, abs=0.3)


def test_apex_equation_worked():
    # ASA PH2.5-1960: Av + Tv = Bv + Sv; f/8 (6) and 1/125 s (7) with ISO 100 (5) suit Bv 8 = 1024 cd/m2 at K = 12.5.
    left = ph.aperture_value_from_f_number(8) + ph.time_value_from_shutter(1 / 128)
    assert left == pytest.approx(ph.brightness_value_from_luminance(1024) + ph.speed_value_from_iso(100), abs=1e-12)


@given(st.floats(0.5, 128), st.floats(1e-4, 100), st.floats(1, 1e5))
def test_apex_and_meter_agree(f_number, shutter_s, iso):
    # ISO 2720: the luminance that a setting suits is K N^2 / (t S); APEX must say the same.
    luminance = ph.luminance_from_ev100(ph.ev100_from_settings(f_number, shutter_s, iso))
    assert float(luminance) == pytest.approx(12.5 * f_number**2 / (shutter_s * iso), rel=1e-9)
    left = ph.aperture_value_from_f_number(f_number) + ph.time_value_from_shutter(shutter_s)
    right = ph.brightness_value_from_luminance(float(luminance)) + ph.speed_value_from_iso(iso)
    assert left == pytest.approx(right, abs=1e-9)


# -- meters -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ev", "luminance"),
    [(-1, 0.0625), (0, 0.125), (3, 1), (5, 4), (8, 32), (10, 128), (12, 512), (15, 4096), (16, 8192)],
)
def test_ev_table_reflected(ev, luminance):
    # Exposure value against luminance at ISO 100, K = 12.5: table common to meter manuals after ISO 2720, from memory.
    assert ph.ev100_from_luminance(luminance) == pytest.approx(ev, abs=1e-12)


@pytest.mark.parametrize(
    ("ev", "lux"), [(0, 2.5), (1, 5), (4, 40), (7, 320), (10, 2560), (13, 20480), (15, 81920), (16, 163840)]
)
def test_ev_table_incident(ev, lux):
    # Exposure value against illuminance at ISO 100, C = 250: table common to meter manuals after ISO 2720, from memory.
    assert ph.ev100_from_illuminance(lux) == pytest.approx(ev, abs=1e-12)


def test_constants_lie_in_the_standards_ranges():
    # ISO 2720:1974, from memory: K 10.6 to 13.4, C 240 to 400 flat, 320 to 540 cardioid.
    assert 10.6 <= ph.REFLECTED_CONSTANT_K <= 13.4
    assert 240 <= ph.INCIDENT_FLAT_CONSTANT_C <= 400 and 320 <= ph.INCIDENT_DOME_CONSTANT_C <= 540


def test_sunny_sixteen():
    # Common practice, no source: full sun is f/16 at 1/ISO s, i.e. EV 14.6 to 15.
    assert ph.ev100_from_settings(16, 1 / 100, 100) == pytest.approx(14.8, abs=0.2)
    assert ph.illuminance_from_ev100(14.64) == pytest.approx(64000, rel=0.01)


def test_incident_worked_values():
    # ISO 2720: H = C N^2 / S. Flat, f/8, ISO 100: 160 lx*s; dome: 217.6 lx*s. 1/125 s needs 20000 lx.
    assert ph.exposure_from_f_number(8, 100) == pytest.approx(160)
    assert ph.exposure_from_f_number(8, 100, ph.INCIDENT_DOME_CONSTANT_C) == pytest.approx(217.6)
    assert ph.shutter_from_illuminance(20000, 8, 100) == pytest.approx(1 / 125)


def test_meters_agree_on_the_grey_their_constants_imply():
    # ISO 2720: incident and reflected readings agree on a surface of reflectance pi K / C = 15.7 %.
    grey = math.pi * 12.5 / 250
    assert grey == pytest.approx(0.157, abs=5e-4)
    incident = ph.f_number_from_exposure(160.0, 100)
    reflected = ph.f_number_from_luminous_exposure(160.0 * grey / math.pi, 100)
    assert float(incident) == pytest.approx(float(reflected), rel=1e-12)


def test_dome_is_the_outline_of_a_hemisphere():
    # Projected area of a hemisphere over its base: (1 + cos) / 2; solid geometry, counted on a fine mesh of its skin.
    n = 400
    mu, alpha = (np.arange(n) + 0.5) / n, (np.arange(4 * n) + 0.5) / (4 * n) * 2 * math.pi
    s = np.sqrt(1 - mu**2)
    skin = np.stack([np.outer(s, np.cos(alpha)), np.outer(s, np.sin(alpha)), np.repeat(mu[:, None], 4 * n, 1)], -1)
    for angle in (0.0, 0.6, 1.3, math.pi / 2, 2.2, 3.0):
        toward = np.array([math.sin(angle), 0, math.cos(angle)])
        area = np.clip(skin @ toward, 0, None).mean() * 2 * math.pi
        assert area / math.pi == pytest.approx(float(ph.dome_response(math.cos(angle))), abs=2e-4)


def test_receptors_under_an_even_sky():
    # Uniform surround of luminance 1: flat pi (Lambert), dome 2 pi (integral of the cardioid), worked by quadrature.
    mu = (np.arange(20000) + 0.5) / 10000 - 1
    assert ph.flat_response(mu).mean() * 4 * math.pi == pytest.approx(math.pi, rel=1e-6)
    assert ph.dome_response(mu).mean() * 4 * math.pi == pytest.approx(2 * math.pi, rel=1e-9)


# -- camera -----------------------------------------------------------------------------------


def test_lens_factor():
    # ISO 12232, from memory: q = (pi / 4) T v cos^4(10 deg) with T = 0.9 and v = 0.98.
    q = math.pi / 4 * 0.9 * 0.98 * math.cos(math.radians(10)) ** 4
    assert pytest.approx(q, abs=0.002) == ph.LENS_FACTOR_Q


def test_standard_output_and_saturation_meet():
    # ISO 12232, from memory: 78 / S leaves half a stop over white, so 18 % lies at 0.18 x 78 / sqrt 2 = 9.93 / S.
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


def test_camera_equation_worked():
    # H = q L t / N^2, ISO 12232, from memory: 4096 cd/m2, 1/125 s, f/16 gives 0.0832 lx*s (10 / S = 0.1 at ISO 100).
    assert ph.focal_exposure_from_luminance(4096, 1 / 125, 16) == pytest.approx(0.0832, abs=1e-4)


# -- flash ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("guide_m", "rows"),
    [
        (40, [(28, 1.4), (20, 2), (14, 2.8), (10, 4), (7, 5.6), (5, 8)]),
        (32, [(22, 1.4), (16, 2), (11, 2.8), (8, 4)]),
    ],
)
def test_guide_number_table(guide_m, rows):
    # Guide-number tables as on the back of hand-held flashes (ISO 1230, from memory): f-number at ISO 100 by metres;
    # engraved f-numbers are up to 0.11 stop off their exact place.
    for f_number, distance_m in rows:
        got = ph.f_number_from_guide_number(guide_m, distance_m)
        assert abs(2 * math.log2(got / f_number)) < 0.12


def test_guide_number_with_film_speed():
    # Common practice, no source: twice the ISO is 1.4 times, four times the ISO twice the guide number.
    assert ph.guide_number_at_iso(40, 200) == pytest.approx(56.6, abs=0.05)
    assert ph.guide_number_at_iso(40, 400) == pytest.approx(80)
    assert ph.f_number_from_guide_number(40, 5, iso=400) == pytest.approx(16)


def test_guide_number_in_feet():
    # 1 ft = 0.3048 m (NIST SP 811): the familiar pair 58 m = 190 ft.
    assert ph.guide_number_m_from_ft(190) == pytest.approx(58, abs=0.1)


def test_guide_number_and_candela_seconds():
    # Handbook form, from memory: GN(feet) = sqrt(0.05 x BCPS x ISO), its constant equal to C = 215 rather than 250.
    bcps = ph.intensity_from_guide_number(ph.guide_number_m_from_ft(160.0))
    assert 2 * math.log2(math.sqrt(0.05 * bcps * 100) / 160.0) == pytest.approx(0.0, abs=0.25)


def test_doubling_the_distance():
    # Inverse square: two stops; common practice, no source.
    assert ph.falloff_stops_from_distances(1.5, 3.0) == pytest.approx(2.0)
    assert ph.f_number_from_guide_number(40, 2) / ph.f_number_from_guide_number(40, 4) == pytest.approx(2.0)


@pytest.mark.parametrize(("pops", "gained"), [(1, 0), (2, 1), (4, 2), (8, 3), (16, 4)])
def test_pops(pops, gained):
    # Common practice, no source: doubling the pops gains a stop.
    assert ph.pops_for_reading(8.0, 8.0 * 2 ** (gained / 2)) == pops


def test_pops_are_enough_and_no_more():
    # Exposures add (reciprocity): n pops give n times the light.
    for wanted in np.linspace(4, 40, 73):
        n = ph.pops_for_reading(8.0, float(wanted))
        assert 8.0 * math.sqrt(n) >= wanted * (1 - 1e-6) and (n == 1 or 8.0 * math.sqrt(n - 1) < wanted)


def test_shutter_scales_ambient_only():
    # Common practice, no source: two shutter stops change the ambient part by four and the flash not at all.
    fast, slow = (ph.total_exposure(100.0, 800.0, t) for t in (1 / 160, 1 / 40))
    assert float(fast) == pytest.approx(105) and float(slow) == pytest.approx(120)
    assert ph.flash_share(100.0, 800.0, 1 / 40) == pytest.approx(100 / 120)
    assert ph.flash_share(0.0, 0.0, 1 / 40) == 0.0


def test_sync_warning():
    # Common practice, no source: shutters faster than the sync darken part of the frame.
    assert ph.sync_warning(1 / 160, 1 / 200) is None and ph.sync_warning(1 / 200, 1 / 200) is None
    assert "1/250 s" in str(ph.sync_warning(1 / 250, 1 / 200))
    assert "1/160 s or slower" in str(ph.sync_warning(1 / 500, 1 / 160))


def test_recycling():
    # Energy over power: 500 J through a 70 % charger on 1000 W takes 0.714 s (definition of the watt).
    assert ph.recycling_s(500, 1000) == pytest.approx(0.714, abs=1e-3)


def test_error_in_stops():
    # 1 % of light is 0.0144 stop (d log2 x = dx / (x ln 2)).
    assert ph.error_stops_from_relative(0.01) == pytest.approx(math.log2(1.01), rel=0.01)


@given(positive, stops)
def test_stops_round_trip(light, change):
    # log2 and 2^x undo each other.
    assert float(ph.diff_stops(light * float(ph.factor_from_stops(change)), light)) == pytest.approx(change, abs=1e-9)


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
