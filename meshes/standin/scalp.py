"""The skull as a radius over directions, and the hairline drawn on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

from .skin import SkinTopology, group_share

# Hairline height above the eye centre in mm against bearing from the front in degrees: a shallow peak, a soft
# recess, the temple, then over and behind the ear to the nape. Set by eye: common practice, no source.
_BEARING = [0, 7, 18, 28, 36, 43, 49, 54, 60, 70, 80, 88, 94, 102, 114, 135, 155, 180]
_HEIGHT = [64, 66, 66, 61, 53, 42, 29, 17, 11, 9, 9, 6, -4, -22, -42, -54, -60, -63]


@dataclass(frozen=True)
class Scalp:
    """Skull of one build: centre, eye centre, and the skin points that carry no ear."""

    center: np.ndarray
    eye: np.ndarray
    directions: np.ndarray
    radii_m: np.ndarray
    tree: cKDTree

    def radius(self, unit: np.ndarray) -> np.ndarray:
        """Distance (n,) from the centre to the skin along unit directions (n, 3)."""
        distance, index = self.tree.query(unit, k=8)
        weight = 1.0 / (distance + 0.012) ** 3
        return (self.radii_m[index] * weight).sum(axis=1) / weight.sum(axis=1)

    def hair_field(self, points: np.ndarray, sideburns: bool = False) -> np.ndarray:
        """Height (n,) in metres above the hairline, positive where hair grows."""
        bearing = np.degrees(np.arctan2(np.abs(points[:, 0]), points[:, 2] - self.center[2]))
        height = PchipInterpolator(_BEARING, _HEIGHT)(bearing)
        if sideburns:
            height = height - 24.0 * np.exp(-(((bearing - 55.0) / 3.6) ** 2)) + 4.0 * np.exp(-((bearing / 25.0) ** 2))
            height = height + 7.0 * np.exp(-(((bearing - 35.0) / 9.0) ** 2))
        return points[:, 1] - self.eye[1] - 1e-3 * height


def scalp_of(skin: SkinTopology, rest: np.ndarray, ears: np.ndarray, eye: np.ndarray) -> Scalp:
    """Gather the skull points of one build; `ears` is the ear channel (n,)."""
    center = np.array([0.0, eye[1] + 0.028, eye[2] - 0.085])
    ear = ears > 0.04
    near_ear = cKDTree(rest[ear]).query(rest)[0] < 0.004
    skull = (group_share(skin.shares, "head", "neck") > 0.9) & ~near_ear & (rest[:, 1] > eye[1] - 0.115)
    # Leave the mouth cavity and sockets out: they lie well inside.
    offset = rest - center
    skull &= np.linalg.norm(offset, axis=1) > 0.062
    radii = np.linalg.norm(offset[skull], axis=1)
    directions = offset[skull] / radii[:, None]
    return Scalp(center, eye, directions, radii, cKDTree(directions))


def size_over(scalp: Scalp, reference: Scalp) -> np.ndarray:
    """Ratio (61, 120) of two skulls' radii over polar angle from +Y (0..180 deg) and bearing (-180..177 deg)."""
    polar, bearing = np.meshgrid(np.radians(np.arange(0, 181, 3)), np.radians(np.arange(-180, 180, 3)), indexing="ij")
    # Below the ears the ratio at their level is held.
    polar = np.minimum(polar, np.radians(105.0))
    unit = np.stack([np.sin(polar) * np.sin(bearing), np.cos(polar), np.sin(polar) * np.cos(bearing)], -1).reshape(
        -1, 3
    )
    ratio = (scalp.radius(unit) / reference.radius(unit)).reshape(polar.shape)
    return gaussian_filter(ratio, 0.5, mode=["nearest", "wrap"])


@dataclass(frozen=True)
class Comb:
    """Polar frame about the knot of the hair: strands run along meridians toward the pole."""

    pole: np.ndarray
    side: np.ndarray
    up: np.ndarray

    def direction(self, polar: np.ndarray, around: np.ndarray) -> np.ndarray:
        """Unit directions (..., 3) at polar angle from the pole and angle around it; around 0 is upward."""
        ring = np.cos(around)[..., None] * self.up + np.sin(around)[..., None] * self.side
        return np.cos(polar)[..., None] * self.pole + np.sin(polar)[..., None] * ring


def comb_toward(elevation_deg: float) -> Comb:
    """Frame whose pole lies behind the head at an elevation."""
    angle = np.radians(elevation_deg)
    pole = np.array([0.0, np.sin(angle), -np.cos(angle)])
    side = np.array([1.0, 0.0, 0.0])
    up = np.array([0.0, np.cos(angle), np.sin(angle)])
    return Comb(pole, side, up)


def meridian_ends(scalp: Scalp, comb: Comb, around: np.ndarray, sideburns: bool) -> np.ndarray:
    """Polar angle (n,) at which each meridian leaves the hair."""
    polar = np.linspace(np.radians(25.0), np.radians(158.0), 400)
    grid, column = np.meshgrid(polar, around, indexing="ij")
    unit = comb.direction(grid, column).reshape(-1, 3)
    on_skin = scalp.center + unit * scalp.radius(unit)[:, None]
    field = scalp.hair_field(on_skin, sideburns).reshape(grid.shape)
    outside = field < 0.0
    first = np.where(outside.any(axis=0), outside.argmax(axis=0), len(polar) - 1)
    return gaussian_filter1d(polar[first], 5.0 if sideburns else 2.5, mode="wrap")
