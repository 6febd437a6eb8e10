"""One object of a mesh file: its points and triangles, checked, and the limits that all mesh readers hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sim.quantities.errors import UnitError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.integer]

MOST_TRIANGLES = 2_000_000
MOST_POINTS = 3 * MOST_TRIANGLES
MOST_OBJECTS = 1000
MOST_CORNERS = 1000
# Far beyond any unit of length; sums and products of such numbers stay finite.
MOST_COORDINATE = 1e9
# The longest line of a text format; one that goes on is no mesh.
LONGEST_LINE_BYTES = 1 << 16


class MeshFault(UnitError):
    """Why a mesh cannot serve; `part` names the object that is at fault, or is empty for the whole file."""

    def __init__(self, what: str, expected: str, cure: str = "export it again", part: str = "") -> None:
        super().__init__(what, expected, cure)
        self.part = part


@dataclass(frozen=True, eq=False)
class Surface:
    """One object of a file: points (n, 3) in the file's own unit, triangles (m, 3) into them, m > 0."""

    name: str
    points: FloatArray
    triangles: IntArray


def checked_surface(name: str, points: FloatArray, triangles: IntArray) -> Surface:
    """A surface of the points that triangles use; raises `MeshFault` where one is missing or no number.

    points: (n, 3). triangles: (m, 3), any integers.
    """
    count = len(points)
    low, high = int(triangles.min()), int(triangles.max())
    if low < 0 or high >= count:
        worst = low if low < 0 else high
        raise MeshFault(f"a face names point {worst} of {count}", f"points 0 to {count - 1}", part=name)
    used = np.zeros(count, bool)
    used[triangles] = True
    if not used.all():
        # Leave out points that no triangle touches: they are no part of the surface.
        place = np.cumsum(used, dtype=np.int32) - 1
        points, triangles = points[used], place[triangles]
    # Compare so that nan fails too.
    if not (np.abs(points) <= MOST_COORDINATE).all():
        if np.isfinite(points).all():
            what, expected = f"has a coordinate of {np.abs(points).max():.3g}", f"at most {MOST_COORDINATE:g}"
        else:
            what, expected = "has coordinates that are no numbers", "finite coordinates"
        raise MeshFault(what, expected, part=name)
    return Surface(name, np.ascontiguousarray(points, np.float64), triangles)


def triangles_from_polygons(counts: IntArray, corners: IntArray) -> IntArray:
    """Triangles (m, 3) that fan out from each polygon's first corner.

    counts: (p,) corners of each polygon; fewer than three give none. corners: all of them in a row.
    Raises `MeshFault` before anything is built where the triangles would be too many.

    >>> triangles_from_polygons(np.array([3, 4]), np.array([0, 1, 2, 5, 6, 7, 8])).tolist()
    [[0, 1, 2], [5, 6, 7], [5, 7, 8]]
    """
    if len(counts) and (counts == 3).all():
        require_count(len(counts))
        return corners.reshape(-1, 3)
    per_polygon = np.maximum(counts.astype(np.int64) - 2, 0)
    total = int(per_polygon.sum())
    require_count(total)
    first = np.repeat(np.cumsum(counts, dtype=np.int64) - counts, per_polygon)
    step = np.arange(total) - np.repeat(np.cumsum(per_polygon) - per_polygon, per_polygon) + 1
    triangles: IntArray = np.stack([corners[first], corners[first + step], corners[first + step + 1]], -1)
    return triangles


def require_count(triangles: int) -> None:
    """Refuse more triangles than a sitter may have."""
    if triangles > MOST_TRIANGLES:
        raise MeshFault(f"has {triangles} triangles", f"at most {MOST_TRIANGLES}", "decimate the mesh")


def require_objects(objects: int) -> None:
    """Refuse more objects than a sitter may have."""
    if objects > MOST_OBJECTS:
        raise MeshFault(f"has {objects} objects", f"at most {MOST_OBJECTS}", "join objects that share a region")


def unique_name(name: str, taken: dict[str, int]) -> str:
    """The name, or the name with a number after it where it is taken; `taken` counts the uses of each.

    >>> taken: dict[str, int] = {}
    >>> [unique_name("arm", taken) for _ in range(3)]
    ['arm', 'arm_1', 'arm_2']
    """
    unique = name
    while unique in taken:
        unique = f"{name}_{taken[name]}"
        taken[name] += 1
    taken[unique] = 1
    return unique
