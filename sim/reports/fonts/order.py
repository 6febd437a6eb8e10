"""Order of mixed left-to-right and right-to-left text on a line: the Unicode bidirectional algorithm (UAX #9).

Left out: explicit embeddings, overrides and isolates, which count as neutral signs.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from itertools import groupby
from typing import TypeVar

T = TypeVar("T")

_OPENING = {"(": ")", "[": "]", "{": "}"}
_MIRRORED = str.maketrans("()[]{}<>«»‹›", ")(][}{><»«›‹")


def levels(text: str) -> list[int]:
    """Level of each character: even ones run to the right, odd ones to the left; the first strong one rules the line.

    >>> levels("ab \u05d0\u05d1 12")
    [0, 0, 0, 1, 1, 1, 2, 2]
    """
    classes = _with_marks([unicodedata.bidirectional(char) or "L" for char in text])
    strong = next((kind for kind in classes if kind in ("L", "R", "AL")), "L")
    base = 0 if strong == "L" else 1
    classes = _with_brackets(_with_numbers(classes, base), text, base)
    classes = _with_neutrals(classes, base)
    level_of = {"L": base + base % 2, "R": 1, "N": 2}
    result = [level_of[kind] for kind in classes]
    # Rule L1: spaces at the end of the line follow the line.
    for index in range(len(text.rstrip()), len(text)):
        result[index] = base
    return result


def in_drawn_order(items: Sequence[T], item_levels: Sequence[int]) -> list[T]:
    """The items from left to right, by the level of each (rule L2).

    >>> in_drawn_order("abc", [1, 2, 1])
    ['c', 'b', 'a']
    """
    order = list(range(len(items)))
    for level in range(max(item_levels, default=0), 0, -1):
        turned: list[int] = []
        for is_turned, group in groupby(order, key=lambda index: item_levels[index] >= level):
            stretch = list(group)
            turned += stretch[::-1] if is_turned else stretch
        order = turned
    return [items[index] for index in order]


def turned(text: str) -> str:
    """Right-to-left text in the order in which it is drawn, brackets mirrored, marks kept behind their letters.

    >>> turned("(\u05d0!")
    '!א)'
    """
    return "".join(reversed(clusters(text))).translate(_MIRRORED)


def clusters(text: str) -> list[str]:
    """The text in pieces that stay together: a sign with the marks, joiners and selectors behind it.

    >>> clusters("a(b")
    ['a', '(', 'b']
    """
    pieces: list[str] = []
    for char in text:
        if pieces and (is_attached(char) or pieces[-1].endswith("\u200d")):
            pieces[-1] += char
        else:
            pieces.append(char)
    return pieces


def is_attached(char: str) -> bool:
    """Whether a character has no place of its own: a mark, a joiner, a selector, a skin tone."""
    return unicodedata.category(char) in ("Mn", "Mc", "Me", "Cf") or 0x1F3FB <= ord(char) <= 0x1F3FF


def _with_marks(classes: list[str]) -> list[str]:
    # Rule W1: a mark takes the class of its letter.
    for index, kind in enumerate(classes):
        if kind == "NSM":
            classes[index] = classes[index - 1] if index else "ON"
    return classes


def _with_numbers(classes: list[str], base: int) -> list[str]:
    # Rules W2 to W7, to the classes L, R, N (a number that keeps its own order) and ON.
    result = list(classes)
    for index in range(1, len(classes) - 1):
        around = {classes[index - 1], classes[index + 1]}
        if classes[index] in ("ES", "CS") and around in ({"EN"}, {"AN"}):
            result[index] = classes[index + 1]
    for step in (range(len(result)), range(len(result) - 1, -1, -1)):
        before = ""
        for index in step:
            if result[index] == "ET" and before == "EN":
                result[index] = "EN"
            before = result[index]
    last_strong = "R" if base else "L"
    for index, kind in enumerate(result):
        if kind in ("L", "R", "AL"):
            last_strong = "L" if kind == "L" else "R"
            result[index] = last_strong
        elif kind == "EN":
            result[index] = "L" if last_strong == "L" else "N"
        else:
            result[index] = "N" if kind == "AN" else "ON"
    return result


def _with_brackets(classes: list[str], text: str, base: int) -> list[str]:
    # Rule N0: a pair of brackets goes with the line if its content has that direction, else with what is before it.
    line = "R" if base else "L"
    result = list(classes)
    for first, last in _pairs(text, classes):
        inner = {_direction(kind) for kind in result[first + 1 : last] if kind != "ON"}
        if not inner:
            continue
        before = next((_direction(kind) for kind in reversed(result[:first]) if kind != "ON"), line)
        result[first] = result[last] = line if line in inner else before
    return result


def _pairs(text: str, classes: list[str]) -> list[tuple[int, int]]:
    open_places: list[int] = []
    pairs: list[tuple[int, int]] = []
    for index, char in enumerate(text):
        if classes[index] != "ON":
            continue
        if char in _OPENING:
            open_places.append(index)
            continue
        place = next((k for k in reversed(open_places) if _OPENING[text[k]] == char), None)
        if place is not None:
            pairs.append((place, index))
            del open_places[open_places.index(place) :]
    return sorted(pairs)


def _with_neutrals(classes: list[str], base: int) -> list[str]:
    # Rules N1 and N2: neutral signs between two of one direction take it, others follow the line.
    line = "R" if base else "L"
    result: list[str] = []
    for kind, group in groupby(classes):
        count = len(list(group))
        if kind != "ON":
            result += [kind] * count
            continue
        end = len(result) + count
        before = _direction(result[-1]) if result else line
        after = _direction(classes[end]) if end < len(classes) else line
        result += [before if before == after else line] * count
    return result


def _direction(kind: str) -> str:
    return "L" if kind == "L" else "R"
