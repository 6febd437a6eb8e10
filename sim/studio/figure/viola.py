"""A viola and its bow from plain geometry: arched body, ribs, neck, scroll, strings, chin rest."""

from __future__ import annotations

import numpy as np

from . import shapes
from .parts import Material, Part

# Sizes of a mid-sized viola in metres (common practice, no source).
BODY_M, RIB_M, NECK_M = 0.395, 0.036, 0.142
BRIDGE_AT_M, BRIDGE_HIGH_M = 0.190, 0.034
BOW_M = 0.735
VARNISH = Material("wood", (0.230, 0.066, 0.014), roughness=0.28)
EBONY = Material("wood", (0.012, 0.010, 0.009), roughness=0.30)
MAPLE = Material("wood", (0.330, 0.160, 0.060), roughness=0.42)
STRING = Material("string", (0.55, 0.53, 0.48), roughness=0.35)
BOW_HAIR = Material("matt", (0.62, 0.58, 0.48), roughness=0.7)

# Half width of the body in mm along its length from the end button, per mille of the body.
_OUTLINE_AT = [0, 20, 70, 150, 250, 330, 390, 430, 500, 560, 610, 660, 730, 820, 900, 960, 990, 1000]
_OUTLINE_MM = [0, 62, 95, 113, 116, 107, 92, 80, 71, 69, 75, 84, 91, 91, 79, 52, 24, 0]

Mesh = tuple[np.ndarray, np.ndarray]


def viola_parts(world_from_viola: np.ndarray) -> list[Part]:
    """Instrument parts; `world_from_viola` (3, 4) places it: x across, y along the neck from the end button, z up."""
    top = RIB_M / 2.0
    scale = BODY_M / 0.400
    bridge_top = top + BRIDGE_HIGH_M
    nut_at = BODY_M + NECK_M - 0.005
    plates = _joined([_plate(top, 0.014 * scale, 1.0), _plate(-top, 0.014 * scale, -1.0), _ribs()])
    board = _wedge([(0.0, 0.235, top + 0.018), (0.0, nut_at, top + 0.010)], [0.021, 0.0125], 0.007)
    tail = _wedge([(0.0, 0.012, top + 0.004), (0.0, 0.120, top + 0.020)], [0.012, 0.022], 0.006)
    chin = shapes.ellipsoid((-0.062, 0.055, top + 0.016), (0.048, 0.034, 0.0085), 14, 28)
    pegs = []
    for side, at in ((-1, 0.025), (1, 0.040), (-1, 0.055), (1, 0.070)):
        line = np.array([(side * 0.006, nut_at + at, top - 0.002), (side * 0.040, nut_at + at, top - 0.004)])
        pegs.append(shapes.tube(line, np.array([0.0035, 0.0055]), 10))
    black = _joined([board, tail, chin, *pegs])
    spine = np.array(
        [(0.0, BODY_M - 0.012, top - 0.012), (0.0, BODY_M + 0.05, top - 0.004), (0.0, nut_at, top - 0.001)]
    )
    neck = shapes.tube(spine, np.array([0.020, 0.0125, 0.0115]), 18)
    head = _joined([neck, _scroll(nut_at, top)])
    bridge = _wedge(
        [(0.0, BRIDGE_AT_M - 0.002, top + 0.030), (0.0, BRIDGE_AT_M + 0.002, top + 0.030)], [0.021, 0.021], 0.032
    )
    strings = []
    for k, x in enumerate((-0.0165, -0.0055, 0.0055, 0.0165)):
        rise = 0.003 * (1.0 - (x / 0.0165) ** 2)
        line = np.array(
            [(0.6 * x, 0.118, top + 0.022), (x, BRIDGE_AT_M, bridge_top + rise), (0.5 * x, nut_at, top + 0.013)]
        )
        strings.append(shapes.tube(line, np.full(3, 0.00055 - 0.00009 * k), 6))
    pieces = [("viola body", plates, VARNISH), ("viola fittings", black, EBONY), ("viola neck", head, VARNISH),
              ("viola bridge", bridge, MAPLE), ("viola strings", _joined(strings), STRING)]  # fmt: skip
    return [_placed(name, mesh, material, world_from_viola) for name, mesh, material in pieces]


def bow_parts(frog_m: np.ndarray, toward: np.ndarray, away_from_hair: np.ndarray) -> list[Part]:
    """The bow from its frog along `toward`; the stick lies on the side `away_from_hair` of the hair."""
    along = toward / np.linalg.norm(toward)
    up = away_from_hair - (away_from_hair @ along) * along
    up /= np.linalg.norm(up)
    frame = np.column_stack([np.cross(along, up), along, up, frog_m])
    t = np.linspace(-0.03, 1.0, 24)
    camber = 0.022 - 0.014 * np.sin(np.pi * np.clip(t, 0, 1))
    stick = shapes.tube(np.stack([0 * t, BOW_M * t, camber], 1), np.interp(t, [0, 1], [0.0043, 0.0028]), 10)
    tip = shapes.ellipsoid((0.0, BOW_M * 0.995, 0.010), (0.0035, 0.006, 0.013), 8, 10)
    frog = shapes.ellipsoid((0.0, 0.012, 0.010), (0.0065, 0.022, 0.013), 10, 14)
    hair = _wedge([(0.0, 0.012, 0.0), (0.0, BOW_M, 0.0)], [0.0050, 0.0040], 0.0006)
    pieces = [("bow stick", _joined([stick, tip]), VARNISH), ("bow frog", frog, EBONY), ("bow hair", hair, BOW_HAIR)]
    return [_placed(name, mesh, material, frame) for name, mesh, material in pieces]


