"""The backdrop as a shape of the renderer, and where its points are for any distance."""

from __future__ import annotations

from typing import Any

import mitsuba as mi
import numpy as np
import trimesh

from sim.render.stage.meshes import loaded, mesh_from_arrays
from sim.scene.model import PaperBackdrop, Scene
from sim.studio.backdrop import backdrop_texture, sweep_mesh

BACKDROP_PIXELS_PER_M = 250
PAPER_BEYOND_MARK_M = 0.8
PAPER_THICKNESS_M = 0.002


def backdrop_shape(scene: Scene) -> Any:
    """Canvas, paper or picture of a scene that has one, lit from both sides."""
    backdrop: Any = scene.backdrop
    if backdrop.kind == "image":
        backdrop = backdrop.model_copy(update={"file": str(scene.file_path(backdrop.file))})
    # The renderer counts texture rows from the bottom.
    texture = np.ascontiguousarray(backdrop_texture(backdrop, BACKDROP_PIXELS_PER_M)[::-1], np.float32)
    bitmap = {"type": "bitmap", "bitmap": mi.Bitmap(texture), "raw": True, "wrap_mode": "clamp"}
    surface = loaded({"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": bitmap}})
    if backdrop.kind == "paper" and backdrop.sweeps:
        points, triangles, normals, uv = paper_sweep(scene)
        return mesh_from_arrays(points, triangles, surface, normals, uv=uv)
    return loaded({"type": "rectangle", "to_world": world_from_backdrop(scene), "bsdf": surface})


def world_from_backdrop(scene: Scene) -> Any:
    """Transform of a flat backdrop from the square between -1 and 1."""
    assert scene.backdrop_plane_m is not None
    (x, y, z), width_m, height_m = scene.backdrop_plane_m
    return mi.ScalarTransform4f().translate([x, y, z]).scale([width_m / 2, height_m / 2, 1])


def paper_sweep(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Points, triangles, normals and texture places of seamless paper that bends onto the floor, under the sitter."""
    paper = scene.backdrop
    assert isinstance(paper, PaperBackdrop) and scene.backdrop_plane_m is not None
    run_m = paper.distance_m + PAPER_BEYOND_MARK_M
    points, triangles, uv = sweep_mesh(paper.size.width_m, paper.size.height_m, run_m=run_m)
    # Lie just above the floor, which is a surface of its own.
    points += [0.0, PAPER_THICKNESS_M, scene.backdrop_plane_m[0][2]]
    normals = np.array(trimesh.Trimesh(points, triangles, process=False).vertex_normals)
    return points, triangles, normals, uv
