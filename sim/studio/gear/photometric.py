"""A lamp's photometric file as a luminous surface."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from sim.studio.gear import ies
from sim.studio.gear.body import Body
from sim.studio.gear.emitter import Emitter, Profile
from sim.studio.gear.modifiers import UnitLight

POINT_DIAMETER_M = 0.05  # size given to a lamp whose file says that it is a point; common practice, no source
SMALLEST_OPENING_M = 1e-3
MOST_THETA, MOST_PHI = 1801, 360


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
    body: tuple[Body, ...] = ()
    width, length, height = lamp.width_m, lamp.length_m, lamp.height_m
    sends_back = bool((lamp.candela[:, lamp.vertical_deg > 90] > 0).any())
    flat = not sends_back and abs(height) < SMALLEST_OPENING_M and min(lamp.vertical_deg) < 90
    n_phi = 1 if len(lamp.horizontal_deg) == 1 else min(MOST_PHI, max(24, _cells(lamp.horizontal_deg, 360.0)))
    end = math.pi / 2 if not sends_back else math.pi
    n_theta = min(MOST_THETA, max(91, _cells(lamp.vertical_deg, math.degrees(end)) + 1))
    theta, phi = np.linspace(0, end, n_theta), np.arange(n_phi) / n_phi * 2 * math.pi
    # Count azimuth against the clock as seen from behind the lamp (LM-63: from above); that is -phi looking along z.
    table = ies.intensity_cd(lamp, theta[None, :], -phi[:, None])
    diameter = max(abs(width), abs(length), abs(height))
    round_opening = (width < 0 or length < 0) and diameter > SMALLEST_OPENING_M
    if flat and (round_opening or min(width, length) > SMALLEST_OPENING_M):
        # Turn intensity into radiance of a flat face; hold the last degrees before its plane.
        table = table / np.maximum(np.cos(theta), math.cos(math.radians(89.0)))
        profile = Profile(theta_max_rad=end, table=_peak_one(table))
        if round_opening:
            face = Emitter("disc", diameter, ies.total_lumens(lamp), profile)
        else:
            # The file's length lies along the 0 plane, which is x here.
            face = Emitter("rectangle", length, ies.total_lumens(lamp), profile, height_m=width)
        return UnitLight((face,), body)
    ball = Emitter(
        "sphere",
        max(diameter, POINT_DIAMETER_M),
        ies.total_lumens(lamp),
        Profile(theta_max_rad=end, table=_peak_one(table)),
    )
    return UnitLight((ball,), body)


def _cells(angles_deg: np.ndarray, span_deg: float) -> int:
    """Return how many even cells over a span are as fine as the file's finest step."""
    return math.ceil(span_deg / float(np.diff(angles_deg).min()) - 1e-6)


def _peak_one(table: np.ndarray) -> np.ndarray:
    scaled: np.ndarray = (table / table.max()).astype(np.float32)
    return scaled
