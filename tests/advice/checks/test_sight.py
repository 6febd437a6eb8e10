"""Lines of sight and straight light against closed forms: a small bulb, a screen, the ground's cosine."""

from __future__ import annotations

import numpy as np
import pytest

from sim.studio.gear.emitter import Emitter, Profile

pytestmark = pytest.mark.usefixtures("engine")

FLUX = 1000.0


def _stage(with_screen: bool):
    from tests.physics.stages import bare_stage, faced

    bulb = faced(Emitter("sphere", 0.02, FLUX, Profile(theta_max_rad=np.pi)), [0, 2, 0], [0, 0, 0])
    screen = [({"type": "sphere", "center": [0, 1, 0], "radius": 0.1}, 0.5)] if with_screen else []
    return bare_stage([bulb], screen)


def test_straight_light_falls_with_distance_and_cosine() -> None:
    from sim.render.transport.sight import direct_light

    points = np.array([[0.0, 0, 0], [1.5, 0, 0], [0, 1.0, 2.0]])
    up = np.broadcast_to([0.0, 1, 0], points.shape)
    away = np.array([0.0, 2, 0]) - points
    distance = np.linalg.norm(away, axis=1)
    expected = FLUX / (4 * np.pi * distance**2)
    turned = direct_light(_stage(False), points, samples=64)
    level = direct_light(_stage(False), points, up, samples=64)
    assert turned.reaching[:, 0] == pytest.approx(expected, rel=1e-3)
    assert level.reaching[:, 0] == pytest.approx(expected * away[:, 1] / distance, rel=2e-3)


def test_a_ball_in_the_way_takes_the_light_of_its_shadow_only() -> None:
    from sim.render.transport.sight import direct_light, is_clear

    # The shadow on the floor ends where the tangent to the ball does: tan(asin(0.1 / 1)) * 2.
    edge_m = 2 * np.tan(np.arcsin(0.1))
    points = np.array([[0.0, 0, 0], [0.9 * edge_m, 0, 0], [1.1 * edge_m, 0, 0]])
    found = direct_light(_stage(True), points, samples=64)
    assert (found.reaching[:2, 0] == 0).all()
    assert found.reaching[2, 0] == pytest.approx(found.unblocked[2, 0])
    assert is_clear(_stage(True), points, np.array([0.0, 1.98, 0])).tolist() == [False, False, True]


def test_first_hits_tell_distance_and_normal() -> None:
    from sim.render.transport.sight import first_hits

    hits = first_hits(_stage(True), np.zeros(3), np.array([[0.0, 1, 0], [1.0, 0, 0]]))
    assert hits.distance_m[0] == pytest.approx(0.9, abs=1e-5)
    assert hits.normal[0] == pytest.approx([0, -1, 0], abs=1e-4)
    assert np.isinf(hits.distance_m[1])
