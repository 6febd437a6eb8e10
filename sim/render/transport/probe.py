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
# Rays of a probe are cut into replicates, each on random numbers of its own: their means' spread is the error.
REPLICATES = 32
FIRST_RAYS = 1 << 12
LANES_PER_LAUNCH = 1 << 21
# A light under this part of a probe's light changes its reading by less than a fortieth of a stop.
LEAST_SHARE = 1 / 64
# Rays that are summed in single precision.
RAYS_PER_BLOCK = FIRST_RAYS // REPLICATES


def read_probes(
    stage: Stage,
    probes: Sequence[Probe],
    *,
    seed: int = 0,
    depth: int | None = None,
    target_stderr_stops: float = 0.03,
    most_rays: int = 1 << 19,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> ProbeReadings:
    """Read every probe, light by light, until each value's standard error is small enough.

    Rays follow a low-discrepancy sequence, whose blocks are not independent: the error comes from replicates, each
    scrambled by itself (randomised quasi-Monte Carlo: [Owen:2013], chapter 17). All probes share their random numbers,
    so that a reading does not hang on which others are asked for.

    Arguments: `target_stderr_stops` standard error aimed at for each light on each probe, in stops, > 0; a light
    that gives less than `LEAST_SHARE` of a probe's full-dial light need only be that certain of the share;
    `most_rays` limit per probe, where sampling stops whatever the error; `seed`, `depth` as in `render`: the errors
    told count what a limit of bounces cuts off;
    `on_launch` is called after each launch and ends the work if it raises; `most_rays_at_once` cuts launches into
    shorter ones, each of some of the probes: the readings stay the same.
    Returns values in lx (dome, flat) or cd/m2 (spot), for flash times seconds, at full dial and white.
    Does not: convert to f-numbers, or model a receptor's size (its aperture is a point).
    """
    lights, lighting = len(stage.light_names), lighting_from_stage(stage)
    # Read a meter that is held twice the same way once.
    alike: dict[tuple[object, ...], _Tally] = {}
    tallies = [alike.setdefault(_held(probe), _Tally(probe, lights)) for probe in probes]
    under_way = list(alike.values())
    taken, rays = 0, FIRST_RAYS
    while under_way:
        together = max(1, min(most_rays_at_once or LANES_PER_LAUNCH, LANES_PER_LAUNCH) // rays)
        for start in range(0, len(under_way), together):
            batch = under_way[start : start + together]
            held = [tally.probe for tally in batch]
            means = _trace_batch(stage.scene, lighting, held, taken, rays, seed, depth)
            for tally, mean in zip(batch, means, strict=True):
                tally.add(mean, rays)
            if depth is not None and taken == 0:
                # See what the limit of bounces cuts off: follow the same paths without it.
                endless = _trace_batch(stage.scene, lighting, held, taken, rays, seed, None)
                for tally, mean in zip(batch, endless - means, strict=True):
                    tally.cut = np.maximum(luminance(mean.mean(axis=0)), 0)
            if on_launch is not None:
                on_launch()
        taken += rays
        # Take four times the rays in all of those that are not sure yet.
        rays = max(1, min(3 * taken, most_rays - taken, LANES_PER_LAUNCH) // FIRST_RAYS) * FIRST_RAYS
        under_way = [
            tally for tally in under_way if tally.rays < most_rays and tally.worst_stderr_stops() > target_stderr_stops
        ]
    return ProbeReadings(
        probes=tuple(probes),
        names=stage.light_names,
        is_flash=stage.is_flash,
        values=np.stack([t.mean() for t in tallies]),
        stderr=np.stack([np.hypot(t.stderr(), t.cut) for t in tallies]),
        rays=tuple(t.rays for t in tallies),
    )


def _trace_batch(
    scene: Any,
    lighting: Lighting,
    probes: Sequence[Probe],
    first: int,
    rays: int,
    seed: int,
    depth: int | None,
) -> np.ndarray:
    """Means (m, REPLICATES, k, 3) of `rays` rays from number `first` on, of each of m probes."""
    lane = dr.arange(mi.UInt32, len(probes) * rays)
    rays_per_probe, rays_each = dr.opaque(mi.UInt32, rays), dr.opaque(mi.UInt32, rays // REPLICATES)
    probe = lane // rays_per_probe
    ray_of_probe = lane - probe * rays_per_probe
    replicate = ray_of_probe // rays_each
    ray_of_replicate = ray_of_probe - replicate * rays_each + dr.opaque(mi.UInt32, first // REPLICATES)
    sampler = PathSampler(replicate, ray_of_replicate, seed)
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
    blocks = np.stack([m.numpy() for m in means]).reshape(len(totals), 3, len(probes), REPLICATES, -1)
    each: FloatArray = blocks.mean(axis=-1, dtype=np.float64).transpose(2, 3, 0, 1)
    return each


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


def _held(probe: Probe) -> tuple[object, ...]:
    """What a probe's readings depend on, so that two of the same are alike."""
    return probe.kind, *(float(v) for v in (*probe.position_m, *probe.facing))


class _Tally:
    """Running mean of one probe's values, and its standard error from the spread between replicates.

    `cut` (k,) luminance-weighted value that a limit of bounces leaves out.
    """

    def __init__(self, probe: Probe, lights: int) -> None:
        self.probe = probe
        self.sums = np.zeros((REPLICATES, lights, 3))
        self.cut = np.zeros(lights)
        self.rays = 0

    def add(self, means: np.ndarray, rays: int) -> None:
        self.sums += means * rays
        self.rays += rays

    def mean(self) -> np.ndarray:
        """Mean value per light, (k, 3)."""
        mean: FloatArray = self.sums.mean(axis=0) / self.rays
        return mean

    def stderr(self) -> np.ndarray:
        """Standard error of each light's luminance-weighted value, (k,)."""
        value = luminance(self.sums / self.rays)
        error: FloatArray = value.std(axis=0, ddof=1) / np.sqrt(REPLICATES)
        return error

    def worst_stderr_stops(self) -> float:
        """Largest relative standard error over the lights, in stops."""
        value = luminance(self.mean())
        against = np.maximum(value, LEAST_SHARE * value.sum())
        if not against.any():
            return 0.0
        return float((self.stderr() / against).max() / np.log(2))
