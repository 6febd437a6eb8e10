"""Layout to renderer scene: shapes, surfaces, luminous faces, camera; the one place that fills the renderer."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
import numpy.typing as npt
import trimesh

from sim.light.stack import REGIONS
from sim.render.fingerprint import of_backdrop
from sim.render.stage.backdrop import backdrop_shape
from sim.render.stage.meshes import loaded, mesh_from_arrays, mesh_from_solid
from sim.render.stage.set_surfaces import bsdf_from_panel, diffuse
from sim.render.stage.shape_cache import ShapeCache
from sim.render.stage.solids import bowl_mesh, mesh_from_body, support_mesh
from sim.render.stage.surfaces import bsdf_from_material
from sim.scene.model import Outdoors, Scene
from sim.studio.figure import Part, Strands
from sim.studio.gear.emitter import Emitter
from sim.studio.layout import CameraView, Layout, PlacedLight, PlacedPanel, layout_from_scene, unit, up_beside

STAND_REFLECTANCE = 0.05


@dataclass(frozen=True)
class LuminousFace:
    """One luminous surface in the world: `world_from_face` (4, 4) and the layer of the light it belongs to."""

    emitter: Emitter
    world_from_face: np.ndarray
    layer: int


@dataclass(frozen=True)
class EvenAmbient:
    """Even surround of luminance `luminance_cd_m2`, kept up by the room's own surfaces in layer `layer`."""

    layer: int
    luminance_cd_m2: float


@dataclass
class Stage:
    """A scene ready to be traced.

    `shape_*` (n,) arrays are indexed by the renderer's shape number: the part, 1 + index of the luminous
    face (0: none), 1 + layer of the light whose housing it is (0: none), and the share of light a room surface
    absorbs (0 elsewhere). `wanted_layers` are traced, None for all; the others stay dark. What a layer holds
    does not depend on which others are traced with it.
    """

    scene: Any
    layout: Layout
    light_names: tuple[str, ...]
    is_flash: tuple[bool, ...]
    faces: tuple[LuminousFace, ...]
    ambients: tuple[EvenAmbient, ...]
    region_names: tuple[str, ...]
    shape_part: np.ndarray
    shape_face: np.ndarray
    shape_housing: np.ndarray
    shape_absorbs: np.ndarray
    wanted_layers: frozenset[int] | None = None

    def traces(self, layer: int) -> bool:
        """Whether the light of this layer is to be traced."""
        return self.wanted_layers is None or layer in self.wanted_layers

    def sensor(self, size: tuple[int, int]) -> Any:
        """Thin-lens camera for a picture of `size` (width, height) pixels."""
        return _sensor(self.layout.camera, size)


def build(
    scene: Scene,
    layout: Layout | None = None,
    *,
    glowing: frozenset[int] = frozenset(),
    shapes: ShapeCache | None = None,
) -> Stage:
    """Fill the renderer with everything of a scene.

    Arguments: `layout` the scene's layout if it is already known; `glowing` layers whose rectangles, discs and
    spheres carry the renderer's own emitter too, Lambertian, for comparison with its own integrators; `shapes` holds
    surfaces, sitter and backdrop of a stage built before, and takes those of this one.
    Does not: trace anything, or apply dials and colours.
    """
    layout = layout or layout_from_scene(scene)
    crate = Crate(shapes or ShapeCache())
    add_room(crate, scene)
    add_backdrop(crate, scene)
    for part in layout.figure.parts:
        crate.add(part_shape(crate, part), part.region)
    for strands in layout.figure.strands:
        crate.add(strands_shape(crate, strands), strands.region)
    for panel in layout.panels:
        _add_panel(crate, panel)
    faces: list[LuminousFace] = []
    for layer, light in enumerate(layout.lights):
        _add_light(crate, light, layer, faces, layer in glowing)
    crate.kept.sweep()
    return Stage(
        scene=mi.load_dict({"type": "scene", **crate.shapes}, parallel=False, optimize=False),
        layout=layout,
        light_names=layout.light_names,
        is_flash=layout.is_flash,
        faces=tuple(faces),
        ambients=tuple(
            EvenAmbient(len(layout.lights) + i, even.luminance_cd_m2) for i, even in enumerate(layout.even_ambients)
        ),
        region_names=REGIONS,
        shape_part=crate.table(crate.part, np.uint32),
        shape_face=crate.table(crate.face, np.uint32),
        shape_housing=crate.table(crate.housing, np.uint32),
        shape_absorbs=crate.table(crate.absorbs, np.float32),
    )


