"""Warnings: each stands at the light that it is about, whatever the lights are called."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.flare import Flare, ShadingFlag
from sim.advice.checks.intrusions import Intrusion
from sim.advice.checks.report import CheckReport
from sim.advice.checks.sentences import SENTENCES, lines_from_findings
from sim.advice.checks.spill import Spill
from sim.advice.finding import Finding, Severity
from sim.reports.plan.caution_words import WORDS, text_from_caution
from sim.reports.plan.cautions import cautions_from_scene
from sim.reports.plan.facts import facts_from_scene
from sim.reports.plan.kit import supports_from_scene
from sim.room.snapshot.warnings import check_lines, warnings_from_findings, warnings_from_layout
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

# Words of the sentences themselves: "its highest edge", "its luminous face", "close to a face", "flash and eyes".
NAMES = ("edge", "face", "fill", "key", "its", "a", "to", "head", "flash", "eyes", "stand", "the", "lens", "light")
PLACES = {
    "ceiling": "{bearing: 100°, distance: 2 m, height: 2.95 m}",
    "over": "{bearing: 0°, distance: 0.3 m, height: 2.4 m}",
    "eyes": "{bearing: 35°, distance: 0.7 m, height: 1.5 m}",
    "shaded": "{bearing: -60°, distance: 2.2 m, height: 1.6 m}",
    "shading": "{bearing: -60°, distance: 1.3 m, height: 1.6 m}",
    "calm": "{bearing: -20°, distance: 2.6 m, height: 1.7 m}",
}


def _scene_text(names: dict[str, str], places: dict[str, str] = PLACES) -> str:
    lights = "\n".join(
        f"  {names[role]}:\n    source: {{kind: flash, energy: 300 W·s, consumption: 700 W}}\n"
        f"    modifier: {{kind: octabox, diameter: 40 cm}}\n    place: {place}\n    aim: face\n    stand: none"
        for role, place in places.items()
    )
    classic = (Path(__file__).resolve().parents[2] / "scenes" / "classic_two.yaml").read_text("utf-8")
    head = classic[: classic.index("\nlights:")].replace("figure: woman", "figure: simple")
    return f"{head}\nlights:\n{lights}\n"


@settings(max_examples=12, deadline=None)
@given(st.permutations(NAMES))
def test_each_light_gets_only_its_own_cautions(order: list[str]) -> None:
    names = dict(zip(PLACES, order, strict=False))
    scene = scene_from_text(_scene_text(names))
    layout = layout_from_scene(scene)
    roles = {name: role for role, name in names.items()}
    warnings = [(w["text"], tuple(roles[name] for name in w["warned"])) for w in warnings_from_layout(scene, layout)]
    assert {(_kind(text), role) for text, role in warnings} == {
        ("under the ceiling", ("ceiling",)), ("hangs over the sitter", ("over",)), ("Flash and eyes", ("eyes", "over")),
        ("shades", ("shaded",)),
    }  # fmt: skip
    # Every caution names the light that it carries, where it carries one.
    for caution in cautions_from_scene(
        scene, layout, facts_from_scene(scene, layout), supports_from_scene(scene, layout)
    ):
        text = text_from_caution(caution)
        if caution.light is not None:
            assert caution.light in f"{text.heading} {text.statement}"


@pytest.mark.parametrize("names", [("edge", "fill"), ("fill", "edge"), ("close", "face"), ("its", "a")])
def test_a_danger_of_two_lights_stands_at_both(names: tuple[str, str]) -> None:
    roles = {"touching": "{bearing: -60°, distance: 2.2 m, height: 1.7 m}",
             "touched": "{bearing: -58°, distance: 2.25 m, height: 1.7 m}"}  # fmt: skip
    scene = scene_from_text(_scene_text(dict(zip(roles, names, strict=True)), roles))
    warnings = warnings_from_layout(scene, layout_from_scene(scene))
    assert [sorted(w["warned"]) for w in warnings if "same place" in w["text"]] == [sorted(names)]
    assert all(set(w["lights"]) <= set(names) for w in warnings)


def test_heads_near_the_eyes_are_named_and_no_others() -> None:
    roles = {"near": "{bearing: 35°, distance: 0.7 m, height: 1.5 m}", "far": PLACES["calm"],
             "nearer": "{bearing: -35°, distance: 0.6 m, height: 1.5 m}"}  # fmt: skip
    scene = scene_from_text(_scene_text({"near": "face", "far": "a", "nearer": "key"}, roles))
    (eyes,) = [w for w in warnings_from_layout(scene, layout_from_scene(scene)) if "Flash and eyes" in w["text"]]
    assert eyes["warned"] == ["key", "face"] and "Nearer than 1 m: key, face." in eyes["text"]


def _kind(text: str) -> str:
    kinds = ("under the ceiling", "hangs over the sitter", "Flash and eyes", "shades", "same place", "No room", "Mains")
    return next(kind for kind in kinds if kind in text)


@given(st.permutations(NAMES))
def test_what_the_checks_find_stays_at_its_light(order: list[str]) -> None:
    shown, panel, flaring, spilling, blocker = order[:5]
    flag = ShadingFlag(0.2, 0.3, np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), 0.4)
    report = SimpleNamespace(
        garment="suit", has_sitter=True,
        duties=SimpleNamespace(duties=()), catchlights=(), burnouts=(), sparkle=None, nose_shadow=None,
        separation=SimpleNamespace(median_stops=1.0, weak_share=0.4, stretches=(), provider=None),
        focus=SimpleNamespace(focus_m=2.0, near_m=1.9, far_m=2.1, hyperfocal_m=40.0, circle_m=3e-5,
                              outside_m={"face": 0.2}, backdrop_blur=None, coverage=None),
        intrusions=(Intrusion(shown, "stand", 0.5, 0.02, (0.1, 0.5), {"left": 0.3}),
                    Intrusion(panel, "panel", 0.5, 0.02, (0.1, 0.5), {"left": 0.3})),
        flares=(Flare(flaring, 0.2, 2.0, 30.0, False, flag, None),),
        spills=(Spill(spilling, "face", "head", 0.3, blocker, {}, {}),),
    )  # fmt: skip
    findings = findings_from_report(cast(CheckReport, report))
    warnings = warnings_from_findings(findings, order)
    assert [(w["level"], w["warned"]) for w in warnings] == [
        ("caution", [shown]), ("caution", []), ("caution", [flaring]), ("caution", [spilling]), ("caution", []),
        ("note", []),
    ]  # fmt: skip
    # A light that stands in another's way is named as well, so that the line goes with either.
    assert [w["lights"] for w in warnings] == [[shown], [], [flaring], [spilling, blocker], [], []]
    spoken = [line["lights"] for _, lines in check_lines(findings, order) for line in lines]
    assert [spilling, blocker] in spoken and [flaring] in spoken
    assert "lies 20 cm behind what is sharp" in warnings[4]["text"] and "40 %" in warnings[5]["text"]
    assert any(f"{flaring} shines" in line for line in dict(lines_from_findings(findings))["Light into the lens"])


def test_several_lights_of_one_finding_are_those_as_severe_as_it() -> None:
    def head(name: str, severity: Severity) -> Finding:
        return Finding("flash near eyes", severity, name, {"distance_m": 1.0})

    near, far = head("face", Severity.DANGER), head("a", Severity.CAUTION)
    assert Finding("flash and eyes", Severity.DANGER, parts=(near, far)).lights == ("face",)
    assert Finding("flash rate", Severity.CAUTION).lights == ()


def test_no_kind_of_finding_has_two_meanings() -> None:
    tables: list[dict[str, Any]] = [dict(SENTENCES), dict(WORDS)]
    assert not set(tables[0]) & set(tables[1])
