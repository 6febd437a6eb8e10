"""Housings as simple solids, so that a light blocks and bounces other lights.

Frame: the light's own, metres, z forward, the luminous face at z = 0.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Shape = Literal["box", "cylinder", "cone", "cap", "quad"]
Point = tuple[float, float, float]

BLACK = 0.04  # black cloth or paint; common practice, no source
GREY = 0.3  # painted metal; common practice, no source
WHITE = 0.8  # white cloth; common practice, no source


@dataclass(frozen=True)
class Body:
    """One solid of a housing.

    shape and sizes_m (metres):
        box: (x, y, z), offset_m = its centre. cylinder: (diameter, length), axis z, offset_m = its centre.
        cone: (front diameter, back diameter, length), axis z, front toward +z, offset_m = its centre.
        cap: (rim diameter, depth), a thin bowl, concave side toward +z, offset_m = centre of the rim.
        quad: no sizes; a thin flat plate with four corners_m in order.
    reflectance: diffuse, 0 to 0.95, both sides of thin shapes.
    """

    shape: Shape
    sizes_m: tuple[float, ...] = ()
    offset_m: Point = (0.0, 0.0, 0.0)
    reflectance: float = BLACK
    corners_m: tuple[Point, ...] = ()


def head_behind(z_m: float, diameter_m: float = 0.13, length_m: float = 0.3) -> Body:
    """Return a lamp head whose front is at z_m, reaching back."""
    return Body("cylinder", (diameter_m, length_m), (0.0, 0.0, z_m - length_m / 2), BLACK)


def rod_behind(z_m: float, diameter_m: float, length_m: float = 0.3) -> Body:
    """Return the thin rod that holds a bulb without a head, its front at z_m, reaching back as far as a head does."""
    return Body("cylinder", (diameter_m, length_m), (0.0, 0.0, z_m - length_m / 2), BLACK)


def front_m(body: Iterable[Body]) -> float:
    """Return how far forward (z) the frontmost solid reaches, 0 for no solid."""
    reach = 0.0
    for solid in body:
        if solid.shape == "quad":
            reach = max(reach, *(corner[2] for corner in solid.corners_m))
        elif solid.shape == "cap":
            reach = max(reach, solid.offset_m[2])
        else:
            reach = max(reach, solid.offset_m[2] + solid.sizes_m[-1] / 2)
    return reach
