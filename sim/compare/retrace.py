"""Which lights must be traced again, a stage with only those lit, and their layers joined to the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.lightstack import LightStack
from sim.model import Scene

if TYPE_CHECKING:
    from sim.stage.build import Stage

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
    """The same stage with only some lights lit; all bodies stay, and the layers are those lights' alone."""
    wanted = [name for name in stage.light_names if name in set(names)]
    layer_of = {stage.light_names.index(name): layer for layer, name in enumerate(wanted)}
    kept = [index for index, face in enumerate(stage.faces) if face.layer in layer_of]
    # Renumber faces and layers in the tables; 0 stands for none.
    face_table = np.zeros(len(stage.faces) + 1, np.uint32)
    face_table[[index + 1 for index in kept]] = np.arange(1, len(kept) + 1)
    layer_table = np.zeros(len(stage.light_names) + 1, np.uint32)
    for old, new in layer_of.items():
        layer_table[old + 1] = new + 1
    return replace(
        stage,
        light_names=tuple(wanted),
        is_flash=tuple(stage.is_flash[stage.light_names.index(name)] for name in wanted),
        faces=tuple(replace(stage.faces[i], layer=layer_of[stage.faces[i].layer]) for i in kept),
        ambients=tuple(replace(a, layer=layer_of[a.layer]) for a in stage.ambients if a.layer in layer_of),
        shape_face=face_table[stage.shape_face],
        shape_housing=layer_table[stage.shape_housing],
    )


def merged_stack(
    first: LightStack | None, traced: LightStack | None, names: Sequence[str], is_flash: Sequence[bool]
) -> LightStack:
    """Layers of all `names`: those traced anew from `traced`, the others from the first alternative."""
    newest = traced or first
    assert newest is not None
    homes = [first if first is not None and name not in newest.names else newest for name in names]
    places = [home.names.index(name) for home, name in zip(homes, names, strict=True)]
    return replace(
        newest,
        names=tuple(names),
        is_flash=tuple(is_flash),
        pixels=np.stack([home.pixels[i] for home, i in zip(homes, places, strict=True)]),
        variance=np.stack([home.variance[i] for home, i in zip(homes, places, strict=True)]),
        denoised=None,
    )
