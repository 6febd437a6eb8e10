"""The mix: each light's dial, colour and mute as weights on its layer, so that no change of them needs a render."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from sim.scene.model import Scene
from sim.studio.layout import Layout


@dataclass(frozen=True)
class Mix:
    """How k lights are set, in layer order.

    `dial_stops` (k,): stops from full power, 0 or less. `color_rgb` (k, 3): linear colour of lamp and gels; a bare
    lamp's has luminance 1. `muted`, `is_flash` (k,) bool.
    """

    names: tuple[str, ...]
    dial_stops: tuple[float, ...]
    color_rgb: np.ndarray
    muted: tuple[bool, ...]
    is_flash: tuple[bool, ...]

    def weights_rgb(self, shutter_s: float) -> np.ndarray:
        """Factors (k, 3) that turn layers into light on the sensor: cd s/m2, or lx s for probes.

        `shutter_s` scales continuous light only; a flash is over before the shutter closes.
        """
        dial = np.exp2(np.array(self.dial_stops, float))
        time = np.where(self.is_flash, 1.0, shutter_s)
        enabled = np.where(self.muted, 0.0, 1.0)
        weights: np.ndarray = (dial * time * enabled)[:, None] * self.color_rgb
        return weights

    def only(self, names: Iterable[str]) -> Mix:
        """The same mix with every light muted but `names`, which are enabled even if muted before."""
        wanted = set(names)
        return replace(self, muted=tuple(name not in wanted for name in self.names))

    def faded(self, stops_by_name: dict[str, float]) -> Mix:
        """The same mix with dials moved by so many stops."""
        moved = (d + stops_by_name.get(n, 0.0) for n, d in zip(self.names, self.dial_stops, strict=True))
        return replace(self, dial_stops=tuple(moved))


def mix_from_scene(scene: Scene, layout: Layout) -> Mix:
    """Dials, colours and mutes of a scene's lights and ambient light, in layer order."""
    lights = tuple(scene.lights.values())
    others = len(layout.light_names) - len(lights)
    placed = [np.multiply(light.rig.color_rgb, light.rig.gel_rgb) for light in layout.lights]
    return Mix(
        names=layout.light_names,
        dial_stops=(*(light.power_stops for light in lights), *(0.0,) * others),
        color_rgb=np.array([*placed, *(even.color_rgb for even in layout.even_ambients)]),
        muted=(*(light.mute for light in lights), *(False,) * others),
        is_flash=layout.is_flash,
    )
