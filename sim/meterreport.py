"""The meter report: every point of the set-up by light and combined, in the terms of a hand-held meter."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sim import metering, mix, units
from sim.develop import denoised, exposed
from sim.errors import HalfstopError, quoted
from sim.health import RANGE_STOPS, Health, health_from_stack, record_from_health
from sim.layercache import cached_probes, cached_render, stage_from_scene, store_from_environment
from sim.layout import Layout, layout_from_scene
from sim.metering import PointReadings, Reading
from sim.meterpoints import (
    KEY_CHEEK,
    POINTS,
    SHADOW_CHEEK,
    KeySide,
    key_side_from_readings,
    parts_by_name,
    point_from_text,
    report_probes,
)
from sim.model import Camera, Scene
from sim.readings import ProbeReadings
from sim.savefiles import ResultFolder, png_bytes
from sim.scenefile import load_scene
from sim.sheets.tones import false_tones_sheet, histogram_sheet

TARGET_STDERR_STOPS = 0.03
RATIO_DEFINITION = (
    "all light on the key-side cheek, flat receptor turned to the key : all light on the shadow-side cheek, flat "
    "receptor turned to the camera (common practice, no source; the usual (key + fill) : fill)"
)
LIGHTS_PER_TABLE = 6
# Below this share a light's own standard error does not matter to anyone.
TELLING_SHARE = 0.02
# Where hand-held meters end: common practice, no source.
LOWEST_F_NUMBER = 0.5


@dataclass(frozen=True)
class PointReport:
    """One point: `incident` by dome or the user's own receptor, `spot` from the camera; either may be missing."""

    name: str
    part: str
    incident: PointReadings | None
    spot: PointReadings | None


@dataclass(frozen=True)
class Ratio:
    """Key side to shadow side: `factor` (None without light on the shadow side), `diff_stops`, `stderr_stops`."""

    factor: float | None
    diff_stops: float | None
    stderr_stops: float


@dataclass(frozen=True)
class MeterReport:
    """Readings of a set-up; `ratio` as defined in `RATIO_DEFINITION`, `dome_ratio` with domes toward the camera."""

    title: str
    camera: dict[str, float]
    lights: tuple[str, ...]
    muted: tuple[str, ...]
    key: KeySide
    points: tuple[PointReport, ...]
    ratio: Ratio
    dome_ratio: Ratio
    seed: int

    def point(self, name: str) -> PointReport:
        """The point called `name`."""
        return next(point for point in self.points if point.name == name)


def read_meter(
    scene: Scene, layout: Layout, stage: Any, *, key: str | None = None, seed: int = 0,
    target_stderr_stops: float = TARGET_STDERR_STOPS,
) -> MeterReport:  # fmt: skip
    """Trace the probes of a report in one go and put the report together.

    Arguments: `stage` the built stage; `key` the light to take for the key, otherwise it is found.
    """
    from sim.transport.probe import read_probes

    measured = read_probes(
        stage, report_probes(scene, layout), seed=seed, depth=scene.render.depth,
        target_stderr_stops=target_stderr_stops,
    )  # fmt: skip
    return report_from_probes(scene, layout, measured, key=key, seed=seed)


