"""Shared steps of tailoring: clip a surface along a field, drape it, and lend it the skin's bone shares."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.spatial import cKDTree

from sim.studio.figure.shapes import normals_from_mesh


def clipped(triangles: np.ndarray, field: np.ndarray) -> tuple[sp.csr_matrix, np.ndarray]:
    """Cut away where `field` (n,) > 0: matrix (kept, n) that makes the kept points, and their triangles.

    Cut points lie on the mesh edges where the field crosses zero, so the same cut fits every build.
    """
    inside = field[triangles] <= 0.0
    number = inside.sum(axis=1)
    kept = [triangles[number == 3]]
    cut_edges: dict[tuple[int, int], int] = {}
    first_new = len(field)

    def cut(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        keys = zip(np.minimum(a, b).tolist(), np.maximum(a, b).tolist(), strict=True)
        return np.array([cut_edges.setdefault(key, first_new + len(cut_edges)) for key in keys], int)

    for count in (1, 2):
        for corner in range(3):
            chosen = (number == count) & (inside[:, corner] == (count == 1))
            a, b, c = (triangles[chosen][:, (corner + k) % 3] for k in range(3))
            ab, ac = cut(a, b), cut(a, c)
            if count == 1:
                kept.append(np.stack([a, ab, ac], 1))
            else:
                kept += [np.stack([ab, b, c], 1), np.stack([ab, c, ac], 1)]
    low, high = np.array(list(cut_edges), int).T
    share = field[low] / (field[low] - field[high])
    rows = np.arange(len(low))
    new = sp.csr_matrix((np.r_[1.0 - share, share], (np.r_[rows, rows], np.r_[low, high])), (len(low), len(field)))
    matrix = sp.vstack([sp.identity(len(field), format="csr"), new]).tocsr()
    used, faces = np.unique(np.concatenate(kept), return_inverse=True)
    return matrix[used], faces.reshape(-1, 3)


def draped(
    points: np.ndarray, triangles: np.ndarray, mean: sp.csr_matrix, reach_m: np.ndarray, steps: int
) -> np.ndarray:
    """Pull cloth taut over hollows: smooth, then keep only the outward part, at most `reach_m` (n,)."""
    smooth = points
    for _ in range(steps):
        smooth = mean @ smooth
    normals = normals_from_mesh(points, triangles)
    out = np.clip(((smooth - points) * normals).sum(axis=1), 0.0, reach_m)
    return points + normals * out[:, None]


def shares_from_skin(points: np.ndarray, skin: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Bone shares (n, bones) of cloth taken from the skin next to it, so that both bend alike."""
    distance, index = cKDTree(skin).query(points, k=4)
    weight = 1.0 / (distance + 0.002) ** 2
    weight /= weight.sum(axis=1, keepdims=True)
    return np.einsum("nk,nkb->nb", weight, shares[index])


def beside_skin(points: np.ndarray, skin: np.ndarray, skin_normals: np.ndarray, gap_m: float) -> np.ndarray:
    """Points (n, 3) laid on the nearest skin plus a gap along its normal."""
    index = cKDTree(skin).query(points, k=4)[1]
    return (skin[index] + gap_m * skin_normals[index]).mean(axis=1)
