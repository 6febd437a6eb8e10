"""Probes of the renderer against closed forms of illuminance, each source named in `closed_forms`."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.light.readings import Probe, ProbeId
from sim.studio.gear.emitter import Emitter, Profile
from sim.studio.gear.rig import rig_from_light
from tests.physics import closed_forms

pytestmark = pytest.mark.usefixtures("engine")

DOWN = np.array([0.0, 0.0, -1.0])


def _lux(emitter, points_m, normals, kind="flat", surfaces=()):
    """Direct illuminance at points before a face at the origin that looks along +z."""
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    stage = bare_stage([faced(emitter, [0, 0, 0], [0, 0, 1])], list(surfaces))
    probes = [
        Probe(ProbeId(kind, f"p{i}"), kind, np.array(point, float), np.array(normal, float) / np.linalg.norm(normal))
        for i, (point, normal) in enumerate(zip(points_m, normals, strict=True))
    ]
    measured = read_probes(stage, probes, depth=0, target_stderr_stops=0.004)
    return measured.values[:, 0].mean(axis=-1)


def test_small_source_follows_inverse_square():
    # Source: inverse square law, [CIE18:2019].
    distances = [0.5, 1.0, 2.0, 4.0]
    values = _lux(Emitter("disc", 0.01, 10.0), [[0, 0, d] for d in distances], [DOWN] * 4)
    assert values == pytest.approx([10.0 / math.pi / d**2 for d in distances], rel=0.01)


@pytest.mark.parametrize("tilt_deg", [0, 30, 60, 85])
def test_small_source_follows_the_cosine(tilt_deg):
    # Source: cosine law of incidence, [CIE18:2019].
    t = math.radians(tilt_deg)
    value = _lux(Emitter("disc", 0.01, 10.0), [[0, 0, 2]], [[math.sin(t), 0, -math.cos(t)]])[0]
    assert value == pytest.approx(10.0 / math.pi / 4 * math.cos(t), rel=0.01)


@pytest.mark.parametrize("tilt_deg", [0, 60, 90, 120, 180])
def test_dome_answers_as_a_cardioid(tilt_deg):
    # Source: [ISO2720:1974], cardioid receptor.
    t = math.radians(tilt_deg)
    value = _lux(Emitter("disc", 0.01, 10.0), [[0, 0, 2]], [[math.sin(t), 0, -math.cos(t)]], "dome")[0]
    expected = 10.0 / math.pi / 4 * (1 + math.cos(t)) / 2
    assert value == pytest.approx(expected, rel=0.01, abs=1e-6)


@pytest.mark.parametrize(
    ("held", "kind", "out", "turned_deg"),
    [
        ({}, "dome", [0.0, 0.0, 1.0], 0),
        ({"receptor": "flat"}, "flat", [0.0, 0.0, 1.0], 0),
        ({"off_axis": "20°"}, "dome", [math.sin(math.radians(20)), 0.0, math.cos(math.radians(20))], 20),
        ({"facing": "camera", "camera_angle": "50°"}, "dome", [0.0, 0.0, 1.0], 50),
        ({"receptor": "flat", "facing": "camera", "camera_angle": "50°"}, "flat", [0.0, 0.0, 1.0], 50),
    ],
)
def test_meter_reads_what_was_entered_for_a_measured_light(held, kind, out, turned_deg):
    # f = sqrt(H S / C), [ISO2720:1974], C = 340 for the dome and 250 for the disc; the probe in the renderer, no room.
    from sim.scene.model import Light

    source = {"kind": "measured", "reads": "f/8", "at": "1.4 m", "iso": 200, **held}
    modifier = {"kind": "softbox", "width": "60 cm", "height": "80 cm", "recess": "5 cm"}
    place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
    rig = rig_from_light(Light.model_validate({"source": source, "modifier": modifier, "place": place}))
    t = math.radians(turned_deg)
    point, toward = 1.4 * np.array(out), [-math.sin(t), 0.0, -math.cos(t)]
    exposure_lx_s = _lux(rig.emitters[0], [point], [toward], kind)[0]
    f_number = math.sqrt(exposure_lx_s * 200 / {"dome": 340.0, "flat": 250.0}[kind])
    assert 2 * math.log2(f_number / 8) == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("distance_m", [0.3, 0.7, 1.5, 4.0])
@pytest.mark.parametrize("offset_m", [0.0, 0.8])
def test_disc_to_parallel_element(distance_m, offset_m):
    flux, diameter = 1000.0, 1.2
    luminance = flux / (math.pi * math.pi * diameter**2 / 4)
    factor = closed_forms.disc_to_parallel_element(diameter / 2, distance_m, offset_m)
    value = _lux(Emitter("disc", diameter, flux), [[offset_m, 0, distance_m]], [DOWN])[0]
    assert value == pytest.approx(factor * math.pi * luminance, rel=0.01)


@pytest.mark.parametrize("distance_m", [0.3, 0.7, 1.5, 4.0])
def test_rectangle_to_parallel_element_on_the_axis(distance_m):
    flux, width, height = 1000.0, 1.0, 1.4
    luminance = flux / (math.pi * width * height)
    factor = 4 * closed_forms.rectangle_to_parallel_element(width / 2, height / 2, distance_m)
    value = _lux(Emitter("rectangle", width, flux, height_m=height), [[0, 0, distance_m]], [DOWN])[0]
    assert value == pytest.approx(factor * math.pi * luminance, rel=0.01)


@pytest.mark.parametrize("distance_m", [0.3, 0.7, 1.5, 4.0])
def test_rectangle_to_parallel_element_under_its_corner(distance_m):
    flux, width, height = 1000.0, 1.0, 1.4
    luminance = flux / (math.pi * width * height)
    factor = closed_forms.rectangle_to_parallel_element(width, height, distance_m)
    value = _lux(Emitter("rectangle", width, flux, height_m=height), [[0.5, 0.7, distance_m]], [DOWN])[0]
    assert value == pytest.approx(factor * math.pi * luminance, rel=0.01)


def test_octagon_by_lambert_polygon_formula_off_axis_and_tilted():
    # Source: [Lambert:1760], polygon form as in `closed_forms`.
    flux, across = 1000.0, 1.2
    emitter = Emitter("polygon", across, flux, sides=8)
    corners = [
        [across / 2 * math.cos((2 * k + 1) * math.pi / 8), across / 2 * math.sin((2 * k + 1) * math.pi / 8), 0]
        for k in range(8)
    ]
    point, normal = np.array([0.9, -0.4, 1.1]), np.array([-0.6, 0.2, -0.8])
    normal /= np.linalg.norm(normal)
    luminance = flux / (math.pi * emitter.area_m2())
    expected = closed_forms.polygon_illuminance_lx(np.array(corners), point, normal, luminance)
    assert _lux(emitter, [point], [normal])[0] == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("tilt_deg", [0, 50, 89])
def test_sphere_to_element(tilt_deg):
    flux, diameter, distance = 1000.0, 0.5, 0.6
    luminance = flux / (math.pi * math.pi * diameter**2)
    t = math.radians(tilt_deg)
    factor = closed_forms.sphere_to_element(diameter / 2, distance, t)
    emitter = Emitter("sphere", diameter, flux, Profile(theta_max_rad=math.pi))
    value = _lux(emitter, [[0, 0, distance]], [[math.sin(t), 0, -math.cos(t)]])[0]
    assert value == pytest.approx(factor * math.pi * luminance, rel=0.01)


@pytest.mark.parametrize("point_x_m", [-0.3, -0.1, 0.0, 0.15, 0.35])
def test_half_blocked_rectangle_in_the_penumbra(point_x_m):
    """A black half-plane halfway between panel and screen: the shadow's profile, point by point."""
    import mitsuba as mi

    plate = {"type": "rectangle", "to_world": mi.ScalarTransform4f().translate([-5, 0, 0.5]).scale([5, 5, 1])}
    flux, side = 1000.0, 0.8
    expected = closed_forms.half_blocked_rectangle_lx(side, side, 1.0, 0.5, point_x_m, flux / (math.pi * side**2))
    emitter = Emitter("rectangle", side, flux, height_m=side)
    value = _lux(emitter, [[point_x_m, 0, 1]], [DOWN], surfaces=[(plate, 0.0)])[0]
    assert value == pytest.approx(expected, rel=0.012)


