"""Catmull-Clark subdivision (Computer-Aided Design 10:350, 1978) as sparse matrices."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp


def catmull_clark(count: int, quads: np.ndarray) -> tuple[sp.csr_matrix, np.ndarray]:
    """One level: matrix (finer, count) from old to new points, and the finer quads (4m, 4).

    Finer points are ordered: old points, edge points, face points. Boundary edges stay boundary curves.
    """
    faces = len(quads)
    ends = np.sort(np.stack([quads, np.roll(quads, -1, 1)], 2).reshape(-1, 2), axis=1)
    edges, inverse, uses = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    inverse = inverse.ravel()
    rows = np.repeat(np.arange(faces), 4)
    face_point = sp.csr_matrix((np.full(4 * faces, 0.25), (rows, quads.ravel())), (faces, count))
    edge_rows = np.repeat(np.arange(len(edges)), 2)
    middle = sp.csr_matrix((np.full(2 * len(edges), 0.5), (edge_rows, edges.ravel())), (len(edges), count))
    edge_face = sp.csr_matrix((np.ones(4 * faces), (inverse, rows)), (len(edges), faces))
    inner = uses == 2
    edge_point = sp.diags(np.where(inner, 0.5, 1.0)) @ middle
    edge_point = edge_point + sp.diags(np.where(inner, 0.25, 0.0)) @ (edge_face @ face_point)

    # Move old points: the classic rule inside, the cubic spline rule on the boundary.
    valence = np.maximum(np.bincount(edges.ravel(), minlength=count), 1)
    used = np.zeros(count, bool)
    used[quads] = True
    on_rim = np.zeros(count, bool)
    on_rim[edges[~inner]] = True
    touch = sp.csr_matrix((np.ones(4 * faces), (quads.ravel(), rows)), (count, faces))
    per_face = sp.diags(1.0 / np.maximum(np.asarray(touch.sum(1)).ravel(), 1.0)) @ touch @ face_point
    reach = sp.csr_matrix((np.ones(2 * len(edges)), (edges.ravel(), edge_rows)), (count, len(edges)))
    per_edge = sp.diags(1.0 / valence) @ reach @ middle
    keep = sp.identity(count, format="csr")
    moved = sp.diags(1.0 / valence) @ (per_face + 2.0 * per_edge) + sp.diags((valence - 3.0) / valence) @ keep
    rim = edges[~inner]
    beside = sp.csr_matrix((np.ones(2 * len(rim)), (rim.ravel(), rim[:, ::-1].ravel())), (count, count))
    beside = sp.diags(1.0 / np.maximum(np.asarray(beside.sum(1)).ravel(), 1.0)) @ beside
    spline = 0.75 * keep + 0.25 * beside
    old = (
        sp.diags((used & ~on_rim).astype(float)) @ moved
        + sp.diags(on_rim.astype(float)) @ spline
        + sp.diags((~used).astype(float)) @ keep
    )
    edge_of = inverse.reshape(faces, 4) + count
    face_of = np.arange(faces) + count + len(edges)
    finer = [np.stack([quads[:, k], edge_of[:, k], face_of, edge_of[:, (k + 3) % 4]], 1) for k in range(4)]
    return sp.vstack([old, edge_point, face_point]).tocsr(), np.concatenate(finer)


def compacted(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Point indices in use and the faces renumbered onto them."""
    used, inverse = np.unique(faces, return_inverse=True)
    return used, inverse.reshape(faces.shape)


def mean_of_neighbours(count: int, faces: np.ndarray) -> sp.csr_matrix:
    """Matrix (count, count) that replaces each point by the mean of its face-edge neighbours."""
    link = sp.csr_matrix((np.ones(faces.size), (faces.ravel(), np.roll(faces, -1, 1).ravel())), (count, count))
    link = link + link.T
    return (sp.diags(1.0 / np.maximum(np.asarray(link.sum(1)).ravel(), 1.0)) @ link).tocsr()
