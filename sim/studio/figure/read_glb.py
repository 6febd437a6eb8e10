"""Read the surfaces of a GLB file: each primitive of triangles, placed by its nodes.

Does not: read materials, textures, skins or morph targets, unpack compressed meshes, or open any other file.
Source: [GlTF:2021].
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeGuard

import numpy as np

from sim.quantities.plain import Plain, PlainDict

from .surface import (
    MOST_OBJECTS,
    MOST_POINTS,
    FloatArray,
    IntArray,
    MeshFault,
    Surface,
    checked_surface,
    require_count,
    require_objects,
    unique_name,
)  # fmt: skip

_MOST_JSON_BYTES = 8 << 20
_MOST_NODES = 20_000
_JSON, _BIN = 0x4E4F534A, 0x004E4942
_TRIANGLES, _STRIP = 4, 5
_KINDS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}


def surfaces_from_glb(data: bytes, name: str) -> list[Surface]:
    """The surfaces of a GLB file's bytes by mesh name, those without one called `name`; raises `MeshFault`."""
    document, body = _chunks(data)
    file = _File(document, memoryview(body))
    surfaces: list[Surface] = []
    taken: dict[str, int] = {}
    used: set[str] = set()
    placed = list(_placed_meshes(file))
    require_objects(sum(len(_list(mesh.get("primitives"))) for _, mesh, _ in placed))
    triangles_total = 0
    for node_name, mesh, world_from_mesh in placed:
        mesh_name = _text(mesh.get("name")) or name
        # A mesh that stands in several places is called by its nodes from the second on.
        called = node_name if mesh_name in used and node_name else mesh_name
        used.add(mesh_name)
        for primitive in _list(mesh.get("primitives")):
            triangles = file.triangles(_dict(primitive))
            if triangles is None or not len(triangles):
                continue
            triangles_total += len(triangles)
            require_count(triangles_total)
            points = file.accessor(_dict(_dict(primitive).get("attributes")).get("POSITION"), "VEC3")
            with np.errstate(over="ignore", invalid="ignore"):
                points = points @ world_from_mesh[:3, :3].T + world_from_mesh[:3, 3]
            surfaces.append(checked_surface(unique_name(called, taken), points, triangles))
    return surfaces


def _chunks(data: bytes) -> tuple[PlainDict, bytes]:
    """The JSON chunk, parsed, and the binary chunk."""
    if len(data) < 20 or data[:4] != b"glTF" or struct.unpack_from("<I", data, 4)[0] != 2:
        raise _damaged("it has no GLB header")
    size, kind = struct.unpack_from("<II", data, 12)
    if kind != _JSON or 20 + size > len(data):
        raise _damaged("the file ends too early")
    if size > _MOST_JSON_BYTES:
        raise _damaged("its description is over 8 MiB")
    try:
        document: Plain = json.loads(data[20 : 20 + size])
    except (ValueError, RecursionError):
        raise _damaged("its description is no JSON") from None
    at = 20 + size
    if at + 8 > len(data):
        return _dict(document), b""
    size, kind = struct.unpack_from("<II", data, at)
    if kind != _BIN or at + 8 + size > len(data):
        raise _damaged("the file ends too early")
    return _dict(document), data[at + 8 : at + 8 + size]


