"""Which lights must be traced again, and their layers joined to the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sim.light.stack import LightStack
from sim.render.cache.stage import CachedStage


def changed_lights(first: CachedStage, other: CachedStage) -> tuple[str, ...] | None:
    """Lights of the other stage to trace again; None when more than lights changed and all must be."""
    ours, theirs = first.keys, other.keys
    shared = (ours.ground, ours.panels, ours.lens, first.scene.render.depth)
    if shared != (theirs.ground, theirs.panels, theirs.lens, other.scene.render.depth):
        return None
    before = ours.lights()
    return tuple(name for name, key in theirs.lights().items() if before.get(name) != key)


def rows_of(stage: CachedStage, names: Iterable[str]) -> frozenset[int]:
    """Numbers of these lights' layers."""
    return frozenset(stage.light_names.index(name) for name in names)


def merged_stack(first: LightStack, traced: LightStack, fresh: Iterable[str]) -> LightStack:
    """The traced stack with every layer that is not `fresh` taken from the first alternative by the light's name."""
    pixels, variance, excess = traced.pixels.copy(), traced.variance.copy(), traced.part_excess.copy()
    for index, name in enumerate(traced.names):
        if name not in set(fresh):
            home = first.names.index(name)
            pixels[index], variance[index] = first.pixels[home], first.variance[home]
            excess[index] = first.part_excess[home]
    return replace(traced, pixels=pixels, variance=variance, part_excess=excess, denoised=None)


def reused_stack(first: LightStack, names: Sequence[str], is_flash: Sequence[bool]) -> LightStack:
    """The first alternative's stack for a scene with these lights, of which none was traced."""
    places = [first.names.index(name) for name in names]
    return replace(
        first, names=tuple(names), is_flash=tuple(is_flash), pixels=first.pixels[places],
        variance=first.variance[places], part_excess=first.part_excess[places], denoised=None,
    )  # fmt: skip
