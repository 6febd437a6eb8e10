"""From a scene file to its meter report, with the figures and false tones as files."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from sim.advice.checks.noseshadow import KeyShadow, rehearsed_key_shadow
from sim.advice.checks.shadow_words import record_from_key_shadow
from sim.light.develop import denoised, exposed
from sim.light.readings import ProbeReadings
from sim.light.stack import LightStack
from sim.metering.health import RANGE_STOPS, Health, health_from_stack, record_from_health
from sim.metering.lighting_ratio import ratio_probes
from sim.metering.report import TARGET_STDERR_STOPS, MeterReport, json_from_report, report_from_probes
from sim.metering.report_points import (
    KEY_CHEEK,
    SHADOW_CHEEK,
    point_from_text,
    points_of_set,
    probes_of_points,
    report_probes,
)
from sim.quantities.errors import HalfstopError, quoted
from sim.quantities.plain import PlainDict
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.sheets.tones import false_tones_sheet, histogram_sheet
from sim.scene.model import Camera
from sim.session import Progress, Rehearsal, require_light

FILES = ("meter.json", "false-tones.png", "tones-by-part.png")
PICTURE_LONG_SIDE_PX, PICTURE_SAMPLES = 360, 16


# Most rays of a reading, and where a precision is asked for.
MOST_RAYS, MOST_RAYS_FOR_PRECISION = 1 << 19, 1 << 22


@dataclass(frozen=True)
class Care:
    """How carefully the meters are read: `only` points of these names, None for all, so that none else takes time.

    `precision_stops` standard error aimed at for each light at each point; `most_rays` of a reading, whatever its
    error. None is the usual.
    """

    only: tuple[str, ...] | None = None
    precision_stops: float | None = None
    most_rays: int | None = None


@dataclass(frozen=True)
class MeterRun:
    """A report, what its key draws on the face, the exposure health of a small picture, and the files written."""

    report: MeterReport
    nose_shadow: KeyShadow | None
    health: Health
    camera: Camera
    files: tuple[Path, ...]


def run_meter(
    scene_file: Path, *, key: str | None = None, reference: str = "face", range_stops: float = RANGE_STOPS,
    seed: int = 0, out: Path | None = None, fresh: bool = False, care: Care = Care(),
    on_progress: Progress | None = None,
) -> MeterRun:  # fmt: skip
    """Meter a scene file and judge its exposure from a small picture.

    Arguments: `reference` point whose incident reading suggests the f-number; `range_stops` of the sensor; `out`
    folder for the figures and the false tones, None writes nothing; `fresh` traces anew what is kept; `care` which
    points are read, and how surely.
    Raises HalfstopError with one plain line; nothing is written then.
    """
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    scene, layout = rehearsal.scene, rehearsal.layout
    require_light(layout)
    if key is not None and key not in [light.name for light in layout.lights]:
        names = ", ".join(light.name for light in layout.lights)
        raise HalfstopError(f"--key {quoted(key)}: there is no such light; it has {names}")
    standard = [KEY_CHEEK, SHADOW_CHEEK, *points_of_set(scene, layout)]
    reference = point_from_text(reference, [*standard, *(n for n, m in scene.meters.items() if m.kind != "spot")])
    if care.only is not None:
        named = [point_from_text(name, [*standard, *scene.meters]) for name in care.only]
        care = replace(care, only=tuple(dict.fromkeys(named)))
    if out is not None:
        ResultFolder(out).require_usable(list(FILES))

    measured = _measured(rehearsal, reference, care, seed, on_progress)
    report = report_from_probes(scene, layout, measured, key=key, seed=seed)
    stack = rehearsal.stack(
        size=rehearsal.picture_size(PICTURE_LONG_SIDE_PX), samples=PICTURE_SAMPLES, seed=seed, on_progress=on_progress
    )
    incident = report.point(reference).incident
    health = health_from_stack(
        stack, rehearsal.mix, scene.camera, incident, name=reference if incident else "", range_stops=range_stops
    )
    shown = tuple(point for point in report.points if care.only is None or point.name in care.only)
    aimed = care.precision_stops or TARGET_STDERR_STOPS
    drawn = rehearsed_key_shadow(rehearsal, report.key.light)
    made = MeterRun(replace(report, points=shown, precision_stops=aimed), drawn, health, scene.camera, ())
    return made if out is None else replace(made, files=tuple(_written(rehearsal, made, stack, out)))


def record_from_run(made: MeterRun) -> PlainDict:
    """All that a run found as plain data."""
    return {
        **json_from_report(made.report), "nose_shadow": record_from_key_shadow(made.nose_shadow),
        "health": record_from_health(made.health),
    }  # fmt: skip


def _measured(
    rehearsal: Rehearsal, reference: str, care: Care, seed: int, on_progress: Progress | None
) -> ProbeReadings:
    """The readings of a report; where only some points are asked for, of these and what the report cannot do without.

    What tells the key and the reference is then read as surely as usual, and no more.
    """
    scene, layout = rehearsal.scene, rehearsal.layout
    probes, parts = report_probes(scene, layout), points_of_set(scene, layout)
    wanted = probes if care.only is None else probes_of_points(probes, parts, care.only)
    most_rays = care.most_rays or (MOST_RAYS if care.precision_stops is None else MOST_RAYS_FOR_PRECISION)
    aimed = rehearsal.readings(
        wanted, seed=seed, target_stderr_stops=care.precision_stops or TARGET_STDERR_STOPS, most_rays=most_rays,
        on_progress=on_progress,
    )  # fmt: skip
    have = {probe.id for probe in wanted}
    needed = [*ratio_probes(scene, layout), *probes_of_points(probes, parts, [reference, KEY_CHEEK])]
    rest = list({probe.id: probe for probe in needed if probe.id not in have}.values())
    if not rest:
        return aimed
    others = rehearsal.readings(
        rest, seed=seed, target_stderr_stops=TARGET_STDERR_STOPS, most_rays=min(most_rays, MOST_RAYS),
        on_progress=on_progress,
    )  # fmt: skip
    return aimed.and_then(others)


def _written(rehearsal: Rehearsal, made: MeterRun, stack: LightStack, out: Path) -> list[Path]:
    """Write the figures, the false tones and the histograms; returns their paths."""
    scene, health = rehearsal.scene, made.health
    how = f"{stack.size[0]} x {stack.size[1]}, {stack.samples} samples, seed {stack.seed}"
    plain = exposed(stack, rehearsal.mix, scene.camera, for_viewing=False)
    viewed = exposed(denoised(stack), rehearsal.mix, scene.camera)
    record = record_from_run(made)
    with ResultFolder(out) as folder:
        text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        folder.stage(FILES[0]).write_text(text, "utf-8")
        tones = false_tones_sheet(plain, health, scene.title, how, viewed)
        folder.stage(FILES[1]).write_bytes(png_bytes(tones, {"Title": f"{scene.title}: false tones"}))
        plots = histogram_sheet(health, scene.title, how)
        folder.stage(FILES[2]).write_bytes(png_bytes(plots, {"Title": f"{scene.title}: tones by part"}))
        return folder.commit()
