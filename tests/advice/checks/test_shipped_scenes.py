"""The shipped scenes by their own checks: nothing to mend in them, and each shows what it is there to teach."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import pytest

from sim.advice.checks.duties import Duty, halo_of, shoulder_edges
from sim.advice.checks.duty_words import sentence_from_tasks
from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.report import check_report
from sim.advice.checks.sentences import sentence_from_finding
from sim.advice.checks.sparkle import sequin_light, sparkle
from sim.advice.finding import Severity
from sim.metering.lighting_ratio import ratio_from_probes, ratio_probes
from sim.room.snapshot.warnings import warnings_from_layout
from sim.scene.model import Snoot
from sim.scene.model.checks import scene_warnings
from sim.session import Rehearsal

pytestmark = pytest.mark.usefixtures("engine")

SCENES = sorted((Path(__file__).resolve().parents[3] / "scenes").glob("*.yaml"))
NAMES = [path.stem for path in SCENES]
LOOKED_OVER = ("recital", "classic_two", "continuous_set", "snoot_study")
# What little of the outline may run into what is behind; common practice, no source.
MOST_WEAK, LEAST_MEDIAN_STOPS = 0.12, 1.0


@cache
def _checked(name: str):
    """A scene's rehearsal, picture, stage and report at draft size."""
    path = next(path for path in SCENES if path.stem == name)
    rehearsal = Rehearsal(path)
    stack = rehearsal.stack(size=(240, 360), samples=16)
    read = rehearsal.readings(ratio_probes(rehearsal.scene, rehearsal.layout), most_rays=1 << 13)
    key = ratio_from_probes(rehearsal.scene, rehearsal.layout, read, rehearsal.mix).key
    report = check_report(rehearsal.scene, rehearsal.stage, stack, rehearsal.mix, key=key)
    return rehearsal, stack, report


@cache
def _sequins():
    return sequin_light(_checked("recital")[0].stage)


def _without(mix, light: str):
    return mix.only(name for name in mix.names if name != light)


def duty_of(report, light: str) -> Duty:
    """The duty of one light."""
    return next(duty for duty in report.duties.duties if duty.light == light)


@pytest.mark.parametrize(
    "name", [name if name == "recital" else pytest.param(name, marks=pytest.mark.slow) for name in LOOKED_OVER]
)
def test_a_shipped_scene_has_nothing_that_it_should_have_avoided(name: str) -> None:
    rehearsal, _, report = _checked(name)
    findings = [finding for of_subject in findings_from_report(report).values() for finding in of_subject]
    assert not [sentence_from_finding(f) for f in findings if f.severity != Severity.FACT]
    assert not [duty.light for duty in report.duties.duties if duty.idle]
    assert report.separation.median_stops > LEAST_MEDIAN_STOPS and report.separation.weak_share < MOST_WEAK
    assert {catchlight.eye for catchlight in report.catchlights} == {"left eye", "right eye"}
    # A head that touches the picture's edge is cramped, one far from it is no portrait; common practice, no source.
    assert 0.04 < _head_room(rehearsal) < 0.12


@pytest.mark.parametrize("name", NAMES)
def test_nothing_of_a_shipped_scene_cannot_stand_as_it_is(name: str) -> None:
    rehearsal = Rehearsal(next(path for path in SCENES if path.stem == name))
    assert not scene_warnings(rehearsal.scene)
    warnings = warnings_from_layout(rehearsal.scene, rehearsal.layout)
    assert not [warning["text"] for warning in warnings if warning["level"] in ("caution", "danger")]


def _head_room(rehearsal: Rehearsal) -> float:
    """Share of the picture's height over the hair's highest point."""
    from sim.advice.checks.frame import frame_from_camera

    figure = rehearsal.layout.figure
    surfaces = [part.points_m for part in figure.parts if part.region == "hair"]
    strands = [tuft.points_m.reshape(-1, 3) for tuft in figure.strands if tuft.region == "hair"]
    frame = frame_from_camera(rehearsal.layout.camera)
    return float(min(frame.place(points)[:, 1].min() for points in [*surfaces, *strands]))


# -- the demo ------------------------------------------------------------------------------------


def test_the_demos_halo_goes_with_its_maker() -> None:
    rehearsal, stack, report = _checked("recital")
    layout, mix, camera = rehearsal.layout, rehearsal.mix, rehearsal.scene.camera
    halo = report.duties.halo
    assert halo is not None and halo.maker == "halo"
    assert "makes the halo" in sentence_from_tasks(duty_of(report, "halo").tasks, "gown")
    muted = halo_of(stack, layout, _without(mix, "halo"), camera)
    assert muted is not None and (muted.maker is None or muted.stops < halo.stops - 0.3)
    assert muted.stops == pytest.approx(halo.stops - halo.loss_stops["halo"])


def test_the_demos_shoulder_edge_goes_with_its_maker() -> None:
    rehearsal, stack, report = _checked("recital")
    (edge,) = (edge for edge in report.duties.edges if edge.shoulder == "right shoulder")
    assert edge.maker == "edge" and edge.loss_stops["edge"] > 0.7
    assert "draws the edge of the right shoulder" in sentence_from_tasks(duty_of(report, "edge").tasks, "gown")
    less = shoulder_edges(stack, rehearsal.layout, _without(rehearsal.mix, "edge"), rehearsal.scene.camera)
    assert next(e for e in less if e.shoulder == "right shoulder").maker is None


def test_in_the_demo_the_frontal_fill_makes_the_gown_sparkle() -> None:
    rehearsal, _, report = _checked("recital")
    glints = report.sparkle
    assert glints is not None and glints.maker == "fill"
    # Nothing of the picture is in the figure.
    assert glints == sparkle(_sequins(), rehearsal.mix, rehearsal.scene.camera)
    assert glints.by_light["fill"] > 2 * max(share for name, share in glints.by_light.items() if name != "fill")
    assert glints.without["fill"] < 0.4 * glints.share and glints.share > 0.04
    assert "makes the sparkle" in sentence_from_tasks(duty_of(report, "fill").tasks, "gown")
    after = sparkle(_sequins(), _without(rehearsal.mix, "fill"), rehearsal.scene.camera)
    assert after is not None and after.by_light["fill"] == 0


# -- the snoot -----------------------------------------------------------------------------------


def test_the_snoot_draws_a_pool_with_a_hard_edge() -> None:
    """By similar triangles from the head's opening of 12 cm through the tube: umbra and penumbra at the face."""
    rehearsal = Rehearsal(next(path for path in SCENES if path.stem == "snoot_study"))
    snoot = rehearsal.scene.lights["snoot"].modifier
    assert isinstance(snoot, Snoot)
    placed = rehearsal.layout.light("snoot")
    away_m = float(math.dist(placed.position_m, rehearsal.layout.anchors_m["face"]))
    inner_m, outer_m = (
        away_m * (0.06 + side * snoot.diameter_m / 2) / snoot.length_m + side * snoot.diameter_m / 2 for side in (-1, 1)
    )
    # A face is 23 cm high: all of it is in full light, and the edge falls on neck, chest and shoulders.
    assert 0.23 < 2 * inner_m < 2 * outer_m < 0.5
    assert outer_m - inner_m < 0.1
