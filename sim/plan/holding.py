"""What holds a light: where the stand's foot is, and the boom's pivot, as the stage builds them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.layout import PlacedLight
from sim.stage.solids import STAND_TUBE_M, mesh_from_body

BOOM_REACH_M = 1.5  # of the arm from the head to the pivot, as the stage builds it
PIVOT_DROP_M = 0.25
LEAST_PIVOT_M = 0.6


@dataclass(frozen=True, eq=False)
class Holding:
    """`spigot_m`, `pivot_m` (3,) world metres; without a boom both are the same point. `foot_m` (3,) on the floor."""

    kind: str
    spigot_m: np.ndarray
    pivot_m: np.ndarray

    @property
    def foot_m(self) -> np.ndarray:
        """Point on the floor under the stand."""
        return self.pivot_m * np.array([1.0, 0.0, 1.0])


def spigot_from_light(light: PlacedLight) -> np.ndarray:
    """Point (3,) where the stand takes hold: just behind the rearmost solid of the housing, on the axis."""
    behind_m = 0.0
    for body in light.rig.body:
        mesh = mesh_from_body(body, np.eye(4))
        if abs(mesh.centroid[0]) < 0.1 and abs(mesh.centroid[1]) < 0.1:
            behind_m = min(behind_m, float(mesh.vertices[:, 2].min()))
    return light.position_m + (behind_m - 0.5 * STAND_TUBE_M) * light.axis


def holding_from_light(light: PlacedLight) -> Holding | None:
    """How a light is held; None where the scene gives it no stand."""
    if light.stand == "none" or not light.rig.body:
        return None
    spigot = spigot_from_light(light)
    if light.stand == "floor":
        return Holding("floor", spigot, spigot)
    away = -light.axis * np.array([1.0, 0.0, 1.0])
    length = float(np.linalg.norm(away))
    away = away / length if length > 1e-6 else np.array([0.0, 0.0, 1.0])
    pivot = spigot + BOOM_REACH_M * away
    pivot[1] = max(spigot[1] - PIVOT_DROP_M, LEAST_PIVOT_M)
    return Holding("boom", spigot, pivot)
