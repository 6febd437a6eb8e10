"""Comments after a change: what they said of the old value goes or is said anew, everything else stays."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from sim.quantities.plain import Plain
from sim.scene.comments import text_with_true_comments
from sim.scene.text import KeyPath, data_from_text, text_with_value

SCENES = sorted((Path(__file__).resolve().parents[2] / "scenes").glob("*.yaml"))
SET = """\
# Two lights: a key at 45° and a fill. Lengths are metres, such as 1.6 m.
title: one  # for the winter issue
camera:
  # An upright portrait. f/8 is what the key is to read; 1/160 s keeps the room out.
  aperture: f/8       # what the key is to read
  shutter: 1/160 s
  iso: 100            # the sensor's own
lights:
  # The key, on camera left and a little behind the sitter. Large, so soft.
  # It stands 1.6 m away.
  key:
    power: 1/4        # two stops under full
    place: {bearing: -105°, distance: 1.6 m, height: 1.9 m}   # at 105°
    aim: {at: [0 m, 1 m, 0 m]}  # past the head
  # One stop weaker than the key. From beside the lens.
  fill:
    power: 1/2  # half
    place: {bearing: 45°, distance: 2 m, height: 1.9 m}
"""


def changed(path: KeyPath, value: Plain, text: str = SET) -> str:
    """The text with a value changed and its comments true."""
    return text_with_true_comments(text, text_with_value(text, path, value))


FULL, BEHIND, LEFT = (
    "        # two stops under full",
    "   # at 105°",
    " The key, on camera left and a little behind the sitter.",
)
WEAKER, READS = " One stop weaker than the key.", " f/8 is what the key is to read; 1/160 s keeps the room out."
KEY, FILL = ("lights", "key"), ("lights", "fill")


@pytest.mark.parametrize(
    ("path", "value", "comments"),
    [
        # Said anew in the same words.
        ((*KEY, "power"), "1/8", {FULL: "        # three stops under full", WEAKER: ""}),
        ((*KEY, "power"), "-1 stop", {FULL: "        # one stop under full", WEAKER: ""}),
        ((*FILL, "power"), "1/4", {"  # half": "  # a quarter", WEAKER: ""}),
        ((*FILL, "power"), "full", {"  # half": "  # full", WEAKER: ""}),
        # No such words for the new value.
        ((*FILL, "power"), "-1.3 stops", {"  # half": "", WEAKER: ""}),
        ((*KEY, "power"), "full", {FULL: "", WEAKER: ""}),
        # A choice among names or points is what its comment was about.
        ((*KEY, "aim"), "face", {"  # past the head": ""}),
        # What a value is for stays, whatever it is.
        (("camera", "iso"), 200, {}),
        (("title",), "two", {}),
        # The number, the side of the set, before or behind.
        (("camera", "aperture"), "f/11", {READS: ""}),
        (("camera", "shutter"), "1/125 s", {READS: ""}),
        ((*KEY, "place", "distance"), "2 m", {"  # It stands 1.6 m away.\n": "", BEHIND: ""}),
        ((*KEY, "place", "height"), "2 m", {BEHIND: ""}),
        ((*KEY, "place", "bearing"), "105°", {LEFT: "", BEHIND: ""}),
        ((*KEY, "place", "bearing"), "-80°", {LEFT: "", BEHIND: ""}),
        ((*KEY, "place", "bearing"), "-120°", {BEHIND: ""}),
        # Above the whole a light is spoken of by its name.
        ((*FILL, "place", "bearing"), "30°", {" Two lights: a key at 45° and a fill.": ""}),
    ],
)  # fmt: skip
def test_what_is_no_longer_true_goes_and_the_rest_stays(path: KeyPath, value: Plain, comments: dict[str, str]) -> None:
    expected = SET
    for before, after in comments.items():
        assert expected.count(before) == 1
        expected = expected.replace(before, after)
    assert changed(path, value) == text_with_value(expected, path, value)


def test_what_a_drag_makes_of_the_whole_text() -> None:
    got = changed(("lights", "key", "place", "bearing"), "60°")
    expected = SET.replace(
        "# The key, on camera left and a little behind the sitter. Large, so soft.", "# Large, so soft."
    )
    assert got == expected.replace("-105°, distance", "60°, distance").replace("   # at 105°", "")


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("lead", ["", "\ufeff"])
def test_line_ends_and_marks_stay(ending: str, lead: str) -> None:
    text = lead + SET.replace("\n", ending)
    got = changed(("lights", "key", "power"), "1/8", text)
    assert got == lead + changed(("lights", "key", "power"), "1/8").replace("\n", ending)


@pytest.mark.parametrize(
    "text",
    [
        'a: "1 m # 1 m"\nb: {power: 1/2}\n', "a: |\n  # 1 m is the text\n  more\nb: {power: 1/2}\n",
        "a: '# half'\nb: {power: 1/2}\n", "a: x#1\nb: {power: 1/2}\n",
    ],
)  # fmt: skip
def test_what_only_looks_like_a_comment_is_a_value(text: str) -> None:
    assert changed(("b", "power"), "1/4", text) == text_with_value(text, ("b", "power"), "1/4")


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_nothing_but_comments_is_touched(scene: Path) -> None:
    text = scene.read_text("utf-8")
    data = data_from_text(text)

    def leaves(value: Plain, path: KeyPath) -> list[KeyPath]:
        if isinstance(value, dict):
            return [leaf for key, item in value.items() for leaf in leaves(item, (*path, key))]
        return [path] if isinstance(value, str) else []

    def tokens(text: str) -> list[str]:
        return [f"{type(t).__name__} {getattr(t, 'value', '')}" for t in yaml.scan(text, Loader=yaml.CSafeLoader)]

    for path in leaves(data, ())[::3]:
        plain = text_with_value(text, path, "77 m")
        assert tokens(text_with_true_comments(text, plain)) == tokens(plain), path
        # Nothing changed, nothing untrue.
        assert text_with_true_comments(plain, plain) == plain
