"""A scene's text while edits are made to it, and the checks of what an edit says."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeGuard

from sim.quantities.errors import SceneError, quoted
from sim.scene.text import KeyPath, data_from_text, text_with_value

LONGEST_PATH = 8
DEEPEST = 6
MOST_WORDS = 400


@dataclass(frozen=True)
class EditedText:
    """The text of a scene while it is being changed, and the file's name for faults."""

    name: str
    text: str
    titles: tuple[str, ...] = field(default=())

    @cached_property
    def data(self) -> dict[str, Any]:
        """The scene as plain data, each word as it is written."""
        return data_from_text(self.text)  # type: ignore[no-any-return]

    def at(self, path: KeyPath) -> Any:
        """What stands at a key path, or None."""
        found: Any = self.data
        for part in path:
            inside = isinstance(found, dict) and part in found
            inside = inside or (isinstance(found, list) and isinstance(part, int) and 0 <= part < len(found))
            if not inside:
                return None
            found = found[part]
        return found

    def with_text(self, text: str, title: str = "") -> EditedText:
        """The draft with its text changed."""
        return EditedText(self.name, text, (*self.titles, title) if title else self.titles)

    def with_values(self, values: Mapping[KeyPath, Any], title: str = "") -> EditedText:
        """The draft with values replaced or added."""
        text = self.text
        for path, value in values.items():
            text = text_with_value(text, path, value, self.name)
        return self.with_text(text, title)

    def refusal(self, what: str, expected: str = "", cure: str = "", key: str = "") -> SceneError:
        """A fault of an edit."""
        return SceneError(self.name, 1, key, what, expected, cure)


def thing_from_edit(draft: EditedText, edit: dict[str, Any]) -> tuple[KeyPath, str]:
    """Key path of the block that `what` means, and how a person calls it."""
    match edit.get("what"):
        case ["light", str() as name]:
            return light_home(draft, name), name
        case ["panel", (str() | int()) as name]:
            names = list(draft.at(("panels",)) or ())
            if isinstance(name, int) and not isinstance(name, bool) and 0 <= name < len(names):
                name = names[name]
            if name not in names:
                raise draft.refusal(f"there is no panel {quoted(name)}", "a panel of the scene", "choose one")
            return ("panels", name), str(name)
        case [("camera" | "sitter" | "backdrop") as name]:
            if name != "sitter" and draft.at((name,)) is None:
                raise draft.refusal(f"there is no {name}", "something on the set", "choose another")
            return (name,), f"the {name}"
    raise draft.refusal("got nothing to move", 'such as ["light", "key"] or ["camera"]', "do it again")


def light_home(draft: EditedText, name: str) -> KeyPath:
    """Key path of a light or a window by its name."""
    if isinstance(draft.at(("lights", name)), dict):
        return ("lights", name)
    rooms = draft.at(("ambient",))
    for place, item in enumerate(rooms if isinstance(rooms, list) else ()):
        if isinstance(item, dict) and item.get("name") == name:
            return ("ambient", place)
    raise no_light(draft, name)


def no_light(draft: EditedText, name: object) -> SceneError:
    """The fault of a light that is not there."""
    lights = ", ".join(draft.at(("lights",)) or ())
    return draft.refusal(f"there is no light {quoted(name)}", f"one of {lights}", "choose one of them")


def name_from_edit(draft: EditedText, edit: dict[str, Any], key: str) -> str:
    """A name that an edit gives under a key."""
    name = edit.get(key)
    if not isinstance(name, str) or not name or len(name) > MOST_WORDS:
        raise draft.refusal(f"got the name {quoted(name)}", "a name in words", "give one")
    return name


def path_from_edit(draft: EditedText, edit: dict[str, Any]) -> KeyPath:
    """The key path of an edit."""
    path = edit.get("path")
    parts = path if isinstance(path, list) else []
    fine = all((isinstance(p, str) and p) or (isinstance(p, int) and not isinstance(p, bool) and p >= 0) for p in parts)
    if not parts or len(parts) > LONGEST_PATH or not fine:
        raise draft.refusal("got no key path", 'such as ["lights", "key", "power"]', "do it again")
    return tuple(parts)


def point_from_edit(draft: EditedText, edit: dict[str, Any], key: str) -> tuple[float, float, float]:
    """A point (m) that an edit gives under a key."""
    row = edit.get(key)
    if not isinstance(row, list) or len(row) != 3 or not all(is_number(v) and abs(v) <= 1000 for v in row):
        raise draft.refusal(f"got {quoted(row)}", "three numbers in metres", "do it again", key)
    return float(row[0]), float(row[1]), float(row[2])


def is_number(value: object) -> TypeGuard[float]:
    """Whether a value is a number of a size that a scene may hold."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e6


def require_plain(draft: EditedText, value: Any, depth: int = 0) -> None:
    """Refuse what no scene file could hold: depth, length, characters that are no text, numbers without end."""
    match value:
        case _ if depth > DEEPEST:
            raise draft.refusal("this is nested too deeply", "plain values", "write it simpler")
        case str():
            if len(value) > MOST_WORDS or any("\ud800" <= c <= "\udfff" for c in value):
                raise draft.refusal(f"got {quoted(value)}", f"at most {MOST_WORDS} characters of text", "shorten it")
        case None | bool():
            if value is None and depth != 1:
                raise draft.refusal("no value was given", "a value", "give one")
        case int() | float():
            if not math.isfinite(value) or abs(value) > 1e15:
                raise draft.refusal(f"got {quoted(value)}", "a number", "give another")
        case dict():
            if len(value) > MOST_WORDS:
                raise draft.refusal("this is too much at once", f"at most {MOST_WORDS} values", "write less")
            for key, item in value.items():
                if not isinstance(key, str):
                    raise draft.refusal(f"got the key {quoted(key)}", "a word", "write a word")
                require_plain(draft, key, depth + 1)
                require_plain(draft, item, depth + 1)
        case list():
            if len(value) > MOST_WORDS:
                raise draft.refusal("this is too much at once", f"at most {MOST_WORDS} values", "write less")
            for item in value:
                require_plain(draft, item, depth + 1)
        case _:
            raise draft.refusal(f"got {quoted(value)}", "plain values", "do it again")
