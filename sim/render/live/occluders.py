"""Things on stands as boxes that a ray is tested against: they move without the set being built anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.render.live.recordings import own_array
from sim.studio.gear.body import Body
from sim.studio.layout import Layout, PlacedLight, PlacedPanel

PANEL_THICKNESS_M = 0.004
# Rays end this part of their length early, so that the face they lead to does not block them.
END_TRIM = 1e-3
# No list is shorter, so that a set with fewer things needs no kernel of its own.
LEAST_ROWS = 4


@dataclass
class Boxes:
    """Boxes in the world: rows of `to_box` (12 numbers each) bring a world point into the cube from -1 to 1."""

    to_box: Any
    count: Any


def boxes_from_layout(layout: Layout, without: Sequence[str] = ()) -> Boxes:
    """Every panel, and the housing of every light that is not named in `without`.

    Does not: hold stands, or follow a housing closer than the box around each of its solids.
    """
    rows = [_row(panel.world_from_panel, (0.0, 0.0, 0.0), _panel_half_m(panel)) for panel in layout.panels]
    for light in layout.lights:
        if light.name not in without:
            rows.extend(_rows_of_light(light))
    table = np.zeros((max(LEAST_ROWS, len(rows)), 12), np.float32)
    table[: len(rows)] = np.reshape(rows, (-1, 12))
    return Boxes(own_array(table), dr.opaque(mi.UInt32, len(rows)))


def _panel_half_m(panel: PlacedPanel) -> tuple[float, float, float]:
    return panel.width_m / 2, panel.height_m / 2, PANEL_THICKNESS_M / 2


def _rows_of_light(light: PlacedLight) -> list[np.ndarray]:
    rows = []
    for body in light.rig.body:
        low, high = extent_of_body(body)
        half = np.maximum((high - low) / 2, PANEL_THICKNESS_M / 2)
        rows.append(_row(light.world_from_light, (low + high) / 2, half))
    return rows


def extent_of_body(body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest corner (3,) of the box around one solid of a housing, in the light's own axes."""
    match body.shape:
        case "quad":
            corners = np.asarray(body.corners_m, float)
            low, high = corners.min(axis=0), corners.max(axis=0)
        case "box":
            high = np.asarray(body.sizes_m, float) / 2
            low = -high
        case "cap":
            # Its rim lies in z = 0, its pole behind.
            rim, depth = body.sizes_m
            low, high = np.array([-rim / 2, -rim / 2, -depth]), np.array([rim / 2, rim / 2, 0.0])
        case _:
            *diameters, length = body.sizes_m
            high = np.array([max(diameters) / 2, max(diameters) / 2, length / 2])
            low = -high
    return low + body.offset_m, high + body.offset_m


def _row(world_from_frame: np.ndarray, centre_m: Any, half_m: Any) -> np.ndarray:
    """First three rows of the matrix that brings world points into the box's own cube, (12,)."""
    world_from_box = world_from_frame @ _translated(centre_m) @ np.diag([*half_m, 1.0])
    matrix: np.ndarray = np.linalg.inv(world_from_box)[:3].ravel()
    return matrix


def _translated(by_m: Any) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, 3] = by_m
    return matrix


@dr.syntax
def blocked_by_boxes(boxes: Boxes, start: Any, end: Any, active: Any) -> Any:
    """Whether a box stands between two points, by lane; a line that starts inside one is not blocked by it."""
    blocked = mi.Bool(False)
    number = mi.UInt32(0)
    while dr.hint(active & ~blocked & (number < boxes.count), exclude=[boxes, start, end, active], label="boxes"):
        a, b = _in_box(boxes, number, start), _in_box(boxes, number, end)
        way = a + (b - a) * (1 - END_TRIM) - a
        # Clip the line against the three pairs of sides (slabs).
        inverse = dr.rcp(dr.select(dr.abs(way) < 1e-9, 1e-9, way))
        near, far = (-1 - a) * inverse, (1 - a) * inverse
        enters = dr.max(dr.minimum(near, far))
        leaves = dr.min(dr.maximum(near, far))
        blocked |= (enters < leaves) & (enters > 1e-4) & (enters < 1)
        number += 1
    return blocked


def _in_box(boxes: Boxes, number: Any, point: Any) -> Any:
    def row(axis: int) -> Any:
        m = [dr.gather(mi.Float, boxes.to_box, number * 12 + (4 * axis + column)) for column in range(4)]
        return m[0] * point.x + m[1] * point.y + m[2] * point.z + m[3]

    return mi.Vector3f(row(0), row(1), row(2))
