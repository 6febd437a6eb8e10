"""The small drawings put together, as SVG for pages and as pixels for sheets."""

from __future__ import annotations

from html import escape

from PIL import Image, ImageDraw

from sim.advice.checks.noseshadow import PATTERNS, NoseShadow
from sim.advice.checks.shadow_words import name_from_shadow
from sim.reports.faces.outline import BOX, Shape, features, head, mirrored, turned_features, turned_head
from sim.reports.faces.shadows import LAMPS, lamp, shadows, turned_shadows

# Patterns, and the two sides of a turned head.
NAMES = (*PATTERNS, "broad", "short")
OVERSAMPLED = 4


def drawing(name: str, lit_side: str = "right") -> list[Shape]:
    """The shapes of a drawing from the back to the front.

    Arguments: `name` one of `NAMES`; `lit_side` "left" or "right" in the drawing, where the light comes from.
    """
    light = lamp(LAMPS[name]) if name in LAMPS else []
    if name in ("broad", "short"):
        dark = {"dark_far": name == "broad", "dark_near": name == "short"}
        shapes = [*turned_head(), *turned_shadows(name), *turned_features(**dark), *light]
    elif name == "none":
        # The lamp stands behind the head.
        shapes = [*light, *head(), *shadows(name), *features(dark_left=True, dark_right=True)]
    else:
        dark_left = name in ("split", "triangle")
        shapes = [*head(), *shadows(name), *features(dark_left=dark_left), *light]
    if lit_side == "right":
        return shapes
    return [Shape(mirrored(s.points), s.fill, s.stroke, s.width, s.closed) for s in shapes]


def svg_from_drawing(name: str, lit_side: str = "right", *, title: str = "") -> str:
    """The drawing as an SVG element; `title` is what it shows, for those who do not see it."""
    told = f'role="img" aria-label="{escape(title)}"' if title else 'aria-hidden="true"'
    body = "".join(_svg_from_shape(shape) for shape in drawing(name, lit_side))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="face" {told} viewBox="0 0 {BOX[0]:g} {BOX[1]:g}" '
        f'stroke-linejoin="round" stroke-linecap="round">{body}</svg>'
    )


def _svg_from_shape(shape: Shape) -> str:
    points = " ".join(f"{round(float(x), 1):g},{round(float(y), 1):g}" for x, y in shape.points)
    line = f' stroke="{shape.stroke}" stroke-width="{shape.width:g}"' if shape.stroke else ""
    return f'<{"polygon" if shape.closed else "polyline"} points="{points}" fill="{shape.fill or "none"}"{line}/>'


def picture_from_drawing(name: str, height_px: int, lit_side: str = "right") -> Image.Image:
    """The drawing as an RGBA picture of a height, clear where nothing is drawn."""
    scale = OVERSAMPLED * height_px / BOX[1]
    size = round(BOX[0] * scale), round(BOX[1] * scale)
    image = Image.new("RGBA", size)
    draw = ImageDraw.Draw(image)
    for shape in drawing(name, lit_side):
        points = [(float(x), float(y)) for x, y in scale * shape.points]
        if shape.fill:
            draw.polygon(points, fill=shape.fill)
        if shape.stroke:
            path = [*points, points[0]] if shape.closed else points
            width = max(1, round(scale * shape.width))
            draw.line(path, fill=shape.stroke, width=width, joint="curve")
            for x, y in () if shape.closed else (points[0], points[-1]):
                reach = width / 2
                draw.ellipse((x - reach, y - reach, x + reach, y + reach), fill=shape.stroke)
    width_px = round(BOX[0] * height_px / BOX[1])
    return image.resize((width_px, height_px), Image.Resampling.LANCZOS)


def svg_from_shadow(shadow: NoseShadow) -> str:
    """The pattern of a shadow, lit from its own side."""
    return svg_from_drawing(shadow.pattern, shadow.lit_side, title=name_from_shadow(shadow))


def picture_from_shadow(shadow: NoseShadow, height_px: int) -> Image.Image:
    """The same as pixels, see `picture_from_drawing`."""
    return picture_from_drawing(shadow.pattern, height_px, shadow.lit_side)