def test_bowl_sends_its_flux_through_the_rim():
    """A receptor surface closed around a bowl catches the stated flux: mean illuminance over a far sphere."""
    emitter = Emitter("cap", 1.0, 1000.0, height_m=0.3)
    radius = 40.0
    # Integrate intensity over the front hemisphere by Gauss nodes in the cosine.
    nodes, weights = np.polynomial.legendre.leggauss(12)
    cosines = (nodes + 1) / 2
    points = [[radius * math.sqrt(1 - c * c), 0, radius * c] for c in cosines]
    normals = [[-p / radius for p in point] for point in points]
    values = _lux(emitter, points, normals)
    assert float((values * weights / 2).sum() * 2 * math.pi * radius**2) == pytest.approx(1000.0, rel=0.01)


def test_emitted_light_agrees_with_the_gear_reference_for_every_profile():
    """Table, hot spot, throat and lip in the kernel against `sim.studio.gear.direct`, the deterministic quadrature."""
    from sim.studio.gear.direct import illuminance_from_emitter

    theta = np.linspace(0, 1, 91, dtype=np.float32)
    cases = [
        Emitter("disc", 0.3, 100.0, Profile(theta_max_rad=0.6, table=(1 - theta)[None] ** 2)),
        Emitter("rectangle", 0.9, 100.0, Profile(hot_spot_gain=0.5, hot_spot_sigma_m=0.2), height_m=1.2),
        Emitter("disc", 0.07, 100.0, Profile(throat_length_m=0.2, throat_radius_m=0.05)),
        Emitter("rectangle", 0.6, 100.0, height_m=0.8,
                profile=Profile(recess_m=0.1, recess_half_x_m=0.3, recess_half_y_m=0.4)),
        Emitter("rectangle", 0.4, 100.0, height_m=0.4,
                profile=Profile(theta_max_rad=1.2, table=np.stack([1 - theta, 1 - 0.5 * theta]))),
        Emitter("cap", 1.0, 100.0, Profile(hot_spot_gain=0.4, hot_spot_sigma_m=0.3), height_m=0.25),
    ]  # fmt: skip
    points = np.array([[0.0, 0.0, 2.0], [0.25, 0.1, 2.0], [-0.3, 0.2, 1.5]])
    normals = -points / np.linalg.norm(points, axis=1, keepdims=True)
    for emitter in cases:
        expected = illuminance_from_emitter(emitter, points, normals, n=192)
        assert _lux(emitter, points, normals) == pytest.approx(expected, rel=0.012, abs=1e-3), emitter.surface
