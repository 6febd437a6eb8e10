"""Set-day correction: planted head errors come back out of noisy readings, gross errors are named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sim.light.mix import mix_from_scene
from sim.light.readings import Probe, ProbeReadings
from sim.metering.calibrate import (
    Calibration,
    Readings,
    calibration_from_probes,
    changes_from_calibration,
    fit,
    load_readings,
    report_lines,
)
from sim.quantities import color, photometry
from sim.quantities.errors import HalfstopError, SceneError
from sim.reports.calibrated_scene import run_calibrate
from sim.scene.edit import scene_text_from_file
from sim.scene.read import load_scene, scene_from_text
from sim.session import Rehearsal
from sim.studio.layout import layout_from_scene

SCENES = Path(__file__).parents[2] / "scenes"
NAMES = ("key", "accent", "halo", "edge", "fill")
NOISE_STOPS = 0.1
TRIALS = 200


def planted(rng: np.random.Generator, points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Modelled exposures, which lights were on, true readings and head errors: each light alone, then all together."""
    count = len(NAMES)
    errors = rng.uniform(-0.8, 0.8, count)
    alone = np.repeat(np.eye(count, dtype=bool), points, axis=0)
    together = np.ones((points, count), bool)
    on = np.vstack([alone, together])
    exposures = np.exp2(rng.uniform(2, 8, (len(on), count)))
    truth = (np.where(on, exposures, 0) * np.exp2(errors)).sum(axis=1)
    return exposures, on, truth, errors


def test_head_errors_come_back_within_a_tenth_of_a_stop() -> None:
    rng = np.random.default_rng(11)
    good = 0
    for _ in range(TRIALS):
        exposures, on, truth, errors = planted(rng, points=8)
        read = truth * np.exp2(rng.normal(0, NOISE_STOPS, len(truth)))
        found = fit(NAMES, exposures, on, read)
        good += bool(np.abs(found.stops - errors).max() <= 0.1)
    assert good >= 0.95 * TRIALS, f"{good} of {TRIALS}"


def test_a_gross_error_is_flagged_and_does_no_harm() -> None:
    rng = np.random.default_rng(12)
    flagged = clean = good = 0
    for _ in range(TRIALS):
        exposures, on, truth, errors = planted(rng, points=8)
        read = truth * np.exp2(rng.normal(0, NOISE_STOPS, len(truth)))
        bad = int(rng.integers(len(read)))
        read[bad] *= 2.0 ** (rng.choice([-1, 1]) * rng.uniform(1.0, 3.0))
        found = fit(NAMES, exposures, on, read)
        flagged += bool(found.is_gross[bad])
        clean += int(found.is_gross.sum()) == 1
        good += bool(np.abs(found.stops - errors).max() <= 0.1)
    assert flagged == TRIALS
    assert clean >= 0.95 * TRIALS
    assert good >= 0.95 * TRIALS, f"{good} of {TRIALS}"


def test_stated_certainty_is_honest() -> None:
    rng = np.random.default_rng(13)
    scores = []
    for _ in range(TRIALS):
        exposures, on, truth, errors = planted(rng, points=4)
        found = fit(NAMES, exposures, on, truth * np.exp2(rng.normal(0, NOISE_STOPS, len(truth))))
        scores.append((found.stops - errors) / found.stderr_stops)
    # Errors over their stated standard error are standard normal: 1000 of them, sd within four of its own errors;
    # the spread is never stated below the meter's own, so it may be a little less.
    assert 0.85 < np.std(scores) < 1 + 4 / np.sqrt(2 * TRIALS * len(NAMES))
    assert abs(np.mean(scores)) < 4 / np.sqrt(TRIALS * len(NAMES))


def test_certainty_follows_the_spread_of_the_readings() -> None:
    # The standard error of a mean is s / sqrt(n), s with n - 1: eight readings 0.3 stop over and under by turns.
    off = 0.3 * np.array([1, -1] * 4)
    found = fit(("key",), np.full((8, 1), 100.0), np.ones((8, 1), bool), 100.0 * np.exp2(off))
    assert found.stops[0] == pytest.approx(0.0, abs=1e-6)
    assert found.stderr_stops[0] == pytest.approx(np.std(off, ddof=1) / np.sqrt(8), rel=1e-3)


def test_exact_readings_give_exact_corrections() -> None:
    exposures, on, truth, errors = planted(np.random.default_rng(14), points=3)
    found = fit(NAMES, exposures, on, truth)
    # The prior of 2 stops pulls by less than a hundredth at this many readings.
    assert np.allclose(found.stops, errors, atol=0.01)
    assert not found.is_gross.any()


