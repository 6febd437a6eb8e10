"""How far a set reaches: the part of a room, or of open ground, that a drawing shows."""

from __future__ import annotations

import numpy as np

from sim.reports.plan.holding import holding_from_light
from sim.studio.layout import Layout

AROUND_M = 0.6


def busy_part(layout: Layout, around_m: float = AROUND_M) -> tuple[np.ndarray, np.ndarray]:
    """Corners (3,) of the part of a room that holds the set, with some metres around it.

    The floor and a room's full height are kept; outdoors it is as high as the set.
    """
    low, high = layout.room_low_m, layout.room_high_m
    points = [layout.camera.position_m, np.zeros(3), *layout.anchors_m.values()]
    for light in layout.lights:
        points += [light.position_m, light.aim_m]
        holding = holding_from_light(light)
        if holding is not None:
            points.append(holding.foot_m)
    points += [p.world_from_panel[:3, 3] for p in layout.panels]
    part_low, part_high = np.min(points, axis=0) - around_m, np.max(points, axis=0) + around_m
    part_low[1] = low[1]
    if not layout.is_open:
        part_high[1] = high[1]
    return np.maximum(part_low, low), np.minimum(part_high, high)


def with_stands(layout: Layout, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners (3,) of a room, moved out to where stands reach through its walls."""
    feet = [h.foot_m for h in map(holding_from_light, layout.lights) if h is not None]
    reach = np.array([0.5, 0.0, 0.5])
    return np.min([low, *(f - reach for f in feet)], axis=0), np.max([high, *(f + reach for f in feet)], axis=0)
