"""The light-group integrator against the renderer's own path tracer and against one bounce of an exact enclosure.

Sources: stock integrator `path` of Mitsuba 3 as reference library. Closed enclosures: radiance E / (1 - rho),
the integrating-sphere form, e.g. [HowellSiegel:2015].
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from sim.studio.gear.emitter import Emitter, Profile
from sim.studio.layout import CameraView, frame_from_aim

pytestmark = pytest.mark.usefixtures("engine")

SIZE = (36, 54)
DEPTH = 4
PASSES = 24
ALL_ROUND = Profile(theta_max_rad=np.pi)


def _studio():
    """Five Lambertian lights of every surface but the bowl, a room, a ball and a glossy pillar."""
    from tests.physics.stages import faced

    faces = [
        faced(Emitter("rectangle", 1.0, 4000.0, height_m=1.4), [-1.5, 1.9, -0.3], [0, 1.5, 0], 0),
        faced(Emitter("disc", 0.5, 300.0), [-1.2, 2.0, 2.0], [0, 1.5, 0], 1),
        faced(Emitter("rectangle", 0.4, 400.0, height_m=0.4), [1.5, 1.8, -0.8], [0, 1.5, -1.9], 2),
        faced(Emitter("sphere", 0.12, 600.0, ALL_ROUND), [2.2, 2.3, -1.2], [0, 1.3, 0], 3),
        faced(Emitter("disc", 1.5, 3000.0), [0.4, 2.2, 3.6], [0, 1.3, 0], 4),
    ]

    def wall(position, aim, half):
        import mitsuba as mi

        to_world = mi.ScalarTransform4f(frame_from_aim(np.array(position, float), np.array(aim, float)))
        return {"type": "rectangle", "to_world": to_world.scale([*half, 1.0])}

    surfaces = [
        (wall([0, 0, 1], [0, 1, 1], (3, 4.5)), 0.2),
        (wall([0, 3.2, 1], [0, 0, 1], (3, 4.5)), 0.7),
        (wall([0, 1.6, -3.5], [0, 1.6, 0], (3, 1.6)), 0.5),
        (wall([0, 1.6, 5.5], [0, 1.6, 0], (3, 1.6)), 0.5),
        (wall([-3, 1.6, 1], [0, 1.6, 1], (4.5, 1.6)), 0.5),
        (wall([3, 1.6, 1], [0, 1.6, 1], (4.5, 1.6)), 0.5),
        ({"type": "sphere", "center": [0, 1.6, 0], "radius": 0.2}, 0.4),
        ({"type": "cylinder", "p0": [0, 0, 0], "p1": [0, 1.4, 0], "radius": 0.25}, 0.3),
    ]
    return faces, surfaces


class _Camera:
    """Stands for a layout that has a camera only."""

    camera = CameraView(
        position_m=np.array([0, 1.4, 4.5]), aim_m=np.array([0, 1.3, 0]), horizontal_fov_deg=24.0, aspect=2 / 3,
        focus_m=np.zeros(3), focus_distance_m=4.5, lens_radius_m=0.005,
    )  # fmt: skip


def _ours(samples_per_pass: int, passes: int):
    """Mean (k, h, w) and variance of the mean of each layer's luminance."""
    from sim.render.transport.render import render
    from tests.physics.stages import bare_stage

    stage = bare_stage(*_studio(), layout=_Camera)
    stacks = [render(stage, size=SIZE, samples=samples_per_pass, seed=s, depth=DEPTH) for s in range(passes)]
    values = np.stack([stack.pixels.mean(axis=-1) for stack in stacks])
    return values, stage


def _stock(glowing: tuple[int, ...], samples_per_pass: int, passes: int):
    """Passes (p, h, w) of the stock path tracer with the lights of `glowing` on."""
    import mitsuba as mi

    from tests.physics.stages import bare_stage

    stage = bare_stage(*_studio(), layout=_Camera, glowing=glowing)
    sensor = stage.sensor(SIZE)
    path = mi.load_dict({"type": "path", "max_depth": DEPTH + 1, "rr_depth": 100})
    images = [
        np.array(mi.render(stage.scene, sensor=sensor, integrator=path, spp=samples_per_pass, seed=1000 + s))
        for s in range(passes)
    ]
    return np.stack(images)[..., :3].mean(axis=-1)


