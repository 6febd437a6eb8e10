"""Sequins on a posed gown: flat discs sewn at stored places, each with its own small lean."""

from __future__ import annotations

import numpy as np

RADIUS_M = 0.0029
CORNERS = 6
_DOWN = np.array([0.0, -1.0, 0.0])


def sequin_discs(
    points: np.ndarray, triangles: np.ndarray, normals: np.ndarray, sewn: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Disc points (6s, 3) and triangles (4s, 3) on cloth points (n, 3) with vertex normals (n, 3).

    `sewn` holds `triangle` as first differences (s,), `share` (s, 2) in 1/255 and `tilt_deg` (s, 2) in quarter
    degrees. Does not: overlap discs in a fixed order; neighbours may cross.
    """
    corner = triangles[np.cumsum(sewn["triangle"].astype(np.int64))]
    first = sewn["share"].astype(float) / 255.0
    share = np.column_stack([first, np.maximum(1.0 - first.sum(axis=1), 0.0)])
    place = np.einsum("sk,skc->sc", share, points[corner])
    normal = np.einsum("sk,skc->sc", share, normals[corner])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    # Lean each disc about the cloth's own down and across directions.
    down = _DOWN - normal * (normal @ _DOWN)[:, None]
    down /= np.maximum(np.linalg.norm(down, axis=1, keepdims=True), 1e-6)
    across = np.cross(normal, down)
    lean = np.tan(np.radians(sewn["tilt_deg"].astype(float) / 4.0))
    face = normal - lean[:, :1] * down + lean[:, 1:] * across
    face /= np.linalg.norm(face, axis=1, keepdims=True)
    right = np.cross(face, down)
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    up = np.cross(face, right)
    angle = np.arange(CORNERS) * (2.0 * np.pi / CORNERS)
    ring = np.cos(angle)[None, :, None] * right[:, None] + np.sin(angle)[None, :, None] * up[:, None]
    discs = (place + 0.0013 * normal)[:, None] + RADIUS_M * ring
    start = np.arange(len(place))[:, None] * CORNERS
    fan = np.array([[0, k, k + 1] for k in range(1, CORNERS - 1)])
    return discs.reshape(-1, 3), (start[:, :, None] + fan[None]).reshape(-1, 3)
