"""Direct light of one lamp on the surfaces that a camera sees: unshadowed light times the share that arrives.

The share is a ratio estimator: shadowed over unshadowed light of the same rays, each smoothed along the surface, so
that one ray a pixel leaves no grain in the light itself [Heitz:2018].

Does not: count light that comes back from a surface, or what a mirror shows sharply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.quantities.color import LUMINANCE_WEIGHTS
from sim.render.live.cleaning import Smoothing, smoothed
from sim.render.live.ground import Bodies, Meeting
from sim.render.live.hits import PLACES, BusyHits, FirstHits
from sim.render.live.occluders import Boxes, blocked_by_boxes
from sim.render.transport.luminaire import Luminaire
from sim.render.transport.path_ends import LIGHT_SLOT
from sim.render.transport.sampling import BEFORE_PATH, PathSampler


@dataclass
class DirectSums:
    """Means over samples: `free` light unshadowed, `tested` that of samples that a ray was sent for, `arrived` what
    came of it, each Color3f by pixel; `busy` the unshadowed light of the busy pixels by their own number.
    """

    free: Any
    tested: Any
    arrived: Any
    busy: Any


@dataclass(frozen=True)
class Effort:
    """Samples of each luminous face for a pixel: `rays` with a shadow ray, `more` without."""

    rays: int = 1
    more: int = 3

    @property
    def samples(self) -> int:
        """Samples of a pixel on one face."""
        return self.rays + self.more


def direct_sums(
    bodies: Bodies, hits: FirstHits, busy: BusyHits, lamps: list[Luminaire], boxes: Boxes, seed: Any, effort: Effort
) -> DirectSums:
    """Direct light of one set of samples, number `seed`, on all pixels."""
    si, pixel = hits.si, dr.arange(mi.UInt32, dr.width(hits.part))
    free, tested, arrived = mi.Color3f(0), mi.Color3f(0), mi.Color3f(0)
    for number in range(effort.samples):
        sampler = PathSampler(pixel, seed * effort.samples + number, 0)
        for light, sample in unshadowed_samples(hits.met, hits.bsdf, lamps, sampler):
            free += light
            if number < effort.rays:
                reach = dr.any(light > 0)
                ray = si.spawn_ray_to(sample.p)
                clear = ~bodies.ray_test(ray, reach) & ~blocked_by_boxes(boxes, ray.o, sample.p, reach)
                tested += light
                arrived += dr.select(reach & clear, light, 0)
    # The places of a pixel share one sequence, so that together they cover the lamp evenly.
    lane = dr.arange(mi.UInt32, dr.width(busy.met.place))
    sampler = PathSampler(lane // len(PLACES), seed * len(PLACES) + lane % len(PLACES), 1)
    spread = mi.Color3f(0)
    for light, _ in unshadowed_samples(busy.met, busy.bsdf, lamps, sampler):
        spread += light
    dr.eval(spread)
    means = [dr.block_sum(channel, len(PLACES)) / len(PLACES) for channel in spread]
    return DirectSums(free / effort.samples, tested / effort.rays, arrived / effort.rays, mi.Color3f(*means))


def unshadowed_samples(met: Meeting, bsdf: Any, lamps: list[Luminaire], sampler: PathSampler) -> list[tuple[Any, Any]]:
    """One sample of each luminous face: the light that it sends to the camera by way of the surface, and the sample."""
    si, own = met.si, met.own()
    place_on = sampler.pairs(BEFORE_PATH, LIGHT_SLOT)
    found = []
    for lamp in lamps:
        sample = lamp.sample(si.p, place_on(lamp.number))
        emitted = lamp.emitted(sample.p, sample.n, -sample.d)
        reach = si.is_valid() & (sample.pdf > 0) & (emitted > 0)
        f = bsdf.eval(mi.BSDFContext(), own, si.to_local(sample.d), reach)
        found.append((dr.select(reach, f * emitted / sample.pdf, 0), sample))
    return found


def arriving_share(sums: DirectSums, smoothing: Smoothing) -> Any:
    """The share of the unshadowed light that arrives, Float by pixel, smoothed along the surfaces."""
    tested, arrived = smoothed(smoothing, [luminance_of(sums.tested), luminance_of(sums.arrived)])
    return dr.select(tested > 0, dr.minimum(arrived / tested, 1), 0)


def luminance_of(color: Any) -> Any:
    """Luminance, Float, of a linear colour."""
    return sum((weight * channel for weight, channel in zip(LUMINANCE_WEIGHTS, color, strict=True)), mi.Float(0))
