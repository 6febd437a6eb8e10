"""A whole set in Radiance's scene language: the layout's meshes, matt or metal surfaces, and luminous faces.

Nothing of this package's transport is used: profiles of luminous faces are written as Radiance functions and data of
their own, readings are sums over rays that Radiance traces.
Does not: know gloss and sheen of skin and cloth, which are matt here by the share of light that they send back; let a
luminous face send back its own light once it returns (a source of Radiance reflects nothing); scrims, windows or even
surrounds; silver and gold boards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyradiance
import trimesh

from sim.render.stage.backdrop import BACKDROP_PIXELS_PER_M, PAPER_BEYOND_MARK_M, PAPER_THICKNESS_M
from sim.render.stage.build import STAND_REFLECTANCE
from sim.render.stage.set_surfaces import BLACK_PANEL, WHITE_PANEL
from sim.render.stage.solids import mesh_from_body, support_mesh
from sim.scene.model import Scene
from sim.studio.backdrop import backdrop_texture, sweep_mesh
from sim.studio.gear.direct import KRONECKER_STEPS
from sim.studio.gear.emitter import Emitter
from sim.studio.layout import Layout, PlacedLight

RGB_STEP = 0.04  # surfaces whose reflectances differ by less than this part share a material
# One path a ray, followed until roulette ends it; one shadow ray to each source; no cache.
PATHS = "-ab 60 -ad 1 -as 0 -aa 0 -ds 0 -dj 1 -dt 0 -dc 1 -dr 0 -st 0 -ss 1 -lr -80 -lw 0.02 -u+"
STRAIGHT = "-ab 0 -ds 0 -lr 0 -lw 1e-9"
OCTAGON_STRIPS = 12
REPLICATES = 16


@dataclass
class RadianceSet:
    """A set as octrees in `folder`, one pair for each light: its faces seen directly, and as sources of a path."""

    folder: Path
    layout: Layout

    def reading(self, light: int, position_m: np.ndarray, facing: np.ndarray, rays: int, seed: int) -> np.ndarray:
        """Return what a dome gets of one light at full dial, white: direct, all, standard error of all, each (3,)."""
        rng = np.random.default_rng(seed)
        direct = sum(
            self._direct(light, emitter, position_m, facing, rng) for emitter in self.layout.lights[light].rig.emitters
        )
        # Choose directions by the cardioid: (1 + c) / 2 has the distribution function ((1 + c) / 2)^2.
        each = np.arange(rays // REPLICATES)[:, None] * KRONECKER_STEPS
        u, v = np.modf(each + rng.random((REPLICATES, 1, 2)))[0].reshape(-1, 2).T
        cosine, turn = 2 * np.sqrt(u) - 1, 2 * math.pi * v
        sine = np.sqrt(1 - cosine**2)
        side = np.cross(facing, [0.3, 0.5, 0.8])
        side /= np.linalg.norm(side)
        out = (sine * np.cos(turn))[:, None] * side + (sine * np.sin(turn))[:, None] * np.cross(facing, side)
        out += cosine[:, None] * facing
        paths = 2 * math.pi * self._traced(f"paths_{light}", np.broadcast_to(position_m, out.shape), out, PATHS)
        means = paths.reshape(REPLICATES, -1, 3).mean(1)
        return np.stack([direct, direct + means.mean(0), means.std(0, ddof=1) / math.sqrt(REPLICATES)])

    def _direct(
        self, light: int, emitter: Emitter, position_m: np.ndarray, facing: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """Sum up a face's light over points of it, Radiance telling what is seen of each."""
        points, normals, area_m2 = _points_on(emitter, rng)
        frame = self.layout.lights[light].world_from_light @ light_from_face(emitter)
        points, normals = points @ frame[:3, :3].T + frame[:3, 3], normals @ frame[:3, :3].T
        way = points - position_m
        dist2 = (way**2).sum(1)
        d = way / np.sqrt(dist2)[:, None]
        seen = self._traced(f"faces_{light}", np.broadcast_to(position_m, d.shape), d, STRAIGHT)
        weight = np.clip(-(d * normals).sum(1), 0, None) / dist2 * (1 + d @ facing) / 2
        total: np.ndarray = (seen * weight[:, None]).mean(0) * area_m2
        return total

    def _traced(self, octree: str, origin: np.ndarray, direction: np.ndarray, options: str) -> np.ndarray:
        rays = np.concatenate([origin, direction], 1).astype(np.float32).tobytes()
        out = pyradiance.rtrace(
            rays, str(self.folder / f"{octree}.oct"), header=False, inform="f", outform="f", params=options.split()
        )
        return np.frombuffer(out, np.float32).reshape(-1, 3).astype(float)


