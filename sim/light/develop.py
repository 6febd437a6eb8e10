"""Light stack to pictures: mix the layers, expose, balance, curve; black and white; denoising for viewing.

The neutral curve is linear up to 70 % of white and rolls off smoothly to the sensor's saturation, so that below the
shoulder one stop is a factor of two in the picture. The shoulder is taste; the scale is ISO 12232's.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities import color, photometry
from sim.scene.model import Camera

SHOULDER_FROM = 0.7
# Highest linear value before the sensor clips: 0.18 * 78 / 10 [ISO12232:2019].
SATURATION = photometry.MIDDLE_GREY * photometry.SATURATION_EXPOSURE / photometry.STANDARD_OUTPUT_EXPOSURE


def develop(stack: LightStack, mix: Mix, camera: Camera, *, exposure_stops: float = 0.0) -> np.ndarray:
    """Combined picture (h, w, 3) uint8 sRGB of all lights that are not muted, at the camera's settings.

    `exposure_stops` brightens the picture beyond the settings.
    Does not: read anything; use `sim.metering.points` for numbers.
    """
    return encoded(exposed(stack, mix, camera, exposure_stops=exposure_stops))


def exposed(
    stack: LightStack, mix: Mix, camera: Camera, *, exposure_stops: float = 0.0, for_viewing: bool = True
) -> np.ndarray:
    """Linear picture (h, w, 3), white balanced: 0.18 is middle grey, 1.0 is white, more may clip."""
    linear = stack.mixed(mix.weights_rgb(camera.shutter_s), for_viewing=for_viewing)
    pictured: np.ndarray = linear * picture_scale_rgb(camera, exposure_stops).astype(np.float32)
    return pictured


def picture_scale_rgb(camera: Camera, exposure_stops: float = 0.0) -> np.ndarray:
    """Factor (3,) from light on the sensor to the linear picture: aperture, film speed and white balance."""
    scale = photometry.display_scale(camera.f_number, camera.iso) * 2.0**exposure_stops
    scale_rgb: np.ndarray = scale * color.white_balance_weights(camera.white_balance_K)
    return scale_rgb


def encoded(linear: np.ndarray) -> np.ndarray:
    """Picture (h, w, 3) or (h, w) uint8 from linear values through the neutral curve and sRGB."""
    return np.round(neutral_srgb(linear) * 255).astype(np.uint8)


def neutral_srgb(linear: np.ndarray) -> np.ndarray:
    """sRGB value 0..1 of linear values through the neutral curve."""
    return color.srgb_from_linear(neutral_curve(linear))


def neutral_curve(linear: np.ndarray) -> np.ndarray:
    """Roll off linear values above 0.7 so that sensor saturation (1.404) meets 1; below, nothing changes.

    >>> [round(float(v), 3) for v in neutral_curve(np.array([0.18, 0.7, 1.0, 1.404, 9.0]))]
    [0.18, 0.7, 0.919, 1.0, 1.0]
    """
    # Leave the line with slope 1 and land flat at saturation.
    span, rise = SATURATION - SHOULDER_FROM, 1 - SHOULDER_FROM
    t = np.clip((linear - SHOULDER_FROM) / span, 0, 1)
    rolled = SHOULDER_FROM + rise * (1 - (1 - t) ** (span / rise))
    return np.where(linear <= SHOULDER_FROM, np.maximum(linear, 0), rolled)


def black_and_white(linear: np.ndarray) -> np.ndarray:
    """Linear grey (h, w) of a linear picture (h, w, 3) by its luminance."""
    return color.luminance(linear)


def levelled(linear: np.ndarray, percentile: float = 99.5, target: float = 0.6) -> tuple[np.ndarray, float]:
    """Picture brightened or darkened so that its highlights reach `target`, and by how many stops.

    For teaching: a dim light's own contribution becomes visible. A black picture stays black, moved by 0 stops.
    """
    level = float(np.percentile(color.luminance(linear), percentile))
    if level <= 0:
        return linear, 0.0
    factor = target / level
    return linear * np.float32(factor), float(np.log2(factor))


def denoised(
    stack: LightStack, on_progress: Callable[[float], None] | None = None, *, quality: str = "high"
) -> LightStack:
    """The stack with every layer cleaned for viewing, guided by albedo and normals.

    Arguments: `quality` "high", "balanced" or "fast", the denoiser's own words.
    Does not: change the measured layers.
    """
    import pyoidn

    albedo = np.ascontiguousarray(np.clip(stack.albedo, 0, 1), np.float32)
    normal = np.ascontiguousarray(stack.normal, np.float32)
    cleaned = np.empty_like(stack.pixels)
    for index, layer in enumerate(stack.pixels):
        cleaned[index] = pyoidn.denoise(np.ascontiguousarray(layer), albedo, normal, hdr=True, quality=quality)
        if on_progress is not None:
            on_progress((index + 1) / len(stack.pixels))
    return stack.with_denoised(cleaned)
