"""From a scene file to its meter report, with the figures and false tones as files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from sim.light import mix
from sim.light.develop import denoised, exposed
from sim.metering.health import RANGE_STOPS, Health, health_from_stack, record_from_health
from sim.metering.report import TARGET_STDERR_STOPS, MeterReport, json_from_report, report_from_probes
from sim.metering.report_points import KEY_CHEEK, POINTS, SHADOW_CHEEK, point_from_text, report_probes
from sim.quantities.errors import HalfstopError, quoted
from sim.render.cache.disk import cached_probes, cached_render, stage_from_scene, store_from_environment
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.sheets.tones import false_tones_sheet, histogram_sheet
from sim.scene.model import Camera
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene

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
        stack, setting, scene.camera, incident, name=reference if incident else "", range_stops=range_stops
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