def report_from_probes(
    scene: Scene, layout: Layout, measured: ProbeReadings, *, key: str | None = None, seed: int = 0,
    setting: mix.Mix | None = None,
) -> MeterReport:  # fmt: skip
    """Report from probes that were already traced, at a setting of the lights; by default the scene's own."""
    setting = setting or mix.mix_from_scene(scene, layout)
    found = metering.readings_from_probes(measured, setting, scene.camera)
    by_name = {reading.point: reading for reading in found}
    side = key_side_from_readings(by_name, [light.name for light in layout.lights], key)
    points = [
        PointReport(name, part, by_name[f"dome {part}"], by_name[f"spot {part}"])
        for name, part in parts_by_name(side, layout).items()
    ]
    for name, meter in scene.meters.items():
        reading = by_name[f"own {name}"]
        at = meter.at if isinstance(meter.at, str) else "a point"
        spot = meter.kind == "spot"
        points.append(PointReport(name, at, None if spot else reading, reading if spot else None))
    camera = scene.camera
    return MeterReport(
        title=scene.title,
        camera={"f_number": camera.f_number, "shutter_s": camera.shutter_s, "iso": camera.iso},
        lights=setting.names,
        muted=tuple(name for name, muted in zip(setting.names, setting.muted, strict=True) if muted),
        key=side,
        points=tuple(points),
        ratio=_ratio(by_name[f"flat {side.lit_cheek} to {side.light}"], by_name[f"flat {side.shadow_cheek}"]),
        dome_ratio=_ratio(by_name[f"dome {side.lit_cheek}"], by_name[f"dome {side.shadow_cheek}"]),
        seed=seed,
    )


def _ratio(lit: PointReadings, shadow: PointReadings) -> Ratio:
    high, low = lit.combined, shadow.combined
    stderr = float(np.hypot(high.stderr_stops, low.stderr_stops))
    if low.exposure <= 0 or high.exposure <= 0:
        return Ratio(None, None, stderr)
    factor = high.exposure / low.exposure
    return Ratio(factor, float(np.log2(factor)), stderr)


def drop_stops(reading: Reading) -> float:
    """Stops that a point loses when this light is off, 0 or less; -inf where it is the only light."""
    left = 1 - reading.share
    return float(np.log2(left)) if left > 1e-9 else float("-inf")


# -- from a scene file ---------------------------------------------------------------------------

FILES = ("meter.json", "false-tones.png", "tones-by-part.png")
PICTURE_LONG_SIDE_PX, PICTURE_SAMPLES = 360, 16


@dataclass(frozen=True)
class MeterRun:
    """A report, the exposure health of a small picture, and the files that were written."""

    report: MeterReport
    health: Health
    camera: Camera
    files: tuple[Path, ...]


def run_meter(
    scene_file: Path, *, key: str | None = None, reference: str = "face", range_stops: float = RANGE_STOPS,
    seed: int = 0, out: Path | None = None, fresh: bool = False,
    on_progress: Callable[[str, float], None] | None = None,
) -> MeterRun:  # fmt: skip
    """Meter a scene file and judge its exposure from a small picture.

    Arguments: `reference` point whose incident reading suggests the f-number; `range_stops` of the sensor; `out`
    folder for the figures and the false tones, None writes nothing; `fresh` traces anew what is kept.
    Raises HalfstopError with one plain line; nothing is written then.
    """
    tell = on_progress or (lambda step, part: None)
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, scene_file.parent)
    if key is not None and key not in [light.name for light in layout.lights]:
        names = ", ".join(light.name for light in layout.lights)
        raise HalfstopError(f"--key {quoted(key)}: there is no such light; it has {names}")
    known = [KEY_CHEEK, SHADOW_CHEEK, *POINTS, *(n for n, meter in scene.meters.items() if meter.kind != "spot")]
    reference = point_from_text(reference, known)
    if out is not None:
        ResultFolder(out).require_usable(list(FILES))

    tell("meters", 0.0)
    store = None if fresh else store_from_environment()
    stage = cache(lambda: stage_from_scene(scene, layout))
    measured = cached_probes(
        scene, layout, report_probes(scene, layout), seed=seed, depth=scene.render.depth,
        target_stderr_stops=TARGET_STDERR_STOPS, stage=stage, store=store,
    )  # fmt: skip
    report = report_from_probes(scene, layout, measured, key=key, seed=seed)
    tell("meters", 1.0)
    aspect, long = layout.camera.aspect, PICTURE_LONG_SIDE_PX
    stack = cached_render(
        scene, layout, size=(round(long * min(1, aspect)), round(long / max(1, aspect))), samples=PICTURE_SAMPLES,
        seed=seed, depth=scene.render.depth, on_progress=lambda part: tell("trace", part), stage=stage, store=store,
    )  # fmt: skip
    setting = mix.mix_from_scene(scene, layout)
    incident = report.point(reference).incident
    health = health_from_stack(
        stack, setting, scene.camera, incident and replace(incident, point=reference), range_stops=range_stops
    )
    files: list[Path] = []
    if out is not None:
        made = f"{stack.size[0]} x {stack.size[1]}, {stack.samples} samples, seed {seed}"
        plain = exposed(stack, setting, scene.camera, for_viewing=False)
        viewed = exposed(denoised(stack), setting, scene.camera)
        record = {**json_from_report(report), "health": record_from_health(health)}
        with ResultFolder(out) as folder:
            text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
            folder.stage(FILES[0]).write_text(text, "utf-8")
            tones = false_tones_sheet(plain, health, scene.title, made, viewed)
            folder.stage(FILES[1]).write_bytes(png_bytes(tones, {"Title": f"{scene.title}: false tones"}))
            plots = histogram_sheet(health, scene.title, made)
            folder.stage(FILES[2]).write_bytes(png_bytes(plots, {"Title": f"{scene.title}: tones by part"}))
            files = folder.commit()
    return MeterRun(report, health, scene.camera, tuple(files))


