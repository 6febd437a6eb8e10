"""Gear: every modifier keeps its light, its surfaces light points as the closed forms say, and readings come back."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import qmc

from sim.scene.model import Light, WindowPanel
from sim.studio.gear import modifiers
from sim.studio.gear.body import Body
from sim.studio.gear.direct import blocked, illuminance_from_emitter, shaded_share
from sim.studio.gear.emitter import (
    Emitter,
    Profile,
    cap_hit,
    face_integral,
    flux_from_profile,
    half_width_at,
    relative_radiance,
    table_value,
)
from sim.studio.gear.profiles import honeycomb_transmission
from sim.studio.gear.rig import axial_illuminance_lx, axial_intensity_cd, rig_from_light, rig_from_window
from tests.physics import closed_forms as cf

MODIFIERS = {
    "bare": {"kind": "bare"},
    "reflector": {"kind": "reflector"},
    "narrow reflector": {"kind": "reflector", "beam": "30°"},
    "wide reflector": {"kind": "reflector", "beam": "150°"},
    "reflector with 10° grid": {"kind": "reflector", "grid": "10°"},
    "reflector with 40° grid": {"kind": "reflector", "grid": "40°"},
    "snoot": {"kind": "snoot"},
    "snoot with 20° grid": {"kind": "snoot", "grid": "20°"},
    "beauty dish": {"kind": "beauty dish"},
    "beauty dish with sock": {"kind": "beauty dish", "sock": True},
    "beauty dish with grid": {"kind": "beauty dish", "grid": "25°"},
    "softbox": {"kind": "softbox", "width": "60 cm", "height": "90 cm"},
    "recessed softbox": {"kind": "softbox", "width": "60 cm", "height": "90 cm", "recess": "8 cm"},
    "gridded softbox": {
        "kind": "softbox",
        "width": "90 cm",
        "height": "120 cm",
        "recess": "5 cm",
        "grid": "40°",
    },
    "strip": {"kind": "strip", "width": "30 cm", "height": "120 cm", "hot_spot": "1 stop"},
    "octabox": {"kind": "octabox", "diameter": "120 cm"},
    "gridded octabox": {"kind": "octabox", "diameter": "120 cm", "recess": "5 cm", "grid": "50°"},
    "white umbrella": {"kind": "umbrella", "diameter": "105 cm"},
    "silver umbrella": {"kind": "umbrella", "diameter": "105 cm", "surface": "silver"},
    "shoot-through": {"kind": "shoot-through", "diameter": "105 cm"},
    "covered umbrella": {"kind": "covered umbrella", "diameter": "150 cm"},
    "spot": {"kind": "spot"},
}
FLASH = {"kind": "flash", "energy": "400 W·s"}
AHEAD = [[0.0, 0.0, -1.0]]


def light(modifier: dict, source: dict = FLASH, **more) -> Light:
    place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
    return Light.model_validate({"source": source, "modifier": modifier, "place": place, **more})


# -- flux budget ------------------------------------------------------------------------------


def sampled_flux_lm(emitter: Emitter, body: tuple[Body, ...] = ()) -> float:
    """Sum up light by quasi-random rays from the surface itself: shares nothing with `flux_from_profile`.

    Rays that meet the housing do not count; a lip and a tube are in the profile already.
    """
    solids = [solid for solid in body if solid.shape == "cylinder"]
    flip = np.array([-1.0, 1.0, -1.0]) if emitter.axis_flip else np.ones(3)

    def open_(start, w):
        start = start * flip + emitter.offset_m
        return ~blocked(solids, start, start + 1000 * w * flip)

    u = qmc.Sobol(4, seed=7).random_base2(17)
    end = min(emitter.profile.theta_max_rad, math.pi / 2)
    radius = emitter.width_m / 2
    # Choose directions by the cosine, within the cone that carries light.
    sin_t = np.sqrt(u[:, 0]) * math.sin(end if emitter.surface not in ("sphere", "cap") else math.pi / 2)
    phi = 2 * math.pi * u[:, 1]
    w = np.stack([sin_t * np.cos(phi), sin_t * np.sin(phi), np.sqrt(1 - sin_t**2)], -1)
    projected_sr = math.pi * math.sin(end) ** 2
    if emitter.surface in ("sphere", "cap"):
        # Turn the directions to the normals of points spread evenly over sphere or bowl (Archimedes).
        projected_sr = math.pi
        if emitter.surface == "sphere":
            mu, outward, area = 2 * u[:, 2] - 1, 1.0, 4 * math.pi * radius**2
            big, shift = radius, 0.0
        else:
            depth = emitter.height_m
            big = (radius**2 + depth**2) / (2 * depth)
            mu, outward, area = -1 + u[:, 2] * depth / big, -1.0, 2 * math.pi * big * depth
            shift = big - depth
        s, alpha = np.sqrt(1 - mu**2), 2 * math.pi * u[:, 3]
        spot = np.stack([s * np.cos(alpha), s * np.sin(alpha), mu], -1)
        normal = outward * spot
        side = np.cross(normal, [0.6, 0.0, 0.8])
        side /= np.linalg.norm(side, axis=1)[:, None]
        w = w[:, :1] * side + w[:, 1:2] * np.cross(normal, side) + w[:, 2:] * normal
        point = big * spot + [0, 0, shift]
        value = relative_radiance(emitter.profile, point[:, 0], point[:, 1], w)
        if emitter.surface == "cap":
            rising = w[:, 2] > 1e-9
            t = np.where(rising, -point[:, 2] / np.where(rising, w[:, 2], 1.0), 0.0)
            out = point + t[:, None] * w
            value = np.where(rising & (np.hypot(out[:, 0], out[:, 1]) < radius), value, 0.0)
        value = np.where(open_(point, w), value, 0.0)
        return float(value.mean() * area * projected_sr * emitter.radiance())
    if emitter.surface == "rectangle":
        x, y = (u[:, 2] - 0.5) * emitter.width_m, (u[:, 3] - 0.5) * emitter.height_m
        inside, box = np.ones(len(u), bool), emitter.width_m * emitter.height_m
    else:
        x, y, box = (2 * u[:, 2] - 1) * radius, (2 * u[:, 3] - 1) * radius, 4 * radius**2
        inside = np.hypot(x, y) <= radius
        if emitter.surface == "polygon":
            alpha = np.arctan2(y, x)
            step = 2 * math.pi / emitter.sides
            off = np.mod(alpha + step / 2, step) - step / 2
            inside = np.hypot(x, y) * np.cos(off) <= radius * math.cos(step / 2)
    inside &= open_(np.stack([x, y, 0 * x], -1), w)
    value = np.where(inside, relative_radiance(emitter.profile, x, y, w), 0.0)
    return float(value.mean() * box * projected_sr * emitter.radiance())


@pytest.mark.parametrize("name", MODIFIERS)
def test_light_out_is_light_in_times_efficiency_by_rays(name):
    # Conservation of energy past a head that stands in the light; quasi-Monte Carlo over face and hemisphere, 1 %.
    rig = rig_from_light(light(MODIFIERS[name]))
    got = sum(sampled_flux_lm(e, rig.body) for e in rig.emitters)
    assert got == pytest.approx(400 * 40 * rig.efficiency, rel=0.01)
    assert rig.output.amount == pytest.approx(400 * 40 * rig.efficiency, rel=1e-9)


@pytest.mark.parametrize(("name", "share"), [("bare", 1.0), ("white umbrella", 0.35), ("shoot-through", 0.55)])
def test_efficiency_is_what_leaves_modifier_and_head(name, share):
    # Common practice, no source: the default shares; the head's shade is in them, not taken off once more.
    assert rig_from_light(light(MODIFIERS[name])).efficiency == pytest.approx(share, rel=1e-9)


def test_bare_bulb_by_hand():
    # Inverse square from the bulb's centre, [CIE18:2019]: 16000 lm·s all round are 16000 / (4 pi 2^2) = 318 lx·s at
    # 2 m, on the axis, to the side and from behind; the rod that holds the bulb stops half a hundredth of it.
    rig = rig_from_light(light(MODIFIERS["bare"]))
    assert rig.emitters[0].amount == pytest.approx(16000, rel=0.005)
    for out in ([0, 0, 1.0], [1.0, 0, 0], [0, -0.6, 0.8], [0.8, 0, -0.6]):
        got = illuminance_from_emitter(rig.emitters[0], [2 * np.array(out)], [-np.array(out)], body=rig.body)[0]
        assert got == pytest.approx(16000 / (4 * math.pi * 4), rel=0.02), out


@pytest.mark.parametrize("head_m", [0.08, 0.13, 0.25])
def test_head_behind_a_bulb_takes_what_the_catalogue_says(head_m):
    # [Howell:2010] C-121: a sphere's light on a coaxial disc, the head's front 5 mm behind the bulb.
    shaped = modifiers.bare(0.06, head_m)
    share = cf.sphere_to_coaxial_disc(head_m / 2, 0.03 + modifiers.BULB_GAP_M)
    assert shaped.shade[0] == pytest.approx(share, abs=1e-3)
    # All of the stated light leaves to the other sides.
    assert shaped.emitters[0].amount * (1 - share) == pytest.approx(1.0, rel=2e-3)


@pytest.mark.parametrize("name", MODIFIERS)
def test_light_out_over_a_surrounding_sphere(name):
    # Conservation of energy: illuminance summed over a sphere of 4 m around the light, 1 %.
    rig = rig_from_light(light(MODIFIERS[name]))
    edges = np.concatenate([np.linspace(0, 0.3, 13), np.linspace(0.3, math.pi / 2, 9)[1:], [2.0, 2.6, math.pi]])
    g, gw = np.polynomial.legendre.leggauss(3)
    half = np.diff(edges)[:, None] / 2
    theta = ((edges[:-1] + edges[1:])[:, None] / 2 + half * g).ravel()
    weight = (half * gw).ravel() * np.sin(theta)
    n_phi = 16
    phi = (np.arange(n_phi) + 0.5) / n_phi * 2 * math.pi
    radius = 4.0
    t, p = np.meshgrid(theta, phi, indexing="ij")
    out = np.stack([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)], -1).reshape(-1, 3)
    lux = sum(illuminance_from_emitter(e, radius * out, -out, n=24) for e in rig.emitters)
    total = (lux.reshape(t.shape) * weight[:, None]).sum() * radius**2 * 2 * math.pi / n_phi
    # Here nothing of the housing stands in the way.
    assert total == pytest.approx(sum(e.amount for e in rig.emitters), rel=0.01)


def test_stated_efficiency_is_kept():
    # Light out = light in x efficiency, the scene's own number.
    rig = rig_from_light(light({"kind": "octabox", "diameter": "1 m", "efficiency": 0.42}))
    assert rig.output.amount == pytest.approx(400 * 40 * 0.42, rel=1e-9)


def test_grid_costs_light_but_hardly_any_on_the_axis():
    # Common practice, no source: a grid narrows the beam; straight ahead it takes its walls' share alone.
    open_, grid = (rig_from_light(light(MODIFIERS[k])) for k in ("reflector", "reflector with 40° grid"))
    assert grid.output.amount < 0.2 * open_.output.amount
    ratio = axial_intensity_cd(grid.emitters) / axial_intensity_cd(open_.emitters)
    assert ratio == pytest.approx(modifiers.HONEYCOMB_OPEN, rel=2e-3)


def test_shoot_through_spills_backward():
    # Common practice, no source: the rear spill is its documented share of the light.
    rig = rig_from_light(light(MODIFIERS["shoot-through"]))
    front, rear = rig.emitters
    leaves = sampled_flux_lm(rear, rig.body)
    assert leaves / rig.output.amount == pytest.approx(modifiers.SHOOT_THROUGH_REAR, rel=0.003)
    behind = illuminance_from_emitter(rear, [[0, 0, -2.0]], [[0, 0, 1.0]])
    ahead = illuminance_from_emitter(front, [[0, 0, 2.0]], AHEAD)
    share = modifiers.SHOOT_THROUGH_REAR
    # The head takes some of the rear light, which is counted.
    past_head = 1 - shaded_share(rear, rig.body)
    assert behind[0] / ahead[0] * past_head == pytest.approx(share / (1 - share), rel=0.01)
    assert illuminance_from_emitter(rear, [[0, 0, 2.0]], AHEAD)[0] == 0


# -- illuminance against closed forms ---------------------------------------------------------


def lambertian(surface: str, width_m: float, luminance: float = 1000.0, **sizes) -> Emitter:
    end = math.pi if surface == "sphere" else math.pi / 2
    face = Emitter(surface, width_m, 1.0, Profile(theta_max_rad=end), **sizes)
    return replace(face, amount=luminance * math.pi * face.area_m2())


@pytest.mark.parametrize(("offset", "height"), [(0.0, 1.0), (0.3, 1.0), (1.2, 0.7)])
def test_disc_lights_a_parallel_element(offset, height):
    # [Howell:2010] B-12 and B-13.
    got = illuminance_from_emitter(lambertian("disc", 1.0), [[offset, 0, height]], AHEAD)[0]
    assert got == pytest.approx(1000 * math.pi * cf.disc_to_parallel_element(0.5, height, offset), rel=0.002)


def test_disc_lights_an_upright_element():
    # [Howell:2010] B-16.
    got = illuminance_from_emitter(lambertian("disc", 1.0), [[1.1, 0, 0.8]], [[-1.0, 0, 0]])[0]
    assert got == pytest.approx(1000 * math.pi * cf.disc_to_perpendicular_element(0.5, 0.8, 1.1), rel=0.002)


def test_rectangle_lights_the_element_under_its_corner():
    # [Howell:2010] B-3.
    face = lambertian("rectangle", 0.6, height_m=0.9)
    got = illuminance_from_emitter(face, [[0.3, 0.45, 1.3]], AHEAD)[0]
    assert got == pytest.approx(1000 * math.pi * cf.rectangle_to_parallel_element(0.6, 0.9, 1.3), rel=0.002)


def test_rectangle_lights_an_upright_element():
    # [Howell:2010] B-4: element level with the lower edge, looking up along it.
    face = lambertian("rectangle", 0.6, height_m=0.9)
    got = illuminance_from_emitter(face, [[0.3, -0.45, 0.7]], [[0, 1.0, 0]])[0]
    assert got == pytest.approx(1000 * math.pi * cf.rectangle_to_perpendicular_element(0.6, 0.9, 0.7), rel=0.002)


@pytest.mark.parametrize("surface", ["rectangle", "polygon"])
@pytest.mark.parametrize(
    ("point", "normal"),
    [([0.4, -0.3, 1.5], [0, 0, -1]), ([1.1, 0.6, 0.8], [-0.6, 0, -0.8]), ([-0.2, 0.9, 0.6], [0, -1, 0])],
)
def test_polygon_by_lamberts_formula_off_axis_and_tilted(surface, point, normal):
    # [Lambert:1760]: contour formula, cut at the receiver's horizon.
    if surface == "rectangle":
        face = lambertian("rectangle", 0.6, height_m=0.9)
        corners = np.array([[-0.3, -0.45, 0], [0.3, -0.45, 0], [0.3, 0.45, 0], [-0.3, 0.45, 0]])
    else:
        face = lambertian("polygon", 1.0, sides=8)
        angle = (2 * np.arange(8) + 1) * math.pi / 8
        corners = np.stack([0.5 * np.cos(angle), 0.5 * np.sin(angle), np.zeros(8)], -1)
    expected = cf.polygon_illuminance_lx(corners, np.array(point), np.array(normal, float), 1000.0)
    got = illuminance_from_emitter(face, [point], [normal], n=120)[0]
    assert got == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("tilt_deg", [0, 50, 80, 95])
def test_sphere_lights_an_element(tilt_deg):
    # [Howell:2010] B-43 [NaraghiChung:1982], cut by the horizon at the larger tilts.
    t = math.radians(tilt_deg)
    got = illuminance_from_emitter(lambertian("sphere", 0.8), [[0, 0, 1.0]], [[math.sin(t), 0, -math.cos(t)]], n=160)[0]
    assert got == pytest.approx(1000 * math.pi * cf.sphere_to_element(0.4, 1.0, t), rel=0.005)


@pytest.mark.parametrize(
    ("name", "f_number"),
    [("bare", 11), ("reflector", 25), ("beauty dish", 16), ("softbox", 11), ("octabox", 10), ("white umbrella", 11)],
)
def test_default_efficiencies_read_as_in_a_studio(name, f_number):
    # Common practice, no source: what 400 W·s at full power reads at 2 m and ISO 100 with each modifier, to a stop.
    rig = rig_from_light(light(MODIFIERS[name]))
    reading = math.sqrt(axial_illuminance_lx(rig.emitters, rig.body, 2.0) * 100 / 250)
    assert abs(2 * math.log2(reading / f_number)) < 1.0


def test_bare_bulb_is_isotropic():
    # I = flux / 4 pi in all directions: definition of the candela per lumen; inverse square from the centre.
    ball = replace(lambertian("sphere", 0.06), amount=4 * math.pi * 100)
    for w in ([0, 0, 1.0], [1.0, 0, 0], [0, -0.6, -0.8]):
        got = illuminance_from_emitter(ball, [np.array(w) * 3.0], [-np.array(w)])[0]
        assert got == pytest.approx(100 / 9, rel=1e-6)


def test_parallel_discs_exchange_as_catalogued():
    # [Howell:2010] C-41: mean illuminance on a second disc = F12 A1 / A2 pi L.
    face = lambertian("disc", 0.6)
    g, gw = np.polynomial.legendre.leggauss(24)
    r = (g + 1) / 2 * 0.5
    lux = illuminance_from_emitter(face, np.stack([r, 0 * r, 0 * r + 0.4], -1), np.tile(AHEAD, (24, 1)))
    flux = float((lux * gw / 2 * 0.5 * 2 * math.pi * r).sum())
    assert flux / face.amount == pytest.approx(cf.discs_coaxial_parallel(0.3, 0.5, 0.4), rel=0.002)


def test_snoot_lets_through_what_two_discs_exchange():
    # [Howell:2010] C-41: throat 12 cm to end 7 cm over 20 cm, times the light that enters.
    rig = rig_from_light(light(MODIFIERS["snoot"]))
    share = cf.discs_coaxial_parallel(modifiers.SNOOT_THROAT_M / 2, 0.035, 0.2)
    assert rig.efficiency == pytest.approx(modifiers.EFFICIENCY["snoot"] * share, rel=1e-4)


def test_recessed_softbox_lets_through_what_two_rectangles_exchange():
    # [Howell:2010] C-11: cloth to lip opening.
    flat, deep = (modifiers.softbox(0.6, 0.9, recess) for recess in (0.0, 0.08))
    assert deep.efficiency / flat.efficiency == pytest.approx(cf.rectangles_opposed(0.6, 0.9, 0.08), rel=5e-4)


def test_bulb_in_front_of_a_disc():
    # [Howell:2010] C-121: a bulb's light on a coaxial disc.
    ball = replace(lambertian("sphere", 0.04), amount=1000.0)
    g, gw = np.polynomial.legendre.leggauss(24)
    r = (g + 1) / 2 * 0.5
    lux = illuminance_from_emitter(ball, np.stack([r, 0 * r, 0 * r + 0.8], -1), np.tile(AHEAD, (24, 1)))
    flux = float((lux * gw / 2 * 0.5 * 2 * math.pi * r).sum())
    assert flux / 1000 == pytest.approx(cf.sphere_to_coaxial_disc(0.5, 0.8), rel=0.001)


def test_bowl_lights_like_its_opening():
    # A Lambertian cavity seen through its rim is a Lambertian disc: radiance is constant along rays [Lambert:1760].
    bowl = lambertian("cap", 1.0, height_m=0.25)
    for point, normal in (([0, 0, 1.0], [0, 0, -1.0]), ([0.7, 0.2, 0.5], [-1.0, 0, 0])):
        disc = illuminance_from_emitter(lambertian("disc", 1.0), [point], [normal])
        assert illuminance_from_emitter(bowl, [point], [normal])[0] == pytest.approx(disc[0], rel=1e-6)


def test_half_blocked_rectangle():
    # Penumbra in closed form: the visible part as corner rectangles ([Howell:2010] B-3).
    face = lambertian("rectangle", 0.4, height_m=0.6)
    edge = Body("quad", corners_m=((0.0, -9, 1.0), (0.0, 9, 1.0), (-9, 9, 1.0), (-9, -9, 1.0)))
    for x in (-0.15, -0.05, 0.0, 0.08, 0.15, 0.25):
        got = illuminance_from_emitter(face, [[x, 0, 2.0]], AHEAD, n=300, body=(edge,))[0]
        expected = cf.half_blocked_rectangle_lx(0.4, 0.6, 2.0, 1.0, x, 1000.0)
        assert got == pytest.approx(expected, rel=0.01, abs=0.5)


@pytest.mark.parametrize("size", [0.2, 0.4])
def test_larger_source_wider_penumbra_in_proportion(size):
    # Similar triangles; common practice, no source. The half-shadow runs from dark to fully lit.
    face = lambertian("rectangle", size, height_m=0.1)
    edge = Body("quad", corners_m=((0.0, -9, 1.5), (0.0, 9, 1.5), (-9, 9, 1.5), (-9, -9, 1.5)))
    width = cf.penumbra_width_m(size, 1.5, 0.5)
    xs = np.array([-0.52, -0.48, 0.48, 0.52]) * width
    lit = [illuminance_from_emitter(face, [[x, 0, 2.0]], AHEAD, n=200, body=(edge,))[0] for x in xs]
    free = [illuminance_from_emitter(face, [[x, 0, 2.0]], AHEAD, n=200)[0] for x in xs]
    assert lit[0] == 0 and lit[3] == pytest.approx(free[3], rel=1e-12)
    assert 0 < lit[1] < free[1] and lit[2] < free[2]


# -- what photographers expect ----------------------------------------------------------------


@pytest.mark.parametrize("kind", ["bare", "reflector", "snoot", "spot"])
def test_doubling_the_distance_of_a_small_source_costs_two_stops(kind):
    # Common practice, no source; inverse square.
    rig = rig_from_light(light(MODIFIERS[kind]))
    near, far = (axial_illuminance_lx(rig.emitters, rig.body, d) for d in (4.0, 8.0))
    assert math.log2(near / far) == pytest.approx(2.0, abs=0.03)


def test_close_softbox_falls_off_slower_than_inverse_square():
    # Common practice, no source; the number is [Howell:2010] B-3 (four quarters under their corners).
    face = lambertian("rectangle", 0.9, height_m=1.2)
    got = [illuminance_from_emitter(face, [[0, 0, d]], AHEAD)[0] for d in (0.5, 1.0)]
    exact = [cf.rectangle_to_parallel_element(0.45, 0.6, d) for d in (0.5, 1.0)]
    assert got[0] / got[1] == pytest.approx(exact[0] / exact[1], rel=0.002)
    assert math.log2(got[0] / got[1]) < 1.2


def test_five_times_rule():
    # Photometric distance: at five times its diameter a disc is within 1 % of a point (on its axis by
    # 1 / (1 + (r / d)^2), so 1 / 1.01).
    face = lambertian("disc", 0.5)
    got = illuminance_from_emitter(face, [[0, 0, 2.5]], AHEAD)[0]
    point = face.radiance() * face.area_m2() / 2.5**2
    assert 0.985 < got / point < 1.0


def test_ten_degree_grid_throws_its_pool():
    # Common practice, no source: at 2 m the pool is 2 x 2 x tan(half cut-off) across, plus the source's own size.
    rig = rig_from_light(light({"kind": "reflector", "diameter": "1 cm", "grid": "10°"}))
    pool = 2 * 2 * math.tan(math.radians(5.0))
    xs = np.array([0.0, pool / 2 - 0.008, pool / 2 + 0.0055])
    lux = illuminance_from_emitter(rig.emitters[0], np.stack([xs, 0 * xs, 0 * xs + 2.0], -1), np.tile(AHEAD, (3, 1)))
    assert lux[0] > 0 and lux[1] > 0 and lux[2] == 0


def test_snoot_umbra_and_penumbra():
    # Similar triangles through the tube: full throat inside the core, dark beyond the opposite rims.
    shaped = modifiers.snoot(0.2, 0.15)
    face = shaped.emitters[0]
    radius = cf.snoot_pool_radius_m(0.075, 0.075, 0.2, 1.0)
    xs = np.array([0.0, radius - 0.01, radius + 0.002])
    lux = illuminance_from_emitter(face, np.stack([xs, 0 * xs, 0 * xs + 1.0], -1), np.tile(AHEAD, (3, 1)), n=200)
    assert lux[0] > lux[1] > 0 and lux[2] == 0
    # Equal openings: the core is as wide as the tube; in it the throat alone is the source ([Howell:2010] B-13).
    for x in (0.0, 0.05):
        got = illuminance_from_emitter(face, [[x, 0, 1.0]], AHEAD, n=300)[0]
        throat = face.radiance() * math.pi * cf.disc_to_parallel_element(0.075, 1.2, x)
        assert got == pytest.approx(throat, rel=0.01)


def test_beam_angle_is_between_half_intensities():
    # Definition of the beam angle [IESLS1:2020]: full angle to half intensity.
    for modifier, half_deg in (
        ({"kind": "reflector", "beam": "65°"}, 32.5),
        ({"kind": "reflector", "beam": "140°"}, 70),
        ({"kind": "spot", "beam": "20°"}, 10),
    ):
        rig = rig_from_light(light(modifier))
        t = math.radians(half_deg)
        w = np.array([[0, 0, 1.0], [math.sin(t), 0, math.cos(t)]])
        lux = illuminance_from_emitter(rig.emitters[0], 60 * w, -w)
        assert lux[1] / lux[0] == pytest.approx(0.5, rel=0.01)


def test_hot_spot_is_the_stated_stops_over_the_edge():
    # Definition of the scene's `hot_spot` key: centre over the middle of the nearer edge.
    face = modifiers.softbox(0.6, 0.9, hot_spot_stops=0.7).emitters[0]
    value = relative_radiance(face.profile, np.array([0.0, 0.3]), np.zeros(2), np.array([[0, 0, 1.0]] * 2))
    assert math.log2(value[0] / value[1]) == pytest.approx(0.7, abs=1e-6)


def test_barn_door_cuts_its_side():
    # Similar triangles: a door straight ahead hides the lens from points beyond the line through both edges.
    closed = rig_from_light(
        light(
            {
                "kind": "reflector",
                "diameter": "18 cm",
                "beam": "120°",
                "barn_doors": {"left": "0°", "right": "90°", "top": "90°", "bottom": "90°"},
            }
        )
    )
    leaf = modifiers.BARN_DOOR_LENGTH * 0.18
    # A point at 2 m sees no opening past the tip of the leaf beyond this x; the light's left is +x.
    tip_x, tip_z = 0.09 + 0.003, leaf
    dark_x = -0.09 + (tip_x + 0.09) / tip_z * 2.0
    for side, x in ((1, dark_x + 0.02), (1, dark_x - 0.1), (-1, dark_x + 0.02)):
        lux = illuminance_from_emitter(closed.emitters[0], [[side * x, 0, 1.999]], AHEAD, n=100, body=closed.body)[0]
        free = illuminance_from_emitter(closed.emitters[0], [[side * x, 0, 1.999]], AHEAD, n=100)[0]
        hidden = side == 1 and x > dark_x
        assert (lux == 0) if hidden else lux > 0
        if side == -1:
            assert lux == pytest.approx(free, rel=1e-9)


# -- sources ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MODIFIERS)
def test_measured_source_reads_what_it_read(name):
    # [ISO2720:1974], C = 250: f/8 at ISO 100 is 160 lx*s on a flat receptor.
    source = {"kind": "measured", "reads": "f/8", "at": "2 m", "iso": 100, "receptor": "flat"}
    rig = rig_from_light(light(MODIFIERS[name], source))
    assert rig.is_flash
    assert axial_illuminance_lx(rig.emitters, rig.body, 2.0) == pytest.approx(160.0, rel=1e-9)


@pytest.mark.parametrize("off_axis_deg", [0, 20])
@pytest.mark.parametrize("camera_deg", [None, 45, 120])
def test_measured_by_a_dome_is_the_cardioid_of_a_small_source(off_axis_deg, camera_deg):
    # [ISO2720:1974], dome C = 340: f/8 at ISO 100 is 217.6 lx*s times the cardioid (1 + cos) / 2 of a source so small
    # that its light comes from one direction; inverse square and a Lambertian face's cosine, [CIE18:2019].
    source = {"kind": "measured", "reads": "f/8", "at": "2 m", "off_axis": f"{off_axis_deg}°"}
    if camera_deg is not None:
        source |= {"facing": "camera", "camera_angle": f"{camera_deg}°"}
    small = {"kind": "reflector", "diameter": "1 cm", "beam": "120°"}
    rig = rig_from_light(light(small, source))
    intensity_cd_s = rig.output.amount / math.pi * math.cos(math.radians(off_axis_deg))
    cardioid = (1 + math.cos(math.radians(camera_deg or 0))) / 2
    assert intensity_cd_s / 4 * cardioid == pytest.approx(340 * 64 / 100, rel=1e-4)


def test_measured_by_a_dome_needs_more_light_than_by_a_disc():
    # log2(340 / 250) = 0.44 stop for a source seen small, a little less for one that fills part of the view, since a
    # dome sees its rim better; [ISO2720:1974].
    said = {"kind": "measured", "reads": "f/8", "at": "4 m"}
    for name, stops in (("reflector", 0.44), ("octabox", 0.43)):
        dome, flat = (rig_from_light(light(MODIFIERS[name], {**said, **more})) for more in ({}, {"receptor": "flat"}))
        assert math.log2(dome.output.amount / flat.output.amount) == pytest.approx(stops, abs=0.01)


@pytest.mark.parametrize("grid_deg", [3, 10, 40])
def test_tight_grid_close_by(grid_deg):
    # Close to a wide gridded face only a small circle of it is seen: an endless plane's closed integral, pi L times
    # the mean of the grid's own curve, by an independent sum over directions.
    face = modifiers.with_honeycomb(lambertian("disc", 1.0), grid_deg)
    got = illuminance_from_emitter(face, [[0.02, 0.01, 0.1]], AHEAD)[0]
    half = math.radians(grid_deg / 2)
    theta = (np.arange(20000) + 0.5) / 20000 * half
    curve = honeycomb_transmission(theta, half) * np.cos(theta) * np.sin(theta)
    assert got == pytest.approx(face.radiance() * 2 * math.pi * curve.mean() * half, rel=0.005)


def test_guide_number_source():
    # Guide number = f-number x distance ([ISO1230:2007]): far away, f/5.8 at 10 m for 58 m.
    rig = rig_from_light(light(MODIFIERS["reflector"], {"kind": "guide number", "guide_number": "58 m", "iso": 100}))
    reading = math.sqrt(axial_illuminance_lx(rig.emitters, rig.body, 10.0) * 100 / 250)
    assert reading == pytest.approx(5.8, rel=0.002)


def test_continuous_by_lux_by_watts_and_by_lumens():
    # Definitions: lux at a metre; lumens = watts x lumens per watt.
    rig = rig_from_light(light(MODIFIERS["softbox"], {"kind": "continuous", "illuminance": "1200 lx", "at": "1 m"}))
    assert not rig.is_flash
    assert axial_illuminance_lx(rig.emitters, rig.body, 1.0) == pytest.approx(1200, rel=1e-9)
    watts = rig_from_light(light(MODIFIERS["bare"], {"kind": "continuous", "draw": "300 W", "efficacy": "80 lm/W"}))
    lumens = rig_from_light(light(MODIFIERS["bare"], {"kind": "continuous", "flux": "24000 lm"}))
    assert watts.output.amount == pytest.approx(24000) and lumens.output.amount == pytest.approx(24000)


def test_power_color_and_gels_stay_out_of_the_emitters():
    # The layer is rendered at full dial in white; weights come later.
    plain = rig_from_light(light(MODIFIERS["softbox"]))
    dressed = rig_from_light(light(MODIFIERS["softbox"], power="1/4", color="3200 K", gels=[{"nd": "1 stop"}]))
    assert dressed.output.amount == pytest.approx(plain.output.amount)
    assert dressed.gel_rgb == pytest.approx((0.5, 0.5, 0.5))
    assert dressed.color_rgb[0] > dressed.color_rgb[2]


def test_window_panel():
    # Lambertian pane: 2000 cd/m2 is 2000 pi lm per m2; by illuminance it is solved at its aim.
    base = {
        "kind": "window",
        "name": "window",
        "size": {"width": "2 m", "height": "1.5 m"},
        "place": {"bearing": "90°", "distance": "3 m", "height": "1.5 m"},
    }
    pane = rig_from_window(WindowPanel.model_validate({**base, "luminance": "2000 cd/m²"}), 3.0)
    assert pane.output.amount == pytest.approx(2000 * math.pi * 3.0)
    pane = rig_from_window(WindowPanel.model_validate({**base, "illuminance": "300 lx"}), 3.0)
    four = 4 * cf.rectangle_to_parallel_element(1.0, 0.75, 3.0) * math.pi * pane.emitters[0].radiance()
    assert four == pytest.approx(300, rel=1e-4)


# -- the pieces -------------------------------------------------------------------------------


def test_half_widths_make_the_polygons_area():
    # Area of a regular octagon by its corners' circle: 2 sqrt(2) R^2 (plane geometry).
    face = Emitter("polygon", 2.0, 1.0, sides=8)
    y = (np.arange(20000) + 0.5) / 20000 * 2 - 1
    assert (2 * half_width_at(face, y)).sum() * 2 / 20000 == pytest.approx(2 * math.sqrt(2), rel=1e-4)
    assert face_integral(face, np.zeros(1), np.zeros(1))[0] == pytest.approx(face.area_m2(), rel=1e-5)


def test_cap_hit_lies_on_the_bowl():
    # Sphere through rim and apex (plane geometry): the start point satisfies its equation.
    bowl = Emitter("cap", 1.0, 1.0, height_m=0.2)
    rng = np.random.default_rng(3)
    r, a = 0.5 * np.sqrt(rng.random(200)), 2 * math.pi * rng.random(200)
    w = rng.normal(size=(200, 3))
    w[:, 2] = np.abs(w[:, 2])
    w /= np.linalg.norm(w, axis=1)[:, None]
    x, y = r * np.cos(a), r * np.sin(a)
    hx, hy = cap_hit(bowl, x, y, w)
    big = (0.25 + 0.04) / 0.4
    z = big - 0.2 - np.sqrt(big**2 - hx**2 - hy**2)
    back = (hx - x) * w[:, 1] - (hy - y) * w[:, 0]
    assert np.allclose(back, 0, atol=1e-9) and (z <= 1e-9).all() and (z >= -0.2 - 1e-9).all()


def test_blocking_solids():
    # A segment through a solid is blocked, one beside it is not (plane geometry).
    box, tube = Body("box", (0.2, 0.2, 0.2), (0, 0, 1.0)), Body("cone", (0.2, 0.4, 0.4), (0, 0, 1.0))
    start = np.array([[0, 0, 0.0], [0.15, 0, 0.0], [0.5, 0, 0.0]])
    assert blocked((box,), start, [0, 0, 2.0]).tolist() == [True, True, False]
    assert blocked((tube,), start, [0, 0, 2.0]).tolist() == [True, True, False]
    assert blocked((tube,), np.array([[0.16, 0, 0.0], [0.16, 0.0, 2.0]]), [0.16, 0, 1.0]).tolist() == [
        True,
        False,
    ]


angles = st.floats(0, math.pi)
turns = st.floats(-7, 7)


@given(angles, turns)
@settings(max_examples=200, deadline=None)
def test_tables_are_periodic_and_never_negative(theta, phi):
    # A direction has one radiance, however its azimuth is counted.
    face = modifiers.softbox(0.6, 0.9, grid_deg=40).emitters[0]
    a, b = table_value(face.profile, theta, phi), table_value(face.profile, theta, phi + 2 * math.pi)
    assert a >= 0 and abs(a - b) < 1e-6


@given(
    st.sampled_from(["reflector", "softbox", "octabox", "beauty dish", "spot"]),
    st.floats(0.1, 2.0),
    st.one_of(st.none(), st.floats(3, 90)),
    st.floats(0.0, 0.3),
)
@settings(max_examples=25, deadline=None)
def test_any_size_grid_and_lip_keeps_its_light(kind, size, grid, recess):
    # Radiance times the rays' own sum is the flux: holds for every setting a scene may ask for.
    if kind == "reflector":
        shaped = modifiers.reflector(size, 10 + 70 * size, grid)
    elif kind == "softbox":
        shaped = modifiers.softbox(size, 0.7 * size, recess, 0.5, grid)
    elif kind == "octabox":
        shaped = modifiers.octabox(size, recess, 0.5, grid)
    elif kind == "beauty dish":
        shaped = modifiers.beauty_dish(size, grid)
    else:
        shaped = modifiers.spot(size / 2, 5 + 40 * size)
    for e in shaped.emitters:
        assert 0 < e.amount <= 1
        assert sampled_flux_lm(e) == pytest.approx(e.amount, rel=0.01)
        assert flux_from_profile(e) > 0


@pytest.mark.parametrize("name", MODIFIERS)
def test_the_renderer_lights_points_as_this_quadrature_does(engine, name):
    # Two implementations of one definition: the render kernel's sampling against deterministic quadrature, 2 %.
    from sim.light.readings import Probe, ProbeId
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    rig = rig_from_light(light(MODIFIERS[name]))
    w = np.array([[0.0, 0.0, 1.0], [0.02, 0.01, 1.0], [-0.2, 0.3, 1.0], [0.9, -0.4, 1.0]])
    points = 1.8 * w / np.linalg.norm(w, axis=1)[:, None]
    normals = -points / 1.8
    emitter = rig.emitters[0]
    expected = illuminance_from_emitter(emitter, points, normals, n=160)
    probes = [
        Probe(ProbeId("flat", str(i)), "flat", p, n) for i, (p, n) in enumerate(zip(points, normals, strict=True))
    ]
    stage = bare_stage([faced(emitter, [0, 0, 0], [0, 0, 1])])
    got = read_probes(stage, probes, depth=0, target_stderr_stops=0.008, most_rays=1 << 19).values[:, 0, 0]
    assert got == pytest.approx(expected, rel=0.02, abs=2e-3 * expected[0])


def _span_m(solid: Body) -> tuple[float, float]:
    """How far a solid of revolution or a box reaches along the axis, back and front."""
    if solid.shape == "cap":
        return solid.offset_m[2] - solid.sizes_m[1], solid.offset_m[2]
    return solid.offset_m[2] - solid.sizes_m[-1] / 2, solid.offset_m[2] + solid.sizes_m[-1] / 2


@pytest.mark.parametrize("name", MODIFIERS)
def test_housings_stand_round_their_axis_behind_their_face(name):
    # What holds a face is as wide as the face, begins just behind it and goes on without a gap into the head.
    rig = rig_from_light(light(MODIFIERS[name]))
    face = rig.emitters[0]
    solids = [solid for solid in rig.body if solid.shape not in ("quad", "cap") and _span_m(solid)[0] < 0]
    assert all(solid.offset_m[:2] == (0, 0) for solid in rig.body if solid.shape != "quad")
    spans = sorted((_span_m(solid) for solid in solids), key=lambda span: -span[1])
    if "umbrella" in name:
        (cloth,) = (solid for solid in rig.body if solid.shape == "cap")
        assert cloth.sizes_m == pytest.approx((face.width_m, 0.2 * face.width_m), rel=0.005)
        assert -0.005 < cloth.offset_m[2] < 0 and not spans
        # The head of an open umbrella stands before it on the axis and looks back into it.
        heads = [solid for solid in rig.body if solid.shape == "cylinder"]
        assert len(heads) == (name != "covered umbrella")
        assert all(solid.sizes_m[1] == 0.3 and 0 < _span_m(solid)[0] < 0.2 * face.width_m for solid in heads)
        return
    if name == "bare":
        assert -0.01 < spans[0][1] + face.width_m / 2 < 0
    else:
        assert -0.005 < spans[0][1] < 0
        across = next(solid.sizes_m for solid in solids if _span_m(solid) == spans[0])
        wide = face.width_m * (math.cos(math.pi / 8) if face.surface == "polygon" else 1)
        assert across[0] == pytest.approx(wide, rel=0.31 if name == "spot" else 1e-9)
        assert face.surface != "rectangle" or across[1] == pytest.approx(face.height_m)
    if name not in ("shoot-through", "bare", "spot") and "snoot" not in name:
        # Common practice, no source: nothing but a tube or a lamp house is deeper than it is wide.
        assert spans[0][1] - spans[0][0] <= face.width_m
    if name != "shoot-through":
        assert all(0 <= front[0] - back[1] < 0.005 for front, back in pairwise(spans))
    assert spans[-1][1] - spans[-1][0] == pytest.approx(0.3)


def test_a_face_of_no_size_is_refused():
    for width_m, height_m in ((0.0, 1.0), (-0.5, 1.0), (1.0, 0.0), (1.0, -0.5)):
        with pytest.raises(ValueError, match="a size above 0 m"):
            Emitter("rectangle", width_m, 1.0, height_m=height_m)
    for surface in ("disc", "sphere"):
        with pytest.raises(ValueError, match="a size above 0 m"):
            Emitter(surface, 0.0, 1.0)


def test_a_lip_hides_as_much_of_a_face_on_either_side():
    # A lip as wide as the face shifts its opening by depth x tangent: what is left is (w - d tan x) (h - d tan y). A
    # tube too wide to hide anything takes the sum over rows in place of the closed form.
    lip = Profile(recess_m=0.08, recess_half_x_m=0.3, recess_half_y_m=0.45)
    tan = np.array([0.0, 0.5, 1.5, 3.0])
    for profile, rel in ((lip, 1e-12), (replace(lip, throat_radius_m=100.0, throat_length_m=0.01), 2e-3)):
        face = Emitter("rectangle", 0.6, 1.0, profile, height_m=0.9)
        for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 0.5), (-0.3, 1), (-1, -1)):
            left = (0.6 - 0.08 * np.abs(x * tan)) * (0.9 - 0.08 * np.abs(y * tan))
            np.testing.assert_allclose(face_integral(face, x * tan, y * tan), left, rtol=rel)
