"""Changed scene files: every character outside the change stays, and an independent YAML reader agrees.

Reference reader: PyYAML, while the module finds its places with ruamel.yaml.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.scene import edit as scene_edit
from sim.scene.edit import flow_text, modifier_from_text, path_from_text, scene_text_from_file, text_with_value
from sim.scene.read import load_scene

SCENES = sorted((Path(__file__).resolve().parents[2] / "scenes").glob("*.yaml"))
BLOCKS = """\
# top
a:            # about a
  b: 1 m      # about b

  c:
    - d: 2 m  # about d
      e: "x"
    # between
    - {d: 3 m, e: y}
  # after c
f: |
  words
  more
g: {}
"""


def _leaves(data, path=()):
    if isinstance(data, dict):
        for key, value in data.items():
            yield from _leaves(value, (*path, key))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from _leaves(value, (*path, index))
    else:
        yield path


def _with(data, path, value):
    if not path:
        return value
    copy = dict(data) if isinstance(data, dict) else list(data)
    copy[path[0]] = _with(copy[path[0]], path[1:], value)
    return copy


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_values_all_over_a_scene_can_be_replaced_alone(scene: Path) -> None:
    text = scene.read_text("utf-8")
    data = yaml.load(text, yaml.BaseLoader)
    for path in list(_leaves(data))[::3]:
        changed = text_with_value(text, path, "quite new")
        assert yaml.load(changed, yaml.BaseLoader) == _with(data, path, "quite new")
        before, after = text.splitlines(), changed.splitlines()
        assert len(before) == len(after)
        assert sum(x != y for x, y in zip(before, after, strict=True)) == 1


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_a_new_power_for_every_light_keeps_comments_and_order(scene: Path, tmp_path: Path) -> None:
    original = scene_text_from_file(scene)
    powers = {("lights", name, "power"): "-0.7 stops" for name in original.scene.lights}
    result = original.changed(powers)
    assert [light.power_stops for light in result.scene.lights.values()] == [-0.7] * len(powers)
    comments = [line.partition("#")[2] for line in original.text.splitlines() if "#" in line]
    assert [line.partition("#")[2] for line in result.text.splitlines() if "#" in line] == comments
    assert list(result.scene.lights) == list(original.scene.lights)


@pytest.mark.parametrize(
    ("path", "value", "expected"),
    [
        (("a", "b"), "2 m", "  b: 2 m      # about b\n"),
        (("a", "new"), "4 m", "    - {d: 3 m, e: y}\n  new: 4 m\n  # after c\n"),
        (("a", "c", 0, "f"), "z", '      e: "x"\n      f: z\n    # between\n'),
        (("a", "c", 1, "f"), "z", "    - {d: 3 m, e: y, f: z}\n"),
        (("a", "c", 0), {"d": "9 m"}, "    - {d: 9 m}\n    # between\n"),
        (("f",), "short", "f: short\ng: {}\n"),
        (("g", "h", "i"), 3, "g: {h: {i: 3}}\n"),
        (("h",), True, "g: {}\nh: true\n"),
        (("a", "c"), [], "  c:\n    []\n  # after c\n"),
    ],
)
def test_places_in_blocks_and_braces(path, value, expected) -> None:
    changed = text_with_value(BLOCKS, path, value)
    assert expected in changed
    wanted = yaml.safe_load(changed)
    for key in path:
        wanted = wanted[key]
    assert wanted == value


def test_line_ends_and_byte_order_mark_stay() -> None:
    changed = text_with_value("\ufeff" + BLOCKS.replace("\n", "\r\n"), ("a", "new"), "4 m")
    assert changed == "\ufeff" + text_with_value(BLOCKS, ("a", "new"), "4 m").replace("\n", "\r\n")


def test_a_shared_block_is_not_changed_behind_the_users_back() -> None:
    text = "lights:\n  a: &head {power: 1/2}\n  b: *head\n"
    for path in (("lights", "b", "power"), ("lights", "a")):
        with pytest.raises(SceneError, match="shared by an alias"):
            text_with_value(text, path, "1/4", "x.yaml")


def test_a_place_that_cannot_be_is_refused_with_its_line() -> None:
    with pytest.raises(SceneError, match=r"x.yaml:3: a.b.c: there is no such place"):
        text_with_value(BLOCKS, ("a", "b", "c"), "1", "x.yaml")


def test_a_change_that_makes_no_scene_is_refused() -> None:
    original = scene_text_from_file(SCENES[0])
    name = next(iter(original.scene.lights))
    with pytest.raises(SceneError, match=f"lights.{name}.power"):
        original.changed({("lights", name, "power"): "two"})


yaml_words = st.text(st.characters(exclude_categories=("C", "Z"), exclude_characters="\u2028\u2029\x85"), max_size=12)
yaml_values = st.recursive(
    st.booleans() | st.integers(-999, 999) | st.floats(-1e6, 1e6).filter(lambda x: x == round(x, 6)) | yaml_words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(yaml_words.filter(bool), inner, max_size=3),
    max_leaves=6,
)


@given(yaml_values)
def test_flow_text_reads_back_in_another_reader(value) -> None:
    assert yaml.safe_load(flow_text(value)) == value


# -- files --------------------------------------------------------------------------------------


def test_writing_never_replaces_unasked(tmp_path: Path) -> None:
    target = tmp_path / "mine.yaml"
    original = scene_text_from_file(SCENES[0])
    target.write_text("precious", "utf-8")
    with pytest.raises(HalfstopError, match=r"there is a file of this name; nothing was written"):
        scene_edit.write_scene_text(original, target)
    assert target.read_text("utf-8") == "precious"
    target.chmod(0o640)
    scene_edit.write_scene_text(original, target, replace=True)
    assert target.read_bytes() == SCENES[0].read_bytes()
    assert target.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["mine.yaml"]


def test_a_failed_write_leaves_the_old_file_and_no_draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "mine.yaml"
    target.write_text("precious", "utf-8")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sim.quantities.atomic_write.os.replace", full)
    with pytest.raises(HalfstopError, match="No space left"):
        scene_edit.write_scene_text(scene_text_from_file(SCENES[0]), target, replace=True)
    assert os.listdir(tmp_path) == ["mine.yaml"] and target.read_text("utf-8") == "precious"


def test_a_missing_folder_is_one_plain_line(tmp_path: Path) -> None:
    with pytest.raises(HalfstopError, match="cannot be written"):
        scene_edit.write_scene_text(scene_text_from_file(SCENES[0]), tmp_path / "no" / "x.yaml")


# -- key paths and modifiers in words -----------------------------------------------------------


def test_key_paths_may_begin_with_a_light_or_a_panel() -> None:
    scene = load_scene(next(path for path in SCENES if path.stem == "recital"))
    assert path_from_text(scene, "key.power") == ("lights", "key", "power")
    assert path_from_text(scene, "canvas flag.place") == ("panels", "canvas flag", "place")
    assert path_from_text(scene, "camera.aperture") == ("camera", "aperture")
    assert path_from_text(scene, "ambient.0.name") == ("ambient", 0, "name")
    with pytest.raises(UnitError, match='there is no "keys"'):
        path_from_text(scene, "keys.power")


@pytest.mark.parametrize(
    ("text", "block"),
    [
        ("softbox 90x120 cm", {"kind": "softbox", "width": "90 cm", "height": "120 cm"}),
        ("Softbox 0.9 m × 1.2 m", {"kind": "softbox", "width": "0.9 m", "height": "1.2 m"}),
        ("strip 30 x 120 cm grid 40°", {"kind": "strip", "width": "30 cm", "height": "120 cm", "grid": "40°"}),
        ("octabox 120 cm recess 5 cm", {"kind": "octabox", "diameter": "120 cm", "recess": "5 cm"}),
        ("umbrella 105 cm silver", {"kind": "umbrella", "diameter": "105 cm", "surface": "silver"}),
        ("shoot-through 1.05 m", {"kind": "shoot-through", "diameter": "1.05 m"}),
        ("covered umbrella 150 cm", {"kind": "covered umbrella", "diameter": "150 cm"}),
        ("reflector 18 cm grid 10°", {"kind": "reflector", "diameter": "18 cm", "grid": "10°"}),
        ("reflector beam 50 degrees", {"kind": "reflector", "beam": "50°"}),
        ("beauty dish 55 cm sock", {"kind": "beauty dish", "diameter": "55 cm", "sock": True}),
        ("snoot 7 cm long 20 cm", {"kind": "snoot", "diameter": "7 cm", "length": "20 cm"}),
        ("spot 12°", {"kind": "spot", "beam": "12°"}),
        ("softbox 60x60 cm hot spot 1/2 stop", {"kind": "softbox", "width": "60 cm", "height": "60 cm",
                                                "hot_spot": "1/2 stop"}),
        ("bare", {"kind": "bare"}),
    ],
)  # fmt: skip
def test_modifiers_in_few_words_are_modifiers_of_the_model(text: str, block: dict) -> None:
    assert modifier_from_text(text) == block
    original = scene_text_from_file(next(path for path in SCENES if path.stem == "recital"))
    changed = original.changed({("lights", "key", "modifier"): block})
    assert changed.scene.lights["key"].modifier.kind == block["kind"]


@pytest.mark.parametrize("text", ["", "lantern 60 cm", "softbox 90x120 cm and more", "octabox big"])
def test_other_words_are_refused_with_an_example(text: str) -> None:
    with pytest.raises(UnitError, match=r'write "softbox 90x120 cm"'):
        modifier_from_text(text)
