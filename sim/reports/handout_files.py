"""From a scene file to the teaching handout: the page, and its strips as pictures and animations."""

from __future__ import annotations

from pathlib import Path

from sim.advice.checks.duties import duties, duty_readings
from sim.advice.checks.duty_words import sentence_from_tasks
from sim.advice.checks.noseshadow import rehearsed_key_shadow
from sim.advice.checks.separation import separation
from sim.advice.checks.sparkle import sequin_light, sparkle
from sim.light.develop import denoised
from sim.light.stack import LightStack
from sim.metering.lighting_ratio import alone_at_face, ratio_from_probes, ratio_probes
from sim.metering.points import STANDARD_POINTS, readings_by_probe, readings_from_probes, scene_probes
from sim.metering.report_points import key_side_from_readings, label_from_probe, lights_to_model
from sim.quantities.errors import HalfstopError
from sim.reports import strips
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.handout import Handout, handout_html
from sim.reports.plan import plan_from_scene, plan_probes
from sim.session import METER_RAYS, Progress, Rehearsal, require_light

STRIP_FILES = ("build-up.png", "build-up.webp", "leave-one-out.png", "leave-one-out.webp")
STRIP_HEIGHT_PX, LOOP_HEIGHT_PX = 480, 600


def run_handout(
    scene_file: Path, out: Path, *, size: tuple[int, int], samples: int, seed: int = 0, rays: int = METER_RAYS,
    lux: bool = False, fresh: bool = False, on_progress: Progress | None = None,
) -> list[Path]:  # fmt: skip
    """Write `handout.html` and the strips as PNG and animated WebP.

    Arguments: `rays` most on one probe; `lux` whether the readings also tell lx and lx·s; `fresh` traces
    anew what is kept.
    """
    tell = on_progress or (lambda step, part: None)
    ResultFolder(out).require_usable(["handout.html", *STRIP_FILES])
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    scene, mix, camera = rehearsal.scene, rehearsal.mix, rehearsal.scene.camera
    require_light(rehearsal.layout)
    if not rehearsal.enabled:
        raise HalfstopError(f"{scene_file}: every light is muted, so there is nothing to show; remove a mute")
    stack = rehearsal.stack(size=size, samples=samples, seed=seed, on_progress=on_progress)
    own = scene_probes(scene, rehearsal.layout)
    measured = rehearsal.readings(
        plan_probes(rehearsal.layout) + own, seed=seed, most_rays=rays, on_progress=on_progress
    )  # fmt: skip
    at_face = rehearsal.readings(ratio_probes(scene, rehearsal.layout), seed=seed, most_rays=rays)
    ratio = ratio_from_probes(scene, rehearsal.layout, at_face, mix)
    face = readings_by_probe(at_face, mix, camera)
    side = key_side_from_readings(face, lights_to_model(rehearsal.layout))
    drawn = rehearsed_key_shadow(rehearsal, ratio.key)
    sentences = duty_sentences(rehearsal, stack)
    stack = denoised(stack, lambda part: tell("denoise", part))
    tell("files", 0.0)
    plan = plan_from_scene(scene, rehearsal.layout, mix, measured, source=scene_file.name)
    order = [step.light for step in plan.steps]
    shown = {*STANDARD_POINTS, *(probe.id for probe in own)}
    points, full = (
        {label_from_probe(p.id, scene): p for p in readings_from_probes(measured, m, camera) if p.id in shown}
        for m in (mix, mix.only(mix.names))
    )
    built = strips.build_up(stack, mix, camera, order)
    without = strips.leave_one_out(stack, mix, camera, order)
    sheets = [strips.strip_image(frames, STRIP_HEIGHT_PX) for frames in (built, without)]
    tell("files", 0.3)
    html = handout_html(
        Handout(
            plan, stack, mix, camera, points, full, sentences, order, sheets[0], sheets[1], ratio, drawn, lux,
            alone_at_face(at_face, side),
        )
    )  # fmt: skip
    texts = {"Title": scene.title, "Software": "halfstop"}
    with ResultFolder(out) as folder:
        folder.stage("handout.html").write_text(html, "utf-8")
        for stem, frames, sheet in (("build-up", built, sheets[0]), ("leave-one-out", without, sheets[1])):
            folder.stage(f"{stem}.png").write_bytes(png_bytes(sheet, texts))
            folder.stage(f"{stem}.webp").write_bytes(strips.animated_webp(frames, min(LOOP_HEIGHT_PX, size[1])))
        tell("files", 1.0)
        return folder.commit()


def duty_sentences(rehearsal: Rehearsal, stack: LightStack) -> dict[str, str]:
    """A sentence for each light of what it does, from its measured absence."""
    mix, layout, camera = rehearsal.mix, rehearsal.layout, rehearsal.scene.camera
    parted = separation(stack, mix, camera)
    glints = sparkle(sequin_light(rehearsal.stage, seed=stack.seed), mix, camera)
    read = duty_readings(rehearsal.stage, seed=stack.seed)
    return {
        d.light: sentence_from_tasks(d.tasks, rehearsal.scene.sitter.garment)
        for d in duties(stack, layout, mix, camera, read, parted, glints).duties
    }
