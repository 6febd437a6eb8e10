"""Sparkle of the gown: how many of its highlights each light makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities import color
from sim.scene.model import Camera

# A highlight is this many times the gown's median; so many standard errors keep noise out.
HIGHLIGHT_TIMES = 4.0
# It also stands out by this factor from the cloth about it, a bell of this part of the picture's height: a smooth
# bright edge is no sparkle. Common practice, no source.
GLINT_TIMES, AROUND_OF_HEIGHT = 1.5, 0.012
SURE_ERRORS = 2.0
# Cloth of which less shines so does not sparkle; common practice, no source.
LEAST_SHARE = 0.01
CLOTH_REGIONS = ("gown", "suit")


@dataclass(frozen=True)
class Sparkle:
    """Highlight density of the clothes.

    `index` highlights (pixels) per cm2 of cloth as seen, all lights; `by_light` those that the light makes alone, over
    the same threshold; `without` what is left of `index` with the light off; `maker` the light whose loss costs most,
    None if nothing sparkles; `cloth_cm2` area as seen; `pixels_per_cm2`; `doubtful` share of the pixels over the
    threshold that were left out as smooth or too noisy.
    """

    index: float
    by_light: dict[str, float]
    without: dict[str, float]
    maker: str | None
    cloth_cm2: float
    pixels_per_cm2: float
    doubtful: float


def sparkle(stack: LightStack, mix: Mix, camera: Camera, horizontal_fov_deg: float) -> Sparkle | None:
    """Count the pixels of the clothes over 4 times their median luminance, per cm2 as seen.

    A pixel counts where it is over the threshold, and over 1.5 times the mean of the cloth about it, by two standard
    errors. The threshold is that of all lights together,
    for every light and every light off. Definition: ours (common practice, no source).
    None without clothes in view.
    Does not: compare between picture sizes, as a glint smaller than a pixel is thinned out.
    """
    mask = np.any([stack.mask(region) for region in CLOTH_REGIONS], axis=0)
    if not mask.any():
        return None
    weights = mix.weights_rgb(camera.shutter_s)
    layers = color.luminance(stack.pixels[:, mask].astype(float) * weights[:, None, :])
    errors = np.sqrt(stack.variance[:, mask].astype(float)) * color.luminance(weights)[:, None]
    total = layers.sum(axis=0)
    threshold = HIGHLIGHT_TIMES * float(np.median(total))
    # Size up each pixel of cloth as the lens sees it.
    pixel = 2 * np.tan(np.radians(horizontal_fov_deg) / 2) / stack.size[0]
    cloth_cm2 = float(np.square(100 * pixel * stack.distance_m[mask].astype(float)).sum())

    sigma = max(1.5, AROUND_OF_HEIGHT * stack.size[1])
    share = ndimage.gaussian_filter(mask.astype(float), sigma)[mask]

    def density(exposure: np.ndarray, error: np.ndarray) -> float:
        if threshold <= 0:
            return 0.0
        picture = np.zeros(mask.shape)
        picture[mask] = exposure
        around = ndimage.gaussian_filter(picture, sigma)[mask] / share
        sure = exposure - SURE_ERRORS * error
        return float(((sure > threshold) & (sure > GLINT_TIMES * around)).sum()) / cloth_cm2

    variance = np.square(errors)
    index = density(total, np.sqrt(variance.sum(axis=0)))
    without = {
        name: density(total - layers[k], np.sqrt(variance.sum(axis=0) - variance[k]))
        for k, name in enumerate(mix.names)
    }
    per_cm2 = int(mask.sum()) / cloth_cm2
    over = int((total > threshold).sum())
    maker = min(without, key=lambda name: without[name])
    return Sparkle(
        index=index,
        by_light={name: density(layers[k], errors[k]) for k, name in enumerate(mix.names)},
        without=without,
        maker=maker if index > LEAST_SHARE * per_cm2 and without[maker] < 0.9 * index else None,
        cloth_cm2=cloth_cm2,
        pixels_per_cm2=per_cm2,
        doubtful=1 - index * cloth_cm2 / over if over else 0.0,
    )
