"""Where a path ends: at random, or where a radiance cache knows what is sent on (final gathering).

The integrator asks one of these at every vertex; both answer the same questions.

Source: final gathering, [Reichert:1992], [Jensen:1996].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import drjit as dr
import mitsuba as mi

from sim.render.transport.arrival import Arrival, Leaving, with_light_met
from sim.render.transport.lighting import Lighting, shapes_met
from sim.render.transport.radiance_cache import RadianceCache
from sim.render.transport.sampling import PathSampler

# Decisions of one bounce, each with random numbers of its own (`PathSampler`).
LOBE_SLOT, DIRECTION_SLOT, ROULETTE_SLOT, LIGHT_SLOT = 0, 1, 2, 3


@dataclass
class Vertex:
    """A vertex to scatter from: `si` and its `bsdf`, 1 + layer of its `housing`, how many bounces came before it."""

    si: Any
    bsdf: Any
    housing: Any
    bounce: Any


class PathEnds(Protocol):
    """When paths end, and how many directions their vertices scatter into."""

    def directions(self, bounce: Any) -> Any:
        """Number of directions that the vertex after `bounce` bounces scatters into, Float."""

    def with_rest_known(self, layers: list[Any], left: Leaving, met: Arrival, active: Any) -> tuple[list[Any], Any]:
        """The layers with all that the met surface sends on, where that is known, and Bool whether it is."""

    def with_side_directions(
        self, scene: Any, lighting: Lighting, layers: list[Any], vertex: Vertex, sampler: PathSampler, β: Any,
        active: Any,
    ) -> list[Any]:  # fmt: skip
        """The layers with what all directions from a vertex but the first bring; each carries `β` times its own."""


class FollowToEnd:
    """Every path is followed until it ends at random: nothing is biased."""

    def directions(self, bounce: Any) -> Any:
        """One."""
        return mi.Float(1)

    def with_rest_known(self, layers: list[Any], left: Leaving, met: Arrival, active: Any) -> tuple[list[Any], Any]:
        """The layers as they are: nothing is known."""
        return layers, mi.Bool(False)

    def with_side_directions(
        self, scene: Any, lighting: Lighting, layers: list[Any], vertex: Vertex, sampler: PathSampler, β: Any,
        active: Any,
    ) -> list[Any]:  # fmt: skip
        """The layers as they are: there is one direction only."""
        return layers


@dataclass
class FinalGathering:
    """Paths end in a radiance cache.

    `cache` knows what surfaces send on; `fan` Float, how many directions the first vertex scatters into, since each of
    them is cheap.
    """

    cache: RadianceCache
    fan: Any

    def directions(self, bounce: Any) -> Any:
        """Several at the first vertex, one from there on."""
        return dr.select(bounce == 0, self.fan, 1)

    def with_rest_known(self, layers: list[Any], left: Leaving, met: Arrival, active: Any) -> tuple[list[Any], Any]:
        """The layers with the cell's mean, where the path sees enough of a cell."""
        row = self.cache.row(met.si, met.direction, left.pdf, active & ~left.delta)
        layers = [layer + met.weight * self.cache.radiance(row, number) for number, layer in enumerate(layers)]
        return layers, row != 0

    def with_side_directions(
        self, scene: Any, lighting: Lighting, layers: list[Any], vertex: Vertex, sampler: PathSampler, β: Any,
        active: Any,
    ) -> list[Any]:  # fmt: skip
        """A direction that would have to be followed on brings nothing: the first one stands for all of these."""
        return _gathered(self, scene, lighting, layers, vertex, sampler, β, active)


@dr.syntax
def _gathered(
    gathering: FinalGathering, scene: Any, lighting: Lighting, layers: list[Any], vertex: Vertex,
    sampler: PathSampler, β: Any, active: Any,
) -> list[Any]:  # fmt: skip
    layers = [mi.Color3f(layer) for layer in layers]
    fan = gathering.directions(vertex.bounce)
    count = mi.UInt32(fan)
    branch = mi.UInt32(1)
    while dr.hint(
        active & (branch < count),
        exclude=[gathering, scene, lighting, vertex, sampler, β, active, fan, count],
        label="gathering",
    ):
        twin = sampler.branch(count, branch)
        lobe, place = twin.one(vertex.bounce, LOBE_SLOT), twin.pair(vertex.bounce, DIRECTION_SLOT)
        scatter, f = vertex.bsdf.sample(mi.BSDFContext(), vertex.si, lobe, place, active)
        ray = vertex.si.spawn_ray(vertex.si.to_world(scatter.wo))
        si = scene.ray_intersect(ray, mi.RayFlags.Minimal, False, active & dr.any(f > 0))
        counts = active & dr.any(f > 0) & si.is_valid()
        is_delta = mi.has_flag(scatter.sampled_type, mi.BSDFFlags.Delta)
        left = Leaving(vertex.si.p, vertex.housing, scatter.pdf, is_delta)
        met = Arrival(si, shapes_met(si), ray.d, fan, β * f, counts, counts)
        layers = with_light_met(lighting, layers, left, met)
        layers, _ = gathering.with_rest_known(layers, left, met, counts)
        branch += 1
    return layers
