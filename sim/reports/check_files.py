"""The checks of a scene file, from reading it to the files: report, marked pictures, data."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.report import CheckReport, check_report, record_from_report
from sim.advice.checks.sentences import lines_from_findings
from sim.advice.checks.separation import marked
from sim.light.develop import denoised, develop
from sim.light.stack import LightStack
from sim.metering.lighting_ratio import ratio_from_probes, ratio_probes
from sim.reports.eyes_sheet import eyes_sheet
from sim.reports.files import ResultFolder, png_bytes
from sim.session import Progress, Rehearsal

FILES = ("separation.png", "eyes.png", "checks.json", "checks.txt")
LONG_SIDE_PX, SAMPLES = 480, 32
SHOWN_TIMES = 2
KEY_RAYS = 1 << 13


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
    fresh: bool = False,
    on_progress: Progress | None = None,
) -> Checkup:
    """Check a scene file and write the report into `out`.

    Arguments: `fresh` traces anew what is kept.
    Raises HalfstopError with one plain line; nothing is written then.
    """
    tell = on_progress or (lambda step, part: None)
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    scene, mix = rehearsal.scene, rehearsal.mix
    ResultFolder(out).require_usable(list(FILES))
    stack = rehearsal.stack(
        size=rehearsal.picture_size(long_side_px), samples=samples, seed=seed, on_progress=on_progress
    )  # fmt: skip
    tell("meters", 0.0)
    with rehearsal.answering("checks") as stage:
        report = check_report(scene, stage, stack, mix, key=_key(rehearsal, seed))
    tell("meters", 1.0)
    viewed = denoised(stack, lambda part: tell("denoise", part))
    picture = _shown(marked(develop(viewed, mix, scene.camera), report.separation), stack)
    made = Checkup(report, tuple(lines_from_findings(findings_from_report(report))), ())
    files = _written(rehearsal, made, picture, out)
    tell("files", 1.0)
    return replace(made, files=tuple(files))


def _key(rehearsal: Rehearsal, seed: int) -> str:
    """The key as a meter finds it; a few rays tell it."""
    scene, layout = rehearsal.scene, rehearsal.layout
    read = rehearsal.readings(ratio_probes(scene, layout), seed=seed, most_rays=KEY_RAYS)
    return ratio_from_probes(scene, layout, read, rehearsal.mix).key


def _shown(picture: npt.NDArray[np.uint8], stack: LightStack) -> Image.Image:
    """The marked picture, larger, pixel by pixel."""
    size = SHOWN_TIMES * stack.size[0], SHOWN_TIMES * stack.size[1]
    return Image.fromarray(picture).resize(size, Image.Resampling.NEAREST)


def _written(rehearsal: Rehearsal, made: Checkup, picture: Image.Image, out: Path) -> list[Path]:
    """Write pictures, data and text; returns their paths."""
    title, report = rehearsal.scene.title, made.report
    text = "\n".join([title, *(x for head, body in made.lines for x in ("", head, *(f"  {line}" for line in body)))])
    with ResultFolder(out) as folder:
        titles = {"Title": f"{title}: separation", "Description": "orange: under half a stop; blue: two stops or more"}
        folder.stage("separation.png").write_bytes(png_bytes(picture, titles))
        eyes = eyes_sheet(f"{title}: lights in the eyes", report.catchlights)
        folder.stage("eyes.png").write_bytes(png_bytes(eyes, {"Title": f"{title}: lights in the eyes"}))
        record = {"scene": rehearsal.name, "title": title, **record_from_report(report)}
        folder.stage("checks.json").write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", "utf-8")
        folder.stage("checks.txt").write_text(text + "\n", "utf-8")
        return folder.commit()
