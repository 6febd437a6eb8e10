"""The integrator in its simplest form: read it first. The tests hold the full one (`path`) against it.

A ray is followed from surface to surface. At each, every light is sampled once, and what reaches the surface and is
sent back along the ray is added to the layer of that light. Then one direction is drawn and the ray goes on.

The full integrator brings the same light with less noise: it also counts lights that a drawn direction runs into,
spreads its random numbers evenly, ends dim paths early, and may take the rest of a path from a radiance cache.

Source: the rendering equation [Kajiya:1986]; next-event estimation as in [Pharr:2023], chapter on path tracing.
Does not: see lights in surfaces that mirror sharply, since no sampled point of a light lies in their one direction.
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.transport.lighting import Lighting, shapes_met


def basic_radiance_layers(scene: Any, lighting: Lighting, ray: Any, random: Any, depth: int) -> list[Any]:
    """Radiance that arrives along `ray`, one colour per light.

    Arguments: `ray` world-space rays, one per lane; `random` one of the renderer's samplers, seeded for as many lanes;
    `depth` bounces (1 = direct light only), for this form has a last one.
    """
    layers = [dr.zeros(mi.Color3f, dr.width(ray)) for _ in range(lighting.layer_count)]
    context = mi.BSDFContext()
    β = mi.Color3f(1)
    active = mi.Bool(True)

    for bounce in range(depth + 1):
        # Find the next surface.
        si = scene.ray_intersect(ray, active)
        active &= si.is_valid()
        shape = shapes_met(si)

        # See luminous faces along the first ray only: from then on each is sampled at the surface before.
        number = dr.gather(mi.UInt32, lighting.luminaire_from_shape, shape, active)
        for luminaire in lighting.luminaires if bounce == 0 else ():
            emitted = luminaire.emitted(si.p, si.n, -ray.d)
            layers[luminaire.layer] += dr.select(active & (number == luminaire.number + 1), emitted, 0)

        # See the glow of an even surround along every ray, since nothing samples it.
        for even in lighting.ambients:
            glow = even.luminance_cd_m2 * dr.gather(mi.Float, even.absorbs_from_shape, shape, active)
            layers[even.layer] += dr.select(active, β * glow, 0)
        if bounce == depth:
            break

        # Sample a point on each light: what it sends here, what the surface sends on, and whether the way is clear.
        bsdf = si.bsdf(ray)
        housing = dr.gather(mi.UInt32, lighting.housing_from_shape, shape, active)
        for luminaire in lighting.luminaires:
            sample = luminaire.sample(si.p, random.next_2d())
            f = bsdf.eval(context, si, si.to_local(sample.d), active)
            light = f * luminaire.emitted(sample.p, sample.n, -sample.d) / sample.pdf
            reach = active & (sample.pdf > 0) & dr.any(light > 0) & (housing != luminaire.layer + 1)
            reach &= ~scene.ray_test(si.spawn_ray_to(sample.p), reach)
            layers[luminaire.layer] += dr.select(reach, β * light, 0)

        # Go on in a direction drawn by what the surface sends back from there.
        scatter, f = bsdf.sample(context, si, random.next_1d(), random.next_2d(), active)
        β *= f
        active &= dr.any(f > 0)
        ray = si.spawn_ray(si.to_world(scatter.wo))
    return layers
