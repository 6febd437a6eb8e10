"""The latitude of a scene file, from reading it to the files: a page of curves with small pictures, and the data."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from sim.advice.checks.latitude import (
    READING_WITHIN_STOPS,
    Latitude,
    MoveSweep,
    latitude,
    moved_layout,
)
from sim.advice.checks.latitude_words import latitude_lines, offset_text, record_from_latitude
from sim.advice.checks.noseshadow import KeyShadow, NoseShadow
from sim.advice.checks.shadow_words import PATTERN_WORDS, line_from_shadow, name_from_shadow
from sim.light.develop import denoised, develop
from sim.quantities.errors import HalfstopError, quoted
from sim.reports.faces import picture_from_shadow
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.sheets.lettering import Color, fitted, width_px, write
from sim.reports.sheets.page import FOOTER, GAP, HEADER, INK, LABEL, LINE, MARGIN, NAME, QUIET, Page, new_page
from sim.scene.model import Scene
from sim.session import Progress, Rehearsal, require_light, require_sitter

FILES = ("latitude.png", "latitude.json", "latitude.txt")
# Two inks that stay apart for every kind of colour vision, and a ground for what is within limits.
READING: Color = (94, 160, 220)
SPOTS: tuple[Color, ...] = ((240, 158, 66), (200, 200, 120), (190, 140, 220))
WITHIN: Color = (50, 58, 64)
CURVE_WIDTH, CURVE_HEIGHT = 760, 210
PICTURE_WIDTH, PICTURE_HEIGHT = 176, 210
PICTURES = 5
ROW_GAP = 96
# The small drawing of a pattern under its piece of the bar: height, and how far below the curve.
DRAWING_PX, DRAWING_BELOW = 60, 22
STOPS_RANGE = 1.5
# Width of the room that a small picture takes in around the face.
FACE_WIDTH_M = 0.34
PICTURE_SAMPLES, PICTURE_SCALE = 8, 0.8


@dataclass(frozen=True)
class LatitudeMade:
    """What the sweep gave, and the files that were written."""

    latitude: Latitude
    lines: tuple[tuple[str, list[str]], ...]
    files: tuple[Path, ...]

    @property
    def key_line(self) -> str:
        """What the key draws with the sitter as placed."""
        return line_from_shadow(KeyShadow(self.latitude.key, self.latitude.placed.shadow))


def run_latitude(
    scene_file: Path, out: Path, *, key: str | None = None, fresh: bool = False, on_progress: Progress | None = None
) -> LatitudeMade:
    """Sweep a scene file's sitter and write the page into `out`.

    Arguments: `fresh` traces anew what is kept.
    Raises HalfstopError with one plain line; nothing is written then.
    """
    tell = on_progress or (lambda step, part: None)
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    scene, layout = rehearsal.scene, rehearsal.layout
    require_light(layout)
    require_sitter(layout)
    if key is not None and key not in layout.light_names:
        raise HalfstopError(
            f"--key: there is no light {quoted(key)} in the scene; it has {', '.join(layout.light_names)}"
        )
    ResultFolder(out).require_usable(list(FILES))
    tell("trace", 0.0)
    with rehearsal.answering("latitude") as stage:
        reach = latitude(scene, layout=layout, key=key, stage=stage, on_progress=lambda part: tell("trace", part))
    pictures: list[list[npt.NDArray[np.uint8]]] = []
    as_placed = face_picture(rehearsal, reach.sweeps[0].move.name, 0.0)
    for index, sweep in enumerate(reach.sweeps):
        pictures.append([
            face_picture(rehearsal, sweep.move.name, offset) if offset else as_placed
            for offset in shown_offsets(sweep)
        ])  # fmt: skip
        tell("denoise", (index + 1) / len(reach.sweeps))
    lines = latitude_lines(reach)
    made = LatitudeMade(reach, tuple(lines), ())
    page = latitude_page(scene, reach, pictures)
    text = "\n".join([scene.title, made.key_line,
                      *(line for head, body in lines for line in ("", head, *(f"  {x}" for x in body)))])  # fmt: skip
    with ResultFolder(out) as folder:
        folder.stage("latitude.png").write_bytes(png_bytes(page, {"Title": f"{scene.title}: latitude"}))
        record = {"scene": scene_file.name, "title": scene.title, **record_from_latitude(reach)}
        folder.stage("latitude.json").write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", "utf-8")
        folder.stage("latitude.txt").write_text(text + "\n", "utf-8")
        files = folder.commit()
    tell("files", 1.0)
    return replace(made, files=tuple(files))


def shown_offsets(sweep: MoveSweep) -> list[float]:
    """Five offsets to picture: both ends, the nearest limit on each side (or half-way), and as placed."""
    ends = sweep.samples[0].offset, sweep.samples[-1].offset
    near = []
    for side, end in zip((-1, 1), ends, strict=True):
        reached = [abs(x.offset) for x in sweep.limits if x.side == side and x.offset is not None]
        near.append(side * min(reached) if reached else end / 2)
    return [ends[0], near[0], 0.0, near[1], ends[1]]


def face_picture(rehearsal: Rehearsal, move: str, offset: float) -> npt.NDArray[np.uint8]:
    """Small picture (h, w, 3) uint8 of the face from the camera, the sitter moved, at the scene's exposure."""
    scene, layout = rehearsal.scene, rehearsal.layout
    moved = moved_layout(scene, layout, move, offset)
    face_m = (moved.anchors_m["forehead"] + moved.anchors_m["chin"]) / 2
    away_m = float(np.linalg.norm(face_m - layout.camera.position_m))
    close = replace(
        layout.camera,
        aim_m=face_m,
        horizontal_fov_deg=float(np.degrees(2 * np.arctan(FACE_WIDTH_M / 2 / away_m))),
        aspect=PICTURE_WIDTH / PICTURE_HEIGHT,
        focus_distance_m=away_m,
    )
    size = round(PICTURE_WIDTH * PICTURE_SCALE), round(PICTURE_HEIGHT * PICTURE_SCALE)
    stage = rehearsal.stage.changed(scene, replace(moved, camera=close))
    stack = stage.render(size=size, samples=PICTURE_SAMPLES, depth=scene.render.depth)
    return develop(denoised(stack), rehearsal.mix, scene.camera)


