"""The comparison sheet: a picture of every alternative at the same face exposure, with what differs under it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import name_from_shadow
from sim.light.develop import encoded
from sim.reports.faces import picture_from_shadow
from sim.reports.sheets.lettering import fitted, wrapped, write
from sim.reports.sheets.page import (
    BODY,
    FOOTER,
    GAP,
    HEADER,
    INK,
    LEADING,
    LINE,
    MARGIN,
    QUIET,
    ROW_GAP,
    Page,
    Tile,
    caption_height,
    new_page,
    place_tile,
)

COLUMN_WIDTH = (340, 460)
MOST_COLUMNS = 4
# Height of the small drawing that explains the key's pattern.
DRAWING_PX = 72


@dataclass(frozen=True)
class Column:
    """One alternative: linear picture (h, w, 3), its name, and rows of label and figure; "" draws a line across.

    `nose_shadow` what the key draws on the face, drawn and named over the rows; None where it draws nothing.
    """

    picture: np.ndarray
    name: str
    rows: tuple[tuple[str, str], ...]
    nose_shadow: KeyShadow | None = None


def alternatives_sheet(title: str, columns: Sequence[Column], note: str, made: str) -> Image.Image:
    """Draw the alternatives side by side, four in a row at most."""
    height_px, width_px = columns[0].picture.shape[:2]
    low, high = COLUMN_WIDTH
    width = min(high, max(low, width_px))
    height = round(width * height_px / width_px)
    # Name an alternative by its first change, the others under it.
    names = [[part.strip() for part in column.name.split(";")] for column in columns]
    tiles = [
        Tile(encoded(column.picture), first, tuple(rest)) for column, (first, *rest) in zip(columns, names, strict=True)
    ]
    caption = caption_height(tiles, width)
    band = DRAWING_PX + 16 if any(column.nose_shadow for column in columns) else 0
    block = height + caption + band + 16 + LEADING * max(len(column.rows) for column in columns)
    across = min(MOST_COLUMNS, len(columns))
    down = -(-len(columns) // across)
    page_width = 2 * MARGIN + max(across, 2) * (width + GAP) - GAP
    page_height = 2 * MARGIN + HEADER - 20 + down * (block + ROW_GAP) - ROW_GAP + FOOTER
    page = new_page(page_width, page_height, title, "alternatives", note, made)
    for index, (column, tile) in enumerate(zip(columns, tiles, strict=True)):
        x = MARGIN + index % across * (width + GAP)
        y = MARGIN + HEADER - 20 + index // across * (block + ROW_GAP)
        place_tile(page, tile, x, y, width, height, caption)
        if column.nose_shadow is not None:
            _nose_shadow(page, column.nose_shadow, x, y + height + caption + 16, width)
        _rows(page, column, x, y + height + caption + band + 8, width)
    return page.image


def _nose_shadow(page: Page, found: KeyShadow, x: int, y: int, width: int) -> None:
    """The small drawing of what the key draws, with its name beside it; the drawing tells where the light stands."""
    drawing = picture_from_shadow(found.shadow, DRAWING_PX)
    page.image.paste(drawing, (x, y), drawing)
    left = x + drawing.width + 12
    room = width - drawing.width - 12
    label, names = f"nose shadow, {found.light}", wrapped(name_from_shadow(found.shadow), BODY, room)
    baseline = y + (DRAWING_PX - LEADING * (1 + len(names))) // 2 + BODY
    write(page.draw, left, baseline, fitted(label, BODY, room), BODY, QUIET)
    for index, line in enumerate(names, 1):
        write(page.draw, left, baseline + index * LEADING, line, BODY, INK)


def _rows(page: Page, column: Column, x: int, y: int, width: int) -> None:
    for label, figure in column.rows:
        y += LEADING
        if not label:
            page.draw.line((x, y - LEADING / 2, x + width - 1, y - LEADING / 2), LINE)
            continue
        write(page.draw, x, y, fitted(label, BODY, 0.6 * width), BODY, QUIET)
        write(page.draw, x + width, y, fitted(figure, BODY, 0.62 * width), BODY, INK, "right")
