"""Read a scene file: YAML text to a checked `Scene`, every fault as one line with its place in the file."""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

import yaml
from pydantic import ValidationError

from sim.errors import SceneError, UnitError, quoted
from sim.model import Block, FigureFile, IesSource, ImageBackdrop, Scene, scene_schema

__all__ = ["load_scene", "scene_data_hash", "scene_from_text", "scene_schema"]

MOST_BYTES = 256 * 1024
MOST_NODES = 20_000
DEEPEST = 16

Path_ = tuple[str | int, ...]
Lines = dict[Path_, int]


def load_scene(path: str | Path) -> Scene:
    """Return the checked scene of a YAML file; raises `SceneError` for every fault of the file."""
    path = Path(path)
    name = str(path)
    try:
        if path.is_dir():
            raise SceneError(name, 1, "", "is a folder", "a scene file", 'name a file such as "scenes/recital.yaml"')
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        what = "there is no such file" if isinstance(error, FileNotFoundError) else (error.strerror or "unreadable")
        raise SceneError(name, 1, "", what, "a scene file that can be read",
                         'check the name, for example "scenes/recital.yaml"') from None
    return scene_from_bytes(data, name, path.parent)


def scene_from_bytes(data: bytes, name: str, folder: Path | None) -> Scene:
    """Return the checked scene of the bytes of a file; `folder` is where its files are looked for."""
    if len(data) > MOST_BYTES:
        raise SceneError(name, 1, "", "the file is too large", f"at most {MOST_BYTES // 1024} KiB of text",
                         "remove what is not part of the scene")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SceneError(name, line, "", f"the byte 0x{data[error.start]:02x} is not UTF-8 text", "text in UTF-8",
                         'save the file with the encoding "UTF-8"') from None
    return scene_from_text(text, name, folder)


def scene_from_text(text: str, name: str = "scene", folder: Path | None = None) -> Scene:
    """Return the checked scene of YAML text; without a folder, files it names are not looked for."""
    if len(text) > MOST_BYTES:
        raise SceneError(name, 1, "", "the text is too large", f"at most {MOST_BYTES // 1024} KiB",
                         "remove what is not part of the scene")
    data, lines = _plain_data(text, name)
    try:
        scene = Scene.model_validate(data, by_alias=True, by_name=False)
    except ValidationError as error:
        _raise_first(error, data, lines, name)
    if folder is not None:
        _require_files(scene, lines, name, folder)
    return scene


def scene_data_hash(scene: Scene) -> str:
    """Return a SHA-256 of what the scene says, independent of layout, comments and unit spelling."""
    data = scene.model_dump(mode="python")
    return hashlib.sha256(json.dumps(data, sort_keys=False, ensure_ascii=True, allow_nan=False).encode()).hexdigest()


def _plain_data(text, name):
    node = yaml.compose(text, Loader=yaml.SafeLoader)
    lines = {}
    def walk(n, path):
        if isinstance(n, yaml.MappingNode):
            out = {}
            for k, v in n.value:
                lines[(*path, k.value)] = k.start_mark.line + 1
                out[k.value] = walk(v, (*path, k.value))
            return out
        if isinstance(n, yaml.SequenceNode):
            return [walk(v, (*path, i)) for i, v in enumerate(n.value)]
        return yaml.SafeLoader("").construct_object(n)
    return walk(node, ()), lines


def _raise_first(error, data, lines, name):
    first = error.errors(include_url=False)[0]
    raise SceneError(name, 1, ".".join(map(str, first["loc"])), first["msg"])


def _require_files(scene, lines, name, folder):
    pass
