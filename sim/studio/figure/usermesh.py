"""The user's own mesh as a sitter: read, mapped part by part to regions, scaled, grounded and given anchors."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from sim.quantities.errors import SceneError

from . import shapes
from .parts import REGIONS, Figure, Material, Part

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
TALLEST_M, LOWEST_M, MOST_TRIANGLES = 2.6, 0.4, 2_000_000
_SKIN = ("face", "neck", "chest", "arms", "hands", "legs")
# Heights of named points as shares of stature, adult means ([ANSUR:2012], from memory), and the lateral place
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
    meshes = _meshes(path)
    _check_names(path, regions, list(meshes))
    for name, mesh in meshes.items():
        _check_mesh(path, name, mesh)
    everything = np.concatenate([mesh.vertices for mesh in meshes.values()]) * METRES[unit]
    low, high = everything.min(axis=0), everything.max(axis=0)
    height = float(high[1] - low[1])
    if not LOWEST_M <= height <= TALLEST_M:
        raise _fault(path, "figure.unit", f"the mesh is {height:.3g} m tall in {unit}", f"{LOWEST_M} to {TALLEST_M} m",
                     "name the unit the mesh was made in, Y up")  # fmt: skip
    scale = 1.0 if stature_m is None else stature_m / height
    middle = np.array([0.5 * (low[0] + high[0]), low[1], 0.5 * (low[2] + high[2])])
    parts = []
    for name, mesh in meshes.items():
        region = regions.get(name, "gown" if len(meshes) > 1 or regions else "face")
        points = (np.asarray(mesh.vertices) * METRES[unit] - middle) * scale
        triangles = np.asarray(mesh.faces)
        normals = shapes.normals_from_mesh(points, triangles)
        parts.append(Part(name, region, points.astype(np.float32), triangles.astype(np.uint32),
                          normals.astype(np.float32), None, _material(region, tones)))  # fmt: skip
    anchors, normals_at = _anchors(parts, height * scale)
    return Figure(tuple(parts), (), anchors, normals_at, 0.0, 0.0, {"stature": height * scale})


def _meshes(path: Path) -> dict[str, Any]:
    """Triangle meshes of a file by object name, in the file's own frame."""
    import trimesh

    try:
        scene = trimesh.load_scene(path, process=False, **_reader_options(path))
        dumped = {name: scene.geometry[geometry] for name, geometry in _named_geometry(scene)}
    except SceneError:
        raise
    except Exception as error:  # the readers raise whatever the damaged byte led to
        what = f"cannot be read as a mesh ({type(error).__name__})"
        raise _fault(path, "figure.file", what, "an OBJ, PLY or GLB mesh", "export it again") from None
    meshes = {name: mesh for name, mesh in dumped.items() if isinstance(mesh, trimesh.Trimesh) and len(mesh.faces)}
    if not meshes:
        raise _fault(path, "figure.file", "holds no triangles", "a surface mesh", "export faces, not points or curves")
    return meshes


def _reader_options(path: Path) -> dict[str, Any]:
    """Keep the objects of an OBJ file apart by name, or its groups where it names no objects."""
    if path.suffix.lower() != ".obj":
        return {}
    with path.open("rb") as stream:
        objects = any(line.startswith(b"o ") for line in stream)
    return {"split_objects": objects, "split_groups": not objects, "group_material": False, "skip_materials": True}


def _named_geometry(scene: Any) -> list[tuple[str, str]]:
    """Pairs (object name, geometry name), with every node's placement applied to its geometry."""
    pairs: list[tuple[str, str]] = []
    for node in scene.graph.nodes_geometry:
        transform, geometry = scene.graph[node]
        mesh = scene.geometry[geometry].copy()
        mesh.apply_transform(transform)
        name = geometry if geometry not in dict(pairs) else node
        scene.geometry[f"placed {node}"] = mesh
        pairs.append((name, f"placed {node}"))
    return pairs


def _check_names(path: Path, regions: dict[str, str], names: list[str]) -> None:
    for name, region in regions.items():
        if name not in names:
            raise _fault(path, f"figure.parts.{name}", "the mesh has no object of this name",
                         "one of " + ", ".join(sorted(names)[:12]), "correct the name")  # fmt: skip
        if region not in REGIONS:
            raise _fault(path, f"figure.parts.{name}", f'"{region}" is no region', "one of " + ", ".join(REGIONS),
                         "correct the region")  # fmt: skip


def _check_mesh(path: Path, name: str, mesh: Any) -> None:
    if not np.isfinite(mesh.vertices).all():
        raise _fault(
            path, f"figure.parts.{name}", "has coordinates that are no numbers", "finite coordinates", "export it again"
        )
    if len(mesh.faces) > MOST_TRIANGLES:
        what = f"has {len(mesh.faces)} triangles"
        raise _fault(path, f"figure.parts.{name}", what, f"at most {MOST_TRIANGLES}", "decimate the mesh")


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