@dataclass(frozen=True)
class _File:
    """The description of a file and its binary chunk."""

    document: PlainDict
    body: memoryview

    def item(self, kind: str, index: Plain) -> PlainDict:
        """An item of one of the document's lists."""
        items = _list(self.document.get(kind))
        if not _is_whole(index) or not 0 <= index < len(items):
            raise _damaged(f"it names one of its {kind} that is not there")
        return _dict(items[index])

    def triangles(self, primitive: PlainDict) -> IntArray | None:
        """Triangles (m, 3) of a primitive, or None for points and lines."""
        mode = primitive.get("mode", _TRIANGLES)
        if mode not in (_TRIANGLES, _STRIP):
            return None
        if "indices" in primitive:
            flat = self.accessor(primitive["indices"], "SCALAR").astype(np.int64).reshape(-1)
        else:
            count = _number(self.item("accessors", _dict(primitive.get("attributes")).get("POSITION")).get("count"))
            flat = np.arange(min(count, MOST_POINTS))
        if mode == _TRIANGLES:
            require_count(len(flat) // 3)
            return flat[: len(flat) // 3 * 3].reshape(-1, 3)
        require_count(len(flat) - 2)
        if len(flat) < 3:
            return None
        # Turn every second triangle of a strip about, and leave out those without area that join strips.
        strip = np.stack([flat[:-2], flat[1:-1], flat[2:]], -1)
        strip[1::2] = strip[1::2, [1, 0, 2]]
        whole = (strip[:, 0] != strip[:, 1]) & (strip[:, 1] != strip[:, 2]) & (strip[:, 0] != strip[:, 2])
        triangles: IntArray = strip[whole]
        return triangles

    def accessor(self, index: Plain, kind: str) -> np.ndarray:
        """Values (n, width) of an accessor of a kind, of the file's own number type or scaled to float."""
        accessor = self.item("accessors", index)
        component, count = accessor.get("componentType"), _number(accessor.get("count"))
        if accessor.get("type") != kind or not isinstance(component, int) or component not in _KINDS:
            raise _damaged("its points or faces are of an unknown type")
        if count > MOST_POINTS:
            raise MeshFault(f"has {count} points or corners", f"at most {MOST_POINTS}", "decimate the mesh")
        if "bufferView" not in accessor or "sparse" in accessor:
            raise MeshFault("is compressed or sparse", "a plain GLB mesh", "export it without compression")
        view = self.item("bufferViews", accessor["bufferView"])
        if _dict(view.get("extensions", {})):
            raise MeshFault("is compressed", "a plain GLB mesh", "export it without compression")
        if view.get("buffer") != 0 or "uri" in self.item("buffers", 0):
            raise MeshFault("keeps its points in another file", "one GLB file", "export it as one binary file")
        number, width = np.dtype(_KINDS[component]), _WIDTHS[kind]
        row = number.itemsize * width
        start, length = _number(view.get("byteOffset", 0)), _number(view.get("byteLength"))
        offset, stride = _number(accessor.get("byteOffset", 0)), _number(view.get("byteStride", row))
        end = offset + (count - 1) * stride + row if count else 0
        if stride < row or stride > 4096 or end > length or start + length > len(self.body):
            raise _damaged("its points or faces reach beyond the file")
        values = np.ndarray((count, width), number, self.body, start + offset, (stride, number.itemsize))
        if kind == "SCALAR":
            return values
        scale = np.iinfo(number).max if accessor.get("normalized") is True and number.kind in "iu" else 1
        # Numbers that are none may signal when they are converted.
        with np.errstate(invalid="ignore"):
            return values.astype(np.float64) / scale


def _placed_meshes(file: _File) -> Iterator[tuple[str, PlainDict, FloatArray]]:
    """Each node's mesh with the node's name and its frame (4, 4) in the world, in the order of the file's tree."""
    nodes = [_dict(node) for node in _list(file.document.get("nodes", []))]
    if len(nodes) > _MOST_NODES:
        raise MeshFault(f"has {len(nodes)} nodes", f"at most {_MOST_NODES}", "join its objects")
    waiting = [(root, np.eye(4)) for root in reversed(_roots(file, nodes))]
    seen: set[int] = set()
    meshes = 0
    while waiting:
        index, world_from_parent = waiting.pop()
        if not _is_whole(index) or not 0 <= index < len(nodes):
            raise _damaged("it names one of its nodes that is not there")
        if index in seen:
            raise _damaged("a node stands in two places of its tree")
        seen.add(index)
        node = nodes[index]
        with np.errstate(over="ignore", invalid="ignore"):
            world = world_from_parent @ _parent_from_node(node)
        if "mesh" in node:
            meshes += 1
            if meshes > MOST_OBJECTS:
                require_objects(sum("mesh" in other for other in nodes))
            yield _text(node.get("name")), file.item("meshes", node["mesh"]), world
        waiting += [(child, world) for child in reversed(_list(node.get("children", [])))]


def _roots(file: _File, nodes: list[PlainDict]) -> list[Plain]:
    """The nodes that the file's scene begins with; without a scene, those that are nobody's child."""
    if "scenes" in file.document:
        return _list(file.item("scenes", file.document.get("scene", 0)).get("nodes", []))
    children = {child for node in nodes for child in _list(node.get("children", [])) if isinstance(child, int)}
    return [index for index in range(len(nodes)) if index not in children]


def _parent_from_node(node: PlainDict) -> FloatArray:
    """A node's own frame (4, 4): its matrix, or its translation, rotation (x, y, z, w) and scale."""
    if "matrix" in node:
        return _numbers(node["matrix"], 16).reshape(4, 4).T
    frame = np.eye(4)
    x, y, z, w = _numbers(node.get("rotation", [0.0, 0.0, 0.0, 1.0]), 4)
    frame[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    frame[:3, :3] *= _numbers(node.get("scale", [1.0, 1.0, 1.0]), 3)
    frame[:3, 3] = _numbers(node.get("translation", [0.0, 0.0, 0.0]), 3)
    return frame


def _numbers(value: Plain, count: int) -> FloatArray:
    numbers = [item for item in _list(value) if isinstance(item, (int, float)) and abs(item) <= 1e9]
    if len(numbers) != count or len(_list(value)) != count:
        raise _damaged("a node's place is not given by numbers")
    return np.array(numbers, np.float64)


def _number(value: Plain) -> int:
    if not _is_whole(value) or not 0 <= value < 1 << 40:
        raise _damaged("a count or an offset is no whole number")
    return value


def _is_whole(value: Plain) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _text(value: Plain) -> str:
    return value if isinstance(value, str) else ""


def _dict(value: Plain) -> PlainDict:
    if not isinstance(value, dict):
        raise _damaged("its description has another form")
    return value


def _list(value: Plain) -> list[Plain]:
    if not isinstance(value, list):
        raise _damaged("its description has another form")
    return value


def _damaged(why: str) -> MeshFault:
    return MeshFault(f"cannot be read as a mesh: {why}", "an OBJ, PLY or GLB mesh")
