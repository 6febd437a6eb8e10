"""Exposure arithmetic: lux and lux-seconds to f-numbers, EV, stops and picture values.

Two kinds of light are kept apart: continuous light as illuminance in lx, flash as luminous exposure in lx*s.
Standards quoted from memory: ISO 2720:1974 (meters), ISO 12232:2019 (sensitivity of digital cameras),
ISO 1230 (guide numbers), ANSI PH2.7 / ASA PH2.5 (APEX).
Does not: read or print notations such as `f/5.6 1/3` (see `sim.quantities.units`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# ISO 2720:1974, calibration constants of exposure meters, from memory.
REFLECTED_CONSTANT_K = 12.5  # cd*s/m2 at ISO 1; the standard allows 10.6 to 13.4
INCIDENT_FLAT_CONSTANT_C = 250.0  # lx*s at ISO 1, flat (cosine) receptor; the standard allows 240 to 400
INCIDENT_DOME_CONSTANT_C = 340.0  # lx*s at ISO 1, hemispherical (cardioid) receptor; allowed 320 to 540

# ISO 12232:2019, from memory.
LENS_FACTOR_Q = 0.65  # focal-plane exposure over L t / N^2: transmission 0.9, vignetting 0.98, 10 degrees off axis
STANDARD_OUTPUT_EXPOSURE = 10.0  # lx*s at ISO 1 that is shown as sRGB 118
SATURATION_EXPOSURE = 78.0  # lx*s at ISO 1 that saturates, half a stop above a white of 100 %
MIDDLE_GREY = 0.18  # linear value shown as sRGB 118

APEX_ISO_UNIT = 3.125  # ISO at which the speed value Sv is 0
FOOT_M = 0.3048


def diff_stops(value: ArrayLike, reference: ArrayLike) -> FloatArray:
    """Return how many stops a light is above a reference: log2 of the ratio; both positive, same unit.

    >>> round(float(diff_stops(400.0, 100.0)), 6)
    2.0
    """
    return np.log2(np.asarray(value, float) / np.asarray(reference, float))


def factor_from_stops(stops: ArrayLike) -> FloatArray:
    """Return the ratio of light that so many stops are: 2^stops.

    >>> float(factor_from_stops(-1.0))
    0.5
    """
    return np.exp2(np.asarray(stops, float))


def error_stops_from_relative(relative_error: float) -> float:
    """Return a small relative standard error (0.01 is 1 %) in stops: error / ln 2.

    >>> round(error_stops_from_relative(0.02), 4)
    0.0289
    """
    return relative_error / math.log(2)


def falloff_stops_from_distances(near_m: float, far_m: float) -> float:
    """Return the stops a small source loses from a near to a far distance (inverse square), metres, positive.

    Does not: hold for a source that is large against the near distance.

    >>> falloff_stops_from_distances(1.0, 2.0)
    2.0
    """
    return 2 * math.log2(far_m / near_m)


# -- f-numbers, shutter times, APEX -----------------------------------------------------------


def aperture_value_from_f_number(f_number: float) -> float:
    """Return the APEX aperture value Av = 2 log2 N.

    >>> aperture_value_from_f_number(8.0)
    6.0
    """
    return 2 * math.log2(f_number)


def time_value_from_shutter(shutter_s: float) -> float:
    """Return the APEX time value Tv = -log2 t.

    >>> round(time_value_from_shutter(1 / 128), 6)
    7.0
    """
    return -math.log2(shutter_s)


def speed_value_from_iso(iso: float) -> float:
    """Return the APEX speed value Sv = log2(ISO / 3.125).

    >>> speed_value_from_iso(100.0)
    5.0
    """
    return math.log2(iso / APEX_ISO_UNIT)


def brightness_value_from_luminance(luminance_cd_m2: float) -> float:
    """Return the APEX brightness value Bv with Av + Tv = Bv + Sv for a meter of K = 12.5.

    >>> brightness_value_from_luminance(4.0)
    0.0
    """
    return math.log2(luminance_cd_m2 * APEX_ISO_UNIT / REFLECTED_CONSTANT_K)


def incident_value_from_illuminance(illuminance_lx: float, constant_C: float = INCIDENT_FLAT_CONSTANT_C) -> float:
    """Return the APEX incident light value Iv with Av + Tv = Iv + Sv.

    >>> incident_value_from_illuminance(80.0)
    0.0
    """
    return math.log2(illuminance_lx * APEX_ISO_UNIT / constant_C)


def ev_from_settings(f_number: float, shutter_s: float) -> float:
    """Return the exposure value of camera settings: log2(N^2 / t).

    >>> round(ev_from_settings(16.0, 1 / 125), 2)
    14.97
    """
    return math.log2(f_number**2 / shutter_s)


def ev100_from_settings(f_number: float, shutter_s: float, iso: float) -> float:
    """Return the scene brightness in EV at ISO 100 that settings are right for.

    >>> round(ev100_from_settings(8.0, 1 / 128, 400.0), 6)
    11.0
    """
    return ev_from_settings(f_number, shutter_s) - math.log2(iso / 100)


# -- meters (ISO 2720) ------------------------------------------------------------------------


def ev100_from_illuminance(illuminance_lx: ArrayLike, constant_C: float = INCIDENT_FLAT_CONSTANT_C) -> FloatArray:
    """Return the incident reading in EV at ISO 100: log2(100 E / C).

    >>> float(ev100_from_illuminance(2.5))
    0.0
    """
    return np.log2(100 * np.asarray(illuminance_lx, float) / constant_C)


def ev100_from_luminance(luminance_cd_m2: ArrayLike, constant_K: float = REFLECTED_CONSTANT_K) -> FloatArray:
    """Return the reflected (spot) reading in EV at ISO 100: log2(100 L / K).

    >>> round(float(ev100_from_luminance(4096.0)), 6)
    15.0
    """
    return np.log2(100 * np.asarray(luminance_cd_m2, float) / constant_K)


def illuminance_from_ev100(ev100: ArrayLike, constant_C: float = INCIDENT_FLAT_CONSTANT_C) -> FloatArray:
    """Return the illuminance in lx that reads so many EV at ISO 100.

    >>> float(illuminance_from_ev100(10.0))
    2560.0
    """
    return np.exp2(np.asarray(ev100, float)) * constant_C / 100


def luminance_from_ev100(ev100: ArrayLike, constant_K: float = REFLECTED_CONSTANT_K) -> FloatArray:
    """Return the luminance in cd/m2 that reads so many EV at ISO 100.

    >>> float(luminance_from_ev100(10.0))
    128.0
    """
    return np.exp2(np.asarray(ev100, float)) * constant_K / 100


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


def shutter_from_illuminance(
    illuminance_lx: float, f_number: float, iso: float, constant_C: float = INCIDENT_FLAT_CONSTANT_C
) -> float:
    """Return the shutter time in seconds an incident meter shows for continuous light: C N^2 / (E S).

    >>> shutter_from_illuminance(1600.0, 8.0, 100)
    0.1
    """
    return constant_C * f_number**2 / (illuminance_lx * iso)


def flat_response(cos_incidence: ArrayLike) -> FloatArray:
    """Return the response of a flat receptor by the cosine of incidence (-1 to 1): the cosine, 0 from behind.

    >>> float(flat_response(0.5))
    0.5
    """
    return np.clip(np.asarray(cos_incidence, float), 0, None)


def dome_response(cos_incidence: ArrayLike) -> FloatArray:
    """Return the response of a hemispherical dome by the cosine of incidence (-1 to 1): the cardioid (1 + cos) / 2.

    It is the part of a hemisphere's outline that faces the light: half from the side, none from straight behind.
    Source: ISO 2720:1974, cardioid receptor, from memory; the form follows from projecting a hemisphere.

    >>> float(dome_response(0.0))
    0.5
    """
    return (1 + np.asarray(cos_incidence, float)) / 2


# -- camera (ISO 12232) -----------------------------------------------------------------------


def focal_exposure_from_luminance(
    luminance_cd_m2: ArrayLike, shutter_s: float, f_number: float, lens_q: float = LENS_FACTOR_Q
) -> FloatArray:
    """Return the focal-plane exposure in lx*s: q L t / N^2 (flash: pass L t in cd*s/m2 and 1 s).

    >>> round(float(focal_exposure_from_luminance(100.0, 0.1, 8.0)), 6)
    0.101562
    """
    return lens_q * np.asarray(luminance_cd_m2, float) * shutter_s / f_number**2


def middle_grey_exposure(iso: float) -> float:
    """Return the focal-plane exposure in lx*s shown as sRGB 118: 10 / S (standard output sensitivity).

    >>> middle_grey_exposure(100)
    0.1
    """
    return STANDARD_OUTPUT_EXPOSURE / iso


def saturation_exposure(iso: float) -> float:
    """Return the focal-plane exposure in lx*s that saturates: 78 / S (saturation-based speed).

    >>> saturation_exposure(100)
    0.78
    """
    return SATURATION_EXPOSURE / iso


def display_scale(f_number: float, iso: float, lens_q: float = LENS_FACTOR_Q) -> float:
    """Return the factor from scene luminance times time (cd*s/m2) to linear picture value.

    A focal-plane exposure of 10 / S becomes 0.18, which sRGB shows as 118.

    >>> round(display_scale(8.0, 100) * 9.846154, 6)       # 0.65 * 9.846 / 64 = 0.1 = 10 / 100
    0.18
    """
    return MIDDLE_GREY / middle_grey_exposure(iso) * lens_q / f_number**2


# -- flash and ambient ------------------------------------------------------------------------


def total_exposure(flash_lx_s: ArrayLike, ambient_lx: ArrayLike, shutter_s: float) -> FloatArray:
    """Return flash plus ambient in lx*s: the shutter scales the ambient light only.

    Does not: model a shutter so fast that it cuts the flash (see `flash_is_cut`).

    >>> float(total_exposure(100.0, 320.0, 1 / 160))
    102.0
    """
    return np.asarray(flash_lx_s, float) + np.asarray(ambient_lx, float) * shutter_s


def flash_share(flash_lx_s: float, ambient_lx: float, shutter_s: float) -> float:
    """Return the part of an exposure that is flash, 0 to 1.

    >>> flash_share(90.0, 1000.0, 0.01)
    0.9
    """
    total = flash_lx_s + ambient_lx * shutter_s
    return flash_lx_s / total if total > 0 else 0.0


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


def pops_for_reading(reading_f_number: float, wanted_f_number: float) -> int:
    """Return how many equal flashes add up to a wanted reading: each doubling of pops is one stop.

    Args: f-number of a single flash and the one wanted, both positive, same ISO.
    Does not: count light lost to ambient build-up or film reciprocity.

    >>> pops_for_reading(8.0, 16.0), pops_for_reading(8.0, 5.6)
    (4, 1)
    """
    return max(1, math.ceil((wanted_f_number / reading_f_number) ** 2 * (1 - 1e-6)))


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


def f_number_from_guide_number(
    guide_number_m: float, distance_m: float, iso: float = 100, at_iso: float = 100
) -> float:
    """Return the f-number for a flash at a distance: guide number over distance, scaled by the root of ISO.

    Args: guide number in metres stated at `at_iso`; distance in metres; ISO in use.

    >>> f_number_from_guide_number(56.0, 5.0, iso=400)
    22.4
    """
    return guide_number_m / distance_m * math.sqrt(iso / at_iso)


def guide_number_at_iso(guide_number: float, iso: float, at_iso: float = 100) -> float:
    """Return a guide number restated for another ISO: it grows with the square root.

    >>> guide_number_at_iso(40.0, 200.0) == 40.0 * math.sqrt(2)
    True
    """
    return guide_number * math.sqrt(iso / at_iso)


def guide_number_m_from_ft(guide_number_ft: float) -> float:
    """Return a guide number in metres from feet.

    >>> round(guide_number_m_from_ft(190.0), 3)
    57.912
    """
    return guide_number_ft * FOOT_M


def intensity_from_guide_number(
    guide_number_m: float, iso: float = 100, constant_C: float = INCIDENT_FLAT_CONSTANT_C
) -> float:
    """Return the flash intensity in cd*s (lm*s/sr) on the axis that has a guide number: C GN^2 / S.

    The flat receptor of an incident meter then reads GN / d at d metres, far enough for the inverse square.

    >>> intensity_from_guide_number(20.0)
    1000.0
    """
    return constant_C * guide_number_m**2 / iso


def guide_number_from_intensity(
    intensity_cd_s: float, iso: float = 100, constant_C: float = INCIDENT_FLAT_CONSTANT_C
) -> float:
    """Return the guide number in metres of a flash intensity in cd*s.

    >>> guide_number_from_intensity(1000.0)
    20.0
    """
    return math.sqrt(intensity_cd_s * iso / constant_C)