def test_a_light_without_readings_stays_where_it_is() -> None:
    exposures = np.array([[100.0, 80.0], [50.0, 90.0]])
    on = np.array([[True, False], [True, False]])
    found = fit(("key", "fill"), exposures, on, np.array([141.4, 70.7]))
    assert found.stops[0] == pytest.approx(0.5, abs=0.02) and abs(found.stops[1]) < 1e-6
    assert not found.is_sure[1]
    # Nothing tells of it but that heads are mostly within two stops.
    assert found.stderr_stops[1] == pytest.approx(2.0)
    with pytest.raises(HalfstopError, match="reading 1: the model finds no light there"):
        fit(("key", "fill"), exposures, np.zeros((2, 2), bool), np.array([1.0, 1.0]))
    dark = np.array([[True, True], [True, True], [False, False]])
    with pytest.raises(HalfstopError, match="reading 3: the model finds no light there"):
        fit(("key", "fill"), np.vstack([exposures, [[9.0, 9.0]]]), dark, np.ones(3))


READINGS = """\
# Taken on the set, invented demo data.
readings:
  - {at: face, facing: key, lights: key, reads: f/8}
  - {at: chest, lights: [key, fill], reads: f/8 1/3}
  - {at: face, kind: flat, facing: camera, lights: all, reads: f/9}
"""


def made(tmp_path: Path, text: str) -> Readings:
    file = tmp_path / "readings.yaml"
    file.write_text(text, "utf-8")
    scene = load_scene(SCENES / "classic_two.yaml")
    return load_readings(file, scene, layout_from_scene(scene))


def test_a_file_of_readings_is_read(tmp_path: Path) -> None:
    found = made(tmp_path, READINGS)
    assert found.on.tolist() == [[True, False], [True, True], [True, True]]
    assert [p.kind for p in found.probes] == ["dome", "dome", "flat"]
    assert found.lines == (3, 4, 5) and found.iso == 100
    assert [p.id.part for p in found.probes] == ["reading 1", "reading 2", "reading 3"]
    # APEX values [ASAPH2.12:1961]: f/8 is 6 stops over f/1, a third more 6.33, f/9 on the ring the same.
    assert 2 * np.log2(found.f_number) == pytest.approx([6, 6 + 1 / 3, 6 + 1 / 3])
    assert found.texts == (
        "face, dome, key: f/8", "chest, dome, key + fill: f/8 and 3 tenths", "face, flat, all lights: f/8 and 3 tenths",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ("lights: key,", "lights: kay,", 3, 'there is no light "kay"'),
        ("reads: f/8 1/3", "reads: 8", 4, "got the bare number 8"),
        ("facing: camera", "facing: hair", 5, 'there is no light or panel "hair"'),
        ("facing: camera", "facing: bearing 40°", 5, 'write "{bearing: 40°}"'),
        ("kind: flat", "kind: cone", 5, "a kind of receptor"),
        ("readings:", "reading:", 2, 'unknown key "reading"'),
        ("at: chest", "at: elbow", 4, "a part of the sitter"),
    ],
)
def test_faults_are_one_line_with_their_place(tmp_path: Path, old: str, new: str, line: int, told: str) -> None:
    with pytest.raises(SceneError) as caught:
        made(tmp_path, READINGS.replace(old, new))
    text = str(caught.value)
    assert f"readings.yaml:{line}:" in text and told in text and "\n" not in text


def test_a_reading_may_face_a_bearing(tmp_path: Path) -> None:
    found = made(tmp_path, READINGS.replace("facing: camera", "facing: {bearing: 90°}"))
    assert found.probes[2].facing == pytest.approx([1, 0, 0])


def test_a_file_without_a_reading_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match=r"readings\.yaml:1: readings: "):
        made(tmp_path, "readings: []\n")


