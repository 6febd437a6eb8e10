"""Readings on the terminal: per point and light, what a meter shows and how the part will look."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from sim.advice.checks.shadow_words import line_from_shadow
from sim.light.stack import LightStack
from sim.metering.points import STANDARD_POINTS, PointReadings, Reading
from sim.metering.report_points import label_from_probe
from sim.quantities import phrases, units

if TYPE_CHECKING:
    from rich.table import Table

    from sim.reports.preview import Preview

# The standard point and the parts of the picture that belong to it.
PARTS_OF_POINT = dict(zip(STANDARD_POINTS, (("face",), ("gown", "suit"), ("backdrop",)), strict=True))
DARKEST_STOPS = -10.0
UNSURE_STOPS = 0.1
# A light that gives so much of a part's tone is asked on how much of it that falls; less than the second is told.
TELLING_SHARE, SMALL_SHARE = 0.005, 0.25
PIPED_WIDTH = 100
# A rule under the head and nothing else: top, head, under it, middle, rows, above foot, foot, bottom.
PLAIN_LINES = "    \n    \n -- \n    \n    \n    \n    \n    \n"


def print_preview(made: Preview) -> None:
    """Print the table of readings, the warnings and where the files are; plain ASCII when not a terminal."""
    from rich.console import Console
    from rich.markup import escape

    on_terminal = sys.stdout.isatty()
    console = Console(width=None if on_terminal else PIPED_WIDTH, highlight=False, soft_wrap=False)
    pretty = on_terminal and "utf" in (console.encoding or "").lower()
    console.print(readings_table(made, pretty))
    contrast = made.report.contrast.factor
    cheeks = "without end" if contrast is None else phrases.ratio(contrast)
    told = f"Lighting ratio: {made.report.ratio.text}. Contrast of the cheeks: {cheeks}."
    if not made.report.has_sitter:
        told = (
            "No sitter: incident readings in the air, where the parts of one who stands there would be. "
            f"Lighting ratio: {made.report.ratio.text}."
        )
    console.print(escape(told), soft_wrap=True)
    if made.nose_shadow is not None:
        console.print(escape(f"{line_from_shadow(made.nose_shadow)}."), soft_wrap=True)
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
        caption="Meter: incident, dome toward the camera where no other is named. "
        "How it comes out: the mean of the part in the picture, in stops from middle grey; a light that touches less "
        "than a quarter of it says on how much.",
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD if pretty else box.Box(PLAIN_LINES, ascii=True),
        safe_box=not pretty,
        pad_edge=False,
    )
    # Let a long name go on below rather than cut a figure off.
    table.add_column("point and light")
    table.add_column("meter reads", no_wrap=True)
    for heading in (f"stops\nfrom {aperture}", "share of\nits light", "how it\ncomes out"):
        table.add_column(heading, justify="right", no_wrap=True)
    for point, part in _blocks(made):
        label = escape(label_from_probe(point.id, made.scene))
        table.add_row(f"[bold]{label}[/]" if pretty else label)
        for light in (*made.enabled, None):
            incident, reflected = _of(point, light), _of(part, light) if part else None
            spot = incident if point.kind == "spot" else None
            table.add_row(
                f"  {'combined' if light is None else escape(light)}",
                phrases.reading(incident.f_number),
                _stops(incident.over_camera_stops, incident, pretty),
                "" if light is None else _share(incident),
                ""
                if (shown := spot or reflected) is None
                else _stops(shown.from_grey_stops, shown, pretty) + (_touched(made, part, light) if part else ""),
                style="bold" if light is None and pretty else None,
                end_section=light is None,
            )
    return table


def _blocks(made: Preview) -> Iterator[tuple[PointReadings, PointReadings | None]]:
    """Each meter point with the part of the picture that belongs to it."""
    parts = {p.id.part: p for p in made.parts}
    for point in made.points:
        names = PARTS_OF_POINT.get(point.id, ())
        yield point, next((parts[name] for name in names if name in parts), None)


def _of(point: PointReadings, light: str | None) -> Reading:
    return point.combined if light is None else point.by_light[light]


def _stops(stops: float | None, reading: Reading, pretty: bool) -> str:
    text = phrases.signed_stops(stops, darkest=DARKEST_STOPS)
    if stops is not None and stops >= DARKEST_STOPS and reading.stderr_stops >= UNSURE_STOPS:
        text += f" ±{reading.stderr_stops:.1f}"
    return text if pretty else text.translate(phrases.PLAIN_SIGNS)


def _touched(made: Preview, part: PointReadings | None, light: str | None) -> str:
    """On how much of a part its light falls, where that is little of it."""
    if light is None or part is None or part.by_light[light].share < TELLING_SHARE:
        return ""
    touched = touched_share(made.stack, part.id.part, light)
    return f" on {100 * touched:.0f} %" if 0.005 <= touched < SMALL_SHARE else ""


def touched_share(stack: LightStack, part: str, light: str) -> float:
    """Share of a part's pixels that get a tenth or more of what a light gives the part on average.

    Does not: see past grain, so that a layer of few samples tells it roughly.
    """
    layer = stack.pixels[stack.names.index(light)][stack.mask(part)].astype(float).sum(axis=-1)
    if not layer.size or not layer.any():
        return 0.0
    return float((layer >= 0.1 * layer.mean()).mean())


def _share(reading: Reading) -> str:
    return f"{100 * reading.share:.0f} %" if reading.share >= 0.005 or reading.share == 0 else "< 1 %"
