"""What the integrator must know of a stage beside its geometry, as JIT arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.stage.build import Stage
from sim.render.transport.luminaire import Luminaire


@dataclass(frozen=True)
class EvenAmbientGlow:
    """Even surround of one layer: each room surface glows with the part of it that the surface absorbs.

    In a closed, empty room that keeps the luminance the same everywhere (Kirchhoff); what stands in the room
    takes its share of the light away, as it would.
    """

    layer: int
    luminance_cd_m2: Any
    absorbs_from_shape: Any


@dataclass(frozen=True)
class Lighting:
    """Luminaires, layers and look-up tables of a stage.

    `luminaires` every luminous face of the layers to trace; `layer_count` number of lights; `luminaire_from_shape`
    table from the renderer's shape number to 1 + luminaire number (0: none); `housing_from_shape` to 1 + layer of the
    light whose housing the shape is (0: none); `part_from_shape` to the part; `ambients` even surrounds.
    """

    luminaires: tuple[Luminaire, ...]
    layer_count: int
    luminaire_from_shape: Any
    housing_from_shape: Any
    part_from_shape: Any
    ambients: tuple[EvenAmbientGlow, ...] = ()


def shapes_met(si: Any) -> Any:
    """The renderer's number of the shape that each lane met, UInt32, by which the tables are looked up."""
    return dr.reinterpret_array(mi.UInt32, si.shape)


def lighting_from_stage(stage: Stage) -> Lighting:
    """Gather a stage's luminous faces and tables for the kernel."""
    absorbs = mi.Float(stage.shape_absorbs)
    return Lighting(
        luminaires=tuple(
            Luminaire(face.emitter, face.world_from_face, face.layer, number)
            for number, face in enumerate(stage.faces)
            if stage.traces(face.layer)
        ),
        layer_count=len(stage.light_names),
        luminaire_from_shape=mi.UInt32(stage.shape_face),
        housing_from_shape=mi.UInt32(stage.shape_housing),
        part_from_shape=mi.UInt32(stage.shape_part),
        ambients=tuple(
            EvenAmbientGlow(even.layer, dr.opaque(mi.Float, even.luminance_cd_m2), absorbs)
            for even in stage.ambients
            if stage.traces(even.layer)
        ),
    )
