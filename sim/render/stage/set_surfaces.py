"""Surfaces of the set: room, panels, housings and luminous faces as renderer surface descriptions."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.quantities.color import luminance, rgb_from_hex

# Diffuse reflectance and metal tint of panel fronts: common practice, no source.
WHITE_PANEL = 0.9
BLACK_PANEL = 0.03
METAL_RGB = {"silver": (0.85, 0.85, 0.85), "gold": (0.85, 0.66, 0.36)}
METAL_ROUGHNESS = 0.35
SCRIM_TOTAL = 0.9
# No channel of a surface sends back more.
BRIGHTEST = 0.98


def diffuse(reflectance: float, color_hex: str | None = None) -> dict[str, Any]:
    """Matt surface of a luminous `reflectance` 0..1, seen alike from both sides, tinted by a colour's hue.

    Does not: let a channel exceed BRIGHTEST, so a strong hue at high reflectance comes out a little darker.
    """
    rgb = [float(reflectance)] * 3
    if color_hex is not None:
        color = rgb_from_hex(color_hex)
        level = max(float(luminance(color)), 1e-4)
        rgb = [min(float(channel) / level * reflectance, BRIGHTEST) for channel in color]
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": rgb}}}


def bsdf_from_panel(surface: str, transmission: float = 0.0, reflectance: float | None = None) -> dict[str, Any]:
    """Surface of a flag, reflector or v-flat by its colour word, or of a scrim by its transmission 0..1.

    A scrim loses a tenth of the light and scatters the rest to both sides (common practice, no source). `reflectance`
    0..0.95 in place of the surface's own; of metal it is that of the tint, held as `diffuse` holds a hue.
    """
    if transmission > 0:
        total = max(SCRIM_TOTAL, min(transmission, 0.99))
        return {
            "type": "principledthin", "base_color": {"type": "rgb", "value": [total] * 3}, "roughness": 0.9,
            "diff_trans": min(2 * transmission / total, 2.0), "eta": 1.001, "spec_trans": 0.0,
        }  # fmt: skip
    if surface in METAL_RGB:
        rgb = METAL_RGB[surface]
        scale = 1.0 if reflectance is None else reflectance / float(luminance(np.array(rgb)))
        tint = {"type": "rgb", "value": [min(scale * channel, BRIGHTEST) for channel in rgb]}
        metal = {"type": "roughconductor", "material": "none", "specular_reflectance": tint,
                 "alpha": METAL_ROUGHNESS}  # fmt: skip
        back = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [BLACK_PANEL] * 3}}
        return {"type": "twosided", "front": metal, "back": back}
    own = WHITE_PANEL if surface == "white" else BLACK_PANEL
    return diffuse(own if reflectance is None else reflectance)
