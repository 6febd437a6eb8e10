"""What gathering leaves out of a picture's parts, so that their readings stay unbiased.

Some camera rays of each part are traced again, on the random numbers they had, with their paths followed to the end.
The mean of what they bring beyond what they brought to the picture is added to the part's mean, in readings only
(a control variate: [Owen:2013], chapter 8).
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.quantities.color import luminance

# Rays of a part that are traced again, if it has so many.
LEAST_OF_PART, MOST_OF_PART = 512, 1 << 16
# Rays of a picture that are kept to choose from.
MOST_KEPT_RAYS = 1 << 21


class ControlSamples:
    """The first `rays` rays of each pixel of the bands of a picture, with what each brought to its layers."""

    def __init__(self, pixels: int) -> None:
        self.most = max(1, MOST_KEPT_RAYS // pixels)
        self.rays = 0
        self.bands: list[tuple[range, np.ndarray]] = []

    def keep(self, band: range, layers: list[Any], rays_per_pixel: int) -> None:
        """Keep the rays of one launch: `layers` colours of len(band) * rays_per_pixel lanes."""
        self.rays = min(rays_per_pixel, self.most)
        lane = dr.arange(mi.UInt32, len(band) * self.rays)
        rays = dr.opaque(mi.UInt32, self.rays)
        pixel = lane // rays
        lane = pixel * dr.opaque(mi.UInt32, rays_per_pixel) + (lane - pixel * rays)
        kept = [dr.gather(mi.Float, channel, lane) for layer in layers for channel in layer]
        dr.eval(kept)
        self.bands.append((band, np.stack([channel.numpy() for channel in kept])))

    def brought(self, pixel: np.ndarray, ray: np.ndarray) -> np.ndarray:
        """Colours (n, k, 3) that these rays of these pixels brought."""
        colors_of_ray = np.empty((len(pixel), len(self.bands[0][1])), np.float32)
        for band, colors in self.bands:
            inside = (pixel >= band.start) & (pixel < band.stop)
            colors_of_ray[inside] = colors[:, (pixel[inside] - band.start) * self.rays + ray[inside]].T
        return colors_of_ray.reshape(len(pixel), colors_of_ray.shape[1] // 3, 3)


def chosen_rays(part: np.ndarray, rays: int, wanted: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (n,) and ray numbers (n,) to trace again: about `wanted`, as many of each part of the flat `part`.

    They are among the first `rays` of each pixel.
    """
    random = np.random.default_rng([seed & 0xFFFFFFFF, 0x9A275])
    picked, parts = [], np.unique(part[part > 0])
    of_part = min(max(wanted // max(len(parts), 1), LEAST_OF_PART), MOST_OF_PART)
    for number in parts:
        pixels = np.flatnonzero(part == number)
        total = len(pixels) * rays
        picks = np.sort(random.choice(total, min(total, of_part), replace=False))
        picked.append(np.stack([pixels[picks // rays], picks % rays]))
    pixel, ray = np.concatenate(picked, axis=1) if picked else np.zeros((2, 0), int)
    return pixel, ray


def excess_of_parts(part: np.ndarray, parts: int, full: np.ndarray, gathered: np.ndarray) -> np.ndarray:
    """Mean excess (k, parts, 4) of full over gathered rays (n, k, 3) by the part (n,) of each: RGB and the variance.

    The variance is that of the mean's luminance; both are 0 where a part has no ray.
    """
    beyond = full.astype(float) - gathered
    excess = np.zeros((full.shape[1], parts, 4))
    for number in np.unique(part):
        of_part = beyond[part == number]
        excess[:, number, :3] = of_part.mean(axis=0)
        if len(of_part) > 1:
            excess[:, number, 3] = luminance(of_part).var(axis=0, ddof=1) / len(of_part)
    return excess
