"""The rig as a schematic in three dimensions, from two angles, where this machine has OpenGL.

Drawing runs in a process of its own with a time limit: a graphics driver that is missing, hangs or crashes costs the
page its two pictures and nothing else.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from types import ModuleType
from typing import TypeAlias

import numpy as np
import trimesh
from PIL import Image, ImageDraw, ImageFont

from sim.render.stage.solids import boom_mesh, mesh_from_body, stand_mesh
from sim.reports.plan.extent import busy_part
from sim.reports.plan.facts import LightFacts, facts_from_scene
from sim.reports.plan.holding import holding_from_light
from sim.session import Rehearsal
from sim.studio.layout import Layout, PlacedLight, axes_from_direction, frame_from_aim, unit

LIMIT_S = 60.0
SIZE_PX = (960, 640)
FIELD_RAD = float(np.radians(32))
PLATFORMS = ("egl", "osmesa")
VIEWS = (("From high behind the camera, camera right", (0.8, 0.75, 1.0)), ("From camera left", (-1.0, 0.55, 0.45)))
GEAR, CLOTH, SKIN = (0.13, 0.15, 0.18), (0.3, 0.34, 0.42), (0.62, 0.5, 0.43)
FLOOR, SEAM, WALL = (0.62, 0.63, 0.63), (0.45, 0.46, 0.47), (0.36, 0.37, 0.38)
BEAM, GLOW, SIGHT = (1.0, 0.66, 0.1, 0.2), (1.0, 0.9, 0.6), (0.15, 0.35, 0.65, 0.13)

# Centre, width and height, metres.
Backdrop: TypeAlias = tuple[tuple[float, float, float], float, float]
Solid: TypeAlias = tuple[trimesh.Trimesh, tuple[float, ...]]


def rig_views(scene_file: str | Path, limit_s: float = LIMIT_S) -> tuple[tuple[tuple[str, bytes], ...], str]:
    """Two PNG pictures of a scene's rig with their captions, and why there are none if so.

    Does not: raise, whatever the graphics driver does.
    """
    reasons = []
    scene_file = Path(scene_file).resolve()
    for platform in PLATFORMS:
        with tempfile.TemporaryDirectory(prefix="halfstop-rig-") as folder:
            environment = {**os.environ, "PYOPENGL_PLATFORM": platform}
            command = [sys.executable, "-W", "ignore", "-m", "sim.reports.rig_view", str(scene_file), folder]
            try:
                done = subprocess.run(
                    command, env=environment, capture_output=True, text=True, timeout=limit_s, check=False,
                    cwd=Path(__file__).resolve().parents[2],
                )  # fmt: skip
            except (OSError, subprocess.TimeoutExpired):
                reasons.append(f"{platform}: no answer in {limit_s:.0f} s")
                continue
            files = sorted(Path(folder).glob("*.png"))
            if done.returncode == 0 and len(files) == len(VIEWS):
                return tuple((caption, f.read_bytes()) for (caption, _), f in zip(VIEWS, files, strict=True)), ""
            last = (done.stderr.strip().splitlines() or ["no picture"])[-1]
            reasons.append(f"{platform}: {last[:90]}")
    return (), f"The view in three dimensions is left out: no OpenGL on this machine ({'; '.join(reasons)})."


def solids_from_layout(layout: Layout, facts: tuple[LightFacts, ...], backdrop: Backdrop | None) -> list[Solid]:
    """Everything of a set as coloured meshes, the see-through ones last.

    Arguments: `backdrop` (centre, width, height) in metres, or None.
    """
    solids: list[Solid] = [(_floor(layout), FLOOR)]
    solids += [(line, SEAM) for line in _metre_lines(layout)]
    if backdrop is not None:
        centre, width, height = backdrop
        sheet = trimesh.creation.box(extents=(width, height, 0.01))
        sheet.apply_translation(centre)
        solids.append((sheet, WALL))
    for part in layout.figure.parts:
        mesh = trimesh.Trimesh(np.asarray(part.points_m, float), part.triangles, process=False)
        solids.append((mesh, SKIN if part.region in ("face", "neck", "arms", "hands", "chest") else CLOTH))
    for light in layout.lights:
        solids += [(mesh_from_body(body, light.world_from_light), GEAR) for body in light.rig.body]
        solids.append((_glow(light), GLOW))
        holding = holding_from_light(light)
        if holding is not None:
            boom = holding.kind == "boom"
            solids.append((boom_mesh(holding.spigot_m, -light.axis) if boom else stand_mesh(holding.spigot_m), GEAR))
    for panel in layout.panels:
        sheet = trimesh.creation.box(extents=(panel.width_m, panel.height_m, 0.012))
        sheet.apply_transform(panel.world_from_panel)
        solids.append((sheet, {"black": (0.05,) * 3, "gold": (0.85, 0.7, 0.35)}.get(panel.surface, (0.95,) * 3)))
    camera = trimesh.creation.box(extents=(0.14, 0.1, 0.09))
    camera.apply_translation(layout.camera.position_m + [0, 0, 0.05])
    tripod = stand_mesh(layout.camera.position_m - [0, 0.06, 0])
    solids += [(camera, GEAR), (tripod, GEAR), (_sight(layout), SIGHT)]
    solids += [(_beam(light), BEAM) for light in facts if light.beam_across_deg < 359]
    return solids


def _ground(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    return busy_part(layout) if layout.is_open else (layout.room_low_m, layout.room_high_m)


def _floor(layout: Layout) -> trimesh.Trimesh:
    low, high = _ground(layout)
    slab: trimesh.Trimesh = trimesh.creation.box(extents=(high[0] - low[0], 0.02, high[2] - low[2]))
    slab.apply_translation([(low[0] + high[0]) / 2, -0.011, (low[2] + high[2]) / 2])
    return slab


def _metre_lines(layout: Layout) -> list[trimesh.Trimesh]:
    """Thin strips on the floor, every metre from the mark."""
    low, high = _ground(layout)
    lines = []
    for axis, other in ((0, 2), (2, 0)):
        for metre in range(int(np.ceil(low[axis])), int(np.floor(high[axis])) + 1):
            size, centre = np.array([0.0, 0.002, 0.0]), np.zeros(3)
            size[axis], size[other] = 0.012, high[other] - low[other]
            centre[axis], centre[other] = metre, (low[other] + high[other]) / 2
            strip = trimesh.creation.box(extents=size)
            strip.apply_translation(centre)
            lines.append(strip)
    return lines


def _glow(light: PlacedLight) -> trimesh.Trimesh:
    emitter = light.rig.emitters[0]
    mesh: trimesh.Trimesh
    if emitter.surface == "sphere":
        mesh = trimesh.creation.icosphere(2, emitter.width_m / 2)
    elif emitter.surface == "rectangle":
        mesh = trimesh.creation.box(extents=(emitter.width_m * 0.98, emitter.height_m * 0.98, 0.004))
    else:
        mesh = trimesh.creation.cylinder(radius=emitter.width_m * 0.47, height=0.004, sections=32)
    mesh.apply_transform(light.world_from_light)
    return mesh


def _beam(light: LightFacts) -> trimesh.Trimesh:
    """The space between the directions of half intensity, to the aim point or for a short way when wide."""
    emitter = light.placed.rig.emitters[0]
    narrow = light.beam_across_deg <= 50
    reach = light.aim_distance_m if narrow else min(0.3, light.aim_distance_m)
    near = np.array([emitter.width_m, emitter.height_m or emitter.width_m]) / 2
    spread = np.tan(np.radians(np.minimum([light.beam_across_deg, light.beam_up_deg], 70.0) / 2)) * reach
    return _frustum(near, near + spread, reach, light.placed.world_from_light)


def _sight(layout: Layout) -> trimesh.Trimesh:
    """What the lens sees, from the camera to the sitter."""
    camera = layout.camera
    reach = float(np.linalg.norm(camera.aim_m - camera.position_m))
    across = np.tan(np.radians(camera.horizontal_fov_deg / 2)) * reach
    frame = frame_from_aim(camera.position_m, camera.aim_m)
    return _frustum(np.array([0.02, 0.02]), np.array([across, across / camera.aspect]), reach, frame)


def _frustum(near: np.ndarray, far: np.ndarray, reach: float, frame: np.ndarray) -> trimesh.Trimesh:
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    points = np.vstack(
        [np.column_stack([signs * near, np.zeros(4)]), np.column_stack([signs * far, np.full(4, reach)])]
    )
    sides = [[i, (i + 1) % 4, 4 + (i + 1) % 4] for i in range(4)] + [[i, 4 + (i + 1) % 4, 4 + i] for i in range(4)]
    mesh = trimesh.Trimesh(points, sides, process=False)
    mesh.apply_transform(frame)
    return mesh


def eye_matrix(eye_m: np.ndarray, target_m: np.ndarray) -> np.ndarray:
    """Pose (4, 4) of an OpenGL camera at a point that looks at another: -z ahead, y up."""
    right, up, ahead = axes_from_direction(unit(target_m - eye_m))
    pose = np.eye(4)
    pose[:3, 0], pose[:3, 1], pose[:3, 2], pose[:3, 3] = right, up, -ahead, eye_m
    return pose


def draw(scene_file: Path, folder: Path) -> None:
    """Draw the views of a scene into a folder; for the process of its own."""
    import pyrender

    rehearsal = Rehearsal(scene_file)
    scene, layout = rehearsal.scene, rehearsal.layout
    facts = facts_from_scene(scene, layout)
    solids = solids_from_layout(layout, facts, scene.backdrop_plane_m)
    set_ = pyrender.Scene(bg_color=(1.0, 1.0, 1.0, 1.0), ambient_light=(0.5, 0.5, 0.5))
    for mesh, color in solids:
        set_.add(pyrender.Mesh.from_trimesh(mesh, material=_material(pyrender, color), smooth=len(mesh.faces) > 500))
    for direction in ((1.0, 2.0, 1.5), (-1.5, 1.5, 0.5)):
        pose = eye_matrix(np.array(direction), np.zeros(3))
        set_.add(pyrender.DirectionalLight(color=(1.0, 1.0, 1.0), intensity=1.6), pose=pose)
    points = np.vstack([mesh.bounds for mesh, _ in solids[1:]])
    centre, extent = (points.min(axis=0) + points.max(axis=0)) / 2, float(np.ptp(points, axis=0).max())
    renderer = pyrender.OffscreenRenderer(*SIZE_PX)
    try:
        for index, (_, way) in enumerate(VIEWS):
            pose = eye_matrix(centre + 1.45 * extent * unit(np.array(way)), centre)
            camera = pyrender.PerspectiveCamera(yfov=FIELD_RAD, aspectRatio=SIZE_PX[0] / SIZE_PX[1])
            node = set_.add(camera, pose=pose)
            color, _ = renderer.render(set_)
            set_.remove_node(node)
            picture = Image.fromarray(color)
            _number(picture, pose, facts)
            picture.save(folder / f"view-{index}.png")
    finally:
        renderer.delete()


def place_px(pose: np.ndarray, point_m: np.ndarray) -> np.ndarray:
    """Where a point shows in the picture (2,), in pixels from its upper left corner."""
    x, y, z = np.linalg.inv(pose)[:3] @ [*point_m, 1.0]
    half = np.tan(FIELD_RAD / 2)
    return np.array([
        SIZE_PX[0] / 2 + x / -z / half * SIZE_PX[1] / 2,
        SIZE_PX[1] / 2 - y / -z / half * SIZE_PX[1] / 2,
    ])  # fmt: skip


def _number(picture: Image.Image, pose: np.ndarray, facts: tuple[LightFacts, ...]) -> None:
    """Write each light's number beside it, clear of the other numbers."""
    brush, font = ImageDraw.Draw(picture), ImageFont.load_default(19)
    taken: list[np.ndarray] = []
    for light in facts:
        place = place_px(pose, light.placed.position_m) - [0, 34]
        while any(np.linalg.norm(place - other) < 30 for other in taken):
            place = place + [0, -10]
        taken.append(place)
        x, y = (float(v) for v in place)
        brush.ellipse((x - 14, y - 14, x + 14, y + 14), fill="white", outline="black", width=3)
        brush.text((x, y), str(light.number), fill="black", font=font, anchor="mm")


def _material(pyrender: ModuleType, color: tuple[float, ...]) -> object:
    clear = len(color) == 4
    return pyrender.MetallicRoughnessMaterial(
        baseColorFactor=(*color[:3], color[3] if clear else 1.0), metallicFactor=0.0, roughnessFactor=0.9,
        alphaMode="BLEND" if clear else "OPAQUE", doubleSided=True,
    )  # fmt: skip


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(sys.argv[2]))
