"""The measurement of speed runs, its record holds every field, its errors are what they say; nothing is timed."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene
from tests.bench import clock, growth, versus
from tests.bench.report import SECTIONS, TINY, headline, json_text, measure, merged, tables

SCENE = """\
halfstop: 1
title: Two lights to measure
room: {size: {width: 5 m, height: 3 m, length: 8 m}, walls: 0.4}
camera: {place: {at: [0 m, 1.4 m, 3.5 m]}, aim: chest, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s, iso: 100}
sitter: {figure: simple, turn: 20°}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm, grid: 40°}
    place: {bearing: -40°, distance: 1.8 m, height: 1.9 m}
  rim:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: bare}
    place: {bearing: 140°, distance: 1.3 m, height: 2.2 m}
render: {depth: 2}
"""
TIMES = {"process_s", "wall_s"}
SIDE = {
    "our_s", "stock_s", "our_error", "stock_error", "our_error_trimmed", "stock_error_trimmed", "ratio",
    "ratio_trimmed",
}  # fmt: skip


@pytest.fixture(scope="module")
def scene_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bench") / "set.yaml"
    path.write_text(SCENE, "utf-8")
    return path


def _finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list):
        return all(map(_finite, value))
    return not isinstance(value, float) or math.isfinite(value)


@pytest.mark.usefixtures("engine")
def test_side_by_side_record_is_complete(scene_file: Path) -> None:
    record = measure(scene_file, TINY, ["versus_stock", "drafts"])
    assert json.loads(json_text(record)) == record and _finite(record)
    assert set(record) == {"format", "scene", "machine", "targets", "headline", "versus_stock", "drafts"}
    assert set(record["machine"]) == {"engine", "threads", "cpus", "load_average", "versions"}
    assert set(record["headline"]) == {"layers_over_stock", "sum_over_stock_all_on"} <= set(record["targets"])
    found = record["versus_stock"]
    assert {row["light"] for row in found["lights"]} == {"key", "rim"}
    assert all(set(row) - {"light"} == SIDE for row in found["lights"]) and set(found["all_on"]) == SIDE
    assert all(row["our_error"] > 0 and row["stock_error"] > 0 for row in found["lights"])
    assert found["geometric_mean"] == pytest.approx(math.sqrt(np.prod([row["ratio"] for row in found["lights"]])))
    assert [row["samples"] for row in record["drafts"]["rows"]] == [4, 8, 16]
    assert all(row["denoised_fast_error"] > 0 and row["trace_process_s"] >= 0 for row in record["drafts"]["rows"])
    with (console := Console(width=120)).capture() as told:
        console.print(tables(record))
    assert "geometric mean of the lights" in told.get()


@pytest.mark.slow
@pytest.mark.usefixtures("engine")
def test_whole_record_is_complete(scene_file: Path) -> None:
    record = measure(scene_file, TINY)
    assert _finite(record) and set(SECTIONS) < set(record) and set(record["headline"]) == set(record["targets"])
    stages = record["stages"]
    for child in ("cold", "warm"):
        assert stages[child]["peak_memory_MiB"] > 0
        assert set(stages[child]["first"]) == {"import", "engine", "load", "trace", "meters", "denoise", "write"}
        assert set(stages[child]["again"]) == {"load", "trace", "meters", "denoise", "write"}
    assert set(stages["whole_preview"]) == {"fresh", "keeping", "kept"}
    assert stages["kernels"] > 0
    assert [row["lights"] for row in record["growth"]["lights"]["rows"]] == [1, 2]
    assert set(record["growth"]) == {"lights", "pixels", "triangles"}
    assert set(record["changes"]) == {
        "render_all", "render_one_light", "mix_and_develop", "all_from_kept_layers", "meter_table",
    }  # fmt: skip
    assert all(set(row) == {*TIMES, "over_render_all"} for row in record["changes"].values())
    with (console := Console(width=120)).capture() as told:
        console.print(tables(record))
    assert "What a change costs" in told.get()


@pytest.mark.usefixtures("engine")
def test_both_sides_solve_the_same_problem(scene_file: Path) -> None:
    """Means of our layer and of the stock picture of the same light agree; a profile left in would not."""
    from sim.render.stage.build import build
    from sim.render.transport.render import render
    from tests.bench.stock import stock_picture

    scene = load_scene(scene_file)
    bare = versus.lambertian(layout_from_scene(scene))
    how: dict[str, Any] = {"size": (24, 36), "depth": 2, "samples": 256}
    ours = render(build(scene, bare), **how).pixels
    for index in range(2):
        theirs = stock_picture(build(scene, bare, glowing=frozenset({index})), **how)
        # 864 pixels of 256 samples: noise of the mean is under half a per cent; the grid alone takes over a half.
        assert float(theirs.mean()) == pytest.approx(float(ours[index].mean()), rel=0.02)


def test_errors_are_relative_and_trimmed() -> None:
    reference = np.full((10, 20, 3), 4.0)
    picture = reference * 1.1
    assert versus.relative_errors(picture, reference) == pytest.approx((0.01, 0.01))
    picture[0, 0] = 404.0
    plain, trimmed = versus.relative_errors(picture, reference)
    assert plain == pytest.approx(0.01 * 199 / 200 + 100**2 / 200) and trimmed == pytest.approx(0.01)


def test_median_of_runs_leaves_the_warm_up_out() -> None:
    seen: list[int] = []
    timing = clock.timed(seen.append, 3)
    assert seen == [-1, 0, 1, 2] and timing.process_s >= 0 and timing.wall_s >= 0


def test_growth_scenes_hold_what_they_say(scene_file: Path) -> None:
    layout = layout_from_scene(load_scene(scene_file))
    ring = growth.ringed(layout, 5)
    assert len({tuple(light.position_m.round(6)) for light in ring.lights}) == 5
    finer = growth.refined(layout, 1).figure
    assert finer.triangle_count == 4 * layout.figure.triangle_count
    for coarse, fine in zip(layout.figure.parts, finer.parts, strict=True):
        for end in (np.min, np.max):
            assert np.allclose(end(coarse.points_m, axis=0), end(fine.points_m, axis=0))
        assert coarse.normals is None or len(fine.normals) == len(fine.points_m)


def test_sections_measured_later_join_an_earlier_record() -> None:
    def record(**sections: Any) -> dict[str, Any]:
        machine = {"load_average": {name: [] for name in sections}}
        return {"format": 1, "scene": "s", "machine": machine, "headline": headline(sections), **sections}

    whole = {"fresh": {"wall_s": 4.0}}, {"compiling": {"wall_s": 9.0}}
    old = record(stages={"whole_preview": whole[0], "cold": whole[1]})
    both = merged(old, record(growth={"lights": {"added_over_one": 0.2}}))
    assert both["headline"] == {"added_light_over_one": 0.2, "draft_warm_wall_s": 4.0, "compiling_cold_wall_s": 9.0}
    assert set(both["machine"]["load_average"]) == {"stages", "growth"}
    other = record(growth={"lights": {"added_over_one": 0.3}}) | {"scene": "another"}
    assert merged(old, other) == other
