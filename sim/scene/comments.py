"""Comments that a change of the text makes untrue: mended where they say the changed value itself, else dropped.

A comment behind a value goes with that value: one that says it in words ("half", "two stops under full") is written
anew, one that speaks of any amount or direction is dropped, and one that only says what the value is for stays. Of a
comment above a block, the sentences go that spoke of the value as it was: the number, the side of the set, stops under
or over another light. What cannot be held against a value is left alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import yaml
from yaml.nodes import MappingNode, Node, SequenceNode

from sim.quantities import units
from sim.quantities.errors import UnitError
from sim.quantities.plain import Plain, Tree
from sim.scene.read import QUICK_LOADER
from sim.scene.text import KeyPath, data_from_text

_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_FRACTIONS = {"half": -1, "a half": -1, "quarter": -2, "a quarter": -2, "an eighth": -3, "a sixteenth": -4}
_NUMBER_WORDS = "|".join((*_COUNTS[1:], "half", "quarter", "third", "eighth", "sixteenth", "twice", "double", "couple"))
# Words by which a comment behind a value says how much or which way.
_SPEAKS = re.compile(
    rf"\d|[½¼¾⅓⅔]|\b({_NUMBER_WORDS}|full|off|left|right|near\w*|far\w*|close\w*|high\w*|low\w*|wide\w*|narrow\w*|"
    r"large\w*|small\w*|warm\w*|cool\w*|cold\w*|soft\w*|hard\w*|dark\w*|bright\w*|pale\w*|weak\w*|strong\w*)\b",
    re.IGNORECASE,
)
_UNDER_FULL = re.compile(rf"({'|'.join(_COUNTS[1:])}|\d) (stops?) (under|below|down from) full", re.IGNORECASE)
_UNITS = "°|degrees|cm|mm|m|W·s|W|K|lx|lm/W|lm·s|lm|stops?|%|s|ft|in"
_AMOUNT = re.compile(rf"f/\d+(?:\.\d+)?|[-−]?\d+(?:[.,]\d+)?(?:/\d+)?(?:\s*(?:{_UNITS})(?![\w·/]))?")
_PLAIN_AMOUNT = re.compile(rf"[-−]?(\d+(?:\.\d+)?)(?:/(\d+))?\s*({_UNITS})?")
_STOPS = re.compile(r"\bstops?\b.*\b(under|over|below|above|weaker|stronger|less|more)\b|\b(weaker|stronger)\b", re.I)
_SIDE = re.compile(r"\bcamera[- ](left|right)\b", re.IGNORECASE)
_BEHIND = re.compile(r"\bbehind (?:the |her|him|and above)?\s*(?:sitter|model|head|shoulder)?", re.IGNORECASE)
_OF_THINGS: tuple[KeyPath, ...] = (("lights",), ("panels",), ("meters",))
_GONE = "\0"
_SENTENCE = re.compile(r"[^.!?]+(?:[.!?]+(?!\s)[^.!?]*)*[.!?]*\s*")


@dataclass(frozen=True)
class _Changed:
    """A value that changed: where it stands, and what it was and is; None where it is not."""

    path: KeyPath
    before: Plain
    after: Plain


def text_with_true_comments(before: str, after: str) -> str:
    """The text after a change, without the comments that were true of the text before and no longer are.

    Arguments: both are scenes in YAML, the second made of the first by a change of values.
    Does not: touch anything but comments, or know what free prose means.

    >>> text_with_true_comments("a: {power: 1/2}  # half", "a: {power: 1/4}  # half")
    'a: {power: 1/4}  # a quarter'
    >>> text_with_true_comments("a: 1 m  # a step away", "a: 2 m  # a step away")
    'a: 2 m  # a step away'
    >>> text_with_true_comments("a: 1 m  # 1 m, no more", "a: 2 m  # 1 m, no more")
    'a: 2 m'
    """
    if "#" not in after or before == after:
        return after
    old, new = data_from_text(before), data_from_text(after)
    changed = list(_changes(old, new, ()))
    if not changed:
        return after
    lead = after[: len(after) - len(after.removeprefix("\ufeff"))]
    lines = after.removeprefix("\ufeff").splitlines(keepends=True)
    places = _Places("".join(lines))
    for each in changed:
        _mend_behind(lines, places, each)
    for start, stop, home in places.comments_above():
        _mend_above(lines, start, stop, _Judge(home, tuple(changed), old, new))
    mended = lead + "".join(lines)
    # A text of several lines may look like a comment and be none.
    return mended if mended == after or data_from_text(mended) == new else after


def _changes(old: Plain, new: Plain, path: KeyPath) -> Iterator[_Changed]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in {**old, **new}:
            # What comes or goes whole takes its own comments along.
            if len(path) == 1 and path[0] in ("lights", "panels", "meters") and (key not in old or key not in new):
                continue
            yield from _changes(old.get(key), new.get(key), (*path, key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for place, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from _changes(one, other, (*path, place))
    elif old != new:
        yield _Changed(path, old, new)


# -- where comments stand -----------------------------------------------------------------------


class _Places:
    """Where values and comments of a text stand, by lines from 0."""

    def __init__(self, text: str) -> None:
        root = yaml.compose(text, Loader=QUICK_LOADER)
        assert root is not None
        self._root = root
        self._line_of: dict[KeyPath, int] = {}
        self._first_line: dict[int, KeyPath] = {}
        self._count = text.count("\n") + 1
        self.comment_start: dict[int, int] = {}
        self._note(root, ())
        ends: dict[int, int] = {}
        for token in yaml.scan(text, Loader=QUICK_LOADER):
            if not isinstance(token, (yaml.BlockEndToken, yaml.StreamStartToken, yaml.StreamEndToken)):
                ends[token.end_mark.line] = max(ends.get(token.end_mark.line, 0), token.end_mark.column)
        for line, shown in enumerate(text.splitlines()):
            rest = shown[ends.get(line, 0) :]
            if rest.lstrip().startswith("#"):
                self.comment_start[line] = len(shown) - len(rest.lstrip())
        self._has_value = set(ends)

    def _note(self, node: Node, path: KeyPath) -> None:
        self._line_of[path] = node.start_mark.line
        if isinstance(node, MappingNode):
            for place, (key, value) in enumerate(node.value):
                # What stands above a block's first key is about the block, but where each key is a thing of its own.
                own = (*path, str(key.value))
                self._first_line.setdefault(key.start_mark.line, own if place or path in _OF_THINGS else path)
                self._note(value, own)
        elif isinstance(node, SequenceNode):
            for place, item in enumerate(node.value):
                self._note(item, (*path, place))

    def line_of(self, path: KeyPath) -> int | None:
        """Line of the value at a key path, or of the one that held it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._line_of:
                line = self._line_of[path[:length]]
                # A block's own line says nothing of a key that has gone from below it.
                return line if length == len(path) or line in self.comment_start else None
        return None

    def comments_above(self) -> Iterator[tuple[int, int, KeyPath]]:
        """First line and the one behind the last of each comment of whole lines, and the key that it stands above."""
        line = 0
        while line < self._count:
            start = line
            while line in self.comment_start and line not in self._has_value:
                line += 1
            if line > start:
                yield start, line, self._first_line.get(line, ())
            line += 1


