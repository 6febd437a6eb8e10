"""Colours against colour-science, CIE values and filter arithmetic."""

from __future__ import annotations

import doctest
import math
import subprocess
import sys
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sim.quantities.color as co

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

OBSERVER = "CIE 1931 2 Degree Standard Observer"
kelvin = st.floats(1000, 25000)


def test_docstring_numbers():
    # The worked numbers in the docstrings are part of the tests.
    assert doctest.testmod(co).failed == 0


def test_the_slow_library_stays_out():
    # The module is arithmetic: importing it must not start colour-science.
    code = "import sim.quantities.color, sys; sys.exit('colour' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(("name", "temperature"), [("D50", 5003), ("D55", 5503), ("D65", 6504), ("D75", 7504)])
def test_daylight_illuminants(name, temperature):
    # CIE 15 chromaticities of the D illuminants, tabled in colour-science.
    expected = colour.CCS_ILLUMINANTS[OBSERVER][name]
    assert co.daylight_xy_from_temperature(temperature) == pytest.approx(tuple(expected), abs=3e-4)


def test_illuminant_A():
    # CIE 15: illuminant A, x 0.44758, y 0.40745; Planck at 2855.5 K with c2 = 1.4388e-2 m K.
    assert co.planck_xy_from_temperature(2855.5) == pytest.approx(
        tuple(colour.CCS_ILLUMINANTS[OBSERVER]["A"]), abs=1.5e-4
    )


@pytest.mark.parametrize("temperature", [1000, 1850, 2700, 3200, 3400, 4000, 4800])
def test_planck_by_integration(temperature):
    # Planck's law through the CIE 1931 observer, integrated by colour-science.
    shape = colour.SpectralShape(360, 830, 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", colour.utilities.ColourRuntimeWarning)
        XYZ = colour.sd_to_XYZ(colour.sd_blackbody(temperature, shape), colour.MSDS_CMFS[OBSERVER])
    assert co.planck_xy_from_temperature(temperature) == pytest.approx(tuple(colour.XYZ_to_xy(XYZ)), abs=1e-4)


@pytest.mark.parametrize("temperature", [4000, 5000, 5600, 6500, 7000, 7100, 10000, 20000])
def test_daylight_locus(temperature):
    # CIE daylight locus in colour-science; its formula is that of CIE 15.
    expected = colour.temperature.CCT_to_xy_CIE_D(temperature)
    assert co.daylight_xy_from_temperature(temperature) == pytest.approx(tuple(expected), abs=5e-5)


@pytest.mark.parametrize("temperature", [2000, 2700, 3200, 4300, 5600, 6500, 9000])
def test_correlated_color_temperature_comes_back(temperature):
    # Ohno 2013, as in colour-science: the chromaticity's correlated colour temperature is the one asked for.
    xy = np.array(co.xy_from_temperature(temperature))
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(xy)))
    assert colour.temperature.uv_to_CCT_Ohno2013(uv)[0] == pytest.approx(temperature, rel=0.01)


def test_matrix_and_weights():
    # IEC 61966-2-1: matrices of the sRGB primaries, as colour-science derives them.
    space = colour.RGB_COLOURSPACES["sRGB"]
    space.use_derived_transformation_matrices(True)
    try:
        assert np.asarray(co.LUMINANCE_WEIGHTS) == pytest.approx(space.matrix_RGB_to_XYZ[1], abs=1e-4)
        white = co.rgb_from_xy(0.3127, 0.3290)
        assert white == pytest.approx(np.ones(3), abs=1e-3)
        xy = co.xy_from_temperature(3200)
        expected = space.matrix_XYZ_to_RGB @ colour.xy_to_XYZ(np.array(xy))
        assert co.rgb_from_temperature(3200) == pytest.approx(expected, abs=2e-3)
    finally:
        space.use_derived_transformation_matrices(False)


def test_display_curve():
    # IEC 61966-2-1 transfer function, as in colour-science.
    v = np.linspace(0, 1, 257)
    assert co.linear_from_srgb(v) == pytest.approx(colour.models.eotf_sRGB(v), abs=1e-12)
    assert co.srgb_from_linear(v) == pytest.approx(colour.models.eotf_inverse_sRGB(v), abs=1e-12)


def test_middle_grey():
    # [ISO12232:2019]: 18 % is shown as sRGB 118 of 255.
    assert round(255 * float(co.srgb_from_linear(0.18))) == 118


@pytest.mark.parametrize(
    ("shift", "before", "after"),
    [
        (-131, 3200, 5500),
        (-112, 3400, 5500),
        (131, 5500, 3200),
        (112, 5500, 3400),
        (-81, 3800, 5500),
        (-56, 4200, 5500),
    ],
)
def test_conversion_filters(shift, before, after):
    # Light-balancing filters as tabled for film (80 and 85 series): each shift is 10^6 / to - 10^6 / from, rounded.
    assert co.temperature_through_gel(before, shift) == pytest.approx(after, rel=0.015)


