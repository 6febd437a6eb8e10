"""Texts of the scenes that come with the program, of every command and report, held to general faults of wording."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from rich.console import Console, RenderableType

from sim.advice.balance import definition
from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.latitude_words import latitude_lines
from sim.advice.checks.sentences import lines_from_findings, sentence_from_finding
from sim.advice.compare.figures import rows_from_figures
from sim.advice.finding import Finding, Severity
from sim.cli.lighting import _move_table, _reason_lines, _wish_table
from sim.cli.tables import readings_table, touched_share
from sim.light.readings import ProbeId
from sim.light.stack import LightStack
from sim.metering.calibrate import report_lines
from sim.metering.health import Health, PartHealth, health_lines
from sim.metering.points import STANDARD_POINTS, readings_by_probe
from sim.metering.report_points import label_from_probe, points_of_set
from sim.quantities import phrases
from sim.reports.latitude_files import LatitudeMade
from sim.reports.meter_tables import tables_from_report
from sim.reports.plan import plan_from_scene
from sim.reports.plan.caution_words import text_from_caution
from sim.reports.plan.page import html_from_plan
from sim.reports.preview import Preview
from sim.room.snapshot.light_view import lights_from_placements
from sim.room.targets import dials_from_balance
from sim.scene.light_words import lights_text
from sim.scene.model.checks import scene_warnings
from sim.scene.text import data_from_text
from tests.reports.invented_results import Invented

FOLDER = Path(__file__).resolve().parents[2] / "scenes"
# The empty set has no light to speak of.
SCENES = sorted({*FOLDER.glob("*.yaml"), *FOLDER.glob("starts/*.yaml")} - {FOLDER / "starts" / "empty_set.yaml"})
FAULTS = {
    "a negative zero": r"[-\u2212]0(?:\.0+)?(?![0-9.])",
    "nothing told as a figure": r"(?<![0-9.])0\.0 stops (?:below|above)|(?<![0-9.])0 cm below",
    "an ASCII minus": r"(?<![0-9A-Za-z)\]])-[0-9]",
    "a note for builders": r"no source|common practice",
    "a name of the code": r"\b[a-z]+_[a-z_]+\b|\b[a-z]+\.[a-z]+\.[a-z]+\b",
    "a text that is cut off": r"\u2026",
    "two spaces": r"\S  \S",
    "a stop that is not one": r"(?<![0-9./])(?!1 stop)[0-9]+(?:\.[0-9]+)? stop\b|(?<![0-9./])1 stops",
    "one of many": r"(?<![0-9.,/:x] )(?<![0-9.,/])\b1 (?:lights|points|windows|readings|files|tenths|bounces|bags)\b",
    "a whole ratio with a decimal": r"(?<![0-9.])1\.0 : 1\b|\b1 : 1\.0\b",
    "a place in brackets": r"\[[\u2212-]?[0-9][^\]]* m[,\]]",
    "a statistician's word": r"\brms\b|\bsigma\b|\bpercentile\b",
    "more than all": r"\b100 % of (?:its|the) light\b",
    "a light under two headings": r"\bkey: key\b",
    "a quantity without end": r"\b(?:nan|inf|None)\b",
}


def _faults(text: str) -> list[str]:
    return [f"{what}: {found.group()!r} in {text!r}" for what, form in FAULTS.items()
            for found in [re.search(form, text)] if found]  # fmt: skip


# -- what each report says ------------------------------------------------------------------------


@cache
def _invented(name: str) -> Invented:
    """A scene that comes with the program."""
    path = next(path for path in SCENES if path.stem == name)
    return Invented(path, path.read_text("utf-8"))


def _printed(*tables: RenderableType) -> Iterator[str]:
    """Texts of tables for the terminal: columns are set apart by spaces, and each cell is a text."""
    console = Console(width=100, highlight=False)
    with console.capture() as captured:
        for table in tables:
            console.print(table)
    yield from (cell for line in captured.get().splitlines() for cell in re.split(r"\s{2,}", line.strip()))


def _shown(html: str) -> Iterator[str]:
    """Texts that a page shows or speaks."""
    plain = re.sub(r"(?s)<(script|style)\b.*?</\1>", "", html)
    yield from (unescape(label) for label in re.findall(r'(?:aria-label|alt|title)="([^"]*)"', plain))
    for text in re.split(
        r"(?s)</?(?:p|li|td|th|h\d|div|tr|text|tspan|figcaption|br|dt|dd|section|option)\b[^>]*>", plain
    ):
        yield " ".join(unescape(re.sub(r"(?s)<[^>]*>", "", text)).split())


def _plan(made: Invented) -> Iterator[str]:
    scene, layout = made.scene, made.layout
    plan = plan_from_scene(scene, layout, made.mix)
    yield plan.settings
    for caution in plan.cautions:
        text = text_from_caution(caution)
        yield from (text.heading, text.statement, text.cure)
    for fact in plan.facts:
        yield from (fact.modifier, fact.gels, fact.stand)
    yield from (str(line.item) for line in plan.kit if hasattr(line, "item"))
    yield from _shown(html_from_plan(plan))


def _room(made: Invented) -> Iterator[str]:
    for light in lights_from_placements(made.placed, data_from_text(made.text)):
        yield from (str(word) for word in light["words"].values())


def _check(made: Invented) -> Iterator[str]:
    yield lights_text(made.scene)
    yield from (line.partition(": ")[2] for line in scene_warnings(made.scene))


def _meter(made: Invented) -> Iterator[str]:
    yield from _printed(tables_from_report(made.report), tables_from_report(made.report, lux=True))
    half = PartHealth(100, 0.024, 0.017, 0.5, 0.6, -3.0, 0.0, 1.0, ())
    for f_number, change in ((8.0, 0.0), (11.0, 1.0), (4.0, -0.3), (None, None)):
        yield from health_lines(
            Health("face", f_number, change, 12.0, {made.scene.sitter.garment: half}), made.scene.camera
        )


def _preview(made: Invented) -> Iterator[str]:
    read = readings_by_probe(made.measured, made.mix, made.scene.camera)
    shown = [read[probe] for probe in (*STANDARD_POINTS, *(ProbeId("own", name) for name in made.scene.meters))]
    # Each part is lit in a corner alone, by readings of many signs.
    layer = np.zeros((len(made.mix.names), 10, 10, 3))
    layer[:, :2, :4] = 5.0
    stack = SimpleNamespace(names=made.mix.names, pixels=layer, mask=lambda part: np.ones((10, 10), bool))
    parts = [
        replace(read[ProbeId("spot", part)], id=ProbeId("part", name))
        for part, name in (("face", "face"), ("gown", made.scene.sitter.garment), ("backdrop centre", "backdrop"))
    ]
    doubtful = [
        replace(part, by_light={name: replace(each, stderr_stops=0.4) for name, each in part.by_light.items()})
        for part in parts
    ]
    preview = SimpleNamespace(scene=made.scene, points=shown, parts=doubtful, enabled=made.mix.names, stack=stack)
    yield from _printed(readings_table(cast(Preview, preview), pretty=True))


def _checks(made: Invented) -> Iterator[str]:
    for heading, lines in lines_from_findings(findings_from_report(made.checks())):
        yield from (heading, *(line.strip() for line in lines))


def _latitude(made: Invented) -> Iterator[str]:
    reach = made.latitude()
    yield LatitudeMade(reach, (), ()).key_line
    for heading, lines in latitude_lines(reach):
        yield from (heading, *lines)


def _balance(made: Invented) -> Iterator[str]:
    for result in made.balances():
        yield from _printed(_wish_table(result), _move_table(result))
        yield from (*_reason_lines(result), definition(result.reference), *dials_from_balance(result)["text"])


def _compare(made: Invented) -> Iterator[str]:
    first, second = made.alternatives()
    for figures in (first, second):
        for row in rows_from_figures(figures, first):
            yield from row


def _calibrate(made: Invented) -> Iterator[str]:
    for readings, found in made.calibrations():
        yield from report_lines(readings, found, made.scene)
        yield from report_lines(readings, found, made.scene, {made.mix.names[0]: "at most 200 lm/W"})


REPORTS = (_plan, _room, _check, _meter, _preview, _checks, _latitude, _balance, _compare, _calibrate)


@cache
def _said(name: str) -> dict[str, list[str]]:
    """What every report says of a scene."""
    return {report.__name__: [text for text in report(_invented(name)) if text] for report in REPORTS}


# These have a gown and a suit, flash, continuous light and light of the room, panels and meters of their own.
TOLD = ("recital", "continuous_set", "three_lights")


@pytest.mark.parametrize(
    "name",
    [path.stem if path.stem in TOLD else pytest.param(path.stem, marks=pytest.mark.slow) for path in SCENES],
)
def test_what_is_said_of_a_scene_has_none_of_the_general_faults(name: str) -> None:
    made, said = _invented(name), _said(name)
    assert min(len(texts) for texts in said.values()) > 0 and sum(map(len, said.values())) > 400
    texts = dict.fromkeys(text for of_report in said.values() for text in of_report)
    assert not [fault for text in texts for fault in _faults(text)]
    # Whoever wears a suit is told of a suit.
    unworn = "gown" if made.scene.sitter.garment == "suit" else "suit"
    assert not [text for text in texts if re.search(rf"\b{unworn}\b", text)]


def test_help_schema_and_pages_have_none_of_the_general_faults() -> None:
    from typer.main import get_command

    from sim.cli.app import app
    from sim.scene.read import scene_schema
    from sim.sweep.page_text import html_from_page
    from tests.sweep.results import invented

    group = get_command(app)
    texts = [str(group.help)]
    for command in group.commands.values():  # type: ignore[attr-defined]
        texts += [str(command.help), *(str(getattr(each, "help", "") or "") for each in command.params)]
    texts += re.findall(r'"description": "((?:[^"\\]|\\.)*)"', json.dumps(scene_schema(), ensure_ascii=False))
    texts += list(_shown(html_from_page(invented()[1])))
    told = [" ".join(text.split()) for text in texts]
    # A setting's values are told as the study has them.
    allowed = ("an ASCII minus", "a name of the code", "a stop that is not one: '1 stops' in 'key box")
    assert not [fault for text in told for fault in _faults(text) if not fault.startswith(allowed)]


def test_a_point_goes_by_one_name_everywhere() -> None:
    """The preview's points are among those of the meter, each name once; own meters say how they are held."""
    for path in SCENES:
        made = _invented(path.stem)
        names = points_of_set(made.scene, made.layout)
        assert {label_from_probe(probe, made.scene) for probe in STANDARD_POINTS} <= set(names)
        own = [label_from_probe(ProbeId("own", name), made.scene) for name in made.scene.meters]
        assert [point.label for point in made.report.points][len(made.report.points) - len(own) :] == own
        for name, meter in made.scene.meters.items():
            plain = meter.kind == "dome" and meter.facing == "camera"
            assert (name in own) is plain, "a meter that is held otherwise says how"
    suit = _invented("three_lights")
    assert [label_from_probe(probe, suit.scene) for probe in STANDARD_POINTS] == [
        "face", "upper suit", "backdrop centre",
    ]  # fmt: skip


def test_every_sign_that_is_said_has_a_stand_in_for_plain_terminals() -> None:
    said = _said("continuous_set")
    texts = {text for name, of_report in said.items() if name not in ("_plan", "_room") for text in of_report}
    beyond = {sign for text in texts for sign in text.translate(phrases.PLAIN_SIGNS) if not sign.isascii()}
    assert not beyond and "\u2212" in "".join(texts)


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
