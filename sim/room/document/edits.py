"""Gestures at the table as changes of the scene's text: each edit is a small JSON object, checked before it is used.

    {"op": "set", "path": [...], "value": ...}            any value in the form of the scene file
    {"op": "unset", "path": [...]}                        take an optional key out
    {"op": "move", "what": [...], "to_m": [x, y, z]}      bearings to 1 degree, lengths to 1 cm
    {"op": "aim", "what": [...], "at": part or [x, y, z]}
    {"op": "turn", "what": ["sitter"] or ["head"], "deg": -35}
    {"op": "add_light", "name", "block"}    {"op": "copy_light", "name", "as"}
    {"op": "rename_light", "name", "to"}    {"op": "remove_light", "name"}
    {"op": "pin", "name" or null, "at_m", "kind"}    {"op": "unpin", "name"}
    {"op": "dials", "stops": {name: stops}}

`what` is ["light", name], ["panel", name], ["camera"], ["sitter"] or ["backdrop"]; a window counts as a light. Whether
the changed text still is a scene is for the document to ask; only what cannot be written at all is refused here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from sim.quantities import units
from sim.quantities.errors import SceneError, UnitError, quoted
from sim.room.document.edit_values import (
    EditedText,
    is_number,
    light_home,
    name_from_edit,
    no_light,
    path_from_edit,
    point_from_edit,
    require_plain,
    thing_from_edit,
)
from sim.scene.read import key_text
from sim.scene.text import (
    KeyPath,
    SharedBlock,
    text_renamed,
    text_with_block,
    text_without,
    text_without_aliases,
)

MOST_EDITS = 64
NEW_LIGHT: dict[str, Any] = {
    "source": {"kind": "flash", "energy": "400 W·s"},
    "power": "1/4",
    "modifier": {"kind": "softbox", "width": "60 cm", "height": "90 cm"},
    "place": {"bearing": "45°", "distance": "2 m", "height": "2 m"},
    "aim": "face",
}
# How far around the sitter a copy is set from what it was copied from.
COPY_BESIDE_DEG = 15.0


def text_with_edits(text: str, edits: Sequence[Any], name: str = "scene") -> tuple[str, str]:
    """The text after all of the edits, and a title for them together; raises `SceneError`.

    Arguments: `edits` JSON objects as above, at most 64, each applied to what the one before left.
    Does not: check the result as a scene.
    """
    draft = EditedText(name, text)
    if not isinstance(edits, (list, tuple)) or not 1 <= len(edits) <= MOST_EDITS:
        raise draft.refusal("got no list of changes", f"1 to {MOST_EDITS} changes", "do it again")
    for edit in edits:
        op = edit.get("op") if isinstance(edit, dict) else None
        act = OPERATIONS.get(op) if isinstance(op, str) else None
        if act is None:
            raise draft.refusal(f"there is no change {quoted(op)}", f"one of {', '.join(OPERATIONS)}", "do it again")
        require_plain(draft, edit)
        try:
            try:
                draft = act(draft, edit)
            except SharedBlock:
                # Write out what stands for several places, so that one of them can change alone.
                draft = act(draft.with_text(text_without_aliases(draft.text)), edit)
        except UnitError as fault:
            raise draft.refusal(fault.what, fault.expected, fault.cure) from None
    title = draft.titles[0] if draft.titles else "change"
    others = len(set(draft.titles)) - 1
    return draft.text, title if others < 1 else f"{title} and {others} more"


def refusal_text(error: SceneError) -> str:
    """A fault in one line for people who do not see the file: without its name and line."""
    expected = f"expected {error.expected}" if error.expected else ""
    story = "; ".join(part for part in (error.what, expected, error.cure) if part)
    return f"{error.key}: {story}" if error.key else story


# -- any value --------------------------------------------------------------------------------


def _set(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    path = path_from_edit(draft, edit)
    value = edit.get("value")
    if value is None:
        raise draft.refusal("no value was given", "a value", "give one", key_text(path))
    if len(path) == 2 and path[0] in ("lights", "panels") and isinstance(value, dict) and draft.at(path) is None:
        return draft.with_text(text_with_block(draft.text, path, value, draft.name), f"add {path[1]}")
    return draft.with_values({path: value}, f"set {_words(path)}")


def _unset(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    path = path_from_edit(draft, edit)
    title = f"remove {path[1]}" if len(path) == 2 else f"clear {_words(path)}"
    return draft.with_text(text_without(draft.text, path, draft.name), title)


def _words(path: KeyPath) -> str:
    """A key path as a person would say it: `key power` for lights.key.power."""
    parts = path[1:] if path[0] in ("lights", "panels", "meters", "ambient") and len(path) > 1 else path
    return " ".join(str(part + 1) if isinstance(part, int) else part.replace("_", " ") for part in parts)


# -- places -----------------------------------------------------------------------------------


def _move(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    to_m = point_from_edit(draft, edit, "to_m")
    home, said = thing_from_edit(draft, edit)
    title = f"move {said}"
    if home == ("sitter",):
        old = draft.at(("sitter", "step"))
        if isinstance(old, list) and len(old) == 2:
            new = [length_text(v, o) for v, o in zip((to_m[0], to_m[2]), old, strict=True)]
            return draft.with_values({("sitter", "step", i): v for i, v in enumerate(new) if v != old[i]}, title)
        return draft.with_values({("sitter", "step"): [length_text(to_m[0]), length_text(to_m[2])]}, title)
    if home == ("backdrop",):
        path: KeyPath = ("backdrop", "distance")
        if draft.at(path) is None:
            what = "this backdrop hangs nowhere else"
            raise draft.refusal(what, "a canvas, paper or picture", "choose another backdrop", "backdrop")
        return draft.with_values({path: length_text(-to_m[2], draft.at(path))}, title)
    path = (*home, "place")
    old = draft.at(path)
    if not isinstance(old, dict):
        raise draft.refusal(f"{said} cannot be moved", "something that has a place", "choose a light", key_text(path))
    if "at" in old:
        row = old["at"] if isinstance(old["at"], list) and len(old["at"]) == 3 else [None] * 3
        new = [length_text(v, o) for v, o in zip(to_m, row, strict=True)]
        if None in row:
            return draft.with_values({(*path, "at"): new}, title)
        return draft.with_values({(*path, "at", i): v for i, v in enumerate(new) if v != row[i]}, title)
    around = {
        "bearing": bearing_text(to_m, old.get("bearing")),
        "distance": length_text(math.hypot(to_m[0], to_m[2]), old.get("distance")),
        "height": length_text(to_m[1], old.get("height")),
    }
    return draft.with_values({(*path, key): v for key, v in around.items() if v != old.get(key)}, title)


def _aim(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    home, said = thing_from_edit(draft, edit)
    if home in (("sitter",), ("backdrop",)):
        raise draft.refusal(f"{said} aims at nothing", "a light, a panel or the camera", "choose one", key_text(home))
    at = edit.get("at")
    value: Any = at
    if not isinstance(at, str):
        value = {"at": [length_text(v) for v in point_from_edit(draft, edit, "at")]}
    return draft.with_values({(*home, "aim"): value}, f"aim {said}")


def _turn(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    what, turn = edit.get("what"), edit.get("deg")
    paths: dict[str, KeyPath] = {"sitter": ("sitter", "turn"), "head": ("sitter", "head", "turn")}
    said = what[0] if isinstance(what, list) and len(what) == 1 else None
    if not isinstance(said, str) or said not in paths or not is_number(turn):
        raise draft.refusal("got no turn", "the sitter or the head, and degrees", "do it again")
    return draft.with_values({paths[said]: angle_text(float(turn))}, f"turn the {said}")


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


# -- lights -----------------------------------------------------------------------------------


def _add_light(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    name = name_from_edit(draft, edit, "name")
    block = edit.get("block", NEW_LIGHT)
    if not isinstance(block, dict) or not block:
        raise draft.refusal("got no light", "a block with source and place", "choose one", f"lights.{name}")
    return draft.with_text(text_with_block(draft.text, ("lights", name), block, draft.name), f"add {name}")


def _copy_light(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    name, copy = name_from_edit(draft, edit, "name"), name_from_edit(draft, edit, "as")
    block = draft.at(("lights", name))
    if not isinstance(block, dict):
        raise no_light(draft, name)
    place = block.get("place")
    # Set the copy beside it, or the two would stand in each other.
    if isinstance(place, dict) and "at" not in place and isinstance(place.get("bearing"), str):
        turned = units.angle_deg_from_text(place["bearing"]) + COPY_BESIDE_DEG
        block = {**block, "place": {**place, "bearing": angle_text(turned)}}
    elif isinstance(place, dict) and isinstance(place.get("at"), list) and isinstance(place["at"][0], str):
        x_m = units.length_m_from_text(place["at"][0])
        beside = length_text(x_m - math.copysign(0.5, x_m), place["at"][0])
        block = {**block, "place": {**place, "at": [beside, *place["at"][1:]]}}
    return draft.with_text(text_with_block(draft.text, ("lights", copy), block, draft.name), f"copy {name}")


def _rename_light(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    name, new = name_from_edit(draft, edit, "name"), name_from_edit(draft, edit, "to")
    home = light_home(draft, name)
    if home[0] == "lights":
        renamed = draft.with_text(text_renamed(draft.text, home, new, draft.name))
    else:
        renamed = draft.with_values({(*home, "name"): new})
    return renamed.with_values(_facing(draft, name, new), f"rename {name}")


def _remove_light(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    name = name_from_edit(draft, edit, "name")
    home = light_home(draft, name)
    if home[0] == "lights" and len(draft.at(("lights",))) == 1:
        raise draft.refusal("this is the only light", "one light at least", "add another one first", f"lights.{name}")
    mended = draft.with_values(_facing(draft, name, "camera"))
    return mended.with_text(text_without(mended.text, home, draft.name), f"remove {name}")


def _facing(draft: EditedText, name: str, new: str) -> dict[KeyPath, Any]:
    """What meters that face a light shall face, by key path."""
    meters = draft.at(("meters",))
    found = meters.items() if isinstance(meters, dict) else ()
    return {("meters", key, "facing"): new for key, meter in found
            if isinstance(meter, dict) and meter.get("facing") == name}  # fmt: skip


def _dials(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    stops = edit.get("stops")
    if not isinstance(stops, dict) or not stops:
        raise draft.refusal("got no dials", "stops under full by light", "do it again")
    values: dict[KeyPath, Any] = {}
    for name, value in stops.items():
        if not isinstance(draft.at(("lights", name)), dict):
            raise no_light(draft, name)
        if not is_number(value):
            key = f"lights.{name}.power"
            raise draft.refusal(f"got {quoted(value)}", "stops under full", "give a number such as -1.3", key)
        path = ("lights", name, "power")
        values[path] = dial_text(float(value), draft.at(path))
    said = next(iter(stops)) if len(stops) == 1 else "the lights"
    return draft.with_values(values, f"turn the dial of {said}")


def dial_text(stops: float, old: object = None) -> str:
    """A dial to a hundredth of a stop, as a fraction where it is one, unless the file spoke of stops before.

    >>> dial_text(-2.0), dial_text(-2.0, "-1 stop"), dial_text(-1.299)
    ('1/4', '-2 stops', '-1.3 stops')
    """
    rounded = round(stops, 2) + 0.0
    if isinstance(old, str) and "stop" in old:
        return units.text_from_measure(rounded, units.STOPS)
    return units.text_from_dial_stops(rounded)


# -- meter points -----------------------------------------------------------------------------


def _pin(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    kind, at = edit.get("kind", "dome"), edit.get("at")
    meters = draft.at(("meters",)) or {}
    name = edit.get("name")
    if name is None:
        name = next(f"pin {n}" for n in range(1, len(meters) + 2) if f"pin {n}" not in meters)
    name = name_from_edit(draft, {"name": name}, "name")
    target: Any = at if isinstance(at, str) else {"at": [length_text(v) for v in point_from_edit(draft, edit, "at_m")]}
    path: KeyPath = ("meters", name)
    if isinstance(meters.get(name), dict):
        values = {(*path, "at"): target} | ({(*path, "kind"): kind} if "kind" in edit else {})
        return draft.with_values(values, f"move {name}")
    block = {"at": target, "kind": kind, "facing": edit.get("facing", "camera")}
    return draft.with_values({path: block}, f"add {name}")


def _unpin(draft: EditedText, edit: dict[str, Any]) -> EditedText:
    name = name_from_edit(draft, edit, "name")
    return draft.with_text(text_without(draft.text, ("meters", name), draft.name), f"remove {name}")


OPERATIONS: dict[str, Callable[[EditedText, dict[str, Any]], EditedText]] = {
    "set": _set, "unset": _unset, "move": _move, "aim": _aim, "turn": _turn, "add_light": _add_light,
    "copy_light": _copy_light, "rename_light": _rename_light, "remove_light": _remove_light, "pin": _pin,
    "unpin": _unpin, "dials": _dials,
}  # fmt: skip
