"""Light is followed to its end: a pale enclosure has all the light it should, and a limit says what it leaves out.

Source: closed diffuse sphere, E = phi / (4 pi R^2) / (1 - rho), `closed_forms.integrating_sphere_lx` [Sumpner:1892].
There every bounce keeps the share rho, so a limit of n bounces leaves out rho^(n + 1).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim.light.readings import Probe, ProbeId
from sim.light.stack import REGIONS
from sim.quantities.color import luminance
from sim.studio.gear.emitter import Emitter, Profile
from sim.studio.layout import CameraView
from tests.physics.closed_forms import integrating_sphere_lx

if TYPE_CHECKING:
    from sim.render.stage.build import Stage

pytestmark = pytest.mark.usefixtures("engine")

FLUX_LM, RADIUS_M = 1000.0, 1.0
PALE, LIMIT = 0.8, 5
WALL = np.array([0.0, 0.6, 0.8])
ON_WALL = Probe(ProbeId("flat", "wall"), "flat", 0.999 * RADIUS_M * WALL, -WALL)


class Inside:
    """Stands for a layout that has a camera only."""

    camera = CameraView(
        position_m=np.array([0.0, 0.3, 0.5]), aim_m=np.array([0.0, 0.3, 1.0]), horizontal_fov_deg=40.0,
        aspect=2 / 3, focus_m=np.zeros(3), focus_distance_m=0.5, lens_radius_m=0.001,
    )  # fmt: skip


def sphere(reflectance: float) -> Stage:
    """A small bulb at the centre of a matt sphere, whose wall counts as the part "room"."""
    from dataclasses import replace

    from tests.physics.stages import bare_stage, faced

    bulb = faced(Emitter("sphere", 0.05, FLUX_LM, Profile(theta_max_rad=np.pi)), [0, 0, 0], [0, 0, 1])
    wall = {"type": "sphere", "radius": RADIUS_M, "flip_normals": True}
    stage = bare_stage([bulb], [(wall, reflectance)], layout=Inside)
    return replace(stage, shape_part=np.where(stage.shape_face > 0, 0, REGIONS.index("room")).astype(np.uint32))


@pytest.mark.parametrize("reflectance", [PALE, 0.95])
def test_meters_have_all_light_of_a_pale_enclosure(reflectance: float) -> None:
    from sim.render.transport.probe import read_probes

    measured = read_probes(sphere(reflectance), [ON_WALL], target_stderr_stops=0.004)
    expected = integrating_sphere_lx(FLUX_LM, RADIUS_M, reflectance)
    assert measured.values[0, 0].mean() == pytest.approx(expected, rel=0.01)
    assert abs(measured.values[0, 0].mean() - expected) < 4 * measured.stderr[0, 0]


def test_a_limit_of_bounces_is_in_the_error_of_meters() -> None:
    from sim.render.transport.probe import read_probes

    stage, whole = sphere(PALE), integrating_sphere_lx(FLUX_LM, RADIUS_M, PALE)
    left_out = whole * PALE ** (LIMIT + 1)
    limited = read_probes(stage, [ON_WALL], depth=LIMIT, target_stderr_stops=0.004)
    assert limited.values[0, 0].mean() == pytest.approx(whole - left_out, rel=0.01)
    assert limited.stderr[0, 0] == pytest.approx(left_out, rel=0.05)
    # What the limit leaves out is no reason to go on sampling.
    assert limited.rays[0] < 1 << 19


@pytest.mark.parametrize("gather", [False, True])
def test_pictures_have_all_light_of_a_pale_enclosure_and_say_what_a_limit_leaves_out(gather: bool) -> None:
    from sim.render.transport.render import render

    stage = sphere(PALE)
    expected = PALE / np.pi * integrating_sphere_lx(FLUX_LM, RADIUS_M, PALE)
    how = {"size": (60, 90), "samples": 32, "seed": 3, "gather": gather}
    endless = render(stage, **how)
    assert endless.pixels.mean() == pytest.approx(expected, rel=0.01)
    means, errors = endless.part_means("room")
    assert abs(luminance(means)[0] - expected) < 4 * errors[0]
    assert errors[0] < 0.02 * expected
    # The wall that the camera sees has had one bounce less than a meter's light.
    left_out = expected * PALE**LIMIT
    means, errors = render(stage, depth=LIMIT, **how).part_means("room")
    assert luminance(means)[0] == pytest.approx(expected - left_out, rel=0.015)
    assert errors[0] == pytest.approx(left_out, rel=0.1)


@pytest.mark.parametrize("gather", [False, True])
def test_a_dark_room_looks_as_it_did_with_a_limit(gather: bool) -> None:
    """On the same random numbers paths of up to five bounces are the same, and a dark room has hardly longer ones."""
    from sim.render.transport.render import render
    from tests.physics.stages import bare_stage
    from tests.physics.test_layers import _Camera, _studio

    faces, surfaces = _studio()
    stage = bare_stage(faces, [(shape, 0.15) for shape, _ in surfaces], layout=_Camera)
    how = {"size": (36, 54), "samples": 16, "seed": 3, "gather": gather}
    endless, limited = render(stage, **how), render(stage, depth=LIMIT, **how)
    gained = luminance(endless.pixels - limited.pixels)
    # Of light that keeps 15 % a bounce, the sixth and all later ones have 0.15^5 / (1 - 0.15).
    assert gained.mean() < 2e-4 * luminance(limited.pixels).mean()
    assert (np.abs(gained) <= 3 * np.sqrt(limited.variance) + 1e-3 * luminance(limited.pixels)).mean() > 0.999
