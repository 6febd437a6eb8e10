"""The rehearsal: lazy, one way to the light, and nothing traced twice whoever asks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.light.finish import Finish
from sim.quantities.errors import SceneError
from sim.reports import latitude_files
from sim.reports.calibrated_scene import run_calibrate
from sim.reports.check_files import run_checks
from sim.reports.compare_files import run_compare
from sim.reports.finish_files import run_finish
from sim.reports.handout_files import run_handout
from sim.reports.latitude_files import run_latitude
from sim.reports.meter_files import run_meter
from sim.reports.plan_files import run_plan
from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
from sim.session import Rehearsal

SIZE = (24, 36)
SCENE = """\
halfstop: 1
title: Two lights
camera: {place: {at: [0 m, 1.5 m, 3 m]}, aim: face, focal_length: 85 mm, sensor: {width: 36 mm, height: 24 mm},
         orientation: portrait, aperture: f/8, shutter: 1/160 s, iso: 100, focus: face}
room: {size: {width: 5 m, height: 3 m, length: 8 m}, front: 5 m, walls: 0.2, ceiling: 0.2, floor: 0.2}
sitter: {figure: simple}
backdrop: {kind: wall, reflectance: 0.3}
lights:
  key: {source: {kind: flash, energy: 400 W·s}, power: 1/4, modifier: {kind: octabox, diameter: 90 cm},
        place: {bearing: -40°, distance: 1.8 m, height: 2 m}, aim: face}
  fill: {source: {kind: flash, energy: 400 W·s}, power: 1/16, modifier: {kind: octabox, diameter: 90 cm},
         place: {bearing: 30°, distance: 2.5 m, height: 1.8 m}, aim: face}
