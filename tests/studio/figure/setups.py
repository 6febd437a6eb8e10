"""Scenes for looking at the sitter: a soft portrait set-up, a hard one, and one that feeds the sequins."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.scene.model import Scene

FLASH = {"kind": "flash", "energy": "400 W·s", "efficacy": "40 lm/W"}


def _light(modifier: dict[str, Any], bearing: float, distance: float, height: float, stops: float, aim: str = "face"):
    return {
        "source": FLASH, "power": f"{stops} stops", "modifier": modifier, "aim": aim,
        "place": {"bearing": f"{bearing} deg", "distance": f"{distance} m", "height": f"{height} m"},
    }  # fmt: skip


SOFT = {
    "key": _light({"kind": "octabox", "diameter": "120 cm"}, -40, 1.7, 2.05, -0.6),
    "fill": _light({"kind": "covered umbrella", "diameter": "150 cm", "surface": "white"}, 15, 3.2, 2.1, -2.2, "chest"),
    "rim": _light({"kind": "strip", "width": "30 cm", "height": "120 cm", "grid": "40 deg"}, 140, 1.9, 2.0, -2.0),
}
HARD = {
    "key": _light({"kind": "beauty dish", "diameter": "55 cm"}, 35, 1.6, 2.25, -1.2),
    "kick": _light(
        {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "20 deg"}, -140, 2.0, 2.1, -1.8
    ),
    "wash": _light({"kind": "reflector", "diameter": "18 cm", "beam": "65 deg"}, -125, 2.2, 1.6, -2.6, "backdrop head"),
}
GOWN = {
    "key": _light({"kind": "softbox", "width": "90 cm", "height": "120 cm", "grid": "40 deg"}, -100, 1.6, 1.9, 0),
    "fill": _light({"kind": "covered umbrella", "diameter": "150 cm", "surface": "white"}, 0, 4.4, 2.3, -1.0, "gown"),
}


def scene(sitter: dict[str, Any], lights: dict[str, Any], aim: str = "chest", lens_mm: float = 85, away_m: float = 4.0,
          height_m: float = 1.4, f_stop: float = 8) -> Scene:  # fmt: skip
    """A sitter before a mottled canvas, upright picture."""
    camera = {"place": {"at": ["0 m", f"{height_m} m", f"{away_m} m"]}, "aim": aim, "focus": "near eye",
              "focal_length": f"{lens_mm} mm", "aperture": f"f/{f_stop}", "shutter": "1/160 s"}  # fmt: skip
    room = {"size": {"width": "6 m", "height": "3.6 m", "length": "9 m"}, "walls": 0.15, "ceiling": 0.2, "floor": 0.15}
    backdrop = {"kind": "canvas", "size": {"width": "3 m", "height": "3.4 m"}, "distance": "2.2 m"}
    return Scene.model_validate({"halfstop": 1, "title": "gallery", "room": room, "camera": camera, "sitter": sitter,
                                 "lights": lights, "backdrop": backdrop})  # fmt: skip


GOWN_SCENE = scene({"figure": "woman", "turn": "5 deg", "eyes": "camera"}, GOWN, aim="gown", away_m=4.4, lens_mm=70)


def traced(scene: Scene, size: tuple[int, int], samples: int, depth: int = 5) -> tuple[Any, Any, Any]:
    """Layout, mix and light stack of a scene."""
    from sim.light.mix import mix_from_scene
    from sim.render.stage.build import build
    from sim.render.transport.render import render
    from sim.studio.layout import layout_from_scene

    layout = layout_from_scene(scene)
    stack = render(build(scene, layout), size=size, samples=samples, depth=depth)
    return layout, mix_from_scene(scene, layout), stack


def gown_sparkle(scene: Scene, size: tuple[int, int], samples: int) -> tuple[float, float]:
    """Highlights per cm2 of gown, as seen, with the light `fill` and without it.

    A highlight is a pixel over 4 times the gown's median luminance with every light on, in both counts.
    """
    from sim.quantities import color

    layout, mix, stack = traced(scene, size, samples, depth=4)
    gown = stack.mask("gown")
    weights = mix.weights_rgb(scene.camera.shutter_s)
    layers = color.luminance(stack.pixels[:, gown].astype(float) * weights[:, None, :])
    total = layers.sum(axis=0)
    unlit = total - layers[list(stack.names).index("fill")]
    limit = 4.0 * float(np.median(total))
    pixel = 2.0 * np.tan(np.radians(layout.camera.horizontal_fov_deg) / 2.0) / size[0]
    area_cm2 = float(np.square(100.0 * pixel * stack.distance_m[gown].astype(float)).sum())
    return float((total > limit).sum()) / area_cm2, float((unlit > limit).sum()) / area_cm2
