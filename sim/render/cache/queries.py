"""Readings and lines of sight of a stage, built or cached, with no renderer loaded before a ray must be traced."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeAlias, TypedDict, Union, Unpack

import numpy as np

from sim.light.readings import DirectLight, FloatArray, Hits, Probe, ProbeReadings
from sim.render.cache.stage import CachedStage

if TYPE_CHECKING:
    from sim.render.stage.build import Stage

StageLike: TypeAlias = Union["Stage", CachedStage]


class ProbeLimits(TypedDict, total=False):
    """How probes are read; see `sim.render.transport.probe.read_probes`."""

    seed: int
    depth: int | None
    target_stderr_stops: float
    most_rays: int
    on_launch: Callable[[], None] | None
    most_rays_at_once: int | None


class SightLimits(TypedDict, total=False):
    """Which straight light is sampled, and how; see `sim.render.transport.sight.direct_light`."""

    layers: Sequence[int] | None
    samples: int
    seed: int


class RayLimits(TypedDict, total=False):
    """How light along rays is traced; see `sim.render.transport.rays.radiance_along`."""

    samples: int
    seed: int
    on_launch: Callable[[], None] | None
    most_rays_at_once: int | None


def read_probes(stage: StageLike, probes: Sequence[Probe], **limits: Unpack[ProbeLimits]) -> ProbeReadings:
    """As `sim.render.transport.probe.read_probes`."""
    if isinstance(stage, CachedStage):
        return stage.read_probes(probes, **limits)
    from sim.render.transport import probe

    return probe.read_probes(stage, probes, **limits)


def first_hits(stage: StageLike, origins_m: FloatArray, directions: FloatArray) -> Hits:
    """As `sim.render.transport.sight.first_hits`."""
    if isinstance(stage, CachedStage):
        return stage.first_hits(origins_m, directions)
    from sim.render.transport import sight

    return sight.first_hits(stage, origins_m, directions)


def is_clear(stage: StageLike, starts_m: FloatArray, ends_m: FloatArray) -> np.ndarray:
    """As `sim.render.transport.sight.is_clear`."""
    if isinstance(stage, CachedStage):
        return stage.is_clear(starts_m, ends_m)
    from sim.render.transport import sight

    return sight.is_clear(stage, starts_m, ends_m)


def direct_light(
    stage: StageLike, points_m: FloatArray, normals: FloatArray | None = None, **limits: Unpack[SightLimits]
) -> DirectLight:
    """As `sim.render.transport.sight.direct_light`."""
    if isinstance(stage, CachedStage):
        return stage.direct_light(points_m, normals, **limits)
    from sim.render.transport import sight

    return sight.direct_light(stage, points_m, normals, **limits)


def radiance_along(
    stage: StageLike, origin_m: FloatArray, directions: FloatArray, **limits: Unpack[RayLimits]
) -> np.ndarray:
    """As `sim.render.transport.rays.radiance_along`."""
    if isinstance(stage, CachedStage):
        return stage.radiance_along(origin_m, directions, **limits)
    from sim.render.transport import rays

    return rays.radiance_along(stage, origin_m, directions, **limits)
