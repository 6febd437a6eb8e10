"""The built-in figure `simple`: a plain dress form with a readable face, made in code."""

from __future__ import annotations

import numpy as np

from . import shapes
from .parts import Figure, Material, Part

STATURE_M = 1.68
NECK_PIVOT_M = np.array([0.0, 1.475, -0.012])
_HEAD_CENTER_M = np.array([0.0, 1.567, 0.012])


def simple_figure(
    *,
    skin_rgb: tuple[float, float, float],
    hair_rgb: tuple[float, float, float],
    cloth: Material,
    head_turn_deg: float = 0.0,
    head_nod_deg: float = 0.0,
    head_tilt_deg: float = 0.0,
) -> Figure:
    """Build the dress form at 1.68 m, facing +Z on the origin, with its head turned.

    Does not: move the arms, sit down or look aside with the eyes.
    """
    skin = Material("skin", skin_rgb, roughness=0.5)
    hair = Material("hair", hair_rgb, roughness=0.35)
    surfaces = [
        ("head", "face", *_head(), skin),
        ("left ear", "face", *_ear(-1.0), skin),
        ("right ear", "face", *_ear(1.0), skin),
        ("hair", "hair", *_hair(), hair),
        ("bun", "hair", *shapes.ellipsoid((0.0, 1.64, -0.105), (0.045, 0.042, 0.036), 12, 20), hair),
        ("left eye", "eyes", *_eye(-1.0), Material("sclera", (0.62, 0.60, 0.57), roughness=0.1)),
        ("right eye", "eyes", *_eye(1.0), Material("sclera", (0.62, 0.60, 0.57), roughness=0.1)),
        ("neck", "neck", *_neck(), skin),
        ("shoulders", "chest", *_shoulders(), skin),
        ("left arm", "arms", *_arm(-1.0), skin),
        ("right arm", "arms", *_arm(1.0), skin),
        ("left hand", "hands", *_hand(-1.0), skin),
        ("right hand", "hands", *_hand(1.0), skin),
        ("bodice", "gown", *_bodice(), cloth),
        ("skirt", "gown", *_skirt(), cloth),
    ]
    head = shapes.head_rotation_from_angles(head_turn_deg, head_nod_deg, head_tilt_deg)
    parts = []
    for name, region, points, triangles, material in surfaces:
        # Turn the head rigidly and let the neck follow from its root upward.
        if region in ("face", "hair", "eyes"):
            points = NECK_PIVOT_M + (points - NECK_PIVOT_M) @ head.T
        elif region == "neck":
            share = shapes.smoothstep(1.40, 1.475, points[:, 1])[:, None]
            turned = NECK_PIVOT_M + (points - NECK_PIVOT_M) @ head.T
            points = points + share * (turned - points)
        normals = shapes.normals_from_mesh(points, triangles)
        color = _eye_color(name) if region == "eyes" else None
        parts.append(
            Part(
                name,
                region,
                points.astype(np.float32),
                triangles.astype(np.uint32),
                normals.astype(np.float32),
                color,
                material,
            )
        )
    anchors, normals_at = _anchors(parts, head)
    return Figure(tuple(parts), (), anchors, normals_at, 0.0, head_turn_deg, {"stature": STATURE_M})


def _head() -> tuple[np.ndarray, np.ndarray]:
    return _head_surface(0.0, 42, 58)


