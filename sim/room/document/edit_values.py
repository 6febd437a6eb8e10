"""A scene's text while edits are made to it, what an edit means in it, and how its values are written there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from sim.quantities import units
from sim.quantities.errors import SceneError, UnitError, quoted
from sim.quantities.plain import Plain, PlainDict
from sim.room.document.edits import Thing
from sim.scene.text import KeyPath, data_from_text, text_with_value


@dataclass(frozen=True)
class EditedText:
    """The text of a scene while it is being changed, and the file's name for faults."""

    name: str
    text: str
    titles: tuple[str, ...] = field(default=())

    @cached_property
    def data(self) -> Plain:
        """The scene as plain data, each word as it is written."""
        data: Plain = data_from_text(self.text)
        return data

    def at(self, path: KeyPath) -> Plain:
        """What stands at a key path, or None."""
        value: Plain = self.data
        for part in path:
            if isinstance(value, dict) and isinstance(part, str):
                value = value.get(part)
            elif isinstance(value, list) and isinstance(part, int) and 0 <= part < len(value):
                value = value[part]
            else:
                return None
        return value

    def block(self, path: KeyPath) -> PlainDict:
        """The block at a key path, empty where there is none."""
        value = self.at(path)
        return value if isinstance(value, dict) else {}

    def with_text(self, text: str, title: str = "") -> EditedText:
        """The same with another text."""
        return EditedText(self.name, text, (*self.titles, title) if title else self.titles)

    def with_values(self, values: Mapping[KeyPath, Plain], title: str = "") -> EditedText:
        """The same with values replaced or added."""
        text = self.text
        for path, value in values.items():
            text = text_with_value(text, path, value, self.name)
        return self.with_text(text, title)

    def refusal(self, what: str, expected: str = "", cure: str = "", key: str = "") -> SceneError:
        """A fault of an edit."""
        return SceneError(self.name, 1, key, what, expected, cure)


# -- what is meant ----------------------------------------------------------------------------


def home_of_thing(edited: EditedText, what: Thing) -> tuple[KeyPath, str]:
    """Key path of the block that something of the set has, and how a person calls it."""
    match what:
        case ("light", name):
            return light_home(edited, name), name
        case ("panel", name):
            names = list(edited.block(("panels",)))
            if isinstance(name, int) and 0 <= name < len(names):
                name = names[name]
            if name not in names:
                raise edited.refusal(f"there is no panel {quoted(name)}", "a panel of the scene", "choose one")
            return ("panels", name), str(name)
        case (name,):
            if name != "sitter" and edited.at((name,)) is None:
                raise edited.refusal(f"there is no {name}", "something on the set", "choose another")
            return (name,), f"the {name}"
    raise AssertionError(what)


def light_home(edited: EditedText, name: str) -> KeyPath:
    """Key path of a light or a window by its name."""
    if isinstance(edited.at(("lights", name)), dict):
        return ("lights", name)
    rooms = edited.at(("ambient",))
    for place, item in enumerate(rooms if isinstance(rooms, list) else ()):
        if isinstance(item, dict) and item.get("name") == name:
            return ("ambient", place)
    raise no_light(edited, name)


def no_light(edited: EditedText, name: object) -> SceneError:
    """The fault of a light that is not there."""
    lights = ", ".join(edited.block(("lights",)))
    return edited.refusal(f"there is no light {quoted(name)}", f"one of {lights}", "choose one of them")


# -- how values are written -------------------------------------------------------------------


def length_text(length_m: float, old: object = None) -> str:
    """A length to 1 cm, in centimetres where the file had them before.

    >>> length_text(1.8349), length_text(0.5, "40 cm"), length_text(-0.001)
    ('1.83 m', '50 cm', '0 m')
    """
    rounded = round(length_m, 2) + 0.0
    if isinstance(old, str) and old.rstrip().endswith("cm"):
        return f"{units.shortest(round(100 * rounded))} cm"
    return f"{units.shortest(rounded)} m"


def angle_text(angle_deg: float) -> str:
    """An angle to 1 degree, above -180 and up to 180.

    >>> angle_text(-34.6), angle_text(200.0), angle_text(-180.2)
    ('-35°', '-160°', '180°')
    """
    turned = -((-round(angle_deg) + 180) % 360 - 180)
    return f"{turned}°"


def bearing_text(point_m: Sequence[float], old: object = None) -> str:
    """Bearing of a point around the mark, written as far around as the file had it before.

    >>> bearing_text((1.0, 0.0, 1.0)), bearing_text((-1.0, 0.0, 0.0), "268°"), bearing_text((0.0, 1.0, 0.0), "30°")
    ('45°', '270°', '30°')
    """
    if math.hypot(point_m[0], point_m[2]) < 0.005 and isinstance(old, str):
        return old
    text = angle_text(math.degrees(math.atan2(point_m[0], point_m[2])))
    try:
        before = units.angle_deg_from_text(old) if old is not None else 0.0
    except UnitError:
        before = 0.0
    if abs(before) <= 180:
        return text
    bearing = int(text.rstrip("°"))
    near = min((bearing + turn for turn in (-360, 0, 360) if abs(bearing + turn) <= 360), key=lambda b: abs(b - before))
    return f"{near}°"


def dial_text(stops: float, old: object = None) -> str:
    """A dial to a hundredth of a stop, as a fraction where it is one, unless the file spoke of stops before.

    >>> dial_text(-2.0), dial_text(-2.0, "-1 stop"), dial_text(-1.299)
    ('1/4', '-2 stops', '-1.3 stops')
    >>> dial_text(-2.0, "7 of 10")
    '8 of 10'
    """
    rounded = round(stops, 2) + 0.0
    on_its_scale = units.text_from_dial_as(rounded, old)
    if on_its_scale is not None:
        return on_its_scale
    if isinstance(old, str) and "stop" in old:
        return units.text_from_measure(rounded, units.STOPS)
    return units.text_from_dial_stops(rounded)
