"""Random edits of a scene from a seeded script: most that a person could make, and many that nobody should."""

from __future__ import annotations

import random
from typing import Any

from sim.room.document.edits import edits_from_data
from sim.room.document.scene_document import Change, SceneDocument

PARTS = ("face", "chest", "hair", "left shoulder", "backdrop centre", "backdrop head", "nowhere")
LENGTHS = ("50 cm", "1.2 m", "2 ft", "0 m", "-1 m", "1.2", "long", "9 km")
ODD: tuple[Any, ...] = (
    None, True, 3, -1.5, "", "#ffcc88", "1/4", "f/8", "5600 K", [], {}, [1, 2], {"at": [0, 1, 2]}, "x" * 300,
    "a: b # c", "- x", "é ü", "two\nlines", "\ud800", "'\"", {"kind": "flash"}, {"kind": "snoot"}, float("nan"),
    float("inf"), 1e300, [[[[[[[[1]]]]]]]], {"<<": "x"}, "&a", "*a", "!!x", "null", "~", "\x07", "\u2028", "\ufeff",
)  # fmt: skip
MODIFIERS: tuple[dict[str, Any], ...] = (
    {"kind": "bare"}, {"kind": "reflector", "grid": "20°"}, {"kind": "snoot"}, {"kind": "beauty dish", "sock": True},
    {"kind": "softbox", "width": "60 cm", "height": "90 cm"}, {"kind": "octabox", "diameter": "120 cm"},
    {"kind": "umbrella", "diameter": "105 cm", "surface": "silver"}, {"kind": "spot", "beam": "20°"},
    {"kind": "softbox", "width": "9 m", "height": "1 cm"}, {"kind": "lantern"},
)  # fmt: skip


SETTINGS: tuple[tuple[list[Any], tuple[Any, ...]], ...] = (
    (["lights", "*", "power"], ("1/2", "-2.5 stops", "25 %", "full")), (["lights", "*", "mute"], (True, False)),
    (["lights", "*", "gels"], ([{"mired": 60}], [{"nd": "1 stop"}, {"color": "#ff8800"}], [])),
    (["lights", "*", "modifier"], MODIFIERS[:8]), (["lights", "*", "color"], ("3200 K", "#ffd0a0")),
    (["lights", "*", "place", "height"], ("1.9 m", "220 cm", "7 ft")), (["lights", "*", "stand"], ("boom", "none")),
    (["camera", "aperture"], ("f/5.6", "f/8 1/3")), (["camera", "iso"], (100, 400)),
    (["title"], ("Evening", "A: b # c")),
    (["sitter", "skin"], ("light", "deep")), (["sitter", "head", "nod"], ("4°", "-3°")),
    (["room", "walls"], (0.2, 0.8)), (["backdrop", "color"], ("#445566", "#998877")), (["lights", "spare 3"], (
        {"source": {"kind": "continuous", "flux": "8000 lm"}, "place": {"at": ["1 m", "2 m", "2 m"]}},)),
)  # fmt: skip


def applied(document: SceneDocument, edits: Any, merge: str | None = None) -> Change:
    """Do edits that are given as the page sends them."""
    return document.apply(edits_from_data(edits, str(document.path)), merge)


