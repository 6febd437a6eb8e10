"""Light along single rays, kept apart for every light: what an eye sees of one small thing, without a picture."""

from __future__ import annotations

from collections.abc import Callable

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.light.readings import FloatArray
from sim.render.stage.build import Stage
from sim.render.transport.lighting import lighting_from_stage
from sim.render.transport.path import followed
from sim.render.transport.sampling import PathSampler

LANES_PER_LAUNCH = 1 << 20


def radiance_along(
    stage: Stage,
    origin_m: np.ndarray,
    directions: np.ndarray,
    *,
    samples: int = 32,
    seed: int = 0,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> np.ndarray:
    """Radiance (n, k, 3) that each of k lights sends along n rays toward an eye, at full dial and white.

    Arguments: `origin_m` (3,) the eye, `directions` (n, 3) unit, away from it; `samples` paths of each ray, followed to
    the end; `on_launch` is called after each launch and ends the work if it raises; `most_rays_at_once` cuts launches
    into shorter ones, the values stay the same.
    Returns cd/m2, for flash cd s/m2, in linear RGB of the luminance weights of `sim.quantities.color`.
    """
    lighting = lighting_from_stage(stage)
    values = np.zeros((len(directions), lighting.layer_count, 3), np.float32)
    together = max(2, min(most_rays_at_once or LANES_PER_LAUNCH, LANES_PER_LAUNCH) // samples)
    for start in range(0, len(directions), together):
        some = directions[start : start + together]
        lane = dr.arange(mi.UInt32, len(some) * samples)
        each = dr.opaque(mi.UInt32, samples)
        number = lane // each
        sampler = PathSampler(number + dr.opaque(mi.UInt32, start), lane - number * each, seed)
        way = mi.Vector3f(*(dr.gather(mi.Float, _column(some[:, axis]), number) for axis in range(3)))
        eye = mi.Point3f(*(dr.opaque(mi.Float, float(place), len(some) * samples) for place in origin_m))
        yes = dr.opaque(mi.Bool, True, len(some) * samples)
        layers, _ = followed(stage.scene, lighting, mi.Ray3f(eye, way), sampler, None, yes, yes, yes)
        for place, layer in enumerate(layers):
            for channel in range(3):
                values[start : start + len(some), place, channel] = (
                    layer[channel].numpy().reshape(-1, samples).mean(axis=1)
                )
        if on_launch is not None:
            on_launch()
    return values


def _column(values: FloatArray) -> mi.Float:
    # Hold one value more than asked for: the kernel would bake in an array of a single one.
    return mi.Float(np.append(values, values[-1]).astype(np.float32))
