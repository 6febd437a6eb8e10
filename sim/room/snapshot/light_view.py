"""The lights as the page shows them: lamps, windows and even light."""

from __future__ import annotations

import numpy as np

from sim.quantities import phrases
from sim.quantities.plain import Tree
from sim.reports.plan.facts import LightFacts
from sim.reports.plan.outlines import face_line_m
from sim.room.protocol.scene_view import LampFields, LightFields, LightView, LightWords, PlaceFields
from sim.room.snapshot.placement_cache import LightShape, Placed
from sim.room.snapshot.rows import block_data, exact_row, row, target_data
from sim.room.snapshot.words import place_text, size_text, source_text
from sim.scene import model
from sim.scene.light_words import even_light_words, gel_words, modifier_words, power_words
from sim.scene.model.places import Around
from sim.scene.numbers import numbers_from_scene

# Inks of the lights by their numbers, dark enough for text on the sheet (4.5 : 1 and more), and any two of them at
# least 11 apart (CIEDE2000), also to eyes without red, green or blue cones.
INKS = (
    "#3048b4", "#cc3c0c", "#187890", "#903cfc", "#846c54", "#9c0000",
    "#242430", "#3c0054", "#6c3c3c", "#0c0c9c", "#543c60", "#480c0c",
)  # fmt: skip
ROOM_INK = "#5d5f66"
NO_PLACE: PlaceFields = {
    "stand": "none", "position_m": None, "aim_m": None, "aim": None, "movable": False,
    "hint": "Even light comes from everywhere and has no place.",
}  # fmt: skip


def lights_from_placements(placed: Placed, data: Tree) -> list[LightView]:
    scene, mix = placed.scene, placed.mix
    weights = mix.only(mix.names).weights_rgb(scene.camera.shutter_s)
    facts = {fact.name: fact for fact in placed.facts}
    ambient = {item.name: (place, item) for place, item in enumerate(scene.ambient)}
    numbers = numbers_from_scene(scene)
    views: list[LightView] = []
    for index, name in enumerate(mix.names):
        light = scene.lights.get(name)
        place, room_light = ambient.get(name, (0, None))
        fields: LightFields = {
            "name": name,
            "number": numbers[name],
            "colour": INKS[(numbers[name] - 1) % len(INKS)] if light else ROOM_INK,
            "is_room": light is None,
            "is_flash": mix.is_flash[index],
            "muted": mix.muted[index],
            "power_stops": mix.dial_stops[index],
            "power_text": phrases.power_short(mix.dial_stops[index]),
            "weight_rgb": exact_row(weights[index]),
            "layer": placed.layers[name],
            "block": data["lights"][name] if light else data["ambient"][place],
        }
        if light is not None:
            where = _place(facts[name], light, placed.light_shapes[name])
            views.append({**fields, **_lamp(light), **where, "words": _lamp_words(light, facts[name])})
        elif isinstance(room_light, model.WindowPanel):
            where = _place(facts[name], room_light, placed.light_shapes[name])
            words: LightWords = {
                "source": "light of the room", "modifier": f"window {size_text(room_light.size)}",
                "place": place_text(facts[name].placed.position_m), "power": "room light",
            }  # fmt: skip
            views.append({**fields, **_no_lamp(room_light.kind), **where, "words": words})
        elif room_light is not None:
            source = "light of the sky" if scene.room.is_open else "light of the room"
            words = {"source": source, "modifier": even_light_words(scene), "place": "", "power": ""}
            views.append({**fields, **_no_lamp(room_light.kind), **NO_PLACE, "words": words})
    return views


def _place(fact: LightFacts, light: model.Light | model.WindowPanel, shape: LightShape) -> PlaceFields:
    at = fact.placed
    across, up = (float(np.linalg.norm(np.diff(face_line_m(at, upright=way), axis=0))) for way in (False, True))
    return {
        "stand": fact.stand,
        "position_m": row(at.position_m),
        "aim_m": row(at.aim_m),
        "aim": target_data(light.aim),
        "movable": True,
        "hint": "",
        "around": isinstance(light.place, Around),
        "bearing_deg": round(fact.bearing_deg, 4) + 0.0,
        "distance_m": round(fact.distance_m, 4),
        "height_m": round(fact.height_m, 4),
        "aim_distance_m": round(fact.aim_distance_m, 4),
        "tilt_deg": round(fact.tilt_deg, 4) + 0.0,
        "azimuth_deg": round(fact.azimuth_deg, 4) + 0.0,
        "beam_deg": [round(fact.beam_across_deg, 2), round(fact.beam_up_deg, 2)],
        "size_m": [round(across, 4), round(up, 4)],
        "shape_top": shape.top,
        "shape_side": shape.side,
        "shape_front": shape.front,
    }


def _no_lamp(kind: str) -> LampFields:
    return {"source": {"kind": "ambient"}, "modifier": {"kind": kind}, "grid": None, "gels": [], "dial": None}


def _lamp(light: model.Light) -> LampFields:
    modifier = block_data(light.modifier)
    dial = light.source.dial
    return {
        "source": block_data(light.source),
        "modifier": modifier,
        "grid": modifier.get("grid"),
        "gels": [block_data(gel) for gel in light.gels],
        "dial": {"lowest_stops": -dial.range_stops, "step_stops": dial.step_stops},
    }


def _lamp_words(light: model.Light, fact: LightFacts) -> LightWords:
    return {
        "source": source_text(light.source), "modifier": modifier_words(light),
        "place": place_text(fact.placed.position_m), "power": power_words(light),
        "gels": ", ".join(map(gel_words, light.gels)),
    }  # fmt: skip
