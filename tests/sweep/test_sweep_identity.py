"""What a variation is called follows from all that it shows and reads: nothing that an axis can vary is forgotten.

Each block of a scene is varied key by key, and every result must have a name of its own; the list of keys is held
against the model, so that a key which is added there is missed here. What is traced anew is told as well: a dial
changes the name alone, an emission is that of its one light, and geometry makes another group.
"""

from __future__ import annotations

import json
import typing
from pathlib import Path
from types import UnionType

import pytest
from PIL import Image
from pydantic import BaseModel

from sim.render.engine import engine_in_use
from sim.scene.model import Scene
from sim.scene.model.block import Block
from sim.scene.read import scene_from_text
from sim.sweep.run import request_for
from sim.sweep.study import load_study
from sim.sweep.variations import Variation, maker, variations_of

DIAL, EMISSION, GEOMETRY, KIT = "dial", "emission", "geometry", "kit"
BY_METER = {"kind": "measured", "reads": "f/8", "at": "2 m"}
PLACE = {"bearing": "-40°", "distance": "2 m", "height": "2 m"}
FLASH = {"kind": "flash", "energy": "400 W·s"}
SCENE: dict[str, object] = {
    "halfstop": 1, "title": "All that can vary", "room": {"size": {"width": "9 m", "height": "4 m", "length": "12 m"}},
    "camera": {"place": {"at": ["0 m", "1.4 m", "4 m"]}, "focal_length": "85 mm", "aperture": "f/8",
               "shutter": "1/160 s"},
    "sitter": {}, "panels": {}, "ambient": [], "meters": {}, "render": {}, "backdrop": {"kind": "paper", "size":
               {"width": "1 m", "height": "2 m"}, "distance": "1.8 m"},
    "lights": {"key": {"source": FLASH, "place": PLACE},
               "rim": {"source": FLASH, "place": {"bearing": "140°", "distance": "2 m", "height": "2 m"}}},
}  # fmt: skip
ELSEWHERE = {"bearing": "-50°", "distance": "2.1 m", "height": "2.1 m"}
POINT = {"at": ["0 m", "1 m", "0.5 m"]}
DOORS = {"left": "30°", "right": "30°", "top": "30°", "bottom": "30°"}
BOX = {"efficiency": (0.5, EMISSION), "recess": ("5 cm", GEOMETRY), "hot_spot": ("1 stop", EMISSION),
       "grid": ("40°", EMISSION), "front_reflectance": (0.3, GEOMETRY)}  # fmt: skip
SIZE = {"width": "1 m", "height": "2 m"}
HUNG = {"size": ({"width": "3 m", "height": "3.1 m"}, GEOMETRY), "distance": ("1.9 m", GEOMETRY),
        "bottom": ("10 cm", GEOMETRY)}  # fmt: skip
PANEL = {"size": ({"width": "1.1 m", "height": "2 m"}, GEOMETRY), "place": (ELSEWHERE, GEOMETRY),
         "aim": ("chest", GEOMETRY)}  # fmt: skip
