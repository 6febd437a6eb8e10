"""Blocks of a scene file taken out, renamed and added: nothing else changes, and an independent YAML reader agrees.

Reference reader: ruamel.yaml, while the module finds its places with PyYAML's libyaml.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from sim.quantities.errors import SceneError
from sim.scene import text as scene_text
from sim.scene.read import scene_from_text
from sim.scene.text import (
    SharedBlock,
    data_from_text,
    flow_text,
    text_renamed,
    text_with_block,
    text_with_value,
    text_without,
    text_without_aliases,
)

SCENES = sorted((Path(__file__).resolve().parents[2] / "scenes").glob("*.yaml"))
SMALL = """\
# top
lights:
  # about a
  a:            # beside a
    power: 1/2
    # in a
    gels:
      - nd: 1 stop   # first
        # under the first
      - mired: 60
      # after the gels
    # stand: boom

  # about b
  # and more
  b: {power: 1/4, aim: face}

  # stands alone

  c: {power: 1/8}
# behind the lights
meters: {x: {at: face}}   # beside meters

panels:
  # about the flag
  flag:
    kind: flag
last: 1
"""


def _read(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text.removeprefix("\ufeff"))


def _paths(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        found += _paths(value, (*path, key))
    return found


def _without(data: Any, path: tuple[Any, ...]) -> Any:
    copy = dict(data) if isinstance(data, dict) else list(data)
    if len(path) == 1:
        del copy[path[0]]
    else:
        copy[path[0]] = _without(copy[path[0]], path[1:])
    return copy


def _taken(before: str, after: str) -> list[str]:
    """Lines of a text that another, which has only lost lines, does not have."""
    left, lost = after.splitlines(), []
    for line in before.splitlines():
        if left and left[0] == line:
            left.pop(0)
        else:
            lost.append(line)
    assert not left, f"lines were changed or added: {left}"
    return lost


def test_a_block_goes_with_its_own_comments_and_one_gap() -> None:
    assert _taken(SMALL, text_without(SMALL, ("lights", "a"))) == SMALL.splitlines()[2:13]
    assert _taken(SMALL, text_without(SMALL, ("lights", "b"))) == [
        "  # about b", "  # and more", "  b: {power: 1/4, aim: face}", ""
    ]  # fmt: skip
    assert _taken(SMALL, text_without(SMALL, ("lights", "c"))) == ["  c: {power: 1/8}"]
    first_gel = text_without(SMALL, ("lights", "a", "gels", 0))
    assert _taken(SMALL, first_gel) == ["      - nd: 1 stop   # first", "        # under the first"]
    assert "  b: {aim: face}\n" in text_without(SMALL, ("lights", "b", "power"))
    assert "  b: {power: 1/4}\n" in text_without(SMALL, ("lights", "b", "aim"))


def test_what_is_left_empty_stays_as_empty_braces() -> None:
    assert "meters: {}   # beside meters\n" in text_without(SMALL, ("meters", "x"))
    assert "\npanels: {}\nlast: 1\n" in text_without(SMALL, ("panels", "flag"))
    one_gel = text_without(text_without(SMALL, ("lights", "a", "gels", 0)), ("lights", "a", "gels", 0))
    assert "    gels: []\n" in one_gel and _read(one_gel)["lights"]["a"]["gels"] == []


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("lead", ["", "\ufeff"])
@pytest.mark.parametrize("scene", [*SCENES, None], ids=lambda path: path.stem if path else "small")
def test_every_entry_of_a_scene_can_be_taken_out(scene: Path | None, lead: str, ending: str) -> None:
    text = lead + (scene.read_text("utf-8") if scene else SMALL).replace("\n", ending)
    data = _read(text)
    # The plain reader is slow: take every entry of the small one, some of each scene.
    for path in _paths(data)[:: 9 if scene else 1]:
        changed = text_without(text, path)
        assert _read(changed) == _without(data, path), path
        assert changed.startswith(lead) and changed.count("\r\n") == (changed.count("\n") if ending == "\r\n" else 0)


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_the_other_lights_keep_every_byte(scene: Path) -> None:
    text = scene.read_text("utf-8")
    names = list(_read(text)["lights"])
    for name in names:
        changed = text_without(text, ("lights", name))
        lost = "\n".join(_taken(text, changed))
        assert f"  {name}:" in lost and not any(f"  {other}:" in lost for other in names if other != name)


def test_a_renamed_key_changes_nothing_else() -> None:
    changed = text_renamed(SMALL, ("lights", "b"), "side light")
    assert changed == SMALL.replace("  b: {", "  side light: {")
    assert _read(text_renamed(SMALL, ("lights", "b"), "2"))["lights"]["2"] == {"power": "1/4", "aim": "face"}
    with pytest.raises(SceneError, match='there is a "a" already'):
        text_renamed(SMALL, ("lights", "b"), "a")
    with pytest.raises(SceneError, match="an item of a list has no name"):
        text_renamed(SMALL, ("lights", "a", "gels", 0), "x")


def test_a_new_block_stands_like_its_neighbours() -> None:
    block = {"source": {"kind": "flash", "energy": "400 W·s"}, "power": "1/4", "gels": [{"mired": 60}]}
    changed = text_with_block(SMALL, ("lights", "d"), block)
    added = "\n  d:\n    source: {kind: flash, energy: 400 W·s}\n    power: 1/4\n    gels: [{mired: 60}]\n"
    assert changed == SMALL.replace("  c: {power: 1/8}\n", "  c: {power: 1/8}\n" + added)
    assert text_with_block(SMALL.replace("\n", "\r\n"), ("lights", "d"), block) == changed.replace("\n", "\r\n")
    in_braces = text_with_block(SMALL, ("meters", "y"), {"at": "chest"})
    assert "meters: {x: {at: face}, y: {at: chest}}   # beside" in in_braces
    assert text_with_block(SMALL, ("spare", "y"), {"at": "chest"}) == SMALL + "spare:\n  y:\n    at: chest\n"
    with pytest.raises(SceneError, match="there is one of this name"):
        text_with_block(SMALL, ("lights", "a"), block)


def test_places_that_are_not_there_are_refused_by_their_key() -> None:
    for path in (("nothing",), ("lights", "z"), ("lights", "a", "gels", 7), ("last", "x"), ("last", 0)):
        with pytest.raises(SceneError, match="there is no such place"):
            text_without(SMALL, path)
    text = "a: &one {b: 1, c: 2}\nd: *one\n"
    with pytest.raises(SceneError, match="shared by an alias"):
        text_without(text, ("d", "b"))
    assert text_without(text, ("d",)) == "a: &one {b: 1, c: 2}\n"


def test_a_block_whose_anchor_is_used_elsewhere_stays() -> None:
    # Without the anchor the alias would stand for nothing.
    with pytest.raises(SharedBlock, match="used elsewhere by an alias"):
        text_without("a:\n  x: &one {b: 1}\n  y: 2\nd: *one\n", ("a", "x"))


def test_aliases_are_written_out() -> None:
    text = "a: &one  # first\n  x: &two [1, z]\n  y: *two   # again\nb: *one\n"
    text += "c: {d: &three z, e: *three}\nf: [*one]\n"
    plain = (
        "a: # first\n  x: [1, z]\n  y: [1, z]   # again\nb: {x: [1, z], y: [1, z]}\n"
        "c: {d: z, e: z}\nf: [{x: [1, z], y: [1, z]}]\n"
    )
    assert text_without_aliases(text) == plain and _read(plain) == _read(text)
    windows = "\ufeffa: &x\r\n  b: '1'\r\nc: *x\r\n"
    assert text_without_aliases(windows) == "\ufeffa:\r\n  b: '1'\r\nc: {b: \"1\"}\r\n"
    assert text_without_aliases(SMALL) == SMALL


keys = st.text("abc xyz-", min_size=1, max_size=6).filter(lambda word: word == word.strip(" -") and word)
values = st.recursive(
    st.integers(-99, 99) | st.booleans() | st.text("ab:#-{}[],'\" é", max_size=6),
    lambda inner: st.lists(inner, min_size=1, max_size=3) | st.dictionaries(keys, inner, min_size=1, max_size=3),
    max_leaves=8,
)


@st.composite
def layouts(draw: Any) -> str:
    """YAML of some depth in block or flow style, with comments and blank lines wherever they may stand."""

    def comment(indent: int) -> str:
        return draw(st.sampled_from(["", "", "", "\n", " " * indent + "# note\n", "\n" + " " * indent + "# gap\n"]))

    def block(value: Any, indent: int) -> str:
        text = ""
        for item in value.items() if isinstance(value, dict) else value:
            head, inner = (f"{flow_text(item[0])}:", item[1]) if isinstance(value, dict) else ("-", item)
            text += comment(indent) + " " * indent + head
            if isinstance(inner, (dict, list)) and inner and draw(st.booleans()):
                text += draw(st.sampled_from(["", "  # beside"])) + "\n" + block(inner, indent + 2)
            else:
                text += " " + flow_text(inner) + draw(st.sampled_from(["", "  # beside"])) + "\n"
        return text

    return block(draw(st.dictionaries(keys, values, min_size=2, max_size=3)), 0) + comment(0)


@given(layouts(), st.data())
def test_taking_out_and_renaming_hold_for_any_layout(text: str, data: Any) -> None:
    whole = _read(text)
    path = data.draw(st.sampled_from(_paths(whole)))
    assert _read(text_without(text, path)) == _without(whole, path)
    if isinstance(path[-1], str):
        renamed = _read(text_renamed(text, path, "quite new"))
        assert _without(renamed, (*path[:-1], "quite new")) == _without(whole, path)


@given(layouts(), st.data())
def test_both_yaml_readers_find_the_same_places(text: str, data: Any) -> None:
    # Where libyaml is missing, plain Python stands in: the results must not differ.
    path = data.draw(st.sampled_from(_paths(_read(text))))
    with pytest.MonkeyPatch.context() as patch:
        quick = text_with_value(text, path, "new"), text_without(text, path), data_from_text(text)
        patch.setattr(scene_text, "QUICK_LOADER", yaml.SafeLoader)
        assert quick == (text_with_value(text, path, "new"), text_without(text, path), data_from_text(text))


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_plain_data_is_what_the_scene_is_read_from(scene: Path) -> None:
    text = scene.read_text("utf-8")
    again = "\n".join(f"{flow_text(key)}: {flow_text(value)}" for key, value in data_from_text(text).items())
    assert scene_from_text(again).model_dump() == scene_from_text(text).model_dump()
