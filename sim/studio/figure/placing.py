"""Bring a finished figure to its place: scale, lower onto a chair, turn and step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from . import shapes
from .parts import Figure, Part

# Sitting height as a share of stature and the height of the seat (adult means, from memory: 0.02 of the
# stature more lifts a seated face by 3 cm, which moves a key 1.7 m away by 0.02 to 0.04 stop).
SITTING_SHARE, SEAT_M = 0.52, 0.44


def seated_drop_m(stature_m: float) -> float:
    """How far the top of the head sinks when an adult sits down.

    >>> round(seated_drop_m(1.68), 3)
    0.366
    """
    return stature_m - (SITTING_SHARE * stature_m + SEAT_M)


def lowered(figure: Figure, drop_m: float) -> Figure:
    """Sink a figure through the floor, leaving out what lies wholly below; buried anchors rise to the floor."""
    down = np.array([0.0, drop_m, 0.0])
    parts = []
    for part in figure.parts:
        points = (part.points_m - down).astype(np.float32)
        kept = part.triangles[(points[part.triangles][:, :, 1] > 0.0).any(axis=1)]
        if len(kept):
            parts.append(_trimmed(replace(part, points_m=points), kept))
    anchors = {name: point - down for name, point in figure.anchors_m.items()}
    normals = dict(figure.anchor_normals)
    clothes = [part for part in parts if part.region in ("gown", "suit", "prop")] or parts
    for name, point in anchors.items():
        if point[1] < 0.01:
            nearest = [_nearest(part, np.array([point[0], 0.02, point[2]])) for part in clothes]
            _, anchors[name], normals[name] = min(nearest, key=lambda f: f[0])
    return replace(figure, parts=tuple(parts), anchors_m=anchors, anchor_normals=normals)


def _trimmed(part: Part, triangles: np.ndarray) -> Part:
    """The part with these triangles only and the points they use."""
    used, faces = np.unique(triangles, return_inverse=True)

    def pick(values: np.ndarray | None) -> np.ndarray | None:
        return None if values is None else values[used]

    return replace(
        part, points_m=part.points_m[used], triangles=faces.reshape(-1, 3).astype(np.uint32),
        normals=pick(part.normals), color_rgb=pick(part.color_rgb), uv=pick(part.uv),
    )  # fmt: skip


def _nearest(part: Part, point: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Distance, place and normal of the point of a part above the floor that lies nearest."""
    above = np.flatnonzero(part.points_m[:, 1] >= 0.0)
    if part.normals is None or not len(above):
        return np.inf, point, np.array([0.0, 0.0, 1.0])
    away = np.linalg.norm(part.points_m[above] - point, axis=1)
    index = above[int(np.argmin(away))]
    return float(away.min()), part.points_m[index].astype(float), part.normals[index].astype(float)


def turned_rows(rows: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Rows (n, 3) or one row (3,) turned by a rotation (3, 3), without the threads that a matrix product starts."""
    turned: np.ndarray = np.einsum("ij,kj->ik", rows, turn) if rows.ndim == 2 else rows @ turn.T
    return turned


def placed(figure: Figure, scale: float, turn_deg: float, step_m: tuple[float, float]) -> Figure:
    """Scale about the mark, turn the body about the vertical and step away from the mark (x, z)."""
    turn = shapes.rotation_y_from_deg(turn_deg)
    step = np.array([step_m[0], 0.0, step_m[1]])

    def moved(points: np.ndarray) -> np.ndarray:
        placed: np.ndarray = (turned_rows(scale * points.astype(float), turn) + step).astype(points.dtype)
        return placed

    def turned(normals: np.ndarray | None) -> np.ndarray | None:
        return None if normals is None else turned_rows(normals.astype(float), turn).astype(normals.dtype)

    return replace(
        figure,
        parts=tuple(replace(p, points_m=moved(p.points_m), normals=turned(p.normals)) for p in figure.parts),
        strands=tuple(replace(s, points_m=moved(s.points_m), radius_m=s.radius_m * scale) for s in figure.strands),
        anchors_m={name: moved(point) for name, point in figure.anchors_m.items()},
        anchor_normals={name: turn @ normal for name, normal in figure.anchor_normals.items()},
        facing_deg=figure.facing_deg + turn_deg,
        head_facing_deg=figure.head_facing_deg + turn_deg,
        sizes_m={name: size * scale for name, size in figure.sizes_m.items()},
    )
