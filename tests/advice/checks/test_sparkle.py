"""Glints drawn on cloth: counted per cm2, told by light, and not mistaken for smooth highlights or noise."""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.sparkle import sparkle
from tests.advice.checks.stacks import REGIONS, camera, drawn_stack, mix_of

SIZE = (120, 120)
CLOTH = np.full(SIZE, REGIONS.index("gown"))
FOV_DEG = 20.0
# A pixel at 3 m: (2 tan 10 deg * 3 m / 120 px) squared.
PIXEL_CM2 = (100 * 2 * np.tan(np.radians(10)) * 3 / 120) ** 2


def _glints(count: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rows, columns = np.divmod(rng.choice(30 * 30, count, replace=False), 30)
    found = np.zeros(SIZE)
    found[4 * rows + 2, 4 * columns + 2] = 20.0
    return found


def test_index_is_glints_over_area_and_the_maker_is_named() -> None:
    layers = {"soft": np.ones(SIZE), "hard": _glints(90), "weak": _glints(10, seed=2)}
    found = sparkle(drawn_stack(layers, CLOTH), mix_of(*layers), camera(), FOV_DEG)
    assert found is not None
    area = SIZE[0] * SIZE[1] * PIXEL_CM2
    shared = int(((layers["hard"] > 0) & (layers["weak"] > 0)).sum())
    assert found.cloth_cm2 == pytest.approx(area, rel=1e-5)
    assert found.index == pytest.approx((100 - shared) / area, rel=1e-5)
    assert found.by_light["hard"] == pytest.approx(90 / area, rel=1e-5)
    assert found.without["hard"] == pytest.approx(10 / area, rel=1e-5)
    assert found.without["soft"] == pytest.approx(found.index)
    assert found.by_light["soft"] == 0


def test_the_makers_loss_must_matter() -> None:
    layers = {"soft": np.ones(SIZE), "hard": _glints(300)}
    assert sparkle(drawn_stack(layers, CLOTH), mix_of(*layers), camera(), FOV_DEG).maker == "hard"
    few = {"soft": np.ones(SIZE), "hard": _glints(20)}
    assert sparkle(drawn_stack(few, CLOTH), mix_of(*few), camera(), FOV_DEG).maker is None


def test_a_smooth_bright_edge_and_noise_are_no_glints() -> None:
    x = np.arange(SIZE[1])[None, :]
    smooth = np.broadcast_to(1 + 9 * np.exp(-x / 40.0), SIZE)
    assert sparkle(drawn_stack({"a": smooth}, CLOTH), mix_of("a"), camera(), FOV_DEG).index == 0
    # Every glint lies within two standard errors of the threshold.
    noisy = drawn_stack({"soft": np.ones(SIZE), "hard": _glints(90)}, CLOTH, variance=100.0)
    found = sparkle(noisy, mix_of("soft", "hard"), camera(), FOV_DEG)
    assert found.index == 0 and found.doubtful == 1


def test_no_clothes_no_sparkle() -> None:
    stack = drawn_stack({"a": np.ones(SIZE)}, np.full(SIZE, REGIONS.index("backdrop")))
    assert sparkle(stack, mix_of("a"), camera(), FOV_DEG) is None
