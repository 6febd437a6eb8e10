"""Lines of type on a PDF page: the PDF's own fonts first, then fonts of this machine, embedded or drawn as a picture.

A stretch that needs no shaping is embedded, so that it can be searched; any other is a picture of it.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from sim.reports.fonts import missing
from sim.reports.fonts.catalogue import FontFile
from sim.reports.fonts.order import clusters
from sim.reports.fonts.picture import Color, picture_from_run, run_width_px
from sim.reports.fonts.runs import BOX_ADVANCE, BOX_HEIGHT, BOX_WIDTH, Run, runs_from_text

FONT, BOLD_FONT = "Helvetica", "Helvetica-Bold"
# Scripts whose letters stand one after another as they are, by the first word of a character's name.
_PLAIN_SCRIPTS = {"LATIN", "GREEK", "CYRILLIC", "ARMENIAN", "GEORGIAN", "CJK", "HIRAGANA", "KATAKANA", "HANGUL"}
_PICTURE_PX = 120  # of a picture per type size: 500 dots an inch and more at the sizes of a plan


def has(char: str) -> bool:
    """Whether the PDF's own fonts hold a character.

    >>> has("\u00e9"), has("\u2212")
    (True, False)
    """
    try:
        char.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def line_width(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of type, in the unit of `size`."""
    return sum(_run_width(run, size, bold) for run in _runs(text, bold))


def draw_line(
    canvas: Canvas, x: float, y: float, text: str, size: float, ink: Color, bold: bool = False, align: float = 0.0
) -> None:
    """Draw a line of type with its baseline at `y` in the colour that is set.

    Arguments: `ink` is that colour, 0 to 255, for what is drawn as a picture; `align` is the part of the width that
    lies left of `x`.
    """
    left = x - align * line_width(text, size, bold)
    for run in _runs(text, bold):
        width = _run_width(run, size, bold)
        if run.boxed:
            _draw_boxes(canvas, left, y, run, size)
        elif (name := _font_name(run, bold)) is not None:
            canvas.setFont(name, size)
            canvas.drawString(left, y, run.drawn)
        else:
            picture, x_px, y_px = picture_from_run(run, _PICTURE_PX, ink)
            unit = size / _PICTURE_PX
            place = left + x_px * unit, y - (y_px + picture.height) * unit
            canvas.drawImage(ImageReader(picture), *place, picture.width * unit, picture.height * unit, mask="auto")
        left += width


class LinesOfType(Flowable):
    """A paragraph with signs that the PDF's own fonts lack: wrapped between words, or within one that is too wide."""

    def __init__(self, text: str, style: ParagraphStyle) -> None:
        super().__init__()
        self.text, self.style = text, style
        self.lines: list[str] = []

    def getSpaceBefore(self) -> float:
        """Room above, in points; part of the page maker's interface."""
        return float(self.style.spaceBefore)

    def getSpaceAfter(self) -> float:
        """Room below, in points; part of the page maker's interface."""
        return float(self.style.spaceAfter)

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Size in points; part of the page maker's interface."""
        self.lines = lines_from_text(self.text, self.style.fontSize, width, self.style.fontName == BOLD_FONT)
        return width, len(self.lines) * self.style.leading

    def draw(self) -> None:
        """Draw the lines; part of the page maker's interface."""
        style, color = self.style, self.style.textColor
        ink = round(255 * color.red), round(255 * color.green), round(255 * color.blue)
        self.canv.setFillColor(color)
        for index, line in enumerate(self.lines):
            y = (len(self.lines) - index) * style.leading - style.fontSize
            draw_line(self.canv, 0, y, line, style.fontSize, ink, style.fontName == BOLD_FONT)


def lines_from_text(text: str, size: float, width: float, bold: bool = False) -> list[str]:
    """The text in lines no wider than `width`.

    >>> lines_from_text("key light", 10.0, 30.0)
    ['key', 'light']
    """
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if line_width(longer, size, bold) <= width:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for sign in clusters(word):
            if lines[-1] and line_width(lines[-1] + sign, size, bold) > width:
                lines.append("")
            lines[-1] += sign
    return lines


@lru_cache(maxsize=4096)
def _runs(text: str, bold: bool) -> tuple[Run, ...]:
    return runs_from_text(text, has, bold)


def _run_width(run: Run, size: float, bold: bool) -> float:
    if run.boxed:
        return BOX_ADVANCE * size * len(clusters(run.text))
    name = _font_name(run, bold)
    if name is None:
        return run_width_px(run, _PICTURE_PX) * size / _PICTURE_PX
    return float(stringWidth(run.drawn, name, size))


def _draw_boxes(canvas: Canvas, x: float, y: float, run: Run, size: float) -> None:
    canvas.saveState()
    canvas.setLineWidth(0.05 * size)
    canvas.setDash([], 0)
    for index, sign in enumerate(clusters(run.text)):
        missing.note(sign)
        left = x + (index * BOX_ADVANCE + 0.5 * (BOX_ADVANCE - BOX_WIDTH)) * size
        canvas.rect(left, y, BOX_WIDTH * size, BOX_HEIGHT * size)
    canvas.restoreState()


def _font_name(run: Run, bold: bool) -> str | None:
    """Name of the PDF font of a stretch; None where it must be a picture."""
    if run.font is None:
        return BOLD_FONT if bold else FONT
    face = None if run.leftward or not all(map(_stands_alone, run.text)) else _embedded(run.font)
    if face is None or any(ord(char) not in face.face.charToGlyph for char in run.text):
        return None
    return str(face.fontName)


@lru_cache(maxsize=4096)
def _stands_alone(char: str) -> bool:
    # The PDF maker's table of text for searching holds 16 bits a sign.
    if unicodedata.category(char)[0] in "MC" or ord(char) > 0xFFFF:
        return False
    return not char.isalpha() or unicodedata.name(char, "").partition(" ")[0].partition("-")[0] in _PLAIN_SCRIPTS


@lru_cache(maxsize=64)
def _embedded(font: FontFile) -> TTFont | None:
    """The font as the PDF holds it; None where the PDF maker cannot read its outlines."""
    try:
        face = TTFont(f"{font.path}#{font.index}", font.path, subfontIndex=font.index)
    except (TTFError, OSError, ValueError):
        return None
    pdfmetrics.registerFont(face)
    return face
