"""Meters in the scene: illuminance on a dome or disc, luminance in a spot, per light and without a picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.light.readings import FloatArray, Probe, ProbeReadings
from sim.quantities.color import luminance
from sim.render.stage.build import Stage
from sim.render.transport.lighting import Lighting, lighting_from_stage
from sim.render.transport.path import followed
from sim.render.transport.path_ends import DIRECTION_SLOT, LIGHT_SLOT
from sim.render.transport.sampling import BEFORE_PATH, PathSampler
from sim.render.transport.sight import line_of_sight

SPOT_HALF_ANGLE_RAD = np.radians(0.5)
FIRST_RAYS = 1 << 12
LANES_PER_LAUNCH = 1 << 21
# A light under this part of a probe's light changes its reading by less than a fortieth of a stop.
LEAST_SHARE = 1 / 64
# Rays whose mean is one of the values that the standard error is taken from.
RAYS_PER_BLOCK = 256


def read_probes(
    stage: Stage,
    probes: Sequence[Probe],
    *,
    seed: int = 0,
    depth: int = 5,
    target_stderr_stops: float = 0.03,
    most_rays: int = 1 << 19,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> ProbeReadings:
    """Read every probe, light by light, until each value's standard error is small enough.

    Arguments: `target_stderr_stops` standard error aimed at for each light on each probe, in stops, > 0; a light
    that gives less than `LEAST_SHARE` of a probe's full-dial light need only be that certain of the share;
    `most_rays` limit per probe, where sampling stops whatever the error; `seed`, `depth` as in `render`;
    `on_launch` is called after each launch and ends the work if it raises; `most_rays_at_once` cuts launches into
    shorter ones, each of some of the probes: the readings stay the same.
    Returns values in lx (dome, flat) or cd/m2 (spot), for flash times seconds, at full dial and white.
    Does not: convert to f-numbers, or model a receptor's size (its aperture is a point).
    """
    lights, lighting = len(stage.light_names), lighting_from_stage(stage)
    tallies = [_Tally(lights) for _ in probes]
    open_probes = list(range(len(probes)))
    taken, rays = 0, FIRST_RAYS
    while open_probes:
        together = len(open_probes) if most_rays_at_once is None else max(1, most_rays_at_once // rays)
        for start in range(0, len(open_probes), together):
            chosen = open_probes[start : start + together]
            blocks = _trace_batch(stage.scene, lighting, probes, chosen, taken, rays, seed, depth)
            for index, block in zip(chosen, blocks, strict=True):
                tallies[index].add(block, rays)
            if on_launch is not None:
                on_launch()
        taken += rays
        # Take four times the rays in all of those that are not sure yet.
        most = min(3 * taken, most_rays - taken, LANES_PER_LAUNCH // len(open_probes))
        rays = max(1, most // FIRST_RAYS) * FIRST_RAYS
        open_probes = [
            i for i in open_probes
            if tallies[i].rays < most_rays and tallies[i].worst_stderr_stops() > target_stderr_stops
        ]  # fmt: skip
    return ProbeReadings(
        probes=tuple(probes),
        names=stage.light_names,
        is_flash=stage.is_flash,
        values=np.stack([t.mean() for t in tallies]),
        stderr=np.stack([t.stderr() for t in tallies]),
        rays=tuple(t.rays for t in tallies),
    )


def _trace_batch(
    scene: Any,
    lighting: Lighting,
    all_probes: Sequence[Probe],
    chosen: list[int],
    first: int,
    rays: int,
    seed: int,
    depth: int,
) -> np.ndarray:
    """Block means (m, b, k, 3) of `rays` rays from number `first` on, of each of the m chosen probes."""
    probes = [all_probes[i] for i in chosen]
    lane = dr.arange(mi.UInt32, len(probes) * rays)
    rays_per_probe = dr.opaque(mi.UInt32, rays)
    probe = lane // rays_per_probe
    stream = dr.gather(mi.UInt32, _column(mi.UInt32, chosen), probe)
    sampler = PathSampler(stream, lane - probe * rays_per_probe + dr.opaque(mi.UInt32, first), seed)
    position = _gathered(mi.Point3f, np.array([p.position_m for p in probes]), probe)
    facing = _gathered(mi.Vector3f, np.array([p.facing for p in probes]), probe)
    kind = dr.gather(mi.UInt32, _column(mi.UInt32, [KINDS.index(p.kind) for p in probes]), probe)
    is_spot, is_dome = kind == KINDS.index("spot"), kind == KINDS.index("dome")

    # Let each light shine on the receptor directly.
    totals = [mi.Color3f(0) for _ in range(lighting.layer_count)]
    place_on = sampler.pairs(BEFORE_PATH, LIGHT_SLOT)
    for luminaire in lighting.luminaires:
        sample = luminaire.sample(position, place_on(luminaire.number))
        response = _response(dr.dot(sample.d, facing), is_dome)
        value = luminaire.emitted(sample.p, sample.n, -sample.d) * response / sample.pdf
        reach = (sample.pdf > 0) & (value > 0) & ~is_spot
        reach &= ~scene.ray_test(line_of_sight(position, sample.d, sample.dist_m), reach)
        totals[luminaire.layer] += dr.select(reach, value, 0)

    # Follow one ray out of the receptor, in proportion to its response, for all that is not direct.
    direction, scale = _receptor_direction(facing, is_dome, is_spot, sampler.pair(BEFORE_PATH, DIRECTION_SLOT))
    ray = mi.Ray3f(position, direction)
    yes = dr.opaque(mi.Bool, True, len(probes) * rays)
    layers, _ = followed(scene, lighting, ray, sampler, depth, yes, is_spot, yes)
    totals = [total + layer * scale for total, layer in zip(totals, layers, strict=True)]
    dr.eval(totals)
    means = [dr.block_sum(channel, RAYS_PER_BLOCK) / RAYS_PER_BLOCK for total in totals for channel in total]
    dr.eval(means)
    shape = (len(totals), 3, len(probes), rays // RAYS_PER_BLOCK)
    return np.stack([m.numpy() for m in means]).reshape(shape).transpose(2, 3, 0, 1)


KINDS = ("flat", "dome", "spot")


def _response(cosine: Any, is_dome: Any) -> Any:
    # A flat disc answers by the cosine, a dome by a cardioid, both 1 on the axis.
    return dr.select(is_dome, (1 + cosine) / 2, dr.maximum(cosine, 0))


def _receptor_direction(facing: Any, is_dome: Any, is_spot: Any, u: Any) -> tuple[Any, Any]:
    """Direction sampled in proportion to the receptor's response, and the integral of that response in sr."""
    flat_cos = dr.sqrt(u.x)
    dome_cos = 2 * dr.sqrt(u.x) - 1
    spot_cos = 1 - u.x * (1 - np.cos(SPOT_HALF_ANGLE_RAD))
    cosine = dr.select(is_spot, spot_cos, dr.select(is_dome, dome_cos, flat_cos))
    s, c = dr.sincos(dr.two_pi * u.y)
    sine = dr.safe_sqrt(1 - dr.square(cosine))
    local = mi.Vector3f(sine * c, sine * s, cosine)
    scale = dr.select(is_spot, 1, dr.select(is_dome, dr.two_pi, dr.pi))
    return mi.Frame3f(facing).to_world(local), scale