# -- behind a value -----------------------------------------------------------------------------


def _mend_behind(lines: list[str], places: _Places, changed: _Changed) -> None:
    line = places.line_of(changed.path)
    start = places.comment_start.get(line) if line is not None else None
    if line is None or not start:
        return
    shown, ending = _parted(lines[line])
    comment = shown[start:].lstrip("#").strip()
    mended = _mended(comment, changed)
    # A choice among names is what the comment is about; an amount may have a purpose that stays.
    is_choice = changed.path != ("title",) and _amount(changed.before) is None and _stops(changed.before) is None
    if mended is None and not is_choice and not _SPEAKS.search(comment):
        return
    kept = shown[:start].rstrip()
    lines[line] = (f"{shown[:start]}# {mended}" if mended else kept) + ending


def _mended(comment: str, changed: _Changed) -> str | None:
    """The comment with the new value in its own words; None where it does not say the value itself."""
    if changed.path[-1] != "power":
        return None
    before, after = _stops(changed.before), _stops(changed.after)
    if before is None or after is None:
        return None
    said = _UNDER_FULL.fullmatch(comment)
    if said is not None:
        word = said[1].lower()
        stops = _COUNTS.index(word) if word in _COUNTS else int(word)
        count = round(-after)
        if stops != round(-before) or abs(after + count) > 0.01 or not 0 < count < len(_COUNTS):
            return None
        number = _COUNTS[count] if word in _COUNTS else str(count)
        return f"{number} stop{'' if count == 1 else 's'} {said[3]} full"
    if _FRACTIONS.get(comment.lower()) == round(before):
        by_stops = {stops: word for word, stops in _FRACTIONS.items()}
        return "full" if after == 0 else by_stops.get(round(after)) if abs(after - round(after)) < 0.01 else None
    return None


