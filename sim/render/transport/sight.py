"""Lines of sight through a stage: what a ray meets, whether two points see each other, which light arrives straight."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
import numpy.typing as npt

from sim.light.readings import DirectLight, Hits
from sim.render.stage.build import Stage
from sim.render.transport.lighting import shapes_met
from sim.render.transport.luminaire import Luminaire

# Part of a line left out at its far end, so that the thing it ends on does not block it.
END_TRIM = 1e-3


def first_hits(stage: Stage, origins_m: np.ndarray, directions: np.ndarray) -> Hits:
    """What rays meet first.

    Arguments: `origins_m` (n, 3) or (3,) world metres; `directions` (n, 3) unit.
    """
    directions = np.atleast_2d(np.asarray(directions, float))
    origins = np.broadcast_to(np.asarray(origins_m, float), directions.shape)
    ray = mi.Ray3f(_columns(mi.Point3f, origins), _columns(mi.Vector3f, directions))
    si = stage.scene.ray_intersect(ray)
    met = si.is_valid()
    shape = shapes_met(si)
    region = dr.gather(mi.UInt32, mi.UInt32(stage.shape_part), shape, met)
    housing = dr.gather(mi.UInt32, mi.UInt32(stage.shape_housing), shape, met)
    return Hits(
        distance_m=np.where(met.numpy(), si.t.numpy(), np.inf),
        region=region.numpy().astype(int),
        layer=housing.numpy().astype(int) - 1,
        normal=np.stack([axis.numpy() for axis in si.sh_frame.n], axis=1),
    )


def line_of_sight(start: Any, direction: Any, length_m: Any) -> Any:
    """Rays that end just before a length, to test whether something stands in between."""
    # The renderer takes an empty list for no wavelengths, unlike what its stubs say.
    ray: Any = mi.Ray3f
    return ray(start, direction, length_m * (1 - END_TRIM), 0, [])


def is_clear(stage: Stage, starts_m: np.ndarray, ends_m: np.ndarray) -> np.ndarray:
    """Whether nothing stands between pairs of points, (n,) bool.

    Arguments: `starts_m`, `ends_m` (n, 3) or (3,) world metres. The last thousandth of each line is not looked at.
    """
    starts, ends = np.broadcast_arrays(np.atleast_2d(np.asarray(starts_m, float)), np.asarray(ends_m, float))
    way = ends - starts
    length = np.linalg.norm(way, axis=1)
    length_m = mi.Float(length.astype(np.float32))
    ray = line_of_sight(_columns(mi.Point3f, starts), _columns(mi.Vector3f, way / length[:, None]), length_m)
    clear: npt.NDArray[np.bool_] = ~stage.scene.ray_test(ray).numpy()
    return clear


def direct_light(
    stage: Stage,
    points_m: np.ndarray,
    normals: np.ndarray | None = None,
    *,
    layers: Sequence[int] | None = None,
    samples: int = 16,
    seed: int = 0,
) -> DirectLight:
    """Light that comes straight from each light to points.

    Arguments: `points_m` (n, 3) world metres; `normals` (n, 3) unit, of flat receptors (None: each receptor is turned
    to the point of the light that it samples); `layers` only these lights, others stay 0; `samples` rays for each
    point and luminous face.
    Does not: count light that comes back from a surface.
    """
    points = np.atleast_2d(np.asarray(points_m, float))
    count, lights = len(points), len(stage.light_names)
    sampler = mi.load_dict({"type": "independent", "sample_count": 1})
    sampler.seed(seed, count * samples)
    index = dr.arange(mi.UInt32, count * samples) // dr.opaque(mi.UInt32, samples)
    ref = dr.gather(mi.Point3f, _columns(mi.Point3f, points), index)
    if normals is not None:
        normal = dr.gather(mi.Vector3f, _columns(mi.Vector3f, np.asarray(normals, float)), index)
    reaching, unblocked = np.zeros((count, lights)), np.zeros((count, lights))
    for face in stage.faces:
        if layers is not None and face.layer not in layers:
            continue
        luminaire = Luminaire(face.emitter, face.world_from_face, face.layer)
        sample = luminaire.sample(ref, sampler.next_2d())
        cosine = mi.Float(1) if normals is None else dr.maximum(dr.dot(sample.d, normal), 0)
        value = luminaire.emitted(sample.p, sample.n, -sample.d) * cosine / sample.pdf
        counts = (sample.pdf > 0) & (value > 0)
        blocked = stage.scene.ray_test(line_of_sight(ref, sample.d, sample.dist_m), counts)
        free = dr.select(counts, value, 0)
        for table, part in ((unblocked, free), (reaching, dr.select(blocked, 0, free))):
            table[:, face.layer] += (dr.block_sum(part, samples) / samples).numpy()
    return DirectLight(reaching, unblocked)


def _columns(kind: Any, rows: np.ndarray) -> Any:
    return kind(*(mi.Float(np.ascontiguousarray(rows[:, i], dtype=np.float32)) for i in range(3)))