def _half_width(y_m: np.ndarray) -> np.ndarray:
    return np.interp(y_m / BODY_M, np.array(_OUTLINE_AT) / 1000.0, np.array(_OUTLINE_MM) * 1e-3 * BODY_M / 0.400)


def _plate(height_m: float, arch_m: float, side: float) -> Mesh:
    """Arched top or back: a grid over (along, across) that curls up to an edge overhang."""
    along = BODY_M * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 64)))
    across = np.sin(np.linspace(-0.5 * np.pi, 0.5 * np.pi, 25))
    y, u = np.meshgrid(along, across, indexing="ij")
    half = _half_width(y) + 0.003 * np.sin(np.pi * y / BODY_M) ** 0.3
    rise = (1.0 - np.abs(u) ** 2.4) * np.sin(np.pi * np.clip(y / BODY_M, 0, 1)) ** 0.6
    points = np.stack([u * half, y, height_m + side * (0.0022 + arch_m * rise)], -1).reshape(-1, 3)
    triangles = shapes.grid_triangles(64, 25, False)
    return points, triangles if side < 0 else triangles[:, ::-1]


def _ribs() -> Mesh:
    """The side walls between the plates."""
    along = BODY_M * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 64)))
    half = _half_width(along)
    rim = np.concatenate([np.stack([half, along], 1), np.stack([-half, along], 1)[::-1]])
    levels = np.array([RIB_M / 2 + 0.003, -RIB_M / 2 - 0.003])
    points = np.stack([np.column_stack([rim, np.full(len(rim), z)]) for z in levels])
    return points.reshape(-1, 3), shapes.grid_triangles(2, len(rim), True)


def _scroll(nut_m: float, top_m: float) -> Mesh:
    """Peg box that narrows into a spiral."""
    turn = np.linspace(0.0, 3.3 * np.pi, 60)
    radius = 0.019 * np.exp(-0.13 * turn)
    center = np.array([nut_m + 0.086, top_m - 0.014])
    spiral = np.stack([0 * turn, center[0] - radius * np.cos(turn + 0.9), center[1] + radius * np.sin(turn + 0.9)], 1)
    box = np.stack(
        [np.zeros(12), np.linspace(nut_m, spiral[0, 1], 12), np.linspace(top_m - 0.004, spiral[0, 2], 12)], 1
    )
    path = np.concatenate([box[:-1], spiral])
    thick = np.concatenate([np.linspace(0.0125, 0.0085, 11), np.interp(turn, [0, turn[-1]], [0.0085, 0.0045])])
    return shapes.tube(path, thick, 12)


def _wedge(axis: list[tuple[float, float, float]], half_width_m: list[float], thick_m: float) -> Mesh:
    """Bar with a slightly rounded upper face along +Y between two points of its upper centre line."""
    (start, end), across = np.array(axis), np.linspace(-1.0, 1.0, 9)
    rings = []
    for point, half in zip((start, end), half_width_m, strict=True):
        upper = np.stack([point[0] + half * across, np.full(9, point[1]), point[2] - 0.18 * half * across**2], 1)
        lower = upper[::-1] * [1.0, 1.0, 0.0] + [0.0, 0.0, point[2] - thick_m]
        rings.append(np.concatenate([upper, lower]))
    middle = [ring.mean(axis=0, keepdims=True).repeat(18, 0) for ring in rings]
    points = np.stack([middle[0], rings[0], rings[1], middle[1]])
    return shapes.without_slivers(points.reshape(-1, 3), shapes.grid_triangles(4, 18, True)[:, ::-1])


def _joined(meshes: list[Mesh]) -> Mesh:
    offsets = np.cumsum([0, *(len(m[0]) for m in meshes)])
    return np.concatenate([m[0] for m in meshes]), np.concatenate(
        [m[1] + o for m, o in zip(meshes, offsets, strict=False)]
    )


def _placed(name: str, mesh: Mesh, material: Material, frame: np.ndarray) -> Part:
    """A part in body axes; creases sharper than a rounded edge get points of their own."""
    points, triangles = mesh[0] @ frame[:, :3].T + frame[:, 3], mesh[1]
    sharp = name in ("viola bridge", "bow hair")
    normals = None if sharp else shapes.normals_from_mesh(points, triangles).astype(np.float32)
    return Part(name, "prop", points.astype(np.float32), triangles.astype(np.uint32), normals, None, material)
