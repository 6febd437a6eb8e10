"""Which lights must be traced again, a stage with only those lit, and their layers joined to the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sim.light.stack import LightStack
from sim.scene.model import Scene

if TYPE_CHECKING:
    from sim.render.stage.build import Stage

# What of a light shapes its layer; all else of it is a weight.
SHAPING = ("source", "modifier", "place", "aim", "stand")


def changed_lights(first: Scene, other: Scene) -> tuple[str, ...] | None:
    """Lights of the other scene to trace again; None when more than lights changed and all must be."""
    for field in ("room", "sitter", "backdrop", "panels", "render"):
        if getattr(first, field) != getattr(other, field):
            return None
    ours, theirs = first.camera, other.camera
    exposure = {"iso": theirs.iso, "shutter_s": theirs.shutter_s, "sync_s": theirs.sync_s,
                "white_balance_K": theirs.white_balance_K}  # fmt: skip
    if ours.model_copy(update=exposure) != theirs:
        return None
    before = {item.name: item for item in first.ambient}
    changed = [name for name, light in other.lights.items() if not _same_shape(first.lights.get(name), light)]
    return (*changed, *(item.name for item in other.ambient if before.get(item.name) != item))


def _same_shape(ours: Any, theirs: Any) -> bool:
    return ours is not None and all(getattr(ours, field) == getattr(theirs, field) for field in SHAPING)


def only_lights(stage: Stage, names: Iterable[str]) -> Stage:
    """The same stage with only some lights traced; all bodies stay, and the other layers come out dark."""
    return replace(stage, wanted_layers=frozenset(stage.light_names.index(name) for name in names))


def merged_stack(first: LightStack, traced: LightStack, fresh: Iterable[str]) -> LightStack:
    """The traced stack with every layer that is not `fresh` taken from the first alternative by the light's name."""
    pixels, variance = traced.pixels.copy(), traced.variance.copy()
    excess = None if traced.part_excess is None or first.part_excess is None else traced.part_excess.copy()
    for index, name in enumerate(traced.names):
        if name not in set(fresh):
            home = first.names.index(name)
            pixels[index], variance[index] = first.pixels[home], first.variance[home]
            if excess is not None and first.part_excess is not None:
                excess[index] = first.part_excess[home]
    return replace(traced, pixels=pixels, variance=variance, part_excess=excess, denoised=None)


def reused_stack(first: LightStack, names: Sequence[str], is_flash: Sequence[bool]) -> LightStack:
    """The first alternative's stack for a scene with these lights, of which none was traced."""
    places = [first.names.index(name) for name in names]
    return replace(
        first, names=tuple(names), is_flash=tuple(is_flash), pixels=first.pixels[places],
        variance=first.variance[places], denoised=None,
        part_excess=None if first.part_excess is None else first.part_excess[places],
    )  # fmt: skip
