"""Stage to light stack: trace every pixel in short launches and keep each light's mean and its variance."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.light.stack import LightStack, no_excess
from sim.quantities.color import LUMINANCE_WEIGHTS, luminance
from sim.render.stage.build import Stage
from sim.render.transport.arrays import owned
from sim.render.transport.cache_seeding import seeded_cache
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
# Camera rays to one path that seeds the radiance cache, and to one ray that is traced again for the readings of parts.
RAYS_PER_SEEDING_PATH, LEAST_SEEDING_PATHS, MOST_SEEDING_PATHS = 192, 1 << 9, 1 << 18
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
    depth: int | None = None,
    on_progress: Callable[[float], None] | None = None,
    most_rays_at_once: int | None = None,
    least_groups: int = LEAST_GROUPS,
    gather: bool | None = None,
) -> LightStack:
    """Trace the stage through its camera and return one linear layer per light.

    Arguments: `size` (width, height) in pixels; `samples` camera rays per pixel, at least `least_groups`,
    rounded up to whole launches; `seed` of the random numbers: the same seed gives the same layers; `depth` a
    deliberate limit of bounces (1 = direct light only), None for none: paths then end at random, without bias;
    `on_progress` is told the finished fraction, 0..1, after each launch, and ends the work if it raises;
    `most_rays_at_once` cuts launches into shorter ones, each of a part of the pixels: the layers stay the same;
    `least_groups` of rays, 2 or more, that a pixel's variance is taken from; `gather` whether paths end after their
    first bounce in a radiance cache (None: where that pays), which moves pixels by some thousandths but not the means
    of parts (`LightStack.part_means`); False follows every path to its end.
    Does not: apply dials, colours or exposure, clamp a pixel's bright samples, or denoise.
    """
    pixels = size[0] * size[1]
    launches, groups, rays = launches_from_samples(
        pixels, samples, RAYS_PER_LAUNCH[_variant().split("_")[0]], least_groups
    )
    samples = launches * groups * rays
    tell = on_progress or (lambda part: None)
    picture = _Picture(stage, lighting_from_stage(stage), stage.sensor(size), size, seed, depth)
    if gather or (gather is None and pixels * samples >= LEAST_RAYS_TO_GATHER):
        picture = replace(picture, ends=_gathering(picture, samples, lambda: tell(0.0)))
        tell(0.0)
        if most_rays_at_once is not None:
            most_rays_at_once = int(most_rays_at_once / RAYS_FOR_A_GATHERED_ONE)
    bands = bands_from_pixels(pixels, groups * rays, most_rays_at_once)
    totals, control = [_Totals() for _ in bands], ControlSamples(pixels)
    for done, launch in enumerate(_launched(picture, bands, launches, groups * rays), 1):
        if picture.ends is not None and launch.number == 0:
            control.keep(bands[launch.band], launch.layers, groups * rays)
        for means in _group_means(launch, len(bands[launch.band]), groups, rays):
            totals[launch.band].add(*means)
        tell(done / (launches * len(bands)))
    stack = _stack(totals, picture, samples)
    if picture.ends is None and not picture.depth:
        return stack
    return replace(stack, part_excess=_part_excess(picture, stack, control))


@dataclass(frozen=True)
class _Picture:
    """What all launches of a picture share; `ends` None follows every path to its end."""

    stage: Stage
    lighting: Lighting
    sensor: Any
    size: tuple[int, int]
    seed: int
    depth: int | None
    ends: FinalGathering | None = None


class _Launch(NamedTuple):
    """One launch, the `number`th through the pixels of a `band`: what it brought to each layer and what it met."""

    number: int
    band: int
    layers: list[Any]
    first: FirstHit


def _launched(picture: _Picture, bands: list[range], launches: int, rays_per_pixel: int) -> Iterator[_Launch]:
    """The launches of a picture in turn, each whole when it comes; each runs while the next is recorded."""
    under_way: _Launch | None = None
    for index in range(launches):
        for number, band in enumerate(bands):
            # Record the next launch while the last one runs.
            recorded = _paths(picture, band, rays_per_pixel, index * rays_per_pixel)
            if under_way is not None:
                # Evaluation only queues: without a wait a whole picture would be queued, progress would tell of work
                # not yet done, and whoever stops the run would have to wait for all of it.
                dr.sync_thread()
                yield under_way
            # Run the kernel once for all outputs before any of them is reduced.
            dr.eval(recorded)
            under_way = _Launch(index, number, *recorded)
    if under_way is not None:
        dr.sync_thread()
        yield under_way


def _gathering(picture: _Picture, samples: int, on_step: Callable[[], None]) -> FinalGathering | None:
    """How to end the paths of a picture early; None for direct light only."""
    if picture.depth is not None and picture.depth < 2:
        return None
    rays = picture.size[0] * picture.size[1] * samples
    cache = seeded_cache(
        picture.stage,
        picture.lighting,
        size=picture.size,
        paths=min(max(rays // RAYS_PER_SEEDING_PATH, LEAST_SEEDING_PATHS), MOST_SEEDING_PATHS),
        seed=picture.seed,
        depth=picture.depth,
        on_step=on_step,
    )
    fan = min(max(samples // SAMPLES_PER_DIRECTION, 2), MOST_DIRECTIONS)
    return FinalGathering(cache, dr.opaque(mi.Float, fan))


def _part_excess(picture: _Picture, stack: LightStack, control: ControlSamples) -> np.ndarray:
    """What gathering left out of the means of parts: some rays of each are traced again to the end of their paths.

    The error of the means counts what a limit of bounces cuts off, found by following the same paths without it.
    """
    part, parts = stack.region.ravel(), len(stack.region_names)
    wanted = part.size * stack.samples // RAYS_PER_RETRACED
    pixel, ray = chosen_rays(part, control.rays or stack.samples, wanted, picture.seed)
    full = _followed_again(picture, pixel, ray, picture.depth)
    excess = no_excess(len(stack.names), parts)
    if picture.ends is not None:
        excess = excess_of_parts(part[pixel], parts, full, control.brought(pixel, ray))
    if picture.depth is not None:
        cut = excess_of_parts(part[pixel], parts, _followed_again(picture, pixel, ray, None), full)
        excess[:, :, 3] += np.square(luminance(cut[:, :, :3]))
    return excess


def _followed_again(picture: _Picture, pixel: np.ndarray, ray: np.ndarray, depth: int | None) -> np.ndarray:
    """What these rays (n,) of these pixels (n,) bring, (n, k, 3), their paths followed to the end or to a depth."""
    if len(pixel) == 0:
        return np.zeros((0, picture.lighting.layer_count, 3), np.float32)
    aimed, sampler = _aimed(picture, owned(mi.UInt32, pixel.astype(np.uint32)), owned(mi.UInt32, ray.astype(np.uint32)))
    yes = dr.opaque(mi.Bool, True, len(pixel))
    layers, _ = followed(picture.stage.scene, picture.lighting, aimed, sampler, depth, yes, yes, yes)
    return np.stack([layer.numpy().T for layer in layers], axis=1)


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


def _paths(picture: _Picture, band: range, samples: int, first_sample: int) -> tuple[list[Any], FirstHit]:
    """Radiance by light and first hit of `samples` rays through each pixel of a band, as JIT arrays not yet run."""
    # Number each lane's pixel and its ray.
    lane = dr.arange(mi.UInt32, len(band) * samples)
    rays_per_pixel = dr.opaque(mi.UInt32, samples)
    place_in_band = lane // rays_per_pixel
    pixel = place_in_band + dr.opaque(mi.UInt32, band.start)
    ray_of_pixel = lane - place_in_band * rays_per_pixel + dr.opaque(mi.UInt32, first_sample)
    ray, sampler = _aimed(picture, pixel, ray_of_pixel)
    yes = mi.Bool(True)
    scene, lighting = picture.stage.scene, picture.lighting
    return radiance_layers(scene, lighting, ray, sampler, picture.depth, yes, yes, yes, picture.ends)


def _aimed(picture: _Picture, pixel: Any, ray_of_pixel: Any) -> tuple[Any, PathSampler]:
    """A ray through a random place of the pixel and of the lens for each lane, and the numbers of its path."""
    sampler = PathSampler(pixel, ray_of_pixel, picture.seed)
    columns = dr.opaque(mi.UInt32, picture.size[0])
    corner = mi.Point2f(mi.Float(pixel % columns), mi.Float(pixel // columns))
    extent = mi.Vector2f(mi.Float(columns), dr.opaque(mi.Float, picture.size[1]))
    place = (corner + sampler.pair(BEFORE_PATH, PIXEL_SLOT)) / extent
    ray, _ = picture.sensor.sample_ray(0, 0, place, sampler.pair(BEFORE_PATH, LENS_SLOT))
    return ray, sampler


def _group_means(
    launch: _Launch, pixels: int, groups: int, rays: int
) -> Iterator[tuple[list[Any], list[Any], np.ndarray]]:
    """Means of each of n pixels over groups of `rays` rays of one launch.

    Yields for each group, as JIT arrays (n,), 3 k channels of layers, and 7 channels of albedo, normal and distance;
    and the parts (n, v) that v of its rays met.
    """
    layers, first = launch.layers, launch.first
    color = [dr.block_sum(channel, rays) / rays for layer in layers for channel in layer]
    guides = [dr.block_sum(channel, rays) / rays for channel in (*first.albedo, *first.normal, first.distance_m)]
    votes = np.empty((pixels, groups, 0), np.uint8)
    if launch.number < VOTING_LAUNCHES:
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


def _stack(totals: list[_Totals], picture: _Picture, samples: int) -> LightStack:
    """The stack of a picture from the sums over its bands."""
    stage, (width, height) = picture.stage, picture.size
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
        seed=picture.seed,
        depth=picture.depth,
        engine=_variant(),
        part_excess=no_excess(len(stage.light_names), len(stage.region_names)),
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
    for value in np.unique(votes):
        count = (votes == value).sum(axis=1, dtype=np.uint8)
        more = count > most
        best[more], most[more] = value, count[more]
    return best
