"""Housings, stands and panels as triangle meshes in world metres."""

from __future__ import annotations

import numpy as np
import trimesh

from sim.studio.gear.body import Body
from sim.studio.layout import PlacedLight

ROUND_SECTIONS = 32
STAND_TUBE_M = 0.028
STAND_LEG_M = 0.45
BOOM_REACH_M = 1.5  # of the arm, from the head to the pivot
PIVOT_DROP_M = 0.25
LEAST_PIVOT_M = 0.6


def mesh_from_body(body: Body, world_from_light: np.ndarray) -> trimesh.Trimesh:
    """Triangle mesh of one solid of a housing, placed in the world.

    Arguments: `world_from_light` (4, 4) rigid transform of the light's frame.
    """
    mesh: trimesh.Trimesh
    match body.shape:
        case "box":
            mesh = trimesh.creation.box(extents=body.sizes_m)
        case "cylinder":
            diameter, length = body.sizes_m
            mesh = trimesh.creation.cylinder(radius=diameter / 2, height=length, sections=ROUND_SECTIONS)
        case "cone":
            front, back, length = body.sizes_m
            mesh = _lathe([(0.0, -length / 2), (back / 2, -length / 2), (front / 2, length / 2)])
        case "cap":
            rim, depth = body.sizes_m
            mesh = bowl_mesh(rim, depth)
        case "quad":
            mesh = trimesh.Trimesh(np.array(body.corners_m), [[0, 1, 2], [0, 2, 3]], process=False)
    mesh.apply_translation(body.offset_m)
    mesh.apply_transform(world_from_light)
    return mesh


def bowl_mesh(rim_diameter_m: float, depth_m: float, rings: int = 24, sections: int = 64) -> trimesh.Trimesh:
    """Spherical cap whose rim lies in z = 0 and whose pole is at z = -depth; the concave side faces +z."""
    radius = (rim_diameter_m**2 / 4 + depth_m**2) / (2 * depth_m)
    widest = np.arccos(np.clip(1 - depth_m / radius, -1, 1))
    polar = np.linspace(0, widest, rings + 1)
    profile = [(radius * np.sin(t), radius * (1 - np.cos(t)) - depth_m) for t in polar]
    return _lathe(profile, sections)


def stand_mesh(top_m: np.ndarray) -> trimesh.Trimesh:
    """Three-legged stand whose tube reaches up to the point `top_m` (3,) in world metres."""
    x, height, z = (float(v) for v in top_m)
    tube = trimesh.creation.cylinder(
        radius=STAND_TUBE_M / 2, segment=[[x, 0.12, z], [x, max(height, 0.2), z]], sections=12
    )
    hub = np.array([x, min(0.55, height), z])
    legs = []
    for angle in np.radians([90, 210, 330]):
        foot = np.array([x + STAND_LEG_M * np.sin(angle), 0.01, z + STAND_LEG_M * np.cos(angle)])
        legs.append(trimesh.creation.cylinder(radius=0.009, segment=[hub, foot], sections=8))
    return _joined([tube, *legs])


def spigot_from_light(light: PlacedLight) -> np.ndarray:
    """Point (3,) where the stand takes hold: just behind the rearmost solid of the housing, on the axis."""
    behind_m = 0.0
    for body in light.rig.body:
        mesh = mesh_from_body(body, np.eye(4))
        if abs(mesh.centroid[0]) < 0.1 and abs(mesh.centroid[1]) < 0.1:
            behind_m = min(behind_m, float(mesh.vertices[:, 2].min()))
    return light.position_m + (behind_m - 0.5 * STAND_TUBE_M) * light.axis


def boom_pivot_m(top_m: np.ndarray, away_m: np.ndarray) -> np.ndarray:
    """Point (3,) where a boom that holds a light at `top_m` and leads off along `away_m` rests on its stand."""
    flat = np.array([away_m[0], 0.0, away_m[2]])
    length = float(np.linalg.norm(flat))
    flat = flat / length if length > 1e-6 else np.array([0.0, 0.0, 1.0])
    pivot = np.asarray(top_m) + BOOM_REACH_M * flat
    pivot[1] = max(top_m[1] - PIVOT_DROP_M, LEAST_PIVOT_M)
    return pivot


def boom_mesh(top_m: np.ndarray, away_m: np.ndarray) -> trimesh.Trimesh:
    """Boom arm from a light at `top_m` (3,) back to a stand that keeps clear of the light in direction `away_m`."""
    pivot = boom_pivot_m(top_m, away_m)
    arm = trimesh.creation.cylinder(radius=STAND_TUBE_M / 2, segment=[top_m, pivot], sections=12)
    return _joined([arm, stand_mesh(pivot)])


def _joined(meshes: list[trimesh.Trimesh]) -> trimesh.Trimesh:
    whole = trimesh.util.concatenate(meshes)
    assert isinstance(whole, trimesh.Trimesh)
    return whole


def _lathe(profile: list[tuple[float, float]], sections: int = ROUND_SECTIONS) -> trimesh.Trimesh:
    """Open surface of revolution about z from (radius, z) points; a first radius of 0 closes that end."""
    angle = np.linspace(0, 2 * np.pi, sections, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.concatenate([np.column_stack([r * ring, np.full(sections, z)]) for r, z in profile])
    columns = np.arange(sections)
    following = (columns + 1) % sections
    faces = []
    for row in range(len(profile) - 1):
        a, b = row * sections, (row + 1) * sections
        faces.append(np.column_stack([a + columns, a + following, b + following]))
        faces.append(np.column_stack([a + columns, b + following, b + columns]))
    mesh = trimesh.Trimesh(points, np.concatenate(faces), process=False)
    mesh.merge_vertices()
    mesh.update_faces(mesh.nondegenerate_faces())
    return mesh


def support_mesh(light: PlacedLight) -> trimesh.Trimesh | None:
    """Stand or boom of a light in world metres, None where nothing holds it."""
    if not light.rig.body or light.stand == "none":
        return None
    # Hold the light at the back of its housing, where the stand's spigot is.
    foot = spigot_from_light(light)
    return stand_mesh(foot) if light.stand == "floor" else boom_mesh(foot, -light.axis)
