"""A scene while a hand moves something in it: the scene that the edit would make, without its text.

A hand sends places at the display's rate. The text is written once, when it lets go; until then the checked scene is
changed in place of the text, with the same rounding and the same checks, so that both are the same scene.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import TypeAdapter, ValidationError

from sim.quantities.errors import SceneError, UnitError, quoted
from sim.quantities.plain import Plain
from sim.room.document.edit_values import angle_text, bearing_text, length_text
from sim.room.document.edits import Aim, Move, Thing, Turn
from sim.scene.model import (
    Camera,
    CanvasBackdrop,
    ImageBackdrop,
    Light,
    PaperBackdrop,
    Place,
    Point,
    Scene,
    Target,
    WindowPanel,
)
from sim.scene.model.block import Block, BlockFault
from sim.scene.model.checks import check_scene
from sim.scene.read import key_text

Pose: TypeAlias = Move | Aim | Turn
Where: TypeAlias = tuple[str | int, ...]
B = TypeVar("B", bound=Block)


def posed_scene(scene: Scene, poses: Sequence[Pose], name: str = "scene") -> Scene:
    """The scene with things where a hand holds them; raises `SceneError` where the edit would be refused.

    Arguments: `poses` in the order they are done; `name` that faults are told of.
    Does not: touch any text, or check anew what no hand moves.
    """
    try:
        for pose in poses:
            scene = _posed(scene, pose)
        check_scene(scene)
    except BlockFault as fault:
        raise SceneError(name, 1, key_text(fault.where), fault.what, fault.expected, fault.cure) from None
    return scene


def _posed(scene: Scene, pose: Pose) -> Scene:
    match pose:
        case Turn(what=("sitter",), deg=deg):
            return _with_sitter(scene, turn_deg=angle_text(deg))
        case Turn(what=("head",), deg=deg):
            head = _changed(scene.sitter.head, ("sitter", "head"), turn_deg=angle_text(deg))
            return scene.model_copy(update={"sitter": scene.sitter.model_copy(update={"head": head})})
        case Move(what=("sitter",), to_m=(x, _, z)):
            return _with_sitter(scene, step_m=[length_text(x), length_text(z)])
        case Move(what=("backdrop",), to_m=(_, _, z)):
            backdrop = scene.backdrop
            if not isinstance(backdrop, CanvasBackdrop | PaperBackdrop | ImageBackdrop):
                raise BlockFault(("backdrop",), "this backdrop hangs nowhere else", "a canvas, paper or picture",
                                 "choose another backdrop")  # fmt: skip
            hung = _changed(backdrop, ("backdrop",), distance_m=length_text(-z))
            return scene.model_copy(update={"backdrop": hung})
        case Move(what=what, to_m=to_m):
            home, block = _home(scene, what)
            return _with(scene, home, _changed(block, home, place=_place_values(block.place, to_m)))
        case Aim(what=what, at=at):
            home, block = _home(scene, what)
            target: Plain = at if isinstance(at, str) else {"at": [length_text(value_m) for value_m in at]}
            return _with(scene, home, _changed(block, home, aim=target))
    raise AssertionError(pose)


def _place_values(before: Place, to_m: Sequence[float]) -> Plain:
    """A point in the form of the scene file, as a place of the kind that it was before."""
    if isinstance(before, Point):
        return {"at": [length_text(value_m) for value_m in to_m]}
    bearing_deg = f"{before.bearing_deg:g}°"
    return {
        "bearing": bearing_text(to_m, bearing_deg),
        "distance": length_text(math.hypot(to_m[0], to_m[2])),
        "height": length_text(to_m[1]),
    }


# -- blocks -----------------------------------------------------------------------------------


def _home(scene: Scene, what: Thing) -> tuple[Where, Any]:
    """Key path of something that has a place and an aim, and its block."""
    match what:
        case ("light", name):
            if name in scene.lights:
                return ("lights", name), scene.lights[name]
            for number, ambient in enumerate(scene.ambient):
                if ambient.name == name and isinstance(ambient, WindowPanel):
                    return ("ambient", number), ambient
        case ("panel", name):
            names = list(scene.panels)
            found = names[name] if isinstance(name, int) and 0 <= name < len(names) else name
            if found in scene.panels:
                return ("panels", str(found)), scene.panels[str(found)]
        case ("camera",):
            return ("camera",), scene.camera
    raise BlockFault((), f"there is no {quoted(' '.join(map(str, what)))} to move", "something on the set",
                     "choose another")  # fmt: skip


def _with(scene: Scene, home: Where, block: Light | Camera | WindowPanel | Block) -> Scene:
    """The scene with another block at a key path."""
    match home:
        case ("camera",):
            return scene.model_copy(update={"camera": block})
        case ("ambient", int(number)):
            ambient = (*scene.ambient[:number], block, *scene.ambient[number + 1 :])
            return scene.model_copy(update={"ambient": ambient})
        case (str(group), name):
            return scene.model_copy(update={group: {**getattr(scene, group), name: block}})
    raise AssertionError(home)


def _with_sitter(scene: Scene, **values: Plain) -> Scene:
    return scene.model_copy(update={"sitter": _changed(scene.sitter, ("sitter",), **values)})


def _changed(block: B, home: Where, **values: Plain) -> B:
    """A block with values in the form of the scene file, each checked as there."""
    checked = {}
    for field, value in values.items():
        try:
            checked[field] = _reader(type(block), field).validate_python(value)
        except ValidationError as error:
            cause = error.errors(include_url=False)[0].get("ctx", {}).get("error")
            if not isinstance(cause, UnitError):
                raise
            inner = cause.where if isinstance(cause, BlockFault) else ()
            key = type(block).model_fields[field].alias or field
            raise BlockFault((*home, key, *inner), cause.what, cause.expected, cause.cure) from None
    return block.model_copy(update=checked)


@cache
def _reader(kind: type[Block], field: str) -> TypeAdapter[Any]:
    """What reads a field of a block from the scene file's form."""
    whole: dict[str, Any] = {"place": Place, "aim": Target}
    info = kind.model_fields[field]
    return TypeAdapter(whole.get(field, Annotated[info.annotation, *info.metadata]))
