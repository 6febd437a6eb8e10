"""A drawing of both eyes as the camera sees them, with the lights mirrored in them at their place and size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from PIL import Image, ImageDraw

from sim.reports.sheets.lettering import Color, fitted, write
from sim.reports.sheets.page import BODY, GROUND, INK, LABEL, NAME, QUIET

if TYPE_CHECKING:
    from sim.advice.checks.catchlights import Catchlight

WIDTH, HEIGHT = 1080, 600
EYE_PX, LIST_TOP, LEADING = 330, 440, 24
WHITE_OF_EYE: Color = (120, 118, 116)
IRIS: Color = (62, 54, 50)
PUPIL: Color = (14, 14, 15)
IRIS_MM, PUPIL_MM = 11.7, 4.0
# A light this many stops over grey is drawn white, one this much under it as dark as the iris.
WHITE_STOPS, DARK_STOPS = 2.5, -3.0


def eyes_sheet(title: str, catchlights: Sequence[Catchlight]) -> Image.Image:
    """Draw each iris with the outlines of its catchlights, brighter ones lighter, and list them below.

    Does not: draw lids, or the sitter's own iris colour; the pupil is drawn 4 mm wide.
    """
    image = Image.new("RGB", (WIDTH, HEIGHT), GROUND)
    draw = ImageDraw.Draw(image)
    write(draw, 40, 52, fitted(title, NAME, WIDTH - 80), NAME, INK)
    for index, eye in enumerate(("left eye", "right eye")):
        here = [light for light in catchlights if light.eye == eye]
        centre_x, centre_y = WIDTH * (1 + 2 * index) / 4, 80 + EYE_PX / 2
        per_mm = EYE_PX / (IRIS_MM + 1.0)
        for diameter_mm, ink in ((IRIS_MM + 1.0, WHITE_OF_EYE), (IRIS_MM, IRIS), (PUPIL_MM, PUPIL)):
            reach = diameter_mm / 2 * per_mm
            draw.ellipse((centre_x - reach, centre_y - reach, centre_x + reach, centre_y + reach), fill=ink)
        # Draw the brightest last, on top.
        for light in reversed(here):
            points = [(centre_x + x * per_mm, centre_y - y * per_mm) for x, y in light.outline_mm]
            share = min(max((light.from_grey_stops - DARK_STOPS) / (WHITE_STOPS - DARK_STOPS), 0.0), 1.0)
            ink = (round(70 + 185 * share), round(66 + 189 * share), round(62 + 193 * share))
            if len(points) > 2:
                draw.polygon(points, fill=ink, outline=INK)
        left = WIDTH * index / 2 + 40
        write(draw, left, LIST_TOP, f"{eye} (camera {eye.split()[0]})", LABEL, QUIET)
        for row, light in enumerate(here[:5], start=1):
            where = f"{light.clock} o'clock" if light.clock else "middle"
            text = f"{light.light}: {where}, {light.width_mm:.1f} x {light.height_mm:.1f} mm"
            write(draw, left, LIST_TOP + LEADING * row, fitted(text, BODY, WIDTH / 2 - 80), BODY, INK)
        if not here:
            write(draw, left, LIST_TOP + LEADING, "no light shows", BODY, INK)
    return image
