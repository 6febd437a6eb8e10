"""The scene as the page shows it: one message with every place, outline, number and word that it draws.

What its keys mean is told in `sim.room.protocol.scene_view`. Lengths are metres, angles degrees; None stands for what
there is not.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt

from sim.light import finish
from sim.light.develop import SATURATION, SHOULDER_FROM, picture_scale_rgb
from sim.metering import health
from sim.metering.points import CONSTANT_C
from sim.quantities import color, photometry, units
from sim.quantities.plain import Tree
from sim.reports.handout.page import (
    BALANCE_FIRST_K,
    BALANCE_LAST_K,
    BALANCE_STEP_K,
    FILTER_WORDS,
)
from sim.reports.plan.caution_words import DEFER
from sim.reports.plan.extent import busy_part
from sim.room.document.scene_document import SceneDocument
from sim.room.protocol.scene_choices import FieldChoice
from sim.room.protocol.scene_view import (
    BackdropView,
    CameraView,
    Developing,
    DocumentView,
    Exposure,
    MeterView,
    PanelView,
    Points,
    RoomView,
    SitterView,
)
from sim.room.snapshot.choices import choices, fields_from_block
from sim.room.snapshot.light_view import lights_from_placements
from sim.room.snapshot.placement_cache import Placed, SitterShape, panel_outlines, rounded
from sim.room.snapshot.rows import block_data, exact_row, row, target_data
from sim.room.snapshot.words import place_text, size_text
from sim.scene.model import Camera, Scene
from sim.scene.model.checks import scene_warnings
from sim.scene.model.places import Around
from sim.scene.text import data_from_text
from sim.studio.layout import Layout

# Open ground that is drawn around a set, so that there is somewhere to drag things to.
GROUND_AROUND_M = 2.0
Metres = npt.NDArray[np.float64]


def view_from_document(document: SceneDocument, placed: Placed, *, tour: bool = False) -> DocumentView:
    """What the page shows of a document and its placements; `tour` whether to offer the first-run tour."""
    scene = placed.scene
    data = data_from_text(document.text)
    return {
        "type": "state",
        "revision": document.revision,
        "geometry": placed.geometry,
        "file": str(document.path),
        "title": scene.title,
        "saved": document.saved,
        "can_undo": document.can_undo,
        "can_redo": document.can_redo,
        "undo_text": document.undo_text,
        "redo_text": document.redo_text,
        "trouble": document.trouble,
        "tour": tour,
        "safety": DEFER,
        "exposure": _exposure(scene.camera, document.disk_scene.camera),
        "camera": _camera(scene, placed.layout),
        "room": _room(scene, placed.layout),
        "backdrop": _backdrop(scene),
        "sitter": _sitter(scene, placed.layout, placed.sitter_shape),
        "lights": lights_from_placements(placed, data),
        "panels": _panels(scene, placed.layout, data),
        "meters": _meters(scene, placed.layout),
        "choices": {
            **choices(),
            "room": fields_from_block(type(scene.room)),
            "backdrop": _fields_of_backdrop(scene.backdrop.kind),
        },
        "warnings": [{"level": "caution", "text": text, "warned": [], "lights": []} for text in scene_warnings(scene)],
    }


def _room(scene: Scene, layout: Layout) -> RoomView:
    """The room's corners; outdoors those of the ground that is drawn."""
    low, high = busy_part(layout, GROUND_AROUND_M) if layout.is_open else (layout.room_low_m, layout.room_high_m)
    return {"low_m": row(low, 4), "high_m": row(high, 4), "open": layout.is_open, "block": block_data(scene.room)}


# -- camera -----------------------------------------------------------------------------------


def _exposure(camera: Camera, saved: Camera) -> Exposure:
    scale = photometry.display_scale(camera.f_number, camera.iso)
    before = photometry.display_scale(saved.f_number, saved.iso)
    return {
        "aperture": units.text_from_f_number(camera.f_number),
        "shutter": units.text_from_time_s(camera.shutter_s),
        "iso": units.shortest(camera.iso),
        "f_number": camera.f_number,
        "shutter_s": camera.shutter_s,
        "iso_value": camera.iso,
        "white_balance_K": camera.white_balance_K,
        "stops_from_file": round(math.log2(scale / before), 6) + 0.0,
        "display_scale": scale,
        "white_balance_rgb": exact_row(color.white_balance_weights(camera.white_balance_K)),
        "grey_scale": exact_row(picture_scale_rgb(camera)),
        **_developing(),
    }


@cache
def _developing() -> Developing:
    """Constants of the picture that no scene changes."""
    temperatures = range(BALANCE_FIRST_K, BALANCE_LAST_K + 1, BALANCE_STEP_K)
    return {
        "luminance": list(color.LUMINANCE_WEIGHTS),
        "curve": {"shoulder": SHOULDER_FROM, "saturation": SATURATION, "grey": photometry.MIDDLE_GREY},
        "filters": [
            {"name": name, "title": title, "rgb": list(finish.channel_mix(name))}
            for name, title in FILTER_WORDS.items()
        ],
        "bands": [
            {
                "from_stops": band.from_stops if math.isfinite(band.from_stops) else None,
                "label": band.label,
                "colour": band.color_hex,
            }
            for band in health.bands()
        ],
        "balance": {
            "first_K": BALANCE_FIRST_K,
            "step_K": BALANCE_STEP_K,
            "rgb": [exact_row(color.white_balance_weights(float(t))) for t in temperatures],
        },
        "constants": {**CONSTANT_C, "spot": photometry.REFLECTED_CONSTANT_K},
    }


