"""Readings of the demo from independent seeds scatter around the converged value, light by light.

Each reading of each light is tested by Student's t of its seeds' mean against a long run, two-sided, at 0.1 % for all
readings together (Sidak's correction [Sidak:1967]). The runs
stop when they are certain enough, as they do in use, so a bias by stopping early would show as well.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from scipy import stats

from sim.metering.points import scene_probes, standard_probes
from sim.quantities.color import luminance
from sim.reports.preview import QUALITIES
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene

pytestmark = pytest.mark.usefixtures("engine")

DEMO = Path(__file__).parents[2] / "scenes" / "recital.yaml"
SIGNIFICANCE = 0.001
CONVERGED_SEED = 900_001
# A light below this share of a reading hardly moves it: its own relative error says nothing.
TELLING_SHARE = 0.02
PARTS = ("face", "gown", "backdrop")


class Trial(NamedTuple):
    """Readings `values` (seeds, n), their converged `truth` (n,) with standard error, and each one's `share`."""

    values: np.ndarray
    truth: np.ndarray
    truth_stderr: np.ndarray
    share: np.ndarray


class Effort(NamedTuple):
    """Independent seeds, most rays of a probe in one run and in the long run, samples of the long picture."""

    seeds: int
    rays: int
    long_rays: int
    long_samples: int


QUICK = Effort(12, 1 << 13, 1 << 16, 128)
FULL = Effort(64, QUALITIES["draft"].meter_rays, 1 << 22, 8192)
EFFORTS = [pytest.param(QUICK, id="quick"), pytest.param(FULL, id="full", marks=pytest.mark.slow)]


@pytest.fixture(scope="module")
def demo(engine: object) -> tuple[Any, Any, Any]:
    from sim.render.stage.build import build

    scene = load_scene(DEMO)
    layout = layout_from_scene(scene)
    return scene, layout, build(scene, layout)


def scores(trial: Trial) -> np.ndarray:
    """Student's t of each reading's mean over the seeds against its converged value; 0 where all is dark."""
    spread = trial.values.var(axis=0, ddof=1) / len(trial.values) + np.square(trial.truth_stderr)
    return (trial.values.mean(axis=0) - trial.truth) / np.sqrt(np.maximum(spread, 1e-30))


def limit(trial: Trial) -> float:
    """Largest score that chance allows any of the readings."""
    each = 1 - (1 - SIGNIFICANCE) ** (1 / len(trial.truth))
    return float(stats.t.ppf(1 - each / 2, df=len(trial.values) - 1))


def assert_unbiased(trial: Trial, most_bias: float) -> None:
    """No score beyond chance; a common bias of `most_bias` in the readings that tell would have been found."""
    worst = np.abs(scores(trial)).max()
    assert worst < limit(trial)
    telling = trial.share > TELLING_SHARE
    assert telling.sum() >= 5
    biased = trial._replace(values=trial.values * (1 + most_bias))
    assert (np.abs(scores(biased))[telling] > limit(trial)).any(), "too few seeds to find a bias"


def _probe_trial(demo: tuple[Any, Any, Any], effort: Effort) -> Trial:
    from sim.render.transport.probe import read_probes

    scene, layout, stage = demo
    probes = standard_probes(layout) + scene_probes(scene, layout)
    quality = QUALITIES["draft"]

    def read(seed: int, rays: int, target: float) -> Any:
        return read_probes(
            stage, probes, seed=seed, depth=scene.render.depth, target_stderr_stops=target, most_rays=rays
        )

    values = [luminance(read(seed, effort.rays, quality.meter_stderr_stops).values) for seed in range(effort.seeds)]
    long = read(CONVERGED_SEED, effort.long_rays, 1e-9)
    truth = luminance(long.values)
    return Trial(np.stack(values).reshape(effort.seeds, -1), truth.ravel(), long.stderr.ravel(), _share(truth))


def _part_trial(demo: tuple[Any, Any, Any], effort: Effort, *, gather: bool = False) -> Trial:
    from sim.render.transport.render import render

    scene, _, stage = demo
    how = {"size": (40, 60), "depth": scene.render.depth}
    long = render(stage, samples=effort.long_samples, seed=CONVERGED_SEED, gather=False, **how)
    # Read every picture through the masks of the long one: which pixels show a part is not what is tested.
    masks = [long.mask(part) for part in PARTS]

    def means(stack: Any) -> np.ndarray:
        light = np.stack([luminance(stack.pixels[:, mask].astype(np.float64)).mean(axis=1) for mask in masks])
        rows = [stack.region_names.index(part) for part in PARTS]
        return light + luminance(stack.part_excess[:, rows, :3]).T

    values = [means(render(stage, samples=4, seed=seed, gather=gather, **how)) for seed in range(effort.seeds)]
    errors = [np.sqrt(long.variance[:, mask].sum(axis=1, dtype=np.float64)) / mask.sum() for mask in masks]
    truth = means(long)
    return Trial(np.stack(values).reshape(effort.seeds, -1), truth.ravel(), np.stack(errors).ravel(), _share(truth))


def _gathered_trial(demo: tuple[Any, Any, Any], effort: Effort) -> Trial:
    return _part_trial(demo, effort, gather=True)


def _share(truth: np.ndarray) -> np.ndarray:
    return (truth / truth.sum(axis=1, keepdims=True)).ravel()


@pytest.mark.parametrize("effort", EFFORTS)
@pytest.mark.parametrize(
    "trial_of", [_probe_trial, _part_trial, _gathered_trial], ids=["meters", "parts", "gathered parts"]
)
def test_readings_are_unbiased(
    demo: tuple[Any, Any, Any], trial_of: Callable[[tuple[Any, Any, Any], Effort], Trial], effort: Effort
) -> None:
    trial = trial_of(demo, effort)
    z = scores(trial)
    ratio = np.abs(trial.values.mean(axis=0) / np.maximum(trial.truth, 1e-30) - 1)[trial.share > TELLING_SHARE]
    print(
        f"{trial_of.__name__[1:]}: {z.size} readings, {effort.seeds} seeds, worst |t| {np.abs(z).max():.2f} of "
        f"{limit(trial):.2f} allowed, spread of t {z.std():.2f}, worst deviation {100 * ratio.max():.2f} %"
    )
    # A full run finds half a per cent somewhere (1/140 stop), a quick one three; a gathered picture this small has only
    # some hundred rays of a part to put it right, so that it takes a few per cent more.
    few = trial_of is _gathered_trial
    assert_unbiased(trial, (0.03 if few else 0.005) if effort is FULL else (0.12 if few else 0.03))


def test_the_check_finds_a_planted_bias() -> None:
    noise = np.random.default_rng(5).normal(100.0, 1.0, (64, 12))
    fair = Trial(noise, np.full(12, 100.0), np.full(12, 0.01), np.full(12, 1 / 12))
    assert_unbiased(fair, 0.01)
    with pytest.raises(AssertionError):
        assert_unbiased(fair._replace(truth=np.r_[np.full(11, 100.0), 101.0]), 0.01)
    with pytest.raises(AssertionError, match="too few seeds"):
        assert_unbiased(fair._replace(values=100 + 40 * (noise - 100)), 0.01)
