"""Exposure arithmetic: lux-seconds to f-numbers, stops and picture values.

Two kinds of light are kept apart: continuous light as illuminance in lx, flash as luminous exposure in lx*s.
Standards: [ISO2720:1974] (meters), [ISO12232:2019] (sensitivity of digital cameras), [ISO1230:2007] (guide numbers).
Does not: read or print notations such as `f/5.6 1/3` (see `sim.quantities.units`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# [ISO2720:1974], calibration constants of exposure meters, from memory:
# a C of 240 instead of 250 moves a reading by 0.06 stop.
REFLECTED_CONSTANT_K = 12.5  # cd*s/m2 at ISO 1; the standard allows 10.6 to 13.4
INCIDENT_FLAT_CONSTANT_C = 250.0  # lx*s at ISO 1, flat (cosine) receptor; the standard allows 240 to 400
INCIDENT_DOME_CONSTANT_C = 340.0  # lx*s at ISO 1, hemispherical (cardioid) receptor; allowed 320 to 540
INCIDENT_CONSTANT_C = {"flat": INCIDENT_FLAT_CONSTANT_C, "dome": INCIDENT_DOME_CONSTANT_C}

# [ISO12232:2019]; the numbers are derived from each other in the tests, the half stop
# over white is from memory: without it clipping would be told half a stop early; no other reading has it.
LENS_FACTOR_Q = 0.65  # focal-plane exposure over L t / N^2: transmission 0.9, vignetting 0.98, 10 degrees off axis
STANDARD_OUTPUT_EXPOSURE = 10.0  # lx*s at ISO 1 that is shown as sRGB 118
SATURATION_EXPOSURE = 78.0  # lx*s at ISO 1 that saturates, half a stop above a white of 100 %
MIDDLE_GREY = 0.18  # linear value shown as sRGB 118


def diff_stops(value: ArrayLike, reference: ArrayLike) -> FloatArray:
    """Return how many stops a light is above a reference: log2 of the ratio; both positive, same unit.

    >>> round(float(diff_stops(400.0, 100.0)), 6)
    2.0
    """
    stops: FloatArray = np.log2(np.asarray(value, float) / np.asarray(reference, float))
    return stops


# -- meters (ISO 2720) ------------------------------------------------------------------------


def f_number_from_exposure(
    exposure_lx_s: ArrayLike, iso: float, constant_C: float = INCIDENT_FLAT_CONSTANT_C
) -> FloatArray:
    """Return the f-number an incident meter shows for a luminous exposure at the receptor: sqrt(H S / C).

    Args: exposure in lx*s (flash, or lx times shutter time; >= 0); iso > 0; the receptor's constant.

    >>> float(f_number_from_exposure(160.0, 100))
    8.0
    """
    return np.sqrt(np.asarray(exposure_lx_s, float) * iso / constant_C)


def exposure_from_f_number(f_number: ArrayLike, iso: float, constant_C: float = INCIDENT_FLAT_CONSTANT_C) -> FloatArray:
    """Return the luminous exposure in lx*s at the receptor that reads an f-number: C N^2 / S.

    >>> float(exposure_from_f_number(8.0, 100))
    160.0
    """
    return constant_C * np.asarray(f_number, float) ** 2 / iso


def f_number_from_luminous_exposure(
    luminance_cd_s_m2: ArrayLike, iso: float, constant_K: float = REFLECTED_CONSTANT_K
) -> FloatArray:
    """Return the f-number a spot meter shows for a surface: sqrt(L t S / K), L t in cd*s/m2.

    >>> float(f_number_from_luminous_exposure(8.0, 100))
    8.0
    """
    return np.sqrt(np.asarray(luminance_cd_s_m2, float) * iso / constant_K)


# -- camera (ISO 12232) -----------------------------------------------------------------------


def middle_grey_exposure(iso: float) -> float:
    """Return the focal-plane exposure in lx*s shown as sRGB 118: 10 / S (standard output sensitivity).

    >>> middle_grey_exposure(100)
    0.1
    """
    return STANDARD_OUTPUT_EXPOSURE / iso


def display_scale(f_number: float, iso: float, lens_q: float = LENS_FACTOR_Q) -> float:
    """Return the factor from scene luminance times time (cd*s/m2) to linear picture value.

    A focal-plane exposure of 10 / S becomes 0.18, which sRGB shows as 118.

    >>> round(display_scale(8.0, 100) * 9.846154, 6)       # 0.65 * 9.846 / 64 = 0.1 = 10 / 100
    0.18
    """
    return MIDDLE_GREY / middle_grey_exposure(iso) * lens_q / f_number**2


# -- flash and ambient ------------------------------------------------------------------------


def flash_is_cut(shutter_s: float, sync_s: float) -> bool:
    """Return whether a shutter time is shorter than the fastest full-frame flash sync.

    >>> flash_is_cut(1 / 250, 1 / 200), flash_is_cut(1 / 200, 1 / 200)
    (True, False)
    """
    return shutter_s < sync_s * (1 - 1e-9)


def sync_warning(shutter_s: float, sync_s: float) -> str | None:
    """Return one plain line when the shutter would cut the flash, otherwise None.

    >>> sync_warning(1 / 500, 1 / 200)
    'shutter 1/500 s is faster than the flash sync 1/200 s: part of the frame gets no flash; use 1/200 s or slower'
    """
    if not flash_is_cut(shutter_s, sync_s):
        return None
    fast, sync = _shutter_text(shutter_s), _shutter_text(sync_s)
    return f"shutter {fast} is faster than the flash sync {sync}: part of the frame gets no flash; use {sync} or slower"


def _shutter_text(shutter_s: float) -> str:
    return f"1/{round(1 / shutter_s)} s" if shutter_s < 0.3 else f"{shutter_s:g} s"


def recycling_s(energy_J: float, consumption_W: float, charger_efficiency: float = 0.7) -> float:
    """Return the time in seconds to charge for the next flash: energy over the power that reaches the capacitors.

    Args: energy used by the flash, J; mains or battery draw while charging, W; efficiency 0 to 1 (0.7: common
    practice, no source).
    Does not: model a charger that slows down near full charge or when hot.

    >>> round(recycling_s(400.0, 900.0), 3)
    0.635
    """
    return energy_J / (consumption_W * charger_efficiency)


# -- guide numbers ----------------------------------------------------------------------------


def intensity_from_guide_number(
    guide_number_m: float, iso: float = 100, constant_C: float = INCIDENT_FLAT_CONSTANT_C
) -> float:
    """Return the flash intensity in cd*s (lm*s/sr) on the axis that has a guide number: C GN^2 / S.

    The flat receptor of an incident meter then reads GN / d at d metres, far enough for the inverse square.

    >>> intensity_from_guide_number(20.0)
    1000.0
    """
    return constant_C * guide_number_m**2 / iso
