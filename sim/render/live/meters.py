"""Meters while a hand drags: what comes straight from moved lamps, from few rays and with its error."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.light.readings import Probe
from sim.quantities.color import luminance
from sim.render.live.direct import unshadowed_samples
from sim.render.live.ground import Bodies
from sim.render.live.occluders import Boxes, blocked_by_boxes
from sim.render.live.recordings import Recordings, own_array
from sim.render.transport.luminaire import Luminaire
from sim.render.transport.path_ends import LIGHT_SLOT
from sim.render.transport.sampling import BEFORE_PATH, PathSampler
from sim.render.transport.sight import line_of_sight

RAYS, REPLICATES = 32, 8
KINDS = ("flat", "dome", "spot")


class LiveMeters:
    """Direct light of lamps on probes; recordings are used again."""

    def __init__(self) -> None:
        self._recordings = Recordings()

    def direct(
        self, bodies: Bodies, probes: Sequence[Probe], lamps: Sequence[Luminaire], boxes: Boxes
    ) -> tuple[np.ndarray, np.ndarray]:
        """What lamps send straight to probes: (m, 3) as `ProbeReadings.values`, and the standard error (m,).

        Arguments: `bodies` of the ground; `boxes` what stands on the set besides.
        Does not: count light that comes back from a surface to a dome or disc.
        """
        rows = [[*probe.position_m, *probe.facing, KINDS.index(probe.kind)] for probe in probes]
        table = own_array(np.array(rows))
        key = tuple(lamp.kind for lamp in lamps)
        templates = list(lamps)

        def work(bodies: Any, table: Any, numbers: Any, boxes: Any, count: Any) -> Any:
            faces = [face.with_numbers(values) for face, values in zip(templates, numbers, strict=True)]
            return _means(bodies, table, faces, boxes, count)

        lanes = dr.arange(mi.UInt32, len(probes) * REPLICATES * RAYS)
        dr.eval(lanes)
        means = self._recordings.of(key, work)(bodies, table, [lamp.numbers() for lamp in lamps], boxes, lanes)
        blocks = np.stack([np.asarray(channel) for channel in means], axis=-1).reshape(-1, REPLICATES, 3)
        spread = luminance(blocks).std(axis=1, ddof=1) / np.sqrt(REPLICATES)
        return blocks.mean(axis=1, dtype=np.float64), spread


def _means(bodies: Bodies, table: Any, lamps: list[Luminaire], boxes: Boxes, lane: Any) -> list[Any]:
    """Mean of each replicate of each probe, three channels."""
    block = lane // RAYS
    probe, replicate = block // REPLICATES, block % REPLICATES

    def column(number: int) -> Any:
        return dr.gather(mi.Float, table, probe * 7 + number)

    position = mi.Point3f(column(0), column(1), column(2))
    facing, kind = mi.Vector3f(column(3), column(4), column(5)), column(6)
    is_spot, is_dome = kind > 1.5, (kind > 0.5) & (kind < 1.5)
    # All probes share their random numbers; each replicate is scrambled by itself.
    sampler = PathSampler(replicate, lane % RAYS, 0)

    # Let each lamp shine on the receptor.
    total = mi.Color3f(0)
    place_on = sampler.pairs(BEFORE_PATH, LIGHT_SLOT)
    for lamp in lamps:
        sample = lamp.sample(position, place_on(lamp.number))
        cosine = dr.dot(sample.d, facing)
        answer = dr.select(is_dome, (1 + cosine) / 2, dr.maximum(cosine, 0))
        value = lamp.emitted(sample.p, sample.n, -sample.d) * answer / sample.pdf
        reach = (sample.pdf > 0) & (value > 0) & ~is_spot
        reach &= ~bodies.ray_test(line_of_sight(position, sample.d, sample.dist_m), reach)
        reach &= ~blocked_by_boxes(boxes, position, sample.p, reach)
        total += dr.select(reach, value, 0)

    # A spot meter sees what the lamp sends on from the surface that it looks at.
    met = bodies.ray_intersect(mi.Ray3f(position, facing), is_spot)
    si = met.si
    for light, sample in unshadowed_samples(met, si.bsdf(), lamps, sampler):
        reach = is_spot & dr.any(light > 0)
        ray = si.spawn_ray_to(sample.p)
        clear = ~bodies.ray_test(ray, reach) & ~blocked_by_boxes(boxes, ray.o, sample.p, reach)
        total += dr.select(reach & clear, light, 0)
    dr.eval(total)
    return [dr.block_sum(channel, RAYS) / RAYS for channel in total]
