"""A lamp's photometric file as a luminous surface."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from sim.quantities.errors import HalfstopError
from sim.studio.gear import ies
from sim.studio.gear.emitter import Emitter, Profile, flux_from_profile
from sim.studio.gear.modifiers import UnitLight

POINT_DIAMETER_M = 0.05  # size given to a lamp whose file says that it is a point; common practice, no source
SMALLEST_OPENING_M = 1e-3
MOST_THETA, MOST_PHI = 1801, 360
# Least light of a face per square metre at a peak radiance of 1, against pi for an even one.
LEAST_SHARE = 1e-6


def shaped_from_file(path: str | Path) -> UnitLight:
    """Return the emitter of a photometric file, which carries the file's own lumens; it has no housing.

    Raises `SceneError` with the file's line.
    """
    return shaped_from_lamp(ies.read_ies(path))


def shaped_from_lamp(lamp: ies.PhotometricFile) -> UnitLight:
    """Return the emitter of a lamp.

    A flat opening that sends nothing backward becomes a rectangle or disc of its size, everything else a sphere of
    the lamp's largest size; both have the file's intensity in each direction, seen from afar. The file's 0 plane is
    +x of the light's frame: the light's left, for someone behind it.
    Does not: know where on the opening the light comes from (it is spread evenly), or draw a housing.
    """
    width, length, height = lamp.width_m, lamp.length_m, lamp.height_m
    sends_back = bool((lamp.candela[:, lamp.vertical_deg > 90] > 0).any())
    flat = not sends_back and abs(height) < SMALLEST_OPENING_M and min(lamp.vertical_deg) < 90
    theta, table = _sampled(lamp, math.pi if sends_back else math.pi / 2)
    diameter = max(abs(width), abs(length), abs(height))
    round_opening = (width < 0 or length < 0) and diameter > SMALLEST_OPENING_M
    flux_lm = ies.total_lumens(lamp)
    if flat and (round_opening or min(width, length) > SMALLEST_OPENING_M):
        # Turn intensity into radiance of a flat face; hold the last degrees before its plane.
        table = table / np.maximum(np.cos(theta), math.cos(math.radians(89.0)))
        profile = Profile(theta_max_rad=float(theta[-1]), table=_peak_one(table))
        if round_opening:
            face = Emitter("disc", diameter, flux_lm, profile)
        else:
            # The file's length lies along the 0 plane, which is x here.
            face = Emitter("rectangle", length, flux_lm, profile, height_m=width)
    else:
        profile = Profile(theta_max_rad=float(theta[-1]), table=_peak_one(table))
        face = Emitter("sphere", max(diameter, POINT_DIAMETER_M), flux_lm, profile)
    # A face that sends all its light along itself has no radiance to carry it.
    if not flux_from_profile(face) > LEAST_SHARE * face.area_m2():
        raise HalfstopError(
            "a photometric file gives light in its lamp's own plane alone; give the lamp a height there, or take "
            "another file"
        )
    return UnitLight((face,), ())


def _sampled(lamp: ies.PhotometricFile, end_rad: float) -> tuple[np.ndarray, np.ndarray]:
    """Return even angles (t,) from the axis to `end_rad` and the lamp's intensity there, (p, t), p azimuths."""
    n_phi = 1 if len(lamp.horizontal_deg) == 1 else min(MOST_PHI, max(24, _cells(lamp.horizontal_deg, 360.0)))
    n_theta = min(MOST_THETA, max(91, _cells(lamp.vertical_deg, math.degrees(end_rad)) + 1))
    theta, phi = np.linspace(0, end_rad, n_theta), np.arange(n_phi) / n_phi * 2 * math.pi
    # Count azimuth against the clock as seen from behind the lamp (LM-63: from above); that is -phi looking along z.
    table = ies.intensity_cd(lamp, theta[None, :], -phi[:, None])
    if not table.max() > 0:
        raise HalfstopError(
            "a photometric file gives light between two angles finer than a tenth of a degree alone; take another file"
        )
    return theta, table


def _cells(angles_deg: np.ndarray, span_deg: float) -> int:
    """Return how many even cells over a span are as fine as the file's finest step."""
    return math.ceil(span_deg / float(np.diff(angles_deg).min()) - 1e-6)


def _peak_one(table: np.ndarray) -> np.ndarray:
    scaled: np.ndarray = (table / table.max()).astype(np.float32)
    return scaled
