"""Readings on the terminal: per point and light, what a meter shows and how the part will look."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from sim import units
from sim.metering import PointReadings, Reading

if TYPE_CHECKING:
    from rich.table import Table

    from sim.preview import Preview

# The standard point and the parts of the picture that belong to it.
PARTS_OF_POINT = {"face": ("face",), "gown": ("gown", "suit"), "backdrop": ("backdrop",)}
DARKEST_METER = 0.7  # lowest f-number worth printing; common practice, no source
DARKEST_STOPS = -10.0
UNSURE_STOPS = 0.1
PIPED_WIDTH = 100


def print_preview(made: Preview) -> None:
    """Print the table of readings, the warnings and where the files are; plain ASCII when not a terminal."""
    from rich.console import Console
    from rich.markup import escape

    on_terminal = sys.stdout.isatty()
    console = Console(width=None if on_terminal else PIPED_WIDTH, highlight=False, soft_wrap=False)
    pretty = on_terminal and "utf" in (console.encoding or "").lower()
    console.print(readings_table(made, pretty))
    for warning in made.warnings:
        console.print(f"warning: {escape(warning)}", soft_wrap=True)
    folder = made.files[0].parent
    console.print(f"{len(made.files)} files in {escape(str(folder))}: see contact-sheet.png", soft_wrap=True)


def readings_table(made: Preview, pretty: bool) -> Table:
    """A table with a block for each point; `pretty` allows line drawing and colour."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    camera = made.scene.camera
    aperture = units.text_from_f_number(camera.f_number)
    settings = f"{aperture}  {units.text_from_time_s(camera.shutter_s)}  ISO {units.shortest(camera.iso)}"
    table = Table(
        title=escape(f"{made.scene.title}   {settings}"),
        caption="Meter: incident, dome toward the camera unless the scene says otherwise. "
        "In the picture: mean of the part, 0 is middle grey.",
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD if pretty else box.ASCII2,
        safe_box=not pretty,
        pad_edge=False,
    )
    table.add_column("Point", no_wrap=True)
    table.add_column("Light", no_wrap=True)
    table.add_column("Meter reads", no_wrap=True)
    table.add_column(f"Stops from {aperture}", justify="right", no_wrap=True)
    table.add_column("Share of light", justify="right", no_wrap=True)
    table.add_column("In the picture, stops from grey", justify="right")
    for point, part in _blocks(made):
        shown = part or point
        for row, light in enumerate((*made.heard, None)):
            incident = _of(point, light)
            reflected = _of(part, light) if part else None
            spot = incident if point is not None and point.kind == "spot" else None
            table.add_row(
                escape(_label(point, shown)) if row == 0 else "",
                "combined" if light is None else escape(light),
                _meter(incident),
                _stops(incident, "over", pretty),
                _share(incident or reflected, light),
                _stops(spot or reflected, "grey", pretty),
                style="bold" if light is None and pretty else None,
                end_section=light is None,
            )
    return table


def _blocks(made: Preview) -> Iterator[tuple[PointReadings | None, PointReadings | None]]:
    """Each meter point with the part of the picture that belongs to it."""
    parts = {p.point: p for p in made.parts}
    for point in made.points:
        names = PARTS_OF_POINT.get(point.point, ()) if point.kind != "spot" else ()
        yield point, next((parts[name] for name in names if name in parts), None)


def _of(point: PointReadings | None, light: str | None) -> Reading | None:
    if point is None:
        return None
    return point.combined if light is None else point.by_light[light]


def _label(point: PointReadings | None, shown: PointReadings | None) -> str:
    if point is None:
        return shown.point if shown is not None else ""
    return point.point if point.kind == "dome" else f"{point.point} ({point.kind})"


def _meter(reading: Reading | None) -> str:
    if reading is None:
        return ""
    if reading.f_number < DARKEST_METER:
        return f"under f/{DARKEST_METER}"
    return units.text_from_f_number_in_tenths(reading.f_number)


def _stops(reading: Reading | None, what: str, pretty: bool) -> str:
    if reading is None:
        return ""
    stops = reading.over_camera_stops if what == "over" else reading.from_grey_stops
    if stops is None:
        return ""
    if not math.isfinite(stops):
        return "dark"
    if stops < DARKEST_STOPS:
        return f"under {DARKEST_STOPS:.0f}"
    text = f"{round(stops, 1) + 0.0:+.1f}"
    if reading.stderr_stops < UNSURE_STOPS:
        return text
    return f"{text} {'±' if pretty else '+/-'}{reading.stderr_stops:.1f}"


def _share(reading: Reading | None, light: str | None) -> str:
    if reading is None or light is None:
        return ""
    return f"{100 * reading.share:.0f} %" if reading.share >= 0.005 or reading.share == 0 else "< 1 %"
