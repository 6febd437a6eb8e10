"""Alternatives of one scene: key paths and the values to put there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sim.quantities.errors import HalfstopError
from sim.scene.edit import SceneText, path_from_text, value_from_text
from sim.scene.model import Scene
from sim.studio.layout import Layout, layout_from_scene


@dataclass(frozen=True)
class Alternative:
    """One set-up of a comparison, under a short name."""

    label: str
    scene: Scene
    layout: Layout


def alternative_from_text(label: str, source: SceneText) -> Alternative:
    """An alternative of a scene file's text."""
    return Alternative(label, source.scene, layout_from_scene(source.scene, source.path.parent))


def alternatives_from_swaps(source: SceneText, swaps: Sequence[str], label: str) -> list[tuple[str, SceneText]]:
    """The scene itself and one alternative for each swap, a key path and its new value: `key.power=1/8`.

    Several changes in one alternative are joined by `;`.
    """
    alternatives = [(label, source)]
    for swap in swaps:
        values = {}
        for change in swap.split(";"):
            path_text, equals, value = (part.strip() for part in change.partition("="))
            if not equals or not value:
                raise HalfstopError(f'--swap "{swap}": expected key path = value; write "key.modifier=octabox 120 cm"')
            path = path_from_text(source.scene, path_text)
            values[path] = value_from_text(path, value)
        alternatives.append((" ".join(swap.split()), source.changed(values)))
    return alternatives
