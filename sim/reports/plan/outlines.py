"""Things of a scene as outlines on paper: projected from the same solids that the renderer sees."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sim.render.stage.solids import STAND_LEG_M, mesh_from_body
from sim.reports.plan.facts import LightFacts
from sim.reports.plan.holding import Holding
from sim.reports.plan.paper import INK, Disc, Line, Shape, hull_from_points
from sim.studio.gear.emitter import Emitter
from sim.studio.layout import Layout, PlacedLight, PlacedPanel

Project = Callable[[np.ndarray], np.ndarray]

BEAM_FILL = "#fbeecb"
BEAM_EDGE = "#a67c1a"
GEAR_FILL = "#59616b"
GLOW_FILL = "#ffffff"
CLOTH_FILL = "#d4d8dd"
SKIN_FILL = "#eef0f2"
NARROW_DEG = 50.0
SOFT_FAN_M = 0.55


@dataclass(frozen=True)
class View:
    """How the room lies on the paper: `axes` is x-z (from above), z-y (from camera right) or u-y (along a light)."""

    axes: str
    scale_mm_per_m: float
    origin_mm: tuple[float, float]
    foot_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    along: tuple[float, float, float] = (0.0, 0.0, 1.0)

    def __call__(self, points_m: np.ndarray) -> np.ndarray:
        """Paper points (..., 2) of world points (..., 3)."""
        p = np.asarray(points_m, float)
        if self.axes == "x-z":
            flat = np.stack([p[..., 0], p[..., 2]], -1)
        elif self.axes == "z-y":
            flat = np.stack([-p[..., 2], -p[..., 1]], -1)
        else:
            flat = np.stack([(p - np.array(self.foot_m)) @ np.array(self.along), -p[..., 1]], -1)
        return np.asarray(self.origin_mm) + self.scale_mm_per_m * flat


def data_from_facts(facts: LightFacts) -> dict[str, str]:
    """What the drawing's own code says of a light, for whoever reads the file."""
    return {
        "light": facts.name,
        "number": str(facts.number),
        "bearing-deg": f"{facts.bearing_deg:.3f}",
        "distance-m": f"{facts.distance_m:.4f}",
        "height-m": f"{facts.height_m:.4f}",
        "aim-distance-m": f"{facts.aim_distance_m:.4f}",
        "tilt-deg": f"{facts.tilt_deg:.3f}",
        "azimuth-deg": f"{facts.azimuth_deg:.3f}",
    }


def body_shapes(light: PlacedLight, view: Project, data: Mapping[str, str]) -> list[Shape]:
    """The housing and luminous faces of a light, drawn to size."""
    shapes: list[Shape] = []
    for body in light.rig.body:
        outline = hull_from_points(view(mesh_from_body(body, light.world_from_light).vertices))
        if len(outline) > 1:
            shapes.append(Line(outline, "housing", True, GEAR_FILL, INK, 0.2, data=data))
    for emitter in light.rig.emitters:
        if not emitter.axis_flip:
            outline = hull_from_points(view(face_points_m(light, emitter)))
            shapes.append(Line(outline, "front", True, GLOW_FILL, INK, 0.35, data=data))
    return shapes


def face_points_m(light: PlacedLight, emitter: Emitter) -> np.ndarray:
    """Points (n, 3) on the outline of a luminous face in world metres."""
    half_x, half_y = emitter.width_m / 2, emitter.height_m / 2
    if emitter.surface == "rectangle":
        local = np.array([[-half_x, -half_y, 0], [half_x, -half_y, 0], [half_x, half_y, 0], [-half_x, half_y, 0]])
    else:
        count = emitter.sides if emitter.surface == "polygon" else 48
        angle = (2 * np.arange(count) + 1) * np.pi / count
        local = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)]) * half_x
        if emitter.surface == "sphere":
            local = np.vstack([local, local[:, [0, 2, 1]], local[:, [2, 0, 1]]])
    return placed_m(light, local + np.array(emitter.offset_m))


