"""Paths sent ahead of a picture, to find the surfaces that light its surfaces and what each sends on.

Scouts leave random places of the picture and scatter twice. Where they meet something, the direct light of every
luminaire is taken; each place then looks around along a few scattered rays, and light is handed on from cell to cell
along these, bounce by bounce: radiosity with form factors found by random rays, solved by Jacobi iteration
[CohenWallace:1993]. What the cells send on fills the radiance cache.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
import numpy.typing as npt
from scipy import sparse

from sim.render.stage.build import Stage
from sim.render.transport.arrays import owned
from sim.render.transport.lighting import Lighting
from sim.render.transport.path import followed
from sim.render.transport.path_ends import DIRECTION_SLOT, LOBE_SLOT
from sim.render.transport.radiance_cache import Cells, RadianceCache
from sim.render.transport.sampling import BEFORE_PATH, PathSampler

# Their random numbers are not those of the picture.
SCOUT_SEED = 0x5C0075
# Surfaces that a scout meets: in the picture, from there, and from there on.
STOPS = 3
# Rays along which each place looks around.
LOOKS = 8


@dataclass
class SeedStep:
    """Where rays met a surface, `p` and `n` on the side they came from; the `ray` on from there, with weight `f`."""

    found: Any
    p: Any
    n: Any
    ray: Any
    f: Any
    goes_on: Any


def cache_from_scouts(
    stage: Stage,
    lighting: Lighting,
    *,
    size: tuple[int, int],
    scouts: int,
    seed: int,
    depth: int,
    on_step: Callable[[], None],
) -> RadianceCache:
    """The radiance cache of a picture of `size` pixels, filled by so many scouts; `seed` and `depth` as in `render`.

    `on_step` is called between the steps of the work and ends it if it raises. The cells send on light of up to
    depth - 1 bounces, so that a picture's paths end after `depth`.
    """
    # Walk from the picture over the surfaces.
    numbers = PathSampler(dr.opaque(mi.UInt32, 0, scouts), dr.arange(mi.UInt32, scouts), seed ^ SCOUT_SEED)
    ray, _ = stage.sensor(size).sample_ray(0, 0, numbers.pair(BEFORE_PATH, LOBE_SLOT), mi.Point2f(0.5))
    alive = dr.opaque(mi.Bool, True, scouts)
    rays, points, normals = [], [], []
    for stop in range(STOPS):
        step = _step(stage.scene, ray, numbers, stop, alive)
        found = step.found.numpy()
        rays.append(np.concatenate([_rows(ray.o), _rows(ray.d)], axis=1)[found])
        points.append(_rows(step.p)[found])
        normals.append(_rows(step.n)[found])
        ray, alive = step.ray, step.goes_on
    place, point, normal = (np.concatenate(parts) for parts in (rays, points, normals))
    cells = Cells(point, normal)
    on_step()

    # Take the direct light at each place.
    count = len(place)
    if count == 0:
        return RadianceCache(cells, np.zeros((0, lighting.layer_count, 3)))
    sampler = PathSampler(dr.arange(mi.UInt32, count) + 1, dr.opaque(mi.UInt32, 0, count), seed ^ SCOUT_SEED)
    yes, no = dr.opaque(mi.Bool, True, count), dr.opaque(mi.Bool, False, count)
    layers, _ = followed(stage.scene, lighting, _rays(place), sampler, 1, yes, no, no)
    direct = cells.means(np.stack([_rows(layer) for layer in layers], axis=1))
    on_step()

    # Look around from each, and hand the light on.
    again = np.repeat(np.arange(count, dtype=np.uint32), LOOKS)
    look = np.tile(np.arange(LOOKS, dtype=np.uint32), count)
    numbers = PathSampler(owned(mi.UInt32, again) + 1, owned(mi.UInt32, look), seed ^ SCOUT_SEED)
    step = _step(stage.scene, _rays(place[again]), numbers, STOPS, dr.opaque(mi.Bool, True, count * LOOKS))
    met = _step(stage.scene, step.ray, numbers, STOPS + 1, step.goes_on)
    sees = np.flatnonzero(met.found.numpy())
    source = cells.of(_rows(met.p)[sees], _rows(met.n)[sees])
    target = cells.of_scout[again[sees]]
    weight = _rows(step.f)[sees] / (LOOKS * cells.scouts[target])[:, None]
    shape = (cells.count, cells.count)
    links = [sparse.csr_array((weight[:, channel], (target, source)), shape=shape) for channel in range(3)]
    sent, total = direct, direct.copy()
    for _ in range(depth - 2):
        sent = np.stack([link @ sent[:, :, channel] for channel, link in enumerate(links)], axis=-1)
        total += sent
    return RadianceCache(cells, total)


def _step(scene: Any, ray: Any, numbers: PathSampler, stop: int, active: Any) -> SeedStep:
    """Meet a surface along each ray and scatter there, run at once; all steps share one kernel."""
    bounce = dr.opaque(mi.UInt32, stop)
    ray = mi.Ray3f(mi.Point3f(ray.o), mi.Vector3f(ray.d))
    dr.make_opaque(ray.o, ray.d, numbers.stream, numbers.index, active)
    si = scene.ray_intersect(ray, mi.RayFlags.All, False, active)
    found = active & si.is_valid()
    lobe, direction = numbers.one(bounce, LOBE_SLOT), numbers.pair(bounce, DIRECTION_SLOT)
    scatter, f = si.bsdf(ray).sample(mi.BSDFContext(), si, lobe, direction, found)
    normal = dr.mulsign(si.n, -dr.dot(si.n, ray.d))
    step = SeedStep(found, si.p, normal, si.spawn_ray(si.to_world(scatter.wo)), f, found & dr.any(f > 0))
    dr.eval(step)
    return step


def _rows(vectors: Any) -> np.ndarray:
    rows: npt.NDArray[np.float32] = vectors.numpy().T
    return rows


def _rays(rows: np.ndarray) -> Any:
    """Rays from origins and directions (n, 6)."""
    columns = [owned(mi.Float, column) for column in rows.T.astype(np.float32)]
    return mi.Ray3f(mi.Point3f(*columns[:3]), mi.Vector3f(*columns[3:]))
