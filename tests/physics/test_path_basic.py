"""The full integrator against its simplest form, light by light: a small studio, a bowl, and two shipped scenes.

Both follow every path, on random numbers of their own; each block of the picture is tested by Welch's t of the means
over seeds, two-sided, at 0.1 % for all blocks and lights together (Sidak's correction [Sidak:1967]).
The seeds are fixed, so the outcome is the same every time.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats

from sim.quantities.color import luminance
from sim.scene.read import load_scene
from sim.studio.gear.emitter import Emitter

if TYPE_CHECKING:
    from sim.render.stage.build import Stage

pytestmark = pytest.mark.usefixtures("engine")

SCENES = Path(__file__).parents[2] / "scenes"
SIZE, BLOCKS = (24, 36), (3, 2)
PASSES, SAMPLES, DEPTH = 24, 16, 4
SIGNIFICANCE = 0.001
# A bias of so much would be found, in half of the blocks at least that a light gives a telling part of.
MOST_BIAS, TELLING_SHARE = 0.1, 0.05


def _stage(name: str) -> Stage:
    from sim.render.stage.build import build
    from tests.physics.stages import bare_stage, faced
    from tests.physics.test_layers import _Camera, _studio

    faces, surfaces = _studio()
    if name == "bowl":
        faces = [faced(Emitter("cap", 0.8, 1000.0, height_m=0.16), [1.0, 1.6, 0.6], [0, 1.4, 0])]
    if name in ("studio", "bowl"):
        return bare_stage(faces, surfaces, layout=_Camera)
    return build(load_scene(SCENES / f"{name}.yaml"))


def _blocks(pixels: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """Mean luminance (k, b) of each block of layers (k, h, w, 3)."""
    (rows, columns), (width, height) = BLOCKS, SIZE
    light = luminance(pixels.astype(np.float64))
    return (
        light.reshape(len(light), rows, height // rows, columns, width // columns)
        .mean(axis=(2, 4))
        .reshape(len(light), -1)
    )


def _basic_picture(stage: Stage, seed: int) -> npt.NDArray[np.floating]:
    """Layers (k, h, w, 3) by the simplest integrator."""
    import drjit as dr
    import mitsuba as mi

    from sim.render.transport.lighting import lighting_from_stage
    from sim.render.transport.path_basic import basic_radiance_layers

    (width, height), lanes = SIZE, SIZE[0] * SIZE[1] * SAMPLES
    random = mi.load_dict({"type": "independent"})
    random.seed(seed, lanes)
    pixel = dr.arange(mi.UInt32, lanes) // SAMPLES
    corner = mi.Point2f(mi.Float(pixel % width), mi.Float(pixel // width))
    place = (corner + random.next_2d()) / mi.Vector2f(width, height)
    ray, _ = stage.sensor(SIZE).sample_ray(0, 0, place, random.next_2d())
    layers = basic_radiance_layers(stage.scene, lighting_from_stage(stage), ray, random, DEPTH)
    means = [dr.block_sum(channel, SAMPLES) / SAMPLES for layer in layers for channel in layer]
    dr.eval(means)
    return np.stack([mean.numpy() for mean in means]).reshape(-1, 3, height, width).transpose(0, 2, 3, 1)


def _full_picture(stage: Stage, seed: int) -> npt.NDArray[np.floating]:
    from sim.render.transport.render import render

    return render(stage, size=SIZE, samples=SAMPLES, seed=seed, depth=DEPTH, gather=False).pixels


@pytest.mark.parametrize(
    "name",
    [
        "studio",
        "bowl",
        pytest.param("classic_two", marks=pytest.mark.slow),
        pytest.param("continuous_set", marks=pytest.mark.slow),
    ],
)
def test_full_integrator_brings_the_light_of_the_simplest(name: str) -> None:
    stage = _stage(name)
    basic = np.stack([_blocks(_basic_picture(stage, 1000 + seed)) for seed in range(PASSES)])
    full = np.stack([_blocks(_full_picture(stage, seed)) for seed in range(PASSES)])
    spread = (basic.var(axis=0, ddof=1) + full.var(axis=0, ddof=1)) / PASSES
    error = np.sqrt(np.maximum(spread, 1e-30))
    each = 1 - (1 - SIGNIFICANCE) ** (1 / error.size)
    # Fewest degrees of freedom that Welch's formula can give, so the limit is on the wide side.
    limit = stats.t.ppf(1 - each / 2, df=PASSES - 1)
    off = basic.mean(axis=0) - full.mean(axis=0)
    assert (np.abs(off) < limit * error).all()
    expected = full.mean(axis=0)
    telling = expected > TELLING_SHARE * expected.sum(axis=0)
    assert np.mean((MOST_BIAS * expected > limit * error)[telling]) > 0.5, "too few rays to find a bias"