@dataclass
class Crate:
    """Shapes gathered so far, and what each is, by the renderer's number of the shape."""

    kept: ShapeCache
    shapes: dict[str, Any] = field(default_factory=dict)
    part: dict[int, int] = field(default_factory=dict)
    face: dict[int, int] = field(default_factory=dict)
    housing: dict[int, int] = field(default_factory=dict)
    absorbs: dict[int, float] = field(default_factory=dict)

    def add(self, shape: Any, part: str, face: int = 0, housing: int = 0, absorbs: float = 0.0) -> None:
        number = number_of_shape(shape)
        self.shapes[f"shape_{len(self.shapes)}"] = shape
        self.part[number] = REGIONS.index(part)
        self.face[number] = face
        self.housing[number] = housing
        self.absorbs[number] = absorbs

    def bsdf(self, description: dict[str, Any]) -> Any:
        """Renderer surface for a description, shared between shapes that ask for the same."""
        return self.kept.get(("surface", repr(description)), lambda: loaded(description))

    def table(self, values: dict[int, Any], dtype: Any) -> np.ndarray:
        table = np.zeros(max(values) + 1, dtype)
        for number, value in values.items():
            table[number] = value
        return table


def part_shape(crate: Crate, part: Part) -> Any:
    """A part of the sitter as a mesh."""
    surface = crate.bsdf(bsdf_from_material(part.material, part.color_rgb is not None))
    arrays = (part.normals, part.color_rgb, part.uv)
    made = partial(mesh_from_arrays, part.points_m, part.triangles, surface, *arrays)
    return crate.kept.get(("part", id(part)), made, part)


def strands_shape(crate: Crate, strands: Strands) -> Any:
    """Strands of the sitter as curves."""
    surface = crate.bsdf(bsdf_from_material(strands.material, False))
    return crate.kept.get(("strands", id(strands)), partial(_curves_from_strands, strands, surface), strands)


def number_of_shape(shape: Any) -> int:
    """The renderer's own number of a shape, as its kernels report it."""
    number: Any = dr.reinterpret_array(mi.UInt32, mi.ShapePtr(shape))
    return int(number[0])


def add_room(crate: Crate, scene: Scene) -> None:
    """Put the room's six sides into the crate; outdoors five are black and far, and glow as an even ambient's sky."""
    low, high = np.array(scene.room.low_corner_m), np.array(scene.room.high_corner_m)
    mid, half = (low + high) / 2, (high - low) / 2
    room = scene.room
    walls, ceiling, floor = (
        (0.0, 0.0, room.ground) if isinstance(room, Outdoors) else (room.walls, room.ceiling, room.floor)
    )
    back, back_color = walls, None
    if scene.backdrop.kind == "wall":
        back = walls if scene.backdrop.reflectance is None else scene.backdrop.reflectance
        back_color = scene.backdrop.color
    sides = [
        ([mid[0], low[1], mid[2]], [0, 1, 0], half[0], half[2], floor, "room"),
        ([mid[0], high[1], mid[2]], [0, -1, 0], half[0], half[2], ceiling, "room"),
        ([low[0], mid[1], mid[2]], [1, 0, 0], half[2], half[1], walls, "room"),
        ([high[0], mid[1], mid[2]], [-1, 0, 0], half[2], half[1], walls, "room"),
        ([mid[0], mid[1], high[2]], [0, 0, -1], half[0], half[1], walls, "room"),
        ([mid[0], mid[1], low[2]], [0, 0, 1], half[0], half[1], back, "backdrop" if back_color else "room"),
    ]
    for centre, normal, half_x, half_y, reflectance, part in sides:
        description = diffuse(reflectance, back_color if part == "backdrop" else None)
        to_world = _frame(centre, np.add(centre, normal)).scale([half_x, half_y, 1])
        shape = loaded({"type": "rectangle", "to_world": to_world, "bsdf": crate.bsdf(description)})
        # Ground under the sky lies in its light and sends none of its own.
        is_ground = room.is_open and normal == [0, 1, 0]
        crate.add(shape, part, absorbs=0.0 if is_ground else 1 - reflectance)


def add_backdrop(crate: Crate, scene: Scene) -> None:
    """Put the backdrop of a scene that has one into the crate."""
    if scene.backdrop.kind in ("none", "wall"):
        return
    crate.add(crate.kept.get(("backdrop", of_backdrop(scene)), lambda: backdrop_shape(scene)), "backdrop")


def _add_panel(crate: Crate, panel: PlacedPanel) -> None:
    to_world = mi.ScalarTransform4f(panel.world_from_panel).scale([panel.width_m / 2, panel.height_m / 2, 1])
    surface = crate.bsdf(bsdf_from_panel(panel.surface, panel.transmission, panel.reflectance))
    crate.add(loaded({"type": "rectangle", "to_world": to_world, "bsdf": surface}), "panel")


