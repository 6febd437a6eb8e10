"""The sitter's face as a grid in its own axes: right, up and forward from the eyes, in units of the eye distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.render.cache.queries import StageLike, first_hits
from sim.studio.layout import Layout, unit

# Extent and step of the grid in eye distances (an estimate: about 63 mm between the pupils
# of an adult; it scales the grid only and moves no reading).
HALF_WIDTH, LOWEST, HIGHEST, STEP = 1.6, -2.1, 1.6, 0.035
START_AHEAD_M = 0.4
SURFACE_GAP_M = 1e-3


@dataclass(frozen=True)
class HeadAxes:
    """Axes of the head: `origin_m` (3,) between the eyes, unit vectors, `eye_distance_m`, `nose_m` its tip."""

    origin_m: np.ndarray
    right: np.ndarray
    up: np.ndarray
    forward: np.ndarray
    eye_distance_m: float
    nose_m: np.ndarray

    def angles_deg(self, direction: np.ndarray) -> tuple[float, float]:
        """Side angle (0 straight ahead, positive toward camera right of an unturned head) and height of a direction."""
        x, y, z = (float(np.dot(direction, axis)) for axis in (self.right, self.up, self.forward))
        return float(np.degrees(np.arctan2(x, z))), float(np.degrees(np.arcsin(np.clip(y, -1, 1))))


@dataclass(frozen=True)
class FaceGrid:
    """Points of the face on a grid seen from straight ahead of it, rows downward.

    `x` (c,) and `y` (r,) in eye distances from between the eyes; `on_face` (r, c) bool; `points_m`, `normals`
    (r, c, 3) just off the skin, zero where there is no face.
    """

    axes: HeadAxes
    x: np.ndarray
    y: np.ndarray
    on_face: np.ndarray
    points_m: np.ndarray
    normals: np.ndarray


def axes_from_layout(layout: Layout) -> HeadAxes:
    """Axes of the sitter's head from the anchors on eyes, forehead and chin.

    Does not: follow the gaze; only the head counts.
    """
    left, right = layout.anchors_m["left eye"], layout.anchors_m["right eye"]
    across = unit(right - left)
    rise = layout.anchors_m["forehead"] - layout.anchors_m["chin"]
    up = unit(rise - np.dot(rise, across) * across)
    forward = np.cross(across, up)
    # The front of a face leans back from chin to forehead; take the lean out with the eyes' own plane.
    return HeadAxes(
        (left + right) / 2, across, up, forward, float(np.linalg.norm(right - left)), layout.anchors_m["face"]
    )


def face_grid(stage: StageLike, step: float = STEP) -> FaceGrid:
    """Cast a grid of rays at the face from straight ahead of it.

    Arguments: `step` of the grid in eye distances.
    Does not: see what hangs before the face: hair and hands are no face.
    """
    axes = axes_from_layout(stage.layout)
    x = np.arange(-HALF_WIDTH, HALF_WIDTH + step / 2, step)
    y = np.arange(HIGHEST, LOWEST - step / 2, -step)
    offset = x[None, :, None] * axes.right + y[:, None, None] * axes.up
    starts = (axes.origin_m + axes.eye_distance_m * offset + START_AHEAD_M * axes.forward).reshape(-1, 3)
    hits = first_hits(stage, starts, np.broadcast_to(-axes.forward, starts.shape))
    names = stage.region_names
    on_face = np.isin(hits.region, [names.index("face"), names.index("eyes")]) & (hits.distance_m < 2 * START_AHEAD_M)
    points = starts - np.where(on_face, hits.distance_m, 0)[:, None] * axes.forward
    points = points + SURFACE_GAP_M * hits.normal
    shape = (len(y), len(x))
    keep = on_face.reshape(shape)
    return FaceGrid(
        axes=axes,
        x=x,
        y=y,
        on_face=keep,
        points_m=np.where(keep[..., None], points.reshape(*shape, 3), 0),
        normals=np.where(keep[..., None], hits.normal.reshape(*shape, 3), 0),
    )
