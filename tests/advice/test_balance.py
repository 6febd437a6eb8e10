"""Balance: powers come back from readings it made itself, dials stay on their dials, and what cannot be is said.

Set-ups are drawn at random and read by the closed form of a small source: intensity over distance squared (inverse
square law, [CIE18:2019]) on a cardioid dome ([ISO2720:1974]).
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from sim.advice.balance import (
    BalanceProblem,
    LightDial,
    balance_from_readings,
    definition,
    problem_from_readings,
    scene_with_balance,
    solved_dials,
    stepped_dials,
    want_points,
    wish_from_text,
    wishes_from_texts,
)
from sim.advice.balance.outcome import FLOOR_STOPS, dial_text
from sim.advice.balance.solve import least_change_dials, settings_of
from sim.cli.app import app
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.metering.points import readings_from_probes
from sim.metering.report_points import report_probes
from sim.quantities import color
from sim.quantities.errors import UnitError
from sim.scene import edit as scene_edit
from sim.scene import model
from sim.studio.gear.rig import axial_intensity_cd
from sim.studio.layout import layout_from_scene

RECITAL = Path(__file__).resolve().parents[2] / "scenes" / "recital.yaml"
MODIFIERS = ("softbox 60x90 cm", "octabox 90 cm", "umbrella 105 cm", "reflector 18 cm", "bare", "strip 30x90 cm")


def _light(kind: str, bearing: int, distance: float, height: float, aim: str, power: str = "1/4") -> dict:
    return {
        "source": {"kind": "flash", "energy": "400 W·s"},
        "power": power,
        "modifier": scene_edit.modifier_from_text(kind),
        "place": {"bearing": f"{bearing}°", "distance": f"{distance} m", "height": f"{height} m"},
        "aim": aim,
    }


FOUR_LIGHTS = {
    "key": _light("softbox 90x120 cm", -50, 1.7, 1.9, "face"),
    "fill": _light("octabox 120 cm", 10, 3.5, 1.6, "face"),
    "canvas": _light("reflector 18 cm", 110, 1.9, 1.8, "backdrop centre"),
    "kicker": _light("strip 30x90 cm", 140, 1.6, 2.0, "hair"),
}


@lru_cache(maxsize=1)
def _recital() -> scene_edit.SceneText:
    return scene_edit.scene_text_from_file(RECITAL).changed({("sitter", "figure"): "simple", ("camera", "iso"): 100})


def _with_lights(lights: dict) -> str:
    text = scene_edit.text_with_value(_recital().text, ("panels",), {})
    text = scene_edit.text_with_value(text, ("meters",), {})
    return scene_edit.text_with_value(text, ("lights",), lights)


def _small_source_readings(scene, layout) -> ProbeReadings:
    """What every probe reads of every light as a small source, shaded by nothing."""
    probes = report_probes(scene, layout)
    values = np.zeros((len(probes), len(layout.lights), 3))
    for column, light in enumerate(layout.lights):
        intensity = axial_intensity_cd(light.rig.emitters)
        for row, probe in enumerate(probes):
            ray = light.position_m - probe.position_m
            distance = float(np.linalg.norm(ray))
            cosine = float(ray @ probe.facing) / distance
            # A dome answers by the cardioid, a flat receptor by the cosine (ISO 2720).
            response = (1 + cosine) / 2 if probe.kind == "dome" else max(0.0, cosine)
            off_axis = max(0.0, float(-ray @ light.axis) / distance)
            values[row, column] = intensity * off_axis * response / distance**2
    return ProbeReadings(
        tuple(probes), layout.light_names, layout.is_flash, values, 0.01 * color.luminance(values), (1,) * len(probes)
    )


def _random_scene(rng: np.random.Generator):
    """A set-up of three to eight flashes round the sitter, each with its own dial."""
    lights = {}
    for number in range(rng.integers(3, 9)):
        step, wide = rng.choice(["1/10 stop", "1/3 stop"]), rng.choice(["5 stops", "7 stops", "9 stops"])
        lights[f"light {number}"] = {
            "source": {"kind": "flash", "energy": f"{rng.choice([200, 400, 800])} W·s",
                       "dial": {"range": str(wide), "step": str(step)}},
            "modifier": scene_edit.modifier_from_text(str(rng.choice(MODIFIERS))),
            "place": {"bearing": f"{rng.uniform(-170, 170):.1f}°", "distance": f"{rng.uniform(1.2, 2.2):.2f} m",
                      "height": f"{rng.uniform(0.8, 2.6):.2f} m"},
            "aim": str(rng.choice(["face", "chest", "hip", "backdrop centre", "left shoulder", "right shoulder"])),
        }  # fmt: skip
    blocks = {name: model.Light.model_validate(block) for name, block in lights.items()}
    return _recital().scene.model_copy(update={"lights": blocks, "panels": {}, "meters": {}})


def _at_powers(scene, layout, measured, dials) -> dict:
    mix = mix_from_scene(scene, layout)
    change = {f: d - light.power_stops for (f, light), d in zip(scene.lights.items(), dials, strict=True)}
    return {r.id: r.combined for r in readings_from_probes(measured, mix.faded(change), scene.camera)}


@pytest.mark.parametrize("count", [60, pytest.param(200, marks=pytest.mark.slow)])
def test_known_powers_come_back_in_random_set_ups(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # Pose the sitter once for all.
    figure = layout_from_scene(_recital().scene).figure
    monkeypatch.setattr("sim.studio.layout.figure_from_sitter", lambda *_, **__: figure)
    rng = np.random.default_rng(2026)
    worst_solved = worst_stepped = 0.0
    for _ in range(count):
        scene = _random_scene(rng)
        layout = layout_from_scene(scene)
        measured = _small_source_readings(scene, layout)
        points = want_points(scene, layout, measured)
        dials = [light.source.dial for light in scene.lights.values()]
        # Draw the true powers from the dials' own settings, and wish for what they read.
        truth = np.array([-dial.step_stops * rng.integers(0, int(dial.range_stops / dial.step_stops + 1e-6) + 1)
                          for dial in dials])  # fmt: skip
        read = _at_powers(scene, layout, measured, truth)
        wishes = [wish_from_text(f"{point}=f/{read[probe].f_number!r}", list(points))
                  for point, probe in points.items() if read[probe].f_number > 0.05]  # fmt: skip
        problem = problem_from_readings(scene, layout, measured, wishes, points=points)
        solved = solved_dials(problem)
        assert (solved <= 1e-9).all() and (solved >= [-dial.range_stops - 1e-9 for dial in dials]).all()
        stepped = stepped_dials(problem, solved)
        for stops, dial in zip(stepped, problem.dials, strict=True):
            assert np.abs(settings_of(dial) - stops).min() < 1e-9
        worst_solved = max(worst_solved, float(np.abs(solved - truth).max()))
        worst_stepped = max(worst_stepped, float(np.abs(stepped - truth).max()))
    assert worst_solved < 0.05
    assert worst_stepped < 1e-6


def test_a_light_that_changes_nothing_is_left_alone() -> None:
    dials = (LightDial("key", -2.0, -7.0, 0.1, True), LightDial("far", -3.3, -7.0, 0.1, True))
    problem = BalanceProblem(
        dials, np.array([[64.0, 1e-7]]), np.zeros(1), np.zeros(2), 64.0, np.array([5.0]), np.array([False])
    )
    dials = stepped_dials(problem, solved_dials(problem))
    assert dials == pytest.approx([-1.0, -3.3])


def test_a_weak_light_is_no_vernier_for_the_steps_of_others() -> None:
    # The key's thirds miss the wish by a tenth; a light that gives a fiftieth there must not run down to mend it.
    dials = (LightDial("key", -2.0, -7.0, 1 / 3, True), LightDial("far", 0.0, -7.0, 0.1, True))
    problem = BalanceProblem(
        dials, np.array([[64.0, 0.6]]), np.zeros(1), np.zeros(2), 64.0, np.array([5.1]), np.array([False])
    )
    dials = stepped_dials(problem, solved_dials(problem))
    assert dials[0] == pytest.approx(-1.0, abs=0.34) and abs(dials[1]) < 0.5


def test_few_wishes_move_lights_as_little_as_can_be() -> None:
    # Two equal lights and one wish of two stops more: by symmetry both gain two stops, none more.
    dials = tuple(LightDial(name, -3.0, -7.0, 0.1, True) for name in ("a", "b"))
    problem = BalanceProblem(
        dials, np.array([[8.0, 8.0]]), np.zeros(1), np.zeros(2), 64.0, np.array([3.0]), np.array([False])
    )
    assert solved_dials(problem) == pytest.approx([-1.0, -1.0], abs=1e-3)


@pytest.mark.parametrize(
    ("range_stops", "step", "count"), [(7.0, 0.1, 71), (7.0, 1 / 3, 22), (5.0, 1.0, 6), (0.0, 0.1, 1)]
)
def test_settings_of_a_dial(range_stops: float, step: float, count: int) -> None:
    settings = settings_of(LightDial("x", 0.0, -range_stops, step, True))
    assert len(settings) == count and settings[0] == 0.0 and settings[-1] == pytest.approx(-range_stops)


def _two_lights(gain, *, now=(-3.0, -3.0), base=0.0, free=(True, True), targets=(0.0,), relative=False):
    dials = tuple(LightDial(name, at, -7.0, 0.1, f) for name, at, f in zip(("key", "fill"), now, free, strict=True))
    gain = np.atleast_2d(np.array(gain, float))
    return BalanceProblem(dials, gain, np.full(len(gain), base), np.array([64.0, 0.0]), 0.0,
                 np.array(targets), np.full(len(gain), relative))  # fmt: skip


def test_the_closed_form_of_two_lights() -> None:
    # One light for each point: the dial is the wish itself. Key 8^2 = 6 stops at full, fill 4^2 = 4 stops.
    problem = _two_lights([[64.0, 0.0], [0.0, 16.0]], targets=(5.0, 2.5))
    assert solved_dials(problem) == pytest.approx([-1.0, -1.5], abs=1e-4)
    # Two stops under the reference, which the key alone gives: fill to a quarter of the key, key where it was.
    problem = _two_lights([[0.0, 64.0]], targets=(-2.0,), relative=True)
    dials = solved_dials(problem)
    assert dials[1] - dials[0] == pytest.approx(-2.0, abs=1e-3)


# -- the whole way, with words ------------------------------------------------------------------


@pytest.fixture(scope="module")
def four():
    text = _with_lights(FOUR_LIGHTS)
    source = scene_edit.SceneText(RECITAL, text, scene_edit.scene_from_text(text))
    layout = layout_from_scene(source.scene)
    measured = _small_source_readings(source.scene, layout)
    return source, layout, measured, want_points(source.scene, layout, measured, "key")


def _balanced(four, *texts, **options):
    source, layout, measured, points = four
    reference = options.get("reference", "face")
    wishes = wishes_from_texts(texts, list(points), reference)
    return balance_from_readings(source.scene, layout, measured, wishes, points=points, **options)


def test_wishes_are_met_and_the_scene_file_keeps_its_comments(four) -> None:
    source, layout, measured, _ = four
    # Wish in round stops for what another setting of the same lights reads.
    other = _at_powers(source.scene, layout, measured, [-1.0, -3.0, -2.5, -1.0])
    face = other[ProbeId("dome", "face")].f_number
    stops = {part: round(2 * math.log2(other[ProbeId("dome", part)].f_number / face), 1)
             for part in ("hair", "backdrop centre")}  # fmt: skip
    result = _balanced(four, f"face=f/{face:.2f}", *(f"{part}={value}" for part, value in stops.items()))
    assert result.met, result.wishes
    changed = scene_with_balance(source, result)
    # Read the new file from the start: it must give what was promised.
    again = _at_powers(changed.scene, layout, measured, [x.power_stops for x in changed.scene.lights.values()])
    got = again[ProbeId("dome", "face")].f_number
    assert 2 * math.log2(got / face) == pytest.approx(0, abs=0.1)
    for part, value in stops.items():
        assert 2 * math.log2(again[ProbeId("dome", part)].f_number / got) == pytest.approx(value, abs=0.1)
    turned = {move.light for move in result.moves if move.change_stops}
    assert turned
    comments = [line.partition("#")[2] for line in source.text.splitlines()]
    assert [line.partition("#")[2] for line in changed.text.splitlines()] == comments
    assert "the camera's own f-number" in definition("camera") and "reads at face" in definition("face")


def test_locked_and_muted_lights_stay(four) -> None:
    source, layout, measured, points = four
    quiet = source.changed({("lights", "kicker", "mute"): True})
    wishes = wishes_from_texts(["face=f/8"], list(points), "face")
    result = balance_from_readings(quiet.scene, layout, measured, wishes, points=points, locked=["key"])
    fixed = {move.light: (move.why_fixed, move.change_stops) for move in result.moves if move.why_fixed}
    assert fixed == {"key": ("locked", 0.0), "kicker": ("muted", 0.0)}
    with pytest.raises(UnitError, match='no light "rim" to lock'):
        balance_from_readings(quiet.scene, layout, measured, wishes, points=points, locked=["rim"])


def test_a_wish_beyond_full_power_says_by_how_much(four) -> None:
    result = _balanced(four, "face=f/64")
    (wish,) = result.wishes
    assert not wish.met and "at full power it is still" in wish.reasons[0]
    # What reaches the face goes to full power; a tenth of a stop there is not worth a stop of the others.
    after = {move.light: move.after_stops for move in result.moves}
    assert after["key"] == 0
    told = float(wish.reasons[0].split()[-3])
    assert told == pytest.approx(-wish.residual_stops, abs=0.1 * sum(-stops for stops in after.values()) + 0.05)


def test_a_wish_under_the_lowest_dials_names_what_remains(four) -> None:
    result = _balanced(four, "face=f/1.4", locked=["key"])
    (reason,) = result.wishes[0].reasons
    assert "over; locked lights and room light alone give f/" in reason


def test_a_point_without_light_is_said(four) -> None:
    source, layout, measured, points = four
    seen = np.array([probe.id != ProbeId("dome", "hair") for probe in measured.probes])
    dark = ProbeReadings(measured.probes, measured.names, measured.is_flash,
                         measured.values * seen[:, None, None], measured.stderr, measured.rays)  # fmt: skip
    wishes = wishes_from_texts(["hair=f/8", "face=f/8"], list(points), "face")
    result = balance_from_readings(source.scene, layout, dark, wishes, points=points)
    assert result.wishes[0].reasons == ("no light that may be turned reaches this point",)
    assert result.wishes[1].met


def test_contrary_wishes_name_each_other(four) -> None:
    # Face and forehead lie a hand apart: no light of these tells them apart by two stops.
    result = _balanced(four, "face=f/8", "forehead=f/4", "backdrop=f/4")
    met = {outcome.wish.point: outcome.met for outcome in result.wishes}
    assert met == {"face": False, "forehead": False, "backdrop centre": True}
    face, forehead = result.wishes[:2]
    assert face.reasons == ("it contradicts forehead f/4: the same lights serve both points",)
    assert forehead.reasons == ("it contradicts face f/8: the same lights serve both points",)


def _reason_of(problem: BalanceProblem, index: int, wishes, reference="camera") -> str:
    from sim.advice.balance.outcome import _alone_stops, _reasons

    alone = [_alone_stops(problem, row, 0) for row in range(len(problem.target))]
    (reason,) = _reasons(problem, wishes, index, alone, reference, 0)
    return reason


def test_a_dial_that_ends_is_named_with_what_is_missing() -> None:
    from sim.advice.balance import Wish

    # Key and fill at full give 6 stops each: 7 stops are one too many.
    problem = _two_lights([[64.0, 0.0], [0.0, 64.0]], now=(-1.0, -1.0), targets=(6.0, 7.0))
    wishes = [Wish("face", f_number=8.0), Wish("hair", f_number=2**3.5)]
    assert solved_dials(problem) == pytest.approx([0.0, 0.0], abs=1e-3)
    assert _reason_of(problem, 1, wishes) == "with every dial at full power it is still 1.0 stops under"
    # The key is at the reference with 6 stops less 1; fill at full gives 5: for 1 stop over it one stop is missing.
    problem = _two_lights([[0.0, 32.0]], now=(-1.0, -1.0), free=(False, True), targets=(1.0,), relative=True)
    assert _reason_of(problem, 0, [Wish("hair", stops=1.0)], "face") == (
        "with every dial at full power it is still 1.0 stops under"
    )
    # The same with a key that may go down: it is met. With a key whose light is on both points it never is.
    problem = _two_lights([[64.0, 0.0]], targets=(1.0,), relative=True)
    assert _reason_of(problem, 0, [Wish("hair", stops=1.0)], "face") == (
        "no dial brings it nearer than 1.0 stops under: light there also falls on the face"
    )


def test_a_wish_that_cannot_be_met_does_not_spoil_the_others(four) -> None:
    with_hopeless = _balanced(four, "face=f/8", "backdrop=-1.5", "forehead=-4")
    outcomes = {outcome.wish.point: outcome for outcome in with_hopeless.wishes}
    assert not outcomes["forehead"].met and "no dial brings it nearer" in outcomes["forehead"].reasons[0]
    assert abs(outcomes["face"].residual_stops) < 0.15 and abs(outcomes["backdrop centre"].residual_stops) < 0.15


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("face", "got the wish"),
        ("=f/8", "got the wish"),
        ("nose=f/8", 'no meter point "nose"'),
        ("face=f/0", "f/0"),
        ("face=bright", "an f-number or a number of stops"),
        ("face=+40", "at most 20 stops"),
        ("face=-1", "is the reference"),
    ],
)
def test_wishes_that_cannot_be_read_are_refused(four, text: str, match: str) -> None:
    with pytest.raises(UnitError, match=match):
        wishes_from_texts([text], list(four[3]), "face")


def test_wishes_twice_or_none_are_refused(four) -> None:
    with pytest.raises(UnitError, match="twice"):
        wishes_from_texts(["face=f/8", "face=f/5.6"], list(four[3]), "face")
    with pytest.raises(UnitError, match="nothing is wished for"):
        wishes_from_texts([], list(four[3]), "face")


@pytest.mark.parametrize(
    ("dial", "step", "text"),
    [
        (-0.1, 0.1, "-0.1 stops"),
        (-2 / 3, 1 / 3, "-2/3 stops"),
        (-3.0, 1 / 3, "1/8"),
        (0.0, 0.1, "1/1"),
        (-6.9, 0.1, "-6.9 stops"),
    ],
)
def test_settings_read_back_as_they_were_written(dial: float, step: float, text: str) -> None:
    from sim.quantities.units import dial_stops_from_text

    assert dial_text(dial, step) == text
    assert dial_stops_from_text(text) == pytest.approx(dial, abs=1e-9)


@pytest.mark.slow
def test_known_powers_come_back_from_traced_readings(engine) -> None:
    """The same through the renderer: walls, shadows, housings and panels of the demo."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    source = _recital()
    scene, layout = source.scene, layout_from_scene(source.scene, RECITAL.parent)
    measured = read_probes(build(scene, layout), report_probes(scene, layout), target_stderr_stops=0.1)
    points = want_points(scene, layout, measured)
    rng = np.random.default_rng(7)
    for _ in range(20):
        truth = -0.1 * rng.integers(0, 71, len(scene.lights))
        read = _at_powers(scene, layout, measured, truth)
        wishes = [wish_from_text(f"{point}=f/{read[probe].f_number!r}", list(points))
                  for point, probe in points.items()]  # fmt: skip
        problem = problem_from_readings(scene, layout, measured, wishes, points=points)
        found = stepped_dials(problem, solved_dials(problem))
        assert np.abs(found - truth).max() < 0.05


