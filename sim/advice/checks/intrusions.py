"""Lights, stands and panels that show in the picture, and how far to move them out of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

import numpy as np
import trimesh

from sim.advice.checks.frame import SIDES, ImageFrame, frame_from_camera
from sim.advice.checks.raster import covered_by
from sim.render.cache.queries import StageLike, is_clear
from sim.render.stage.solids import bowl_mesh, mesh_from_body, support_mesh
from sim.studio.gear.emitter import Emitter
from sim.studio.layout import Layout, PlacedLight, PlacedPanel

POINTS_PER_M2 = 4000
FEWEST_POINTS, MOST_POINTS = 60, 4000
# Kept clear beyond the edge of the picture when a move is worked out.
CLEARANCE_M = 0.02
# A thing shows where the line from lens to its surface ends within this of it.
REACH_M = 5e-3


@dataclass(frozen=True)
class Intrusion:
    """A thing that shows in the picture.

    `name` of the light or panel; `thing` "light", "stand" or "panel"; `visible` share of what lies inside the frame
    that nothing hides; `frame_share` share of the picture it covers, 0..1; `place` its middle in the picture (x, y),
    0..1; `move_m` shortest way out by direction ("left", "right", "up"); empty for a way up that cannot free a stand.
    """

    name: str
    thing: str
    visible: float
    frame_share: float
    place: tuple[float, float]
    move_m: dict[str, float]

    @property
    def shortest(self) -> tuple[str, float]:
        """Direction and distance (m) of the shortest move."""
        return min(self.move_m.items(), key=lambda item: item[1])


def intrusions(stage: StageLike) -> tuple[Intrusion, ...]:
    """Everything of the set-up's gear that shows in the picture.

    Each mesh is drawn through the middle of the lens (`raster`), and what is drawn counts where the line from there to
    it is clear. Moves are along the camera's right and left or straight up, until every point that could show is
    2 cm outside the frame.
    Does not: count reflections, shadows, or light bodies seen only by the edge of a blurred lens.
    """
    frame = frame_from_camera(stage.layout.camera)
    items = []
    for name, thing, mesh in gear_meshes(stage.layout):
        covered = covered_by(frame, mesh.vertices, mesh.faces)
        if not len(covered.points_m):
            continue
        # End the line a little before the surface, so that the thing does not hide itself.
        toward = frame.tip_m - covered.points_m
        distance = np.linalg.norm(toward, axis=1, keepdims=True)
        ends = covered.points_m + np.minimum(REACH_M / distance, 0.5) * toward
        seen = is_clear(stage, frame.tip_m, ends)
        if not seen.any():
            continue
        middle = covered.place[seen].mean(axis=0)
        items.append(Intrusion(
            name=name,
            thing=thing,
            visible=float(seen.mean()),
            frame_share=float(seen.sum()) * covered.sample_share,
            place=(float(middle[0]), float(middle[1])),
            move_m=moves_out(frame, _spread(mesh), up=thing != "stand"),
        ))  # fmt: skip
    return tuple(items)


def moves_out(frame: ImageFrame, points_m: np.ndarray, *, up: bool = True) -> dict[str, float]:
    """Shortest move (m) to each side after which none of the points (n, 3) is inside the frame.

    Moves are along the camera's own right and straight up; up is left out where a thing stands on the floor.
    Closed form: a point is out once it has crossed the plane of that side of the picture.
    """
    directions = {"left": -frame.right, "right": frame.right}
    if up:
        directions["up"] = np.array([0.0, 1.0, 0.0])
    margins = frame.margins_m(points_m)
    ahead = frame.depth_m(points_m) > 0
    move_m = {}
    for word, direction in directions.items():
        side = SIDES.index("top" if word == "up" else word)
        speed = -float(frame.inward[side] @ direction)
        if speed <= 1e-6:
            continue
        # Leave alone the points that are beyond another side all along the way.
        others = [i for i in range(4) if i != side and abs(frame.inward[i] @ direction) < 1e-9]
        could = ahead & (margins[:, others] > 0).all(axis=1) if others else ahead
        if could.any():
            move_m[word] = max(0.0, float(((margins[could, side] + CLEARANCE_M) / speed).max()))
    return move_m


def gear_meshes(layout: Layout) -> Iterator[tuple[str, str, trimesh.Trimesh]]:
    """Every light (housing and luminous faces), stand and panel as (name, thing, mesh in world metres)."""
    for light in layout.lights:
        solids = [mesh_from_body(body, light.world_from_light) for body in light.rig.body]
        solids += [face_mesh(emitter, light) for emitter in light.rig.emitters]
        yield light.name, "light", cast(trimesh.Trimesh, trimesh.util.concatenate(solids))
        support = support_mesh(light)
        if support is not None:
            yield light.name, "stand", support
    for panel in layout.panels:
        yield panel.name, "panel", panel_mesh(panel)


def face_mesh(emitter: Emitter, light: PlacedLight) -> trimesh.Trimesh:
    """A luminous face as a mesh in world metres; a rectangle, disc or polygon is flat, a bulb round, a bowl hollow."""
    half_width, half_height = emitter.width_m / 2, emitter.height_m / 2
    match emitter.surface:
        case "rectangle":
            corners = np.array([[-half_width, -half_height, 0], [half_width, -half_height, 0],
                                [half_width, half_height, 0], [-half_width, half_height, 0]])  # fmt: skip
            mesh = trimesh.Trimesh(corners, [[0, 1, 2], [0, 2, 3]], process=False)
        case "sphere":
            mesh = trimesh.creation.icosphere(3, half_width)
        case "cap":
            mesh = bowl_mesh(emitter.width_m, emitter.height_m)
        case _:
            sides = emitter.sides if emitter.surface == "polygon" else 32
            angle = (2 * np.arange(sides) + 1) * np.pi / sides
            rim = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) * half_width
            ring = np.arange(sides)
            fan = np.column_stack([np.full(sides, sides), ring, (ring + 1) % sides])
            mesh = trimesh.Trimesh(np.vstack([rim, np.zeros(3)]), fan, process=False)
    if emitter.axis_flip:
        mesh.apply_transform(np.diag([-1.0, 1.0, -1.0, 1.0]))
    mesh.apply_translation(emitter.offset_m)
    mesh.apply_transform(light.world_from_light)
    return mesh


def panel_mesh(panel: PlacedPanel) -> trimesh.Trimesh:
    """A panel or one wing of a v-flat as a flat rectangle in world metres."""
    x, y = panel.width_m / 2, panel.height_m / 2
    mesh = trimesh.Trimesh([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]], [[0, 1, 2], [0, 2, 3]], process=False)
    mesh.apply_transform(panel.world_from_panel)
    return mesh


def _spread(mesh: trimesh.Trimesh) -> np.ndarray:
    """Points over a mesh, evenly by area, and its vertices, so that corners count."""
    count = int(np.clip(mesh.area * POINTS_PER_M2, FEWEST_POINTS, MOST_POINTS))
    points, _ = trimesh.sample.sample_surface(mesh, count, seed=1)
    return np.vstack([points, mesh.vertices])
