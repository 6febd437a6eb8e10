"""The false-tone picture with its legend, and the histogram of each part."""

from __future__ import annotations

import math

import numpy as np
from PIL import Image

from sim.metering.health import (
    HISTOGRAM_FROM_STOPS,
    HISTOGRAM_STEP_STOPS,
    SATURATION_STOPS,
    Band,
    Health,
    band_index,
    bands,
    false_tones,
)
from sim.reports.sheets.lettering import fitted, write
from sim.reports.sheets.page import (
    BODY,
    FOOTER,
    GAP,
    HEADER,
    INK,
    LABEL,
    LINE,
    MARGIN,
    NAME,
    QUIET,
    Page,
    new_page,
)

SWATCH_W, SWATCH_H = 56, 40
LEGEND_WIDTH = 330
PLOT_WIDTH, PLOT_HEIGHT, PLOT_STEP = 470, 120, 196
LEAST_HEIGHT = 560


def false_tones_sheet(
    linear: np.ndarray, health: Health, title: str, made: str, viewed: np.ndarray | None = None
) -> Image.Image:
    """Draw false tones beside their legend with each band's share of the picture.

    Arguments: `linear` picture (h, w, 3) at the camera's exposure as measured, for the shares; `viewed` the same
    cleaned for viewing, if there is one.
    """
    tones = false_tones(linear if viewed is None else viewed, health.range_stops)
    measured = np.bincount(band_index(linear, health.range_stops).ravel(), minlength=len(bands()))
    height, width = tones.shape[:2]
    scale = max(1, math.ceil(LEAST_HEIGHT / height))
    picture = Image.fromarray(tones).resize((width * scale, height * scale), Image.Resampling.NEAREST)
    steps = bands(health.range_stops)
    inside = max(picture.height, len(steps) * SWATCH_H + 50)
    page_width = 2 * MARGIN + max(picture.width, 200) + GAP + LEGEND_WIDTH
    page = new_page(
        page_width, 2 * MARGIN + HEADER - 20 + inside + FOOTER, title, "false tones",
        "From dark to light by the stop; middle grey is blue, and magenta is where a channel clips.", made,
    )  # fmt: skip
    top = MARGIN + HEADER - 20
    page.image.paste(picture, (MARGIN, top))
    page.draw.rectangle((MARGIN, top, MARGIN + picture.width - 1, top + picture.height - 1), outline=LINE)
    _legend(page, MARGIN + picture.width + GAP, top, steps, measured / measured.sum())
    return page.image


def _legend(page: Page, x: int, y: int, steps: tuple[Band, ...], shares: np.ndarray) -> None:
    """Swatches from clipped at the top to black at the foot."""
    write(page.draw, x, y + NAME - 4, "stops from middle grey", BODY, INK)
    write(page.draw, x + LEGEND_WIDTH, y + NAME - 4, "of the picture", LABEL, QUIET, "right")
    y += 40
    for band, share in zip(reversed(steps), shares[::-1], strict=True):
        page.draw.rectangle((x, y, x + SWATCH_W, y + SWATCH_H - 1), fill=band.color_hex, outline=LINE)
        write(page.draw, x + SWATCH_W + 16, y + 26, band.label, BODY, INK)
        write(page.draw, x + LEGEND_WIDTH, y + 26, f"{100 * share:.1f} %", BODY, QUIET, "right")
        y += SWATCH_H


def histogram_sheet(health: Health, title: str, made: str) -> Image.Image:
    """Draw a histogram of luminance in stops for each part of the picture, one under the other in two columns."""
    names = list(health.parts)
    rows = -(-len(names) // 2)
    columns = min(2, max(len(names), 1))
    width = 2 * MARGIN + columns * (PLOT_WIDTH + GAP) - GAP
    page = new_page(
        width, 2 * MARGIN + HEADER - 20 + rows * PLOT_STEP + FOOTER, title, "tones by part",
        "Share of each part in quarters of a stop. Marks: middle grey (0), saturation and black of the sensor.", made,
    )  # fmt: skip
    for index, name in enumerate(names):
        column, row = index // rows, index % rows
        _plot(page, health, name, MARGIN + column * (PLOT_WIDTH + GAP), MARGIN + HEADER - 20 + row * PLOT_STEP)
    return page.image


def _plot(page: Page, health: Health, name: str, x: int, y: int) -> None:
    part = health.parts[name]
    values = np.array(part.histogram)
    write(page.draw, x, y + NAME - 6, name, NAME, INK)
    note = f"clips {100 * part.clipped:.1f} %, black {100 * part.crushed:.1f} %, middle {part.median_stops:+.1f}"
    write(page.draw, x + PLOT_WIDTH, y + NAME - 6, fitted(note, LABEL, PLOT_WIDTH - 120), LABEL, QUIET, "right")
    top, foot = y + 30, y + 30 + PLOT_HEIGHT
    step = PLOT_WIDTH / len(values)

    def across(stops: float) -> float:
        return x + (stops - HISTOGRAM_FROM_STOPS) / HISTOGRAM_STEP_STOPS * step

    # Colour every bar as its band of the false tones.
    edges = [band.from_stops for band in bands(health.range_stops)]
    for index, value in enumerate(values):
        middle = HISTOGRAM_FROM_STOPS + (index + 0.5) * HISTOGRAM_STEP_STOPS
        color = bands(health.range_stops)[int(np.searchsorted(edges, middle, "right")) - 1].color_hex
        high = PLOT_HEIGHT * value / max(values.max(), 1e-9)
        if high >= 0.5:
            page.draw.rectangle((x + index * step, foot - high, x + (index + 1) * step - 1.5, foot), fill=color,
                                outline=QUIET if middle < -4 else None)  # fmt: skip
    page.draw.line((x, foot, x + PLOT_WIDTH, foot), LINE)
    for stops, label in ((0.0, "0"), (SATURATION_STOPS, "clips"), (SATURATION_STOPS - health.range_stops, "black"),
                         (-2.0, "-2"), (-4.0, "-4"), (-6.0, "-6"), (2.0, "+2")):  # fmt: skip
        if stops >= HISTOGRAM_FROM_STOPS:
            at = across(stops)
            if not label[-1].isdigit() or stops == 0:
                page.draw.line((at, top, at, foot), QUIET if stops else INK)
            write(page.draw, at, foot + LABEL + 5, label, LABEL, QUIET, "middle")
