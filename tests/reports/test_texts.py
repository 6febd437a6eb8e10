"""Texts of the four scenes that come with the program, held to general faults of wording."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from rich.console import Console

from sim.advice.checks.sentences import sentence_from_finding
from sim.advice.finding import Finding, Severity
from sim.cli.tables import touched_share
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeReadings
from sim.light.stack import LightStack
from sim.metering.report import report_from_probes
from sim.metering.report_points import report_probes
from sim.reports.meter_tables import tables_from_report
from sim.reports.plan import plan_from_scene
from sim.reports.plan.caution_words import text_from_caution
from sim.room.snapshot.light_view import lights_from_placements
from sim.room.snapshot.placement_cache import PlacementCache
from sim.scene.model.checks import scene_warnings
from sim.scene.read import load_scene
from sim.scene.text import data_from_text

SCENES = sorted((Path(__file__).resolve().parents[2] / "scenes").glob("*.yaml"))
FAULTS = {
    "a negative zero": r"[-\u2212]0(?:\.0+)?(?![0-9.])",
    "nothing told as a figure": r"(?<![0-9.])0\.0 stops (?:below|above)|(?<![0-9.])0 cm below",
    "an ASCII minus": r"(?<![0-9A-Za-z)\]])-[0-9]",
    "a note for builders": r"no source|common practice",
    "a name of the code": r"\b[a-z]+_[a-z_]+\b|\b[a-z]+\.[a-z]+\.[a-z]+\b",
    "two spaces": r"\S  \S",
    "a quantity without end": r"\b(?:nan|inf|None)\b",
}


def _faults(text: str) -> list[str]:
    return [f"{what}: {found.group()!r} in {text!r}" for what, form in FAULTS.items()
            for found in [re.search(form, text)] if found]  # fmt: skip


def _texts(path: Path) -> Iterator[str]:
    """What plan, kit, cautions, page and meter say of a scene; the light in it is invented."""
    scene = load_scene(path)
    placed = PlacementCache().placed(scene)
    layout, mix = placed.layout, mix_from_scene(scene, placed.layout)
    plan = plan_from_scene(scene, layout, mix)
    yield plan.settings
    for caution in plan.cautions:
        text = text_from_caution(caution)
        yield from (text.heading, text.statement, text.cure)
    for fact in plan.facts:
        yield from (fact.modifier, fact.gels, fact.stand)
    yield from (str(line.item) for line in plan.kit if hasattr(line, "item"))
    for light in lights_from_placements(placed, data_from_text(path.read_text("utf-8"))):
        yield from (str(word) for word in light["words"].values())
    yield from (line.partition(": ")[2] for line in scene_warnings(scene))
    probes = tuple(report_probes(scene, layout))
    values = np.random.default_rng(1).uniform(0.0, 400.0, (len(probes), len(mix.names), 3))
    # A light that gives nearly nothing, and one that gives nearly all.
    values[:, -1] *= 1e-9
    values[::3, 0] *= 1e6
    read = ProbeReadings(probes, mix.names, mix.is_flash, values, values[..., 0] * 0.01, (64,) * len(probes))
    console = Console(width=100, highlight=False)
    with console.capture() as captured:
        console.print(tables_from_report(report_from_probes(scene, layout, read)))
    # Columns are set apart by spaces; each cell is a text.
    yield from (cell for line in captured.get().splitlines() for cell in re.split(r"\s{2,}", line.strip()))


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_what_is_said_of_a_scene_has_none_of_the_general_faults(path: Path) -> None:
    texts = [text for text in _texts(path) if text]
    assert len(texts) > 100
    assert not [fault for text in texts for fault in _faults(text)]


def test_the_faults_are_found() -> None:
    for text in ("\u22120.0", "0.0 stops below", "-13.2", "x (common practice, no source)", "see source.dial.range",
                 "range_stops", "two  spaces", "nan"):  # fmt: skip
        assert _faults(text), text
    assert not _faults("softbox 100 x 140 cm, \u22121.4 stops, 2020-11-28, f/5.6 7/10")


def test_sentences_of_small_and_large_figures_say_no_zero() -> None:
    words = {"target": "backdrop head", "garment": "suit", "eye": "left eye"}
    spill = Finding("spill", Severity.FACT, "key", {"gown": 0.0, "hip": -0.04, "hair": 2.0}, words)
    assert sentence_from_finding(spill) == (
        "key, aimed at backdrop behind head: upper suit just as bright, hip just as bright, hair 2 stops below"
    )
    figures = {"clock": 10.0, "width_mm": 0.2, "height_mm": 0.2, "iris_share": 1e-5, "from_grey_stops": -0.01,
               "visible": 1.0}  # fmt: skip
    glint = sentence_from_finding(Finding("catchlight", Severity.FACT, "key", figures, words))
    assert "under 0.1 % of the iris, middle grey" in glint
    left = Finding("glints of a light", Severity.FACT, "key", {"share": 0.02, "without": 0.0})
    assert sentence_from_finding(left).endswith("without it none are left")
    through = Finding("under the ceiling", Severity.DANGER, "key", {"below_ceiling_m": -0.27})
    assert "27 cm above the ceiling" in text_from_caution(through).statement
    assert all(not _faults(sentence_from_finding(each)) for each in (spill, left))


def test_a_light_that_touches_little_of_a_part_says_on_how_much() -> None:
    layer = np.zeros((1, 10, 10, 3))
    layer[0, :2, :4] = 5.0  # 8 of 100 pixels
    stack = SimpleNamespace(names=("halo",), pixels=layer, mask=lambda part: np.ones((10, 10), bool))
    assert touched_share(cast(LightStack, stack), "backdrop", "halo") == pytest.approx(0.08)