def _z_scores(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Welch's t of two sets of passes, blocks of 6 x 6 pixels pooled so that their means are near normal."""

    def blocks(x):
        p, h, w = x.shape
        return x.reshape(p, h // 6, 6, w // 6, 6).mean(axis=(2, 4))

    a, b = blocks(a), blocks(b)
    spread = a.var(axis=0, ddof=1) / len(a) + b.var(axis=0, ddof=1) / len(b)
    difference = a.mean(axis=0) - b.mean(axis=0)
    return np.where(spread > 0, difference / np.sqrt(np.maximum(spread, 1e-30)), 0.0)


def _assert_same(a: np.ndarray, b: np.ndarray) -> None:
    z = _z_scores(a, b)
    # Sidak-corrected two-sided limit at 0.1 % for all blocks together, Welch with the fewer degrees of freedom.
    limit = stats.t.ppf(0.5 * (1 + (1 - 0.001) ** (1 / z.size)), df=PASSES - 1)
    assert np.abs(z).max() < limit
    assert np.std(z) > 0.3, "scores without spread would mean that nothing was compared"
    assert a.mean() == pytest.approx(b.mean(), rel=0.01)


@pytest.fixture(scope="module")
def layers(engine):
    return _ours(16, PASSES)[0]


def test_sum_of_layers_is_the_render_with_all_lights_on(layers):
    _assert_same(layers.sum(axis=1), _stock((0, 1, 2, 3, 4), 32, PASSES))


@pytest.mark.parametrize("light", range(5))
def test_each_layer_is_the_stock_render_of_its_light(layers, light):
    _assert_same(layers[:, light], _stock((light,), 32, PASSES))


def test_depth_one_is_direct_light_only(engine):
    from sim.light.readings import Probe, ProbeId
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    bulb = faced(Emitter("sphere", 0.05, 1000.0, ALL_ROUND), [0, 0, 0], [0, 0, 1])
    stage = bare_stage([bulb], [({"type": "sphere", "radius": 1.0, "flip_normals": True}, 0.6)])
    probe = Probe(ProbeId("flat", "wall"), "flat", np.array([0.0, 0.0, 0.999]), np.array([0.0, 0.0, -1.0]))
    direct = read_probes(stage, [probe], depth=0, target_stderr_stops=0.003).values[0, 0].mean()
    once = read_probes(stage, [probe], depth=1, target_stderr_stops=0.003).values[0, 0].mean()
    expected = 1000.0 / (4 * np.pi)
    assert direct == pytest.approx(expected, rel=0.01)
    assert once == pytest.approx(expected * 1.6, rel=0.01)


def test_a_grid_keeps_its_light_inside_the_cut_off(engine):
    from sim.light.readings import Probe, ProbeId
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    emitter = Emitter("disc", 0.02, 10.0, Profile(theta_max_rad=np.radians(5)))
    stage = bare_stage([faced(emitter, [0, 0, 0], [0, 0, 1])], [({"type": "sphere", "radius": 9.0}, 0.0)])

    def lux(angle_deg):
        toward = np.array([np.sin(np.radians(angle_deg)), 0.0, np.cos(np.radians(angle_deg))])
        measured = read_probes(stage, [Probe(ProbeId("flat", "p"), "flat", 2 * toward, -toward)], depth=0)
        return float(measured.values[0, 0].mean())

    assert lux(0) == pytest.approx(10.0 / (np.pi * np.sin(np.radians(5)) ** 2) / 4, rel=0.01)
    assert lux(4.5) == pytest.approx(lux(0) * np.cos(np.radians(4.5)), rel=0.01)
    assert lux(5.6) == 0
