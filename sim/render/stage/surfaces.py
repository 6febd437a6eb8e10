"""Materials of sitter and set as renderer surface descriptions (plain dictionaries)."""

from __future__ import annotations

from typing import Any

from sim.studio.figure.parts import Material

# Fresh white cotton and the palest skin stay below this (common practice, no source).
PALEST = 0.72


def bsdf_from_material(material: Material, vertex_color: bool) -> dict[str, Any]:
    """Surface description for a material; `vertex_color` reads the colour from that mesh attribute.

    Skin is a diffusion approximation: the flattened Hanrahan-Krueger lobe of the principled model (Burley,
    "Physically-based shading at Disney", SIGGRAPH course 2012) softens the terminator. All are two-sided.
    Cloth and skin are held to PALEST, since the layered model adds gloss and sheen to its base colour and would
    otherwise send back more light than it gets at grazing view.
    Does not: scatter light below the surface from one point to another.
    """
    color: dict[str, Any] = {"type": "rgb", "value": [min(float(c), PALEST) for c in material.reflectance_rgb]}
    if vertex_color:
        color = {"type": "mesh_attribute", "name": "vertex_color"}
    inner = _inner_bsdf(material, color)
    return {"type": "twosided", "bsdf": inner}


def _inner_bsdf(material: Material, color: dict[str, Any]) -> dict[str, Any]:
    principled = {"type": "principled", "base_color": color, "roughness": material.roughness}
    match material.kind:
        case "skin" | "lip":
            # Refractive index 1.4 of the skin surface gives F0 = 0.028, that is specular = F0 / 0.08 = 0.35.
            return {**principled, "specular": 0.35, "flatness": 0.7, "sheen": material.sheen}
        case "hair":
            return {**principled, "specular": 0.6, "spec_tint": 0.3}
        case "matt" | "velvet":
            return {**principled, "specular": 0.1, "sheen": material.sheen, "sheen_tint": 0.5}
        case "satin":
            return {**principled, "specular": 0.45, "spec_tint": 0.5, "sheen": material.sheen}
        case "sequin":
            tint = {"type": "rgb", "value": [float(c) for c in material.reflectance_rgb]}
            return {"type": "roughconductor", "material": "none", "specular_reflectance": tint,
                    "alpha": material.roughness**2}  # fmt: skip
        case "sclera" | "iris":
            return {**principled, "specular": 0.35}
        case "wood" | "belt":
            return {**principled, "specular": 0.5, "clearcoat": 0.6, "clearcoat_gloss": 0.8}
        case _:
            return {"type": "diffuse", "reflectance": color}
