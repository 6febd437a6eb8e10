"""The meter report as text and tables for the terminal."""

from __future__ import annotations

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import line_from_shadow, sentences_from_shadow
from sim.metering.lighting_ratio import DEFINITION
from sim.metering.points import Reading, amount_text
from sim.metering.report import (
    CONTRAST_DEFINITION,
    Contrast,
    MeterReport,
    drop_stops,
)
from sim.quantities import phrases, units

LIGHTS_PER_TABLE = 6
# Below this share a light's own standard error does not matter to anyone.
TELLING_SHARE = 0.02


def tables_from_report(
    report: MeterReport, nose_shadow: KeyShadow | None = None, *, lux: bool = False
) -> RenderableType:
    """The report as text and tables that can be read at 100 columns.

    Arguments: `nose_shadow` what the key draws on the face, None says nothing of it; `lux` adds what light there is,
    in lx of continuous light and lx·s of flash.
    Does not: avoid signs such as ± that a bare terminal lacks; the command line replaces them.
    """
    pieces: list[RenderableType] = [_heading(report, nose_shadow), _combined_table(report, lux)]
    lit = [name for name in report.lights if name not in report.muted]
    for start in range(0, len(lit), LIGHTS_PER_TABLE):
        pieces.append(_table_by_light(report, lit[start : start + LIGHTS_PER_TABLE], "share"))
    for start in range(0, len(lit), LIGHTS_PER_TABLE):
        pieces.append(_table_by_light(report, lit[start : start + LIGHTS_PER_TABLE], "alone"))
    for start in range(0, len(lit) if lux else 0, LIGHTS_PER_TABLE):
        pieces.append(_table_by_light(report, lit[start : start + LIGHTS_PER_TABLE], "lux"))
    return Group(*pieces, _footnote(report))


def _heading(report: MeterReport, nose_shadow: KeyShadow | None) -> Text:
    camera, key = report.camera, report.key
    side = f"{key.lit_cheek} is the key side"
    if key.alike:
        side += ", though it lights both cheeks alike"
    most = "it gives most of what the camera sees on the face" if report.has_sitter else "it gives most there"
    how = "as asked" if key.chosen_by_user else most
    lines = [
        f"{report.title}: {units.text_from_f_number(camera['f_number'])}, "
        f"{units.text_from_time_s(camera['shutter_s'])}, ISO {camera['iso']:g}",
        f'Key: "{key.light}" ({how}); {side} (left and right as the camera sees them).',
        f"Lighting ratio: {report.ratio.text}.",
        f"Contrast of the cheeks: {_contrast_text(report.contrast)}; with domes turned to the camera "
        f"{_contrast_text(report.dome_contrast)}.",
    ]
    if not report.has_sitter:
        # Nobody shades one cheek from the light that reaches the other.
        lines[1:] = [
            "No sitter: incident readings in the air, where the parts of one who stands there would be.",
            f'Key: "{key.light}" ({how}).',
            lines[2],
        ]
    if nose_shadow is not None:
        lines.append(f"{line_from_shadow(nose_shadow)}. {' '.join(sentences_from_shadow(nose_shadow.shadow))}")
    if report.muted:
        lines.append(f"Muted and left out: {', '.join(report.muted)}.")
    if report.depth is not None:
        bounces = f"{report.depth} bounce{'s' * (report.depth != 1)}"
        lines.append(f"Light is followed for {bounces} only, as the scene asks; errors count what that leaves out.")
    elif (short := _least_sure(report)) is not None:
        name, error = short
        lines.append(
            f"Less sure than the {report.precision_stops:g} stops asked for: {name}, {error:.3f}; --rays takes more."
        )
    return Text("\n".join(lines))


