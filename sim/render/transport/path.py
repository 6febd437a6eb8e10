"""Light-group path tracing: the radiance along a ray, kept apart for every light. Read `path_basic` first.

At each vertex of the path every luminaire is sampled once (next-event estimation) and the sampled
scattering direction may run into one; the two are combined by multiple importance sampling with
the balance heuristic (Veach and Guibas 1995). Contributions go to the layer of the luminaire's own light,
so one path serves all lights and their sum is the picture with all lights on.

A picture's paths need not be followed to the end: where a radiance cache knows what is sent on, they take that and end,
and the first vertex looks along several directions instead of one (`path_ends.FinalGathering`).

Luminaires emit white light of unit colour: in linear RGB transport a light's colour and dial are
plain factors on its layer, applied later.

Paths have no last bounce: they end at random, the sooner the less they still carry, and those that go on carry the
more, so that nothing is cut off in the mean however pale the room (Russian roulette: [ArvoKirk:1990]). A `depth`
is a deliberate limit; what it cuts off is read by following the same paths without it.

Does not: model participating media, subsurface transport, refraction through solids, polarisation, wavelength.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.transport.arrival import Arrival, Leaving, balance, with_light_met
from sim.render.transport.lighting import Lighting, shapes_met
from sim.render.transport.path_ends import (
    DIRECTION_SLOT,
    LIGHT_SLOT,
    LOBE_SLOT,
    ROULETTE_SLOT,
    FollowToEnd,
    PathEnds,
    Vertex,
)
from sim.render.transport.sampling import PathSampler

# From this bounce on, paths end at random, the sooner the less they still carry.
ROULETTE_FROM_BOUNCE = 1
# Chance to go on, least and most: the latter ends paths between mirrors, which lose nothing.
LEAST_SURVIVAL, MOST_SURVIVAL = 0.05, 0.98
# Number of bounces that stands for no limit.
ENDLESS = 0xFFFFFFFF


@dataclass
class FirstHit:
    """What a ray meets first: `albedo`, shading `normal`, `distance_m`, `part` index (0: nothing)."""

    albedo: Any
    normal: Any
    distance_m: Any
    part: Any


@dataclass
class PathState:
    """What changes from bounce to bounce, and nothing else: the loop is recorded once more if anything in it does not.

    `layers` radiance so far, one colour per light; `first` what the ray itself met; `origin`, `direction` of the ray
    onward, which `left` a vertex and carries `β`; `bounce` so many behind it; `active` whether it goes on.
    """

    layers: list[Any]
    first: FirstHit
    origin: Any
    direction: Any
    left: Leaving
    β: Any
    bounce: Any
    active: Any


@dr.syntax
def radiance_layers(
    scene: Any,
    lighting: Lighting,
    ray: Any,
    sampler: PathSampler,
    depth: int | None,
    active: Any,
    sees_luminaires: Any,
    sees_surround: Any,
    ends: PathEnds | None = None,
) -> tuple[list[Any], FirstHit]:
    """Radiance that arrives along `ray`, one colour per light.

    Arguments: `ray` world-space rays, one per lane; `depth` bounces (1 = direct light only; None: no limit);
    `sees_luminaires` Bool whether a light met by the ray itself counts (a camera: yes; the indirect part of a meter:
    no), `sees_surround` whether an even surround's glow there does; `ends` where paths end, None for nowhere but at
    random, without bias.
    Returns the list of layers and what the ray itself met.
    """
    ends = ends or FollowToEnd()
    path = PathState(
        layers=[dr.zeros(mi.Color3f, dr.width(ray)) for _ in range(lighting.layer_count)],
        first=FirstHit(mi.Color3f(0), mi.Normal3f(0), mi.Float(0), mi.UInt32(0)),
        origin=mi.Point3f(ray.o),
        direction=mi.Vector3f(ray.d),
        left=Leaving(mi.Point3f(ray.o), mi.UInt32(0), mi.Float(0), mi.Bool(True)),
        β=mi.Color3f(1),
        bounce=mi.UInt32(0),
        active=mi.Bool(active),
    )
    context = mi.BSDFContext()
    bounces = mi.UInt32(ENDLESS if depth is None else depth)
    dr.make_opaque(bounces)

    while dr.hint(
        path.active,
        exclude=[scene, lighting, sampler, ends, context, bounces, sees_luminaires, sees_surround],
        label="bounces",
    ):
        # Find the next vertex of the path.
        bounce = path.bounce
        onward = mi.Ray3f(path.origin, path.direction)
        si = scene.ray_intersect(onward, mi.RayFlags.All, bounce == 0, path.active)
        on_surface = path.active & si.is_valid()
        shape = shapes_met(si)
        bsdf = si.bsdf(onward)

        # Note what the camera ray meets, for the denoiser and the readings of parts.
        at_first = (bounce == 0) & on_surface
        albedo = bsdf.eval_diffuse_reflectance(si, at_first)
        path.first.albedo = dr.select(at_first, albedo, path.first.albedo)
        path.first.normal = dr.select(at_first, si.sh_frame.n, path.first.normal)
        path.first.distance_m = dr.select(at_first, si.t, path.first.distance_m)
        part = dr.gather(mi.UInt32, lighting.part_from_shape, shape, at_first)
        path.first.part = dr.select(at_first, part, path.first.part)

        # Add the light that the ray ran into, weighed against sampling it from the vertex before.
        tries, fan = ends.directions(bounce - 1), ends.directions(bounce)
        shines = on_surface & ((bounce > 0) | sees_luminaires)
        glows = on_surface & ((bounce > 0) | sees_surround)
        met = Arrival(si, shape, path.direction, tries, path.β / tries, shines, glows)
        path.layers = with_light_met(lighting, path.layers, path.left, met)

        # End the path after its last bounce, if it has one, or where what is sent on from there is known well enough.
        path.active &= si.is_valid() & (bounce < bounces)
        path.layers, is_known = ends.with_rest_known(path.layers, path.left, met, path.active & (bounce > 0))
        path.active &= ~is_known

        # Sample every light from this vertex, but none from its own housing: a modifier's efficiency
        # already counts what its housing takes and returns.
        housing = dr.gather(mi.UInt32, lighting.housing_from_shape, shape, path.active)
        place_on = sampler.pairs(bounce, LIGHT_SLOT)
        for luminaire in lighting.luminaires:
            sample = luminaire.sample(si.p, place_on(luminaire.number))
            emitted = luminaire.emitted(sample.p, sample.n, -sample.d)
            reach = path.active & (sample.pdf > 0) & (emitted > 0) & (housing != luminaire.layer + 1)
            wo = si.to_local(sample.d)
            f, scatter_pdf = bsdf.eval_pdf(context, si, wo, reach)
            reach &= dr.any(f != 0)
            reach &= ~scene.ray_test(si.spawn_ray_to(sample.p), reach)
            weight = balance(sample.pdf, fan * scatter_pdf) / sample.pdf
            path.layers[luminaire.layer] += dr.select(reach, path.β * f * emitted * weight, 0)

        # Gather along all scattering directions but one.
        vertex = Vertex(si, bsdf, housing, bounce)
        path.layers = ends.with_side_directions(
            scene, lighting, path.layers, vertex, sampler, path.β / fan, path.active
        )

        # Sample the last scattering direction and step along it.
        twin = sampler.branch(mi.UInt32(fan), mi.UInt32(0))
        lobe, place = twin.one(bounce, LOBE_SLOT), twin.pair(bounce, DIRECTION_SLOT)
        scatter, f = bsdf.sample(context, si, lobe, place, path.active)
        path.β *= f
        is_delta = mi.has_flag(scatter.sampled_type, mi.BSDFFlags.Delta)
        path.left = Leaving(mi.Point3f(si.p), mi.UInt32(housing), mi.Float(scatter.pdf), is_delta)
        onward = si.spawn_ray(si.to_world(scatter.wo))
        path.origin, path.direction = mi.Point3f(onward.o), mi.Vector3f(onward.d)

        # End dim paths at random, without bias.
        survival = dr.clip(dr.sqrt(dr.max(path.β)), LEAST_SURVIVAL, MOST_SURVIVAL)
        roulette = bounce >= ROULETTE_FROM_BOUNCE
        survives = sampler.one(bounce, ROULETTE_SLOT) < survival
        path.β[roulette] *= dr.rcp(survival)
        path.active &= (dr.max(path.β) > 0) & (~roulette | survives)
        path.bounce = bounce + 1

    return path.layers, path.first


def followed(
    scene: Any, lighting: Lighting, ray: Any, sampler: PathSampler, depth: int | None, active: Any,
    sees_luminaires: Any, sees_surround: Any,
) -> tuple[list[Any], FirstHit]:  # fmt: skip
    """`radiance_layers` of full paths, run at once on evaluated rays, so that all who ask share one kernel."""
    ray = mi.Ray3f(mi.Point3f(ray.o), mi.Vector3f(ray.d))
    dr.make_opaque(ray.o, ray.d, sampler.stream, sampler.index, active, sees_luminaires, sees_surround)
    outcome = radiance_layers(scene, lighting, ray, sampler, depth, active, sees_luminaires, sees_surround)
    dr.eval(outcome)
    return outcome
