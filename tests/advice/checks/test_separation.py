"""Separation along outlines drawn with a known contrast and known noise."""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.separation import WEAK_RGB, contrast_stops, marked, separation
from tests.advice.checks.stacks import REGIONS, camera, disc, drawn_stack, mix_of

SIZE = (200, 160)


def _levels(region: np.ndarray, sitter: float, behind: float) -> np.ndarray:
    return np.where(region == REGIONS.index("backdrop"), behind, sitter)


@pytest.mark.parametrize("stops", [-3.0, -0.7, 1.0, 2.5])
def test_a_drawn_contrast_is_read_in_stops(stops: float) -> None:
    region = disc(SIZE, 50)
    found = separation(drawn_stack({"a": _levels(region, 2.0**stops, 1.0)}, region), mix_of("a"), camera())
    assert found.contrast_stops == pytest.approx(np.full(len(found.contrast_stops), stops), abs=1e-4)
    assert found.median_stops == pytest.approx(abs(stops), abs=1e-4)
    assert found.weak_share == 0 and not found.stretches


def test_the_weak_half_is_found_where_it_is_and_marked() -> None:
    region = disc(SIZE, 50, "arms")
    x = np.arange(SIZE[1])[None, :]
    behind = np.where(x < SIZE[1] / 2, 0.9, 0.25)
    stack = drawn_stack({"a": np.where(region == REGIONS.index("backdrop"), behind, 1.0)}, region)
    found = separation(stack, mix_of("a"), camera())
    assert found.weak_share == pytest.approx(0.5, abs=0.06)
    (stretch,) = found.stretches
    assert (stretch.region, stretch.side) == ("arms", "camera left")
    assert stretch.contrast_stops == pytest.approx(np.log2(1 / 0.9), abs=0.02)
    assert stretch.place[0] < 0.4
    picture = marked(np.zeros((*SIZE, 3), np.uint8), found)
    weak = (picture == WEAK_RGB).all(axis=-1)
    columns = np.nonzero(weak)[1]
    assert weak.sum() > 100 and np.median(columns) < 0.4 * SIZE[1] and columns.max() < 0.56 * SIZE[1]


def test_the_light_that_parts_them_is_named() -> None:
    """One light on both alike, one on the backdrop only: it makes 2 stops of contrast and its loss takes them."""
    region = disc(SIZE, 50)
    layers = {"even": _levels(region, 1.0, 1.0), "halo": _levels(region, 0.0, 3.0)}
    found = separation(drawn_stack(layers, region), mix_of("even", "halo"), camera())
    assert found.provider == "halo"
    assert found.loss_stops["halo"] == pytest.approx(2.0, abs=1e-3)
    assert found.loss_stops["even"] < 0


def test_stated_noise_is_the_scatter_of_noisy_pictures() -> None:
    region, sigma = disc(SIZE, 50), 0.1
    level = _levels(region, 1.0, 0.5)
    draws = []
    for seed in range(40):
        noisy = level + np.random.default_rng(seed).normal(0, sigma, SIZE)
        found = separation(drawn_stack({"a": noisy}, region, sigma**2), mix_of("a"), camera())
        draws.append(found.contrast_stops)
    scatter = np.std(draws, axis=0, ddof=1)
    assert np.median(found.stderr_stops) == pytest.approx(np.median(scatter), rel=0.1)


def test_black_behind_stays_finite() -> None:
    assert contrast_stops(np.array([1.0, 0.0]), np.array([0.0, 0.0])).tolist() == [10.0, 0.0]