ROLLED = {**PANEL, "roll": ("90°", GEOMETRY)}
BOARD = {**ROLLED, "reflectance": (0.4, GEOMETRY)}
DIAL_RANGE = ({"range": "5 stops", "step": "1/2 stop"}, KIT)
Change = tuple[object, str]
# Key path of a block, the block, and a change of each of its keys with what it changes.
BLOCKS: list[tuple[str, object, dict[str, Change]]] = [
    ("lights.key", {"source": {"kind": "flash", "energy": "400 W·s"}, "place": PLACE, "modifier": {"kind": "bare"}}, {
        "color": ("4500 K", DIAL), "power": ("1/4", DIAL), "mute": (True, DIAL), "gels": ([{"mired": 60}], DIAL),
        "stand": ("boom", GEOMETRY), "aim": ("chest", GEOMETRY), "place": (ELSEWHERE, GEOMETRY),
        "source": ({"kind": "flash", "energy": "200 W·s"}, EMISSION),
        "modifier": ({"kind": "softbox", "width": "60 cm", "height": "90 cm"}, GEOMETRY),
    }),
    ("lights.key.color", "5600 K", {"": ("#ff8800", DIAL)}),
    ("lights.key.gels", [], {
        "mired": ([{"mired": 60}], DIAL), "mired.mired": ([{"mired": -80}], DIAL),
        "mired.transmission": ([{"mired": 60, "transmission": 0.7}], DIAL),
        "color": ([{"color": "#ff8800"}], DIAL), "color.color": ([{"color": "#0088ff"}], DIAL),
        "color.transmission": ([{"color": "#ff8800", "transmission": 0.4}], DIAL),
        "nd": ([{"nd": "1 stop"}], DIAL), "nd.nd": ([{"nd": "2 stops"}], DIAL),
        "two": ([{"nd": "1 stop"}, {"mired": 60}], DIAL),
    }),
    ("lights.key.place", PLACE, {
        "bearing": ("-41°", GEOMETRY), "distance": ("2.01 m", GEOMETRY), "height": ("2.01 m", GEOMETRY),
    }),
    ("lights.key.place", {"at": ["-1 m", "2 m", "1 m"]}, {"at": (["-1 m", "2 m", "1.01 m"], GEOMETRY)}),
    ("lights.key.source", {"kind": "flash", "energy": "400 W·s"}, {
        "energy": ("300 W·s", EMISSION), "efficacy": ("35 lm/W", EMISSION), "dial": DIAL_RANGE,
        "consumption": ("900 W", KIT), "modelling_lamp": ("150 W", KIT),
    }),
    ("lights.key.source", {"kind": "continuous", "draw": "300 W", "efficacy": "60 lm/W"}, {
        "draw": ("200 W", EMISSION), "efficacy": ("50 lm/W", EMISSION), "dial": DIAL_RANGE,
    }),
    ("lights.key.source", {"kind": "continuous", "flux": "8000 lm"}, {"flux": ("9000 lm", EMISSION)}),
    ("lights.key.source", {"kind": "continuous", "illuminance": "1200 lx", "at": "1 m"}, {
        "illuminance": ("1000 lx", EMISSION), "at": ("2 m", EMISSION),
    }),
    ("lights.key.source", BY_METER, {
        "reads": ("f/11", EMISSION), "at": ("3 m", EMISSION), "iso": (200, EMISSION), "draw": ("900 W", KIT),
        "dial": DIAL_RANGE, "receptor": ("flat", EMISSION), "off_axis": ("10°", EMISSION),
    }),
    ("lights.key.source", {**BY_METER, "facing": "camera", "camera_angle": "45°"}, {
        "camera_angle": ("60°", EMISSION),
    }),
    ("lights.key", {"source": BY_METER, "place": PLACE}, {
        "source": ({**BY_METER, "facing": "camera", "camera_angle": "45°"}, EMISSION),
    }),
    ("lights.key.source", {"kind": "guide number", "guide_number": "40 m"}, {
        "guide_number": ("36 m", EMISSION), "iso": (200, EMISSION), "draw": ("900 W", KIT), "dial": DIAL_RANGE,
    }),
    ("lights.key.source", {"kind": "ies", "file": "one.ies"}, {
        "file": ("other.ies", GEOMETRY), "flux": ("9000 lm", EMISSION), "draw": ("200 W", KIT), "dial": DIAL_RANGE,
        "flash": (True, DIAL),
    }),
    ("lights.key.source", {"kind": "ies", "file": "one.ies", "flash": True, "light": "900 lm·s"}, {
        "light": ("800 lm·s", EMISSION),
    }),
    ("lights.key.source.dial", {"range": "7 stops", "step": "1/10 stop"}, {
        "range": ("8 stops", KIT), "step": ("1/3 stop", KIT),
    }),
    ("lights.key.modifier", {"kind": "bare"}, {
        "efficiency": (0.5, EMISSION), "bulb_diameter": ("5 cm", GEOMETRY), "head": ("13 cm", GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "reflector", "grid": "30°"}, {
        "efficiency": (0.5, EMISSION), "diameter": ("20 cm", GEOMETRY), "beam": ("60°", EMISSION),
        "grid": ("10°", EMISSION), "barn_doors": (DOORS, GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "snoot"}, {
        "efficiency": (0.5, EMISSION), "length": ("25 cm", GEOMETRY), "diameter": ("8 cm", GEOMETRY),
        "grid": ("20°", EMISSION),
    }),
    ("lights.key.modifier", {"kind": "beauty dish"}, {
        "efficiency": (0.5, EMISSION), "diameter": ("60 cm", GEOMETRY), "grid": ("25°", EMISSION),
        "sock": (True, EMISSION),
    }),
    ("lights.key.modifier", {"kind": "softbox", "width": "90 cm", "height": "120 cm"}, {
        **BOX, "width": ("80 cm", GEOMETRY), "height": ("110 cm", GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "strip", "width": "30 cm", "height": "120 cm"}, {
        **BOX, "width": ("40 cm", GEOMETRY), "height": ("110 cm", GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "octabox", "diameter": "120 cm"}, {
        **BOX, "recess": ("5 cm", EMISSION), "diameter": ("90 cm", GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "umbrella", "diameter": "105 cm"}, {
        "efficiency": (0.5, EMISSION), "diameter": ("90 cm", GEOMETRY), "surface": ("silver", EMISSION),
    }),
    ("lights.key.modifier", {"kind": "shoot-through", "diameter": "105 cm"}, {
        "efficiency": (0.5, EMISSION), "diameter": ("90 cm", GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "covered umbrella", "diameter": "105 cm"}, {
        "efficiency": (0.5, EMISSION), "diameter": ("90 cm", GEOMETRY), "surface": ("silver", EMISSION),
    }),
    ("lights.key.modifier", {"kind": "spot", "beam": "20°"}, {
        "efficiency": (0.5, EMISSION), "lens": ("10 cm", GEOMETRY), "beam": ("30°", EMISSION),
        "barn_doors": (DOORS, GEOMETRY),
    }),
    ("lights.key.modifier", {"kind": "reflector", "barn_doors": DOORS}, {
        f"barn_doors.{leaf}": ({**DOORS, leaf: "50°"}, GEOMETRY) for leaf in DOORS
    }),
    ("room", {"size": {"width": "9 m", "height": "4 m", "length": "12 m"}}, {
        "size.width": ({"width": "9.1 m", "height": "4 m", "length": "12 m"}, GEOMETRY),
        "size.height": ({"width": "9 m", "height": "4.1 m", "length": "12 m"}, GEOMETRY),
        "size.length": ({"width": "9 m", "height": "4 m", "length": "12.1 m"}, GEOMETRY),
        "front": ("8 m", GEOMETRY), "walls": (0.1, GEOMETRY), "ceiling": (0.1, GEOMETRY), "floor": (0.1, GEOMETRY),
    }),
    ("room", {"kind": "outdoors"}, {"ground": (0.1, GEOMETRY)}),
    ("camera", {"place": {"at": ["0 m", "1.4 m", "4 m"]}, "focal_length": "85 mm", "aperture": "f/8",
                "shutter": "1/160 s"}, {
        "place": ({"at": ["0 m", "1.5 m", "4 m"]}, GEOMETRY), "aim": ("chest", GEOMETRY),
        "focal_length": ("100 mm", GEOMETRY), "sensor": ({"width": "30 mm"}, GEOMETRY),
        "orientation": ("landscape", GEOMETRY), "aperture": ("f/11", GEOMETRY), "shutter": ("1/125 s", DIAL),
        "sync": ("1/250 s", DIAL), "iso": (200, DIAL), "focus": ("4 m", GEOMETRY), "white_balance": ("5000 K", DIAL),
    }),
    ("camera.sensor", {"width": "36 mm", "height": "24 mm"}, {
        "width": ("35 mm", GEOMETRY), "height": ("23 mm", GEOMETRY),
    }),
    ("sitter", {"figure": "simple"}, {
        "figure": ("woman", GEOMETRY), "stature": ("1.7 m", GEOMETRY), "step": (["0.1 m", "0 m"], GEOMETRY),
        "turn": ("10°", GEOMETRY), "head": ({"turn": "5°"}, GEOMETRY), "eyes": ("ahead", GEOMETRY),
        "skin": ("light", GEOMETRY), "hair": ({"color": "blonde"}, GEOMETRY),
        "clothing": ({"color": "#882222"}, GEOMETRY),
    }),
    ("sitter", {"figure": "woman"}, {
        "arms": ("hand on hip", GEOMETRY), "posture": ("seated", GEOMETRY), "prop": ("viola", GEOMETRY),
        "hair.style": ({"style": "cropped"}, GEOMETRY), "clothing.style": ({"style": "dark suit"}, GEOMETRY),
    }),
    ("sitter.figure", {"file": "one.obj", "parts": {"a": "face"}}, {
        "file": ("other.obj", GEOMETRY), "unit": ("cm", GEOMETRY), "parts": ({"a": "gown"}, GEOMETRY),
    }),
    ("sitter.head", {}, {"turn": ("5°", GEOMETRY), "nod": ("5°", GEOMETRY), "tilt": ("5°", GEOMETRY)}),
    ("sitter.hair", {"style": "swept up", "color": "brown"}, {
        "style": ("short bob", GEOMETRY), "color": ("grey", GEOMETRY),
    }),
    ("sitter.clothing", {"style": "velvet gown"}, {
        "style": ("satin gown", GEOMETRY), "color": ("#882222", GEOMETRY),
    }),
    ("sitter.skin", {"reflectance": [0.4, 0.3, 0.2]}, {"reflectance": ([0.4, 0.3, 0.25], GEOMETRY)}),
    ("sitter.eyes", POINT, {"at": (["0 m", "1 m", "0.6 m"], GEOMETRY)}),
    ("backdrop", {"kind": "canvas", "size": SIZE, "distance": "1.8 m"}, {
        **HUNG, "reflectance": (0.2, GEOMETRY), "contrast": (0.9, GEOMETRY), "patch": ("30 cm", GEOMETRY),
        "color": ("#604020", GEOMETRY), "seed": (9, GEOMETRY),
    }),
    ("backdrop", {"kind": "paper", "size": SIZE, "distance": "1.8 m"}, {
        **HUNG, "reflectance": (0.2, GEOMETRY), "color": ("#604020", GEOMETRY), "bands": (0.05, GEOMETRY),
    }),
    ("backdrop", {"kind": "wall"}, {"reflectance": (0.2, GEOMETRY), "color": ("#604020", GEOMETRY)}),
    ("backdrop", {"kind": "image", "size": SIZE, "distance": "1.8 m", "file": "one.png"}, {
        **HUNG, "file": ("other.png", GEOMETRY), "reflectance": (0.2, GEOMETRY),
    }),
    ("backdrop", {"kind": "none"}, {}),
    ("backdrop.size", SIZE, {"width": ("1.1 m", GEOMETRY), "height": ("2.1 m", GEOMETRY)}),
    ("panels", {}, {"side": ({"kind": "flag", "size": SIZE, "place": PLACE}, GEOMETRY)}),
    ("panels.side", {"kind": "flag", "size": SIZE, "place": PLACE}, BOARD),
    ("panels.side", {"kind": "reflector", "size": SIZE, "place": PLACE}, {**BOARD, "surface": ("gold", GEOMETRY)}),
    ("panels.side", {"kind": "scrim", "size": SIZE, "place": PLACE}, {**ROLLED, "transmission": (0.5, GEOMETRY)}),
    ("panels.side", {"kind": "v-flat", "size": SIZE, "place": PLACE}, {
        **BOARD, "surface": ("black", GEOMETRY), "angle": ("100°", GEOMETRY),
    }),
    ("ambient", [], {"more": ([{"kind": "uniform", "name": "sky", "illuminance": "20 lx"}], GEOMETRY)}),
    ("ambient.0", {"kind": "uniform", "name": "sky", "illuminance": "20 lx"}, {
        "name": ("air", GEOMETRY), "illuminance": ("30 lx", GEOMETRY), "color": ("5000 K", GEOMETRY),
    }),
    ("ambient.0", {"kind": "window", "name": "sky", "size": SIZE, "place": {"at": ["3 m", "1.5 m", "0 m"]},
                   "illuminance": "500 lx"}, {
        **PANEL, "name": ("air", GEOMETRY), "illuminance": ("400 lx", GEOMETRY), "color": ("5000 K", GEOMETRY),
    }),
    ("ambient.0", {"kind": "window", "name": "sky", "size": SIZE, "place": {"at": ["3 m", "1.5 m", "0 m"]},
                   "luminance": "500 cd/m²"}, {"luminance": ("400 cd/m²", GEOMETRY)}),
    ("meters", {}, {"hand": ({"at": "chest"}, GEOMETRY)}),
    ("meters.hand", {"at": "chest"}, {
        "at": ("gown", GEOMETRY), "kind": ("flat", GEOMETRY), "facing": ("key", GEOMETRY),
    }),
    ("meters.hand", {"at": "chest", "facing": {"bearing": "40°"}}, {
        "facing.bearing": ({"bearing": "50°"}, GEOMETRY), "facing.tilt": ({"bearing": "40°", "tilt": "10°"}, GEOMETRY),
    }),
    ("meters.hand", {"at": "chest", "facing": [0, 0, 1]}, {"facing": ([0, 1, 1], GEOMETRY)}),
    ("render", {}, {"depth": (3, GEOMETRY)}),
]  # fmt: skip
# Words and numbers for people, and the version of the format: no light depends on them.
WORDS = {("Scene", "halfstop"), ("Scene", "title"),
         *((block, "number") for block in ("Light", "UniformAmbient", "WindowPanel"))}  # fmt: skip


def _write_files(folder: Path) -> None:
    """Files that the scenes name, two of each kind that differ."""
    for name, candela in (("one", "100 90 0"), ("other", "100 50 0")):
        lines = ("IESNA:LM-63-2002", "TILT=NONE", "1 -1 1 3 1 1 2 0 0 0", "1 1 100", "0 45 90", "0", candela)
        (folder / f"{name}.ies").write_text("\r\n".join(lines) + "\r\n", "ascii")
        (folder / f"{name}.obj").write_text(f"o a\n# {name}\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "ascii")
        Image.new("RGB", (4, 4), (90, len(name), 40)).save(folder / f"{name}.png")


def _placed(tree: object, path: list[str], value: object) -> object:
    """A scene's tree with a value at a key path."""
    if not path:
        return value
    if isinstance(tree, list):
        return [_placed(tree[0] if tree else {}, path[1:], value)]
    assert isinstance(tree, dict)
    return {**tree, path[0]: _placed(tree.get(path[0], {}), path[1:], value)}


def _study(folder: Path, where: str, block: object, changes: dict[str, Change]) -> list[Variation]:
    """The block as it is, and with one key changed after the other, as variations of one study."""
    _write_files(folder)
    path = where.split(".")
    (folder / "set.yaml").write_text(json.dumps(_placed(SCENE, path, block), ensure_ascii=False), "utf-8")
    values = [block]
    for key, (value, _) in changes.items():
        values.append({**block, key.split(".")[0]: value} if isinstance(block, dict) else value)
    # A list goes as a whole: an axis names its key.
    if path[0] == "ambient" and len(path) > 1:
        path, values = path[:1], [[value] for value in values]
    study = {
        "halfstop_study": 1, "title": "One key after the other", "scene": "set.yaml", "size": 24, "samples": 4,
        "axes": [{"key": ".".join(path), "name": "what", "values": values}],
    }  # fmt: skip
    (folder / "study.yaml").write_text(json.dumps(study, ensure_ascii=False), "utf-8")
    loaded = load_study(folder / "study.yaml")
    return variations_of(loaded, request_for(loaded, maker(engine_in_use().variant)))


def _titles() -> list[str]:
    return [f"{where} {block.get('kind', '') if isinstance(block, dict) else ''}".strip() for where, block, _ in BLOCKS]


@pytest.mark.parametrize(("where", "block", "changes"), BLOCKS, ids=_titles())
def test_every_key_that_light_depends_on_gives_a_name_of_its_own(
    tmp_path: Path, where: str, block: object, changes: dict[str, Change]
) -> None:
    base, *others = _study(tmp_path, where, block, changes)
    assert base.refused == "" and [other.refused for other in others] == [""] * len(changes)
    seen = {base.id: "as it is"}
    for (key, (_, effect)), other in zip(changes.items(), others, strict=True):
        if effect == KIT:
            # What the kit takes from the mains, and how its dial turns, shows in no picture and no reading.
            assert (other.id, other.group, other.emissions) == (base.id, base.group, base.emissions), key
            continue
        assert other.id not in seen, f"{where}: {key} changed is called the same as {seen.get(other.id)}"
        seen[other.id] = key
        assert (other.group != base.group) == (effect == GEOMETRY), key
        if effect != GEOMETRY:
            assert (other.emissions[0] != base.emissions[0]) == (effect == EMISSION), key
        if where.startswith("lights.key"):
            assert other.emissions[1] == base.emissions[1], key


# -- nothing of the model is left out --------------------------------------------------------------


def _blocks_in(annotation: object) -> set[type[Block]]:
    """Blocks that a field may hold, however deep in unions, tuples and annotations."""
    if isinstance(annotation, type) and issubclass(annotation, Block):
        return {annotation}
    if isinstance(annotation, UnionType) or typing.get_origin(annotation) is not None:
        return {block for inner in typing.get_args(annotation) for block in _blocks_in(inner)}
    return set()


def _all_blocks(start: type[Block]) -> set[type[Block]]:
    met, todo = set[type[Block]](), [start]
    while todo:
        block = todo.pop()
        if block not in met:
            met.add(block)
            todo += [inner for field in block.model_fields.values() for inner in _blocks_in(field.annotation)]
    return met


def _differences(one: object, other: object) -> set[tuple[str, str]]:
    """Fields in which two values of a scene differ, as the block's class and the key."""
    if isinstance(one, BaseModel) and type(one) is type(other):
        names = {name: field.alias or name for name, field in type(one).model_fields.items()}
        below = {
            pair for name in names for pair in _differences(getattr(one, name), getattr(other, name))
        }  # fmt: skip
        return below | {
            (type(one).__name__, key) for name, key in names.items() if getattr(one, name) != getattr(other, name)
        }
    if isinstance(one, dict) and isinstance(other, dict):
        return {pair for key in one if key in other for pair in _differences(one[key], other[key])}
    if isinstance(one, tuple) and isinstance(other, tuple):
        return {pair for a, b in zip(one, other, strict=False) for pair in _differences(a, b)}
    return set()


def test_every_key_of_the_model_is_varied_above(tmp_path: Path) -> None:
    varied = set[tuple[str, str]]()
    for number, (where, block, changes) in enumerate(BLOCKS):
        folder = tmp_path / str(number)
        folder.mkdir()
        scenes = [scene_from_text(v.text, "set.yaml", folder) for v in _study(folder, where, block, changes)]
        varied |= {pair for one in scenes for other in scenes for pair in _differences(one, other)}
    wanted = {
        (block.__name__, field.alias or name)
        for block in _all_blocks(Scene)
        for name, field in block.model_fields.items()
        # A kind of its own is another block: which one it is shows in the field that holds it.
        if not (name == "kind" and typing.get_origin(field.annotation) is typing.Literal)
    }
    assert wanted - varied == WORDS