def _least_sure(report: MeterReport) -> tuple[str, float] | None:
    """Point and error of the reading that is least sure, if it is less so than was aimed at."""
    errors = [
        (reading.stderr_stops, f"{light} at {point.name}")
        for point in report.points
        for readings in (point.incident, point.spot)
        if readings is not None
        for light, reading in readings.by_light.items()
        if reading.share >= TELLING_SHARE
    ]
    error, name = max(errors, default=(0.0, ""))
    return (name, error) if error > report.precision_stops else None


def _contrast_text(contrast: Contrast) -> str:
    if contrast.factor is None or contrast.diff_stops is None:
        return "without end (no light on one side)"
    stops = phrases.signed_stops(contrast.diff_stops)
    error = "under 0.001" if contrast.stderr_stops < 0.0005 else f"{contrast.stderr_stops:.3f}"
    return f"{phrases.ratio(contrast.factor)}, {stops} stops (error at most {error})"


def _combined_table(report: MeterReport, lux: bool) -> Table:
    table = Table(title="All lights together", title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("point")
    for title in ("incident", "error", "against camera", "how it comes out", "error"):
        table.add_column(title, justify="right", no_wrap=True)
    if lux:
        table.add_column("light", justify="right", no_wrap=True)
    for point in report.points:
        cells = ["", "", "", "", ""]
        if point.incident is not None:
            total = point.incident.combined
            cells[:3] = (
                phrases.reading_short(total.f_number),
                f"{total.stderr_stops:.3f}",
                phrases.signed_stops(total.over_camera_stops),
            )
        if point.spot is not None:
            total = point.spot.combined
            cells[3:] = phrases.signed_stops(total.from_grey_stops), f"{total.stderr_stops:.3f}"
        if lux and (either := point.incident or point.spot) is not None:
            cells.append(amount_text(either.combined, either.kind))
        table.add_row(point.label, *cells)
    return table


def _table_by_light(report: MeterReport, lights: list[str], what: str) -> Table:
    titles = {"share": "Share of the light, and stops lost without it", "alone": "Each light on its own",
              "lux": "Each light on its own: lx of continuous light, lx·s of flash"}  # fmt: skip
    table = Table(title=titles[what], title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("point")
    for name in lights:
        table.add_column(name, justify="right", overflow="fold", max_width=11)
    for point in report.points:
        readings = point.incident or point.spot
        if readings is None:
            continue
        cells = (readings.by_light[name] for name in lights)
        if what == "share":
            table.add_row(point.label, *(_share_cell(reading) for reading in cells))
        elif what == "lux":
            table.add_row(point.label, *(amount_text(reading, readings.kind) for reading in cells))
        elif point.incident is not None:
            table.add_row(point.label, *(phrases.reading_short(reading.f_number) for reading in cells))
    return table


def _share_cell(reading: Reading) -> Text:
    percent = 100 * reading.share
    if percent < 0.5:
        return Text("-", style="dim")
    drop = drop_stops(reading)
    # Who loses ten stops loses all.
    text = "all" if drop <= -10 else f"{-drop:.1f}" if drop <= -0.05 else "0"
    return Text(f"{percent:.0f} % {text:>3}", style="bold" if percent >= 50 else "")


def _footnote(report: MeterReport) -> Text:
    worst = max(
        (reading.stderr_stops for point in report.points if point.incident is not None
         for reading in point.incident.by_light.values() if reading.share >= TELLING_SHARE),
        default=0.0,
    )  # fmt: skip
    contrast = f" Contrast: {CONTRAST_DEFINITION}." if report.has_sitter else ""
    return Text(
        f"Lighting ratio: {DEFINITION}.{contrast}\n"
        "Incident: dome 4 cm off the surface, turned to the camera, unless it is your own meter (C = 340; flat 250). "
        "Spot: 1° from the camera, of the backdrop from behind the sitter (K = 12.5), 0 is middle grey in the picture. "
        f"Errors are standard errors in stops; that of one light alone is at most {worst:.3f} wherever it gives "
        f"{100 * TELLING_SHARE:.0f} % or more.",
        style="dim",
    )
