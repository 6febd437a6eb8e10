"""Change values in a scene file and leave every other character of it alone: comments, order, spacing, line ends."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ruamel.yaml import YAML

from sim.quantities import units
from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.quantities.errors import HalfstopError, UnitError, quoted
from sim.quantities.plain import Plain, PlainDict
from sim.scene.model import Scene
from sim.scene.read import bytes_of_scene_file, scene_from_bytes, scene_from_text
from sim.scene.text import KeyPath, flow_text, text_renamed, text_with_block, text_with_value, text_without

__all__ = [
    "KeyPath",
    "SceneText",
    "flow_text",
    "modifier_from_text",
    "path_from_text",
    "scene_text_from_file",
    "text_renamed",
    "text_with_block",
    "text_with_value",
    "text_without",
    "value_from_text",
    "write_scene_text",
]


@dataclass(frozen=True)
class SceneText:
    """A scene with the text it was read from, so that it can be changed and written again."""

    path: Path
    text: str
    scene: Scene

    def changed(self, values: Mapping[KeyPath, object], path: Path | None = None) -> SceneText:
        """The same file with some values replaced or added, checked as a scene.

        Arguments: `values` new YAML values by key path; `path` where the result will stand, for the files it names.
        Raises `SceneError` where the result is no scene.
        """
        text, name = self.text, str(self.path)
        for where, value in values.items():
            text = text_with_value(text, where, value, name)
        path = path or self.path
        scene = scene_from_text(text.removeprefix("\ufeff"), str(path), path.parent)
        return SceneText(path, text, scene)


def scene_text_from_file(path: str | Path) -> SceneText:
    """Read a scene file as text and as scene; raises `SceneError` for every fault of the file."""
    data, path = bytes_of_scene_file(path), Path(path)
    scene = scene_from_bytes(data, str(path), path.parent)
    return SceneText(path, data.decode("utf-8"), scene)


def write_scene_text(result: SceneText, path: str | Path, *, replace: bool = False) -> None:
    """Write a changed scene as a whole or not at all.

    Arguments: `replace` whether a file that is already there may be replaced.
    """
    path = Path(path)
    if path.exists() and not replace:
        raise HalfstopError(f"{path}: there is a file of this name; nothing was written; name another with --out")
    try:
        write_whole(path, result.text.encode("utf-8"), durable=True, replace=replace)
        sweep_pending(path.parent)
    except OSError as error:
        raise HalfstopError(f"{path}: cannot be written: {error.strerror}; name another with --out") from None


def path_from_text(scene: Scene, text: str) -> KeyPath:
    """Key path from dotted text; it may begin with the name of a light or panel in place of `lights.` or `panels.`.

    `key.power` is `lights.key.power`; `camera.aperture` and `ambient.0.illuminance` stay as they are.
    """
    parts = [part.strip() for part in text.split(".")]
    if not all(parts):
        raise UnitError(f"got the key path {quoted(text)}", "keys joined by dots", 'write "key.power"')
    top = [field.alias or name for name, field in Scene.model_fields.items()]
    first = parts[0]
    if first not in top:
        home = "lights" if first in scene.lights else "panels" if first in scene.panels else ""
        if not home:
            names = ", ".join([*scene.lights, *scene.panels])
            what = f"there is no {quoted(first)} in the scene"
            raise UnitError(what, f"one of {names}, or a key", 'write "key.power"')
        parts = [home, *parts]
    return tuple(int(part) if part.isdigit() else part for part in parts)


# -- modifiers in few words ---------------------------------------------------------------------

_LENGTH = r"[0-9.]+ ?(?:mm|cm|m|ft|in|\"|')"
_KINDS = (
    "covered umbrella", "shoot-through", "shoot through", "beauty dish", "softbox", "octabox", "octa", "strip",
    "umbrella", "reflector", "snoot", "spot", "bare bulb", "bare",
)  # fmt: skip
_FORM = "a modifier in few words"
_EXAMPLE = 'write "softbox 90x120 cm", "octabox 120 cm", "umbrella 105 cm silver" or "reflector 18 cm grid 10°"'


def modifier_from_text(text: str) -> PlainDict:
    """The YAML block of a modifier from a few words.

    >>> modifier_from_text("softbox 90x120 cm grid 40°")
    {'kind': 'softbox', 'width': '90 cm', 'height': '120 cm', 'grid': '40°'}
    >>> modifier_from_text("umbrella 105 cm silver")
    {'kind': 'umbrella', 'diameter': '105 cm', 'surface': 'silver'}
    """
    plain = units.clean(text).lower().replace("×", "x")
    said = next((kind for kind in _KINDS if re.match(rf"{kind}\b", plain)), None)
    if said is None:
        raise UnitError(f"got {quoted(text)}", f"{_FORM}: {', '.join(_KINDS)}", _EXAMPLE)
    kind = {"shoot through": "shoot-through", "octa": "octabox", "bare bulb": "bare"}.get(said, said)
    rest = plain[len(said) :].strip(" ,")
    block: PlainDict = {"kind": kind}

    def take(pattern: str) -> re.Match[str] | None:
        nonlocal rest
        match = re.search(rf"(?:^|(?<=[ ,])){pattern}(?=$|[ ,])", rest)
        if match:
            rest = " ".join((rest[: match.start()] + " " + rest[match.end() :]).split()).strip(" ,")
        return match

    # Take the named measures first, so that what is left are sizes.
    for key, pattern in (("recess", rf"recess ({_LENGTH})"), ("length", rf"(?:length|long) ({_LENGTH})"),
                         ("grid", r"grid ([0-9.]+) ?(?:°|deg(?:rees)?)"),
                         ("beam", r"beam ([0-9.]+) ?(?:°|deg(?:rees)?)"), ("hot_spot", r"hot.?spot ([0-9./]+ stops?)"),
                         ("efficiency", r"efficiency ([0-9.]+)")):  # fmt: skip
        match = take(pattern)
        if match:
            angle = key in ("grid", "beam")
            block[key] = float(match[1]) if key == "efficiency" else f"{match[1]}°" if angle else match[1]
    if take(r"sock"):
        block["sock"] = True
    surface = take(r"(white|silver)")
    if surface:
        block["surface"] = surface[1]
    sizes: dict[str, str] = {}
    both = take(r"([0-9.]+) ?(mm|cm|m|ft|in)? ?x ?([0-9.]+) ?(mm|cm|m|ft|in)")
    if both:
        sizes = {"width": f"{both[1]} {both[2] or both[4]}", "height": f"{both[3]} {both[4]}"}
    else:
        one = take(rf"({_LENGTH})")
        if one:
            sizes = {{"bare": "bulb_diameter", "spot": "lens"}.get(kind, "diameter"): one[1]}
    if kind == "spot" and "beam" not in block:
        beam = take(r"([0-9.]+) ?(?:°|deg(?:rees)?)")
        if beam:
            block["beam"] = f"{beam[1]}°"
    if rest:
        raise UnitError(f"cannot read {quoted(rest)} in {quoted(text)}", _FORM, _EXAMPLE)
    return {"kind": kind, **sizes, **{k: v for k, v in block.items() if k != "kind"}}


def value_from_text(path: KeyPath, text: str) -> Plain:
    """The YAML value that a person means by a text, for the place it is to stand in."""
    text = text.strip()
    if path[-1] == "modifier" and not text.startswith("{"):
        return modifier_from_text(text)
    value = YAML(typ="safe", pure=True).load(text)
    return value if isinstance(value, (dict, list, bool, int, float)) else text
