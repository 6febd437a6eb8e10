"""From a scene file to what leaves the desk: rig plan, handout with strips, finished picture, corrected scene."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sim.light import finish
from sim.light.develop import denoised, exposed
from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import Probe, ProbeReadings
from sim.light.stack import LightStack
from sim.metering import calibrate
from sim.metering.points import STANDARD_POINTS, readings_from_probes, scene_probes
from sim.quantities.errors import EngineError, HalfstopError
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.plan import plan_from_scene, plan_probes
from sim.scene.edit import scene_text_from_file, write_scene_text
from sim.scene.model import Scene
from sim.scene.read import load_scene
from sim.studio.layout import Layout, layout_from_scene

Progress = Callable[[str, float], None]
PAPERS = ("A4", "Letter")
STRIP_FILES = ("build-up.png", "build-up.webp", "leave-one-out.png", "leave-one-out.webp")
METER_RAYS = 1 << 17  # most rays on one probe
STRIP_HEIGHT_PX, LOOP_HEIGHT_PX = 480, 600


@dataclass(frozen=True)
class Set:
    """A scene with its layout and mix, and the renderer's stage for it."""

    file: Path
    scene: Scene
    layout: Layout
    mix: Mix
    stage: Any

    @property
    def heard(self) -> list[str]:
        """Names of the lights that are not muted."""
        return [name for name, muted in zip(self.mix.names, self.mix.muted, strict=True) if not muted]


def opened(scene_file: Path) -> Set:
    """Load a scene and start the renderer for it."""
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, scene_file.parent)
    mix = mix_from_scene(scene, layout)
    from sim.render.engine import start_engine

    start_engine()
    from sim.render.stage.build import build

    return Set(scene_file, scene, layout, mix, build(scene, layout))


def metered(made: Set, probes: Sequence[Probe], tell: Progress, seed: int = 0, rays: int = METER_RAYS) -> ProbeReadings:
    """Read probes in the set."""
    from sim.render.transport.probe import read_probes

    tell("meters", 0.0)
    found = read_probes(made.stage, probes, seed=seed, depth=made.scene.render.depth, most_rays=rays)
    tell("meters", 1.0)
    return found


def run_plan(
    scene_file: Path,
    out: Path,
    *,
    readings: bool = True,
    views: bool = True,
    rays: int = METER_RAYS,
    on_progress: Progress | None = None,
) -> list[Path]:
    """Write the rig plan as `plan.html`, `plan-A4.pdf`, `plan-Letter.pdf` and its drawings as SVG.

    Arguments: `readings` whether expected readings are computed; `views` whether the rig is drawn in three dimensions.
    """
    from sim.reports.plan.page import html_from_plan
    from sim.reports.plan.paper import svg_from_sheet
    from sim.reports.plan.pdf import pdf_from_plan
    from sim.reports.rig_view import rig_views

    tell = on_progress or (lambda step, part: None)
    names = ["plan.html", *(f"plan-{p}.pdf" for p in PAPERS), *(f"{n}.svg" for n in ("plan", "elevation", "cards"))]
    ResultFolder(out).require_usable(names)
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, scene_file.parent)
    mix = mix_from_scene(scene, layout)
    measured = None
    if readings:
        # A machine that cannot render still gets its drawings, lists and cautions; the page says what is missing.
        with suppress(EngineError):
            measured = metered(opened(scene_file), plan_probes(layout), tell, rays=rays)
    tell("files", 0.0)
    pictures, why = rig_views(scene_file) if views else ((), "The view in three dimensions was left out on request.")
    plan = plan_from_scene(scene, layout, mix, measured, source=scene_file.name, views=pictures, no_views=why)
    with ResultFolder(out) as folder:
        folder.stage("plan.html").write_text(html_from_plan(plan), "utf-8")
        for paper in PAPERS:
            folder.stage(f"plan-{paper}.pdf").write_bytes(pdf_from_plan(plan, paper))
        for sheet in plan.sheets:
            folder.stage(f"{sheet.name}.svg").write_text(svg_from_sheet(sheet), "utf-8")
        tell("files", 1.0)
        return folder.commit()


def run_handout(
    scene_file: Path, out: Path, *, size: tuple[int, int], samples: int, seed: int = 0, rays: int = METER_RAYS,
    on_progress: Progress | None = None,
) -> list[Path]:  # fmt: skip
    """Write `handout.html` and the strips as PNG and animated WebP."""
    from sim.reports import strips
    from sim.reports.handout import Handout, handout_html

    tell = on_progress or (lambda step, part: None)
    ResultFolder(out).require_usable(["handout.html", *STRIP_FILES])
    made = opened(scene_file)
    scene, mix, camera = made.scene, made.mix, made.scene.camera
    if not made.heard:
        raise HalfstopError(f"{scene_file}: every light is muted, so there is nothing to show; remove a mute")
    stack = traced(made, size, samples, seed, tell)
    own = scene_probes(scene, made.layout)
    measured = metered(made, plan_probes(made.layout) + own, tell, seed, rays)
    duties = duties_from_set(made, stack)
    stack = denoised(stack, lambda part: tell("denoise", part))
    tell("files", 0.0)
    plan = plan_from_scene(scene, made.layout, mix, measured, source=scene_file.name)
    order = [step.light for step in plan.steps]
    shown = {*STANDARD_POINTS, *(probe.id for probe in own)}
    points, full = (
        [p for p in readings_from_probes(measured, m, camera) if p.id in shown] for m in (mix, mix.only(mix.names))
    )
    built = strips.build_up(stack, mix, camera, order)
    without = strips.leave_one_out(stack, mix, camera, order)
    sheets = [strips.strip_image(frames, STRIP_HEIGHT_PX) for frames in (built, without)]
    tell("files", 0.3)
    html = handout_html(Handout(plan, stack, mix, camera, points, full, duties, order, *sheets))
    texts = {"Title": scene.title, "Software": "halfstop"}
    with ResultFolder(out) as folder:
        folder.stage("handout.html").write_text(html, "utf-8")
        for stem, frames, sheet in (("build-up", built, sheets[0]), ("leave-one-out", without, sheets[1])):
            folder.stage(f"{stem}.png").write_bytes(png_bytes(sheet, texts))
            folder.stage(f"{stem}.webp").write_bytes(strips.animated_webp(frames, min(LOOP_HEIGHT_PX, size[1])))
        tell("files", 1.0)
        return folder.commit()


