"""Stage to light stack: trace every pixel in short launches and keep each light's mean and its variance."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.light.stack import LightStack
from sim.quantities.color import LUMINANCE_WEIGHTS
from sim.render.stage.build import Stage
from sim.render.transport.arrays import owned
from sim.render.transport.cache_seeding import cache_from_scouts
from sim.render.transport.lighting import Lighting, lighting_from_stage
from sim.render.transport.part_correction import ControlSamples, chosen_rays, excess_of_parts
from sim.render.transport.path import FirstHit, followed, radiance_layers
from sim.render.transport.path_ends import FinalGathering
from sim.render.transport.sampling import BEFORE_PATH, PathSampler

# Camera rays traced in one launch: enough to fill the vector units, small enough to report progress.
RAYS_PER_LAUNCH = {"llvm": 1_000_000, "cuda": 16_000_000}
LEAST_GROUPS = 4
# Widest vector of the engines, so that any number of its rays fills whole ones.
PIXELS_TOGETHER = 16
# What a pixel shows is the vote of its first rays.
VOTING_LAUNCHES, VOTERS_PER_GROUP = 4, 4
PIXEL_SLOT, LENS_SLOT = 0, 1
# Directions that the first vertex of a gathered path scatters into: a draft of few samples takes fewer.
SAMPLES_PER_DIRECTION, MOST_DIRECTIONS = 2, 4
# Camera rays to one scout that goes ahead, and to one ray that is traced again for the readings of parts.
RAYS_PER_SCOUT, LEAST_SCOUTS, MOST_SCOUTS = 192, 1 << 9, 1 << 18
RAYS_PER_RETRACED = 64
# Full paths that take as long as one that gathers along several directions.
RAYS_FOR_A_GATHERED_ONE = 1.5
LEAST_RAYS_TO_GATHER = 1 << 17


def render(
    stage: Stage,
    *,
    size: tuple[int, int],
    samples: int,
    seed: int = 0,
    depth: int = 5,
    on_progress: Callable[[float], None] | None = None,
    most_rays_at_once: int | None = None,
    least_groups: int = LEAST_GROUPS,
    gather: bool | None = None,
) -> LightStack:
    """Trace the stage through its camera and return one linear layer per light.

    Arguments: `size` (width, height) in pixels; `samples` camera rays per pixel, at least `least_groups`,
    rounded up to whole launches; `seed` of the random numbers: the same seed gives the same layers; `depth` bounces;
    `on_progress` is told the finished fraction, 0..1, after each launch, and ends the work if it raises;
    `most_rays_at_once` cuts launches into shorter ones, each of a part of the pixels: the layers stay the same;
    `least_groups` of rays, 2 or more, that a pixel's variance is taken from; `gather` whether paths end after their
    first bounce in a radiance cache (None: where that pays), which moves pixels by some thousandths but not the means
    of parts (`LightStack.part_means`); False follows every path to its end.
    Does not: apply dials, colours or exposure, clamp a pixel's bright samples, or denoise.
    """
    width, height = size
    sensor, lighting = stage.sensor(size), lighting_from_stage(stage)
    launch_rays = RAYS_PER_LAUNCH[_variant().split("_")[0]]
    launches, groups, rays = launches_from_samples(width * height, samples, launch_rays, least_groups)
    tell = on_progress or (lambda part: None)
    rays_of_pixel = launches * groups * rays
    gathering = None
    if gather or (gather is None and width * height * rays_of_pixel >= LEAST_RAYS_TO_GATHER):
        gathering = _gathering(stage, lighting, size, rays_of_pixel, seed, depth, lambda: tell(0.0))
        tell(0.0)
        if most_rays_at_once is not None:
            most_rays_at_once = int(most_rays_at_once / RAYS_FOR_A_GATHERED_ONE)
    bands = bands_from_pixels(width * height, groups * rays, most_rays_at_once)
    totals = [_Totals() for _ in bands]
    kept = ControlSamples(width * height)
    shorter = [(index, number) for index in range(launches) for number in range(len(bands))]
    done = 0

    def finish(index: int, number: int, layers: list[Any], first: FirstHit) -> None:
        nonlocal done
        if gathering is not None and index == 0:
            kept.keep(bands[number], layers, groups * rays)
        for means in _group_means(layers, first, len(bands[number]), groups, rays, index):
            totals[number].add(*means)
        done += 1
        tell(done / len(shorter))

    under_way: tuple[Any, ...] | None = None
    for index, number in shorter:
        # Record the next launch while the last one runs.
        recorded = _paths(
            stage.scene,
            lighting,
            sensor,
            size,
            bands[number],
            groups * rays,
            index * groups * rays,
            seed,
            depth,
            gathering,
        )
        if under_way is not None:
            finish(*under_way)
        # Run the kernel once for all outputs before any of them is reduced.
        dr.eval(recorded)
        under_way = (index, number, *recorded)
    assert under_way is not None
    finish(*under_way)
    stack = _stack(totals, stage, size, rays_of_pixel, seed, depth)
    if gathering is None:
        return stack

    # Trace some rays of each part again to the end of their paths.
    region = stack.region.ravel()
    pixel, ray = chosen_rays(region, kept.rays, width * height * rays_of_pixel // RAYS_PER_RETRACED, seed)
    full = np.zeros((0, lighting.layer_count, 3), np.float32)
    if len(pixel):
        lanes = owned(mi.UInt32, pixel.astype(np.uint32)), owned(mi.UInt32, ray.astype(np.uint32))
        aimed, sampler = _aimed(sensor, size, *lanes, seed)
        yes = dr.opaque(mi.Bool, True, len(pixel))
        layers, _ = followed(stage.scene, lighting, aimed, sampler, depth, yes, yes, yes)
        full = np.stack([layer.numpy().T for layer in layers], axis=1)
    excess = excess_of_parts(region[pixel], len(stack.region_names), full, kept.brought(pixel, ray))
    return replace(stack, part_excess=excess)


def _gathering(
    stage: Stage, lighting: Lighting, size: tuple[int, int], samples: int, seed: int, depth: int,
    on_step: Callable[[], None],
) -> FinalGathering | None:  # fmt: skip
    """How to end the paths of a picture early; None for direct light only."""
    if depth < 2:
        return None
    scouts = min(max(size[0] * size[1] * samples // RAYS_PER_SCOUT, LEAST_SCOUTS), MOST_SCOUTS)
    cache = cache_from_scouts(stage, lighting, size=size, scouts=scouts, seed=seed, depth=depth, on_step=on_step)
    return FinalGathering(cache, dr.opaque(mi.Float, min(max(samples // SAMPLES_PER_DIRECTION, 2), MOST_DIRECTIONS)))


def launches_from_samples(
    pixels: int, samples: int, launch_rays: int, least_groups: int = LEAST_GROUPS
) -> tuple[int, int, int]:
    """Launches, groups in each launch and rays per pixel in each group, together at least `samples` per pixel.

    Groups are what the variance is taken from: there are at least `least_groups`.

    >>> launches_from_samples(400 * 600, 8, 1_000_000)
    (2, 2, 2)
    >>> launches_from_samples(400 * 600, 64, 1_000_000)
    (16, 1, 4)
    """
    per_launch = max(1, min(samples, launch_rays // pixels))
    launches = -(-samples // per_launch)
    groups = -(-least_groups // launches)
    return launches, groups, -(-per_launch // groups)


def bands_from_pixels(pixels: int, samples: int, most_rays: int | None) -> list[range]:
    """Runs of pixels that together are all of them, each of at most about `most_rays` rays, None for one run.

    Each starts at a whole vector of lanes, so that a ray has the same neighbours however the picture is cut.

    >>> bands_from_pixels(1000, 2, None), bands_from_pixels(1000, 2, 1000)
    ([range(0, 1000)], [range(0, 496), range(496, 992), range(992, 1000)])
    """
    if most_rays is None:
        return [range(pixels)]
    step = max(PIXELS_TOGETHER, most_rays // samples // PIXELS_TOGETHER * PIXELS_TOGETHER)
    return [range(start, min(start + step, pixels)) for start in range(0, pixels, step)]


def _paths(
    scene: Any,
    lighting: Lighting,
    sensor: Any,
    size: tuple[int, int],
    band: range,
    samples: int,
    first_sample: int,
    seed: int,
    depth: int,
    gathering: FinalGathering | None,
) -> tuple[list[Any], FirstHit]:
    """Radiance by light and first hit of `samples` rays through each pixel of a band, as JIT arrays not yet run."""
    pixels = len(band)
    # Aim one ray through a random place of the pixel and of the lens.
    lane = dr.arange(mi.UInt32, pixels * samples)
    rays_per_pixel = dr.opaque(mi.UInt32, samples)
    place_in_band = lane // rays_per_pixel
    pixel = place_in_band + dr.opaque(mi.UInt32, band.start)
    ray_of_pixel = lane - place_in_band * rays_per_pixel + dr.opaque(mi.UInt32, first_sample)
    ray, sampler = _aimed(sensor, size, pixel, ray_of_pixel, seed)
    return radiance_layers(scene, lighting, ray, sampler, depth, mi.Bool(True), mi.Bool(True), mi.Bool(True), gathering)


def _aimed(sensor: Any, size: tuple[int, int], pixel: Any, ray_of_pixel: Any, seed: int) -> tuple[Any, PathSampler]:
    """A ray through a random place of the pixel and of the lens for each lane, and the numbers of its path."""
    sampler = PathSampler(pixel, ray_of_pixel, seed)
    columns = dr.opaque(mi.UInt32, size[0])
    corner = mi.Point2f(mi.Float(pixel % columns), mi.Float(pixel // columns))
    extent = mi.Vector2f(mi.Float(columns), dr.opaque(mi.Float, size[1]))
    place = (corner + sampler.pair(BEFORE_PATH, PIXEL_SLOT)) / extent
    ray, _ = sensor.sample_ray(0, 0, place, sampler.pair(BEFORE_PATH, LENS_SLOT))
    return ray, sampler


def _group_means(
    layers: list[Any], first: FirstHit, pixels: int, groups: int, rays: int, index: int
) -> Iterator[tuple[list[Any], list[Any], np.ndarray]]:
    """Means of each of n pixels over groups of `rays` rays of one launch, the `index`th.

    Yields for each group, as JIT arrays (n,), 3 k channels of layers, and 7 channels of albedo, normal and distance;
    and the regions (n, v) that v of its rays met.
    """
    color = [dr.block_sum(channel, rays) / rays for layer in layers for channel in layer]
    guides = [dr.block_sum(channel, rays) / rays for channel in (*first.albedo, *first.normal, first.distance_m)]
    votes = np.empty((pixels, groups, 0), np.uint8)
    if index < VOTING_LAUNCHES:
        votes = first.part.numpy().astype(np.uint8).reshape(pixels, groups, rays)[:, :, :VOTERS_PER_GROUP]
    for group in range(groups):
        member = dr.arange(mi.UInt32, pixels) * groups + group
        yield (
            [dr.gather(mi.Float, channel, member) for channel in color],
            [dr.gather(mi.Float, channel, member) for channel in guides],
            votes[:, group],
        )


class _Totals:
    """Running sums over groups, kept by the renderer; the spread between groups gives the variance of the mean."""

    def __init__(self) -> None:
        self.groups = 0
        self.votes: list[np.ndarray] = []

    def add(self, color: list[Any], guides: list[Any], votes: np.ndarray) -> None:
        light = [
            sum(weight * channel for weight, channel in zip(LUMINANCE_WEIGHTS, layer, strict=True))
            for layer in zip(*(color[i::3] for i in range(3)), strict=True)
        ]
        if self.groups == 0:
            # Measure spread from the first group, so that single precision keeps the small differences.
            self.light_at_first = [mi.Float(value) for value in light]
            self.color, self.guides = color, guides
            self.off = [dr.zeros(mi.Float, dr.width(value)) for value in light]
            self.off_squared = [dr.zeros(mi.Float, dr.width(value)) for value in light]
        else:
            off = [value - first for value, first in zip(light, self.light_at_first, strict=True)]
            self.color = _added(self.color, color)
            self.guides = _added(self.guides, guides)
            self.off = _added(self.off, off)
            self.off_squared = _added(self.off_squared, [dr.square(value) for value in off])
        self.groups += 1
        self.votes.append(votes)
        dr.eval(self.color, self.guides, self.light_at_first, self.off, self.off_squared)


def _stack(
    totals: list[_Totals], stage: Stage, size: tuple[int, int], samples: int, seed: int, depth: int
) -> LightStack:
    """The stack of a picture from the sums over its bands."""
    width, height = size
    count = totals[0].groups

    def whole(name: str) -> np.ndarray:
        bands = ([channel.numpy() for channel in getattr(total, name)] for total in totals)
        return np.stack([np.concatenate(parts) for parts in zip(*bands, strict=True)])

    color = whole("color") / np.float32(count)
    guides = np.ascontiguousarray((whole("guides") / np.float32(count)).T).reshape(height, width, 7)
    off = whole("off")
    spread = whole("off_squared") - off * off / count
    variance = np.maximum(spread, 0) / (count * (count - 1))
    votes = np.concatenate([np.concatenate(total.votes, axis=1) for total in totals])
    return LightStack(
        names=stage.light_names,
        is_flash=stage.is_flash,
        pixels=np.ascontiguousarray(color.reshape(-1, 3, height, width).transpose(0, 2, 3, 1)),
        variance=variance.reshape(-1, height, width),
        albedo=guides[..., 0:3],
        normal=guides[..., 3:6],
        distance_m=guides[..., 6],
        region=_most_voted(votes).reshape(height, width),
        region_names=stage.region_names,
        samples=samples,
        seed=seed,
        depth=depth,
        engine=_variant(),
    )


def _variant() -> str:
    variant = mi.variant()
    assert variant is not None, "the engine is started before a stage can be built"
    return variant


def _added(sums: list[Any], values: list[Any]) -> list[Any]:
    return [total + value for total, value in zip(sums, values, strict=True)]


def _most_voted(votes: np.ndarray) -> np.ndarray:
    """Most frequent value of each row of (n, v) uint8, the smallest of equals."""
    best = np.zeros(len(votes), np.uint8)
    most = np.zeros(len(votes), np.uint8)
    for region in np.unique(votes):
        count = (votes == region).sum(axis=1, dtype=np.uint8)
        more = count > most
        best[more], most[more] = region, count[more]
    return best