render: {depth: 2}
"""
READINGS = "readings:\n  - {at: face, facing: key, lights: key, reads: f/8}\n  - {at: face, lights: all, reads: f/8}\n"


@pytest.fixture
def scene_file(tmp_path: Path) -> Path:
    path = tmp_path / "two.yaml"
    path.write_text(SCENE, "utf-8")
    return path


@pytest.fixture
def traced(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, engine: object) -> list[str]:
    """What is asked of the renderer, by the name of the function; kept layers lie in a folder of the test's own."""
    import sim.render.stage.build
    import sim.render.transport.probe
    import sim.render.transport.render
    import sim.render.transport.sight

    asked: list[str] = []

    def watch(module: Any, name: str) -> None:
        plain = getattr(module, name)

        def watched(*arguments: Any, **how: Any) -> Any:
            asked.append(name)
            return plain(*arguments, **how)

        monkeypatch.setattr(module, name, watched)

    watch(sim.render.stage.build, "build")
    watch(sim.render.transport.render, "render")
    watch(sim.render.transport.probe, "read_probes")
    for name in ("direct_light", "first_hits", "is_clear"):
        watch(sim.render.transport.sight, name)
    monkeypatch.setenv("HALFSTOP_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(latitude_files, "PICTURE_SAMPLES", 4)
    monkeypatch.setattr(latitude_files, "PICTURE_SCALE", 0.1)
    return asked


Command = Callable[[Path, Path, bool], object]
COMMANDS: dict[str, Command] = {
    "preview": lambda scene, out, fresh: run_preview(
        scene, PreviewOrder(QUALITIES["draft"], out, "36", samples=4, fresh=fresh)
    ),
    "meter": lambda scene, out, fresh: run_meter(scene, out=out, fresh=fresh),
    "checks": lambda scene, out, fresh: run_checks(scene, out, long_side_px=120, samples=4, fresh=fresh),
    "plan": lambda scene, out, fresh: run_plan(scene, out, views=False, rays=1 << 13, fresh=fresh),
    "handout": lambda scene, out, fresh: run_handout(scene, out, size=SIZE, samples=4, rays=1 << 13, fresh=fresh),
    "finish": lambda scene, out, fresh: run_finish(
        scene, out, Finish("neutral", None, 0.0, None, 0.0), size=SIZE, samples=4, fresh=fresh
    ),
    "latitude": lambda scene, out, fresh: run_latitude(scene, out, fresh=fresh),
    "compare": lambda scene, out, fresh: run_compare(
        [scene], ["key.place.distance=2 m"], out, long_side_px=96, samples=4, fresh=fresh
    ),
}


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_second_run_traces_nothing_and_writes_the_same(
    command: str, traced: list[str], scene_file: Path, tmp_path: Path
) -> None:
    run = COMMANDS[command]
    run(scene_file, tmp_path / "first", False)
    assert traced
    traced.clear()
    run(scene_file, tmp_path / "second", False)
    assert traced == []
    assert _bytes(tmp_path / "first") == _bytes(tmp_path / "second")


@pytest.mark.parametrize("command", ["checks", "plan", "finish"])
def test_fresh_traces_all_anew_and_keeps_nothing(
    command: str, traced: list[str], scene_file: Path, tmp_path: Path
) -> None:
    run = COMMANDS[command]
    run(scene_file, tmp_path / "first", True)
    assert not (tmp_path / "kept").exists()
    once = list(traced)
    run(scene_file, tmp_path / "second", True)
    assert traced == once + once
    assert _bytes(tmp_path / "first") == _bytes(tmp_path / "second")


def test_a_second_calibration_traces_nothing(traced: list[str], scene_file: Path, tmp_path: Path) -> None:
    readings = tmp_path / "readings.yaml"
    readings.write_text(READINGS, "utf-8")
    first = run_calibrate(scene_file, readings, tmp_path / "one.yaml")
    assert traced == ["build", "read_probes"]
    second = run_calibrate(scene_file, readings, tmp_path / "other.yaml")
    assert traced == ["build", "read_probes"] and first[:-1] == second[:-1]


def test_what_a_preview_traced_serves_handout_and_finish(traced: list[str], scene_file: Path, tmp_path: Path) -> None:
    for command in ("preview", "handout", "finish"):
        COMMANDS[command](scene_file, tmp_path / command, False)
    assert traced.count("render") == 1


def test_nothing_is_made_before_it_is_asked_for(traced: list[str], scene_file: Path, tmp_path: Path) -> None:
    # A missing file is told by the first question, not by the making.
    missing = Rehearsal(tmp_path / "none.yaml")
    with pytest.raises(SceneError):
        _ = missing.scene
    rehearsal = Rehearsal(scene_file)
    assert rehearsal.name == "two.yaml" and rehearsal.enabled == ("key", "fill") and rehearsal.picture_size(36) == SIZE
    assert rehearsal.stage.light_names == rehearsal.mix.names == ("key", "fill")
    assert traced == []
    stack = rehearsal.stack(size=SIZE, samples=4)
    again = Rehearsal(rehearsal.scene).stack(size=SIZE, samples=4)
    assert traced == ["build", "render"] and np.array_equal(stack.pixels, again.pixels)


def test_answers_are_kept_as_one_entry_and_unasked_ones_go(traced: list[str], scene_file: Path, tmp_path: Path) -> None:
    rehearsal = Rehearsal(scene_file)
    point = rehearsal.layout.anchors_m["face"] + [0, 0, 0.05]
    with rehearsal.answering("report") as stage:
        for samples in (4, 8):
            stage.direct_light(point, samples=samples)
    assert traced == ["build", "direct_light", "direct_light"]
    assert len(list((tmp_path / "kept").iterdir())) == 1
    with Rehearsal(scene_file).answering("report") as stage:
        stage.direct_light(point, samples=8)
        stage.is_clear(point, point + [0, 0, 0.5])
    with Rehearsal(scene_file).answering("report") as stage:
        stage.direct_light(point, samples=4)
    assert traced[3:] == ["build", "is_clear", "build", "direct_light"]
