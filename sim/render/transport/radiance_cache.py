"""Light that surfaces send on, kept by place: where a picture's paths end after their first bounce.

Space is cut into cubes, and the surfaces in each by the side they face (six of them). A cell keeps, light by light, the
mean radiance that seeding paths (`cache_seeding`) found leaving its surfaces; a path that meets the cell takes that
mean instead of being followed further (final gathering: [Reichert:1992], [Jensen:1996]; cells hashed by place and
normal: [Binder:2019]). A path so short or so sharp that it sees less than a cell is followed on (area spread:
[Bekaert:2003], [Muller:2021]), so contact shadows and reflections stay as they are.

The mean of a cell stands for all of it: pictures are smoothed by a little less than a cell, seen from afar, and
brightness moves by some thousandths. More seeding paths make smaller cells; readings are corrected
(`sim.render.transport.part_correction`).
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
import numpy.typing as npt
from scipy import spatial

from sim.quantities.color import luminance
from sim.render.transport.arrays import owned

# Cells are made smaller as long as this many places fall into one on the average.
PLACES_PER_CELL = 8
MOST_CUBES = 1 << 21
# A path must see this many times a cube's face to take the cell's mean.
LEAST_SPREAD = 1.0
# A place this many times brighter than the others of its cell is a rare flash, which the cell would send to all sides.
MOST_OVER_PEERS, ENOUGH_PEERS = 16.0, 4


class Cells:
    """Places cut into cells, with enough places in each on the average.

    Arguments: `points_m` (n, 3) on surfaces, `normals` (n, 3) geometric, on the side the surface was met from.
    Attributes: `count` of cells, `cube_m` edge of a cube, `of_place` (n,) cell of each place, `places` (c,) how
    many are in each; `low_m`, `shape` of the grid of cubes and `cell_from_cube` (6 cubes,), -1 where no place is.
    """

    def __init__(self, points_m: np.ndarray, normals: np.ndarray) -> None:
        self._points_m, self._normals = points_m, normals
        self.low_m, self.cube_m, self.shape, side = np.zeros(3), 1.0, np.ones(3, int), _side(normals)
        key = side
        if len(points_m):
            self.low_m, high_m = points_m.min(axis=0) - 1e-3, points_m.max(axis=0) + 1e-3
            cube_m, finest = float((high_m - self.low_m).max()), None
            while True:
                # Halve the cubes' volume as long as enough places fall into each cell.
                shape = np.ceil((high_m - self.low_m) / cube_m).astype(int)
                cube = _cube(points_m, self.low_m, cube_m, shape)
                enough = len(cube) >= PLACES_PER_CELL * len(np.unique(6 * cube + side))
                if finest is not None and (not enough or np.prod(shape) > MOST_CUBES):
                    break
                finest = cube_m, shape, 6 * cube + side
                cube_m /= 2 ** (1 / 3)
            self.cube_m, self.shape, key = finest
        used, self.of_place, self.places = np.unique(key, return_inverse=True, return_counts=True)
        self.count = len(used)
        self.cell_from_cube = np.full(6 * int(np.prod(self.shape)), -1, np.int32)
        self.cell_from_cube[used] = np.arange(self.count)

    def of(self, points_m: np.ndarray, normals: np.ndarray) -> np.ndarray:
        """Cell of each place (m,) there is; where there is none, that of the nearest place facing much the same way."""
        at = np.floor((points_m - self.low_m) / self.cube_m)
        inside = ((at >= 0) & (at < self.shape)).all(axis=1)
        cube = _cube(points_m, self.low_m, self.cube_m, self.shape)
        cell = np.where(inside, self.cell_from_cube[6 * cube + _side(normals)], -1)
        lost = cell < 0
        if lost.any():
            tree = spatial.cKDTree(np.concatenate([self._points_m, self._normals], axis=1))
            _, nearest = tree.query(np.concatenate([points_m[lost], normals[lost]], axis=1))
            cell[lost] = self.of_place[nearest]
        return cell

    def means(self, radiance: np.ndarray) -> np.ndarray:
        """Mean (c, k, 3) of radiance (n, k, 3) over the places of each cell, with rare flashes cut."""
        means = np.empty((self.count, *radiance.shape[1:]))
        peers = np.maximum(self.places - 1, 1)[self.of_place]
        for layer in range(radiance.shape[1]):
            light = luminance(radiance[:, layer]).astype(float)
            others = np.bincount(self.of_place, light, self.count)[self.of_place] - light
            most = np.where(self.places[self.of_place] >= ENOUGH_PEERS, MOST_OVER_PEERS * others / peers, np.inf)
            kept = np.minimum(1, most / np.maximum(light, 1e-30))
            for channel in range(3):
                means[:, layer, channel] = np.bincount(self.of_place, radiance[:, layer, channel] * kept, self.count)
        return means / self.places[:, None, None]


class RadianceCache:
    """Mean outgoing radiance of the surfaces in each cell, as the kernel looks it up.

    Arguments: `cells`, and `radiance` (c, k, 3) that leaves each, light by light.
    """

    def __init__(self, cells: Cells, radiance: np.ndarray) -> None:
        self.layer_count = radiance.shape[1]
        rows = np.zeros((cells.count + 1, self.layer_count, 4), np.float32)
        rows[1:, :, :3] = radiance
        self._rows = owned(mi.Float, rows.ravel())
        self._row_from_cube = owned(mi.UInt32, (cells.cell_from_cube + 1).astype(np.uint32))
        self._low = mi.Point3f(*(float(v) for v in cells.low_m))
        self._shape = [dr.opaque(mi.Int32, int(n)) for n in cells.shape]
        self._cubes_per_m = dr.opaque(mi.Float, 1 / cells.cube_m)
        self._least_spread_m2 = dr.opaque(mi.Float, LEAST_SPREAD * cells.cube_m**2)
        dr.make_opaque(self._low)

    def row(self, si: Any, direction: Any, pdf: Any, active: Any) -> Any:
        """Row of the cell that a path met, 0 where it must be followed on.

        Arguments: `si` the surface met along `direction`, chosen with density `pdf` per steradian.
        """
        wide = dr.square(si.t) > self._least_spread_m2 * pdf
        place = (si.p - self._low) * self._cubes_per_m
        x, y, z = (mi.Int32(dr.floor(c)) for c in place)
        inside = (x >= 0) & (y >= 0) & (z >= 0) & (x < self._shape[0]) & (y < self._shape[1]) & (z < self._shape[2])
        normal = dr.mulsign(si.n, -dr.dot(si.n, direction))
        size = dr.abs(normal)
        along_x = (size.x >= size.y) & (size.x >= size.z)
        along_y = ~along_x & (size.y >= size.z)
        along = dr.select(along_x, normal.x, dr.select(along_y, normal.y, normal.z))
        side = dr.select(along_x, mi.Int32(0), dr.select(along_y, mi.Int32(2), mi.Int32(4)))
        side = dr.select(along < 0, side + 1, side)
        cell = ((z * self._shape[1] + y) * self._shape[0] + x) * 6 + side
        return dr.gather(mi.UInt32, self._row_from_cube, mi.UInt32(cell), active & wide & inside)

    def radiance(self, row: Any, layer: int) -> Any:
        """Radiance of one light from the cells of `row`, black where it is 0."""
        rgb = dr.gather(mi.Vector4f, self._rows, row * self.layer_count + layer)
        return mi.Color3f(rgb.x, rgb.y, rgb.z)


def _side(normals: np.ndarray) -> np.ndarray:
    """Which of six sides each normal faces: +x, -x, +y, -y, +z, -z."""
    if len(normals) == 0:
        return np.zeros(0, int)
    axis = np.abs(normals).argmax(axis=1)
    side: npt.NDArray[np.integer] = 2 * axis + (np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] < 0)
    return side


def _cube(points_m: np.ndarray, low_m: np.ndarray, cube_m: float, shape: np.ndarray) -> np.ndarray:
    """Number of the cube that each point is in, or of the nearest one."""
    at = np.clip(np.floor((points_m - low_m) / cube_m).astype(int), 0, shape - 1)
    cube: npt.NDArray[np.integer] = (at[:, 2] * shape[1] + at[:, 1]) * shape[0] + at[:, 0]
    return cube