def test_the_corrected_scene_keeps_its_comments_and_gives_the_light_that_was_read(tmp_path: Path) -> None:
    path = SCENES / "continuous_set.yaml"
    before = scene_text_from_file(path)
    layout = layout_from_scene(before.scene, SCENES)
    mix = mix_from_scene(before.scene, layout)
    names = mix.names
    file = tmp_path / "readings.yaml"
    lines = [f"  - {{at: face, lights: {n}, reads: f/4}}" for n in before.scene.lights for _ in range(4)]
    file.write_text("readings:\n" + "\n".join(lines) + "\n", "utf-8")
    readings = load_readings(file, before.scene, layout)
    rng = np.random.default_rng(3)
    values = np.repeat(rng.uniform(200, 900, (len(readings.probes), len(names), 1)), 3, axis=2)
    room = np.array([n not in before.scene.lights for n in names])
    values[:, room] = 0.0
    measured = ProbeReadings(readings.probes, names, mix.is_flash, values, 0 * values[..., 0], (1,) * len(values))
    errors = {"key": 0.5, "hair light": -0.7, "paper": 0.3}
    # Let the meter read what heads with these errors give, by N^2 = H S / C (ISO 2720).
    on = readings.on
    weights = mix.only(names).weights_rgb(before.scene.camera.shutter_s)
    lit = ((values * weights) @ np.array([0.2126390059, 0.7151686788, 0.0721923154])) * on
    true = lit @ np.exp2([errors.get(n, 0.0) for n in names])
    numbers = np.sqrt(true * readings.iso / 340)
    read = Readings(readings.iso, readings.probes, on, numbers, readings.lines, readings.texts, readings.lit)
    found = calibration_from_probes(read, measured, mix, before.scene, layout)
    for name, stops in errors.items():
        assert found.stops[names.index(name)] == pytest.approx(stops, abs=0.02)

    changes = changes_from_calibration(before.scene, layout, found)
    assert {key[3] for key in changes} == {"efficacy", "illuminance", "flux"}
    after = before.changed(changes, tmp_path / "corrected.yaml")
    assert after.text.count("#") == before.text.count("#")
    assert len(after.text.splitlines()) == len(before.text.splitlines())
    corrected = layout_from_scene(after.scene, SCENES)
    for name, stops in errors.items():
        ratio = corrected.light(name).rig.output.amount / layout.light(name).rig.output.amount
        assert np.log2(ratio) == pytest.approx(stops, abs=0.02)
    assert any("key: +0.5" in line for line in report_lines(read, found, before.scene))
    with pytest.raises(ValueError, match="zip"):
        changes_from_calibration(before.scene, layout, replace(found, stops=found.stops[1:]))


KINDS = """\
halfstop: 1
title: Invented demo data
room: {size: {width: 7 m, height: 4 m, length: 10 m}}
camera: {place: {at: [0 m, 1.4 m, 4 m]}, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s}
sitter: {}
lights:
"""
LAMP = """\
IESNA:LM-63-2002
[TEST] none, invented
TILT=NONE
1 -1 1 3 1 1 2 0 0 0
1 1 0
0 45 90
0
1000 700 0
"""


@pytest.mark.parametrize(
    ("source", "key", "before", "after"),
    [
        # Light goes with the amount, and with the square of an f-number or a guide number [ISO1230:2007].
        ("{kind: flash, energy: 400 W·s, efficacy: 30 lm/W}", "efficacy", "30 lm/W", "120 lm/W"),
        ("{kind: continuous, draw: 300 W, efficacy: 30 lm/W}", "efficacy", "30 lm/W", "120 lm/W"),
        ("{kind: continuous, flux: 8000 lm}", "flux", "8000 lm", "32000 lm"),
        ("{kind: continuous, illuminance: 900 lx, at: 2 m}", "illuminance", "900 lx", "3600 lx"),
        ("{kind: measured, reads: f/8, at: 2 m}", "reads", "f/8", "f/16"),
        ("{kind: guide number, guide_number: 20 m}", "guide_number", "20 m", "40 m"),
        ("{kind: ies, file: lamp.ies, flash: true, light: 500 lm·s}", "light", "500 lm·s", "2000 lm·s"),
        ("{kind: ies, file: lamp.ies, flux: 500 lm}", "flux", "500 lm", "2000 lm"),
    ],
)
def test_a_head_two_stops_stronger_gives_four_times_the_light(
    source: str, key: str, before: str, after: str, tmp_path: Path
) -> None:
    place = "place: {bearing: -45°, distance: 3 m, height: 2.2 m}"
    (tmp_path / "lamp.ies").write_text(LAMP, "ascii")
    text = KINDS + "".join(f"  {name}: {{source: {source}, {place}}}\n" for name in ("key", "near", "unsure"))
    scene = scene_from_text(text, "scene.yaml", tmp_path)
    layout = layout_from_scene(scene, tmp_path)
    # What is hardly off, or not certain, stays as it is written.
    found = Calibration(
        ("key", "near", "unsure"), np.array([2.0, 0.019, 2.0]), np.array([0.2, 0.01, 0.21]), np.zeros(0),
        np.zeros(0, bool),
    )  # fmt: skip
    changes = changes_from_calibration(scene, layout, found)
    assert before in source and changes == {("lights", "key", "source", key): after}
    corrected = scene_from_text(text.replace(source, source.replace(before, after)), "scene.yaml", tmp_path)
    ratio = (
        layout_from_scene(corrected, tmp_path).light("key").rig.output.amount / layout.light("key").rig.output.amount
    )
    assert ratio == pytest.approx(4.0, rel=1e-3)


