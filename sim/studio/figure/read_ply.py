"""Read the surface of a PLY file, text or binary: points and faces, counted in the header before anything is built.

Does not: read colours, normals, textures, strips or edges, or open any other file that a comment names.
Source: [Turk:1994]; files of another library are read back in the tests.
"""

from __future__ import annotations

import io
import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

from .surface import (
    LONGEST_LINE_BYTES,
    MOST_CORNERS,
    MOST_POINTS,
    MOST_TRIANGLES,
    FloatArray,
    IntArray,
    MeshFault,
    Surface,
    checked_surface,
    require_count,
    triangles_from_polygons,
)  # fmt: skip

_KINDS = {
    "char": "b", "int8": "b", "uchar": "B", "uint8": "B", "short": "h", "int16": "h", "ushort": "H", "uint16": "H",
    "int": "i", "int32": "i", "uint": "I", "uint32": "I", "float": "f", "float32": "f", "double": "d", "float64": "d",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_INDICES = ("vertex_indices", "vertex_index")
_MOST_HEADER_BYTES = 1 << 16
_LINES_AT_ONCE = 20_000


@dataclass(frozen=True)
class _Property:
    """A column: its name and kind (a letter of `struct`); `counted` is the kind of a list's length, else empty."""

    name: str
    kind: str
    counted: str = ""


@dataclass(frozen=True)
class _Element:
    name: str
    count: int
    columns: list[_Property]

    @property
    def has_lists(self) -> bool:
        return any(column.counted for column in self.columns)


def surfaces_from_ply(data: bytes, name: str) -> list[Surface]:
    """The one surface of a PLY file's bytes, called `name`; raises `MeshFault`."""
    order, elements, at = _header(data)
    reader = _Text(data, at) if order == "" else _Binary(data, at, order)
    points: FloatArray | None = None
    triangles: IntArray | None = None
    for element in elements:
        # Read on only as far as there is a surface to come.
        if points is not None and triangles is not None:
            break
        if element.name == "vertex" and not element.has_lists:
            points = reader.points(element)
        elif element.has_lists:
            counts, corners = reader.polygons(element)
            if element.name == "face":
                triangles = triangles_from_polygons(counts, corners)
        else:
            reader.skip(element)
    if points is None or triangles is None or not len(triangles):
        raise MeshFault("holds no triangles", "a surface mesh", "export faces, not points or curves")
    return [checked_surface(name, points, triangles)]


def _header(data: bytes) -> tuple[str, list[_Element], int]:
    """Byte order ("" for text), the elements in order, and where the body begins."""
    end = data.find(b"end_header", 0, _MOST_HEADER_BYTES)
    body = data.find(b"\n", end) + 1
    if not data.startswith(b"ply") or end < 0 or not body:
        raise MeshFault("cannot be read as a mesh: it has no PLY header", "an OBJ, PLY or GLB mesh")
    order: str | None = None
    elements: list[_Element] = []
    for line in data[:end].decode("latin-1").splitlines()[1:]:
        match line.split():
            case ["format", form, *_] if form in _ORDERS:
                order = _ORDERS[form]
            case ["element", name, count] if count.isascii() and count.isdigit() and len(count) < 16:
                elements.append(_Element(name, int(count), []))
            case ["property", kind, name] if elements and kind in _KINDS:
                elements[-1].columns.append(_Property(name, _KINDS[kind]))
            case ["property", "list", counted, kind, name] if elements and {counted, kind} <= set(_KINDS):
                elements[-1].columns.append(_Property(name, _KINDS[kind], _KINDS[counted]))
            case [] | ["comment" | "obj_info", *_]:
                continue
            case _:
                raise MeshFault("cannot be read as a mesh: its PLY header is damaged", "an OBJ, PLY or GLB mesh")
    if order is None:
        raise MeshFault("cannot be read as a mesh: its PLY header names no format", "an OBJ, PLY or GLB mesh")
    for element in elements:
        if element.name == "face":
            require_count(element.count)
        if element.count > MOST_POINTS:
            raise MeshFault(
                f"has {element.count} of {element.name[:20]}", f"at most {MOST_POINTS}", "decimate the mesh"
            )
    return order, elements, body


def _xyz(element: _Element) -> list[int]:
    names = [column.name for column in element.columns]
    if not {"x", "y", "z"} <= set(names):
        raise MeshFault("cannot be read as a mesh: its points have no x, y and z", "an OBJ, PLY or GLB mesh")
    return [names.index(axis) for axis in "xyz"]


def _list_at(element: _Element) -> int:
    """Which column holds the corners of a face, or the first list of another element."""
    lists = [place for place, column in enumerate(element.columns) if column.counted]
    return next((place for place in lists if element.columns[place].name in _INDICES), lists[0])


def _cut() -> MeshFault:
    return MeshFault("cannot be read as a mesh: the file ends too early", "a whole mesh", "get a complete copy of it")


class _Text:
    """The body of a text file, line by line."""

    def __init__(self, data: bytes, at: int) -> None:
        # A stream on bytes shares them until it is written to.
        self._stream = io.BytesIO(data)
        self._stream.seek(at)

    def points(self, element: _Element) -> FloatArray:
        """Points (n, 3) of an element with plain columns."""
        axes = _xyz(element)
        rows = [self._table(lines, len(element.columns))[:, axes] for lines in self._blocks(element.count)]
        return np.concatenate(rows) if rows else np.empty((0, 3))

    def skip(self, element: _Element) -> None:
        """Pass over an element."""
        for _ in self._blocks(element.count):
            pass

    def polygons(self, element: _Element) -> tuple[IntArray, IntArray]:
        """How many corners each face has (p,), and all corners in a row."""
        place = _list_at(element)
        counts, corners = array("i"), array("q")
        for lines in self._blocks(element.count):
            for line in lines:
                words = line.split()
                # Step over the columns before the list; a list there is as long as it says.
                at = 0
                for column in element.columns[:place]:
                    at += 1 + int(words[at]) if column.counted else 1
                count = _corner_count(int(words[at]))
                if len(words) <= at + count:
                    raise _cut()
                counts.append(count)
                corners.extend(map(int, words[at + 1 : at + 1 + count]))
                if len(corners) > 3 * MOST_TRIANGLES + 2 * len(counts):
                    require_count(len(corners) - 2 * len(counts))
        return np.frombuffer(counts, np.int32), np.frombuffer(corners, np.int64)

    def _blocks(self, count: int) -> Iterator[list[bytes]]:
        while count:
            lines = list(islice(self._stream, min(count, _LINES_AT_ONCE)))
            if not lines:
                raise _cut()
            if max(map(len, lines)) > LONGEST_LINE_BYTES:
                raise MeshFault("cannot be read as a mesh: a line goes on without end", "an OBJ, PLY or GLB mesh")
            lines = [line for line in lines if not line.isspace()]
            count -= len(lines)
            if lines:
                yield lines

    @staticmethod
    def _table(lines: list[bytes], width: int) -> FloatArray:
        values = np.array(b" ".join(lines).split(), np.float64)
        if values.size != len(lines) * width:
            raise MeshFault(f"cannot be read as a mesh: points do not have {width} numbers each", "a whole mesh")
        return values.reshape(-1, width)


class _Binary:
    """The body of a binary file, element by element; `order` is "<" or ">"."""

    def __init__(self, data: bytes, at: int, order: str) -> None:
        self._data, self._at, self._order = data, at, order

    def points(self, element: _Element) -> FloatArray:
        """Points (n, 3) of an element with plain columns."""
        axes = _xyz(element)
        rows = self._rows(element, [0] * len(element.columns))
        points = np.empty((element.count, 3))
        # Numbers that are none may signal when they are converted.
        with np.errstate(invalid="ignore"):
            for axis, place in enumerate(axes):
                points[:, axis] = rows[f"c{place}"]
        return points

    def skip(self, element: _Element) -> None:
        """Pass over an element with plain columns."""
        self._rows(element, [0] * len(element.columns))

    def polygons(self, element: _Element) -> tuple[IntArray, IntArray]:
        """How many corners each face has (p,), and all corners in a row."""
        if not element.count:
            return np.empty(0, np.int32), np.empty(0, np.int64)
        # Hope that all faces are like the first, as one table.
        place, start = _list_at(element), self._at
        lengths = self._lengths_of_first(element)
        try:
            rows = self._rows(element, lengths)
        except MeshFault:
            self._at = start
            return self._walked(element, place)
        lists = [k for k, column in enumerate(element.columns) if column.counted]
        if all((rows[f"n{k}"] == lengths[k]).all() for k in lists):
            counts = np.full(element.count, lengths[place], np.int32)
            return counts, rows[f"c{place}"].reshape(-1).astype(np.int64)
        self._at = start
        return self._walked(element, place)

    def _rows(self, element: _Element, lengths: list[int]) -> np.ndarray:
        """The element as a table of columns c0, c1 ... and lengths n0, n1 ..., all lists of the given lengths."""
        fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
        for place, column in enumerate(element.columns):
            if column.counted:
                fields += [(f"n{place}", self._order + column.counted)]
                fields += [(f"c{place}", self._order + column.kind, (lengths[place],))]
            else:
                fields += [(f"c{place}", self._order + column.kind)]
        kind = np.dtype(fields)
        if self._at + element.count * kind.itemsize > len(self._data):
            raise _cut()
        rows = np.frombuffer(self._data, kind, element.count, self._at) if kind.itemsize else np.empty(0, kind)
        self._at += element.count * kind.itemsize
        return rows

    def _lengths_of_first(self, element: _Element) -> list[int]:
        at, lengths = self._at, []
        for column in element.columns:
            count = 1
            if column.counted:
                count, at = self._count(column, at)
            lengths.append(count)
            at += count * struct.calcsize("=" + column.kind)
        return lengths

    def _count(self, column: _Property, at: int) -> tuple[int, int]:
        """A list's length and where its values begin."""
        size = struct.calcsize("=" + column.counted)
        if at + size > len(self._data):
            raise _cut()
        return _corner_count(int(struct.unpack_from(self._order + column.counted, self._data, at)[0])), at + size

    def _walked(self, element: _Element, place: int) -> tuple[IntArray, IntArray]:
        """The same as `polygons`, face by face, for faces that differ."""
        counts, corners, at = array("i"), array("q"), self._at
        for _ in range(element.count):
            for index, column in enumerate(element.columns):
                count = 1
                if column.counted:
                    count, at = self._count(column, at)
                end = at + count * struct.calcsize("=" + column.kind)
                if end > len(self._data):
                    raise _cut()
                if index == place:
                    counts.append(count)
                    corners.extend(map(int, struct.unpack_from(f"{self._order}{count}{column.kind}", self._data, at)))
                at = end
            if len(corners) > 3 * MOST_TRIANGLES + 2 * len(counts):
                require_count(len(corners) - 2 * len(counts))
        self._at = at
        return np.frombuffer(counts, np.int32), np.frombuffer(corners, np.int64)


def _corner_count(count: int) -> int:
    if not 0 <= count <= MOST_CORNERS:
        raise MeshFault(f"has a face of {count} corners", f"3 to {MOST_CORNERS} corners")
    return count
