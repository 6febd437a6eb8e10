"""Change values in a scene file and leave every other character of it alone: comments, order, spacing, line ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ruamel.yaml import YAML

from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.quantities.errors import HalfstopError, UnitError, quoted
from sim.quantities.plain import Plain
from sim.scene.model import Scene
from sim.scene.model.modifier_text import modifier_from_text
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


def value_from_text(path: KeyPath, text: str) -> Plain:
    """The YAML value that a person means by a text, for the place it is to stand in."""
    text = text.strip()
    if path[-1] == "modifier" and not text.startswith("{"):
        return modifier_from_text(text)
    value = YAML(typ="safe", pure=True).load(text)
    return value if isinstance(value, (dict, list, bool, int, float)) else text