def run_finish(
    scene_file: Path, out: Path, how: finish.Finish, *, size: tuple[int, int], samples: int, seed: int = 0,
    on_progress: Progress | None = None,
) -> list[Path]:  # fmt: skip
    """Write the finished picture as 16-bit TIFF, PNG and JPEG, and the table of print sizes."""
    tell = on_progress or (lambda step, part: None)
    names = ["finished.tif", "finished.png", "finished.jpg", "print-sizes.txt"]
    ResultFolder(out).require_usable(names)
    made = opened(scene_file)
    camera = made.scene.camera
    stack = denoised(traced(made, size, samples, seed, tell), lambda part: tell("denoise", part))
    display = finish.finished(exposed(stack, made.mix, camera), how)
    texts = texts_from_set(made, how)
    exif = finish.exif_from_camera(camera.f_number, camera.shutter_s, camera.iso, camera.focal_length_m)
    sensor_px = finish.sensor_pixels(camera.sensor.width_m, camera.sensor.height_m, camera.orientation == "portrait")
    with ResultFolder(out) as folder:
        folder.stage("finished.tif").write_bytes(finish.tiff16_bytes(display, texts))
        codes = np.round(display * 255).astype(np.uint8)
        folder.stage("finished.png").write_bytes(png_bytes(codes, texts))
        folder.stage("finished.jpg").write_bytes(finish.jpeg_bytes(display, texts, exif))
        table = io.StringIO()
        table.write(f"A camera of {finish.NOMINAL_PIXELS / 1e6:g} million pixels: ")
        table.write(finish.print_table_text(*sensor_px) + "\nThis rendered picture: ")
        table.write(finish.print_table_text(display.shape[1], display.shape[0]))
        folder.stage("print-sizes.txt").write_text(table.getvalue(), "utf-8")
        tell("files", 1.0)
        return folder.commit()


def run_calibrate(
    scene_file: Path, readings_file: Path, out: Path, *, replace: bool = False, on_progress: Progress | None = None
) -> list[str]:
    """Fit the heads to a file of readings and write the corrected scene; returns the report's lines."""
    tell = on_progress or (lambda step, part: None)
    before = scene_text_from_file(scene_file)
    if out.exists() and not replace:
        raise HalfstopError(f"{out}: there is a file of this name; nothing was written; name another with --out")
    layout = layout_from_scene(before.scene, scene_file.parent)
    readings = calibrate.load_readings(readings_file, before.scene, layout)
    made = opened(scene_file)
    measured = metered(made, readings.probes, tell)
    found = calibrate.calibration_from_probes(readings, measured, made.mix, before.scene, layout)
    changes = calibrate.changes_from_calibration(before.scene, layout, found)
    lines = calibrate.report_lines(readings, found, before.scene)
    write_scene_text(before.changed(changes, out), out, replace=replace)
    return [*lines, f"{len(changes)} head{'' if len(changes) == 1 else 's'} corrected in {out}"]


def traced(made: Set, size: tuple[int, int], samples: int, seed: int, tell: Progress) -> LightStack:
    """The light layers of a set."""
    from sim.render.transport.render import render

    tell("trace", 0.0)
    depth = made.scene.render.depth
    return render(
        made.stage, size=size, samples=samples, seed=seed, depth=depth, on_progress=lambda part: tell("trace", part)
    )


def duties_from_set(made: Set, stack: LightStack) -> dict[str, str]:
    """A sentence for each light of what it does, from its measured absence."""
    from sim.advice.checks.duties import duties, duty_readings
    from sim.advice.checks.separation import separation
    from sim.advice.checks.sparkle import sparkle

    camera = made.scene.camera
    parted = separation(stack, made.mix, camera)
    glints = sparkle(stack, made.mix, camera, made.layout.camera.horizontal_fov_deg)
    read = duty_readings(made.stage, seed=stack.seed)
    told = duties(stack, made.layout, made.mix, camera, read, parted, glints)
    return {duty.light: duty.sentence for duty in told.duties}


def texts_from_set(made: Set, how: finish.Finish) -> dict[str, str]:
    """What a picture file says of its set-up."""
    from sim.reports.plan import settings_text
    from sim.reports.plan.facts import facts_from_scene, text_from_power

    facts = facts_from_scene(made.scene, made.layout)
    lights = "; ".join(
        f"{f.name}: {f.modifier}, {text_from_power(f.power_stops)}, bearing {f.bearing_deg:.0f}°, "
        f"{f.distance_m:.2f} m, height {f.height_m:.2f} m"
        for f in facts
        if not f.muted
    )
    return {
        "Title": made.scene.title, "Description": settings_text(made.scene), "Lights": lights, "Finish": how.told(),
        "Software": "halfstop", "Source": "Computed picture of a rehearsed set-up; no photograph.",
    }  # fmt: skip
