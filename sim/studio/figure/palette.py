"""Named skin, hair and cloth colours as linear sRGB reflectance."""

from __future__ import annotations

import numpy as np

# Cheek and forehead colours, CIELAB under D65, laid out on the individual typology angle scale
# (very light > 55 deg, light 41-55, intermediate 28-41, tan 10-28, brown -30-10, dark < -30; [DelBinoBernerd:2013]).
# Lightness, a* and b* lie in the ranges measured by [Xiao:2017] and agree in level with the spectra of 100 people in
# [Cooksey:2017]. All ranges are given from memory: 2 in lightness
# moves how skin comes out by 0.1 to 0.2 stop, and no incident reading.
SKIN_LAB: dict[str, tuple[float, float, float]] = {
    "very light": (70.0, 9.0, 13.5),
    "light": (66.0, 10.5, 15.5),
    "medium": (61.0, 11.5, 17.0),
    "tan": (54.0, 12.5, 18.5),
    "brown": (44.0, 12.5, 17.0),
    "deep": (34.0, 10.5, 12.5),
}

# Hair albedo of a combed mass, linear sRGB, chosen by eye: common practice, no source.
HAIR_RGB: dict[str, tuple[float, float, float]] = {
    "black": (0.012, 0.010, 0.009),
    "dark brown": (0.030, 0.017, 0.010),
    "brown": (0.072, 0.040, 0.021),
    "auburn": (0.115, 0.042, 0.018),
    "blonde": (0.255, 0.180, 0.108),
    "grey": (0.270, 0.265, 0.255),
}

_D65_XYZ = np.array([0.95047, 1.0, 1.08883])
_RGB_FROM_XYZ = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)


def linear_rgb_from_lab(lab: tuple[float, float, float]) -> tuple[float, float, float]:
    """Linear sRGB from CIELAB under D65 (CIE 15 inverse, IEC 61966-2-1 matrix), clipped at 0."""
    fy = (lab[0] + 16.0) / 116.0
    f = np.array([fy + lab[1] / 500.0, fy, fy - lab[2] / 200.0])
    xyz = _D65_XYZ * np.where(f > 6.0 / 29.0, f**3, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0))
    red, green, blue = np.maximum(_RGB_FROM_XYZ @ xyz, 0.0)
    return float(red), float(green), float(blue)
