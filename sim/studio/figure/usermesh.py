"""The user's own mesh as a sitter: read, mapped part by part to regions, scaled, grounded and given anchors."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from sim.quantities.errors import SceneError
from sim.quantities.open_file import UnreadableFile, bytes_from_file

from .parts import REGIONS, Figure, Material, Part
from .read_glb import surfaces_from_glb
from .read_obj import surfaces_from_obj
from .read_ply import surfaces_from_ply
from .surface import FloatArray, IntArray, MeshFault, Surface, require_count, require_objects

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
TALLEST_M, LOWEST_M, WIDEST_M = 2.6, 0.4, 10.0
# Two million triangles written out as text, with room for normals and texture coordinates.
MOST_MESH_BYTES = 256 << 20
TRIANGLES_AT_ONCE = 100_000
_READERS: dict[str, Callable[[bytes, str], list[Surface]]] = {
    ".ply": surfaces_from_ply,
    ".obj": surfaces_from_obj,
    ".glb": surfaces_from_glb,
}
_SKIN = ("face", "neck", "chest", "arms", "hands", "legs")
# Heights of named points as shares of stature, adult means ([Gordon:2014], from memory), and the lateral place
# as a share of stature toward camera right.
_ANCHORS = {
    "face": (0.0, 0.915), "forehead": (0.0, 0.962), "chin": (0.0, 0.872), "left cheek": (-0.024, 0.908),
    "right cheek": (0.024, 0.908), "left eye": (-0.018, 0.934), "right eye": (0.018, 0.934), "neck": (0.0, 0.850),
    "chest": (0.0, 0.780), "left shoulder": (-0.095, 0.815), "right shoulder": (0.095, 0.815), "gown": (0.0, 0.710),
    "gown lower": (0.0, 0.300), "hip": (0.0, 0.550), "left hip": (-0.090, 0.550), "right hip": (0.090, 0.550),
    "hands": (-0.130, 0.460), "feet": (-0.040, 0.020), "hair": (0.0, 0.995),
}  # fmt: skip


def figure_from_file(
    path: Path,
    unit: str,
    regions: dict[str, str],
    stature_m: float | None,
    tones: dict[str, tuple[float, float, float]],
) -> Figure:
    """Read an OBJ, PLY or GLB file, Y up and facing +Z, as a figure on the origin.

    Arguments: `unit` of its coordinates; `regions` object name to region (objects not named are gown);
    `stature_m` to scale to, or None to keep its size; `tones` reflectance of skin, hair and cloth.
    Does not: bend the mesh: head, arms and eyes stay as modelled; read textures.
    Raises SceneError for a file that cannot serve.
    """
    surfaces = _surfaces(path)
    _check_names(path, regions, [surface.name for surface in surfaces])
    bounds = np.array([[s.points.min(axis=0), s.points.max(axis=0)] for s in surfaces]) * METRES[unit]
    low, high = bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)
    height, across = float(high[1] - low[1]), float(max(high[0] - low[0], high[2] - low[2]))
    if not LOWEST_M <= height <= TALLEST_M:
        raise _fault(path, "figure.unit", f"the mesh is {height:.3g} m tall in {unit}", f"{LOWEST_M} to {TALLEST_M} m",
                     "name the unit the mesh was made in, Y up")  # fmt: skip
    if across > WIDEST_M:
        raise _fault(path, "figure.file", f"the mesh is {across:.3g} m across", f"at most {WIDEST_M:g} m",
                     "remove what does not belong to the sitter, or export it again")  # fmt: skip
    scale = 1.0 if stature_m is None else stature_m / height
    middle = np.array([0.5 * (low[0] + high[0]), low[1], 0.5 * (low[2] + high[2])])
    parts = []
    for surface in surfaces:
        region = regions.get(surface.name, "gown" if len(surfaces) > 1 or regions else "face")
        points = (surface.points * METRES[unit] - middle) * scale
        normals = _normals(points, surface.triangles)
        parts.append(Part(surface.name, region, points.astype(np.float32), surface.triangles.astype(np.uint32),
                          normals.astype(np.float32), None, _material(region, tones)))  # fmt: skip
    anchors, normals_at = _anchors(parts, height * scale)
    return Figure(tuple(parts), (), anchors, normals_at, 0.0, 0.0, {"stature": height * scale})


def _surfaces(path: Path) -> list[Surface]:
    """The surfaces of a file, in the file's own frame; nothing else is opened, whatever the file names."""
    try:
        data = bytes_from_file(path, MOST_MESH_BYTES)
        surfaces = _READERS[path.suffix.lower()](data, path.name)
        require_objects(len(surfaces))
        require_count(sum(len(surface.triangles) for surface in surfaces))
    except UnreadableFile as error:
        raise _fault(path, "figure.file", error.why, "an OBJ, PLY or GLB mesh", "name a plain file") from None
    except MeshFault as error:
        key = f"figure.parts.{error.part[:80]}" if error.part else "figure.file"
        raise _fault(path, key, error.what, error.expected, error.cure) from None
    except (ValueError, OverflowError, IndexError) as error:
        # A word that should be a number, or a number beyond all sizes.
        what = f"cannot be read as a mesh ({type(error).__name__})"
        raise _fault(path, "figure.file", what, "an OBJ, PLY or GLB mesh", "export it again") from None
    if not surfaces:
        raise _fault(path, "figure.file", "holds no triangles", "a surface mesh", "export faces, not points or curves")
    return surfaces


