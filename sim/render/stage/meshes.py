"""Arrays and descriptions to shapes of the renderer."""

from __future__ import annotations

from typing import Any

import mitsuba as mi
import numpy as np
import trimesh


def loaded(description: dict[str, Any]) -> Any:
    # Load one after the other: the order of surfaces is part of a kernel, and threads would make it a matter of chance.
    return mi.load_dict(description, parallel=False)


def mesh_from_solid(mesh: trimesh.Trimesh, bsdf: Any) -> Any:
    return mesh_from_arrays(mesh.vertices, mesh.faces, bsdf)


def mesh_from_arrays(
    points_m: np.ndarray,
    triangles: np.ndarray,
    bsdf: Any,
    normals: np.ndarray | None = None,
    color_rgb: np.ndarray | None = None,
    uv: np.ndarray | None = None,
) -> Any:
    """Triangle mesh from points (n, 3) and triangles (m, 3); without normals it is faceted."""
    properties = mi.Properties()
    properties["mesh_bsdf"] = bsdf
    properties["face_normals"] = normals is None
    mesh = mi.Mesh(
        "part", len(points_m), len(triangles), properties,
        has_vertex_normals=normals is not None, has_vertex_texcoords=uv is not None,
    )  # fmt: skip
    if color_rgb is not None:
        colors: Any = np.ascontiguousarray(color_rgb, np.float32).ravel()
        mesh.add_attribute("vertex_color", 3, colors)
    buffers = mi.traverse(mesh)
    buffers["vertex_positions"] = np.ascontiguousarray(points_m, np.float32).ravel()
    buffers["faces"] = np.ascontiguousarray(triangles, np.uint32).ravel()
    if normals is not None:
        buffers["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
    if uv is not None:
        buffers["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    buffers.update()
    return mesh
