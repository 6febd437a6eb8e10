"""Half-size layers brought to full size along the edges of what the picture shows.

Joint bilateral upsampling: each pixel takes the four nearest coarse ones, the more the better their surface agrees with
its own; the colour of the surface itself is taken from the full-size guides. Source: [Kopf:2007]; widths by trial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NORMAL_WIDTH = 0.3
DISTANCE_WIDTH_M = 0.05
ALBEDO_WIDTH = 0.15
# Keeps a surface that reflects next to nothing diffusely from deciding the brightness.
ALBEDO_FLOOR = 0.05
MOST_RATIO = 2.5


@dataclass(frozen=True)
class Guides:
    """What the camera rays met: `albedo` (h, w, 3), `normal` (h, w, 3), `distance_m` (h, w), `part` (h, w) uint8."""

    albedo: np.ndarray
    normal: np.ndarray
    distance_m: np.ndarray
    part: np.ndarray


class Enlarger:
    """Brings layers of the coarse size to the fine one; the weights are worked out once for all layers.

    Does not: invent detail of the light itself, such as the edge of a cast shadow.
    """

    def __init__(self, coarse: Guides, fine: Guides) -> None:
        height, width = fine.distance_m.shape
        rows, upper = _places(height, coarse.distance_m.shape[0])
        columns, right = _places(width, coarse.distance_m.shape[1])
        self._taps: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        for down in (0, 1):
            for across in (0, 1):
                i, j = rows[:, None] + down, columns[None, :] + across
                i, j = np.minimum(i, coarse.distance_m.shape[0] - 1), np.minimum(j, coarse.distance_m.shape[1] - 1)
                near = (upper if down else 1 - upper)[:, None] * (right if across else 1 - right)[None, :]
                off = np.square(coarse.normal[i, j] - fine.normal).sum(axis=2) / NORMAL_WIDTH**2
                off += np.square(coarse.distance_m[i, j] - fine.distance_m) / DISTANCE_WIDTH_M**2
                off += np.square(coarse.albedo[i, j] - fine.albedo).sum(axis=2) / ALBEDO_WIDTH**2
                # Fall back to the nearest pixels where no surface agrees.
                self._taps.append((i, j, ((near + 0.01) * (np.exp(-off) + 1e-4)).astype(np.float32)))
        total = sum(weight for _, _, weight in self._taps)
        self._taps = [(i, j, weight / total) for i, j, weight in self._taps]
        ratio = (fine.albedo + ALBEDO_FLOOR) / (self._blended(coarse.albedo) + ALBEDO_FLOOR)
        self._ratio = np.clip(ratio, 1 / MOST_RATIO, MOST_RATIO).astype(np.float32)

    def enlarged(self, layer: np.ndarray) -> np.ndarray:
        """A coarse layer (h, w, 3) at the fine size, with the fine surfaces' own colour."""
        return self._blended(layer) * self._ratio

    def _blended(self, values: np.ndarray) -> np.ndarray:
        blended: np.ndarray = np.sum([weight[..., None] * values[i, j] for i, j, weight in self._taps], axis=0)
        return blended


def repeated(layer: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """A coarse layer (h, w, ...) at the full `size` (width, height), each pixel as it is."""
    rows = np.arange(size[1]) * layer.shape[0] // size[1]
    columns = np.arange(size[0]) * layer.shape[1] // size[0]
    return np.ascontiguousarray(layer[rows[:, None], columns[None, :]])


def _places(fine: int, coarse: int) -> tuple[np.ndarray, np.ndarray]:
    """For each fine pixel along one side the coarse one before its middle, and the share of the one after."""
    at = np.clip((np.arange(fine) + 0.5) * coarse / fine - 0.5, 0, coarse - 1)
    first = np.floor(at).astype(int)
    return first, (at - first).astype(np.float32)