def test_mired_arithmetic_worked():
    # Definition of the mired: 10^6 / T. 5600 K is 179, 3200 K is 312.5, a full warming gel between them is +134.
    assert co.mired_from_temperature(5600) == pytest.approx(178.6, abs=0.05)
    assert co.mired_from_temperature(3200) - co.mired_from_temperature(5600) == pytest.approx(133.9, abs=0.05)
    # The same gel changes a cool lamp by more kelvin than a warm one.
    assert 5600 - co.temperature_through_gel(5600, 60) > 3200 - co.temperature_through_gel(3200, 60)


@given(st.floats(2000, 10000), st.floats(-60, 60), st.floats(-60, 60))
def test_mired_shifts_add(temperature, a, b):
    # Shifts in mired add up, whatever the order.
    both = co.temperature_through_gel(temperature, a + b)
    one_by_one = co.temperature_through_gel(co.temperature_through_gel(temperature, b), a)
    assert one_by_one == pytest.approx(both, rel=1e-9)


@pytest.mark.parametrize(
    ("shift", "low", "high"), [(131, 0.45, 0.65), (60, 0.6, 0.8), (-131, 0.25, 0.45), (-60, 0.45, 0.65)]
)
def test_default_transmission_of_correction_gels(shift, low, high):
    # An estimate of what swatch books print: full warm about 55 %, half warm 70 %, full cool 34 %, half cool 55 %; the
    # bounds are 0.3 to 0.4 stop to either side, which is what a reading through such a gel may be off by.
    lamp = 5500.0 if shift > 0 else 3200.0
    before = co.rgb_from_temperature(lamp)
    assert low < float(co.luminance(co.gel_rgb_from_mired(shift, lamp) * before)) < high


@given(kelvin)
def test_lamp_colors_keep_their_lumens(temperature):
    # A colour changes the hue, not the luminance: 1 by definition.
    rgb = co.rgb_from_temperature(temperature)
    assert float(co.luminance(rgb)) == pytest.approx(1.0, abs=1e-12) and (rgb >= 0).all()


@given(st.floats(2000, 25000))
def test_white_balance_makes_its_lamp_neutral(temperature):
    # Definition of white balance.
    assert co.white_balance_weights(temperature) * co.rgb_from_temperature(temperature) == pytest.approx(np.ones(3))


@given(kelvin, kelvin)
def test_warmer_lamps_are_redder(a, b):
    # A lower colour temperature has more red and less blue (Planck, CIE daylight); no jump between the two.
    if abs(co.mired_from_temperature(a) - co.mired_from_temperature(b)) < 1:
        return
    warm, cool = co.rgb_from_temperature(min(a, b)), co.rgb_from_temperature(max(a, b))
    assert warm[0] > cool[0] and warm[2] <= cool[2]


def test_no_jump_between_planck_and_daylight():
    # Chromaticity is continuous where the two formulas meet.
    for edge in (co.PLANCK_ONLY_BELOW_K, co.DAYLIGHT_ONLY_ABOVE_K):
        below, above = (np.array(co.xy_from_temperature(edge + d)) for d in (-0.01, 0.01))
        assert np.abs(above - below).max() < 1e-5


@given(st.integers(0, 0xFFFFFF), st.floats(0.01, 1))
def test_color_gels_pass_their_transmission(code, transmission):
    # Luminous transmission for white light is the one stated.
    rgb = co.gel_rgb_from_hex(f"#{code:06x}", transmission)
    assert float(co.luminance(rgb)) == pytest.approx(transmission, rel=1e-9)


@given(st.floats(-150, 150), st.floats(2700, 8000), st.floats(0.05, 1))
def test_correction_gels_pass_their_transmission(shift, temperature, transmission):
    # Luminous transmission for the lamp it is put on is the one stated.
    before = co.rgb_from_temperature(temperature)
    rgb = co.gel_rgb_from_mired(shift, temperature, transmission)
    assert float(co.luminance(rgb * before)) == pytest.approx(transmission, rel=1e-9)
    assert (co.gel_rgb_from_mired(shift, temperature) <= 1).all()


def test_hex_and_back():
    # IEC 61966-2-1: sRGB values of a colour survive the round trip through linear light.
    for code in ("#000000", "#241433", "#ff8800", "#ffffff", "#6b6560"):
        values = [round(255 * float(v)) for v in co.srgb_from_linear(co.rgb_from_hex(code))]
        assert "#" + "".join(f"{v:02x}" for v in values) == code
    assert math.isclose(float(co.luminance(co.light_rgb_from_hex("#0000ff"))), 1.0)
    assert (co.light_rgb_from_hex("#000000") == 1).all()
