"""Latitude against closed forms and against moving the light instead of the sitter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.advice.checks.faceframe import face_grid
from sim.advice.checks.latitude import (
    MOVES,
    Limit,
    Sample,
    SitterMove,
    key_light,
    latitude,
    moved_layout,
    moved_sitter,
    reading_limit,
    spot_limit,
    tight_lights,
)
from sim.advice.checks.noseshadow import NoseShadow, nose_shadow
from sim.light.mix import mix_from_scene
from sim.studio.layout import layout_from_scene
from tests.advice.checks.setups import light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

NO_SHADOW = NoseShadow("flat", "", "right", math.nan, 1.0, 1.0, 0.0)
GRID = {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "5 deg"}
LAMP = {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg"}


def limit_of(sweep, what: str, side: int):
    """The limit of one thing on one side."""
    return next(limit for limit in sweep.limits if limit.what == what and limit.side == side)


def _sample(offset: float, stops: float, share: float = 1.0) -> Sample:
    return Sample(offset, stops, 0.01, NO_SHADOW, (share,))


def test_reading_limit_is_where_the_line_crosses_a_third_of_a_stop() -> None:
    found = reading_limit([_sample(0, 0), _sample(-10, -0.1), _sample(-20, -0.6)], -1)
    assert found.offset == pytest.approx(-10 - 10 * (1 / 3 - 0.1) / 0.5)
    assert found.uncertain == pytest.approx(math.hypot(0.01, 0.01) / 0.05)
    assert "under" in found.becomes
    assert reading_limit([_sample(0, 0), _sample(10, 0.3)], 1) == Limit("face reading", 1, None, 0.0, "")
    assert reading_limit([_sample(0, 0), _sample(10, 1.0)], 1).offset == pytest.approx(10 / 3)


def test_spot_limit_is_where_half_of_the_points_are_left() -> None:
    found = spot_limit([_sample(0, 0, 0.8), _sample(0.1, 0, 0.6), _sample(0.2, 0, 0.2)], 0, "tight", 1)
    assert found.offset == pytest.approx(0.15)


@pytest.mark.parametrize("move", [move.name for move in MOVES])
def test_a_move_changes_the_sitter_and_nothing_else(move: str) -> None:
    scene = scene_of({"key": light(30, 30)})
    layout = layout_from_scene(scene)
    offset = 0.1 if move.startswith("step") else 10.0
    after = moved_layout(scene, layout, move, offset)
    assert after.lights is layout.lights and after.camera is layout.camera
    assert np.linalg.norm(after.anchors_m["face"] - layout.anchors_m["face"]) > 0.01
    assert moved_sitter(scene.sitter, move, 0.0) == scene.sitter


def test_a_step_toward_a_lone_lamp_follows_the_inverse_square() -> None:
    """A lamp beside the camera's axis, level with the face: the reading gains 1/3 stop at d (1 - 2^(-1/6))."""
    scene = scene_of({"key": light(0, 0, modifier=LAMP, place={"at": ["0 m", "1.53 m", "2.5 m"]})})
    move = SitterMove("step in depth", "m", (-0.6, -0.4, -0.2, 0.0, 0.2, 0.4), 0.01, "", "")
    (sweep,) = latitude(scene, moves=[move]).sweeps
    # The receptors lie 4 cm before a face whose points are about 10 cm ahead of the mark.
    away_m = 2.5 - 0.14
    assert limit_of(sweep, "face reading", 1).offset == pytest.approx(away_m * (1 - 2 ** (-1 / 6)), abs=0.02)
    assert limit_of(sweep, "face reading", -1).offset == pytest.approx(-away_m * (2 ** (1 / 6) - 1), abs=0.02)


def test_turning_the_head_is_turning_the_light_the_other_way() -> None:
    """The head's limit on one side is where the light, swung about the head instead, changes the pattern's name."""
    scene = scene_of({"key": light(35, 35, 2.5)})
    move = SitterMove("body turn", "deg", (-16.0, -8.0, 0.0, 8.0), 0.5, "", "")
    (sweep,) = latitude(scene, moves=[move]).sweeps
    limit = limit_of(sweep, "nose shadow", -1)
    assert limit.offset is not None and limit.becomes.startswith("triangle")
    for swing_deg, same in ((limit.offset + 2, True), (limit.offset - 2, False)):
        swung = nose_shadow(staged(scene_of({"key": light(35 - swing_deg, 35, 2.5)})), 0)
        assert (swung.pattern == sweep.samples[2].shadow.pattern == "loop") is same


@pytest.mark.parametrize("beam_deg", [4, pytest.param(7, marks=pytest.mark.slow)])
def test_a_tight_lights_hold_on_the_face_is_a_cone_in_space(beam_deg: float) -> None:
    """Face points within half the beam's angle of the axis, counted from geometry alone, as the sitter steps aside."""
    move = SitterMove("step aside", "m", tuple(np.linspace(-0.25, 0.25, 11)), 0.05, "", "")
    pool = light(0, 20, 2.4, modifier={"kind": "spot", "lens": "3 cm", "beam": f"{beam_deg} deg"})
    scene = scene_of({"key": light(40, 35), "pool": pool})
    found = latitude(scene, moves=[move])
    assert found.tight == ("pool",)
    layout = layout_from_scene(scene)
    grid = face_grid(staged(scene), 0.1)
    points, lamp = grid.points_m[grid.on_face], layout.light("pool")
    sweep = found.sweeps[0]
    for sample in sweep.samples:
        way = points + np.array([sample.offset, 0, 0]) - lamp.position_m
        cosine = way @ lamp.axis / np.linalg.norm(way, axis=1)
        inside = (np.degrees(np.arccos(cosine)) < beam_deg / 2).mean()
        assert sample.spot_shares[0] == pytest.approx(inside, abs=0.05)
    left, right = (limit_of(sweep, "pool", side).offset for side in (-1, 1))
    assert -left == pytest.approx(right, abs=0.015)


def test_soft_and_muted_lights_are_not_tight_and_the_key_is_the_strongest() -> None:
    lights = {"a": light(40, 35), "b": light(0, 20, modifier=GRID, mute=True), "c": light(-30, 20, power="-3 stops")}
    scene = scene_of(lights)
    stage = staged(scene)
    mix = mix_from_scene(scene, stage.layout)
    assert tight_lights(stage, mix) == ()
    assert key_light(stage, mix, scene.camera.shutter_s) == "a"
    swapped = scene_of({**lights, "a": lights["c"], "c": lights["a"]})
    stage = staged(swapped)
    assert key_light(stage, mix_from_scene(swapped, stage.layout), swapped.camera.shutter_s) == "c"


def test_the_text_names_the_pattern_that_chart_and_data_show() -> None:
    """On the way from split at 20 degrees to triangle at 25 a sliver looks like a loop; the sample has the name."""
    from types import SimpleNamespace

    from sim.advice.checks import latitude as module
    from sim.advice.checks.noseshadow import NoseShadow

    def drawn(pattern: str) -> NoseShadow:
        return NoseShadow(pattern, "short", "left", 60.0, 0.2, 0.9, 0.0)

    bench = SimpleNamespace(shadow=lambda move, offset: drawn("split" if offset < 23 else "loop"))
    patterns = {0.0: "split", 20.0: "split", 25.0: "triangle", 40.0: "loop"}
    samples = [module.Sample(offset, 0.0, 0.0, drawn(pattern), ()) for offset, pattern in patterns.items()]
    limit = module._shadow_limit(bench, module.MOVES[0], samples, 1)
    assert limit.becomes == "triangle under the eye, short lighting" and limit.offset == pytest.approx(23, abs=0.5)
