"""Read the CC0 body data: base mesh, shape targets, rig, weights and painted masks, in metres."""

from __future__ import annotations

import gzip
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import map_coordinates

METRES_PER_UNIT = 0.1


@dataclass(frozen=True)
class Source:
    """The unpacked data folder and what is read from it on demand."""

    folder: Path

    @cached_property
    def _parsed(self) -> tuple[np.ndarray, np.ndarray, dict[str, list[list[tuple[int, int]]]]]:
        points, coordinates = [], []
        groups: dict[str, list[list[tuple[int, int]]]] = {}
        current: list[list[tuple[int, int]]] = []
        for line in (self.folder / "3dobjs/base.obj").read_text().splitlines():
            word = line.split()
            if not word:
                continue
            if word[0] == "v":
                points.append([float(x) for x in word[1:4]])
            elif word[0] == "vt":
                coordinates.append([float(x) for x in word[1:3]])
            elif word[0] == "g":
                current = groups.setdefault(word[1], [])
            elif word[0] == "f":
                corner = [c.split("/") for c in word[1:]]
                current.append([(int(c[0]) - 1, int(c[1]) - 1) for c in corner])
        return np.array(points), np.array(coordinates), groups

    @property
    def base_points(self) -> np.ndarray:
        """Base mesh points (n, 3) in source units."""
        return self._parsed[0]

    @property
    def texture_points(self) -> np.ndarray:
        """Texture coordinates (t, 2)."""
        return self._parsed[1]

    def quads(self, group: str, corner: int = 0) -> np.ndarray:
        """Quads (m, 4) of a group as point indices (corner 0) or texture indices (corner 1)."""
        rows = [[c[corner] for c in face] for face in self._parsed[2][group]]
        return np.array([row if len(row) == 4 else [*row, row[-1]] for row in rows])

    def target(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Point indices (k,) and shifts (k, 3) in source units of one shape target."""
        index, shift = [], []
        with gzip.open(self.folder / "targets" / f"{name}.target.gz", "rt") as stream:
            for line in stream:
                if line.strip() and not line.startswith("#"):
                    word = line.split()
                    index.append(int(word[0]))
                    shift.append([float(x) for x in word[1:4]])
        return np.array(index, int), np.array(shift, float).reshape(-1, 3)

    def shaped_points(self, targets: dict[str, float]) -> np.ndarray:
        """Points (n, 3) in metres with weighted targets applied and the soles on y = 0."""
        points = self.base_points.copy()
        for name, weight in targets.items():
            index, shift = self.target(name)
            points[index] += weight * shift
        points *= METRES_PER_UNIT
        points[:, 1] -= points[np.unique(self.quads("body")), 1].min()
        return points

    @cached_property
    def rig(self) -> dict[str, dict]:
        """Bones by name, parents first."""
        return json.loads((self.folder / "rigs/standard/rig.default.json").read_text())

    @cached_property
    def bone_weights(self) -> np.ndarray:
        """Skinning weights (n, bones), rows summing to 1."""
        table = json.loads((self.folder / "rigs/standard/weights.default.json").read_text())["weights"]
        weights = np.zeros((len(self.base_points), len(self.rig)))
        for column, bone in enumerate(self.rig):
            if table.get(bone):
                pairs = np.array(table[bone])
                weights[pairs[:, 0].astype(int), column] = pairs[:, 1]
        weights[weights.sum(axis=1) == 0.0, 0] = 1.0
        return weights / weights.sum(axis=1, keepdims=True)

    def joint(self, points: np.ndarray, name: str) -> np.ndarray:
        """Centre (3,) of a joint's marker cube."""
        return points[np.unique(self.quads(name))].mean(axis=0)

    def bone_head(self, points: np.ndarray, bone: str) -> np.ndarray:
        """Start point (3,) of a bone on a shaped body."""
        rule = self.rig[bone]["head"]
        if rule["strategy"] == "CUBE":
            return self.joint(points, rule["cube_name"])
        if rule["strategy"] == "VERTEX":
            return points[rule["vertex_index"]]
        return points[rule["vertex_indices"]].mean(axis=0)

    def mask(self, name: str) -> np.ndarray:
        """Painted mask image (h, w), 0 to 1, over texture space."""
        image = Image.open(self.folder / "textures" / f"mpfb_{name}.jpg").convert("L")
        return np.asarray(image, float) / 255.0


def sampled_mask(image: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Mask values (n,) at texture coordinates (n, 2)."""
    height, width = image.shape
    x = np.clip(uv[:, 0] * (width - 1), 0, width - 1)
    y = np.clip((1.0 - uv[:, 1]) * (height - 1), 0, height - 1)
    return map_coordinates(image, [y, x], order=1)
