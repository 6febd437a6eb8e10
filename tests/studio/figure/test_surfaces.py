"""Materials as renderer surfaces: none gives back more light than it gets."""

from __future__ import annotations

import numpy as np
import pytest

from sim.render.engine import Engine
from sim.render.stage.surfaces import bsdf_from_material
from sim.studio.figure.parts import Material

# Asked for more, the material holds cloth and skin to what it can send back.
WHITE = 0.95
KINDS = [
    Material("skin", (WHITE, WHITE, WHITE), 0.48), Material("lip", (WHITE, WHITE, WHITE), 0.36),
    Material("hair", (WHITE, WHITE, WHITE), 0.36), Material("matt", (WHITE, WHITE, WHITE), 0.85, 0.3),
    Material("velvet", (WHITE, WHITE, WHITE), 0.9, 1.0), Material("satin", (WHITE, WHITE, WHITE), 0.40, 0.2),
    Material("sequin", (WHITE, WHITE, WHITE), 0.3), Material("iris", (WHITE, WHITE, WHITE), 0.06),
    Material("wood", (WHITE, WHITE, WHITE), 0.3), Material("belt", (WHITE, WHITE, WHITE), 0.3),
]  # fmt: skip


def albedo(material: Material, angle_deg: float) -> float:
    """Share of a beam's power that a white sample of the material sends back (white furnace)."""
    import drjit as dr
    import mitsuba as mi

    bsdf = mi.load_dict(bsdf_from_material(material, False))
    count = 60_000
    sampler = mi.load_dict({"type": "independent"})
    sampler.seed(1, count)
    si = dr.zeros(mi.SurfaceInteraction3f, count)
    angle = np.radians(angle_deg)
    si.wi = mi.Vector3f(float(np.sin(angle)), 0.0, float(np.cos(angle)))
    si.t, si.n, si.sh_frame = 1.0, mi.Normal3f(0, 0, 1), mi.Frame3f(mi.Vector3f(0, 0, 1))
    _, weight = bsdf.sample(mi.BSDFContext(), si, sampler.next_1d(), sampler.next_2d())
    return float(np.array(weight).mean())


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 70.0])
@pytest.mark.parametrize("material", KINDS, ids=lambda m: m.kind)
def test_no_surface_makes_light(engine: Engine, material: Material, angle_deg: float) -> None:
    given_back = albedo(material, angle_deg)
    assert 0.3 < given_back <= 1.0


def test_velvet_is_brightest_at_its_edge_and_satin_is_not_matt(engine: Engine) -> None:
    """Velvet's fibres light up at grazing view; matt cloth of the same colour far less."""
    velvet, matt = Material("velvet", (0.05, 0.05, 0.05), 0.9, 1.0), Material("matt", (0.05, 0.05, 0.05), 0.9, 0.0)
    assert albedo(velvet, 80.0) > 1.5 * albedo(matt, 80.0)
    assert albedo(velvet, 0.0) == pytest.approx(albedo(matt, 0.0), rel=0.35)