# -- no more change than the wishes are worth --------------------------------------------------


def test_no_light_runs_down_its_dial_for_a_tenth_of_a_stop() -> None:
    # The key alone meets the wish to 0.08 stop; what is left the far light would mend by going from full to its end.
    dials = (LightDial("key", -2.0, -7.0, 1.0, True), LightDial("far", 0.0, -7.0, 0.1, True))
    problem = BalanceProblem(
        dials, np.array([[64.0, 1.8]]), np.zeros(1), np.zeros(2), 64.0, np.array([5.0]), np.array([False])
    )
    assert least_change_dials(problem) == pytest.approx([-1.0, 0.0], abs=0.31)
    # Nor where the wish is missed by stops all the same: the key is locked and gives two too many.
    locked = replace(problem, dials=(replace(dials[0], free=False), dials[1]), target=np.array([2.0]))
    assert least_change_dials(locked) == pytest.approx([-2.0, 0.0], abs=0.6)


def test_a_wish_that_takes_a_weak_light_far_is_met_all_the_same() -> None:
    # Nothing else reaches the point: four stops less of the only light there, whatever that is of its dial.
    problem = _two_lights([[0.0, 64.0]], now=(-1.0, -0.5), targets=(1.5,))
    assert least_change_dials(problem) == pytest.approx([-1.0, -4.5], abs=0.1)