def light_from_face(emitter: Emitter) -> np.ndarray:
    """Return the rigid transform (4, 4) from a face's own frame to its light's: half a turn about y, then a shift."""
    frame = np.diag([-1.0, 1.0, -1.0, 1.0]) if emitter.axis_flip else np.eye(4)
    frame[:3, 3] = emitter.offset_m
    return frame


def _points_on(emitter: Emitter, rng: np.random.Generator, n: int = 64) -> tuple[np.ndarray, np.ndarray, float]:
    """Return jittered points (k, 3) on a face, their normals and the area they stand for; of a bowl, of its rim."""
    u, v = ((np.indices((n, n)).reshape(2, -1) + rng.random((2, n * n))) / n).tolist()
    u, v = np.array(u), np.array(v)
    half = emitter.width_m / 2
    up = np.tile([0.0, 0.0, 1.0], (n * n, 1))
    if emitter.surface == "rectangle":
        x, y = (u - 0.5) * emitter.width_m, (v - 0.5) * emitter.height_m
        return np.stack([x, y, 0 * x], 1), up, emitter.width_m * emitter.height_m
    if emitter.surface == "polygon":
        # Rays beside the polygon see nothing of it.
        x, y = (2 * u - 1) * half, (2 * v - 1) * half
        return np.stack([x, y, 0 * x], 1), up, emitter.width_m**2
    if emitter.surface == "sphere":
        c, t = 2 * u - 1, 2 * math.pi * v
        ball = np.stack([np.sqrt(1 - c * c) * np.cos(t), np.sqrt(1 - c * c) * np.sin(t), c], 1)
        return half * ball, ball, math.pi * emitter.width_m**2
    r, t = half * np.sqrt(u), 2 * math.pi * v
    return np.stack([r * np.cos(t), r * np.sin(t), 0 * r], 1), up, math.pi * half**2


# -- surfaces ---------------------------------------------------------------------------------


class _Objects:
    """Triangles by material, gathered into one Radiance mesh."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.materials: dict[str, str] = {}
        self.points = self.normals = 0

    def add(self, points: np.ndarray, triangles: np.ndarray, materials: list[str], normals: np.ndarray | None) -> None:
        """Add triangles (m, 3), each with its material's name; without normals they are facets."""
        self.lines += map("v {:.6f} {:.6f} {:.6f}".format, *np.asarray(points).T.tolist())
        corner, shift = "{0}", self.normals - self.points
        if normals is not None:
            self.lines += map("vn {:.5f} {:.5f} {:.5f}".format, *np.asarray(normals).T.tolist())
            corner = "{0}//{1}"
            self.normals += len(normals)
        names = np.array(materials)
        for name in np.unique(names):
            rows = np.asarray(triangles)[names == name].ravel() + 1 + self.points
            texts = list(map(corner.format, rows.tolist(), (rows + shift).tolist()))
            self.lines.append(f"usemtl {name}")
            self.lines += map("f {} {} {}".format, texts[::3], texts[1::3], texts[2::3])
        self.points += len(points)

    def matt(self, rgb: np.ndarray) -> list[str]:
        """Names of matt materials for reflectances (n, 3), rounded to steps of RGB_STEP."""
        steps, which = np.unique(
            np.round(np.log(np.clip(rgb, 1e-4, 0.98)) / RGB_STEP).astype(int), axis=0, return_inverse=True
        )
        names = [f"matt_{a}_{b}_{c}" for a, b, c in steps]
        for name, (r, g, b) in zip(names, np.exp(steps * RGB_STEP), strict=True):
            self.materials[name] = f"void plastic {name} 0 0 5 {r:.5f} {g:.5f} {b:.5f} 0 0"
        return [names[index] for index in which.ravel()]

    def solid(self, mesh: trimesh.Trimesh, reflectance: float) -> None:
        """Add a faceted solid of one grey."""
        self.add(
            np.asarray(mesh.vertices),
            np.asarray(mesh.faces),
            self.matt(np.full((len(mesh.faces), 3), reflectance)),
            None,
        )


