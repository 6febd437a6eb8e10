"""`halfstop meter` with care: only some points, a precision, a number of rays."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from sim.cli.app import run
from sim.metering.report_points import SHADOW_CHEEK
from sim.reports import meter_files
from sim.reports.meter_files import Care, run_meter
from tests.physics.test_meter_errors import METERS

SCENE = """\
halfstop: 1
title: One light
camera: {place: {at: [0 m, 1.5 m, 3 m]}, aim: face, focal_length: 85 mm, sensor: {width: 36 mm, height: 24 mm},
         orientation: portrait, aperture: f/8, shutter: 1/160 s, iso: 100, focus: face}
room: {size: {width: 5 m, height: 3 m, length: 8 m}, front: 5 m, walls: 0.7, ceiling: 0.8, floor: 0.5}
sitter: {figure: simple}
backdrop: {kind: wall, reflectance: 0.3}
lights:
  key: {source: {kind: flash, energy: 400 W·s}, power: 1/4, modifier: {kind: octabox, diameter: 90 cm},
        place: {bearing: -40°, distance: 1.8 m, height: 2 m}, aim: face}
meters:
  lapel: {at: chest, kind: dome, facing: camera}
"""


@pytest.fixture(autouse=True)
def tiny_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture of the exposure's health is not what is tested."""
    monkeypatch.setattr(meter_files, "PICTURE_LONG_SIDE_PX", 36)
    monkeypatch.setattr(meter_files, "PICTURE_SAMPLES", 4)


@pytest.fixture(scope="module")
def scene_file(engine: object, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("care") / "one.yaml"
    path.write_text(SCENE, "utf-8")
    return path


def test_only_the_points_asked_for_are_read_as_surely_as_asked(scene_file: Path) -> None:
    rough = run_meter(scene_file, fresh=True, care=Care(("face", "shadow cheek", "lapel"), most_rays=1 << 12))
    assert [point.name for point in rough.report.points] == [SHADOW_CHEEK, "face", "lapel"]
    sure = run_meter(scene_file, fresh=True, care=Care(("face",), precision_stops=0.002))
    assert [point.name for point in sure.report.points] == ["face"]
    before, after = (made.report.point("face").incident.combined for made in (rough, sure))
    assert before.stderr_stops > 0.002 >= after.stderr_stops
    # The rough reading is within what it said of the sure one.
    off_stops = abs(np.log2(before.exposure / after.exposure))
    assert off_stops < 4 * np.hypot(before.stderr_stops, after.stderr_stops)


@pytest.mark.usefixtures("engine")
def test_a_reading_does_not_hang_on_which_others_are_asked_for() -> None:
    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage
    from tests.physics.test_layers import _studio

    stage = bare_stage(*_studio())
    together = read_probes(stage, METERS, target_stderr_stops=0.02)
    for index, meter in enumerate(METERS):
        alone = read_probes(stage, [meter], target_stderr_stops=0.02)
        np.testing.assert_allclose(alone.values[0], together.values[index], rtol=1e-5)
        assert alone.rays[0] == together.rays[index]
    twice = read_probes(stage, [METERS[0], METERS[0]], most_rays=1 << 12)
    np.testing.assert_array_equal(twice.values[0], twice.values[1])


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--precision", "0"], "--precision 0: expected 0.001 to 1 stop"),
        (["--rays", "7"], "--rays 7: expected 4096 to"),
        (["--only", " , "], "--only names no point"),
        (["--only", "nose"], 'there is no meter point "nose"'),
    ],
)
def test_what_cannot_be_asked_for_is_one_line(
    arguments: list[str], line: str, scene_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["meter", str(scene_file), *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.splitlines()[-1].startswith(f"halfstop: {line}")


def test_a_limit_of_bounces_and_a_precision_that_was_not_reached_are_said(scene_file: Path, tmp_path: Path) -> None:
    from rich.console import Console

    from sim.reports.meter_tables import tables_from_report

    def said(file: Path, care: Care) -> str:
        with (console := Console(width=400, color_system=None)).capture() as captured:
            made = run_meter(file, fresh=True, care=care)
            console.print(tables_from_report(made.report, made.nose_shadow))
        return captured.get()

    rough = Care(("face",), precision_stops=0.001, most_rays=1 << 12)
    text = said(scene_file, rough)
    assert "Less sure than the 0.001 stops asked for: key at face" in text
    # 40 degrees aside and above a face that looks at the camera: common practice, no source.
    assert re.search(
        r"Nose shadow of key: (loop|triangle under the eye) \(the face is lit from camera left\)\. The", text
    )
    limited = tmp_path / "limited.yaml"
    limited.write_text(SCENE + "render: {depth: 1}\n", "utf-8")
    text = said(limited, rough)
    assert "Light is followed for 1 bounce only, as the scene asks" in text and "Less sure" not in text
