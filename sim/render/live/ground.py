"""Room, backdrop and sitter as a live picture meets them: bodies that move without being built anew.

A body is a scene of its own in a frame of its own. Where a part of the sitter kept its form, a turn is a new frame;
where it bent, its points are written into the buffers that are there, and the ray index of that body alone is made
again. No kernel and no recording depends on either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.render.fingerprint import of
from sim.render.live.recordings import own_array
from sim.render.stage.backdrop import paper_sweep, world_from_backdrop
from sim.render.stage.build import Crate, add_backdrop, add_room, part_shape, strands_shape
from sim.render.stage.meshes import loaded
from sim.render.stage.shape_cache import ShapeCache
from sim.scene.model import Scene
from sim.studio.figure import Figure, Part
from sim.studio.layout import CameraView, Layout

# Materials of what keeps its form on the head, and of what bends where the head meets the body; hands do not.
ON_HEAD, SKIN, STILL_REGIONS = ("hair", "brow", "lash", "lip"), ("skin", "iris"), ("hands",)
# A surface counts as having kept its form where no point is farther off: a quarter of a pixel of a live portrait.
FORM_KEPT_M = 0.001
# A rigid motion is found from this many points.
POINTS_TO_FIT = 500


@dataclass
class Frame:
    """Where a body stands: its axes and origin in the world, numbers that are no part of a kernel."""

    x: Any
    y: Any
    z: Any
    origin: Any

    def into(self, vector: Any) -> Any:
        """A direction of the world in the body's own axes."""
        return mi.Vector3f(dr.dot(self.x, vector), dr.dot(self.y, vector), dr.dot(self.z, vector))

    def out(self, vector: Any) -> Any:
        """A direction of the body's own axes in the world."""
        return self.x * vector.x + self.y * vector.y + self.z * vector.z


@dataclass
class Bodies:
    """What rays meet: `scenes`, each in one of the `frames`."""

    scenes: list[Any]
    frames: list[Frame]

    def ray_test(self, ray: Any, active: Any) -> Any:
        """Whether anything stands in the way of each ray of the world."""
        blocked = mi.Bool(False)
        for scene, frame in zip(self.scenes, self.frames, strict=True):
            blocked |= scene.ray_test(_inside(ray, frame), active & ~blocked)
        return blocked

    def ray_intersect(self, ray: Any, active: Any = True) -> Meeting:
        """The nearest surface on each ray of the world."""
        found: Any = None
        local: Any = None
        met_in: Any = None
        for scene, frame in zip(self.scenes, self.frames, strict=True):
            own = _inside(ray, frame)
            if found is None:
                found, local, met_in = scene.ray_intersect_preliminary(own, True, active), own, frame
                continue
            own.maxt = found.t
            other = scene.ray_intersect_preliminary(own, True, active)
            nearer = other.is_valid() & (other.t < found.t)
            found = dr.select(nearer, other, found)
            local.o, local.d = dr.select(nearer, own.o, local.o), dr.select(nearer, own.d, local.d)
            met_in = dr.select(nearer, frame, met_in)
        local.maxt = ray.maxt
        there = found.compute_surface_interaction(local, mi.RayFlags.All, active)
        # Where light goes is told in the world; what a surface looks like is asked in its body.
        si = _bare(there)
        si.p = mi.Point3f(met_in.origin + met_in.out(there.p))
        si.n = mi.Normal3f(met_in.out(there.n))
        si.sh_frame.s, si.sh_frame.t = met_in.out(there.sh_frame.s), met_in.out(there.sh_frame.t)
        si.sh_frame.n = mi.Normal3f(met_in.out(there.sh_frame.n))
        return Meeting(si, mi.Point3f(there.p))


def _bare(there: Any) -> Any:
    """A surface interaction without what is never asked for: a recording keeps the length of what is all zero."""
    si = dr.zeros(mi.SurfaceInteraction3f)
    si.t, si.uv, si.wi = there.t, there.uv, there.wi
    si.dp_du, si.dp_dv = there.dp_du, there.dp_dv
    si.shape, si.prim_index = there.shape, there.prim_index
    return si


@dataclass
class Meeting:
    """Surfaces met: `si` in the world but for its derivatives, `place` the point in its body's own axes."""

    si: Any
    place: Any

    def own(self) -> Any:
        """The surface interaction that the surface's own description is evaluated with."""
        si = mi.SurfaceInteraction3f(self.si)
        si.p = self.place
        return si


def _inside(ray: Any, frame: Frame) -> Any:
    own = mi.Ray3f(mi.Point3f(frame.into(ray.o - frame.origin)), frame.into(ray.d))
    own.maxt = ray.maxt
    return own


