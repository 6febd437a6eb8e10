"""One mesh of the asset before packing, and the small noises that keep it from looking combed by machine."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter1d

from sim.studio.figure.shapes import without_slivers


@dataclass
class Piece:
    """Rest-pose mesh: points per build name, triangles (m, 3), bone shares (n, bones), 0..1 channels (n,).

    `bone` names the one bone of a rigid piece and replaces `shares`.
    """

    points: dict[str, np.ndarray]
    triangles: np.ndarray
    shares: np.ndarray | None = None
    bone: str = ""
    channels: dict[str, np.ndarray] = field(default_factory=dict)


def ribbons(paths: np.ndarray, outward: np.ndarray, half_width_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flat tapering strips along polylines (s, k, 3) that face `outward` (s, k, 3); half width (k,) or (s, k).

    Returns points (s * 2k, 3) and triangles; the tip closes to a point when its half width is 0.
    """
    count, length, _ = paths.shape
    tangent = np.gradient(paths, axis=1)
    side = np.cross(tangent, outward)
    side /= np.maximum(np.linalg.norm(side, axis=2, keepdims=True), 1e-12)
    offset = side * np.broadcast_to(half_width_m, (count, length))[..., None]
    points = np.stack([paths - offset, paths + offset], axis=2).reshape(-1, 3)
    start = (np.arange(count)[:, None] * 2 * length + 2 * np.arange(length - 1)[None]).ravel()
    triangles = np.concatenate([np.stack([start, start + 1, start + 3], 1), np.stack([start, start + 3, start + 2], 1)])
    return without_slivers(points, triangles)


def streaks(rng: np.random.Generator, rows: int, columns: int, across: float, along: float) -> np.ndarray:
    """Unit-variance noise (rows, columns), `across` columns wide and `along` rows long, closed over columns."""
    noise = gaussian_filter1d(rng.normal(size=(rows, columns)), across, axis=1, mode="wrap")
    noise = gaussian_filter1d(noise, along, axis=0, mode="nearest")
    return noise / noise.std()