def latitude_page(scene: Scene, reach: Latitude, pictures: Sequence[Sequence[npt.NDArray[np.uint8]]]) -> Image.Image:
    """A page with a row for each move: its curve at the left, five pictures at the right."""
    strip = PICTURES * (PICTURE_WIDTH + GAP // 2)
    width = 2 * MARGIN + CURVE_WIDTH + GAP + strip
    height = 2 * MARGIN + HEADER + FOOTER + len(reach.sweeps) * (CURVE_HEIGHT + ROW_GAP)
    tight = f", tight: {', '.join(reach.tight)}" if reach.tight else ""
    page = new_page(
        width, height, f"{scene.title}: latitude", f"key: {reach.key}{tight}",
        "Blue: face reading against as placed, stops; grey ground: within 1/3 stop. Orange: share of the face in the "
        "tight light's beam, full height 100 %. Bar: the key's nose shadow. Triangles: limits.",
        "Lights and camera stay, the sitter moves.",
    )  # fmt: skip
    top = MARGIN + HEADER
    for sweep, row in zip(reach.sweeps, pictures, strict=True):
        _draw_curve(page, reach, sweep, MARGIN, top)
        for index, (picture, offset) in enumerate(zip(row, shown_offsets(sweep), strict=True)):
            x = MARGIN + CURVE_WIDTH + GAP + index * (PICTURE_WIDTH + GAP // 2)
            shown = Image.fromarray(picture).resize((PICTURE_WIDTH, PICTURE_HEIGHT), Image.Resampling.LANCZOS)
            page.image.paste(shown, (x, top))
            page.draw.rectangle((x, top, x + PICTURE_WIDTH - 1, top + PICTURE_HEIGHT - 1), outline=LINE)
            text = fitted(offset_text(sweep.move, offset), LABEL, PICTURE_WIDTH)
            write(page.draw, x, top + PICTURE_HEIGHT + 18, text, LABEL, QUIET)
        top += CURVE_HEIGHT + ROW_GAP
    return page.image


def _draw_curve(page: Page, reach: Latitude, sweep: MoveSweep, left: int, top: int) -> None:
    """One move: band, curve, shares, bar of patterns and limits."""
    draw = page.draw
    name_room, bar = 136, 22
    x0, x1 = left + name_room, left + CURVE_WIDTH
    y0, y1 = top, top + CURVE_HEIGHT - bar - 6
    low, high = sweep.samples[0].offset, sweep.samples[-1].offset

    def x_of(offset: float) -> float:
        return x0 + (offset - low) / (high - low) * (x1 - x0)

    def y_of(stops: float) -> float:
        return y0 + (STOPS_RANGE - min(max(stops, -STOPS_RANGE), STOPS_RANGE)) / (2 * STOPS_RANGE) * (y1 - y0)

    write(draw, left, top + NAME - 4, sweep.move.name, NAME - 4, INK)
    draw.rectangle((x0, y_of(READING_WITHIN_STOPS), x1, y_of(-READING_WITHIN_STOPS)), fill=WITHIN)
    for stops in (-1, 0, 1):
        draw.line((x0, y_of(stops), x1, y_of(stops)), LINE)
        write(draw, x0 - 8, y_of(stops) + 5, f"{stops:+d}" if stops else "0", LABEL, QUIET, "right")
    draw.line((x_of(0), y0, x_of(0), y1), LINE)
    draw.rectangle((x0, y0, x1, y1), outline=LINE)
    # Draw the tight lights' shares, full height for the whole face.
    for index in range(len(reach.tight)):
        points = [(x_of(s.offset), y1 - s.spot_shares[index] * (y1 - y0)) for s in sweep.samples]
        draw.line(points, fill=SPOTS[index % len(SPOTS)], width=2)
    draw.line([(x_of(s.offset), y_of(s.face_stops)) for s in sweep.samples], fill=READING, width=3, joint="curve")
    _draw_patterns(page, sweep, x_of, y1 + 6, bar)
    for limit in sweep.limits:
        if limit.offset is None:
            continue
        x = x_of(limit.offset)
        y = {"face reading": y0, "nose shadow": y1 + 6}.get(limit.what, y1)
        ink = {"face reading": READING, "nose shadow": INK}.get(limit.what, SPOTS[0])
        draw.polygon([(x - 6, y - 9), (x + 6, y - 9), (x, y)], fill=ink)
    write(draw, x0, top + CURVE_HEIGHT + 18, offset_text(sweep.move, low), LABEL, QUIET)
    write(draw, x1, top + CURVE_HEIGHT + 18, offset_text(sweep.move, high), LABEL, QUIET, "right")


def _pattern_runs(sweep: MoveSweep) -> list[tuple[float, float, NoseShadow]]:
    """Where each pattern begins and ends, cut at the limits where they are known, with a shadow of its kind."""
    edges = [x.offset for x in sweep.limits if x.what == "nose shadow" and x.offset is not None]
    runs: list[tuple[float, float, NoseShadow]] = []
    for before, after in zip(sweep.samples, sweep.samples[1:], strict=False):
        cut = next((e for e in edges if before.offset <= e <= after.offset), (before.offset + after.offset) / 2)
        for start, end, shadow in ((before.offset, cut, before.shadow), (cut, after.offset, after.shadow)):
            if runs and (runs[-1][2].pattern, runs[-1][2].side) == (shadow.pattern, shadow.side):
                runs[-1] = (runs[-1][0], end, shadow)
            else:
                runs.append((start, end, shadow))
    return runs


def _draw_patterns(page: Page, sweep: MoveSweep, x_of: Callable[[float], float], y: float, height: int) -> None:
    """A bar of the key's patterns: one piece for each run of the same name, its drawing under it."""
    draw = page.draw
    for index, (start, end, shadow) in enumerate(_pattern_runs(sweep)):
        left, right = x_of(start), x_of(end)
        draw.rectangle((left, y, right, y + height), fill=LINE if index % 2 else WITHIN, outline=QUIET)
        if right - left > 30:
            # Take as much of the name as there is room for.
            names = (name_from_shadow(shadow), PATTERN_WORDS[shadow.pattern].name, shadow.pattern)
            name = next((n for n in names if width_px(n, LABEL) <= right - left - 8), shadow.pattern)
            write(draw, (left + right) / 2, y + height - 6, fitted(name, LABEL, right - left - 8), LABEL, INK, "middle")
            face = picture_from_shadow(shadow, DRAWING_PX)
            if right - left >= face.width:
                at = round((left + right - face.width) / 2), round(y + height + DRAWING_BELOW)
                page.image.paste(face, at, face)
