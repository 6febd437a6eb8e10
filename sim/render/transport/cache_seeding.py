"""Paths sent ahead of a picture, to find the surfaces that light its surfaces and what each sends on.

Seeding paths leave random places of the picture and scatter twice. Where they meet something, the direct light of every
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
SEEDING_STREAM = 0x5C0075
# Surfaces that a path meets: in the picture, from there, and from there on.
STOPS = 3
# Rays along which each place looks around.
LOOKS = 8
# Light is handed on until what is still to come is under this part of what each cell has, in at most so many steps.
MOST_CUT, MOST_STEPS = 1e-3, 1 << 10


@dataclass
class SeedStep:
    """Whether rays `met` a surface, `p` and `n` on the side they came from; the `ray` on from there, of weight `f`."""

    met: Any
    p: Any
    n: Any
    ray: Any
    f: Any
    goes_on: Any


def seeded_cache(
    stage: Stage,
    lighting: Lighting,
    *,
    size: tuple[int, int],
    paths: int,
    seed: int,
    depth: int | None,
    on_step: Callable[[], None],
) -> RadianceCache:
    """The radiance cache of a picture of `size` pixels, filled by so many paths; `seed` and `depth` as in `render`.

    `on_step` is called between the steps of the work and ends it if it raises. Light is handed on until no cell would
    gain more than `MOST_CUT` of what it has, or, with a `depth`, for depth - 1 bounces, so that a picture's paths end
    after `depth`.
    """
    seed ^= SEEDING_STREAM
    rays, points, normals = _places(stage, size, paths, seed)
    cells = Cells(points, normals)
    on_step()
    if len(rays) == 0:
        return RadianceCache(cells, np.zeros((0, lighting.layer_count, 3)))
    direct = cells.means(_direct_light(stage.scene, lighting, rays, seed))
    on_step()
    links = _links(stage.scene, cells, rays, seed)

    return RadianceCache(cells, _handed_on(direct, links, MOST_STEPS if depth is None else depth - 2))


def _places(stage: Stage, size: tuple[int, int], paths: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places that paths from the picture meet: the rays (n, 6) that lead there, points (n, 3) and normals (n, 3)."""
    numbers = PathSampler(dr.opaque(mi.UInt32, 0, paths), dr.arange(mi.UInt32, paths), seed)
    ray, _ = stage.sensor(size).sample_ray(0, 0, numbers.pair(BEFORE_PATH, LOBE_SLOT), mi.Point2f(0.5))
    alive = dr.opaque(mi.Bool, True, paths)
    rays, points, normals = [], [], []
    for stop in range(STOPS):
        step = _step(stage.scene, ray, numbers, stop, alive)
        met = step.met.numpy()
        rays.append(np.concatenate([_rows(ray.o), _rows(ray.d)], axis=1)[met])
        points.append(_rows(step.p)[met])
        normals.append(_rows(step.n)[met])
        ray, alive = step.ray, step.goes_on
    return np.concatenate(rays), np.concatenate(points), np.concatenate(normals)


def _direct_light(scene: Any, lighting: Lighting, rays: np.ndarray, seed: int) -> np.ndarray:
    """Direct light (n, k, 3) that the places where rays (n, 6) lead send back along them."""
    count = len(rays)
    sampler = PathSampler(dr.arange(mi.UInt32, count) + 1, dr.opaque(mi.UInt32, 0, count), seed)
    yes, no = dr.opaque(mi.Bool, True, count), dr.opaque(mi.Bool, False, count)
    layers, _ = followed(scene, lighting, _rays(rays), sampler, 1, yes, no, no)
    return np.stack([_rows(layer) for layer in layers], axis=1)


def _links(scene: Any, cells: Cells, rays: np.ndarray, seed: int) -> list[sparse.csr_array]:
    """What share of the light that a cell (column) sends out another (row) sends on, for each of three channels."""
    again = np.repeat(np.arange(len(rays), dtype=np.uint32), LOOKS)
    look = np.tile(np.arange(LOOKS, dtype=np.uint32), len(rays))
    numbers = PathSampler(owned(mi.UInt32, again) + 1, owned(mi.UInt32, look), seed)
    step = _step(scene, _rays(rays[again]), numbers, STOPS, dr.opaque(mi.Bool, True, len(rays) * LOOKS))
    around = _step(scene, step.ray, numbers, STOPS + 1, step.goes_on)
    sees = np.flatnonzero(around.met.numpy())
    source = cells.of(_rows(around.p)[sees], _rows(around.n)[sees])
    target = cells.of_place[again[sees]]
    weight = _rows(step.f)[sees] / (LOOKS * cells.places[target])[:, None]
    shape = (cells.count, cells.count)
    return [sparse.csr_array((weight[:, channel], (target, source)), shape=shape) for channel in range(3)]


def _handed_on(direct: np.ndarray, links: list[sparse.csr_array], most_steps: int) -> np.ndarray:
    """Radiance (c, k, 3) that cells send on in all: their direct light, handed on from cell to cell."""
    total = direct.copy()
    # Take each light by itself, so that its layer does not hang on which others are traced.
    for layer in range(direct.shape[1]):
        sent = direct[:, layer]
        for _ in range(most_steps):
            before = sent.sum()
            sent = np.stack([link @ sent[:, channel] for channel, link in enumerate(links)], axis=-1)
            total[:, layer] += sent
            # Take what is still to come for a geometric series: each step sends on the same part of the one before.
            kept = sent.sum() / before if before > 0 else 0.0
            if kept < 1 and (sent * kept <= MOST_CUT * (1 - kept) * total[:, layer]).all():
                break
    return total


def _step(scene: Any, ray: Any, numbers: PathSampler, stop: int, active: Any) -> SeedStep:
    """Meet a surface along each ray and scatter there, run at once; all steps share one kernel."""
    bounce = dr.opaque(mi.UInt32, stop)
    ray = mi.Ray3f(mi.Point3f(ray.o), mi.Vector3f(ray.d))
    dr.make_opaque(ray.o, ray.d, numbers.stream, numbers.index, active)
    si = scene.ray_intersect(ray, mi.RayFlags.All, False, active)
    met = active & si.is_valid()
    lobe, direction = numbers.one(bounce, LOBE_SLOT), numbers.pair(bounce, DIRECTION_SLOT)
    scatter, f = si.bsdf(ray).sample(mi.BSDFContext(), si, lobe, direction, met)
    normal = dr.mulsign(si.n, -dr.dot(si.n, ray.d))
    step = SeedStep(met, si.p, normal, si.spawn_ray(si.to_world(scatter.wo)), f, met & dr.any(f > 0))
    dr.eval(step)
    return step


def _rows(vectors: Any) -> np.ndarray:
    rows: npt.NDArray[np.float32] = vectors.numpy().T
    return rows


def _rays(rows: np.ndarray) -> Any:
    """Rays from origins and directions (n, 6)."""
    columns = [owned(mi.Float, column) for column in rows.T.astype(np.float32)]
    return mi.Ray3f(mi.Point3f(*columns[:3]), mi.Vector3f(*columns[3:]))
