"""Colours of lamps, gels and white balance as linear sRGB weights, and the sRGB curve.

Colours are linear sRGB (ITU-R BT.709 primaries, D65 white). A lamp's colour is scaled to luminance 1, so that it
changes the hue of its light and never its lumens.
Does not: work with spectra. A gel over a lamp, and the reflection of coloured light, are products of three channels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

LUMINANCE_WEIGHTS = (
    0.2126390059,
    0.7151686788,
    0.0721923154,
)  # second row of [IEC61966-2-1:1999]'s RGB to XYZ matrix
# XYZ to linear sRGB, inverse of the matrix of BT.709 primaries and D65 (x 0.3127, y 0.3290); IEC 61966-2-1.
_RGB_FROM_XYZ = np.array(
    [
        [3.2409699419, -1.5373831776, -0.4986107603],
        [-0.9692436363, 1.8759675015, 0.0415550574],
        [0.0556300797, -0.2039769589, 1.0569715142],
    ]
)
_PLANCK_FIRST_MIRED, _PLANCK_STEP_MIRED = 190.0, 15.0
# Chromaticities x, y (CIE 1931, 2 degrees) of Planckian radiators each 15 mired from 190; integrated at 1 nm with
# colour-science, which the tests repeat.
_PLANCK_XY = np.array(
    [
        (0.33811, 0.34588),
        (0.34862, 0.35440),
        (0.35922, 0.36241),
        (0.36984, 0.36987),
        (0.38044, 0.37675),
        (0.39097, 0.38303),
        (0.40138, 0.38871),
        (0.41163, 0.39379),
        (0.42170, 0.39826),
        (0.43156, 0.40216),
        (0.44118, 0.40549),
        (0.45054, 0.40828),
        (0.45964, 0.41055),
        (0.46846, 0.41234),
        (0.47700, 0.41368),
        (0.48525, 0.41459),
        (0.49321, 0.41511),
        (0.50089, 0.41528),
        (0.50828, 0.41511),
        (0.51540, 0.41465),
        (0.52226, 0.41392),
        (0.52884, 0.41295),
        (0.53518, 0.41176),
        (0.54127, 0.41039),
        (0.54713, 0.40884),
        (0.55276, 0.40715),
        (0.55818, 0.40532),
        (0.56339, 0.40339),
        (0.56840, 0.40137),
        (0.57323, 0.39927),
        (0.57787, 0.39710),
        (0.58235, 0.39488),
        (0.58666, 0.39262),
        (0.59081, 0.39033),
        (0.59482, 0.38801),
        (0.59870, 0.38568),
        (0.60243, 0.38335),
        (0.60604, 0.38101),
        (0.60953, 0.37867),
        (0.61291, 0.37635),
        (0.61617, 0.37404),
        (0.61933, 0.37174),
        (0.62239, 0.36947),
        (0.62536, 0.36722),
        (0.62823, 0.36499),
        (0.63102, 0.36280),
        (0.63372, 0.36063),
        (0.63634, 0.35849),
        (0.63889, 0.35639),
        (0.64136, 0.35432),
        (0.64377, 0.35228),
        (0.64610, 0.35028),
        (0.64837, 0.34831),
        (0.65058, 0.34638),
        (0.65273, 0.34449),
    ]
)
PLANCK_ONLY_BELOW_K = 4000.0
DAYLIGHT_ONLY_ABOVE_K = 5000.0
LOWEST_K, HIGHEST_K = 1000.0, 25000.0
GEL_SURFACE_TRANSMISSION = (
    0.9  # what a clear filter loses at its surfaces leaves about this; common practice, no source
)


def mired_from_temperature(temperature_K: float) -> float:
    """Return the reciprocal colour temperature in mired (micro reciprocal degrees): 10^6 / T.

    >>> mired_from_temperature(5000.0)
    200.0
    """
    return 1e6 / temperature_K


def temperature_through_gel(temperature_K: float, shift_mired: float) -> float:
    """Return the colour temperature of a lamp behind a correction gel; positive shifts are warmer.

    The result is held between 1000 K and 25000 K.

    >>> round(temperature_through_gel(5500.0, 131.0))
    3197
    """
    mired = mired_from_temperature(temperature_K) + shift_mired
    return min(HIGHEST_K, max(LOWEST_K, 1e6 / mired if mired > 0 else HIGHEST_K))


def daylight_xy_from_temperature(temperature_K: float) -> tuple[float, float]:
    """Return the chromaticity of CIE daylight, 4000 K to 25000 K.

    Source: daylight locus of [CIE15:2018] after [Judd:1964]; held against a reference library in the tests.

    >>> tuple(round(v, 4) for v in daylight_xy_from_temperature(6504.0))
    (0.3127, 0.3291)
    """
    k = 1e3 / temperature_K
    if temperature_K <= 7000.0:
        x = -4.6070 * k**3 + 2.9678 * k**2 + 0.09911 * k + 0.244063
    else:
        x = -2.0064 * k**3 + 1.9018 * k**2 + 0.24748 * k + 0.237040
    return x, -3.000 * x**2 + 2.870 * x - 0.275


def planck_xy_from_temperature(temperature_K: float) -> tuple[float, float]:
    """Return the chromaticity of a Planckian radiator, 1000 K to 5263 K, to 0.0001.

    >>> tuple(round(v, 3) for v in planck_xy_from_temperature(2855.5))     # CIE illuminant A
    (0.448, 0.407)
    """
    at = (mired_from_temperature(temperature_K) - _PLANCK_FIRST_MIRED) / _PLANCK_STEP_MIRED
    place = np.arange(len(_PLANCK_XY))
    return float(np.interp(at, place, _PLANCK_XY[:, 0])), float(np.interp(at, place, _PLANCK_XY[:, 1]))


def xy_from_temperature(temperature_K: float) -> tuple[float, float]:
    """Return the chromaticity of a lamp by its colour temperature, 1000 K to 25000 K.

    Planck's below 4000 K, CIE daylight above 5000 K, and between them a mixture that leaves no jump.

    >>> tuple(round(v, 3) for v in xy_from_temperature(3200.0))
    (0.423, 0.399)
    """
    if temperature_K <= PLANCK_ONLY_BELOW_K:
        return planck_xy_from_temperature(temperature_K)
    if temperature_K >= DAYLIGHT_ONLY_ABOVE_K:
        return daylight_xy_from_temperature(temperature_K)
    warm, cool = mired_from_temperature(PLANCK_ONLY_BELOW_K), mired_from_temperature(DAYLIGHT_ONLY_ABOVE_K)
    part = (warm - mired_from_temperature(temperature_K)) / (warm - cool)
    (xp, yp), (xd, yd) = (
        planck_xy_from_temperature(temperature_K),
        daylight_xy_from_temperature(temperature_K),
    )
    return xp + part * (xd - xp), yp + part * (yd - yp)


def rgb_from_xy(x: float, y: float) -> FloatArray:
    """Return linear sRGB of luminance 1 for a chromaticity; a channel outside the gamut is set to 0.

    >>> [round(float(v), 3) for v in rgb_from_xy(0.3127, 0.3290)]
    [1.0, 1.0, 1.0]
    """
    rgb = _RGB_FROM_XYZ @ np.array([x / y, 1.0, (1 - x - y) / y])
    clipped = np.clip(rgb, 0, None)
    white: FloatArray = clipped / luminance(clipped)
    return white


def rgb_from_temperature(temperature_K: float) -> FloatArray:
    """Return linear sRGB of luminance 1 for a lamp's colour temperature, 1000 K to 25000 K.

    >>> [round(float(v), 3) for v in rgb_from_temperature(5600.0)]
    [1.091, 0.989, 0.841]
    """
    return rgb_from_xy(*xy_from_temperature(temperature_K))


def white_balance_weights(temperature_K: float) -> FloatArray:
    """Return channel weights that make a lamp of this temperature neutral with its luminance kept: (1, 1, 1).

    Below about 1900 K sRGB holds no blue; the blue weight stops at 100.

    >>> weights = white_balance_weights(3200.0)
    >>> [round(float(v), 6) for v in weights * rgb_from_temperature(3200.0)]
    [1.0, 1.0, 1.0]
    """
    return 1 / np.maximum(rgb_from_temperature(temperature_K), 0.01)


def luminance(rgb: ArrayLike) -> FloatArray:
    """Return the luminance of linear sRGB, shape (..., 3) to (...).

    >>> float(luminance([1.0, 1.0, 1.0]).round(6))
    1.0
    """
    weighted: FloatArray = np.asarray(rgb, float) @ np.asarray(LUMINANCE_WEIGHTS)
    return weighted


# -- hex and the display curve ----------------------------------------------------------------


def linear_from_srgb(encoded: ArrayLike) -> FloatArray:
    """Return linear values from sRGB-encoded ones, both 0 to 1 (IEC 61966-2-1).

    >>> round(float(linear_from_srgb(0.5)), 6)
    0.214041
    """
    v = np.asarray(encoded, float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: ArrayLike) -> FloatArray:
    """Return sRGB-encoded values from linear ones, 0 to 1; others are clipped (IEC 61966-2-1).

    >>> round(float(srgb_from_linear(0.18)) * 255)
    118
    """
    v = np.clip(np.asarray(linear, float), 0, 1)
    srgb: FloatArray = np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055)
    return srgb


def rgb_from_hex(text: str) -> FloatArray:
    """Return linear sRGB from `#rrggbb`.

    >>> [round(float(v), 4) for v in rgb_from_hex("#ff8800")]
    [1.0, 0.2462, 0.0]
    """
    digits = text.strip().lstrip("#")
    return linear_from_srgb([int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)])


def light_rgb_from_hex(text: str) -> FloatArray:
    """Return the colour of a lamp given as hex, scaled to luminance 1; black counts as white.

    >>> round(float(luminance(light_rgb_from_hex("#ffd0a0"))), 6)
    1.0
    """
    rgb = rgb_from_hex(text)
    scale = float(luminance(rgb))
    return rgb / scale if scale > 0 else np.ones(3)


# -- gels -------------------------------------------------------------------------------------


def gel_rgb_from_mired(shift_mired: float, temperature_K: float, transmission: float | None = None) -> FloatArray:
    """Return the channel factors of a correction gel over a lamp.

    Args: shift in mired, positive warmer; the lamp's colour temperature in K; luminous transmission for that
    lamp (0 to 1) if known, otherwise the most a filter of this colour can pass, less its surface loss.
    Does not: know a real filter's spectrum; a stated transmission is better than the default.

    >>> [round(float(v), 2) for v in gel_rgb_from_mired(131.0, 5500.0)]
    [0.9, 0.52, 0.23]
    """
    before = rgb_from_temperature(temperature_K)
    after = rgb_from_temperature(temperature_through_gel(temperature_K, shift_mired))
    ratio: FloatArray = after / np.maximum(before, 0.01)
    if transmission is None:
        brightest: FloatArray = ratio / ratio.max() * GEL_SURFACE_TRANSMISSION
        return brightest
    return ratio * (transmission * float(luminance(before)) / float(luminance(ratio * before)))


def gel_rgb_from_hex(text: str, transmission: float | None = None) -> FloatArray:
    """Return the channel factors of a colour gel by the colour that it gives white light.

    Args: `#rrggbb`; luminous transmission (0 to 1), by default the luminance of the colour itself.

    >>> round(float(luminance(gel_rgb_from_hex("#ff8800", 0.4))), 6)
    0.4
    """
    rgb = rgb_from_hex(text)
    if transmission is None:
        return rgb
    scale = float(luminance(rgb))
    return rgb * (transmission / scale) if scale > 0 else np.full(3, transmission)


def transmission_from_nd(nd_stops: float) -> float:
    """Return the transmission of a neutral density filter by its stops.

    >>> transmission_from_nd(1.0)
    0.5
    """
    return float(2.0**-nd_stops)
