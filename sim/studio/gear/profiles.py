"""Directional profiles of photographic modifiers: how radiance depends on angle, as plain functions.

Angles are from the light's axis, in radians unless the name says `_deg`. A profile of 1 is a Lambertian surface.
Does not: know about surfaces, lumens or scenes (that is `sim.studio.gear`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def circle_overlap_area(radius_a_m: ArrayLike, radius_b_m: ArrayLike, distance_m: ArrayLike) -> FloatArray:
    """Return the area two circles have in common.

    Args: radii in metres (>= 0) and the distance between the centres in metres (>= 0); broadcast together.
    Source: plane geometry (two circular segments), e.g. [Weisstein].

    >>> round(float(circle_overlap_area(1.0, 1.0, 1.0)), 6)
    1.22837
    """
    a, b, d = np.broadcast_arrays(
        np.asarray(radius_a_m, float), np.asarray(radius_b_m, float), np.asarray(distance_m, float)
    )
    small, large = np.minimum(a, b), np.maximum(a, b)
    cross = (d > large - small) & (d < a + b)
    # Sum the two circular segments where the circles cross.
    r, q, x = (np.where(cross, v, 1.0) for v in (a, b, d))
    half_a = np.arccos(np.clip((x**2 + r**2 - q**2) / (2 * x * r), -1, 1))
    half_b = np.arccos(np.clip((x**2 + q**2 - r**2) / (2 * x * q), -1, 1))
    kite = np.sqrt(np.clip((-x + r + q) * (x + r - q) * (x - r + q) * (x + r + q), 0, None)) / 2
    # Take the whole smaller circle where it lies inside, nothing where they are apart.
    apart_or_inside = np.where(d >= a + b, 0.0, math.pi * small**2)
    return np.where(cross, r**2 * half_a + q**2 * half_b - kite, apart_or_inside)


def honeycomb_transmission(theta_rad: ArrayLike, cutoff_half_angle_rad: float) -> FloatArray:
    """Return the fraction of a honeycomb cell open to light at an angle: the overlap of its two end circles.

    Args: angle from the axis in radians (0 to pi); half-angle at which a cell closes, radians (0 to pi/2).
    A cell of diameter d and depth l closes where tan(theta) = d/l; the ends overlap as two equal circles do.
    Does not: model the walls' thickness or the light they reflect (walls are black).
    Source: closed form of two equal circles (see `circle_overlap_area`).

    >>> round(float(honeycomb_transmission(math.atan(0.5 * math.tan(0.1)), 0.1)), 6)   # half-way in tangent
    0.391002
    """
    theta = np.asarray(theta_rad, float)
    ahead = theta < math.pi / 2
    # Shift one end by its distance in cell diameters, and share the overlap out over one end.
    shift = np.tan(np.where(ahead, theta, 0.0)) / math.tan(cutoff_half_angle_rad)
    return np.where(ahead, circle_overlap_area(1.0, 1.0, 2 * shift) / math.pi, 0.0)


def eggcrate_transmission(theta_rad: ArrayLike, phi_rad: ArrayLike, cutoff_half_angle_rad: float) -> FloatArray:
    """Return the open fraction of square fabric-grid cells at an angle: the overlap of two equal squares.

    Args: angle from the axis and azimuth in radians (azimuth 0 along the cells' sides); half-angle across a
    side at which a cell closes, radians (0 to pi/2).
    Does not: model sagging, the cloth's thickness or its reflectance (walls are flat and black).

    >>> round(float(eggcrate_transmission(math.atan(0.5 * math.tan(0.3)), 0.0, 0.3)), 6)
    0.5
    """
    theta, phi = np.asarray(theta_rad, float), np.asarray(phi_rad, float)
    ahead = theta < math.pi / 2
    t = np.tan(np.where(ahead, theta, 0.0)) / math.tan(cutoff_half_angle_rad)
    across = np.clip(1 - np.abs(t * np.cos(phi)), 0, None) * np.clip(1 - np.abs(t * np.sin(phi)), 0, None)
    return np.where(ahead, across, 0.0)


def cutoff_half_angle_from_nominal(nominal_deg: float) -> float:
    """Return a grid's cut-off half-angle in radians from the angle printed on it, in degrees (0 to 170).

    Convention here: a "10 degree" grid is dark beyond 5 degrees off its axis, so the nominal angle is the full
    angle to cut-off (common practice, no source: makers differ, and some print the angle to half intensity).

    >>> round(math.degrees(cutoff_half_angle_from_nominal(10)), 6)
    5.0
    """
    return math.radians(nominal_deg) / 2


def cosine_power_from_beam(beam_deg: float) -> float:
    """Return m for which intensity cos(theta)^m falls to one half at half the beam angle.

    Args: full angle between the half-intensity directions, degrees (above 0, below 180; 120 is Lambertian).

    >>> round(cosine_power_from_beam(120.0), 6)
    1.0
    """
    return math.log(0.5) / math.log(math.cos(math.radians(beam_deg) / 2))


def cosine_power_profile(theta_rad: ArrayLike, beam_deg: float) -> FloatArray:
    """Return the relative radiance of an opening whose intensity is cos(theta)^m (m from the beam angle).

    Beyond 120 degrees the radiance would rise without limit toward the rim; it is held from 87 degrees on.
    Does not: model the rings, seams and lamp image of a real reflector. Common practice, no source.

    >>> round(float(cosine_power_profile(math.radians(32.5), 65.0)), 4)      # 0.5 / cos(32.5 deg)
    0.5928
    """
    power = cosine_power_from_beam(beam_deg) - 1
    floor = math.cos(math.radians(87.0)) if power < 0 else 0.0
    cosine: FloatArray = np.clip(np.cos(np.asarray(theta_rad, float)), floor, 1.0)
    return np.power(cosine, power)


def spot_cutoff_half_angle_rad(beam_deg: float) -> float:
    """Return where the fresnel-like spot's field ends: 1.8 times the half-intensity half-angle, at most 80 degrees.

    >>> round(math.degrees(spot_cutoff_half_angle_rad(20.0)), 6)
    18.0
    """
    return min(1.8 * math.radians(beam_deg) / 2, math.radians(80.0))


def spot_profile(theta_rad: ArrayLike, beam_deg: float) -> FloatArray:
    """Return the relative radiance of a fresnel-like spot: a smooth bell, half intensity at half the beam angle.

    Args: angle in radians; full beam angle to half intensity in degrees (above 0, at most 80).
    The intensity is (1 - (theta/end)^2)^p with p set by the half-intensity angle; common practice, no source.
    Does not: model lens rings, colour fringes or the lamp's image at full flood.

    >>> bool(abs(spot_profile(math.radians(6.0), 12.0) * math.cos(math.radians(6.0)) - 0.5) < 1e-12)
    True
    """
    theta = np.asarray(theta_rad, float)
    end = spot_cutoff_half_angle_rad(beam_deg)
    power = math.log(0.5) / math.log(1 - (math.radians(beam_deg) / 2 / end) ** 2)
    bell = np.clip(1 - (theta / end) ** 2, 0.0, 1.0) ** power
    return np.where(theta < end, bell / np.cos(np.minimum(theta, end)), 0.0)


def hot_spot_gain_from_stops(hot_spot_stops: float, edge_sigmas: float) -> float:
    """Return the gain of 1 + gain exp(-r^2 / 2 sigma^2) that makes a centre so many stops brighter than its edge.

    Args: stops (>= 0); the edge's distance from the centre over sigma, large enough that the bell can do it:
    2^stops exp(-edge^2 / 2) < 1, otherwise ValueError.

    >>> gain = hot_spot_gain_from_stops(1.0, 2.0)
    >>> round((1 + gain) / (1 + gain * math.exp(-2.0)), 6)
    2.0
    """
    ratio, edge = 2.0**hot_spot_stops, math.exp(-(edge_sigmas**2) / 2)
    if ratio * edge >= 1:
        raise ValueError(f"a bell {edge_sigmas} sigmas wide cannot fall by {hot_spot_stops} stops")
    return float((ratio - 1) / (1 - ratio * edge))