def face_line_m(light: PlacedLight, *, upright: bool) -> np.ndarray:
    """The widest line (2, 3) across the first luminous face: level, or upright along the light's own y."""
    emitter = light.rig.emitters[0]
    size = emitter.width_m
    if emitter.surface == "polygon":
        size *= float(np.cos(np.pi / emitter.sides))
    if upright and emitter.surface == "rectangle":
        size = emitter.height_m
    ends = np.zeros((2, 3))
    ends[:, 1 if upright else 0] = -size / 2, size / 2
    return placed_m(light, ends)


def beam_shapes(facts: LightFacts, view: Project, data: Mapping[str, str], *, upright: bool) -> list[Shape]:
    """The light's beam between its directions of half intensity: to the aim point when narrow, else a short fan."""
    light = facts.placed
    full_deg = facts.beam_up_deg if upright else facts.beam_across_deg
    data = {**data, "beam-deg": f"{full_deg:.1f}"}
    if full_deg >= 359:
        centre = view(light.position_m)
        reach = np.linalg.norm(view(light.position_m + np.array([0.0, 0.3, 0.0])) - centre)
        reach = max(reach, np.linalg.norm(view(light.position_m + np.array([0.3, 0.0, 0.0])) - centre))
        rays: list[Shape] = [
            Line(centre + np.array([[np.cos(a), np.sin(a)]]) * np.array([[0.45], [1.0]]) * reach, "ray", False, None,
                 BEAM_EDGE, 0.3, data=data)
            for a in np.radians(np.arange(0, 360, 30.0))
        ]  # fmt: skip
        return [Disc(centre, float(reach), "beam", BEAM_FILL, BEAM_EDGE, 0.15, (0.8, 0.8), data), *rays]
    half = np.radians(min(full_deg, 170.0) / 2)
    reach_m = facts.aim_distance_m if full_deg <= NARROW_DEG else min(SOFT_FAN_M, facts.aim_distance_m)
    ends = face_line_m(light, upright=upright)
    side = light.world_from_light[:3, 1 if upright else 0]
    # Bend the far end around the face, so that a wide fan stays short.
    bend = np.linspace(-half, half, 17)
    from_end = np.linspace(0, 1, len(bend))[:, None]
    foot = ends[0] + from_end * (ends[1] - ends[0])
    out = foot + reach_m * (np.cos(bend)[:, None] * light.axis + np.sin(bend)[:, None] * side)
    outline = view(np.vstack([ends[:1], out, ends[1:]]))
    return [Line(outline, "beam", True, BEAM_FILL, BEAM_EDGE, 0.15, (0.8, 0.8), data)]


def stand_shapes(holding: Holding | None, view: Project, *, from_above: bool) -> list[Shape]:
    """Legs and tube of a stand, and the arm of a boom."""
    if holding is None:
        return []
    foot, pivot, spigot = holding.foot_m, holding.pivot_m, holding.spigot_m
    shapes: list[Shape] = []
    hub = foot if from_above else foot + np.array([0.0, min(0.55, pivot[1]), 0.0])
    for angle in np.radians([90, 210, 330]):
        tip = foot + STAND_LEG_M * np.array([np.sin(angle), 0.0, np.cos(angle)])
        shapes.append(Line(view(np.array([hub, tip])), "leg", width_mm=0.3))
    if not from_above:
        shapes.append(Line(view(np.array([foot, pivot])), "tube", width_mm=0.45))
    if holding.kind == "boom":
        shapes.append(Line(view(np.array([spigot, pivot])), "boom", width_mm=0.6))
        shapes.append(Disc(view(pivot), 0.8, "pivot", GEAR_FILL))
    return shapes


