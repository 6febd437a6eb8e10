"""Bare stages for laws of physics: a few luminous faces and matt surfaces, with no studio around them."""

from __future__ import annotations

from typing import Any

import mitsuba as mi
import numpy as np

from sim.light.stack import REGIONS
from sim.render.stage.build import LuminousFace, Stage, face_shape, number_of_shape
from sim.studio.layout import frame_from_aim

Surface = tuple[dict[str, Any], float]


def faced(emitter: Any, position_m: list[float], aim_m: list[float], layer: int = 0) -> LuminousFace:
    """A luminous face at a point, looking at another."""
    return LuminousFace(emitter, frame_from_aim(np.array(position_m, float), np.array(aim_m, float)), layer)


def bare_stage(
    faces: list[LuminousFace],
    surfaces: list[Surface] = (),
    layout: Any = None,
    glowing: tuple[int, ...] = (),
) -> Stage:
    """Stage of luminous faces and matt surfaces, each a shape description and its reflectance.

    `glowing` layers whose faces carry the renderer's own area emitter, for comparison with its own integrators.
    """
    shapes: dict[str, Any] = {}
    table: dict[int, int] = {}
    matt = mi.load_dict({"type": "diffuse", "reflectance": 0.0})
    for index, face in enumerate(faces):
        radiance = face.emitter.radiance() if face.layer in glowing else 0.0
        shape = face_shape(face.emitter, face.world_from_face, matt, radiance)
        shapes[f"face_{index}"] = shape
        table[number_of_shape(shape)] = index + 1
    for index, (description, reflectance) in enumerate(surfaces):
        surface = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": reflectance}}
        shape = mi.load_dict({**description, "bsdf": surface})
        shapes[f"surface_{index}"] = shape
        table[number_of_shape(shape)] = 0
    shape_face = np.zeros(max(table) + 1, np.uint32)
    for number, value in table.items():
        shape_face[number] = value
    layers = max(face.layer for face in faces) + 1
    return Stage(
        scene=mi.load_dict({"type": "scene", **shapes}, optimize=False),
        layout=layout,
        light_names=tuple(f"light {i}" for i in range(layers)),
        is_flash=(True,) * layers,
        faces=tuple(faces),
        ambients=(),
        region_names=REGIONS,
        shape_part=np.zeros_like(shape_face),
        shape_face=shape_face,
        shape_housing=np.zeros_like(shape_face),
        shape_absorbs=np.zeros(len(shape_face), np.float32),
    )
