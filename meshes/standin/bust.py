"""A bust for lessons: head, neck and chest cut from the first build and closed where they were cut."""

from __future__ import annotations

import numpy as np

from .cloth import clipped
from .piece import Piece
from .skin import SkinTopology

BOTTOM_M, ARM_M = 1.268, 0.166


def bust_piece(skin: SkinTopology, rest: np.ndarray, triangles: np.ndarray) -> Piece:
    """Cut the skin of the first build below the chest and through the upper arms, and cap the cuts."""
    slope = np.abs(rest[:, 0]) - ARM_M - 0.35 * (rest[:, 1] - 1.33)
    # Let the lower edge dip to a rounded point in front.
    bottom = BOTTOM_M - 0.030 * np.exp(-((rest[:, 0] / 0.08) ** 2)) * (rest[:, 2] > 0.0)
    field = np.maximum(bottom - rest[:, 1], slope)
    matrix, faces = clipped(triangles, field)
    points, shares = matrix @ rest, matrix @ skin.shares
    faces, points, shares = _capped(faces, points, shares, matrix @ field > -1e-6)
    return Piece({"woman": points}, faces, shares)


def _capped(
    faces: np.ndarray, points: np.ndarray, shares: np.ndarray, on_cut: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Close every rim made by the cut with a fan about its middle."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    known = {(int(a), int(b)) for a, b in edges}
    rim = {int(b): int(a) for a, b in edges if (int(b), int(a)) not in known and on_cut[a] and on_cut[b]}
    fans = []
    while rim:
        start = next(iter(rim))
        loop, at = [start], rim.pop(start)
        while at != start and at in rim:
            loop.append(at)
            at = rim.pop(at)
        # Give the cap points of its own, so that its edge stays sharp.
        first = len(points)
        ring = np.array(loop)
        points = np.concatenate([points, points[ring], points[ring].mean(axis=0, keepdims=True)])
        shares = np.concatenate([shares, shares[ring], shares[ring].mean(axis=0, keepdims=True)])
        own = first + np.arange(len(loop))
        fans.append(np.stack([own, np.roll(own, -1), np.full(len(loop), first + len(loop))], 1))
    return np.concatenate([faces, *fans]), points, shares
