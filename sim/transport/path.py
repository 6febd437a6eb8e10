"""Light-group path tracing: the radiance along a ray, kept apart for every light.

At each vertex of the path every luminaire is sampled once (next-event estimation) and the sampled
scattering direction may run into one; the two are combined by multiple importance sampling with
the balance heuristic (Veach and Guibas 1995). Contributions go to the layer of the luminaire's own light,
so one path serves all lights and their sum is the picture with all lights on.

Luminaires emit white light of unit colour: in linear RGB transport a light's colour and dial are
plain factors on its layer, applied later.

Does not: model participating media, subsurface transport, refraction through solids, polarisation,
wavelength. Paths end after `depth` bounces, so very reflective rooms come out slightly dark.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.transport.lighting import Lighting
from sim.transport.sampling import PathSampler

# From this bounce on, paths end at random, the sooner the less they still carry.
ROULETTE_FROM_BOUNCE = 1
# Decisions of one bounce, each with random numbers of its own (`PathSampler`).
LOBE_SLOT, DIRECTION_SLOT, ROULETTE_SLOT, LIGHT_SLOT = 0, 1, 2, 3


@dataclass
class FirstHit:
    """What a ray meets first: `albedo`, shading `normal`, `distance_m`, `region` index (0: nothing)."""

    albedo: Any
    normal: Any
    distance_m: Any
    region: Any


@dr.syntax
def radiance_layers(
    scene: Any,
    lighting: Lighting,
    ray: Any,
    sampler: PathSampler,
    depth: int,
    active: Any,
    see_luminaires: bool,
) -> tuple[list[Any], FirstHit]:
    """Radiance that arrives along `ray`, one colour per light.

    Arguments: `ray` world-space rays, one per lane; `depth` bounces (1 = direct light only);
    `see_luminaires` whether a light met by the ray itself counts (a camera: yes; the indirect
    part of a meter: no).
    Returns the list of layers and what the ray itself met.
    """
    layers = [dr.zeros(mi.Color3f, dr.width(ray)) for _ in range(lighting.layer_count)]
    first = FirstHit(mi.Color3f(0), mi.Normal3f(0), mi.Float(0), mi.UInt32(0))
    ray = mi.Ray3f(ray)
    β = mi.Color3f(1)
    bounce = mi.UInt32(0)
    previous_p = mi.Point3f(ray.o)
    previous_housing = mi.UInt32(0)
    previous_pdf = mi.Float(0)
    previous_delta = mi.Bool(True)
    active = mi.Bool(active)
    context = mi.BSDFContext()
    bounces = mi.UInt32(depth)
    dr.make_opaque(bounces)

    while dr.hint(active, exclude=[lighting, context, bounces], label="bounces"):
        # Find the next vertex of the path.
        si = scene.ray_intersect(ray, mi.RayFlags.All, bounce == 0, active)
        on_surface = active & si.is_valid()
        shape = dr.reinterpret_array(mi.UInt32, si.shape)
        bsdf = si.bsdf(ray)

        # Note what the camera ray meets, for the denoiser and the metering regions.
        at_first = (bounce == 0) & on_surface
        albedo = bsdf.eval_diffuse_reflectance(si, at_first)
        first.albedo = dr.select(at_first, albedo, first.albedo)
        first.normal = dr.select(at_first, si.sh_frame.n, first.normal)
        first.distance_m = dr.select(at_first, si.t, first.distance_m)
        region = dr.gather(mi.UInt32, lighting.region_from_shape, shape, at_first)
        first.region = dr.select(at_first, region, first.region)

        # Add the light that the ray ran into, weighed against sampling it from the vertex before.
        met = dr.gather(mi.UInt32, lighting.luminaire_from_shape, shape, on_surface)
        counts = (met > 0) & ((bounce > 0) | see_luminaires)
        for luminaire in lighting.luminaires:
            hit = counts & (met == luminaire.number + 1) & (previous_housing != luminaire.layer + 1)
            emitted = luminaire.emitted(si.p, si.n, -ray.d)
            weight = dr.select(previous_delta, 1, _balance(previous_pdf, luminaire.pdf(previous_p, si.p, si.n)))
            layers[luminaire.layer] += dr.select(hit, β * emitted * weight, 0)
        for even in lighting.ambients:
            glow = even.luminance_cd_m2 * dr.gather(mi.Float, even.absorbs_from_shape, shape, on_surface)
            layers[even.layer] += dr.select(on_surface, β * glow, 0)

        active &= si.is_valid() & (bounce < bounces)

        # Sample every light from this vertex, but none from its own housing: a modifier's efficiency
        # already counts what its housing takes and returns.
        housing = dr.gather(mi.UInt32, lighting.housing_from_shape, shape, active)
        place_on = sampler.pairs(bounce, LIGHT_SLOT)
        for luminaire in lighting.luminaires:
            sample = luminaire.sample(si.p, place_on(luminaire.number))
            emitted = luminaire.emitted(sample.p, sample.n, -sample.d)
            reach = active & (sample.pdf > 0) & (emitted > 0) & (housing != luminaire.layer + 1)
            wo = si.to_local(sample.d)
            f, scatter_pdf = bsdf.eval_pdf(context, si, wo, reach)
            reach &= dr.any(f != 0)
            reach &= ~scene.ray_test(si.spawn_ray_to(sample.p), reach)
            weight = _balance(sample.pdf, scatter_pdf) / sample.pdf
            layers[luminaire.layer] += dr.select(reach, β * f * emitted * weight, 0)

        # Sample the scattering direction and step along it.
        lobe, direction = sampler.one(bounce, LOBE_SLOT), sampler.pair(bounce, DIRECTION_SLOT)
        scatter, f = bsdf.sample(context, si, lobe, direction, active)
        β *= f
        previous_p = mi.Point3f(si.p)
        previous_housing = mi.UInt32(housing)
        previous_pdf = mi.Float(scatter.pdf)
        previous_delta = mi.has_flag(scatter.sampled_type, mi.BSDFFlags.Delta)
        ray = si.spawn_ray(si.to_world(scatter.wo))

        # End dim paths at random, without bias.
        survival = dr.clip(dr.sqrt(dr.max(β)), 0.05, 1)
        roulette = bounce >= ROULETTE_FROM_BOUNCE
        survives = sampler.one(bounce, ROULETTE_SLOT) < survival
        β[roulette] *= dr.rcp(survival)
        active &= (dr.max(β) > 0) & (~roulette | survives)
        bounce += 1

    return layers, first


def _balance(pdf: Any, other_pdf: Any) -> Any:
    return dr.select(pdf > 0, pdf / (pdf + other_pdf), 0)
