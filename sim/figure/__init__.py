"""The sitter as posed surfaces in world metres, built from the scene's sitter without any renderer."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from . import palette, shapes
from .asset import BUILDS
from .parts import Figure, Material, Part, Strands
from .simple import simple_figure
from .standin import Look, standin_figure

__all__ = ["FIGURES", "Figure", "Material", "Part", "Strands", "figure_from_sitter"]

FIGURES = ("simple", *BUILDS)


def figure_from_sitter(sitter: Any, camera_m: tuple[float, float, float] | None = None) -> Figure:
    """Pose, scale, turn and place the sitter of a scene (`sim.model.Sitter`), in world metres.

    Arguments: `camera_m` world position that eyes set to `camera` look at; without it they look 4 m ahead of
    the mark at eye height.
    Does not: render, or read the scene file.
    """
    head_deg = (sitter.head.turn_deg, sitter.head.nod_deg, sitter.head.tilt_deg)
    cloth_rgb = palette.linear_rgb_from_hex(sitter.clothing.color)
    if sitter.figure == "simple":
        figure = simple_figure(
            skin_rgb=skin_rgb_from_sitter(sitter),
            hair_rgb=hair_rgb_from_sitter(sitter),
            cloth=Material("matt", cloth_rgb, roughness=0.8, sheen=0.3),
            head_turn_deg=head_deg[0],
            head_nod_deg=head_deg[1],
            head_tilt_deg=head_deg[2],
        )
        return placed(figure, scale_from_sitter(sitter, figure), sitter.turn_deg, sitter.step_m)
    look = Look(
        build=sitter.figure,
        skin_rgb=skin_rgb_from_sitter(sitter),
        hair_style=sitter.hair.style,
        hair_rgb=hair_rgb_from_sitter(sitter),
        clothing=sitter.clothing.style,
        cloth_rgb=cloth_rgb,
        arms=sitter.arms,
        viola=sitter.prop == "viola",
        head_deg=head_deg,
        eye_target_m=_eye_target(sitter, camera_m),
    )
    figure = standin_figure(look)
    return placed(figure, scale_from_sitter(sitter, figure), sitter.turn_deg, sitter.step_m)


def scale_from_sitter(sitter: Any, figure: Figure) -> float:
    """Factor that brings a figure to the scene's stature; 1 where the scene names none."""
    return 1.0 if sitter.stature_m is None else sitter.stature_m / figure.sizes_m["stature"]


def skin_rgb_from_sitter(sitter: Any) -> tuple[float, float, float]:
    """Linear skin reflectance from a tone's name or from measured values."""
    if isinstance(sitter.skin, str):
        return palette.linear_rgb_from_lab(palette.SKIN_LAB[sitter.skin])
    return tuple(sitter.skin.reflectance)


def hair_rgb_from_sitter(sitter: Any) -> tuple[float, float, float]:
    """Linear hair albedo from a colour's name or a hex code."""
    color = sitter.hair.color
    return palette.linear_rgb_from_hex(color) if color.startswith("#") else palette.HAIR_RGB[color]


def _eye_target(sitter: Any, camera_m: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
    """Point the eyes look at, in the sitter's own axes before scaling; None looks straight ahead."""
    if sitter.eyes == "ahead":
        return None
    world = np.array((0.0, 1.5, 4.0) if camera_m is None else camera_m)
    if not isinstance(sitter.eyes, str):
        world = np.array(sitter.eyes.at_m)
    local = shapes.rotation_y_from_deg(sitter.turn_deg).T @ (world - [sitter.step_m[0], 0.0, sitter.step_m[1]])
    return tuple(float(v) for v in local)


def placed(figure: Figure, scale: float, turn_deg: float, step_m: tuple[float, float]) -> Figure:
    """Scale about the mark, turn the body about the vertical and step away from the mark (x, z)."""
    turn = shapes.rotation_y_from_deg(turn_deg)
    step = np.array([step_m[0], 0.0, step_m[1]])

    def moved(points: np.ndarray) -> np.ndarray:
        return (scale * points.astype(float) @ turn.T + step).astype(points.dtype)

    def turned(normals: np.ndarray | None) -> np.ndarray | None:
        return None if normals is None else (normals.astype(float) @ turn.T).astype(normals.dtype)

    return replace(
        figure,
        parts=tuple(replace(p, points_m=moved(p.points_m), normals=turned(p.normals)) for p in figure.parts),
        strands=tuple(replace(s, points_m=moved(s.points_m), radius_m=s.radius_m * scale) for s in figure.strands),
        anchors_m={name: moved(point) for name, point in figure.anchors_m.items()},
        anchor_normals={name: turn @ normal for name, normal in figure.anchor_normals.items()},
        facing_deg=figure.facing_deg + turn_deg,
        head_facing_deg=figure.head_facing_deg + turn_deg,
        sizes_m={name: size * scale for name, size in figure.sizes_m.items()},
    )
