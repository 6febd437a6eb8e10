"""Read the stand-in asset: pieces of the body, hair and clothes for every build, at rest."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import scipy.sparse as sp
from scipy.ndimage import map_coordinates

from sim.quantities.assets import asset_path

ASSET = "standin.npz"
# The build whose skull hair is stored on.
REFERENCE = "woman"
# Step of the map of skull sizes over polar angle and bearing.
MAP_STEP_DEG = 3.0
BUILDS = ("woman", "second woman", "man")


@dataclass(frozen=True)
class RestPiece:
    """One mesh at rest: points (n, 3) m, triangles (m, 3), bone shares (n, bones) or one bone, channels (n,)."""

    points_m: np.ndarray
    triangles: np.ndarray
    shares: sp.csr_matrix | None
    channels: dict[str, np.ndarray]


@dataclass(frozen=True)
class Asset:
    """The unpacked file; pieces are decoded when first asked for."""

    arrays: dict[str, np.ndarray]
    _decoded: dict[tuple[str, str], RestPiece] = field(default_factory=dict, compare=False)

    @property
    def bone_names(self) -> list[str]:
        """Names of the bones, parents first."""
        return [str(name) for name in self.arrays["bones/name"]]

    def piece(self, name: str, build: str) -> RestPiece:
        """One piece of one build, decoded when first asked for."""
        if (name, build) not in self._decoded:
            self._decoded[name, build] = self._decode(name, build)
        return self._decoded[name, build]

    def _decode(self, name: str, build: str) -> RestPiece:
        own = f"{name}/{build}/box" in self.arrays
        low, high = self.arrays[f"{name}/{build if own else REFERENCE}/box"]
        grid = _unstepped(self.arrays[f"{name}/{build if own else REFERENCE}/grid"]).T
        points = low + grid * ((high - low) / 65535.0)
        if not own:
            points = self._fitted_to_skull(points, build)
        triangles = _unstepped(self.arrays[f"{name}/triangles"]).T
        shares = None
        if f"{name}/shares" in self.arrays:
            share = _unstepped(self.arrays[f"{name}/shares"]).astype(float)
            share /= share.sum(axis=0)
            bones = self.arrays[f"{name}/bones"].astype(np.int32)
            count = share.shape[1]
            start = np.arange(0, share.size + 1, len(share), dtype=np.int32)
            shares = sp.csr_matrix((share.T.ravel(), bones.T.ravel(), start), (count, len(self.bone_names)))
        prefix = f"{name}/channel/"
        channels = {
            key.removeprefix(prefix): value / 255.0 for key, value in self.arrays.items() if key.startswith(prefix)
        }
        return RestPiece(points.astype(np.float64), triangles.astype(np.int64), shares, channels)

    def _fitted_to_skull(self, points: np.ndarray, build: str) -> np.ndarray:
        """Carry hair from the reference skull to another by the stored ratio of their radii."""
        offset = points - self.arrays[f"scalp/{REFERENCE}/center"]
        radius = np.linalg.norm(offset, axis=1)
        polar = np.degrees(np.arccos(np.clip(offset[:, 1] / radius, -1.0, 1.0))) / MAP_STEP_DEG
        bearing = (np.degrees(np.arctan2(offset[:, 0], offset[:, 2])) + 180.0) / MAP_STEP_DEG
        size = np.pad(self.arrays[f"scalp/{build}/size"].astype(float), ((0, 0), (0, 1)), mode="wrap")
        ratio = map_coordinates(size, [polar, bearing], order=1, mode="nearest")
        fitted: np.ndarray = self.arrays[f"scalp/{build}/center"] + offset * ratio[:, None]
        return fitted


@lru_cache(maxsize=1)
def load_asset() -> Asset:
    """Read the shipped asset once."""
    with np.load(asset_path(ASSET), allow_pickle=False) as stored:
        return Asset({name: stored[name] for name in stored.files})


def _unstepped(stored: np.ndarray) -> np.ndarray:
    """Undo first differences along the last axis that were folded to unsigned low and high bytes."""
    folded = stored[0].astype(np.int64) | (stored[1].astype(np.int64) << 8)
    step = np.where(folded & 1, -((folded + 1) >> 1), folded >> 1)
    return np.cumsum(step, axis=-1) & 65535
