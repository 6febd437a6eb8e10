"""Change values in a scene file and leave every other character of it alone: comments, order, spacing, line ends.

The YAML library tells where a value stands in the text; the new value is written into that place.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.nodes import MappingNode, Node, SequenceNode

from sim import units
from sim.errors import HalfstopError, SceneError, UnitError, quoted
from sim.model import Scene
from sim.scenefile import key_text, scene_from_text

KeyPath = tuple[str | int, ...]
_PLAIN = re.compile(r"[A-Za-z0-9+\-.][\w .+\-/°·%²'()×]*")
_NOT_TEXT = re.compile(r"true|false|null|~|[+-]?[0-9]+|[+-]?([0-9]+\.[0-9]*|\.?[0-9]+)([eE][+-]?[0-9]+)?", re.I)


@dataclass(frozen=True)
class SceneText:
    """A scene with the text it was read from, so that it can be changed and written again."""

    path: Path
    text: str
    scene: Scene

    def changed(self, values: Mapping[KeyPath, Any], path: Path | None = None) -> SceneText:
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
    from sim.scenefile import load_scene

    scene = load_scene(path)
    return SceneText(Path(path), Path(path).read_bytes().decode("utf-8"), scene)


def write_scene_text(result: SceneText, path: str | Path, *, replace: bool = False) -> None:
    """Write a changed scene as a whole or not at all.

    Arguments: `replace` whether a file that is already there may be replaced.
    """
    path = Path(path)
    if path.exists() and not replace:
        raise HalfstopError(f"{path}: there is a file of this name; nothing was written; name another with --out")
    try:
        handle, draft = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    except OSError as error:
        raise HalfstopError(f"{path}: cannot be written: {error.strerror}; name another with --out") from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(result.text.encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(draft, path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask())
        if replace:
            os.replace(draft, path)
        else:
            # A link refuses a name that has come into being meanwhile.
            os.link(draft, path)
    except OSError as error:
        raise HalfstopError(f"{path}: cannot be written: {error.strerror}; name another with --out") from None
    finally:
        with suppress(FileNotFoundError):
            os.unlink(draft)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def text_with_value(text: str, path: KeyPath, value: Any, name: str = "scene") -> str:
    """YAML text with the value at a key path replaced, or added to the block that should hold it.

    Arguments: `value` text, number, bool, dict or list in the YAML form; missing blocks on the way are made.
    Does not: check the result as a scene, or change what several places share through an alias.

    >>> text_with_value("a: {b: 1 m}  # note", ("a", "b"), "2 m")
    'a: {b: 2 m}  # note'
    """
    body = text.removeprefix("\ufeff")
    root = YAML(typ="rt", pure=True).compose(body)
    shared = _shared_nodes(root)
    node = root
    for depth, part in enumerate(path):
        if id(node) in shared:
            where = key_text(path[:depth])
            cure = "write the block out in place of the alias (*), then try again"
            raise SceneError(name, node.start_mark.line + 1, where, "this block is shared by an alias", "", cure)
        child = _child(node, part)
        if child is None:
            inner: Any = value
            for key in reversed(path[depth + 1 :]):
                inner = {key: inner}
            start, end, new = _addition(body, node, part, inner, key_text(path), name)
            break
        node = child
    else:
        if id(node) in shared:
            cure = "write the value out in place of the alias (*), then try again"
            line = node.start_mark.line + 1
            raise SceneError(name, line, key_text(path), "this value is shared by an alias", "", cure)
        start, end, new = node.start_mark.index, _end(body, node), flow_text(value)
    lead = text[: len(text) - len(body)]
    return lead + body[:start] + new + body[end:]


def flow_text(value: Any) -> str:
    """A value as YAML on one line.

    >>> flow_text({"kind": "softbox", "width": "90 cm", "color": "#ffffff"})
    '{kind: softbox, width: 90 cm, color: "#ffffff"}'
    """
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{flow_text(str(k))}: {flow_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, str):
        plain = _PLAIN.fullmatch(value) and not _NOT_TEXT.fullmatch(value) and value == value.strip()
        return value if plain else json.dumps(value, ensure_ascii=False)
    if isinstance(value, Sequence):
        return "[" + ", ".join(flow_text(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return units.shortest(value)


def _child(node: Node, part: str | int) -> Node | None:
    if isinstance(node, MappingNode):
        return next((child for key, child in node.value if key.value == part), None)
    if isinstance(node, SequenceNode) and isinstance(part, int) and part < len(node.value):
        child: Node = node.value[part]
        return child
    return None


def _shared_nodes(root: Node) -> set[int]:
    """Identities of the nodes that stand in more than one place."""
    seen: set[int] = set()
    shared: set[int] = set()
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if id(node) in seen:
            shared.add(id(node))
            continue
        seen.add(id(node))
        if isinstance(node, MappingNode):
            waiting += [child for _, child in node.value]
        elif isinstance(node, SequenceNode):
            waiting += node.value
    return shared


def _end(text: str, node: Node) -> int:
    """Place just behind the last character of a value, without the comments that follow it."""
    if isinstance(node, (MappingNode, SequenceNode)) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(text, last[1] if isinstance(last, tuple) else last)
    end: int = node.end_mark.index
    return len(text[:end].rstrip()) if end > node.start_mark.index else end


def _addition(text: str, node: Node, part: str | int, value: Any, path: str, name: str) -> tuple[int, int, str]:
    """Start, end and text of a new entry at the end of a block or of braces."""
    if not isinstance(node, MappingNode) or isinstance(part, int):
        line = node.start_mark.line + 1
        raise SceneError(name, line, path, "there is no such place", "a key of a block", "correct the key path")
    entry = f"{flow_text(part)}: {flow_text(value)}"
    if not node.value:
        return node.start_mark.index, node.end_mark.index, "{" + entry + "}"
    end = _end(text, node.value[-1][1])
    if node.flow_style:
        return end, end, ", " + entry
    # Begin a new line behind the last entry and its comment, as far in as the others.
    line_end = text.find("\n", end)
    line_end = len(text) if line_end < 0 else line_end
    carriage = text[line_end - 1 : line_end] == "\r"
    place = line_end - 1 if carriage else line_end
    indent = " " * node.value[0][0].start_mark.column
    return place, place, ("\r\n" if carriage else "\n") + indent + entry


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


def modifier_from_text(text: str) -> dict[str, Any]:
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
    block: dict[str, Any] = {"kind": kind}

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
        found = take(pattern)
        if found:
            angle = key in ("grid", "beam")
            block[key] = float(found[1]) if key == "efficiency" else f"{found[1]}°" if angle else found[1]
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


def value_from_text(path: KeyPath, text: str) -> Any:
    """The YAML value that a person means by a text, for the place it is to stand in."""
    text = text.strip()
    if path[-1] == "modifier" and not text.startswith("{"):
        return modifier_from_text(text)
    value = YAML(typ="safe", pure=True).load(text)
    return value if isinstance(value, (dict, list, bool, int, float)) else text
