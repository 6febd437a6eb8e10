"""The error that a reading states is the one it has: scores of independent seeds have a spread of about 1.

The score of a reading is its distance from the mean over all seeds, in units of the error that it states, scaled so
that right errors give a variance of 1 ([Owen:2013], chapter 17: the error of replicates). An error of 32
replicates is itself known to an eighth, and runs that stop when they seem sure stop a little soon: 0.8 to 1.25.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sim.light.readings import FloatArray, Probe, ProbeId, ProbeReadings
from sim.metering.report_points import report_probes
from sim.quantities.color import luminance
from sim.reports.preview import QUALITIES
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene

pytestmark = pytest.mark.usefixtures("engine")

DEMO = Path(__file__).parents[2] / "scenes" / "recital.yaml"
SEEDS = 36
LEAST_SPREAD, MOST_SPREAD = 0.8, 1.25
# A light below this share of a reading hardly moves it, and may be a few rare flashes.
TELLING_SHARE = 0.02


def held(kind: str, position_m: list[float], facing: list[float]) -> Probe:
    direction = np.array(facing, float)
    return Probe(ProbeId(kind, "here"), kind, np.array(position_m), direction / np.linalg.norm(direction))


METERS = [
    held("flat", [0.0, 1.7, 0.3], [0, 0, 1]),
    held("dome", [0.1, 1.6, 0.35], [0, 0, 1]),
    held("dome", [-0.3, 1.2, 0.4], [-1, 0.5, 1]),
    held("flat", [0.5, 0.05, 1.0], [0, 1, 0]),
]


def spread(read: Callable[[int], ProbeReadings]) -> float:
    """Spread of the scores of all telling readings over the seeds; prints what it is made of."""
    runs = [read(seed) for seed in range(SEEDS)]
    values: FloatArray = np.array([luminance(run.values) for run in runs])
    errors: FloatArray = np.array([run.stderr for run in runs])
    mean = values.mean(axis=0)
    telling = (mean > TELLING_SHARE * mean.sum(axis=1, keepdims=True)) & (mean > 0)
    assert telling.sum() >= 8
    scores = ((values - mean) * np.sqrt(SEEDS / (SEEDS - 1)))[:, telling] / errors[:, telling]
    typical = np.median(errors.mean(axis=0)[telling] / mean[telling])
    print(f"{telling.sum()} readings, spread {scores.std():.2f}, typical error {100 * typical:.3f} %")
    return float(scores.std())


@pytest.mark.parametrize("reflects", [False, True], ids=["black room", "pale room"])
def test_stated_errors_are_those_that_readings_have(reflects: bool) -> None:
    """Straight light alone in a black room, where a low-discrepancy sequence is far better than chance; and bounces."""
    from sim.render.transport.probe import FIRST_RAYS, read_probes
    from tests.physics.stages import bare_stage
    from tests.physics.test_layers import _studio

    faces, surfaces = _studio()
    stage = bare_stage(faces, [(shape, reflectance if reflects else 0.0) for shape, reflectance in surfaces])
    found = spread(lambda seed: read_probes(stage, METERS, seed=seed, most_rays=FIRST_RAYS))
    assert LEAST_SPREAD < found < MOST_SPREAD


@pytest.mark.slow
@pytest.mark.parametrize("target_stderr_stops", [0.05, 0.02])
def test_stated_errors_of_the_demo_are_those_that_readings_have(target_stderr_stops: float) -> None:
    """Every meter of the report, stopping when it is sure enough, as in use."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    scene = load_scene(DEMO)
    layout = layout_from_scene(scene)
    stage, probes = build(scene, layout), report_probes(scene, layout)
    most = QUALITIES["standard"].meter_rays
    found = spread(
        lambda seed: read_probes(stage, probes, seed=seed, target_stderr_stops=target_stderr_stops, most_rays=most)
    )
    assert LEAST_SPREAD < found < MOST_SPREAD
