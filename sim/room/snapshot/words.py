"""Lamps, places and sizes in a photographer's words."""

from __future__ import annotations

import math

import numpy as np

from sim.quantities import units
from sim.reports.plan.facts import bearing_deg_from_point
from sim.room.protocol.scene_view import JsonBlock
from sim.scene import model


def source_text(source: model.Source) -> str:
    """What lamp it is, in a few words.

    >>> source_text(model.FlashSource.model_validate({"kind": "flash", "energy": "400 W·s"}))
    'flash, 400 W·s'
    """
    key = {
        "flash": "energy", "continuous": "flux", "measured": "reads", "guide number": "guide_number", "ies": "file",
    }[source.kind]  # fmt: skip
    block: JsonBlock = source.model_dump(mode="json", by_alias=True, exclude_none=True)
    kind = "metered flash" if source.kind == "measured" else "lamp" if source.kind == "ies" else source.kind
    figure = block.get(key) or block.get("illuminance") or block.get("draw") or ""
    return f"{kind}, {figure}" if figure else kind


def place_text(point_m: np.ndarray) -> str:
    """A place in a photographer's words.

    >>> place_text(np.array([-1.0, 1.8, 1.0])), place_text(np.array([0.0, 2.0, -1.5]))
    ('45° to camera left, 1.41 m from the mark, 1.8 m high', 'straight behind, 1.5 m from the mark, 2 m high')
    """
    bearing = round(bearing_deg_from_point(point_m))
    side = "camera right" if bearing > 0 else "camera left"
    said = {0: "straight ahead", 180: "straight behind", -180: "straight behind"}.get(bearing)
    away_m = round(math.hypot(point_m[0], point_m[2]), 2)
    high = units.text_from_length_m(round(float(point_m[1]), 2))
    where = said or f"{abs(bearing)}° to {side}"
    return f"{where}, {units.text_from_length_m(away_m)} from the mark, {high} high"


def size_text(size: model.Size) -> str:
    """A size in centimetres."""
    return f"{units.shortest(round(100 * size.width_m, 1))} x {units.shortest(round(100 * size.height_m, 1))} cm"
