"""Light-group path tracing: the radiance along a ray, kept apart for every light.

At each vertex of the path every luminaire is sampled once (next-event estimation) and the sampled
scattering direction may run into one; the two are combined by multiple importance sampling with
the balance heuristic (Veach and Guibas 1995). Contributions go to the layer of the luminaire's own light,
so one path serves all lights and their sum is the picture with all lights on.

A picture's paths need not be followed to the end: where a radiance cache knows what is sent on, they take that and end
(`Gathering`), and the first vertex looks along several directions instead of one.

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

from sim.render.transport.lighting import Lighting
from sim.render.transport.radiance_cache import RadianceCache
from sim.render.transport.sampling import PathSampler

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


@dataclass
class Gathering:
    """End paths early: `cache` tells what arrives, `fan` is how many directions the first vertex scatters into."""

    cache: RadianceCache
    fan: Any


@dataclass
class Leaving:
    """Vertex that a ray left: place, 1 + layer of its housing, density and kind of the direction, directions in all."""

    p: Any
    housing: Any
    pdf: Any
    delta: Any
    tries: Any


@dr.syntax
def radiance_layers(
    scene: Any,
    lighting: Lighting,
    ray: Any,
    sampler: PathSampler,
    depth: int,
    active: Any,
    sees_luminaires: Any,
    sees_surround: Any,
    gathering: Gathering | None = None,
) -> tuple[list[Any], FirstHit]:
    """Radiance that arrives along `ray`, one colour per light.

    Arguments: `ray` world-space rays, one per lane; `depth` bounces (1 = direct light only);
    `sees_luminaires` Bool whether a light met by the ray itself counts (a camera: yes; the indirect part of a meter:
    no), `sees_surround` whether an even surround's glow there does; `gathering` None follows every path to its end,
    without bias.
    Returns the list of layers and what the ray itself met.
    """
    layers = [dr.zeros(mi.Color3f, dr.width(ray)) for _ in range(lighting.layer_count)]
    first = FirstHit(mi.Color3f(0), mi.Normal3f(0), mi.Float(0), mi.UInt32(0))
    # Keep to what changes from bounce to bounce: the loop is recorded once more if anything in it does not.
    origin, direction = mi.Point3f(ray.o), mi.Vector3f(ray.d)
    β = mi.Color3f(1)
    bounce = mi.UInt32(0)
    previous_p = mi.Point3f(origin)
    previous_housing = mi.UInt32(0)
    previous_pdf = mi.Float(0)
    previous_delta = mi.Bool(True)
    active = mi.Bool(active)
    context = mi.BSDFContext()
    bounces = mi.UInt32(depth)
    dr.make_opaque(bounces)

    while dr.hint(
        active,
        exclude=[scene, lighting, context, bounces, gathering, sees_luminaires, sees_surround],
        label="bounces",
    ):
        # Find the next vertex of the path.
        onward = mi.Ray3f(origin, direction)
        si = scene.ray_intersect(onward, mi.RayFlags.All, bounce == 0, active)
        on_surface = active & si.is_valid()
        shape = dr.reinterpret_array(mi.UInt32, si.shape)
        bsdf = si.bsdf(onward)

        # Note what the camera ray meets, for the denoiser and the metering regions.
        at_first = (bounce == 0) & on_surface
        albedo = bsdf.eval_diffuse_reflectance(si, at_first)
        first.albedo = dr.select(at_first, albedo, first.albedo)
        first.normal = dr.select(at_first, si.sh_frame.n, first.normal)
        first.distance_m = dr.select(at_first, si.t, first.distance_m)
        region = dr.gather(mi.UInt32, lighting.region_from_shape, shape, at_first)
        first.region = dr.select(at_first, region, first.region)

        # Scatter into several directions from the first vertex if each of them is cheap.
        tries, fan = mi.Float(1), mi.Float(1)
        if dr.hint(gathering is not None, mode="scalar"):
            tries, fan = dr.select(bounce == 1, gathering.fan, 1), dr.select(bounce == 0, gathering.fan, 1)

        # Add the light that the ray ran into, weighed against sampling it from the vertex before.
        leaving = Leaving(previous_p, previous_housing, previous_pdf, previous_delta, tries)
        shines = on_surface & ((bounce > 0) | sees_luminaires)
        glows = on_surface & ((bounce > 0) | sees_surround)
        layers = _met(lighting, layers, si, direction, shape, leaving, β / tries, shines, glows)

        active &= si.is_valid() & (bounce < bounces)

        # End the path where what is sent on from there is known well enough.
        if dr.hint(gathering is not None, mode="scalar"):
            row = gathering.cache.row(si, direction, previous_pdf, active & (bounce > 0) & ~previous_delta)
            for layer in range(lighting.layer_count):
                layers[layer] += β / tries * gathering.cache.radiance(row, layer)
            active &= row == 0

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
            weight = _balance(sample.pdf, fan * scatter_pdf) / sample.pdf
            layers[luminaire.layer] += dr.select(reach, β * f * emitted * weight, 0)

        # Gather along all scattering directions but one.
        if dr.hint(gathering is not None, mode="scalar"):
            layers = _gathered(
                scene, lighting, gathering, layers, si, bsdf, sampler, bounce, housing, fan, β / fan, active
            )

        # Sample the last scattering direction and step along it.
        twin = sampler if gathering is None else sampler.branch(mi.UInt32(fan), mi.UInt32(0))
        lobe, place = twin.one(bounce, LOBE_SLOT), twin.pair(bounce, DIRECTION_SLOT)
        scatter, f = bsdf.sample(context, si, lobe, place, active)
        β *= f
        previous_p = mi.Point3f(si.p)
        previous_housing = mi.UInt32(housing)
        previous_pdf = mi.Float(scatter.pdf)
        previous_delta = mi.has_flag(scatter.sampled_type, mi.BSDFFlags.Delta)
        onward = si.spawn_ray(si.to_world(scatter.wo))
        origin, direction = mi.Point3f(onward.o), mi.Vector3f(onward.d)

        # End dim paths at random, without bias.
        survival = dr.clip(dr.sqrt(dr.max(β)), 0.05, 1)
        roulette = bounce >= ROULETTE_FROM_BOUNCE
        survives = sampler.one(bounce, ROULETTE_SLOT) < survival
        β[roulette] *= dr.rcp(survival)
        active &= (dr.max(β) > 0) & (~roulette | survives)
        bounce += 1

    return layers, first


def followed(
    scene: Any, lighting: Lighting, ray: Any, sampler: PathSampler, depth: int, active: Any, sees_luminaires: Any,
    sees_surround: Any,
) -> tuple[list[Any], FirstHit]:  # fmt: skip
    """`radiance_layers` without gathering, run at once on evaluated rays, so that all who ask share one kernel."""
    ray = mi.Ray3f(mi.Point3f(ray.o), mi.Vector3f(ray.d))
    dr.make_opaque(ray.o, ray.d, sampler.stream, sampler.index, active, sees_luminaires, sees_surround)
    found = radiance_layers(scene, lighting, ray, sampler, depth, active, sees_luminaires, sees_surround)
    dr.eval(found)
    return found


@dr.syntax
def _gathered(
    scene: Any, lighting: Lighting, gathering: Gathering, layers: list[Any], si: Any, bsdf: Any,
    sampler: PathSampler, bounce: Any, housing: Any, fan: Any, β: Any, active: Any,
) -> list[Any]:  # fmt: skip
    """The layers with what all scattering directions from a vertex but the first bring, each ended where it arrives.

    A direction that would have to be followed on brings nothing: the first one stands for all of these.
    """
    layers = [mi.Color3f(layer) for layer in layers]
    count = mi.UInt32(fan)
    branch = mi.UInt32(1)
    while dr.hint(
        active & (branch < count),
        exclude=[scene, lighting, gathering, si, bsdf, sampler, bounce, housing, fan, β, active, count],
        label="gathering",
    ):
        twin = sampler.branch(count, branch)
        lobe, direction = twin.one(bounce, LOBE_SLOT), twin.pair(bounce, DIRECTION_SLOT)
        scatter, f = bsdf.sample(mi.BSDFContext(), si, lobe, direction, active)
        out = si.spawn_ray(si.to_world(scatter.wo))
        met = scene.ray_intersect(out, mi.RayFlags.Minimal, False, active & dr.any(f > 0))
        counts = active & dr.any(f > 0) & met.is_valid()
        is_delta = mi.has_flag(scatter.sampled_type, mi.BSDFFlags.Delta)
        leaving = Leaving(si.p, housing, scatter.pdf, is_delta, fan)
        shape = dr.reinterpret_array(mi.UInt32, met.shape)
        layers = _met(lighting, layers, met, out.d, shape, leaving, β * f, counts, counts)
        row = gathering.cache.row(met, out.d, scatter.pdf, counts & ~is_delta)
        for layer in range(lighting.layer_count):
            layers[layer] += β * f * gathering.cache.radiance(row, layer)
        branch += 1
    return layers


@dr.syntax
def _met(
    lighting: Lighting, layers: list[Any], si: Any, direction: Any, shape: Any, leaving: Leaving, β: Any,
    shines: Any, glows: Any,
) -> list[Any]:  # fmt: skip
    """The layers with the light that a ray ran into, weighed against sampling it from the vertex it left."""
    layers = [mi.Color3f(layer) for layer in layers]
    number = dr.gather(mi.UInt32, lighting.luminaire_from_shape, shape, shines)
    p, n = mi.Point3f(si.p), mi.Normal3f(si.n)
    if dr.hint(number > 0, exclude=[lighting, leaving, p, n, direction, β, number], label="met"):
        for luminaire in lighting.luminaires:
            hit = (number == luminaire.number + 1) & (leaving.housing != luminaire.layer + 1)
            emitted = luminaire.emitted(p, n, -direction)
            pdf = luminaire.pdf(leaving.p, p, n)
            weight = dr.select(leaving.delta, 1, _balance(leaving.tries * leaving.pdf, pdf))
            layers[luminaire.layer] += dr.select(hit, β * emitted * weight, 0)
    for even in lighting.ambients:
        glow = even.luminance_cd_m2 * dr.gather(mi.Float, even.absorbs_from_shape, shape, glows)
        layers[even.layer] += dr.select(glows, β * glow, 0)
    return layers


def _balance(pdf: Any, other_pdf: Any) -> Any:
    return dr.select(pdf > 0, pdf / (pdf + other_pdf), 0)
