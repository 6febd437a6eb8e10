"""Edits as the page sends them: what each writes into the file, and what is refused.

The closed form of a bearing is x = d sin b, z = d cos b. Each expected line is written out by hand.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sim.advice.balance import Balance
from sim.advice.balance.outcome import DialMove
from sim.quantities.errors import SceneError
from sim.quantities.units import angle_deg_from_text
from sim.room.document import edit_text
from sim.room.document.edits import OPERATIONS, SetValue, edits_from_data
from sim.room.targets import edits_from_balance
from sim.scene.numbers import numbers_from_scene
from sim.scene.read import scene_from_text

SCENES = Path(__file__).resolve().parents[2] / "scenes"
DEMO = (SCENES / "recital.yaml").read_text("utf-8")
WINDOW = (SCENES / "continuous_set.yaml").read_text("utf-8")


def text_with_edits(text: str, edits: Any, name: str = "scene") -> tuple[str, str]:
    """The text after edits that are given as the page sends them, and their title."""
    return edit_text.text_with_edits(text, edits_from_data(edits, name), name)


def _changed(text: str, *edits: Any) -> list[tuple[str, str]]:
    """Lines before and after, where they differ; the result must be a scene. What stands in comments is left out."""
    result, _ = text_with_edits(text, list(edits))
    scene_from_text(result)
    before, after = (
        [line for line in each.splitlines() if not line.strip().startswith("#")] for each in (text, result)
    )
    assert len(before) == len(after)
    return [(x.strip(), y.strip()) for x, y in zip(before, after, strict=True) if x != y]


def _new_line(text: str, *edits: Any) -> str:
    changed = _changed(text, *edits)
    assert len(changed) == 1, changed
    return changed[0][1]


@pytest.mark.parametrize(
    ("what", "to_m", "line"),
    [
        (["light", "key"], [-1.2, 1.804, 1.2], "place: {bearing: -45°, distance: 1.7 m, height: 1.8 m}"),
        (["light", "edge"], [-0.01, 2.5, -2.0], "place: {bearing: -180°, distance: 2 m, height: 2.5 m}"),
        (["camera"], [0.203, 1.15, 3.6], "place: {at: [0.2 m, 1.15 m, 3.6 m]}"),
        (["panel", "canvas flag"], [1.2, 2.0, -1.1], "place: {at: [1.2 m, 2 m, -1.1 m]}"),
        (["panel", 0], [1.0, 2.15, -1.1], "place: {at: [1 m, 2.15 m, -1.1 m]}"),
        (["backdrop"], [0.4, 0.0, -2.456], "distance: 2.46 m"),
    ],
)  # fmt: skip
def test_a_move_is_written_as_the_file_says_places(what: Any, to_m: list[float], line: str) -> None:
    # -180 and 180 degrees are the same bearing; both are within the format.
    got = _new_line(DEMO, {"op": "move", "what": what, "to_m": to_m})
    assert got.replace("bearing: 180°", "bearing: -180°") == line


def test_a_window_moves_and_turns_as_a_light() -> None:
    move = {"op": "move", "what": ["light", "window"], "to_m": [-2.7, 1.5, 0.25]}
    assert _new_line(WINDOW, move) == "place: {at: [-2.7 m, 1.5 m, 0.25 m]}"
    aim = {"op": "aim", "what": ["light", "window"], "at": [0, 1, 0.5]}
    assert _new_line(WINDOW, aim) == "aim: {at: [0 m, 1 m, 0.5 m]}"


def test_the_sitter_steps_and_turns() -> None:
    result, _ = text_with_edits(DEMO, [{"op": "move", "what": ["sitter"], "to_m": [0.1, 9, -0.255]}])
    assert '"#241433"}\n  step: [0.1 m, -0.26 m]\n' in result or '"#241433"}\n  step: [0.1 m, -0.25 m]\n' in result
    again, _ = text_with_edits(result, [{"op": "move", "what": ["sitter"], "to_m": [0.1, 0, 0.3]}])
    assert "  step: [0.1 m, 0.3 m]\n" in again
    assert _new_line(DEMO, {"op": "turn", "what": ["sitter"], "deg": 200}) == "turn: -160°"
    assert _new_line(DEMO, {"op": "turn", "what": ["head"], "deg": -7.6}) == "head: {turn: -8°, nod: 0°, tilt: 0°}"


@given(st.floats(-180, 180), st.floats(0.05, 40), st.floats(0, 19))
def test_bearing_and_distance_lead_back_to_the_point(bearing_deg: float, distance_m: float, height_m: float) -> None:
    # The place is written to a degree and a centimetre: half of each is the most that it may be off.
    b = math.radians(bearing_deg)
    to_m = [distance_m * math.sin(b), height_m, distance_m * math.cos(b)]
    text = "lights: {a: {place: {bearing: 300°, distance: 1 m, height: 1 m}}}"
    result, _ = text_with_edits(text, [{"op": "move", "what": ["light", "a"], "to_m": to_m}])
    said = result.split("{bearing: ")[1].split("}")[0].split(", ")
    off_deg = (angle_deg_from_text(said[0]) - bearing_deg + 180) % 360 - 180
    assert abs(off_deg) <= 0.5 + 1e-6 and -360 <= angle_deg_from_text(said[0]) <= 360
    assert abs(float(said[1].split()[1]) - distance_m) <= 0.005 + 1e-9
    assert abs(float(said[2].split()[1]) - height_m) <= 0.005 + 1e-9


def test_lengths_keep_centimetres_and_bearings_their_way_round() -> None:
    text = "lights: {a: {place: {bearing: 268°, distance: 170 cm, height: 6 ft}}}"
    result, _ = text_with_edits(text, [{"op": "move", "what": ["light", "a"], "to_m": [-1.5, 1.9, 0.0]}])
    assert result == "lights: {a: {place: {bearing: 270°, distance: 150 cm, height: 1.9 m}}}"


def test_a_move_to_where_it_stands_changes_nothing() -> None:
    b = math.radians(-112)
    edit = {"op": "move", "what": ["light", "key"], "to_m": [1.5 * math.sin(b), 1.85, 1.5 * math.cos(b)]}
    assert text_with_edits(DEMO, [edit])[0] == DEMO


def test_dials_keep_the_way_the_file_speaks() -> None:
    assert _new_line(DEMO, {"op": "dials", "stops": {"key": -2}}) == "power: -2 stops"
    assert _new_line(DEMO, {"op": "dials", "stops": {"fill": -0.5}}) == "power: -0.5 stop"
    assert _new_line(WINDOW, {"op": "dials", "stops": {"key": -3}}) == "power: 1/8"
    assert _new_line(WINDOW, {"op": "dials", "stops": {"key": -1.333}}) == "power: -1.33 stops"
    both = _changed(DEMO, {"op": "dials", "stops": {"key": -2, "edge": -3.5}})
    assert [new for _, new in both] == ["power: -2 stops", "power: -3.5 stops"]


def test_a_balance_taken_in_the_room_keeps_the_heads_own_scale() -> None:
    text = re.sub(r"(?m)^    power: .*$", "    power: 7 of 10", DEMO, count=1)
    moves = [DialMove(name, -3.0, -2.5, 0.1, "") for name in ("key", "edge")]
    edits = edits_from_balance(Balance("face", 8.0, (), tuple(moves)), text)
    assert [(edit.path[1], edit.value) for edit in edits if isinstance(edit, SetValue)] == [
        ("key", "7.5 of 10"), ("edge", "-2.5 stops"),
    ]  # fmt: skip


def test_a_light_is_added_copied_renamed_and_removed() -> None:
    block = {"source": {"kind": "flash", "energy": "300 W·s"},
             "place": {"bearing": "60°", "distance": "2 m", "height": "2 m"}}  # fmt: skip
    added, title = text_with_edits(DEMO, [{"op": "add_light", "name": "kicker", "block": block}])
    assert title == "add kicker"
    assert added == DEMO.replace(
        "    aim: chest\n",
        "    aim: chest\n\n  kicker:\n    source: {kind: flash, energy: 300 W·s}\n"
        "    place: {bearing: 60°, distance: 2 m, height: 2 m}\n",
    )
    assert text_with_edits(added, [{"op": "remove_light", "name": "kicker"}])[0] == DEMO

    copied, _ = text_with_edits(DEMO, [{"op": "copy_light", "name": "accent", "as": "accent 2"}])
    lights = scene_from_text(copied).lights
    assert list(lights) == ["key", "accent", "halo", "edge", "fill", "accent 2"]
    # All but its bearing is the same, and it stands beside the first.
    assert lights["accent 2"].place.bearing_deg == lights["accent"].place.bearing_deg + 15
    assert lights["accent 2"].model_copy(update={"place": None}) == lights["accent"].model_copy(update={"place": None})

    renamed = _changed(DEMO, {"op": "rename_light", "name": "key", "to": "main"})
    assert renamed == [("key:", "main:"), ("key side: {at: left cheek, kind: dome, facing: key}",
                                          "key side: {at: left cheek, kind: dome, facing: main}")]  # fmt: skip
    gone, _ = text_with_edits(DEMO, [{"op": "remove_light", "name": "key"}])
    assert scene_from_text(gone).meters["key side"].facing == "camera"
    # So does one that faces a panel which goes.
    path = ["meters", "key side", "facing"]
    faced, _ = text_with_edits(DEMO, [{"op": "set", "path": path, "value": "canvas flag"}])
    assert scene_from_text(faced).meters["key side"].facing == "canvas flag"
    bare, _ = text_with_edits(faced, [{"op": "unset", "path": ["panels", "canvas flag"]}])
    assert scene_from_text(bare).meters["key side"].facing == "camera"
    assert "# The key: large and near" not in gone and "# A tight pool on the face" in gone


def _numbers(text: str) -> dict[str, int]:
    return numbers_from_scene(scene_from_text(text))


def test_lights_keep_their_numbers_when_others_come_and_go() -> None:
    first, second, *others = before = _numbers(DEMO)
    assert list(before.values()) == [1, 2, 3, 4, 5]
    kept = {name: before[name] for name in (first, *others)}
    gone, _ = text_with_edits(DEMO, [{"op": "remove_light", "name": second}])
    assert _numbers(gone) == kept
    renamed, _ = text_with_edits(gone, [{"op": "rename_light", "name": others[0], "to": "hair light"}])
    assert _numbers(renamed)["hair light"] == kept[others[0]]
    # What comes anew takes the number that is free; a copy is a light of its own.
    added, _ = text_with_edits(gone, [{"op": "add_light", "name": "rim"}, {"op": "add_light", "name": "kicker"}])
    assert _numbers(added) == {**kept, "rim": 2, "kicker": 6}
    copied, _ = text_with_edits(added, [{"op": "copy_light", "name": others[0], "as": "twin"}])
    assert _numbers(copied) == {**kept, "rim": 2, "kicker": 6, "twin": 7}
    # Lights of the room come after the lamps in the file, and keep theirs too.
    with_window, _ = text_with_edits(WINDOW, [{"op": "add_light", "name": "rim"}])
    earlier = _numbers(WINDOW)
    assert _numbers(with_window) == {**earlier, "rim": len(earlier) + 1}
    anew, _ = text_with_edits(with_window, [{"op": "set", "path": ["lights", "rim", "number"], "value": 9}])
    assert _numbers(anew) == {**earlier, "rim": 9}


def test_two_lights_of_one_number_are_refused_with_the_free_one() -> None:
    first, second, *_ = _numbers(DEMO)
    edits = [{"op": "set", "path": ["lights", name, "number"], "value": 4} for name in (first, second)]
    with pytest.raises(SceneError, match=rf'lights.{second}.number: 4 is used twice.*write "1"'):
        scene_from_text(text_with_edits(DEMO, edits)[0])


def test_a_window_is_renamed_and_removed_with_what_faces_it() -> None:
    renamed = _changed(WINDOW, {"op": "rename_light", "name": "window", "to": "bay"})
    assert renamed == [("- name: window", "- name: bay"),
                       ("window side: {at: left cheek, kind: dome, facing: window}",
                        "window side: {at: left cheek, kind: dome, facing: bay}")]  # fmt: skip
    gone = scene_from_text(text_with_edits(WINDOW, [{"op": "remove_light", "name": "window"}])[0])
    assert [item.name for item in gone.ambient] == ["bounce"] and gone.meters["window side"].facing == "camera"


def test_pins_are_numbered_moved_and_taken_out() -> None:
    pin = {"op": "pin", "name": None, "at_m": [0.123, 1.5, 0.2], "kind": "spot"}
    once, title = text_with_edits(DEMO, [pin])
    assert title == "add pin 1"
    assert "\n  pin 1: {at: {at: [0.12 m, 1.5 m, 0.2 m]}, kind: spot, facing: camera}\n" in once
    twice, _ = text_with_edits(once, [pin])
    assert "pin 2" in scene_from_text(twice).meters
    moved, _ = text_with_edits(once, [{"op": "pin", "name": "pin 1", "at_m": [0, 1, 0.2]}])
    assert "pin 1: {at: {at: [0 m, 1 m, 0.2 m]}, kind: spot, facing: camera}" in moved
    assert text_with_edits(once, [{"op": "unpin", "name": "pin 1"}])[0] == DEMO


def test_any_value_is_set_and_taken_out_again() -> None:
    mute = {"op": "set", "path": ["lights", "key", "mute"], "value": True}
    muted, title = text_with_edits(DEMO, [mute])
    assert title == "set key mute" and "    stand: floor\n    mute: true\n" in muted
    assert text_with_edits(muted, [{"op": "unset", "path": ["lights", "key", "mute"]}])[0] == DEMO
    grid = {"op": "set", "path": ["lights", "accent", "modifier", "grid"], "value": "20°"}
    assert _new_line(DEMO, grid) == "modifier: {kind: reflector, diameter: 18 cm, beam: 65°, grid: 20°}"
    panel = {"op": "set", "path": ["panels", "white card"], "value": {
        "kind": "reflector", "size": {"width": "1 m", "height": "1 m"},
        "place": {"bearing": "60°", "distance": "1 m", "height": "1.2 m"}}}  # fmt: skip
    added, title = text_with_edits(DEMO, [panel])
    assert title == "add white card" and "\n  white card:\n    kind: reflector\n" in added


def test_several_edits_have_one_title() -> None:
    edits = [{"op": "turn", "what": ["sitter"], "deg": 5}, {"op": "dials", "stops": {"key": -2}}]
    assert text_with_edits(DEMO, edits)[1] == "turn the sitter and 1 more"
    move = {"op": "move", "what": ["light", "rim"], "to_m": [1, 2, -1]}
    added_then_moved, _ = text_with_edits(DEMO, [{"op": "add_light", "name": "rim"}, move])
    assert "place: {bearing: 135°, distance: 1.41 m, height: 2 m}" in added_then_moved


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        ({"op": "explode"}, 'there is no change "explode"; expected one of set, unset'),
        ({"op": "move", "what": ["light", "nobody"], "to_m": [0, 1, 2]}, 'no light "nobody"; expected one of key'),
        ({"op": "move", "what": ["light", "key"], "to_m": [0, 1]}, "expected three numbers in metres"),
        ({"op": "move", "what": ["light", "key"], "to_m": [0, math.nan, 1]}, "expected a number"),
        ({"op": "move", "what": ["moon"], "to_m": [0, 1, 1]}, "got nothing to move"),
        ({"op": "aim", "what": ["sitter"], "at": "face"}, "the sitter aims at nothing"),
        ({"op": "turn", "what": ["head"], "deg": "far"}, "got no turn"),
        ({"op": "set", "path": [], "value": 1}, "got no key path"),
        ({"op": "set", "path": ["title"], "value": None}, "no value was given"),
        ({"op": "set", "path": ["title"], "value": "\ud800"}, "characters of text"),
        ({"op": "set", "path": ["title"], "value": [[[[[[[[1]]]]]]]]}, "nested too deeply"),
        ({"op": "set", "path": ["title"], "value": int("9" * 4000)}, "expected a number"),
        ({"op": "dials", "stops": {"key": int("-" + "9" * 4000)}}, "expected a number"),
        ({"op": "unset", "path": ["lights", "nobody"]}, "there is no such place"),
        ({"op": "add_light", "name": "key"}, "there is one of this name"),
        ({"op": "copy_light", "name": "key", "as": "fill"}, "there is one of this name"),
        ({"op": "rename_light", "name": "key", "to": "fill"}, 'there is a "fill" already'),
        ({"op": "dials", "stops": {"key": "much"}}, "expected stops under full"),
        ({"op": "dials", "stops": {}}, "got no dials"),
        ({"op": "unpin", "name": "nothing"}, "there is no such place"),
        (None, "there is no change"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_one_line(edit: Any, told: str) -> None:
    with pytest.raises(SceneError) as caught:
        text_with_edits(DEMO, [edit], "set.yaml")
    assert told in str(caught.value) and "\n" not in str(caught.value)
    assert str(caught.value).startswith("set.yaml:") and caught.value.what and caught.value.cure


def test_too_much_at_once_is_refused() -> None:
    turn = {"op": "turn", "what": ["sitter"], "deg": 5}
    for edits in ([], [turn] * 65, "turn", None):
        with pytest.raises(SceneError, match="1 to 64 changes"):
            text_with_edits(DEMO, edits)
    assert len(OPERATIONS) == 12


def test_the_last_light_may_go_and_another_come() -> None:
    dark, _ = text_with_edits("title: x\nlights:\n  a: {power: 1/2}\n", [{"op": "remove_light", "name": "a"}])
    assert dark == "title: x\nlights: {}\n"
    lit, _ = text_with_edits(dark, [{"op": "add_light", "name": "b", "block": {"power": "1/4"}}])
    assert yaml.safe_load(lit) == {"title": "x", "lights": {"b": {"power": "1/4"}}}


def test_a_light_that_shares_a_block_changes_alone() -> None:
    head = "{kind: flash, energy: 400 W·s, efficacy: 40 lm/W, consumption: 900 W, modelling_lamp: 150 W}"
    shared = DEMO.replace(head, f"&head {head}", 1)
    first = shared.index(head) + len(head)
    shared = shared[:first] + shared[first:].replace(head, "*head")
    assert shared.count("*head") == 4
    before = scene_from_text(shared)
    for name in ("key", "fill"):
        edit = {"op": "set", "path": ["lights", name, "source", "energy"], "value": "600 W·s"}
        after = scene_from_text(text_with_edits(shared, [edit])[0])
        energies = {each: light.source.energy_J for each, light in after.lights.items()}
        assert energies == {each: 600.0 if each == name else 400.0 for each in before.lights}
    # The light that holds the block can go too, and what does not touch it leaves it shared.
    gone = scene_from_text(text_with_edits(shared, [{"op": "remove_light", "name": "key"}])[0])
    assert list(gone.lights) == ["accent", "halo", "edge", "fill"]
    assert "*head" in text_with_edits(shared, [{"op": "dials", "stops": {"fill": -2}}])[0]
