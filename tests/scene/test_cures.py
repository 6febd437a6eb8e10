"""Cures of faults that people make: each is what they meant, and writing it mends the scene."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sim.quantities import units
from sim.quantities.errors import SceneError
from sim.room.document.edit_text import text_with_edits
from sim.room.document.edits import Dials
from sim.scene.model.sitter import Sitter
from sim.scene.read import scene_from_text

DEMO = (Path(__file__).resolve().parents[2] / "scenes" / "recital.yaml").read_text("utf-8")
POWER = "    power: -0.3 stop\n"


def _fault(old: str, new: str) -> str:
    assert old in DEMO
    with pytest.raises(SceneError) as caught:
        scene_from_text(DEMO.replace(old, new, 1))
    return str(caught.value)


@pytest.mark.parametrize(
    ("old", "wrong", "right"),
    [
        ("posture: standing", "posture: sitting", "posture: seated"),
        ("modifier: {kind: softbox, width: 100 cm, height: 140 cm, recess: 5 cm, hot_spot: 0.3 stop, grid: 40°}",
         "modifier: softbox 90x120 cm grid 40°",
         "modifier: {kind: softbox, width: 90 cm, height: 120 cm, grid: 40°}"),
        ("    aim: face\n", "    color: tungsten\n    aim: face\n", "    color: 3200 K\n    aim: face\n"),
        ("    aim: face\n", "    gels: [nd 2 stops]\n    aim: face\n", "    gels: [{nd: 2 stops}]\n    aim: face\n"),
        (POWER, "    power: 7\n", "    power: 7 of 10\n"),
        (POWER, "    power: -9 stops\n", "    power: 1/128\n"),
    ],
)  # fmt: skip
def test_a_cure_is_what_was_meant_and_mends_the_scene(old: str, wrong: str, right: str) -> None:
    cure = re.findall(r'write "([^"]+)"', _fault(old, wrong))
    assert any(text in right for text in cure), cure
    scene_from_text(DEMO.replace(old, right, 1))


def test_a_lamp_by_what_it_burns_is_a_continuous_light_of_its_colour() -> None:
    for word in ("tungsten", "halogen"):
        fault = _fault("kind: flash", f"kind: {word}")
        assert 'write "continuous"' in fault and '"color: 3200 K"' in fault
    assert 'write "continuous"' in _fault("kind: flash", "kind: LED")
    assert 'write "{kind: softbox, width: 100 cm, height: 140 cm}"' in _fault(
        "kind: softbox, width: 100 cm, height: 140 cm", "kind: softbox 100x140 cm"
    )


def test_a_place_out_of_the_room_is_told_without_axes() -> None:
    for height, told in (("10 m", "the ceiling (10 m high); expected at most"),):
        assert told in _fault("height: 1.85 m", f"height: {height}")
    fault = _fault("place: {bearing: -112°, distance: 1.5 m, height: 1.85 m}", "place: {at: [-9 m, 1 m, 0 m]}")
    assert "the wall on camera left (9 m to camera left)" in fault
    assert "the range of its dial" in _fault(POWER, "    power: -9 stops\n")


def test_a_number_of_a_heads_scale_is_a_stop() -> None:
    # One full number of such a scale is one stop: common practice, no source.
    scaled = DEMO.replace(POWER, "    power: 7 of 10\n", 1)
    assert scene_from_text(scaled).lights["key"].power_stops == -3.0
    assert units.dial_stops_from_text("8.5 of 10") == -1.5 and units.dial_stops_from_text("10 of 10") == 0.0
    # The notation of the head stays when its dial is turned.
    turned, _ = text_with_edits(scaled, [Dials(stops={"key": -2.5})])
    assert "    power: 7.5 of 10\n" in turned and scene_from_text(turned).lights["key"].power_stops == -2.5
    assert "this scale ends at 10" in _fault(POWER, "    power: 11 of 10\n")


def test_a_sitter_is_said_to_wear_what_they_wear() -> None:
    def worn(**keys: object) -> str:
        return Sitter.model_validate(keys).garment

    assert worn(figure="man", clothing={"style": "dark suit"}) == "suit"
    assert worn(figure="woman", clothing={"style": "velvet gown"}) == "gown" == worn(figure="simple")
    assert worn(figure={"file": "own.glb", "parts": {"jacket": "suit", "head": "face"}}) == "suit"
