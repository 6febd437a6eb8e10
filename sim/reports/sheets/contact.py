"""The contact sheet, and the teaching sheet on which every light is brought to the same level."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from PIL import Image

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import line_from_shadow
from sim.light.develop import black_and_white, encoded, levelled
from sim.light.mix import Mix
from sim.metering.points import STANDARD_POINTS, PointReadings
from sim.metering.report_points import label_from_probe
from sim.quantities import phrases
from sim.reports.faces import picture_from_shadow
from sim.reports.sheets.captions import (
    lift_text,
    light_lines,
    settings_text,
    stops_text,
)
from sim.reports.sheets.page import (
    FOOTER,
    GAP,
    HEADER,
    MARGIN,
    ROW_GAP,
    Page,
    Tile,
    caption_height,
    new_page,
    place_tile,
)
from sim.scene.model import Scene

# Width of a small picture, room enough for its caption; and on a page with many.
TILE_WIDTH_PX, CROWDED_WIDTH_PX, CROWDED_FROM = (320, 420), 280, 10
# The large picture's longer side from which it counts against a page.
LARGE_PX = 1250
# Height of the small drawing that explains the key's pattern.
DRAWING_PX = 96
# A page somewhat wider than high hangs well; common practice, no source.
PAGE_ASPECT = 1.3
# How much an empty place in the grid counts against a page, as a relative error of its aspect.
EMPTY_PLACE = 0.15


def contact_sheet(
    scene: Scene,
    mix: Mix,
    combined: np.ndarray,
    alone: Mapping[str, np.ndarray],
    points: Sequence[PointReadings],
    made: str,
    *,
    ratio: str = "",
    nose_shadow: KeyShadow | None = None,
) -> Image.Image:
    """Draw the combined picture large, then every light alone and the black and white, with their readings.

    combined, alone: linear pictures (h, w, 3) at the camera's exposure. points: incident readings by point.
    made: size, samples and seed in words. ratio: the lighting ratio in words. nose_shadow: what the key draws on the
    face.
    """
    shown = [(label_from_probe(p.id, scene), p) for p in points if p.id in STANDARD_POINTS]
    large = Tile(
        encoded(combined),
        "combined",
        (
            _count_text(len(alone), len(mix.names)),
            *([f"lighting ratio {ratio}"] if ratio else []),
            *([line_from_shadow(nose_shadow)] if nose_shadow else []),
        ),
        tuple((f"{name}, {phrases.reading(p.combined.f_number)}", stops_text(p.combined)) for name, p in shown),
        None if nose_shadow is None else picture_from_shadow(nose_shadow.shadow, DRAWING_PX),
    )
    tiles = [
        Tile(
            encoded(linear),
            name,
            light_lines(scene, name),
            tuple((point, stops_text(p.by_light[name])) for point, p in shown),
        )
        for name, linear in alone.items()
    ]
    tiles.append(Tile(encoded(black_and_white(combined)), "black and white", ("combined, by luminance",)))
    aperture = settings_text(scene.camera).partition(" ·")[0]
    return _laid_out(
        scene.title,
        settings_text(scene.camera),
        f"Every picture at the camera's exposure. Figures: stops over or under {aperture} on an incident meter at "
        "the point, dome toward the camera.",
        made,
        tiles,
        large,
    )


def levelled_sheet(scene: Scene, alone: Mapping[str, np.ndarray], made: str) -> Image.Image:
    """Draw every light alone, brought to the same highlight level, with the stops that took.

    alone: linear pictures (h, w, 3) at the camera's exposure.
    Does not: compare the lights' strengths; that is what the contact sheet is for.
    """
    tiles = []
    for name, linear in alone.items():
        picture, lift_stops = levelled(linear)
        tiles.append(Tile(encoded(picture), name, (light_lines(scene, name)[0], lift_text(lift_stops))))
    return _laid_out(
        scene.title,
        "each light levelled",
        "Each picture is lifted or lowered until its highlights are bright: look at direction, edge and spread, "
        "not at strength.",
        made,
        tiles,
        None,
    )


def _count_text(enabled: int, lights: int) -> str:
    """How many lights are in the combined picture."""
    if enabled == lights:
        return f"{enabled} lights together" if enabled > 1 else "one light"
    return f"{enabled} of {lights} lights"


def _laid_out(
    title: str, note: str, foot_left: str, foot_right: str, tiles: Sequence[Tile], large: Tile | None
) -> Image.Image:
    """Place the tiles in the grid that brings the page nearest to its aspect with few empty places."""
    # One row would leave the large picture no larger than the rest.
    least = 1 if large is None else min(2, len(tiles))
    plans = [_SheetPlan(tiles, large, rows) for rows in range(least, min(4, len(tiles)) + 1)]
    plan = min(plans, key=_SheetPlan.fault)
    page = new_page(plan.width, plan.height, title, note, foot_left, foot_right)
    plan.draw(page)
    return page.image


class _SheetPlan:
    """Sizes of one arrangement: the large picture at the left, if any, and `rows` rows of tiles."""

    def __init__(self, tiles: Sequence[Tile], large: Tile | None, rows: int) -> None:
        self.tiles, self.large, self.rows = tiles, large, rows
        self.columns = math.ceil(len(tiles) / rows)
        height_px, width_px = tiles[0].picture.shape[:2]
        low, high = TILE_WIDTH_PX
        wanted = CROWDED_WIDTH_PX if len(tiles) >= CROWDED_FROM else min(high, max(low, round(0.5 * width_px)))
        self.tile_width, self.tile_height = wanted, round(wanted * height_px / width_px)
        self.caption = caption_height(tiles, self.tile_width)
        inside = rows * (self.tile_height + self.caption + ROW_GAP) - ROW_GAP
        self.large_width = self.large_height = self.large_caption = 0
        if large is not None:
            # Let the large picture's caption end where the last row's captions end.
            self.large_caption = caption_height([large], 10_000)
            self.large_height = inside - self.large_caption
            self.large_width = round(self.large_height * width_px / height_px)
        grid = self.columns * (self.tile_width + GAP) - GAP
        self.width = 2 * MARGIN + grid + (self.large_width + GAP if large else 0)
        self.height = 2 * MARGIN + HEADER - 20 + inside + FOOTER

    def fault(self) -> float:
        """How far the page is from its aspect, with what empty places and an overlarge picture cost."""
        empty = self.rows * self.columns - len(self.tiles)
        oversize = max(self.large_width, self.large_height) / LARGE_PX
        return (
            abs(math.log(self.width / self.height / PAGE_ASPECT)) + EMPTY_PLACE * empty + math.log(max(1.0, oversize))
        )

    def draw(self, page: Page) -> None:
        """Draw all tiles on a page of this plan's size."""
        x, y = MARGIN, MARGIN + HEADER - 20
        if self.large is not None:
            place_tile(page, self.large, x, y, self.large_width, self.large_height, self.large_caption)
            x += self.large_width + GAP
        for index, tile in enumerate(self.tiles):
            row, column = divmod(index, self.columns)
            place_tile(
                page,
                tile,
                x + column * (self.tile_width + GAP),
                y + row * (self.tile_height + self.caption + ROW_GAP),
                self.tile_width,
                self.tile_height,
                self.caption,
            )
