"""Sets without a sitter, without lights, without a room: whatever has nothing to tell says so in a plain line."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.report import check_report
from sim.advice.checks.sentences import lines_from_findings
from sim.cli.tables import print_preview
from sim.quantities.errors import HalfstopError
from sim.reports.check_files import run_checks
from sim.reports.handout_files import run_handout
from sim.reports.latitude_files import run_latitude
from sim.reports.meter_files import run_meter
from sim.reports.meter_tables import tables_from_report
from sim.reports.plan import plan_from_scene
from sim.reports.plan.caution_words import text_from_caution
from sim.reports.plan.paper import Words
from sim.reports.plan_files import run_plan
from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
from sim.reports.sheets import light_lines
from sim.room.snapshot.light_view import lights_from_placements
from sim.room.snapshot.placement_cache import PlacementCache
from sim.scene.read import load_scene
from sim.scene.text import data_from_text
from sim.session import Rehearsal

HEAD = """halfstop: 1
title: Nobody yet
room: {size: {width: 6 m, height: 3 m, length: 9 m}}
camera: {place: {at: [0 m, 1.4 m, 4 m]}, focal_length: 50 mm, aperture: f/5.6, shutter: 1/160 s}
sitter: {figure: none}
"""
LIGHTS = """lights:
  key: {source: {kind: flash, energy: 400 W·s}, place: {bearing: -45°, distance: 2 m, height: 2.2 m},
        modifier: {kind: octabox, diameter: 120 cm}}
  fill: {source: {kind: flash, energy: 100 W·s}, place: {bearing: 30°, distance: 2.5 m, height: 1.6 m},
         modifier: {kind: shoot-through, diameter: 105 cm}}
  top: {source: {kind: flash, energy: 100 W·s}, place: {at: [0 m, 2.9 m, 0 m]}, stand: boom, aim: {at: [0 m, 0 m, 0 m]}}
