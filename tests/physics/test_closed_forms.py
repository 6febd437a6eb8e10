"""The closed forms against brute-force integration and each other, so that a slip of memory in them shows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.physics import closed_forms as cf


def brute_factor(point, normal, nodes, node_normals, areas):
    """Sum cos cos / (pi d^2) over small patches."""
    ray = nodes - point
    d2 = (ray**2).sum(-1)
    w = ray / np.sqrt(d2)[:, None]
    receive = np.clip(w @ normal, 0, None)
    send = np.clip(-(w * node_normals).sum(-1), 0, None)
    return float((receive * send * areas / d2).sum() / math.pi)


def disc_patches(radius, n=600):
    r = (np.arange(n) + 0.5) / n * radius
    a = (np.arange(720) + 0.5) / 720 * 2 * math.pi
    x, y = np.outer(r, np.cos(a)).ravel(), np.outer(r, np.sin(a)).ravel()
    area = np.repeat(r * radius / n * 2 * math.pi / 720, 720)
    return np.stack([x, y, np.zeros_like(x)], -1), np.array([0, 0, 1.0]), area


def rectangle_patches(x0, x1, y0, y1, n=700):
    x = x0 + (np.arange(n) + 0.5) / n * (x1 - x0)
    y = y0 + (np.arange(n) + 0.5) / n * (y1 - y0)
    gx, gy = np.meshgrid(x, y)
    area = np.full(gx.size, (x1 - x0) * (y1 - y0) / n / n)
    return np.stack([gx.ravel(), gy.ravel(), np.zeros(gx.size)], -1), np.array([0, 0, 1.0]), area


@pytest.mark.parametrize(("radius", "height", "offset"), [(0.5, 1.0, 0.0), (0.5, 1.0, 0.3), (0.5, 0.7, 1.2)])
def test_disc_parallel(radius, height, offset):
    # [Howell:2010] B-12, B-13.
    got = brute_factor(np.array([offset, 0, height]), np.array([0, 0, -1.0]), *disc_patches(radius))
    assert cf.disc_to_parallel_element(radius, height, offset) == pytest.approx(got, rel=2e-4)


def test_disc_perpendicular():
    # [Howell:2010] B-16.
    got = brute_factor(np.array([1.1, 0, 0.8]), np.array([-1.0, 0, 0]), *disc_patches(0.5))
    assert cf.disc_to_perpendicular_element(0.5, 0.8, 1.1) == pytest.approx(got, rel=2e-4)


def test_rectangle_parallel():
    # [Howell:2010] B-3.
    got = brute_factor(np.array([0, 0, 1.3]), np.array([0, 0, -1.0]), *rectangle_patches(0, 0.9, 0, 0.6))
    assert cf.rectangle_to_parallel_element(0.9, 0.6, 1.3) == pytest.approx(got, rel=2e-4)


def test_rectangle_perpendicular():
    # [Howell:2010] B-4.
    got = brute_factor(np.array([0, 0, 0.7]), np.array([0, 1.0, 0]), *rectangle_patches(0, 0.9, 0, 0.6))
    assert cf.rectangle_to_perpendicular_element(0.9, 0.6, 0.7) == pytest.approx(got, rel=2e-4)


@pytest.mark.parametrize("tilt_deg", [0, 40, 75, 85, 90, 97])
def test_sphere_to_element(tilt_deg):
    # [NaraghiChung:1982], [Howell:2010] B-43. Brute force over the sphere's near side.
    n = 900
    mu = (np.arange(n) + 0.5) / n * 2 - 1
    a = (np.arange(2 * n) + 0.5) / (2 * n) * 2 * math.pi
    s = np.sqrt(1 - mu**2)
    normals = np.stack([np.outer(s, np.cos(a)).ravel(), np.outer(s, np.sin(a)).ravel(), np.repeat(mu, 2 * n)], -1)
    radius, distance = 0.4, 1.0
    t = math.radians(tilt_deg)
    normal = np.array([math.sin(t), 0, -math.cos(t)])
    got = brute_factor(
        np.array([0, 0, distance]),
        normal,
        radius * normals,
        normals,
        np.full(len(normals), 4 * math.pi * radius**2 / len(normals)),
    )
    assert cf.sphere_to_element(radius, distance, t) == pytest.approx(got, rel=1e-3, abs=1e-6)


def test_sphere_forms_meet_at_the_horizon():
    # Both forms must agree where the horizon first touches the sphere.
    edge = math.acos(0.4)
    assert cf.sphere_to_element(0.4, 1.0, edge - 1e-7) == pytest.approx(
        cf.sphere_to_element(0.4, 1.0, edge + 1e-7), rel=1e-5
    )


def test_coaxial_discs_add_up_from_elements():
    # [Howell:2010] C-41 is the mean of B-13 over the first disc, integrated here.
    g, w = np.polynomial.legendre.leggauss(60)
    r = (g + 1) / 2 * 0.3
    mean = (
        sum(
            float(wi) / 2 * 0.3 * 2 * ri * cf.disc_to_parallel_element(0.5, 0.4, float(ri))
            for ri, wi in zip(r, w, strict=True)
        )
        / 0.3**2
    )
    assert cf.discs_coaxial_parallel(0.3, 0.5, 0.4) == pytest.approx(mean, rel=1e-6)


def test_coaxial_discs_are_reciprocal():
    # A1 F12 = A2 F21: reciprocity, any text on radiative transfer.
    forth, back = cf.discs_coaxial_parallel(0.3, 0.5, 0.4), cf.discs_coaxial_parallel(0.5, 0.3, 0.4)
    assert 0.3**2 * forth == pytest.approx(0.5**2 * back, rel=1e-12)


def test_a_box_sends_everything_to_its_walls():
    # Enclosure rule: from the floor of a box the factors to ceiling (C-11) and four walls (C-14) add up to 1.
    a, b, h = 0.9, 1.4, 0.7
    total = (
        cf.rectangles_opposed(a, b, h) + 2 * cf.rectangles_common_edge(a, b, h) + 2 * cf.rectangles_common_edge(b, a, h)
    )
    assert total == pytest.approx(1.0, rel=1e-12)


def test_unit_cube_value():
    # Opposite faces of a cube: 0.1998 as tabled, e.g. in [HowellSiegel:2015]; with four sides it adds up to 1.
    assert cf.rectangles_opposed(1, 1, 1) == pytest.approx(0.1998, abs=5e-5)
    assert cf.rectangles_common_edge(1, 1, 1) == pytest.approx(0.2000, abs=1e-4)


def test_sphere_to_disc_is_its_solid_angle():
    # [Howell:2010] C-121: an isotropic source's share of 4 pi (solid angle of a cone, elementary geometry).
    half_angle = math.atan(0.5 / 0.8)
    assert cf.sphere_to_coaxial_disc(0.5, 0.8) == pytest.approx((1 - math.cos(half_angle)) / 2, rel=1e-12)


def test_lambert_polygon_is_the_corner_rectangle():
    # [Lambert:1760] against [Howell:2010] B-3: two derivations of one number.
    corners = np.array([[0, 0, 1.3], [0.9, 0, 1.3], [0.9, 0.6, 1.3], [0, 0.6, 1.3]])
    got = cf.polygon_illuminance_lx(corners, np.zeros(3), np.array([0, 0, 1.0]), 1.0)
    assert got == pytest.approx(math.pi * cf.rectangle_to_parallel_element(0.9, 0.6, 1.3), rel=1e-12)


def test_lambert_polygon_cut_by_the_horizon():
    # A polygon half under the horizon counts for its upper half alone: [Howell:2010] B-4.
    corners = np.array([[0, -0.6, 0.7], [0.9, -0.6, 0.7], [0.9, 0.6, 0.7], [0, 0.6, 0.7]])
    got = cf.polygon_illuminance_lx(corners, np.zeros(3), np.array([0, 1.0, 0]), 1.0)
    assert got == pytest.approx(math.pi * cf.rectangle_to_perpendicular_element(0.9, 0.6, 0.7), rel=1e-12)


def test_half_blocked_rectangle_straight_behind_the_edge():
    # On the line through the middle of the source and the edge, half of a symmetric source is seen (symmetry).
    half = cf.half_blocked_rectangle_lx(0.4, 0.6, 2.0, 1.0, 0.0, 1.0)
    free = 4 * math.pi * cf.rectangle_to_parallel_element(0.2, 0.3, 2.0)
    assert half == pytest.approx(free / 2, rel=1e-12)


def test_bounce_of_a_lit_square(engine):
    # In the manner of [CIE171:2006], "light reflection over diffuse surfaces", derived here: a square lit evenly from
    # afar lights an element at right angles to it by its reflectance x illuminance x configuration factor
    # ([Howell:2010] B-4).
    import mitsuba as mi

    from sim.light.readings import Probe, ProbeId
    from sim.render.transport.probe import read_probes
    from sim.studio.gear.emitter import Emitter
    from tests.physics.stages import bare_stage, faced

    reflectance, distance = 0.6, 60.0
    # The square reaches 1 m x 1 m from the corner at the origin, in the plane z = 0; the lamp stands far along +z,
    # behind the element, which looks along +y from half a metre before the corner.
    to_world = mi.ScalarTransform4f().translate([0.5, 0.5, 0.0]).scale([0.5, 0.5, 1.0])
    lamp = faced(Emitter("disc", 0.2, 1e6), [0.5, -8.0, distance], [0.5, 0.5, 0.0])
    stage = bare_stage([lamp], [({"type": "rectangle", "to_world": to_world}, reflectance)])
    square = Probe(ProbeId("flat", "square"), "flat", np.array([0.5, 0.5, 1e-3]), np.array([0.0, 0.0, 1.0]))
    element = Probe(ProbeId("flat", "element"), "flat", np.array([0.0, 0.0, 0.5]), np.array([0.0, 1.0, 0.0]))
    got = read_probes(stage, [square, element], depth=3, target_stderr_stops=0.005, most_rays=1 << 21).values[:, 0, 0]
    factor = cf.rectangle_to_perpendicular_element(1.0, 1.0, 0.5)
    assert got[1] / got[0] == pytest.approx(reflectance * factor, rel=0.01)


@pytest.mark.parametrize("reflectance", [0.3, 0.7])
def test_mean_bounce_in_a_cube(engine, reflectance):
    # In the manner of [CIE171:2006], "internal reflected component for diffuse surfaces", derived here: in a closed
    # cube with a bulb at its centre the mean of direct and bounced light is that of Sumpner's sphere of the same area,
    # within 2 % (the cube's own unevenness), and each wall's mean is the same by symmetry.
    import mitsuba as mi

    from sim.light.readings import Probe, ProbeId
    from sim.render.transport.probe import read_probes
    from sim.studio.gear.emitter import Emitter, Profile
    from tests.physics.stages import bare_stage, faced

    side, flux = 4.0, 10_000.0
    cube = {"type": "cube", "to_world": mi.ScalarTransform4f().scale([side / 2] * 3), "flip_normals": True}
    bulb = faced(Emitter("sphere", 0.05, flux, Profile(theta_max_rad=math.pi)), [0, 0, 0], [0, 0, 1])
    g, w = np.polynomial.legendre.leggauss(6)
    probes = [
        Probe(
            ProbeId("flat", f"{i} {j}"),
            "flat",
            np.array([g[i], g[j], -1.0]) * side / 2 * 0.9995,
            np.array([0.0, 0.0, 1.0]),
        )
        for i in range(6)
        for j in range(6)
    ]
    readings = read_probes(
        bare_stage([bulb], [(cube, reflectance)]), probes, depth=30, target_stderr_stops=0.02, most_rays=1 << 16
    )
    mean = float((readings.values[:, 0, 0] * np.outer(w, w).ravel()).sum() / 4)
    assert mean == pytest.approx(flux / (6 * side**2) / (1 - reflectance), rel=0.02)
