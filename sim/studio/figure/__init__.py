"""The sitter as posed surfaces in world metres, built from the scene's sitter without any renderer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from sim.quantities.color import rgb_from_hex
from sim.scene.model import Sitter
from sim.scene.model.sitter import NOBODY

from . import palette, shapes
from .asset import BUILDS
from .mannequin import mannequin_figure
from .parts import Figure, Material, Part, Strands
from .placing import lowered, placed, seated_drop_m
from .simple import simple_figure
from .standin import Look, standin_figure
from .usermesh import figure_from_file

__all__ = ["FIGURES", "Figure", "Material", "Part", "Strands", "figure_from_sitter"]

MANNEQUIN = "mannequin"
FIGURES = ("simple", *BUILDS, MANNEQUIN, NOBODY)


def figure_from_sitter(
    sitter: Sitter, camera_m: tuple[float, float, float] | None = None, folder: Path = Path()
) -> Figure:
    """Pose, scale, turn and place the sitter of a scene (`sim.scene.model.Sitter`), in world metres.

    Arguments: `camera_m` world position that eyes set to `camera` look at; without it they look 4 m ahead of
    the mark at eye height. `folder` that the name of a mesh file is relative to.
    Does not: render, or read the scene file. A seated sitter is for head and chest pictures: the body is
    lowered to the height of one on a chair and what would lie under the floor is left out.
    """
    figure = _unplaced(sitter, camera_m, folder)
    scale = 1.0 if sitter.stature_m is None else sitter.stature_m / figure.sizes_m["stature"]
    if sitter.posture == "seated":
        figure = lowered(figure, seated_drop_m(figure.sizes_m["stature"] * scale) / scale)
    stands = placed(figure, scale, sitter.turn_deg, sitter.step_m)
    # Where nobody is, the names of parts stand for the places of the dress form's.
    return stands if sitter.is_there else replace(stands, parts=(), strands=())


def _unplaced(sitter: Sitter, camera_m: tuple[float, float, float] | None, folder: Path) -> Figure:
    """The figure at its own size on the origin, facing +Z."""
    head_deg = (sitter.head.turn_deg, sitter.head.nod_deg, sitter.head.tilt_deg)
    skin_rgb, hair_rgb = skin_rgb_from_sitter(sitter), hair_rgb_from_sitter(sitter)
    cloth_rgb = _rgb_from_hex(sitter.clothing.color)
    if not isinstance(sitter.figure, str):
        chosen = sitter.figure
        tones = {"skin": skin_rgb, "hair": hair_rgb, "cloth": cloth_rgb}
        return figure_from_file(folder / chosen.file, chosen.unit, dict(chosen.parts), sitter.stature_m, tones)
    if sitter.figure == MANNEQUIN:
        return mannequin_figure(head_deg)
    if sitter.figure in ("simple", NOBODY):
        return simple_figure(
            skin_rgb=skin_rgb,
            hair_rgb=hair_rgb,
            cloth=Material("matt", cloth_rgb, roughness=0.8, sheen=0.3),
            head_turn_deg=head_deg[0],
            head_nod_deg=head_deg[1],
            head_tilt_deg=head_deg[2],
        )
    look = Look(
        build=sitter.figure,
        skin_rgb=skin_rgb,
        hair_style=sitter.hair.style,
        hair_rgb=hair_rgb,
        clothing=sitter.clothing.style,
        cloth_rgb=cloth_rgb,
        arms=sitter.arms,
        viola=sitter.prop == "viola",
        head_deg=head_deg,
    )
    return standin_figure(look, lambda stature_m: _eye_target(sitter, camera_m, stature_m))


def skin_rgb_from_sitter(sitter: Sitter) -> tuple[float, float, float]:
    """Linear skin reflectance from a tone's name or from measured values."""
    if isinstance(sitter.skin, str):
        return palette.linear_rgb_from_lab(palette.SKIN_LAB[sitter.skin])
    red, green, blue = sitter.skin.reflectance
    return red, green, blue


def hair_rgb_from_sitter(sitter: Sitter) -> tuple[float, float, float]:
    """Linear hair albedo from a colour's name or a hex code."""
    color = sitter.hair.color
    return _rgb_from_hex(color) if color.startswith("#") else palette.HAIR_RGB[color]


def _rgb_from_hex(text: str) -> tuple[float, float, float]:
    red, green, blue = rgb_from_hex(text)
    return float(red), float(green), float(blue)


def _eye_target(
    sitter: Sitter, camera_m: tuple[float, float, float] | None, stature_m: float
) -> tuple[float, float, float] | None:
    """Point the eyes look at, in the sitter's own axes at its own size; None looks straight ahead."""
    if sitter.eyes == "ahead":
        return None
    world = np.array((0.0, 1.5, 4.0) if camera_m is None else camera_m)
    if not isinstance(sitter.eyes, str):
        world = np.array(sitter.eyes.at_m)
    scale = 1.0 if sitter.stature_m is None else sitter.stature_m / stature_m
    if sitter.posture == "seated":
        world = world + [0.0, seated_drop_m(stature_m * scale), 0.0]
    step = [sitter.step_m[0], 0.0, sitter.step_m[1]]
    x, y, z = shapes.rotation_y_from_deg(sitter.turn_deg).T @ (world - step) / scale
    return float(x), float(y), float(z)