@dataclass
class _Body:
    """One body: its scene, its parts and their meshes, and its points as they lie in the buffers.

    `instance` shows the meshes in the scene; `is_free` False where other things share the scene, so that they cannot
    have a frame of their own.
    """

    scene: Any
    frame: Frame
    instance: Any = None
    parts: tuple[Part, ...] = ()
    meshes: tuple[Any, ...] = ()
    lies_m: np.ndarray | None = None
    is_free: bool = True


class Ground:
    """The set without lights and panels, and the camera that looks at it.

    Arguments: `shapes` whose surfaces are shared, so that fewer are alive; `split` whether what moves alike has a scene
    of its own; without it all is one, as a graphics card wants it, which makes its ray index anew in no time.
    """

    def __init__(
        self, scene: Scene, layout: Layout, shapes: ShapeCache | None = None, *, split: bool | None = None
    ) -> None:
        self.camera: CameraView = layout.camera
        self._scene, self._figure = scene, layout.figure
        crate = Crate(shapes.of_surfaces() if shapes is not None else ShapeCache())
        add_room(crate, scene)
        room = len(crate.shapes)
        add_backdrop(crate, scene)
        on_set = list(crate.shapes.values())
        self._backdrop = on_set[room:]
        self._bodies = []
        if split is None:
            split = dr.backend_v(mi.Float) == dr.JitBackend.LLVM
        if split or not layout.figure.parts:
            self._bodies = [_body_of(crate, parts) for parts in _moving_alike(layout.figure)]
            if layout.figure.strands:
                self._bodies.append(_Body(_scene_of(_added_strands(crate, layout.figure)), _still()))
            self._bodies.append(_Body(_scene_of(on_set), _still()))
        else:
            strands = _added_strands(crate, layout.figure)
            self._bodies = [_body_of(crate, layout.figure.parts, [*on_set, *strands])]
        if self._backdrop:
            self._place_backdrop(scene)
        self.part_of_shape = mi.UInt32(crate.table(crate.part, np.uint32))

    @property
    def bodies(self) -> Bodies:
        """What rays meet now."""
        return Bodies([body.scene for body in self._bodies], [body.frame for body in self._bodies])

    def can_follow(self, scene: Scene, layout: Layout) -> bool:
        """Whether another scene has the same set and sitter, in another pose or place."""
        return _but_distance(scene) == _but_distance(self._scene) and _is_same_form(self._figure, layout.figure)

    def follow(self, scene: Scene, layout: Layout) -> bool:
        """Move camera, sitter and backdrop to where they are in another scene; False where that takes a new ground."""
        if not self.can_follow(scene, layout):
            return False
        if self._backdrop and scene.backdrop_plane_m != self._scene.backdrop_plane_m:
            self._place_backdrop(scene)
        if layout.figure is not self._figure:
            parts = {part.name: part for part in layout.figure.parts}
            for body in self._bodies:
                _pose(body, [parts[part.name] for part in body.parts])
        self.camera, self._scene, self._figure = layout.camera, scene, layout.figure
        return True

    def _place_backdrop(self, scene: Scene) -> None:
        shape = self._backdrop[0]
        buffers = mi.traverse(shape)
        if "to_world" in buffers:
            world = mi.Transform4f(world_from_backdrop(scene))
            dr.make_opaque(world)
            buffers["to_world"] = world
            buffers.update()
        else:
            points, _, normals, uv = paper_sweep(scene)
            _write(shape, points, normals, uv)
        # The set is in the last body.
        self._bodies[-1].scene.parameters_changed([])


def _but_distance(scene: Scene) -> str:
    """Key of room and backdrop without how far it hangs behind the sitter."""
    backdrop = scene.backdrop
    if "distance_m" in type(backdrop).model_fields:
        backdrop = backdrop.model_copy(update={"distance_m": 0.0})
    return of(scene.room, backdrop)


def _moving_alike(figure: Figure) -> list[list[Part]]:
    """Parts of the sitter, those together that keep their form together when the head turns."""
    head = [part for part in figure.parts if part.material.kind in ON_HEAD]
    skin = [part for part in figure.parts if part.material.kind in SKIN and part.region not in STILL_REGIONS]
    known = {part.name for part in (*head, *skin)}
    others = [part for part in figure.parts if part.name not in known]
    return [parts for parts in (head, skin, others) if parts]