def _add_light(crate: Crate, light: PlacedLight, layer: int, faces: list[LuminousFace], glows: bool = False) -> None:
    for emitter, world_from_face in world_from_faces(light):
        faces.append(LuminousFace(emitter, world_from_face, layer))
        surface = crate.bsdf(diffuse(emitter.reflectance))
        shape = face_shape(emitter, world_from_face, surface, emitter.radiance() if glows else 0.0)
        crate.add(shape, "light", face=len(faces), housing=layer + 1)
    for body in light.rig.body:
        surface = crate.bsdf(diffuse(body.reflectance))
        shape = mesh_from_solid(mesh_from_body(body, light.world_from_light), surface)
        crate.add(shape, "light", housing=layer + 1)
    support = support_mesh(light)
    if support is not None:
        crate.add(mesh_from_solid(support, crate.bsdf(diffuse(STAND_REFLECTANCE))), "light")


def world_from_faces(light: PlacedLight) -> list[tuple[Emitter, np.ndarray]]:
    """Each luminous face of a light with the rigid transform (4, 4) from its own frame to the world."""
    return [(emitter, light.world_from_light @ _light_from_face(emitter)) for emitter in light.rig.emitters]


def _light_from_face(emitter: Emitter) -> np.ndarray:
    """Rigid transform (4, 4) from the emitter's own frame to the light's."""
    frame = np.eye(4)
    if emitter.axis_flip:
        frame[0, 0] = frame[2, 2] = -1
    frame[:3, 3] = emitter.offset_m
    return frame


def face_shape(emitter: Emitter, world_from_face: np.ndarray, bsdf: Any, radiance: float = 0.0) -> Any:
    """The luminous face as a shape of the scene.

    `radiance` > 0 also gives it the renderer's own area emitter, for comparison with its own integrators.
    """
    to_world = mi.ScalarTransform4f(world_from_face)
    half_width, half_height = emitter.width_m / 2, emitter.height_m / 2
    match emitter.surface:
        case "rectangle":
            shape = {"type": "rectangle", "to_world": to_world.scale([half_width, half_height, 1])}
        case "disc":
            shape = {"type": "disk", "to_world": to_world.scale([half_width, half_width, 1])}
        case "sphere":
            shape = {"type": "sphere", "to_world": to_world.scale(half_width)}
        case "polygon":
            return mesh_from_solid(_polygon_mesh(emitter.sides, half_width).apply_transform(world_from_face), bsdf)
        case _:
            # A bowl shines from its hollow side: wind its faces so that this is their front.
            mesh = bowl_mesh(emitter.width_m, emitter.height_m).apply_transform(world_from_face)
            mesh.invert()
            return mesh_from_solid(mesh, bsdf)
    if radiance > 0:
        shape["emitter"] = {"type": "area", "radiance": {"type": "rgb", "value": [radiance] * 3}}
    return loaded({**shape, "bsdf": bsdf})


def _polygon_mesh(sides: int, corner_radius_m: float) -> trimesh.Trimesh:
    """Flat regular polygon in z = 0 facing +z, corner k at (2k + 1) pi / sides."""
    angle = (2 * np.arange(sides) + 1) * np.pi / sides
    rim = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(sides)]) * corner_radius_m
    corners = np.arange(sides)
    faces = np.column_stack([np.full(sides, sides), corners, (corners + 1) % sides])
    return trimesh.Trimesh(np.vstack([rim, np.zeros(3)]), faces, process=False)


def _curves_from_strands(strands: Strands, bsdf: Any) -> Any:
    """Cubic B-spline tubes through the strands, whose end points are doubled by reflection."""
    points = np.asarray(strands.points_m, np.float32)
    first, last = 2 * points[:, :1] - points[:, 1:2], 2 * points[:, -1:] - points[:, -2:-1]
    points = np.concatenate([first, points, last], axis=1)
    radius = np.interp(np.linspace(0, 1, points.shape[1]), np.linspace(0, 1, len(strands.radius_m)), strands.radius_m)
    rows = np.concatenate([points, np.broadcast_to(radius[None, :, None], (*points.shape[:2], 1))], axis=2)
    # The renderer reads curves from a file only.
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as stream:
        for strand in rows:
            np.savetxt(stream, strand, fmt="%.6f")
            stream.write("\n")
        stream.flush()
        return loaded({"type": "bsplinecurve", "filename": stream.name, "bsdf": bsdf})


def _frame(position: npt.ArrayLike, target: npt.ArrayLike) -> Any:
    start, end = np.asarray(position, float), np.asarray(target, float)
    return mi.ScalarTransform4f().look_at(start.tolist(), end.tolist(), up_beside(unit(end - start)).tolist())


def _sensor(camera: CameraView, size: tuple[int, int]) -> Any:
    width, height = size
    return mi.load_dict({
        "type": "thinlens",
        "to_world": _frame(camera.position_m, camera.aim_m),
        "fov": camera.horizontal_fov_deg,
        "fov_axis": "x",
        "aperture_radius": camera.lens_radius_m,
        "focus_distance": camera.focus_distance_m,
        "near_clip": 0.01,
        "far_clip": 1000.0,
        "film": {"type": "hdrfilm", "width": width, "height": height, "rfilter": {"type": "box"}},
    })  # fmt: skip
