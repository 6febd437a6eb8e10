"""Read the surfaces of an OBJ file by object, or by group where it names no objects.

Does not: read curves, colours, texture coordinates or materials, or open any other file that it names.
The form is read as is common practice, no source.
"""

from __future__ import annotations

import io
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from .surface import (
    LONGEST_LINE_BYTES,
    MOST_CORNERS,
    MOST_POINTS,
    MOST_TRIANGLES,
    IntArray,
    MeshFault,
    Surface,
    checked_surface,
    require_count,
    require_objects,
    triangles_from_polygons,
)  # fmt: skip


@dataclass
class _Faces:
    """Faces of one object: corners of each, their points and, where every one has them, their normals' numbers."""

    counts: array[int] = field(default_factory=lambda: array("i"))
    corners: array[int] = field(default_factory=lambda: array("i"))
    normals: array[int] = field(default_factory=lambda: array("i"))


def surfaces_from_obj(data: bytes, name: str) -> list[Surface]:
    """The surfaces of an OBJ file's bytes, faces before the first name called `name`; raises `MeshFault`.

    Points that two normals share are kept apart, so that an edge that was modelled hard stays hard.
    """
    # Count before anything is built; a face gives at least one triangle.
    require_count(data.count(b"\nf "))
    splits = b"o" if data.startswith(b"o ") or b"\no " in data else b"g"
    require_objects(data.count(b"\n" + splits + b" "))
    coordinates, objects = _read(data, name, splits)
    points = np.frombuffer(coordinates, np.float64).reshape(-1, 3)
    surfaces = []
    for called, faces in objects.items():
        counts = np.frombuffer(faces.counts, np.int32)
        if not (counts >= 3).any():
            continue
        normals = np.frombuffer(faces.normals, np.int32)
        own, corners = _split_at_hard_edges(np.frombuffer(faces.corners, np.int32), normals, len(points))
        triangles = triangles_from_polygons(counts, corners)
        surfaces.append(checked_surface(called, points if own is None else points[own], triangles))
    return surfaces


def _read(data: bytes, name: str, splits: bytes) -> tuple[array[float], dict[str, _Faces]]:
    """Coordinates in a row and the faces by the name that stands above them."""
    coordinates: array[float] = array("d")
    objects: dict[str, _Faces] = {}
    faces: _Faces | None = None
    called, normals, triangles = name, 0, 0
    for line in _lines(data):
        words = line.split()
        if not words:
            continue
        key = words[0]
        if key == b"v":
            if len(words) < 4:
                raise MeshFault("has a point without three coordinates", "x, y and z")
            coordinates.extend(map(float, words[1:4]))
            if len(coordinates) > 3 * MOST_POINTS:
                raise MeshFault(f"has over {MOST_POINTS} points", f"at most {MOST_POINTS}", "decimate the mesh")
        elif key == b"f":
            if faces is None:
                faces = objects.setdefault(called, _Faces())
            _add_face(faces, words, len(coordinates) // 3, normals)
            triangles += max(len(words) - 3, 0)
            if triangles > MOST_TRIANGLES:
                require_count(triangles)
        elif key == b"vn":
            normals += 1
        elif key == splits:
            called = b" ".join(words[1:]).decode("utf-8", "replace") or name
            faces = None
    return coordinates, objects


def _add_face(faces: _Faces, words: list[bytes], points: int, normals: int) -> None:
    """Add a face whose corners are written point/texture/normal, counted from 1, or backward from the last one."""
    count = len(words) - 1
    if count > MOST_CORNERS:
        raise MeshFault(f"has a face of {count} corners", f"3 to {MOST_CORNERS} corners")
    faces.counts.append(count)
    for word in words[1:]:
        numbers = word.split(b"/")
        faces.corners.append(_index(numbers[0], points, "point"))
        if len(numbers) == 3 and numbers[2]:
            faces.normals.append(_index(numbers[2], normals, "normal"))


def _index(word: bytes, count: int, kind: str) -> int:
    number = int(word)
    index = number - 1 if number > 0 else count + number
    if number == 0 or index < 0 or index > 3 * MOST_POINTS:
        raise MeshFault(f"a face names {kind} {number} after {count} were written", f"1 to {count}, or -1 to -{count}")
    return index


def _split_at_hard_edges(corners: IntArray, normals: IntArray, points: int) -> tuple[IntArray | None, IntArray]:
    """Which points to take, one for each normal that a point has, and the corners among them; None for all."""
    if len(normals) != len(corners) or int(corners.max()) >= points:
        return None, corners
    pairs = normals.astype(np.int64) * points + corners
    pairs, renumbered = np.unique(pairs, return_inverse=True)
    return pairs % points, renumbered.astype(np.int32)


def _lines(data: bytes) -> Iterator[bytes]:
    """Lines, those that end in a backslash joined with the next."""
    before = b""
    # A stream on bytes shares them until it is written to.
    for line in io.BytesIO(data):
        whole = before + line
        if len(whole) > LONGEST_LINE_BYTES:
            raise MeshFault("cannot be read as a mesh: a line goes on without end", "an OBJ, PLY or GLB mesh")
        stripped = whole.rstrip(b"\r\n")
        if stripped.endswith(b"\\"):
            before = stripped[:-1]
            continue
        before = b""
        yield whole
    if before:
        yield before
