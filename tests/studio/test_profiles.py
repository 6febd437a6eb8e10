"""Directional profiles against ray counts and plane geometry."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import qmc

import sim.studio.gear.profiles as pr


def test_docstring_numbers():
    # The worked numbers in the docstrings are part of the tests.
    assert doctest.testmod(pr).failed == 0


def test_two_unit_circles_a_radius_apart():
    # Plane geometry, vesica piscis: 2 pi / 3 - sqrt(3) / 2.
    assert float(pr.circle_overlap_area(1, 1, 1)) == pytest.approx(2 * math.pi / 3 - math.sqrt(3) / 2, rel=1e-12)


@pytest.mark.parametrize(("a", "b", "d"), [(1, 0.6, 0.8), (1, 1, 0.3), (0.5, 1, 1.2), (1, 0.3, 0.5), (1, 0.5, 2.0)])
def test_circle_overlap_by_counting(a, b, d):
    # Independent count of quasi-random points inside both circles.
    u = (2 * qmc.Sobol(2, seed=1).random_base2(16) - 1) * a
    inside = (np.hypot(u[:, 0], u[:, 1]) < a) & (np.hypot(u[:, 0] - d, u[:, 1]) < b)
    assert float(pr.circle_overlap_area(a, b, d)) == pytest.approx(inside.mean() * 4 * a * a, abs=3e-3 * a * a)


@given(st.floats(0.01, 2), st.floats(0.01, 2), st.floats(0, 5))
def test_circle_overlap_is_bounded_and_symmetric(a, b, d):
    # An overlap is no larger than the smaller circle, whichever is named first.
    area = float(pr.circle_overlap_area(a, b, d))
    assert -1e-12 <= area <= math.pi * min(a, b) ** 2 * (1 + 1e-9)
    assert area == pytest.approx(float(pr.circle_overlap_area(b, a, d)), abs=1e-9)


@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.75, 0.95])
def test_grid_curve_by_rays_through_a_cell(part):
    # Parallel rays at an angle through a black tube: those that enter and leave; counted, no formula shared.
    diameter, half = 0.005, math.radians(20.0)
    length = diameter / math.tan(half)
    theta = math.atan(part * math.tan(half))
    u = (qmc.Sobol(2, seed=2).random_base2(16) - 0.5) * diameter
    enters = np.hypot(u[:, 0], u[:, 1]) < diameter / 2
    leaves = np.hypot(u[:, 0] + length * math.tan(theta), u[:, 1]) < diameter / 2
    assert float(pr.honeycomb_transmission(theta, half)) == pytest.approx(
        (enters & leaves).sum() / enters.sum(), abs=3e-3
    )


def test_grid_curve_values():
    # Two equal circles a part s of their diameter apart: (2/pi)(acos s - s sqrt(1 - s^2)); 0, 1/2, 1 worked by hand.
    half = math.radians(5.0)
    for s, value in ((0.0, 1.0), (0.5, 0.3910), (1.0, 0.0)):
        got = float(pr.honeycomb_transmission(math.atan(s * math.tan(half)), half))
        assert got == pytest.approx(value, abs=1e-4)
    assert float(pr.honeycomb_transmission(math.pi / 2, half)) == 0.0
    assert float(pr.honeycomb_transmission(3.0, half)) == 0.0


@pytest.mark.parametrize(("theta_deg", "phi_deg"), [(0, 0), (10, 0), (10, 45), (19, 20), (24, 45), (26, 45), (35, 0)])
def test_fabric_grid_by_rays_through_a_cell(theta_deg, phi_deg):
    # The same count for a square cell.
    half, side = math.radians(20.0), 0.04
    length = side / math.tan(half)
    t, p = math.radians(theta_deg), math.radians(phi_deg)
    u = (qmc.Sobol(2, seed=3).random_base2(16) - 0.5) * side
    x = u[:, 0] + length * math.tan(t) * math.cos(p)
    y = u[:, 1] + length * math.tan(t) * math.sin(p)
    leaves = (np.abs(x) < side / 2) & (np.abs(y) < side / 2)
    assert float(pr.eggcrate_transmission(t, p, half)) == pytest.approx(leaves.mean(), abs=2e-3)


def test_ten_degree_pool():
    # Common practice, no source: a pool is 2 x distance x tan(half the nominal angle) wide; 0.35 m at 2 m.
    assert 2 * 2.0 * math.tan(pr.cutoff_half_angle_from_nominal(10.0)) == pytest.approx(0.350, abs=5e-4)


@given(st.floats(5, 160))
def test_beam_angle(beam):
    # Definition of the beam angle [IESLS1:2020]: intensity is one half at half the angle.
    t = math.radians(beam / 2)
    intensity = float(pr.cosine_power_profile(t, beam)) * math.cos(t)
    assert intensity == pytest.approx(0.5, rel=1e-6)


@given(st.floats(3, 90), st.floats(0, math.pi))
def test_spot_is_dark_beyond_its_field(beam, theta):
    # The field ends; inside it the intensity falls steadily from 1.
    value = float(pr.spot_profile(theta, beam))
    end = pr.spot_cutoff_half_angle_rad(beam)
    assert (value == 0) if theta >= end else 0 <= value * math.cos(theta) <= 1 + 1e-12


def test_hot_spot_that_cannot_be():
    # A bell too wide for the stops asked is refused rather than turned negative.
    with pytest.raises(ValueError, match="cannot fall"):
        pr.hot_spot_gain_from_stops(3.0, 1.0)
