"""A stretch of text drawn by the imaging library in a font of this machine, shaped where the library can."""

from __future__ import annotations

from functools import cache

from PIL import Image, ImageDraw, ImageFont, features

from sim.reports.fonts.catalogue import FontFile
from sim.reports.fonts.runs import Run

Color = tuple[int, int, int]

# The one size of colour fonts that hold pictures instead of outlines.
_PICTURE_FONT_PX = 109


@cache
def _shapes() -> bool:
    return bool(features.check("raqm"))


@cache
def _face(font: FontFile, size_px: int) -> tuple[ImageFont.FreeTypeFont, float]:
    """The typeface and the factor from its pixels to those asked for."""
    try:
        return ImageFont.truetype(font.path, size_px, font.index), 1.0
    except OSError:
        return ImageFont.truetype(font.path, _PICTURE_FONT_PX, font.index), size_px / _PICTURE_FONT_PX


def run_width_px(run: Run, size_px: int) -> float:
    """Width of a stretch whose font is one of this machine's."""
    if run.font is None:
        raise ValueError("the stretch is in the shipped typeface")
    face, factor = _face(run.font, size_px)
    if _shapes():
        return float(face.getlength(run.text, direction="rtl" if run.leftward else "ltr")) * factor
    return float(face.getlength(run.drawn)) * factor


def picture_from_run(run: Run, size_px: int, ink: Color) -> tuple[Image.Image, int, int]:
    """The stretch as RGBA, and where its left and top edges lie from the start of the baseline (x, y downward)."""
    if run.font is None:
        raise ValueError("the stretch is in the shipped typeface")
    face, factor = _face(run.font, size_px)
    text = run.text if _shapes() else run.drawn
    direction = ("rtl" if run.leftward else "ltr") if _shapes() else None
    left, top, right, bottom = face.getbbox(text, anchor="ls", direction=direction)
    x, y = int(left) - 1, int(top) - 1
    size = (max(1, int(right) + 1 - x), max(1, int(bottom) + 1 - y))
    picture = Image.new("RGBA", size, (*ink, 0))
    draw = ImageDraw.Draw(picture)
    draw.text(
        (-x, -y), text, font=face, fill=(*ink, 255), anchor="ls", direction=direction, embedded_color=factor != 1.0
    )
    if factor == 1.0:
        return picture, x, y
    shrunk = (max(1, round(size[0] * factor)), max(1, round(size[1] * factor)))
    return picture.resize(shrunk, Image.Resampling.LANCZOS), round(x * factor), round(y * factor)