def _body_of(crate: Crate, parts: Sequence[Part], others: Sequence[Any] = ()) -> _Body:
    meshes = [part_shape(crate, part) for part in parts]
    for part, mesh in zip(parts, meshes, strict=True):
        crate.add(mesh, part.region)
        _write(mesh, part.points_m, part.normals)
    points = np.concatenate([part.points_m for part in parts])
    # A group's ray index is made in a quarter of the time of a scene's own.
    group = loaded({"type": "shapegroup", **{f"mesh_{number}": mesh for number, mesh in enumerate(meshes)}})
    instance = loaded({"type": "instance", "group": group})
    _stand(instance)
    scene = _scene_of([group, instance, *others])
    return _Body(scene, _still(), instance, tuple(parts), tuple(meshes), points, is_free=not others)


def _added_strands(crate: Crate, figure: Figure) -> list[Any]:
    shapes = [strands_shape(crate, strands) for strands in figure.strands]
    for strands, shape in zip(figure.strands, shapes, strict=True):
        crate.add(shape, strands.region)
    return shapes


def _scene_of(shapes: Sequence[Any]) -> Any:
    listed = {f"shape_{number}": shape for number, shape in enumerate(shapes)}
    return mi.load_dict({"type": "scene", **listed}, parallel=False, optimize=False)


def _is_same_form(one: Figure, other: Figure) -> bool:
    """Whether one sitter is another in another pose: the same parts with the same triangles and colours."""
    if len(one.parts) != len(other.parts) or one.strands or other.strands:
        return one is other
    return all(a is b or _is_same_piece(a, b) for a, b in zip(one.parts, other.parts, strict=True))


def _is_same_piece(one: Part, other: Part) -> bool:
    if (one.name, one.material, one.points_m.shape) != (other.name, other.material, other.points_m.shape):
        return False
    pairs = [(getattr(one, name), getattr(other, name)) for name in ("triangles", "color_rgb", "uv")]
    return all(a is b or (a is not None and b is not None and np.array_equal(a, b)) for a, b in pairs)


def _pose(body: _Body, parts: Sequence[Part]) -> None:
    """Bring a body to where its parts are now."""
    if not body.parts or all(a is b for a, b in zip(body.parts, parts, strict=True)):
        return
    assert body.lies_m is not None
    points = np.concatenate([part.points_m for part in parts])
    rotation, offset = _motion(body.lies_m, points)
    moved = body.lies_m @ rotation.T + offset
    if body.is_free and np.abs(moved - points).max() <= FORM_KEPT_M:
        body.frame = _frame(rotation, offset)
    else:
        for part, mesh in zip(parts, body.meshes, strict=True):
            _write(mesh, part.points_m, part.normals)
        # Tell the scene that its instance is another now.
        _stand(body.instance)
        body.scene.parameters_changed([])
        body.frame, body.lies_m = _still(), points
    body.parts = tuple(parts)


def _stand(instance: Any) -> None:
    """Leave an instance where it is, in numbers that are no part of a kernel."""
    world = mi.Transform4f()
    dr.make_opaque(world)
    buffers = mi.traverse(instance)
    buffers["to_world"] = world
    buffers.update()


def _write(mesh: Any, points_m: np.ndarray, normals: np.ndarray | None, uv: np.ndarray | None = None) -> None:
    """Give a mesh other points."""
    buffers = mi.traverse(mesh)
    buffers["vertex_positions"] = own_array(points_m)
    if normals is not None:
        buffers["vertex_normals"] = own_array(normals)
    if uv is not None:
        buffers["vertex_texcoords"] = own_array(uv)
    buffers.update()


def _motion(before_m: np.ndarray, after_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rotation (3, 3) and offset (3,) that bring points (n, 3) nearest to others, by least squares [Kabsch:1976]."""
    every = slice(None, None, max(1, len(before_m) // POINTS_TO_FIT))
    a, b = before_m[every].astype(float), after_m[every].astype(float)
    middle_a, middle_b = a.mean(axis=0), b.mean(axis=0)
    u, _, vt = np.linalg.svd((a - middle_a).T @ (b - middle_b))
    mirrored = np.sign(np.linalg.det(vt.T @ u.T))
    rotation = vt.T @ np.diag([1.0, 1.0, mirrored]) @ u.T
    return rotation, middle_b - rotation @ middle_a


def _frame(rotation: np.ndarray, offset_m: np.ndarray) -> Frame:
    numbers = [[dr.opaque(mi.Float, float(value)) for value in column] for column in (*rotation.T, offset_m)]
    return Frame(*(mi.Vector3f(*column) for column in numbers))


def _still() -> Frame:
    return _frame(np.eye(3), np.zeros(3))