def random_edit(rng: random.Random, names: list[str], points: list[str]) -> Any:
    """One edit for a scene whose lights and meter points have these names; about one in four is invalid."""
    # A set without lights is not for long.
    if not names and rng.random() < 0.5:
        return {"op": "add_light", "name": "key"}
    name = rng.choice(names) if names and rng.random() < 0.9 else rng.choice(("", 7, None, "Key!", "nobody", "camera"))
    fresh = rng.choice(("spare", "spare 2", "rim", "kicker", "key", "Bad Name", "camera"))
    to_m = [round(rng.uniform(-3, 3), 3), round(rng.uniform(-0.1, 3.1), 3), round(rng.uniform(-2.8, 4.8), 3)]
    if rng.random() < 0.05:
        to_m = rng.choice(([1, 2], ["a", 1, 2], None, [1e9, 0, 0], [float("nan")] * 3))
    what: Any = rng.choice(
        (*[["light", name]] * 6, ["panel", 0], ["panel", "canvas flag"], ["camera"], ["sitter"], ["backdrop"],
         ["head"], "key", [], ["light"], None)
    )  # fmt: skip
    light = rng.choice(names) if names else "key"
    any_path: list[Any] = rng.choice(
        (["lights", light, "power"], ["lights", light, "mute"], ["lights", light, "gels"], ["lights", light, "aim"],
         ["lights", light, "modifier"], ["lights", light, "modifier", "grid"], ["lights", light, "color"],
         ["lights", light, "place", "height"], ["lights", light, "stand"], ["lights", light, "gels", 0],
         ["camera", "aperture"], ["camera", "iso"], ["camera", "focal_length"], ["camera", "orientation"],
         ["sitter", "head", "nod"], ["sitter", "skin"], ["sitter", "arms"], ["backdrop", "color"], ["title"],
         ["room", "walls"], ["render"], ["render", "depth"], ["halfstop"], ["lights"], ["nothing"], [], ["title", 3],
         ["meters"], ["panels"], ["ambient"], [0], ["lights", light, "source", "dial", "range"], ["lights", 3], [True])
    )  # fmt: skip
    value: Any = rng.choice((
        rng.choice(ODD), rng.choice(MODIFIERS), rng.choice(LENGTHS), rng.choice(PARTS), rng.random() < 0.5,
        f"-{rng.randint(0, 90) / 10} stops", "1/2", "f/5.6", 200, "85 mm", "portrait", "boom", "20°", 0.4,
        [{"mired": 60}], {"nd": "1 stop"}, "A title",
    ))  # fmt: skip
    op = rng.choice((
        "set", "set", "set", "unset", "move", "move", "move", "aim", "turn", "add_light", "copy_light", "rename_light",
        "remove_light", "pin", "unpin", "dials", "dials", "odd",
    ))  # fmt: skip
    match op:
        case "set" if rng.random() < 0.6:
            path, given = rng.choice(SETTINGS)
            return {"op": "set", "path": [light if part == "*" else part for part in path], "value": rng.choice(given)}
        case "set":
            return {"op": "set", "path": any_path, "value": value}
        case "unset":
            return {"op": "unset", "path": any_path}
        case "move":
            return {"op": "move", "what": what, "to_m": to_m}
        case "aim":
            return {"op": "aim", "what": what, "at": rng.choice((rng.choice(PARTS), to_m, None, 3))}
        case "turn":
            who = rng.choice((["sitter"], ["sitter"], ["head"], ["camera"], None))
            return {"op": "turn", "what": who, "deg": rng.choice((-35, 12.4, 60, 250, float("nan"), "x"))}
        case "add_light":
            place = {"bearing": f"{rng.randint(-180, 180)}°", "distance": "2 m", "height": "2 m"}
            source = {"kind": "flash", "energy": "300 W·s"}
            block = {"source": source, "modifier": rng.choice(MODIFIERS), "place": place}
            return {"op": "add_light", "name": fresh, **({"block": block} if rng.random() < 0.8 else {})}
        case "copy_light":
            return {"op": "copy_light", "name": name, "as": fresh}
        case "rename_light":
            return {"op": "rename_light", "name": name, "to": fresh}
        case "remove_light":
            return {"op": "remove_light", "name": name}
        case "pin":
            given = rng.choice((None, "pin 9", "key side", "Bad!", 4))
            return {"op": "pin", "name": given, "at_m": to_m, "kind": rng.choice(("dome", "spot", "eye"))}
        case "unpin":
            return {"op": "unpin", "name": rng.choice([*points, "nothing", None])}
        case "dials":
            some = rng.sample(names, min(2, len(names)))
            stops = {each: rng.choice((-1.3, 0, -2, -3.27, -5, -1.3, -9.9, 2, "x")) for each in some}
            return {"op": "dials", "stops": rng.choice((stops, stops, stops, stops, {}, {"nobody": 1}, None))}
    return rng.choice(({"op": "explode"}, {}, None, 3, [], {"op": ["set"]}, {"op": "set"}, {"op": "move"}))