def set_from_layout(
    scene: Scene, layout: Layout, folder: Path, albedo: dict[str, np.ndarray], lights: Sequence[int]
) -> RadianceSet:
    """Write a scene's set for Radiance, and for each of some lights two octrees.

    Arguments: `albedo` by part of the sitter, rows (n, 2) of base reflectance and share of light sent back.
    """
    objects = _Objects()
    _add_sitter(objects, layout, albedo)
    _add_backdrop(objects, scene)
    for light in layout.lights:
        for body in light.rig.body:
            objects.solid(mesh_from_body(body, light.world_from_light), body.reflectance)
        support = support_mesh(light)
        if support is not None:
            objects.solid(support, STAND_REFLECTANCE)
    (folder / "set.mat").write_text("\n".join(objects.materials.values()) + "\n")
    (folder / "set.obj").write_text("\n".join(objects.lines) + "\n")
    mesh = pyradiance.obj2mesh(folder / "set.obj", matfiles=[str(folder / "set.mat")], silent=True)
    (folder / "set.rtm").write_bytes(mesh)
    text = [_room(scene), _panels(layout), f"void mesh set 1 {folder}/set.rtm 0 0"]
    for number in lights:
        for kind in ("faces", "paths"):
            faces = [
                _face(light, f"l{other}_{i}", i, folder, kind if other == number else "")
                for other, light in enumerate(layout.lights)
                for i in range(len(light.rig.emitters))
            ]
            octree = pyradiance.oconv(stdin="\n".join([*text, *faces, ""]).encode(), warning=False)
            (folder / f"{kind}_{number}.oct").write_bytes(octree)
    return RadianceSet(folder, layout)


def _add_sitter(objects: _Objects, layout: Layout, albedo: dict[str, np.ndarray]) -> None:
    for part in layout.figure.parts:
        kind = part.material.kind
        triangles = np.asarray(part.triangles)
        if kind == "sequin":
            r, g, b = part.material.reflectance_rgb
            objects.materials["sequin"] = f"void metal sequin 0 0 5 {r} {g} {b} 1 {part.material.roughness**2}"
            names = ["sequin"] * len(triangles)
        else:
            base = np.tile(part.material.reflectance_rgb, (len(triangles), 1))
            if part.color_rgb is not None:
                base = np.asarray(part.color_rgb)[triangles].mean(1)
            sent = np.interp(base, *albedo[part.name].T)
            names = objects.matt(sent)
        objects.add(np.asarray(part.points_m, float), triangles, names, part.normals)


def _add_backdrop(objects: _Objects, scene: Scene) -> None:
    backdrop = scene.backdrop
    if backdrop.kind in ("none", "wall"):
        return
    assert scene.backdrop_plane_m is not None
    texture = backdrop_texture(backdrop, BACKDROP_PIXELS_PER_M)
    (x, y, z), width_m, height_m = scene.backdrop_plane_m
    if backdrop.kind == "paper" and backdrop.bottom_m == 0:
        points, triangles, _ = sweep_mesh(width_m, height_m, run_m=backdrop.distance_m + PAPER_BEYOND_MARK_M)
        mesh = trimesh.Trimesh(points + [0.0, PAPER_THICKNESS_M, z], triangles, process=False)
        names = objects.matt(np.tile(texture.mean((0, 1)), (len(triangles), 1)))
        objects.add(np.asarray(mesh.vertices), np.asarray(mesh.faces), names, np.asarray(mesh.vertex_normals))
        return
    # Cut the canvas into squares of about 5 cm, each of its mean colour.
    rows, columns = round(height_m / 0.05), round(width_m / 0.05)
    edges_y = np.linspace(0, texture.shape[0], rows + 1).astype(int)
    edges_x = np.linspace(0, texture.shape[1], columns + 1).astype(int)
    blocks = np.add.reduceat(np.add.reduceat(texture, edges_y[:-1], 0), edges_x[:-1], 1)
    blocks /= (np.diff(edges_y)[:, None] * np.diff(edges_x))[..., None]
    grid = np.arange((rows + 1) * (columns + 1)).reshape(rows + 1, columns + 1)
    gy, gx = np.meshgrid(np.linspace(y + height_m / 2, y - height_m / 2, rows + 1),
                         np.linspace(x - width_m / 2, x + width_m / 2, columns + 1), indexing="ij")  # fmt: skip
    points = np.stack([gx, gy, np.full_like(gx, z)], -1).reshape(-1, 3)
    a, b, c, d = (grid[s].ravel() for s in (np.s_[1:, :-1], np.s_[1:, 1:], np.s_[:-1, 1:], np.s_[:-1, :-1]))
    triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    objects.add(points, triangles, objects.matt(np.tile(blocks.reshape(-1, 3), (2, 1))), None)


def _polygon(name: str, material: str, corners: np.ndarray) -> str:
    return f"{material} polygon {name} 0 0 {3 * len(corners)} " + " ".join(f"{c:.9g}" for c in np.ravel(corners))