def _gathered(kind: Any, rows: np.ndarray, index: Any) -> Any:
    return kind(*(dr.gather(mi.Float, _column(mi.Float, rows[:, i]), index) for i in range(3)))


def _column(kind: Any, values: Sequence[float] | FloatArray) -> Any:
    # Hold one value more than asked for: the kernel would bake in an array of a single one.
    column = np.append(np.asarray(values), values[-1])
    return kind(column.astype(np.uint32 if kind is mi.UInt32 else np.float32))


class _Tally:
    """Running mean and standard error of one probe's values from the spread between equal blocks."""

    def __init__(self, lights: int) -> None:
        self.blocks: list[np.ndarray] = []
        self.lights = lights
        self.rays = 0

    def add(self, blocks: np.ndarray, rays: int) -> None:
        self.blocks.append(blocks)
        self.rays += rays

    def mean(self) -> np.ndarray:
        """Mean value per light, (k, 3)."""
        mean: FloatArray = np.concatenate(self.blocks).mean(axis=0, dtype=np.float64)
        return mean

    def stderr(self) -> np.ndarray:
        """Standard error of each light's luminance-weighted value, (k,)."""
        value = luminance(np.concatenate(self.blocks))
        error: FloatArray = value.std(axis=0, ddof=1) / np.sqrt(len(value))
        return error

    def worst_stderr_stops(self) -> float:
        """Largest relative standard error over the lights, in stops."""
        value = luminance(self.mean())
        against = np.maximum(value, LEAST_SHARE * value.sum())
        if not against.any():
            return 0.0
        return float((self.stderr() / against).max() / np.log(2))
