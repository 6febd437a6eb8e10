"""The nose's shadow on the face and the trade's names for it, from the simulated light of one lamp.

Definitions, on the face seen from straight ahead of it, in eye distances D (between the eyes' centres). A point lies
in shadow where the light gives it less than an eighth (three stops less) of what it gives a surface turned to it.
The band under the eyes reaches from 0.1 D to 1.2 D below them, down to the mouth. The far cheek is the part of the
band beyond 0.3 D from the midline on the side away from the light. Ears, beyond 1.15 D, are left out.

    none        the light reaches under a tenth of the side it comes from: it stands behind the face
    split       the far cheek is dark: under 6 % of it is lit
    triangle    light lies on the far cheek as a patch closed off by shadow: within the band no lit way leads from it
                to the lit side, because the nose's shadow meets the cheek's (Rembrandt's triangle)
    from below  the nose's shadow points upward, more than 125 degrees from straight down
    butterfly   the nose's shadow lies under the nose: it leans less than 20 degrees from straight down
    loop        the nose's shadow points down and aside on a far cheek still joined to the lit side
    flat        no shadow of the nose: less than 0.02 D2

Broad: the lit side of the face is the side turned to the camera; short: the side turned away. Within 4 degrees of
square to the camera it is neither, nor is it for butterfly, flat, none and from below.
Source of the names and their shape: common practice, no source; the thresholds are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sim.advice.checks.faceframe import STEP, FaceGrid, HeadAxes, face_grid
from sim.render.cache.queries import StageLike, direct_light
from sim.session import Rehearsal
from sim.studio.layout import unit

SHADOW_BELOW = 0.125
BAND = (-1.2, -0.1)
FAR_CHEEK_FROM = 0.3
SPLIT_BELOW = 0.06
NONE_BELOW = 0.1
NOSE_HALF_WIDTH = 0.42
EARS_FROM = 1.15
SMALLEST_AREA = 0.02
BUTTERFLY_WITHIN_DEG, BELOW_FROM_DEG = 20.0, 125.0
SQUARE_WITHIN_DEG = 4.0
PATTERNS = ("flat", "butterfly", "loop", "triangle", "split", "from below", "none")


@dataclass(frozen=True)
class NoseShadow:
    """A light's pattern on the face.

    `pattern` one of `PATTERNS`; `side` "broad", "short" or ""; `lit_side` "left" or "right" of an unturned face as the
    camera sees it; `lean_deg` of the nose's shadow from straight down (0..180, nan without one); `far_cheek_lit`,
    `near_cheek_lit` lit shares 0..1; `patch` area of the closed patch in D2 (eye distances squared).
    """

    pattern: str
    side: str
    lit_side: str
    lean_deg: float
    far_cheek_lit: float
    near_cheek_lit: float
    patch: float


@dataclass(frozen=True)
class KeyShadow:
    """The shadow that the key draws: `light` its name."""

    light: str
    shadow: NoseShadow


def key_shadow(stage: StageLike, light: str) -> KeyShadow | None:
    """The nose's shadow of the light that is the key; None where the light has no place, or there is no face to see.

    Arguments: `light` its name, as the meters find it (`sim.metering.report_points.KeySide`).
    """
    layout = stage.layout
    if not layout.has_sitter:
        return None
    if light not in [placed.name for placed in layout.lights] or not {"left eye", "right eye"} <= set(layout.anchors_m):
        return None
    grid = face_grid(stage)
    if not grid.on_face.any():
        return None
    share = lit_grid(stage, grid, stage.light_names.index(light))
    return KeyShadow(light, named_shadow(grid, share, _camera_side_deg(stage, grid.axes)))


def rehearsed_key_shadow(rehearsal: Rehearsal, light: str) -> KeyShadow | None:
    """The same of a rehearsal; its lines of sight are kept together, so that asking again traces nothing."""
    with rehearsal.answering("nose shadow") as stage:
        return key_shadow(stage, light)


def lit_grid(stage: StageLike, grid: FaceGrid, layer: int, *, samples: int = 16) -> np.ndarray:
    """Share (r, c) of a light's strength that reaches the skin: 1 face-on and free, 0 in shadow and off the face.

    Arguments: `layer` of the light; `samples` rays for each point and luminous face.
    """
    points, normals = grid.points_m[grid.on_face], grid.normals[grid.on_face]
    reaching = direct_light(stage, points, normals, layers=[layer], samples=samples).reaching[:, layer]
    strength = direct_light(stage, points, None, layers=[layer], samples=4).unblocked[:, layer]
    share = np.zeros(grid.on_face.shape)
    share[grid.on_face] = np.where(strength > 0, reaching / np.where(strength > 0, strength, 1), 0)
    return share


def nose_shadow(stage: StageLike, layer: int, *, samples: int = 16, step: float = STEP) -> NoseShadow:
    """Name the shadow that one light draws on the face; see the module for the definitions."""
    grid = face_grid(stage, step)
    return named_shadow(grid, lit_grid(stage, grid, layer, samples=samples), _camera_side_deg(stage, grid.axes))


def named_shadow(grid: FaceGrid, share: np.ndarray, camera_side_deg: float) -> NoseShadow:
    """Name a pattern of light on a face grid.

    Arguments: `share` (r, c) as from `lit_grid`; `camera_side_deg` side angle of the camera in the head's axes.
    Does not: use where the light stands, only what it draws.
    """
    lit = (share >= SHADOW_BELOW) & grid.on_face
    weight = np.where(lit, share, 0).sum(axis=0)
    half_step = abs(float(grid.x[1] - grid.x[0])) / 2
    to_right = bool(weight[grid.x > half_step].sum() >= weight[grid.x < -half_step].sum())
    # Turn the far side, away from the light, to negative x.
    x = grid.x if to_right else -grid.x
    band = (grid.y[:, None] > BAND[0]) & (grid.y[:, None] < BAND[1]) & grid.on_face & (np.abs(x[None, :]) < EARS_FROM)
    far = band & (x[None, :] < -FAR_CHEEK_FROM)
    near = band & (x[None, :] > FAR_CHEEK_FROM)
    far_lit, near_lit = _share(lit, far), _share(lit, near)

    patch = _closed_patch(lit & band, far, near, float(abs(grid.x[1] - grid.x[0])))
    lean_deg = _lean_deg(grid, lit, x)
    if near_lit < NONE_BELOW:
        pattern = "none"
    elif far_lit < SPLIT_BELOW:
        pattern = "split"
    elif patch >= SMALLEST_AREA:
        pattern = "triangle"
    elif np.isnan(lean_deg):
        pattern = "flat"
    elif lean_deg > BELOW_FROM_DEG:
        pattern = "from below"
    elif lean_deg < BUTTERFLY_WITHIN_DEG:
        pattern = "butterfly"
    else:
        pattern = "loop"
    side = ""
    if pattern in ("loop", "triangle", "split") and abs(camera_side_deg) > SQUARE_WITHIN_DEG:
        side = "broad" if (camera_side_deg > 0) == to_right else "short"
    return NoseShadow(pattern, side, "right" if to_right else "left", lean_deg, far_lit, near_lit, patch)


def _camera_side_deg(stage: StageLike, axes: HeadAxes) -> float:
    return axes.angles_deg(unit(stage.layout.camera.position_m - axes.origin_m))[0]


def _share(lit: np.ndarray, zone: np.ndarray) -> float:
    return float((lit & zone).sum() / max(zone.sum(), 1))


def _closed_patch(lit_band: np.ndarray, far: np.ndarray, near: np.ndarray, step: float) -> float:
    """Area (D2) of the largest lit patch on the far cheek from which no lit way leads to the lit side."""
    label, count = ndimage.label(lit_band)
    if count == 0:
        return 0.0
    areas = np.bincount(label[far & lit_band], minlength=count + 1).astype(float)
    open_labels = np.unique(label[near & lit_band])
    areas[open_labels] = 0
    return float(areas[1:].max(initial=0.0)) * step**2


def _lean_deg(grid: FaceGrid, lit: np.ndarray, x: np.ndarray) -> float:
    """Angle from straight down of the way from the nose's tip to the middle of its shadow; nan without a shadow."""
    axes = grid.axes
    tip = axes.nose_m - axes.origin_m
    tip_x = float(np.dot(tip, axes.right)) / axes.eye_distance_m * (1 if x is grid.x else -1)
    tip_y = float(np.dot(tip, axes.up)) / axes.eye_distance_m
    # Take the shadows that start at the nose, between the eyes' line and the mouth.
    zone = grid.on_face & (grid.y[:, None] > BAND[0]) & (grid.y[:, None] < 0) & (x[None, :] < 0.5)
    label, count = ndimage.label(~lit & zone)
    on_nose = (np.abs(x[None, :] - tip_x) < NOSE_HALF_WIDTH) & (grid.y[:, None] < tip_y + 0.45)
    sizes = np.bincount(label[on_nose & (label > 0)], minlength=count + 1) * abs(grid.x[1] - grid.x[0]) ** 2
    sizes[0] = 0
    if sizes.max(initial=0) < SMALLEST_AREA:
        return float("nan")
    rows, columns = np.nonzero(np.isin(label, np.flatnonzero(sizes >= SMALLEST_AREA)) & on_nose)
    aside, down = tip_x - x[columns].mean(), tip_y - grid.y[rows].mean()
    return float(np.degrees(np.arctan2(abs(aside), down)))