def _camera(scene: Scene, layout: Layout) -> CameraView:
    camera, view = scene.camera, layout.camera
    width_m, height_m = camera.picture_m
    return {
        "position_m": row(view.position_m),
        "aim_m": row(view.aim_m),
        "aim": target_data(camera.aim),
        "around": isinstance(camera.place, Around),
        "up": row(view.axes[1]),
        "focal_length_mm": round(1000 * camera.focal_length_m, 4),
        "sensor_mm": [round(1000 * width_m, 4), round(1000 * height_m, 4)],
        "orientation": camera.orientation,
        "fov_deg": [round(_view_deg(side_m, camera.focal_length_m), 4) for side_m in (width_m, height_m)],
        "aspect": view.aspect,
        "focus_m": row(view.focus_m),
        "focus_distance_m": round(view.focus_distance_m, 4),
        "f_number": camera.f_number,
        "block": block_data(camera),
        "texts": {
            "lens": f"{units.shortest(round(1000 * camera.focal_length_m, 1))} mm",
            "place": place_text(np.asarray(view.position_m)),
            "focus": camera.focus_part or units.text_from_length_m(view.focus_distance_m),
        },
        "movable": True,
    }


def _view_deg(side_m: float, focal_length_m: float) -> float:
    return math.degrees(2 * math.atan(side_m / (2 * focal_length_m)))


def _backdrop(scene: Scene) -> BackdropView | None:
    plane, backdrop = scene.backdrop_plane_m, scene.backdrop
    if plane is None:
        return None
    (x, y, z), width_m, height_m = plane
    size = f"{units.text_from_length_m(width_m)} x {units.text_from_length_m(height_m)}"
    hung = hasattr(backdrop, "distance_m")
    return {
        "kind": backdrop.kind,
        "z_m": round(z, 4) + 0.0,
        "centre_m": row((x, y, z)),
        "width_m": width_m,
        "height_m": height_m,
        "color": getattr(backdrop, "color", None),
        "text": f"{backdrop.kind} {size}, {units.text_from_length_m(-z)} behind the mark",
        "block": block_data(backdrop),
        "movable": hung,
        "hint": "" if hung else "The wall stands where the room ends.",
    }


@cache
def _fields_of_backdrop(kind: str) -> list[FieldChoice]:
    return next((each["fields"] for each in choices()["backdrop_kinds"] if each["kind"] == kind), [])


# -- the sitter -------------------------------------------------------------------------------


def _sitter(scene: Scene, layout: Layout, shape: SitterShape) -> SitterView:
    sitter = scene.sitter
    c, s = math.cos(math.radians(sitter.turn_deg)), math.sin(math.radians(sitter.turn_deg))
    turn, step = np.array([[c, s], [-s, c]]), np.array(sitter.step_m)

    def world(points: Metres) -> Metres:
        at_m: Metres = points @ turn.T + step
        return at_m

    rows = [(height_m, world(points)) for height_m, points in shape.rows]
    return {
        "step_m": row(sitter.step_m),
        "turn_deg": sitter.turn_deg,
        "head_turn_deg": sitter.head.turn_deg,
        "head_nod_deg": sitter.head.nod_deg,
        "head_tilt_deg": sitter.head.tilt_deg,
        "stature_m": layout.figure.sizes_m.get("stature"),
        "posture": sitter.posture,
        "outline_top": [rounded(world(points)) for _, points in shape.tops],
        "outline_names": [name for name, _ in shape.tops],
        "outline_side": [_profile(rows, 1)],
        "outline_front": [_profile(rows, 0)],
        "parts": {name: row(point) for name, point in layout.anchors_m.items()},
        "block": block_data(sitter),
        "texts": {"figure": sitter.figure if isinstance(sitter.figure, str) else sitter.figure.file},
        "movable": True,
    }


def _profile(rows: list[tuple[float, Metres]], axis: int) -> Points:
    """Outline by its width at each height: [across, height] of one side up, of the other down."""
    low = [[float(points[:, axis].min()), height] for height, points in rows]
    high = [[float(points[:, axis].max()), height] for height, points in rows]
    return rounded(np.array(low + high[::-1]))


# -- panels and meters ------------------------------------------------------------------------


def _panels(scene: Scene, layout: Layout, data: Tree) -> list[PanelView]:
    views: list[PanelView] = []
    for index, (name, panel) in enumerate(scene.panels.items()):
        wings = [wing for wing in layout.panels if wing.name == name]
        at_m = np.array(panel.place.position_m)
        shape = panel_outlines(wings, at_m)
        aim_m = layout.anchors_m[panel.aim] if isinstance(panel.aim, str) else np.array(panel.aim.position_m)
        views.append({
            "name": name,
            "index": index,
            "kind": panel.kind,
            "surface": wings[0].surface,
            "transmission": getattr(panel, "transmission", None),
            "angle_deg": getattr(panel, "angle_deg", None),
            "position_m": row(at_m),
            "aim_m": row(aim_m),
            "aim": target_data(panel.aim),
            "around": isinstance(panel.place, Around),
            "width_m": panel.size.width_m,
            "height_m": panel.size.height_m,
            "shape_top": shape.top,
            "shape_side": shape.side,
            "shape_front": shape.front,
            "words": {"kind": f"{panel.kind} {size_text(panel.size)}", "place": place_text(at_m)},
            "block": data["panels"][name],
            "movable": True,
        })  # fmt: skip
    return views


def _meters(scene: Scene, layout: Layout) -> list[MeterView]:
    return [
        {
            "name": name,
            "kind": meter.kind,
            "at": meter.at if isinstance(meter.at, str) else "point",
            "at_m": row(layout.anchors_m[meter.at] if isinstance(meter.at, str) else meter.at.position_m),
            "block": block_data(meter),
        }
        for name, meter in scene.meters.items()
    ]