def _room(scene: Scene) -> str:
    (x0, y0, z0), (x1, y1, z1) = scene.room.low_corner_m, scene.room.high_corner_m
    room, text = scene.room, []
    box = {
        "floor": (room.floor, [(x0, y0, z0), (x0, y0, z1), (x1, y0, z1), (x1, y0, z0)]),
        "ceiling": (room.ceiling, [(x0, y1, z0), (x1, y1, z0), (x1, y1, z1), (x0, y1, z1)]),
        "back": (room.walls, [(x0, y0, z0), (x1, y0, z0), (x1, y1, z0), (x0, y1, z0)]),
        "front": (room.walls, [(x0, y0, z1), (x0, y1, z1), (x1, y1, z1), (x1, y0, z1)]),
        "left": (room.walls, [(x0, y0, z0), (x0, y1, z0), (x0, y1, z1), (x0, y0, z1)]),
        "right": (room.walls, [(x1, y0, z0), (x1, y0, z1), (x1, y1, z1), (x1, y1, z0)]),
    }
    for name, (reflectance, corners) in box.items():
        text.append(f"void plastic paint_{name} 0 0 5 {reflectance} {reflectance} {reflectance} 0 0")
        text.append(_polygon(name, f"paint_{name}", np.array(corners)))
    return "\n".join(text)


def _panels(layout: Layout) -> str:
    text = []
    for number, panel in enumerate(layout.panels):
        own = {"white": WHITE_PANEL, "black": BLACK_PANEL}[panel.surface]
        grey = own if panel.reflectance is None else panel.reflectance
        x, y = panel.width_m / 2, panel.height_m / 2
        corners = np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]])
        world = corners @ panel.world_from_panel[:3, :3].T + panel.world_from_panel[:3, 3]
        text.append(f"void plastic board{number} 0 0 5 {grey} {grey} {grey} 0 0")
        text.append(_polygon(f"panel{number}", f"board{number}", world))
    return "\n".join(text)


# -- luminous faces ---------------------------------------------------------------------------


def _face(light: PlacedLight, name: str, index: int, folder: Path, kind: str) -> str:
    """Return one face: of the kind "faces" it glows, of "paths" it is a source, else it is matt cloth."""
    emitter = light.rig.emitters[index]
    frame = light.world_from_light @ light_from_face(emitter)
    grey = emitter.reflectance
    text = [f"void plastic cloth_{name} 0 0 5 {grey} {grey} {grey} 0 0"]
    material = f"cloth_{name}"
    if kind:
        pattern = _pattern(emitter, frame, name, folder, text)
        radiance = emitter.radiance()
        material = f"shine_{name}"
        if kind == "faces":
            text.append(f"{pattern} glow {material} 0 0 4 {radiance} {radiance} {radiance} 0")
        else:
            # An illum is a source; a ray from the receptor that meets it sees the cloth alone.
            text.append(f"{pattern} illum {material} 1 cloth_{name} 0 3 {radiance} {radiance} {radiance}")
    centre, y_axis, axis = frame[:3, 3], frame[:3, 1], frame[:3, 2]
    half = emitter.width_m / 2
    place = " ".join(f"{c:.9g}" for c in centre)
    match emitter.surface:
        case "sphere":
            text.append(f"{material} sphere {name} 0 0 4 {place} {half}")
        case "disc" | "cap":
            aim = " ".join(f"{c:.9g}" for c in axis)
            text.append(f"{material} ring {name} 0 0 8 {place} {aim} 0 {half}")
        case "rectangle":
            text.append(_polygon(name, material, _corners(frame, -half, half, emitter.height_m / 2)))
        case "polygon" if kind != "paths":
            turn = (2 * np.arange(emitter.sides) + 1) * math.pi / emitter.sides
            flat = half * np.stack([np.cos(turn), np.sin(turn), 0 * turn], 1)
            text.append(_polygon(name, material, flat @ frame[:3, :3].T + centre))
        case "polygon":
            # A source must be a rectangle to be sampled evenly: cut the octagon into strips of the same area.
            inner = half * math.cos(math.pi / emitter.sides)
            edges = np.linspace(-inner, inner, OCTAGON_STRIPS + 1)
            side = inner * math.tan(math.pi / emitter.sides)
            for k, (low, high) in enumerate(pairwise(edges)):
                width = inner - max(0.0, abs((low + high) / 2) - side)
                mid = centre + (low + high) / 2 * y_axis
                shifted = frame.copy()
                shifted[:3, 3] = mid
                text.append(_polygon(f"{name}_{k}", material, _corners(shifted, -width, width, (high - low) / 2)))
    return "\n".join(text)


