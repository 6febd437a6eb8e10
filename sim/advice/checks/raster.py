"""What a thing covers of the picture: its triangles drawn through the pinhole of the lens, without a renderer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sim.advice.checks.frame import ImageFrame

# Samples along the longer side of what a thing covers.
SAMPLES = 160
# What is nearer to the lens than this is left out.
NEAR_M = 0.01


@dataclass(frozen=True)
class Covered:
    """The samples of the picture that a mesh covers.

    `place` (n, 2) in the picture, x 0 left to 1 right, y 0 top to 1 bottom; `points_m` (n, 3) the nearest point of the
    mesh at each; `sample_share` share of the picture that one sample stands for.
    """

    place: np.ndarray
    points_m: np.ndarray
    sample_share: float


def covered_by(frame: ImageFrame, points_m: np.ndarray, triangles: np.ndarray) -> Covered:
    """Draw triangles (m, 3) of points (n, 3) in world metres and keep what is nearest at each sample.

    The samples are a grid over the part of the picture that the mesh can cover, so a thin thing gets as many as a
    wide one. Both sides of a triangle count.
    Does not: know what stands before the mesh, or blur what is out of focus.
    """
    corners = list(_clipped(_camera_points(frame, points_m)[triangles]))
    nothing = Covered(np.zeros((0, 2)), np.zeros((0, 3)), 0.0)
    if not corners:
        return nothing
    # Project: the picture spans -1 to 1 in both directions, x right and y up.
    shape = np.array([frame.half_width, frame.half_height])
    drawn = [(triangle[:, :2] / triangle[:, 2:] / shape, 1 / triangle[:, 2]) for triangle in corners]
    everywhere = np.concatenate([flat for flat, _ in drawn])
    low, high = np.maximum(everywhere.min(axis=0), -1), np.minimum(everywhere.max(axis=0), 1)
    if (high <= low).any():
        return nothing
    step = (high - low) / _counts(high - low, frame.half_height / frame.half_width)
    grid = np.round((high - low) / step).astype(int)
    nearest = np.zeros((grid[1], grid[0]))
    for flat, inverse_depth in drawn:
        _draw(nearest, (flat - low) / step, inverse_depth)
    rows, columns = np.nonzero(nearest)
    at = low + (np.stack([columns, rows], axis=1) + 0.5) * step
    depth = 1 / nearest[rows, columns]
    across = at * shape * depth[:, None]
    points = frame.tip_m + across[:, :1] * frame.right + across[:, 1:] * frame.up + depth[:, None] * frame.forward
    return Covered(np.stack([(1 + at[:, 0]) / 2, (1 - at[:, 1]) / 2], axis=1), points, float(step.prod()) / 4)


def _camera_points(frame: ImageFrame, points_m: np.ndarray) -> np.ndarray:
    offset = np.asarray(points_m, float) - frame.tip_m
    return np.stack([offset @ frame.right, offset @ frame.up, offset @ frame.forward], axis=1)


def _clipped(triangles: np.ndarray) -> Iterator[np.ndarray]:
    """Triangles (m, 3, 3) in the camera's frame, cut off where they come nearer than `NEAR_M`."""
    ahead = (triangles[..., 2] >= NEAR_M).sum(axis=1)
    yield from triangles[ahead == 3]
    for triangle in triangles[(ahead > 0) & (ahead < 3)]:
        outline = []
        for start, end in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
            if start[2] >= NEAR_M:
                outline.append(start)
            if (start[2] >= NEAR_M) != (end[2] >= NEAR_M):
                outline.append(start + (end - start) * (NEAR_M - start[2]) / (end[2] - start[2]))
        for k in range(1, len(outline) - 1):
            yield np.stack([outline[0], outline[k], outline[k + 1]])


def _counts(extent: np.ndarray, aspect: float) -> np.ndarray:
    """Samples (2,) across and up over an extent in half pictures, as square as the picture's `aspect` lets them."""
    size = extent * [1.0, aspect]
    counts: np.ndarray = np.maximum(np.round(SAMPLES * size / size.max()), 8)
    return counts


def _draw(nearest: np.ndarray, flat: np.ndarray, inverse_depth: np.ndarray) -> None:
    """Enter a triangle (3, 2), in samples, into the grid of the largest inverse depths."""
    rows, columns = nearest.shape
    first = np.clip(np.ceil(flat.min(axis=0) - 0.5), 0, [columns, rows]).astype(int)
    last = np.clip(np.floor(flat.max(axis=0) - 0.5) + 1, 0, [columns, rows]).astype(int)
    if (last <= first).any():
        return
    x = np.arange(first[0], last[0])[None, :] + 0.5
    y = np.arange(first[1], last[1])[:, None] + 0.5
    (ax, ay), (bx, by), (cx, cy) = flat
    area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    if area == 0:
        return
    # Weigh the corners; inverse depth runs evenly over the picture.
    at_b = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / area
    at_c = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / area
    at_a = 1 - at_b - at_c
    inside = (at_a >= 0) & (at_b >= 0) & (at_c >= 0)
    depth = at_a * inverse_depth[0] + at_b * inverse_depth[1] + at_c * inverse_depth[2]
    here = nearest[first[1] : last[1], first[0] : last[0]]
    here[inside] = np.maximum(here[inside], depth[inside])
