"""The sitter as posed surfaces in world metres, built from the scene's sitter without any renderer."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from . import palette, shapes
from .parts import Figure, Material, Part, Strands
from .simple import simple_figure

__all__ = ["FIGURES", "Figure", "Material", "Part", "Strands", "figure_from_sitter"]

FIGURES = ("simple",)


def figure_from_sitter(sitter: Any) -> Figure:
    """Pose, scale, turn and place the sitter of a scene (`sim.model.Sitter`), in world metres.

    Does not: render, or read the scene file.
    """
    figure = simple_figure(
        skin_rgb=skin_rgb_from_sitter(sitter),
        hair_rgb=palette.HAIR_RGB.get(sitter.hair.color, palette.HAIR_RGB["dark brown"]),
        cloth=Material("matt", palette.linear_rgb_from_hex(sitter.clothing.color), roughness=0.8, sheen=0.3),
        head_turn_deg=sitter.head.turn_deg,
        head_nod_deg=sitter.head.nod_deg,
        head_tilt_deg=sitter.head.tilt_deg,
    )
    scale = 1.0 if sitter.stature_m is None else sitter.stature_m / figure.sizes_m["stature"]
    return placed(figure, scale, sitter.turn_deg, sitter.step_m)


def skin_rgb_from_sitter(sitter: Any) -> tuple[float, float, float]:
    """Linear skin reflectance from a tone's name or from measured values."""
    if isinstance(sitter.skin, str):
        return palette.linear_rgb_from_lab(palette.SKIN_LAB[sitter.skin])
    return tuple(sitter.skin.reflectance)


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
        strands=tuple(
            replace(s, points_m=moved(s.points_m), radius_m=s.radius_m * scale) for s in figure.strands
        ),
        anchors_m={name: moved(point) for name, point in figure.anchors_m.items()},
        anchor_normals={name: turn @ normal for name, normal in figure.anchor_normals.items()},
        facing_deg=figure.facing_deg + turn_deg,
        head_facing_deg=figure.head_facing_deg + turn_deg,
        sizes_m={name: size * scale for name, size in figure.sizes_m.items()},
    )
