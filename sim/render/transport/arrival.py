"""What a ray brings to its layers from the surface it met: the light of a luminous face or of an even surround."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.transport.lighting import Lighting


@dataclass
class Leaving:
    """Vertex that a ray left: place `p`, 1 + layer of its `housing`, `pdf` of the direction, `delta` if it is sharp."""

    p: Any
    housing: Any
    pdf: Any
    delta: Any


@dataclass
class Arrival:
    """Surface that a ray met.

    `si` and its number `shape`; the ray came along `direction`, one of `tries` from the vertex it left, and carries
    `weight`. `shines` and `glows` say whether a luminous face's light and an even surround's count.
    """

    si: Any
    shape: Any
    direction: Any
    tries: Any
    weight: Any
    shines: Any
    glows: Any


@dr.syntax
def with_light_met(lighting: Lighting, layers: list[Any], left: Leaving, met: Arrival) -> list[Any]:
    """The layers with the light that a ray ran into, weighed against sampling it from the vertex it left."""
    layers = [mi.Color3f(layer) for layer in layers]
    number = dr.gather(mi.UInt32, lighting.luminaire_from_shape, met.shape, met.shines)
    p, n = mi.Point3f(met.si.p), mi.Normal3f(met.si.n)
    direction, weight, tries = met.direction, met.weight, met.tries
    if dr.hint(number > 0, exclude=[lighting, left, tries, p, n, direction, weight, number], label="met"):
        for luminaire in lighting.luminaires:
            hit = (number == luminaire.number + 1) & (left.housing != luminaire.layer + 1)
            emitted = luminaire.emitted(p, n, -direction)
            pdf = luminaire.pdf(left.p, p, n)
            share = dr.select(left.delta, 1, balance(tries * left.pdf, pdf))
            layers[luminaire.layer] += dr.select(hit, weight * emitted * share, 0)
    for even in lighting.ambients:
        glow = even.luminance_cd_m2 * dr.gather(mi.Float, even.absorbs_from_shape, met.shape, met.glows)
        layers[even.layer] += dr.select(met.glows, met.weight * glow, 0)
    return layers


def balance(pdf: Any, other_pdf: Any) -> Any:
    """Share of a sample of density `pdf` beside another way to find it: the balance heuristic."""
    return dr.select(pdf > 0, pdf / (pdf + other_pdf), 0)
