"""Plain data of a posed sitter: surfaces with their materials, hair strands, and named points on them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

REGIONS = ("face", "hair", "neck", "chest", "arms", "hands", "gown", "suit", "legs", "eyes", "prop")


@dataclass(frozen=True)
class Material:
    """What a surface is made of: a kind and the few numbers that differ between sitters.

    `reflectance_rgb` is linear sRGB in 0..1 (for metals and sequins the colour at normal incidence);
    `roughness` is 0 (mirror) to 1; `sheen` is the strength of grazing-angle fibre light, 0..1.
    Does not: hold textures; per-point colour lives in `Part.color_rgb` and replaces the reflectance.
    """

    kind: str
    reflectance_rgb: tuple[float, float, float]
    roughness: float = 0.5
    sheen: float = 0.0


@dataclass(frozen=True)
class Part:
    """One surface in world metres: points (n, 3), triangles (m, 3), normals (n, 3) or None if flat.

    `color_rgb` (n, 3) is linear reflectance per point or None; `uv` (n, 2) orients combed surfaces.
    """

    name: str
    region: str
    points_m: np.ndarray
    triangles: np.ndarray
    normals: np.ndarray | None
    color_rgb: np.ndarray | None
    material: Material
    uv: np.ndarray | None = None


@dataclass(frozen=True)
class Strands:
    """A set of equal-length polylines (s, k, 3) in world metres with radius (k,) along each."""

    name: str
    region: str
    points_m: np.ndarray
    radius_m: np.ndarray
    material: Material


@dataclass(frozen=True)
class Figure:
    """A posed sitter: parts, strands and anchors (named points on the surface with outward normals)."""

    parts: tuple[Part, ...]
    strands: tuple[Strands, ...]
    anchors_m: dict[str, np.ndarray]
    anchor_normals: dict[str, np.ndarray]
    facing_deg: float = 0.0
    head_facing_deg: float = 0.0
    sizes_m: dict[str, float] = field(default_factory=dict)

    @property
    def triangle_count(self) -> int:
        """Total number of triangles over all parts."""
        return sum(len(part.triangles) for part in self.parts)