# -- for machines -------------------------------------------------------------------------------


def json_from_report(report: MeterReport) -> dict[str, Any]:
    """The whole report as plain data; what is dark or endless is null."""
    return {
        "title": report.title,
        "camera": report.camera,
        "lights": list(report.lights),
        "muted": list(report.muted),
        "key": asdict(report.key),
        "ratio": {"definition": RATIO_DEFINITION, **_plain(asdict(report.ratio))},
        "ratio_dome_to_camera": _plain(asdict(report.dome_ratio)),
        "points": {
            point.name: {
                "part": point.part,
                "incident": _json_from_readings(point.incident),
                "reflected": _json_from_readings(point.spot),
            }
            for point in report.points
        },
        "seed": report.seed,
    }


def _json_from_readings(readings: PointReadings | None) -> dict[str, Any] | None:
    if readings is None:
        return None
    return {
        "kind": readings.kind,
        "combined": _plain(asdict(readings.combined)),
        "by_light": {
            name: {**_plain(asdict(reading)), "drop_if_off_stops": _finite(drop_stops(reading))}
            for name, reading in readings.by_light.items()
        },
    }


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    return {name: _finite(value) for name, value in values.items()}


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


# -- for people ---------------------------------------------------------------------------------


def tables_from_report(report: MeterReport) -> RenderableType:
    """The report as text and tables that can be read at 100 columns.

    Does not: avoid signs such as ± that a bare terminal lacks; the command line replaces them.
    """
    pieces: list[RenderableType] = [_heading(report), _combined_table(report)]
    lit = [name for name in report.lights if name not in report.muted]
    for start in range(0, len(lit), LIGHTS_PER_TABLE):
        pieces.append(_table_by_light(report, lit[start : start + LIGHTS_PER_TABLE], "share"))
    for start in range(0, len(lit), LIGHTS_PER_TABLE):
        pieces.append(_table_by_light(report, lit[start : start + LIGHTS_PER_TABLE], "alone"))
    return Group(*pieces, _footnote(report))


def short_f_number(f_number: float) -> str:
    """A meter's reading to a tenth of a stop in few characters.

    >>> short_f_number(8.0), short_f_number(7.21), short_f_number(0.2)
    ('f/8', 'f/5.6 7/10', '< f/0.5')
    """
    if f_number < LOWEST_F_NUMBER:
        return f"< f/{LOWEST_F_NUMBER:g}"
    text = units.text_from_f_number_in_tenths(f_number)
    mark, _, tenths = text.partition(" and ")
    return f"{mark} {tenths.split()[0]}/10" if tenths else mark


