"""The checks of a scene file, from reading it to the files: report, marked pictures, data."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

from sim.advice.checks.sentences import lines_from_findings
from sim.light.develop import denoised, develop
from sim.light.mix import mix_from_scene
from sim.reports.eyes_sheet import eyes_sheet
from sim.reports.files import ResultFolder, png_bytes
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene

if TYPE_CHECKING:
    from sim.advice.checks.report import CheckReport

FILES = ("separation.png", "eyes.png", "checks.json", "checks.txt")
LONG_SIDE_PX, SAMPLES = 480, 32
# The marked picture is shown larger, pixel by pixel.
SHOWN_TIMES = 2

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Checkup:
    """What was found and written."""

    report: CheckReport
    lines: tuple[tuple[str, list[str]], ...]
    files: tuple[Path, ...]


def run_checks(
    scene_file: Path,
    out: Path,
    *,
    long_side_px: int = LONG_SIDE_PX,
    samples: int = SAMPLES,
    seed: int = 0,
    on_progress: Progress | None = None,
) -> Checkup:
    """Check a scene file and write the report into `out`.

    Raises HalfstopError with one plain line; nothing is written then.
    """
    tell = on_progress or (lambda step, part: None)
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, scene_file.parent)
    mix = mix_from_scene(scene, layout)
    ResultFolder(out).require_usable(list(FILES))

    tell("trace", 0.0)
    from sim.render.engine import start_engine

    start_engine()
    from sim.advice.checks.findings import findings_from_report
    from sim.advice.checks.report import check_report, record_from_report
    from sim.advice.checks.separation import marked
    from sim.render.stage.build import build
    from sim.render.transport.render import render

    aspect = layout.camera.aspect
    size = (
        (max(16, round(long_side_px * aspect)), long_side_px) if aspect < 1
        else (long_side_px, max(16, round(long_side_px / aspect)))
    )  # fmt: skip
    stage = build(scene, layout)
    stack = render(
        stage,
        size=size,
        samples=samples,
        seed=seed,
        depth=scene.render.depth,
        on_progress=lambda part: tell("trace", part),
    )
    tell("meters", 0.0)
    report = check_report(scene, stage, stack, mix)
    tell("meters", 1.0)
    picture = marked(develop(denoised(stack, lambda part: tell("denoise", part)), mix, scene.camera), report.separation)
    shown = Image.fromarray(picture).resize((SHOWN_TIMES * size[0], SHOWN_TIMES * size[1]), Image.Resampling.NEAREST)
    lines = lines_from_findings(findings_from_report(report))
    text = "\n".join([scene.title, *(line for head, body in lines for line in ("", head, *(f"  {x}" for x in body)))])
    with ResultFolder(out) as folder:
        titles = {
            "Title": f"{scene.title}: separation",
            "Description": "orange: under half a stop; blue: two stops or more",
        }
        folder.stage("separation.png").write_bytes(png_bytes(shown, titles))
        eyes = eyes_sheet(f"{scene.title}: lights in the eyes", report.catchlights)
        folder.stage("eyes.png").write_bytes(png_bytes(eyes, {"Title": f"{scene.title}: lights in the eyes"}))
        record = {"scene": scene_file.name, "title": scene.title, **record_from_report(report)}
        folder.stage("checks.json").write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", "utf-8")
        folder.stage("checks.txt").write_text(text + "\n", "utf-8")
        files = folder.commit()
    tell("files", 1.0)
    return Checkup(report, tuple(lines), tuple(files))