# -- above a block ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Judge:
    """Holds sentences above the key `home` against the values that changed, in the data before and after."""

    home: KeyPath
    changed: tuple[_Changed, ...]
    old: Tree
    new: Tree

    def is_untrue(self, sentence: str) -> bool:
        """Whether a sentence held of the values as they were, and does not of those that are now."""
        named = [name for name in self.old.get("lights", ()) if re.search(rf"\b{re.escape(name)}\b", sentence)]
        return any(self._parts(sentence, each, named) for each in self.changed)

    def _parts(self, sentence: str, each: _Changed, named: list[str]) -> bool:
        home, path = self.home, each.path
        is_own = bool(home) and path[: len(home)] == home
        # What stands above the whole speaks of a light by its name.
        is_named = len(path) > 1 and path[0] == "lights" and path[1] in named
        if (
            (is_own or (len(home) < 2 and is_named))
            and _says(sentence, each.before)
            and not _says(sentence, each.after)
        ):
            return True
        # Stops under or over another light depend on both.
        above_light = len(home) == 2 and home[0] == "lights" and (is_own or is_named or not named)
        if above_light and path[0] == "lights" and path[-1] == "power" and _STOPS.search(sentence):
            return True
        place = path[: path.index("place") + 1] if "place" in path else None
        return bool(
            is_own and place and _place_is_untrue(sentence, _point(_at(self.old, place)), _point(_at(self.new, place)))
        )


def _mend_above(lines: list[str], start: int, stop: int, judge: _Judge) -> None:
    # Join the lines, with the place of every character, and take the untrue sentences out of them.
    text = "".join(_parted(lines[line])[0].lstrip(" #").rstrip() + "\n" for line in range(start, stop))
    kept = "".join(
        re.sub(r"[^\n]", _GONE, sentence[0]) if judge.is_untrue(sentence[0]) else sentence[0]
        for sentence in _SENTENCE.finditer(text)
    )
    if _GONE not in kept:
        return
    for line, told in zip(range(start, stop), kept.split("\n"), strict=False):
        shown, ending = _parted(lines[line])
        if _GONE in told:
            words = " ".join(told.replace(_GONE, "").split())
            indent = shown[: len(shown) - len(shown.lstrip(" "))]
            lines[line] = f"{indent}# {words}{ending}" if words else ""


def _place_is_untrue(sentence: str, before: tuple[float, float] | None, after: tuple[float, float] | None) -> bool:
    if before is None or after is None:
        return False
    for said in _SIDE.finditer(sentence):
        way = 1 if said[1].lower() == "right" else -1
        if before[0] * way > 0 >= after[0] * way:
            return True
    return bool(_BEHIND.search(sentence)) and before[1] < 0 <= after[1]


def _says(sentence: str, value: Plain) -> bool:
    """Whether a sentence has an amount that is this value's, whatever its sign and unit."""
    wanted = _amount(value)
    return wanted is not None and any(_amount(said[0]) == wanted for said in _AMOUNT.finditer(sentence))


def _amount(value: Plain) -> tuple[str, float] | None:
    """Kind and size of an amount, None for what is none.

    >>> _amount("150 cm") == _amount("-1.5 m"), _amount("f/8"), _amount("face")
    (True, ('f', 8.0), None)
    """
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        return None
    text = str(value).strip()
    if text.startswith("f/"):
        return ("f", float(text[2:])) if re.fullmatch(r"f/\d+(\.\d+)?", text) else None
    said = _PLAIN_AMOUNT.fullmatch(text)
    if said is None:
        return None
    number, unit = float(said[1]) / float(said[2] or 1), said[3] or ""
    if unit in ("cm", "mm", "m", "ft", "in"):
        return "length", round(units.length_m_from_text(f"{units.shortest(number)} {unit}"), 6)
    return {"degrees": "°", "stop": "stops"}.get(unit, unit), round(number, 6)


def _stops(value: Plain) -> float | None:
    try:
        return units.dial_stops_from_text(value)
    except UnitError:
        return None


def _at(data: Plain, path: KeyPath) -> Plain:
    for part in path:
        if isinstance(data, dict) and isinstance(part, str):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def _point(place: Plain) -> tuple[float, float] | None:
    """Where a place is on the floor, as x and z over its distance: the side of the set, and before or behind."""
    if not isinstance(place, dict):
        return None
    try:
        at = place.get("at")
        if isinstance(at, list):
            return units.length_m_from_text(at[0]), units.length_m_from_text(at[2])
        bearing = math.radians(units.angle_deg_from_text(place.get("bearing")))
    except (UnitError, IndexError):
        return None
    return math.sin(bearing), math.cos(bearing)


def _parted(line: str) -> tuple[str, str]:
    shown = line.rstrip("\r\n")
    return shown, line[len(shown) :]