"""
OUTDOORS = HEAD.replace("room: {size: {width: 6 m, height: 3 m, length: 9 m}}", "room: outdoors")


def _file(folder: Path, text: str) -> Path:
    path = folder / "set.yaml"
    path.write_text(text, "utf-8")
    return path


# -- nobody there ----------------------------------------------------------------------------------


def test_a_set_without_a_sitter_is_metered_in_the_air(engine: None, tmp_path: Path, capsys) -> None:
    order = PreviewOrder(QUALITIES["draft"], tmp_path / "out", size_text="60", samples=2)
    made = run_preview(_file(tmp_path, HEAD + LIGHTS), order)
    spots = {point.name for point in made.report.points if point.spot is not None}
    assert all(name.startswith("backdrop") for name in spots) and "face" not in spots
    assert made.report.key.light == "key" and made.nose_shadow is None
    # By hand: each alone, flat receptor turned to it; the ratio is 2 to the stops between them, and one.
    ratio = made.report.ratio
    assert ratio.fill is not None and ratio.factor == pytest.approx(2**ratio.key_over_fill_stops + 1)
    stream = io.StringIO()
    Console(file=stream, width=200).print(tables_from_report(made.report, made.nose_shadow))
    assert "No sitter: incident readings in the air" in stream.getvalue() and "Contrast" not in stream.getvalue()

    print_preview(made)
    told = capsys.readouterr().out
    assert "No sitter:" in told and "Contrast of the cheeks" not in told and "Nose shadow" not in told


def test_checks_say_once_that_nobody_is_there(engine: None, tmp_path: Path) -> None:
    made = run_checks(_file(tmp_path, HEAD + LIGHTS), tmp_path / "out", long_side_px=120, samples=2)
    told = dict(made.lines)
    assert told["Sitter"] == ["there is none: no face, outline, eyes or clothes to look at"]
    assert not told.keys() & {"Nose shadow", "Separation", "Burnt out", "Catchlights", "Sparkle"}
    assert "In the picture" in told and not any("face" in line for line in told["What each light does"])


def test_in_the_open_without_sitter_and_backdrop_there_is_little_to_check(engine: None, tmp_path: Path) -> None:
    rehearsal = Rehearsal(_file(tmp_path, OUTDOORS + LIGHTS))
    stack = rehearsal.stack(size=(40, 60), samples=2)
    report = check_report(rehearsal.scene, rehearsal.stage, stack, rehearsal.mix)
    told = dict(lines_from_findings(findings_from_report(report)))
    assert "What each light does" not in told and "Spill" not in told and "Sitter" in told


def test_latitude_without_a_sitter_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(HalfstopError, match="there is no sitter"):
        run_latitude(_file(tmp_path, HEAD + LIGHTS), tmp_path / "out")
    assert not (tmp_path / "out").exists()


# -- no light --------------------------------------------------------------------------------------


def test_what_needs_light_says_that_there_is_none(tmp_path: Path) -> None:
    path, out = _file(tmp_path, HEAD), tmp_path / "out"
    for make in (
        lambda: run_preview(path, PreviewOrder(QUALITIES["draft"], out)),
        lambda: run_meter(path),
        lambda: run_checks(path, out),
        lambda: run_latitude(path, out),
        lambda: run_handout(path, out, size=(40, 60), samples=2),
    ):
        with pytest.raises(HalfstopError, match="there is no light on this set"):
            make()
    assert not out.exists()


def test_the_plan_of_an_empty_set_is_drawn(tmp_path: Path) -> None:
    files = run_plan(_file(tmp_path, HEAD), tmp_path / "out", views=False)
    page = next(path for path in files if path.name == "plan.html").read_text("utf-8")
    assert "No sitter. No lights yet." in page


# -- no room ---------------------------------------------------------------------------------------


def test_cautions_outdoors_leave_walls_ceiling_and_sitter_out_and_name_the_wind(tmp_path: Path) -> None:
    def headings(text: str) -> set[str]:
        rehearsal = Rehearsal(_file(tmp_path, text))
        plan = plan_from_scene(rehearsal.scene, rehearsal.layout, rehearsal.mix)
        return {text_from_caution(caution).heading for caution in plan.cautions}

    somebody = HEAD.replace("figure: none", "figure: simple")
    indoors = headings(somebody + LIGHTS)
    assert {"top under the ceiling", "Flash and eyes"} <= indoors and "Wind and wet" not in indoors
    assert any("over the sitter" in heading.lower() for heading in indoors)
    outdoors = headings(OUTDOORS + LIGHTS)
    assert "Wind and wet" in outdoors and not any("ceiling" in heading for heading in outdoors)
    assert not any("sitter" in heading.lower() or "eyes" in heading for heading in outdoors)


@pytest.mark.parametrize(
    ("head", "words", "source"),
    [(HEAD, "even light of the room", "light of the room"), (OUTDOORS, "open sky", "light of the sky")],
)
def test_even_light_outdoors_is_the_open_sky(tmp_path: Path, head: str, words: str, source: str) -> None:
    path = _file(tmp_path, f"{head}{LIGHTS}ambient:\n  - {{name: sky, kind: uniform, illuminance: 2000 lx}}\n")
    placed = PlacementCache().placed(load_scene(path))
    assert light_lines(placed.scene, "sky") == (words, "2000 lx")
    assert plan_from_scene(placed.scene, placed.layout, placed.mix).even_light == words
    listed = lights_from_placements(placed, data_from_text(path.read_text("utf-8")))[-1]["words"]
    assert (listed["modifier"], listed["source"]) == (words, source)


def test_plan_and_elevation_outdoors_scale_to_the_set(tmp_path: Path) -> None:
    rehearsal = Rehearsal(_file(tmp_path, OUTDOORS + LIGHTS))
    plan, side, _ = plan_from_scene(rehearsal.scene, rehearsal.layout, rehearsal.mix).sheets
    roles = {shape.role for sheet in (plan, side) for shape in sheet.shapes}
    assert {"ground-drawn", "ground-line"} <= roles and not roles & {"room", "part-of-room"}
    # A set some 6 m across at 1:50 or larger, not 60 x 90 m of ground.
    assert plan.scale_mm_per_m >= 20 and side.scale_mm_per_m >= 20
    assert any(isinstance(s, Words) and s.text.startswith("outdoors, no walls") for s in plan.shapes)
