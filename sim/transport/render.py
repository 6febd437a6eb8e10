"""Stage to light stack: trace every pixel in short passes and keep each light's mean and its variance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.color import luminance
from sim.lightstack import LightStack
from sim.stage.build import Stage
from sim.transport.lighting import Lighting, lighting_from_stage
from sim.transport.path import radiance_layers
from sim.transport.sampling import BEFORE_PATH, PathSampler

# Camera rays traced in one launch: enough to fill the vector units, small enough to report progress.
RAYS_PER_PASS = 1_000_000
LEAST_PASSES = 4
PIXEL_SLOT, LENS_SLOT = 0, 1


def render(
    stage: Stage,
    *,
    size: tuple[int, int],
    samples: int,
    seed: int = 0,
    depth: int = 5,
    on_progress: Callable[[float], None] | None = None,
) -> LightStack:
    """Trace the stage through its camera and return one linear layer per light.

    Arguments: `size` (width, height) in pixels; `samples` camera rays per pixel, at least 4, rounded up to
    whole passes; `seed` of the random numbers: the same seed gives the same layers; `depth` bounces;
    `on_progress` is told the finished fraction, 0..1, after each pass.
    Does not: apply dials, colours or exposure, clamp bright samples, or denoise.
    """
    width, height = size
    sensor, lighting = stage.sensor(size), lighting_from_stage(stage)
    passes, samples_per_pass = passes_from_samples(width * height, samples)
    total = _Totals(len(stage.light_names), width * height, len(stage.region_names))
    for index in range(passes):
        total.add(*_trace_pass(stage.scene, lighting, sensor, size, samples_per_pass, index, seed, depth))
        if on_progress is not None:
            on_progress((index + 1) / passes)
    return total.stack(stage, size, passes * samples_per_pass, seed, depth)


def passes_from_samples(pixels: int, samples: int) -> tuple[int, int]:
    """Number of passes and rays per pixel in each, together at least `samples`.

    >>> passes_from_samples(400 * 600, 16)
    (4, 4)
    """
    per_pass = max(1, min(samples // LEAST_PASSES, RAYS_PER_PASS // pixels))
    return max(LEAST_PASSES, -(-samples // per_pass)), per_pass


def _trace_pass(
    scene: Any, lighting: Lighting, sensor: Any, size: tuple[int, int], samples: int, index: int, seed: int, depth: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Mean of each pixel over rays `index * samples` onward.

    Layers (k, n, 3), albedo and normal (n, 3), distance (n,), and the regions met (n, samples).
    """
    width, height = size
    pixels = width * height
    # Aim one ray through a random place of the pixel and of the lens.
    lane = dr.arange(mi.UInt32, pixels * samples)
    rays_per_pixel = dr.opaque(mi.UInt32, samples)
    pixel = lane // rays_per_pixel
    sampler = PathSampler(pixel, lane - pixel * rays_per_pixel + dr.opaque(mi.UInt32, index * samples), seed)
    columns = dr.opaque(mi.UInt32, width)
    corner = mi.Point2f(mi.Float(pixel % columns), mi.Float(pixel // columns))
    extent = mi.Vector2f(mi.Float(columns), dr.opaque(mi.Float, height))
    place = (corner + sampler.pair(BEFORE_PATH, PIXEL_SLOT)) / extent
    ray, _ = sensor.sample_ray(0, 0, place, sampler.pair(BEFORE_PATH, LENS_SLOT))

    layers, first = radiance_layers(
        scene, lighting, ray, sampler, depth, mi.Bool(True), see_luminaires=True
    )
    # Run the kernel once for all outputs before any of them is reduced.
    dr.eval(layers, first)
    means = [dr.block_sum(channel, samples) / samples for layer in layers for channel in layer]
    seen = [dr.block_sum(channel, samples) / samples for channel in (*first.albedo, *first.normal)]
    distance = dr.block_sum(first.distance_m, samples) / samples
    dr.eval(means, seen, distance)
    colors = np.stack([m.numpy() for m in means]).reshape(len(layers), 3, pixels).transpose(0, 2, 1)
    guides = np.stack([g.numpy() for g in seen]).reshape(2, 3, pixels).transpose(0, 2, 1)
    region = first.region.numpy().reshape(pixels, samples)
    return colors, guides[0], guides[1], distance.numpy(), region


class _Totals:
    """Running sums over passes; the spread between passes gives the variance of the mean."""

    def __init__(self, layers: int, pixels: int, regions: int) -> None:
        self.passes = 0
        self.color = np.zeros((layers, pixels, 3), np.float64)
        self.luminance_squared = np.zeros((layers, pixels), np.float64)
        self.guides = np.zeros((pixels, 7), np.float64)
        self.votes = np.zeros((pixels, regions), np.uint16)

    def add(
        self,
        color: np.ndarray,
        albedo: np.ndarray,
        normal: np.ndarray,
        distance_m: np.ndarray,
        region: np.ndarray,
    ) -> None:
        self.passes += 1
        self.color += color
        self.luminance_squared += np.square(luminance(color))
        self.guides += np.concatenate([albedo, normal, distance_m[:, None]], axis=1)
        for column in region.T:
            self.votes[np.arange(len(column)), column] += 1

    def stack(self, stage: Stage, size: tuple[int, int], samples: int, seed: int, depth: int) -> LightStack:
        width, height = size
        color = self.color / self.passes
        spread = self.luminance_squared / self.passes - np.square(luminance(color))
        variance = np.maximum(spread, 0) / (self.passes - 1)
        guides = (self.guides / self.passes).astype(np.float32).reshape(height, width, 7)
        return LightStack(
            names=stage.light_names,
            is_flash=stage.is_flash,
            pixels=color.astype(np.float32).reshape(-1, height, width, 3),
            variance=variance.astype(np.float32).reshape(-1, height, width),
            albedo=guides[..., 0:3],
            normal=guides[..., 3:6],
            distance_m=guides[..., 6],
            region=self.votes.argmax(axis=1).astype(np.uint8).reshape(height, width),
            region_names=stage.region_names,
            samples=samples,
            seed=seed,
            depth=depth,
            engine=mi.variant(),
        )
