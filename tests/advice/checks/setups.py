"""Small scenes for the checks: a black room, a sitter and a few lights, all from plain numbers."""

from __future__ import annotations

import math
from typing import Any

from sim.scene.model import Scene

FACE_HEIGHT_M = 1.53
FLASH = {"kind": "flash", "energy": "400 W·s"}


def around(side_deg: float, height_deg: float, distance_m: float, centre_m: float = FACE_HEIGHT_M) -> dict[str, str]:
    """A place at a bearing and an elevation about the face of an unturned sitter, as a scene file says it."""
    up = math.radians(height_deg)
    return {
        "bearing": f"{side_deg} deg",
        "distance": f"{distance_m * math.cos(up)} m",
        "height": f"{centre_m + distance_m * math.sin(up)} m",
    }


def light(side_deg: float, height_deg: float, distance_m: float = 1.8, **more: Any) -> dict[str, Any]:
    """A flash on nothing but air, a 40 cm octabox unless said otherwise, aimed at the face."""
    plain = {
        "source": FLASH,
        "modifier": {"kind": "octabox", "diameter": "40 cm"},
        "place": around(side_deg, height_deg, distance_m),
        "aim": "face",
        "stand": "none",
    }
    return {**plain, **more}


def scene_of(lights: dict[str, Any], camera: dict[str, Any] | None = None, **more: Any) -> Scene:
    """A sitter in a black room of 10 x 6 x 12 m with the camera 3 m before the face."""
    plain_camera = {
        "place": {"at": ["0 m", f"{FACE_HEIGHT_M} m", "3 m"]},
        "aim": "face",
        "focal_length": "85 mm",
        "aperture": "f/8",
        "shutter": "1/125 s",
    }
    return Scene.model_validate({
        "halfstop": 1,
        "title": "test",
        "room": {"size": {"width": "10 m", "height": "6 m", "length": "12 m"}, "walls": 0, "ceiling": 0, "floor": 0},
        "camera": {**plain_camera, **(camera or {})},
        "sitter": {"figure": "simple"},
        "lights": lights,
        **more,
    })  # fmt: skip


def staged(scene: Scene) -> Any:
    """The stage of a scene."""
    from sim.render.stage.build import build

    return build(scene)
