"""Plain mesh geometry on numpy arrays: rotations, normals, lofts and small solids."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def rotation_y_from_deg(angle_deg: float) -> np.ndarray:
    """Rotation (3, 3) about +Y that carries +Z toward +X for positive angles (a turn toward camera right)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def rotation_x_from_deg(angle_deg: float) -> np.ndarray:
    """Rotation (3, 3) about +X that carries +Z toward -Y for positive angles (a nod, chin down)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def rotation_z_from_deg(angle_deg: float) -> np.ndarray:
    """Rotation (3, 3) about +Z that carries +X toward +Y for positive angles."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def head_rotation_from_angles(turn_deg: float, nod_deg: float, tilt_deg: float) -> np.ndarray:
    """Head rotation (3, 3) relative to the body: tilt, then nod, then turn; tilt leans the top toward +X."""
    rotation: np.ndarray = rotation_y_from_deg(turn_deg) @ rotation_x_from_deg(nod_deg) @ rotation_z_from_deg(-tilt_deg)
    return rotation


def smoothstep(low: float, high: float, x: np.ndarray) -> np.ndarray:
    """Cubic step from 0 at `low` to 1 at `high`."""
    t = np.clip((np.asarray(x, float) - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def normals_from_mesh(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """Area-weighted vertex normals (n, 3) of a triangle mesh; a vertex without area gets +Y."""
    corner = points[triangles]
    face = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    total = np.empty((len(points), 3))
    for axis in range(3):
        total[:, axis] = np.bincount(triangles.ravel(), np.repeat(face[:, axis], 3), len(points))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.where(length > 1e-20, total / np.maximum(length, 1e-20), [0.0, 1.0, 0.0])


def triangles_from_quads(quads: np.ndarray) -> np.ndarray:
    """Split quads (m, 4) into triangles, leaving out the empty halves of three-cornered quads."""
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    a, b, c = triangles.T
    whole: np.ndarray = triangles[(a != b) & (b != c) & (a != c)]
    return whole


def grid_triangles(rows: int, columns: int, closed: bool) -> np.ndarray:
    """Triangles over a row-major grid; `closed` joins the last column to the first.

    Outward for rows that run down (or from pole to pole) and columns that run counter-clockwise from above.
    """
    index = np.arange(rows * columns).reshape(rows, columns)
    right = np.roll(index, -1, axis=1)
    if not closed:
        index, right = index[:, :-1], right[:, :-1]
    quads = np.stack([index[:-1], index[1:], right[1:], right[:-1]], axis=-1).reshape(-1, 4)
    return triangles_from_quads(quads)


def without_slivers(points: np.ndarray, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The mesh without triangles that have no area, such as those about a pole."""
    corner = points[triangles]
    doubled = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    return points, triangles[doubled > 1e-13]


def loft(
    heights_m: np.ndarray,
    half_width_m: np.ndarray,
    half_depth_m: np.ndarray,
    center_z_m: np.ndarray,
    columns: int = 48,
) -> tuple[np.ndarray, np.ndarray]:
    """Open tube of ellipses along Y: points (rows * columns, 3), outward triangles; heights descend."""
    angle = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    x = half_width_m[:, None] * np.sin(angle)
    z = center_z_m[:, None] + half_depth_m[:, None] * np.cos(angle)
    y = np.repeat(heights_m[:, None], columns, axis=1)
    return without_slivers(np.stack([x, y, z], -1).reshape(-1, 3), grid_triangles(len(heights_m), columns, True))


def tube(path_m: np.ndarray, radius_m: np.ndarray, columns: int = 20) -> tuple[np.ndarray, np.ndarray]:
    """Tube with closed ends around a polyline (k, 3) with a radius (k,) at each point."""
    tangent = np.gradient(path_m, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    side = np.cross(tangent, [0.0, 0.0, 1.0])
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-9)
    front = np.cross(side, tangent)
    angle = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    ring = np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * front[:, None]
    points = path_m[:, None] + radius_m[:, None, None] * ring
    points = np.concatenate([np.repeat(path_m[:1, None], columns, 1), points, np.repeat(path_m[-1:, None], columns, 1)])
    return without_slivers(points.reshape(-1, 3), grid_triangles(len(points), columns, True))


def ellipsoid(
    center_m: ArrayLike, half_m: ArrayLike, rows: int = 16, columns: int = 24
) -> tuple[np.ndarray, np.ndarray]:
    """Closed ellipsoid with half axes (3,) about a centre (3,)."""
    polar = np.linspace(0.0, np.pi, rows)[:, None]
    angle = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)[None]
    ring = np.sin(polar)
    unit = np.stack([ring * np.sin(angle), np.cos(polar) + 0 * angle, ring * np.cos(angle)], -1)
    points = np.asarray(center_m) + unit * np.asarray(half_m)
    return without_slivers(points.reshape(-1, 3), grid_triangles(rows, columns, True))
