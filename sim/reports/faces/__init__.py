"""Small drawings of a face that explain the nose's shadow: one for each pattern, and for broad and short lighting.

    outline    the head: oval, hair, ears, features, from ahead and turned
    shadows    what each pattern leaves dark, and where its lamp stands
    drawing    shapes put together, as SVG and as pixels

The geometry is drawn by hand for this project, in a box of 120 x 132 units with y downward.
"""

from sim.reports.faces.drawing import (
    NAMES,
    drawing,
    picture_from_drawing,
    picture_from_shadow,
    svg_from_drawing,
    svg_from_shadow,
)
from sim.reports.faces.outline import BOX, Shape

__all__ = [
    "BOX", "NAMES", "Shape", "drawing", "picture_from_drawing", "picture_from_shadow", "svg_from_drawing",
    "svg_from_shadow",
]  # fmt: skip