def _normals(points: FloatArray, triangles: IntArray) -> FloatArray:
    """Area-weighted vertex normals (n, 3), as `shapes.normals_from_mesh`, some triangles at a time."""
    total = np.zeros((len(points), 3))
    for start in range(0, len(triangles), TRIANGLES_AT_ONCE):
        block = triangles[start : start + TRIANGLES_AT_ONCE]
        corner = points[block]
        face = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        for axis in range(3):
            total[:, axis] += np.bincount(block.ravel(), np.repeat(face[:, axis], 3), len(points))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    normals: FloatArray = np.where(length > 1e-20, total / np.maximum(length, 1e-20), [0.0, 1.0, 0.0])
    return normals


def _check_names(path: Path, regions: dict[str, str], names: list[str]) -> None:
    for name, region in regions.items():
        if name not in names:
            raise _fault(path, f"figure.parts.{name}", "the mesh has no object of this name",
                         "one of " + ", ".join(sorted(names)[:12]), "correct the name")  # fmt: skip
        if region not in REGIONS:
            raise _fault(path, f"figure.parts.{name}", f'"{region}" is no region', "one of " + ", ".join(REGIONS),
                         "correct the region")  # fmt: skip


def _fault(path: Path, key: str, what: str, expected: str, cure: str) -> SceneError:
    return SceneError(path.name, 1, f"sitter.{key}", what, expected, cure)


def _material(region: str, tones: dict[str, tuple[float, float, float]]) -> Material:
    if region in _SKIN:
        return Material("skin", tones["skin"], roughness=0.48)
    if region == "hair":
        return Material("hair", tones["hair"], roughness=0.36)
    if region == "eyes":
        return Material("sclera", (0.56, 0.53, 0.50), roughness=0.08)
    if region == "prop":
        return Material("wood", (0.23, 0.066, 0.014), roughness=0.3)
    return Material("matt", tones["cloth"], roughness=0.8, sheen=0.3)


def _anchors(parts: list[Part], stature_m: float) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Front-most vertices near each named place, so that each anchor lies on the mesh."""
    body = [part for part in parts if part.region != "prop"] or parts
    points = np.concatenate([part.points_m for part in body]).astype(float)
    normals = np.concatenate([part.normals for part in body]).astype(float)
    # The head's middle stands for the body's: arms and props may lean to one side.
    head = points[points[:, 1] > 0.88 * stature_m]
    middle = 0.5 * (head[:, 0].min() + head[:, 0].max()) if len(head) else 0.0
    anchors, normals_at = {}, {}
    for name, (x, y) in _ANCHORS.items():
        away = np.hypot(points[:, 0] - middle - x * stature_m, points[:, 1] - y * stature_m)
        near = np.flatnonzero(away < max(0.012, 1.05 * away.min()))
        index = int(near[np.argmax(points[near, 2])])
        anchors[name], normals_at[name] = points[index], normals[index]
    return anchors, normals_at