def test_the_report_tells_heads_then_what_was_set_aside_then_what_is_left(tmp_path: Path) -> None:
    readings = made(tmp_path, READINGS)
    scene = load_scene(SCENES / "classic_two.yaml")
    found = Calibration(
        ("sky", "key", "fill"), np.array([3.0, 1.0, -0.5]), np.array([0.01, 0.05, np.inf]),
        np.array([0.3, -1.2, 0.4]), np.array([False, True, False]),
    )  # fmt: skip
    assert report_lines(readings, found, scene) == [
        "3 readings, 1 set aside",
        "key + fill reads 1.2 stops under: check that reading (line 4: chest, dome, key + fill: f/8 and 3 tenths)",
        "key: +1.00 stops ± 0.05 against the scene, 2.00 times its light",
        "fill: not enough readings to tell; left as it is",
        "the readings that were kept differ from the corrected scene typically by 0.35 stops",
    ]
    every = replace(found, is_gross=np.ones(3, bool))
    assert report_lines(readings, every, scene)[0] == "3 readings, 3 set aside"
    assert not any("typically" in line for line in report_lines(readings, every, scene))
    refused = report_lines(readings, found, scene, {"key": "at most 200 lm/W"})
    assert "key: +1.00 stops would need more than a scene may say (at most 200 lm/W); left as it is" in refused
    with pytest.raises(ValueError, match="zip"):
        report_lines(readings, replace(found, stderr_stops=found.stderr_stops[1:]), scene)


def test_one_implausible_reading_is_named_and_the_rest_corrected(tmp_path: Path) -> None:
    """Each head read once, so nothing else tells of the halo: 2.4 stops are more than a head is ever off."""
    exposures = np.array([[100.0, 0.0], [0.0, 50.0]])
    found = fit(("key", "halo"), exposures, np.eye(2, dtype=bool), np.array([100.0 * 2**0.5, 50.0 * 2**2.4]))
    assert found.stops == pytest.approx([0.5, 0.0], abs=0.02)
    assert found.is_gross.tolist() == [False, True] and found.is_sure.tolist() == [True, False]
    assert found.residual_stops[1] == pytest.approx(2.4)
    # Three readings that agree are believed.
    thrice = fit(("key", "halo"), exposures[[0, 1, 1, 1]], np.eye(2, dtype=bool)[[0, 1, 1, 1]],
                 np.array([100.0, *[50.0 * 2**2.4] * 3]))  # fmt: skip
    assert not thrice.is_gross.any() and thrice.stops[1] == pytest.approx(2.4, abs=0.02)

    readings = made(tmp_path, "readings:\n- {lights: key, reads: f/8}\n- {lights: fill, reads: f/8}\n")
    scene = load_scene(SCENES / "classic_two.yaml")
    lines = report_lines(readings, replace(found, names=("key", "fill")), scene)
    assert "fill reads 2.4 stops over: check that reading (line 3: face, dome, fill: f/8)" in lines
    assert "fill: its reading is set aside; left as it is" in lines and any("key: +0.5" in line for line in lines)


def test_an_implausible_reading_of_two_lights_does_not_spoil_the_other(tmp_path: Path) -> None:
    exposures, on = np.array([[100.0, 60.0]] * 2), np.array([[True, False], [True, True]])
    found = fit(("key", "fill"), exposures, on, np.array([100.0, 100.0 + 60.0 * 2**4]))
    assert found.stops == pytest.approx([0.0, 0.0], abs=0.05) and found.is_gross.tolist() == [False, True]


def test_a_correction_that_a_scene_cannot_hold_leaves_its_head_and_corrects_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Four readings of the key ask for 500 lm/W, which no head has; the fill asks for half a stop.
    scene_file = tmp_path / "set.yaml"
    scene_file.write_text((SCENES / "classic_two.yaml").read_text("utf-8"), "utf-8")
    file = tmp_path / "readings.yaml"
    file.write_text("readings:\n" + 4 * "- {lights: key, reads: f/8}\n" + "- {lights: fill, reads: f/8}\n", "utf-8")
    read_f = photometry.exposure_from_f_number(8.0, 100, 340)

    def measured(self: Rehearsal, probes: Sequence[Probe], **how: object) -> ProbeReadings:
        plain = color.luminance(self.mix.weights_rgb(self.scene.camera.shutter_s))
        each = read_f / plain / np.array([2**3.7, 2**0.5])
        values = np.repeat(np.repeat(each[None, :, None], 3, axis=2), len(probes), axis=0)
        return ProbeReadings(tuple(probes), self.mix.names, self.mix.is_flash, values, 0 * values[..., 0], (1,) * 5)

    monkeypatch.setattr(Rehearsal, "readings", measured)
    lines = run_calibrate(scene_file, file, tmp_path / "new.yaml")
    assert any(line.startswith("key: +3.7") and "left" in line for line in lines), lines
    after = load_scene(tmp_path / "new.yaml")
    before = load_scene(scene_file)
    assert after.lights["key"] == before.lights["key"] and after.lights["fill"] != before.lights["fill"]
