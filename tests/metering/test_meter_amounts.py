"""Readings in lx and lx·s: a bare source by hand, each kind of light under its own unit, and what is printed of them.

Source: inverse square law, E = I / d^2 [CIE18:2019]; a source of phi lumens that shines evenly all round has I = phi /
(4 pi).
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering.points import Reading, amount_text, amounts_from_reading, readings_from_probes
from sim.metering.report import json_from_report, report_from_probes
from sim.metering.report_points import report_probes
from sim.reports.meter_tables import tables_from_report
from sim.scene.model import Camera
from sim.scene.read import load_scene
from sim.studio.gear.emitter import Emitter, Profile
from sim.studio.layout import layout_from_scene

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "continuous_set.yaml"
FLUX_LM, DISTANCE_M = 1000.0, 2.0
EXPECTED = FLUX_LM / (4 * np.pi) / DISTANCE_M**2
MIX = Mix(("flash", "lamp"), (0.0, 0.0), np.ones((2, 3)), (False, False), (True, False))


@pytest.fixture(scope="module")
def camera() -> Camera:
    return load_scene(SCENE).camera


@pytest.fixture(scope="module")
def bulbs(engine: object) -> ProbeReadings:
    """A flat receptor and a dome turned to two bare bulbs at one place, a flash and a lamp."""
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    round_about = Emitter("sphere", 0.02, FLUX_LM, Profile(theta_max_rad=np.pi))
    stage = bare_stage([faced(round_about, [0, 0, 0], [0, 0, 1], layer) for layer in (0, 1)])
    stage = replace(stage, light_names=MIX.names, is_flash=MIX.is_flash)
    place, facing = np.array([0.0, 0.0, DISTANCE_M]), np.array([0.0, 0.0, -1.0])
    return read_probes(stage, [Probe(ProbeId(kind, "here"), kind, place, facing) for kind in ("flat", "dome")])


@pytest.mark.parametrize("shutter_s", [1 / 125, 1 / 60, 2.0])
def test_a_bare_source_reads_its_intensity_over_distance_squared(
    bulbs: ProbeReadings, camera: Camera, shutter_s: float
) -> None:
    """19.9 lx at 2 m from 1000 lm, as many lx·s of a flash of 1000 lm·s, however long the shutter is open."""
    for read in readings_from_probes(bulbs, MIX, camera.model_copy(update={"shutter_s": shutter_s})):
        flash, lamp = read.by_light["flash"], read.by_light["lamp"]
        assert amounts_from_reading(flash, read.kind) == {"exposure_lx_s": pytest.approx(EXPECTED, rel=0.002)}
        assert amounts_from_reading(lamp, read.kind) == {"illuminance_lx": pytest.approx(EXPECTED, rel=0.002)}
        assert (amount_text(flash, read.kind), amount_text(lamp, read.kind)) == ("19.9 lx·s", "19.9 lx")
        # Where both meet, both are said; in the exposure the lamp counts for as long as the shutter is open.
        assert amount_text(read.combined, read.kind) == "19.9 lx·s + 19.9 lx"
        assert read.combined.exposure == pytest.approx(EXPECTED * (1 + shutter_s), rel=0.002)


def test_a_muted_light_gives_no_amount(bulbs: ProbeReadings, camera: Camera) -> None:
    for only, expected in (("flash", {"exposure_lx_s"}), ("lamp", {"illuminance_lx"})):
        read = readings_from_probes(bulbs, MIX.only([only]), camera)[0]
        assert set(amounts_from_reading(read.combined, read.kind)) == expected


def test_reflected_light_has_units_of_luminance() -> None:
    reading = Reading(1.0, 8.0, None, 0.0, 0.01, 1.0, flash=0.63, continuous=80.0)
    assert amounts_from_reading(reading, "spot") == {"exposure_cd_s_m2": 0.63, "luminance_cd_m2": 80.0}
    assert amount_text(reading, "part") == "0.630 cd·s/m² + 80.0 cd/m²"


def test_the_report_tells_lx_in_its_table_and_in_json(camera: Camera) -> None:
    scene = load_scene(SCENE)
    layout = layout_from_scene(scene, SCENE.parent)
    probes = report_probes(scene, layout)
    values = np.full((len(probes), len(layout.light_names), 3), 640.0)
    read = ProbeReadings(
        tuple(probes), layout.light_names, layout.is_flash, values, 0 * values[:, :, 0], (1,) * len(probes)
    )
    mix = Mix(
        layout.light_names, (0.0,) * values.shape[1], np.ones(values.shape[1:]), (False,) * values.shape[1],
        layout.is_flash,
    )  # fmt: skip
    assert not any(layout.is_flash)
    report = report_from_probes(scene, layout, read, mix=mix)
    record = json_from_report(report)["points"]["face"]["incident"]
    lights = list(layout.light_names)
    assert record["by_light"][lights[0]]["light"] == {"illuminance_lx": pytest.approx(640.0)}
    assert record["combined"]["light"] == {"illuminance_lx": pytest.approx(640.0 * len(lights))}
    stream = io.StringIO()
    Console(file=stream, width=100, color_system=None).print(tables_from_report(report, lux=True))
    lines = stream.getvalue().splitlines()
    assert max(map(len, lines)) <= 100
    rows = [line.split() for line in lines if line.split()[:1] == ["face"]]
    assert rows[0][-2:] == [f"{640 * len(lights)}", "lx"] and rows[-1].count("lx") == len(lights)