def panel_shapes(panel: PlacedPanel, view: Project, *, from_above: bool) -> list[Shape]:
    """A flag, reflector, scrim or wing of a v-flat as a bar of its true size, told apart by line and ends."""
    x, y = panel.width_m / 2, panel.height_m / 2
    corners = np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]])
    world = corners @ panel.world_from_panel[:3, :3].T + panel.world_from_panel[:3, 3]
    data = {"panel": panel.name, "kind": panel.kind}
    fill: str | None = {"black": "#000000", "white": "#ffffff", "silver": "#c4c8cc", "gold": "#e6cf8f"}[panel.surface]
    dash: tuple[float, ...] = ()
    if panel.kind == "scrim":
        fill, dash = "#ffffff", (1.2, 0.7)
    if not from_above and panel.surface != "black":
        # From the side a board would hide who stands behind it: show its outline only.
        fill = None
    outline = hull_from_points(view(world))
    ends = np.array([[-x, 0, 0], [x, 0, 0]]) if from_above else np.array([[0, -y, 0], [0, y, 0]])
    line = view(ends @ panel.world_from_panel[:3, :3].T + panel.world_from_panel[:3, 3])
    weight = 1.0 if panel.surface == "black" else 0.45
    return [
        Line(outline, "panel", True, fill, INK, 0.35, dash, data),
        Line(line, "panel-line", False, None, INK, weight, dash, data),
    ]


def sitter_shapes_from_above(layout: Layout, view: Project) -> list[Shape]:
    """The sitter from above: skirt, shoulders, head, as hulls of the figure's own points."""
    if not layout.has_sitter:
        return []
    points = _figure_points(layout)
    chin, hip = layout.anchors_m["chin"][1], layout.anchors_m["hip"][1]
    bands = ((points[:, 1] < hip, "#e6e8eb"), ((points[:, 1] >= hip) & (points[:, 1] < chin - 0.03), CLOTH_FILL),
             (points[:, 1] >= chin - 0.03, SKIN_FILL))  # fmt: skip
    return [
        Line(hull_from_points(view(points[keep])), "sitter", True, fill, INK, 0.25)
        for keep, fill in bands
        if keep.sum() > 2
    ]


def sitter_shapes_from_side(layout: Layout, view: Project, fill: str = CLOTH_FILL) -> list[Shape]:
    """The sitter's outline from the side, by its width at each height."""
    if not layout.has_sitter:
        return []
    paper = view(_figure_points(layout))
    edges = np.linspace(paper[:, 1].min(), paper[:, 1].max(), 45)
    left, right = [], []
    for top, bottom in pairwise(edges):
        row = paper[(paper[:, 1] >= top) & (paper[:, 1] <= bottom), 0]
        if len(row):
            left.append([row.min(), (top + bottom) / 2])
            right.append([row.max(), (top + bottom) / 2])
    return [Line(np.array(left + right[::-1]), "sitter", True, fill, INK, 0.25)]


def arrow(start: np.ndarray, end: np.ndarray, role: str, data: Mapping[str, str], width_mm: float = 0.5) -> list[Shape]:
    """A line with a filled head at its end, on paper."""
    way = (end - start) / np.linalg.norm(end - start)
    side = np.array([-way[1], way[0]])
    size = 5 * width_mm
    tip = np.array([end, end - size * way + 0.45 * size * side, end - size * way - 0.45 * size * side])
    return [Line(np.array([start, end - 0.6 * size * way]), role, width_mm=width_mm, data=data),
            Line(tip, f"{role}-head", True, INK, INK, 0.1)]  # fmt: skip


def placed_m(light: PlacedLight, local_m: np.ndarray) -> np.ndarray:
    """Points (n, 3) of the light's own frame in the world."""
    world_m: np.ndarray = local_m @ light.world_from_light[:3, :3].T + light.world_from_light[:3, 3]
    return world_m


def _figure_points(layout: Layout) -> np.ndarray:
    points = []
    for part in layout.figure.parts:
        corners = np.asarray(part.points_m, float)
        points += [corners, corners[part.triangles].mean(axis=1)]
        points += [corners[part.triangles[:, [0, 1]]].mean(axis=1)] if len(corners) < 5000 else []
    points += [np.asarray(strands.points_m, float).reshape(-1, 3)[::7] for strands in layout.figure.strands]
    return np.concatenate(points)