def _corners(frame: np.ndarray, left: float, right: float, half_height: float) -> np.ndarray:
    flat = np.array(
        [[left, -half_height, 0], [right, -half_height, 0], [right, half_height, 0], [left, half_height, 0]]
    )
    corners: np.ndarray = flat @ frame[:3, :3].T + frame[:3, 3]
    return corners


def _pattern(emitter: Emitter, frame: np.ndarray, name: str, folder: Path, text: list[str]) -> str:
    """Write a face's profile as a function file and a data file; return the name of the last pattern, or void."""
    p = emitter.profile
    o, ax, ay, az = frame[:3, 3], frame[:3, 0], frame[:3, 1], frame[:3, 2]

    def dot(v: np.ndarray, names: tuple[str, str, str]) -> str:
        return "+".join(f"({c:.12g})*{n}" for c, n in zip(v, names, strict=True))

    p_names, d_names = ("Px", "Py", "Pz"), ("Dx", "Dy", "Dz")
    cal = [
        f"x = {dot(ax, p_names)}-({o @ ax:.12g});", f"y = {dot(ay, p_names)}-({o @ ay:.12g});",
        f"wx = -({dot(ax, d_names)});", f"wy = -({dot(ay, d_names)});", f"wz = -({dot(az, d_names)});",
        "sz = if(wz-1e-6, wz, 1e-6);",
        "theta = atan2(sqrt(wx*wx+wy*wy), wz);",
        "sq(a) : a*a;",
        "hx = x;", "hy = y;",
    ]  # fmt: skip
    if emitter.surface == "cap":
        # Follow the ray back from the rim to the bowl, a sphere of radius big.
        a, depth = emitter.width_m / 2, emitter.height_m
        big = (a * a + depth * depth) / (2 * depth)
        cal[-2:] = [
            f"cz = {big - depth:.12g};", "b = x*wx+y*wy-cz*wz;",
            f"c = x*x+y*y+cz*cz-{big * big:.12g};", "t = b+sqrt(if(b*b-c, b*b-c, 0));",
            "hx = x-t*wx;", "hy = y-t*wy;",
        ]  # fmt: skip
    factors = [f"(1+({p.hot_spot_gain:.12g})*exp(-(hx*hx+hy*hy)/{2 * p.hot_spot_sigma_m**2:.12g}))"]
    if p.throat_radius_m > 0:
        length = f"({p.throat_length_m:.12g})"
        factors.append(f"if({p.throat_radius_m**2:.12g}-sq(x-{length}*wx/sz)-sq(y-{length}*wy/sz), 1, 0)")
    if p.recess_m > 0:
        for at, w, half in (("x", "wx", p.recess_half_x_m), ("y", "wy", p.recess_half_y_m)):
            factors.append(f"if({half:.12g}-abs({at}+{p.recess_m:.12g}*{w}/sz), 1, 0)")
    if p.theta_max_rad < math.pi - 1e-6:
        factors.append(f"if({p.theta_max_rad:.12g}-theta, 1, 0)")
    if emitter.surface != "sphere":
        factors.append("if(wz, 1, 0)")
    cal.append(f"value = {'*'.join(factors)};")
    (folder / f"{name}.cal").write_text("\n".join(cal) + "\n")
    text.append(f"void brightfunc place_{name} 2 value {folder}/{name}.cal 0 0")
    if p.table is None:
        return f"place_{name}"
    # The angle round the axis comes first and goes once round, so its first row closes it.
    rows = np.atleast_2d(p.table)
    turn = [(2 * math.pi, len(rows) + 1)] if len(rows) > 1 else []
    axes = [*turn, (p.theta_max_rad, rows.shape[1])]
    values = np.concatenate([rows, rows[:1]]) if turn else rows
    data = [str(len(axes)), *(f"0 {end:.12g} {count}" for end, count in axes), *(f"{v:.9g}" for v in values.ravel())]
    (folder / f"{name}.dat").write_text("\n".join(data) + "\n")
    round_axis = "phi = atan2(wy, wx)+if(-wy, 2*PI, 0);"
    (folder / f"{name}_noop.cal").write_text("\n".join(["same(v) : v;", *cal, round_axis]) + "\n")
    angles = "phi theta" if turn else "theta"
    words = ["same", f"{folder}/{name}.dat", f"{folder}/{name}_noop.cal", *angles.split()]
    text.append(f"place_{name} brightdata table_{name} {len(words)} {' '.join(words)} 0 0")
    return f"table_{name}"