def stops_text(stops: float | None, places: int = 1) -> str:
    """Stops with their sign.

    >>> stops_text(-1.234), stops_text(float("-inf")), stops_text(0.04), stops_text(None)
    ('-1.2', 'dark', '0.0', '')
    """
    if stops is None:
        return ""
    if not np.isfinite(stops):
        return "dark"
    text = f"{stops:+.{places}f}"
    return text[1:] if float(text) == 0 else text


def _heading(report: MeterReport) -> Text:
    camera, key = report.camera, report.key
    side = f"{key.lit_cheek} is the key side" if not key.alike else "it lights both cheeks alike"
    how = "as asked" if key.chosen_by_user else "it gives most of what the camera sees on the face"
    lines = [
        f"{report.title}: {units.text_from_f_number(camera['f_number'])}, "
        f"{units.text_from_time_s(camera['shutter_s'])}, ISO {camera['iso']:g}",
        f'Key: "{key.light}" ({how}); {side} (left and right as the camera sees them).',
        f"Ratio: {_ratio_text(report.ratio)}: {RATIO_DEFINITION}.",
        f"Same cheeks, domes turned to the camera: {_ratio_text(report.dome_ratio)}.",
    ]
    if report.muted:
        lines.append(f"Muted and left out: {', '.join(report.muted)}.")
    return Text("\n".join(lines))


def _ratio_text(ratio: Ratio) -> str:
    if ratio.factor is None or ratio.diff_stops is None:
        return "without end (no light on one side)"
    return f"{ratio.factor:.2g}:1 = {stops_text(ratio.diff_stops)} stops ± {ratio.stderr_stops:.2f}"


def _combined_table(report: MeterReport) -> Table:
    table = Table(title="All lights together", title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("point", no_wrap=True)
    for title in ("incident", "error", "against camera", "spot, from grey", "error"):
        table.add_column(title, justify="right", no_wrap=True)
    for point in report.points:
        cells = ["", "", "", "", ""]
        if point.incident is not None:
            total = point.incident.combined
            cells[:3] = short_f_number(total.f_number), f"{total.stderr_stops:.2f}", stops_text(total.over_camera_stops)
        if point.spot is not None:
            total = point.spot.combined
            cells[3:] = stops_text(total.from_grey_stops), f"{total.stderr_stops:.2f}"
        table.add_row(point.name, *cells)
    return table


def _table_by_light(report: MeterReport, lights: list[str], what: str) -> Table:
    titles = {"share": "Share of the light, and stops lost without it", "alone": "Each light on its own"}
    table = Table(title=titles[what], title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("point", no_wrap=True)
    for name in lights:
        table.add_column(name, justify="right", overflow="fold", max_width=11)
    for point in report.points:
        readings = point.incident or point.spot
        if readings is None:
            continue
        cells = (readings.by_light[name] for name in lights)
        if what == "share":
            table.add_row(point.name, *(_share_cell(reading) for reading in cells))
        elif point.incident is not None:
            table.add_row(point.name, *(short_f_number(reading.f_number) for reading in cells))
    return table


def _share_cell(reading: Reading) -> Text:
    percent = 100 * reading.share
    if percent < 0.5:
        return Text("-", style="dim")
    drop = drop_stops(reading)
    text = "all" if not np.isfinite(drop) else f"{drop:.1f}" if drop <= -0.05 else "0"
    return Text(f"{percent:.0f} % {text:>4}", style="bold" if percent >= 50 else "")


def _footnote(report: MeterReport) -> Text:
    worst = max(
        (reading.stderr_stops for point in report.points if point.incident is not None
         for reading in point.incident.by_light.values() if reading.share >= TELLING_SHARE),
        default=0.0,
    )  # fmt: skip
    return Text(
        "Incident: dome 4 cm off the surface, turned to the camera, unless it is your own meter (C = 340; flat 250). "
        "Spot: 1° from the camera, of the backdrop from behind the sitter (K = 12.5), 0 is middle grey in the picture. "
        f"Errors are standard errors in stops; that of one light alone is at most {worst:.2f} stop wherever it gives "
        f"{100 * TELLING_SHARE:.0f} % or more.",
        style="dim",
    )