def _head_surface(grow_m: float, rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Egg-shaped head with sockets, brow, nose, lips and chin; `grow_m` offsets it outward."""
    # Crowd the columns toward the face, where the relief is.
    even = np.linspace(-np.pi, np.pi, columns, endpoint=False)
    angle = (even - 0.55 * np.sin(even))[None]
    polar = np.linspace(0.0, np.pi, rows)[:, None]
    x = np.sin(polar) * np.sin(angle)
    y = np.cos(polar) + 0.0 * angle
    z = np.sin(polar) * np.cos(angle)
    down = np.clip(-y, 0.0, 1.0)
    px = 0.0755 * x * (1.0 - 0.30 * down**1.6 * shapes.smoothstep(-0.6, 0.6, z))
    py = 0.1145 * y
    pz = 0.096 * z * (1.0 - 0.10 * down) - 0.004 + 0.012 * down
    front = shapes.smoothstep(0.0, 0.6, z)

    def bump(cx: float, cy: float, sx: float, sy: float) -> np.ndarray:
        height: np.ndarray = np.exp(-(((np.abs(px) - cx) / sx) ** 2) - ((py - cy) / sy) ** 2)
        return height

    ridge = np.interp(py, [-0.058, -0.050, -0.040, 0.004, 0.020], [0.0, 0.8, 1.0, 0.22, 0.0])
    width = np.interp(py, [-0.045, 0.0], [0.0135, 0.0085])
    relief = 0.023 * ridge * np.exp(-((px / width) ** 2))
    relief += 0.0050 * bump(0.028, 0.017, 0.022, 0.008) - 0.0110 * bump(0.031, -0.002, 0.014, 0.010)
    relief += 0.0050 * bump(0.047, -0.030, 0.016, 0.016) + 0.0045 * bump(0.0, -0.066, 0.020, 0.004)
    relief += 0.0045 * bump(0.0, -0.075, 0.018, 0.004) + 0.0060 * bump(0.0, -0.100, 0.018, 0.012)
    points = np.stack([px, py, pz + front * relief], -1).reshape(-1, 3)
    if grow_m:
        points += grow_m * points / np.linalg.norm(points, axis=1, keepdims=True)
    return points + _HEAD_CENTER_M, shapes.grid_triangles(rows, columns, True)


def _hair() -> tuple[np.ndarray, np.ndarray]:
    """Cap over the skull above a hairline that rises at the brow and falls at the nape."""
    points, triangles = _head_surface(0.010, 40, 56)
    rel = points - _HEAD_CENTER_M
    azimuth = np.degrees(np.abs(np.arctan2(rel[:, 0], rel[:, 2])))
    at_deg = [0, 35, 60, 80, 110, 150, 180]
    hairline = np.interp(azimuth, at_deg, [0.068, 0.062, 0.035, 0.0, -0.030, -0.075, -0.080])
    above = rel[:, 1] - hairline
    # Sink the rim below the skin so that the edge closes.
    inner = _head_surface(-0.004, 40, 56)[0]
    points = inner + (points - inner) * shapes.smoothstep(-0.008, 0.018, above)[:, None]
    return points, triangles[(above[triangles] > -0.012).all(axis=1)]


def _ear(side: float) -> tuple[np.ndarray, np.ndarray]:
    return shapes.ellipsoid(_HEAD_CENTER_M + np.array([side * 0.076, -0.014, -0.006]), (0.007, 0.030, 0.017), 12, 12)


def _eye_center(side: float) -> np.ndarray:
    center_m: np.ndarray = _HEAD_CENTER_M + np.array([side * 0.0315, -0.003, 0.0660])
    return center_m


def _eye(side: float) -> tuple[np.ndarray, np.ndarray]:
    points, triangles = shapes.ellipsoid((0, 0, 0), (0.012, 0.012, 0.012), 16, 18)
    return points[:, [0, 2, 1]] + _eye_center(side), triangles[:, ::-1]


def _eye_color(name: str) -> np.ndarray:
    points = _eye(-1.0)[0] - _eye_center(-1.0)
    radius = np.where(points[:, 2] > 0, np.hypot(points[:, 0], points[:, 1]), 1.0)
    color = np.where(radius[:, None] < 0.0058, [0.09, 0.055, 0.03], [0.62, 0.60, 0.57])
    return np.where(radius[:, None] < 0.0024, 0.005, color).astype(np.float32)


def _neck() -> tuple[np.ndarray, np.ndarray]:
    y = np.linspace(1.52, 1.385, 18)
    half = np.interp(y, [1.385, 1.41, 1.45, 1.52], [0.074, 0.060, 0.054, 0.052])
    return shapes.loft(y, half, half, np.interp(y, [1.385, 1.52], [-0.022, -0.010]), 40)


def _shoulders() -> tuple[np.ndarray, np.ndarray]:
    y = np.array([1.440, 1.432, 1.420, 1.405, 1.385, 1.36, 1.33, 1.29, 1.24, 1.18])
    width = np.array([0.030, 0.060, 0.085, 0.120, 0.160, 0.176, 0.176, 0.168, 0.158, 0.148])
    depth = np.array([0.030, 0.052, 0.064, 0.075, 0.086, 0.094, 0.100, 0.108, 0.112, 0.106])
    return shapes.loft(y, width, depth, np.full(len(y), -0.022), 56)


def _bodice() -> tuple[np.ndarray, np.ndarray]:
    y = np.array([1.305, 1.304, 1.29, 1.25, 1.21, 1.16, 1.11, 1.06, 1.02])
    width = np.array([0.150, 0.172, 0.173, 0.166, 0.158, 0.144, 0.130, 0.123, 0.125])
    depth = np.array([0.090, 0.111, 0.117, 0.126, 0.120, 0.104, 0.096, 0.093, 0.098])
    return shapes.loft(y, width, depth, np.full(len(y), -0.020), 56)


def _skirt() -> tuple[np.ndarray, np.ndarray]:
    y = np.linspace(1.045, 0.004, 18)
    drop = (1.045 - y) / 1.041
    width = 0.127 + 0.055 * shapes.smoothstep(0, 0.2, drop) + 0.20 * drop**1.4
    depth = width * np.interp(drop, [0, 0.2, 1], [0.78, 0.80, 0.95])
    points, triangles = shapes.loft(y, width, depth, -0.02 + 0 * y, 64)
    angle = np.arctan2(points[:, 0], points[:, 2] + 0.02)
    fold = 1.0 + 0.035 * np.repeat(drop, 64) * (np.cos(9 * angle) + 0.6 * np.cos(14 * angle + 1.0))
    points[:, 0] *= fold
    points[:, 2] = (points[:, 2] + 0.02) * fold - 0.02
    return points, triangles


def _arm(side: float) -> tuple[np.ndarray, np.ndarray]:
    path = np.array(
        [
            (0.166, 1.375, -0.02), (0.186, 1.31, -0.022), (0.208, 1.20, -0.025), (0.226, 1.09, -0.022),
            (0.240, 0.99, -0.002), (0.252, 0.88, 0.024), (0.255, 0.85, 0.032),
        ]
    )  # fmt: skip
    t = np.linspace(0, len(path) - 1, 22)
    fine = np.stack([np.interp(t, np.arange(len(path)), path[:, k]) for k in range(3)], 1)
    radius = np.interp(t, np.arange(len(path)), [0.045, 0.049, 0.044, 0.038, 0.036, 0.027, 0.025])
    return shapes.tube(fine * (side, 1, 1), radius)


def _hand(side: float) -> tuple[np.ndarray, np.ndarray]:
    return shapes.ellipsoid((side * 0.259, 0.775, 0.050), (0.018, 0.090, 0.036), 14, 16)


def _anchors(parts: list[Part], head: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Vertices nearest to the named places, so that each anchor lies on its surface."""
    at_head = {
        "face": (0.0, 1.530, 0.13), "forehead": (0.0, 1.617, 0.13), "chin": (0.0, 1.466, 0.13),
        "left cheek": (-0.048, 1.535, 0.10), "right cheek": (0.048, 1.535, 0.10),
        "left eye": (-0.0315, 1.564, 0.12), "right eye": (0.0315, 1.564, 0.12), "hair": (0.0, 1.70, 0.0),
    }  # fmt: skip
    at_body = {
        "neck": (0.0, 1.43, 0.1), "chest": (0.0, 1.345, 0.2), "left shoulder": (-0.19, 1.40, 0.03),
        "right shoulder": (0.19, 1.40, 0.03), "gown": (0.0, 1.20, 0.2), "gown lower": (0.0, 0.50, 0.5),
        "hip": (0.0, 0.93, 0.3), "left hip": (-0.3, 0.92, 0.0), "right hip": (0.3, 0.92, 0.0),
        "hands": (-0.27, 0.79, 0.12), "feet": (0.0, 0.03, 0.5),
    }  # fmt: skip
    home = {
        "face": "head", "forehead": "head", "chin": "head", "left cheek": "head", "right cheek": "head",
        "left eye": "left eye", "right eye": "right eye", "hair": "hair", "neck": "neck",
        "chest": "shoulders",
        "left shoulder": "left arm", "right shoulder": "right arm", "gown": "bodice", "gown lower": "skirt",
        "hip": "skirt", "left hip": "skirt", "right hip": "skirt", "hands": "left hand", "feet": "skirt",
    }  # fmt: skip
    by_name = {part.name: part for part in parts}
    anchors, normals = {}, {}
    for name, near in {**at_head, **at_body}.items():
        target = np.array(near)
        if name in at_head:
            target = NECK_PIVOT_M + head @ (target - NECK_PIVOT_M)
        part = by_name[home[name]]
        index = int(np.argmin(((part.points_m - target) ** 2).sum(axis=1)))
        anchors[name] = part.points_m[index].astype(float)
        normals[name] = np.asarray(part.normals)[index].astype(float)
    return anchors, normals
