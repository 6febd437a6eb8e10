"""A page of pictures with captions: sizes, header, footer and the tiles themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from sim.reports.sheets.lettering import Color, fitted, width_px, wrapped, write

GROUND: Color = (32, 32, 33)
INK: Color = (232, 231, 228)
QUIET: Color = (158, 157, 154)
LINE: Color = (70, 70, 71)

MARGIN = 72
GAP, ROW_GAP = 32, 44
HEADER = 104
FOOTER = 60
TITLE, NAME, BODY, LABEL, FIGURE = 36, 22, 16, 14, 20
# Room after a label, so that it does not touch the next one.
LABEL_GAP = 8
LEADING = 23
CAPTION_GAP = 14


@dataclass(frozen=True)
class Tile:
    """A picture (h, w, 3) or (h, w) uint8 with its name, lines of text, and labelled figures in a row under them.

    `drawing` a small RGBA picture at the right of the caption. A figure that starts with "<" is out of a meter's
    reach and is written quietly.
    """

    picture: np.ndarray
    name: str
    lines: tuple[str, ...] = ()
    figures: tuple[tuple[str, str], ...] = ()
    drawing: Image.Image | None = None


@dataclass(frozen=True)
class Page:
    """A page being drawn."""

    image: Image.Image
    draw: ImageDraw.ImageDraw


def new_page(width: int, height: int, title: str, note: str, foot_left: str, foot_right: str) -> Page:
    """A page with the title at its top left, a note at its top right and two notes at its foot."""
    image = Image.new("RGB", (width, height), GROUND)
    draw = ImageDraw.Draw(image)
    top, bottom = MARGIN + TITLE - 6, height - MARGIN
    note_room = min(0.5 * (width - 2 * MARGIN), width_px(note, BODY))
    write(draw, MARGIN, top, fitted(title, TITLE, width - 2 * MARGIN - note_room - GAP), TITLE, INK)
    write(draw, width - MARGIN, top, fitted(note, BODY, note_room + 1), BODY, QUIET, "right")
    draw.line((MARGIN, MARGIN + TITLE + 18, width - MARGIN - 1, MARGIN + TITLE + 18), LINE)
    room = (width - 2 * MARGIN - GAP) / 2
    for index, line in enumerate(wrapped(foot_left, LABEL, 1.35 * room)):
        write(draw, MARGIN, bottom + index * (LABEL + 6), line, LABEL, QUIET)
    write(draw, width - MARGIN, bottom, fitted(foot_right, LABEL, 0.65 * room), LABEL, QUIET, "right")
    return Page(image, draw)


def caption_height(tiles: Sequence[Tile], width: int) -> int:
    """Height in pixels of the tallest caption under tiles of this width."""
    lines = max(sum(len(wrapped(line, BODY, width)) for line in tile.lines) for tile in tiles)
    figures = any(tile.figures for tile in tiles)
    return CAPTION_GAP + NAME + LEADING * lines + (14 + LABEL + 8 + FIGURE if figures else 0)


def place_tile(page: Page, tile: Tile, x: int, y: int, width: int, height: int, caption: int) -> None:
    """Draw a tile with its picture in a box; the figures stand on the caption's lower edge."""
    picture = Image.fromarray(np.ascontiguousarray(tile.picture)).convert("RGB")
    if picture.size != (width, height):
        picture = picture.resize((width, height), Image.Resampling.LANCZOS)
    page.image.paste(picture, (x, y))
    page.draw.rectangle((x, y, x + width - 1, y + height - 1), outline=LINE)
    baseline = y + height + CAPTION_GAP + NAME - 4
    write(page.draw, x, baseline, fitted(tile.name, NAME, width), NAME, INK)
    for line in (part for text in tile.lines for part in wrapped(text, BODY, width)):
        baseline += LEADING
        write(page.draw, x, baseline, line, BODY, QUIET)
    foot = y + height + caption
    if tile.drawing is not None:
        page.image.paste(tile.drawing, (x + width - tile.drawing.width, y + height + CAPTION_GAP), tile.drawing)
    left = float(x)
    for (label, figure), column in zip(tile.figures, _columns(tile.figures, width), strict=True):
        write(page.draw, left, foot - FIGURE - 7, fitted(label, LABEL, column - LABEL_GAP), LABEL, QUIET)
        write(page.draw, left, foot - 2, figure, FIGURE, QUIET if figure.startswith("<") else INK)
        left += column


def _columns(figures: Sequence[tuple[str, str]], width: float) -> list[float]:
    """Width of each column of figures: alike where all fit so, else by the lengths of labels and figures."""
    even = width / max(len(figures), 1)
    needed = [max(width_px(label, LABEL), width_px(figure, FIGURE)) + LABEL_GAP for label, figure in figures]
    if max(needed, default=0.0) <= even:
        return [even] * len(figures)
    return [need * width / sum(needed) for need in needed]