def test_no_dial_goes_below_the_floor_unless_it_stands_there(four) -> None:
    source, layout, measured, points = four
    low = source.changed({("lights", "kicker", "power"): "-6 stops"})
    wishes = wishes_from_texts(["face=f/1"], list(points), "face")
    result = balance_from_readings(low.scene, layout, measured, wishes, points=points)
    after = {move.light: move.after_stops for move in result.moves}
    assert not result.met and min(after.values()) == -6.0 == after["kicker"]
    assert all(stops >= FLOOR_STOPS - 1e-9 for name, stops in after.items() if name != "kicker")


def test_wishes_that_fight_only_together_name_each_other() -> None:
    from sim.advice.balance import Wish

    # Two lights, three points: any two wishes can be had, all three cannot.
    problem = _two_lights([[64.0, 0.0], [0.0, 64.0], [32.0, 32.0]], now=(-2.0, -2.0), targets=(4.0, 2.0, 6.0))
    wishes = [Wish("face", f_number=4.0), Wish("hair", f_number=2.0), Wish("chin", f_number=8.0)]
    assert "face f/4" in _reason_of(problem, 2, wishes) and "hair f/2" in _reason_of(problem, 2, wishes)


def test_the_exit_code_tells_and_nothing_is_written_that_misses(
    four, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, _, measured, _ = four
    scene = tmp_path / "set.yaml"
    scene.write_text(source.text, "utf-8")
    monkeypatch.setattr("sim.session.Rehearsal.readings", lambda *_, **__: measured)
    balance = ["balance", str(scene), "--key", "key", "--want"]
    told = CliRunner().invoke(app, [*balance, "face=f/64"])
    assert told.exit_code == 3 and "Nothing was written" in told.output, told.output
    assert not (tmp_path / "set-balanced.yaml").exists()
    assert CliRunner().invoke(app, [*balance, "face=f/64", "--anyway"]).exit_code == 3
    assert (tmp_path / "set-balanced.yaml").exists()
    met = CliRunner().invoke(app, [*balance, "face=f/8", "--out", str(tmp_path / "met.yaml")])
    assert met.exit_code == 0 and "Every wish is met" in met.output and (tmp_path / "met.yaml").exists()
