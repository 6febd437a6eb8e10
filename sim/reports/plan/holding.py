"""What holds a light: where the stand's foot is, and the boom's pivot, as the stage builds them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.render.stage.solids import boom_pivot_m, spigot_from_light
from sim.studio.layout import PlacedLight


@dataclass(frozen=True, eq=False)
class Holding:
    """`spigot_m`, `pivot_m` (3,) world metres; without a boom both are the same point. `foot_m` (3,) on the floor."""

    kind: str
    spigot_m: np.ndarray
    pivot_m: np.ndarray

    @property
    def foot_m(self) -> np.ndarray:
        """Point on the floor under the stand."""
        foot_m: np.ndarray = self.pivot_m * np.array([1.0, 0.0, 1.0])
        return foot_m


def holding_from_light(light: PlacedLight) -> Holding | None:
    """How a light is held; None where the scene gives it no stand."""
    if light.stand == "none" or not light.rig.body:
        return None
    spigot = spigot_from_light(light)
    if light.stand == "floor":
        return Holding("floor", spigot, spigot)
    return Holding("boom", spigot, boom_pivot_m(spigot, -light.axis))
