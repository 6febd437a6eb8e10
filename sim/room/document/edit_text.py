"""What each edit makes of a scene's text. Only what cannot be written at all is refused here."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sim.quantities import units
from sim.quantities.errors import UnitError
from sim.quantities.plain import Plain, PlainDict
from sim.room.document.edit_values import (
    EditedText,
    angle_text,
    bearing_text,
    dial_text,
    home_of_thing,
    length_text,
    light_home,
    no_light,
)
from sim.room.document.edits import (
    AddLight,
    Aim,
    CopyLight,
    Dials,
    Edit,
    Move,
    Pin,
    RemoveLight,
    RenameLight,
    SetValue,
    Turn,
    Unpin,
    Unset,
)
from sim.scene.comments import text_with_true_comments
from sim.scene.numbers import numbers_from_given
from sim.scene.read import key_text
from sim.scene.text import (
    KeyPath,
    SharedBlock,
    text_renamed,
    text_with_block,
    text_without,
    text_without_aliases,
)

NEW_LIGHT: PlainDict = {
    "source": {"kind": "flash", "energy": "400 W·s"},
    "power": "1/4",
    "modifier": {"kind": "softbox", "width": "60 cm", "height": "90 cm"},
    "place": {"bearing": "45°", "distance": "2 m", "height": "2 m"},
    "aim": "face",
}
# How far around the sitter a copy is set from what it was copied from.
COPY_BESIDE_DEG, COPY_BESIDE_M = 15.0, 0.5


def text_with_edits(text: str, edits: Sequence[Edit], name: str = "scene") -> tuple[str, str]:
    """The text after all of the edits, and a title for them together; raises `SceneError`.

    Arguments: `edits` one or more, each applied to what the one before left.
    Does not: check the result as a scene.
    """
    edited = EditedText(name, text)
    for edit in edits:
        before = edited.text
        try:
            try:
                edited = _numbered(edited, _applied(edited, edit), edit)
            except SharedBlock:
                # Write out what stands for several places, so that one of them can change alone.
                edited = edited.with_text(text_without_aliases(edited.text))
                edited = _numbered(edited, _applied(edited, edit), edit)
        except UnitError as fault:
            raise edited.refusal(fault.what, fault.expected, fault.cure) from None
        edited = edited.with_text(text_with_true_comments(before, edited.text))
    title = edited.titles[0] if edited.titles else "change"
    others = len(set(edited.titles)) - 1
    return edited.text, title if others < 1 else f"{title} and {others} more"


def _applied(edited: EditedText, edit: Edit) -> EditedText:
    match edit:
        case SetValue():
            return _with_value(edited, edit)
        case Unset():
            title = f"remove {edit.path[1]}" if len(edit.path) == 2 else f"clear {_words(edit.path)}"
            if edit.path[0] == "panels" and len(edit.path) == 2:
                edited = edited.with_values(_facing(edited, str(edit.path[1]), "camera"))
            return edited.with_text(text_without(edited.text, edit.path, edited.name), title)
        case Move():
            return _moved(edited, edit)
        case Aim():
            return _aimed(edited, edit)
        case Turn():
            path: KeyPath = ("sitter", "turn") if edit.what == ("sitter",) else ("sitter", "head", "turn")
            return edited.with_values({path: angle_text(edit.deg)}, f"turn the {edit.what[0]}")
        case AddLight():
            block = NEW_LIGHT if edit.block is None else edit.block
            text = text_with_block(edited.text, ("lights", edit.name), block, edited.name)
            return edited.with_text(text, f"add {edit.name}")
        case CopyLight():
            return _with_copy(edited, edit)
        case RenameLight():
            return _renamed(edited, edit)
        case RemoveLight():
            return _without_light(edited, edit)
        case Pin():
            return _pinned(edited, edit)
        case Unpin():
            text = text_without(edited.text, ("meters", edit.name), edited.name)
            return edited.with_text(text, f"remove {edit.name}")
        case Dials():
            return _dialled(edited, edit)


# -- any value --------------------------------------------------------------------------------


def _with_value(edited: EditedText, edit: SetValue) -> EditedText:
    path, value = edit.path, edit.value
    if value is None:
        raise edited.refusal("no value was given", "a value", "give one", key_text(path))
    if len(path) == 2 and path[0] in ("lights", "panels") and isinstance(value, dict) and edited.at(path) is None:
        return edited.with_text(text_with_block(edited.text, path, value, edited.name), f"add {path[1]}")
    return edited.with_values({path: value}, f"set {_words(path)}")


def _words(path: KeyPath) -> str:
    """A key path as a person would say it: `key power` for lights.key.power."""
    parts = path[1:] if path[0] in ("lights", "panels", "meters", "ambient") and len(path) > 1 else path
    return " ".join(str(part + 1) if isinstance(part, int) else part.replace("_", " ") for part in parts)


# -- places -----------------------------------------------------------------------------------


def _moved(edited: EditedText, edit: Move) -> EditedText:
    to_m = edit.to_m
    home, called = home_of_thing(edited, edit.what)
    title = f"move {called}"
    if home == ("sitter",):
        path: KeyPath = ("sitter", "step")
        return edited.with_values(_row_values(edited, path, (to_m[0], to_m[2])), title)
    if home == ("backdrop",):
        path = ("backdrop", "distance")
        if edited.at(path) is None:
            what = "this backdrop hangs nowhere else"
            raise edited.refusal(what, "a canvas, paper or picture", "choose another backdrop", "backdrop")
        return edited.with_values({path: length_text(-to_m[2], edited.at(path))}, title)
    path = (*home, "place")
    old = edited.at(path)
    if not isinstance(old, dict):
        raise edited.refusal(f"{called} cannot be moved", "something that has a place", "choose a light",
                             key_text(path))  # fmt: skip
    if "at" in old:
        return edited.with_values(_row_values(edited, (*path, "at"), to_m), title)
    around = {
        "bearing": bearing_text(to_m, old.get("bearing")),
        "distance": length_text(math.hypot(to_m[0], to_m[2]), old.get("distance")),
        "height": length_text(to_m[1], old.get("height")),
    }
    return edited.with_values({(*path, key): v for key, v in around.items() if v != old.get(key)}, title)


def _row_values(edited: EditedText, path: KeyPath, lengths_m: Sequence[float]) -> dict[KeyPath, Plain]:
    """What to write for a row of lengths at a key path: those that change, or the whole row where there is none."""
    old = edited.at(path)
    if not isinstance(old, list) or len(old) != len(lengths_m) or None in old:
        return {path: [length_text(length_m) for length_m in lengths_m]}
    new = [length_text(length_m, before) for length_m, before in zip(lengths_m, old, strict=True)]
    return {(*path, place): length for place, length in enumerate(new) if length != old[place]}


def _aimed(edited: EditedText, edit: Aim) -> EditedText:
    home, called = home_of_thing(edited, edit.what)
    if home in (("sitter",), ("backdrop",)):
        expected = "a light, a panel or the camera"
        raise edited.refusal(f"{called} aims at nothing", expected, "choose one", key_text(home))
    return edited.with_values({(*home, "aim"): _target(edit.at)}, f"aim {called}")


def _target(at: str | Sequence[float]) -> Plain:
    """A part by its name, or a point (m), in the form of the scene file."""
    return at if isinstance(at, str) else {"at": [length_text(value_m) for value_m in at]}


# -- lights -----------------------------------------------------------------------------------


def _with_copy(edited: EditedText, edit: CopyLight) -> EditedText:
    block = edited.at(("lights", edit.name))
    if not isinstance(block, dict):
        raise no_light(edited, edit.name)
    place = block.get("place")
    # Set the copy beside it, or the two would stand in each other.
    if isinstance(place, dict):
        bearing, at = place.get("bearing"), place.get("at")
        if "at" not in place and isinstance(bearing, str):
            turned = units.angle_deg_from_text(bearing) + COPY_BESIDE_DEG
            block = {**block, "place": {**place, "bearing": angle_text(turned)}}
        elif isinstance(at, list) and at and isinstance(at[0], str):
            x_m = units.length_m_from_text(at[0])
            beside = length_text(x_m - math.copysign(COPY_BESIDE_M, x_m), at[0])
            block = {**block, "place": {**place, "at": [beside, *at[1:]]}}
    block = {key: value for key, value in block.items() if key != "number"}
    text = text_with_block(edited.text, ("lights", edit.copy_name), block, edited.name)
    return edited.with_text(text, f"copy {edit.name}")


def _renamed(edited: EditedText, edit: RenameLight) -> EditedText:
    home = light_home(edited, edit.name)
    if home[0] == "lights":
        renamed = edited.with_text(text_renamed(edited.text, home, edit.to, edited.name))
    else:
        renamed = edited.with_values({(*home, "name"): edit.to})
    return renamed.with_values(_facing(edited, edit.name, edit.to), f"rename {edit.name}")


def _without_light(edited: EditedText, edit: RemoveLight) -> EditedText:
    home = light_home(edited, edit.name)
    mended = edited.with_values(_facing(edited, edit.name, "camera"))
    return mended.with_text(text_without(mended.text, home, edited.name), f"remove {edit.name}")


def _facing(edited: EditedText, name: str, new: str) -> dict[KeyPath, Plain]:
    """What meters that face a light shall face, by key path."""
    meters = edited.block(("meters",)).items()
    return {("meters", key, "facing"): new for key, meter in meters
            if isinstance(meter, dict) and meter.get("facing") == name}  # fmt: skip


def _dialled(edited: EditedText, edit: Dials) -> EditedText:
    values: dict[KeyPath, Plain] = {}
    for name, stops in edit.stops.items():
        if not isinstance(edited.at(("lights", name)), dict):
            raise no_light(edited, name)
        path: KeyPath = ("lights", name, "power")
        values[path] = dial_text(stops, edited.at(path))
    called = next(iter(edit.stops)) if len(edit.stops) == 1 else "the lights"
    return edited.with_values(values, f"turn the dial of {called}")


def _numbered(before: EditedText, after: EditedText, edit: Edit) -> EditedText:
    """The text after an edit, where each light that was there keeps its number: written out where it would change."""
    if isinstance(edit, SetValue | Unset):
        comes_or_goes = len(edit.path) <= 2 and edit.path[0] in ("lights", "ambient")
    else:
        comes_or_goes = isinstance(edit, AddLight | CopyLight | RenameLight | RemoveLight)
    if not comes_or_goes:
        return after
    earlier, now = _numbers(before), _numbers(after)
    if isinstance(edit, RenameLight):
        earlier = {edit.to if name == edit.name else name: number for name, number in earlier.items()}
    changed = {name: earlier[name] for name in now if earlier.get(name, now[name]) != now[name]}
    return after.with_values({(*light_home(after, name), "number"): number for name, number in changed.items()})


def _numbers(edited: EditedText) -> dict[str, int]:
    rooms = edited.at(("ambient",))
    blocks = [
        *edited.block(("lights",)).items(),
        *(
            (block.get("name"), block)
            for block in (rooms if isinstance(rooms, list) else ())
            if isinstance(block, dict)
        ),
    ]
    return numbers_from_given((str(name), _number(block)) for name, block in blocks if isinstance(block, dict))


def _number(block: PlainDict) -> int | None:
    # What is written in the text is a word until it is checked.
    given = str(block.get("number", ""))
    return int(given) if given.isdecimal() and len(given) < 4 else None


# -- meter points -----------------------------------------------------------------------------


def _pinned(edited: EditedText, edit: Pin) -> EditedText:
    meters = edited.block(("meters",))
    name = edit.name or next(f"pin {n}" for n in range(1, len(meters) + 2) if f"pin {n}" not in meters)
    at = edit.at_m if edit.at is None else edit.at
    if at is None:
        raise edited.refusal("got nothing", "three numbers in metres", "do it again", "at_m")
    path: KeyPath = ("meters", name)
    if isinstance(meters.get(name), dict):
        values: dict[KeyPath, Plain] = {(*path, "at"): _target(at)}
        if edit.kind is not None:
            values[(*path, "kind")] = edit.kind
        return edited.with_values(values, f"move {name}")
    block: PlainDict = {"at": _target(at), "kind": edit.kind or "dome", "facing": edit.facing or "camera"}
    return edited.with_values({path: block}, f"add {name}")
