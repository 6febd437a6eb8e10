"""From a scene file to a folder of results: the steps of a preview in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from threading import Event
from typing import Any

from sim.light.develop import black_and_white, denoised, encoded, exposed
from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import Probe, ProbeReadings
from sim.light.stack import LightStack
from sim.metering.health import health_from_stack, record_from_health
from sim.metering.points import (
    FACE,
    PointReadings,
    readings_from_probes,
    readings_from_regions,
    scene_probes,
    standard_probes,
)
from sim.metering.report import MeterReport, json_from_report, report_from_probes
from sim.metering.report_points import report_probes
from sim.quantities import color, photometry
from sim.quantities.errors import HalfstopError, quoted
from sim.render.cache.disk import cached_probes, cached_render, stage_from_scene, store_from_environment
from sim.reports.files import ResultFolder, exr_layer_names, png_bytes, write_layers
from sim.reports.preview.quality import Quality
from sim.reports.preview.record import json_bytes, record_from_preview
from sim.reports.sheets import contact_sheet, levelled_sheet, light_lines, settings_text
from sim.reports.sheets.tones import false_tones_sheet, histogram_sheet
from sim.scene.model import Scene
from sim.scene.model.checks import scene_warnings
from sim.scene.read import load_scene, scene_data_hash
from sim.studio.layout import Layout, layout_from_scene

# Told what is being done ("trace", "meters", "denoise", "files") and the finished part of it, 0..1.
Progress = Callable[[str, float], None]

STEPS = ("trace", "meters", "denoise", "files")
PICTURES = ("combined", "black-and-white", "levelled", "contact-sheet", "false-tones", "tones-by-part")


@dataclass(frozen=True)
class PreviewOrder:
    """What to make: `size` (width, height) in pixels, None for the quality's own; `lights` to hear, None for all.

    `fresh` traces everything anew and keeps nothing.
    """

    quality: Quality
    out: Path
    size_text: str | None = None
    samples: int | None = None
    seed: int = 0
    lights: tuple[str, ...] | None = None
    fresh: bool = False


@dataclass(frozen=True)
class Preview:
    """What was made: the scene, the mix that was heard, readings of points, of parts and of every point, the files."""

    scene: Scene
    mix: Mix
    stack: LightStack
    points: tuple[PointReadings, ...]
    parts: tuple[PointReadings, ...]
    report: MeterReport
    warnings: tuple[str, ...]
    files: tuple[Path, ...]

    @property
    def heard(self) -> tuple[str, ...]:
        """Names of the lights that are in the pictures, in layer order."""
        return heard_lights(self.mix)


def run_preview(scene_file: Path, order: PreviewOrder, on_progress: Progress | None = None) -> Preview:
    """Render a scene file and write its pictures, layers and readings into `order.out`.

    Raises HalfstopError with one plain line; nothing is written then.
    Does not: print anything.
    """
    tell = on_progress or (lambda step, part: None)
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, scene_file.parent)
    mix = mix_of_lights(mix_from_scene(scene, layout), order.lights)
    size = _size(order, layout)
    pictures = picture_names(heard_lights(mix))
    # Refuse a folder that cannot take the files before the long work.
    ResultFolder(order.out).require_usable(file_names(pictures))

    probes = standard_probes(layout) + scene_probes(scene, layout)
    # Clean the pictures while the meters are read.
    with _Cleaning(order.quality.denoiser) as cleaning:
        stack, measured, every_point = _traced(scene, layout, order, size, probes, tell, cleaning.begin)
        points = readings_from_probes(measured, mix, scene.camera)
        report = report_from_probes(scene, layout, every_point, seed=order.seed, setting=mix)
        parts = readings_from_regions(stack, mix, scene.camera, part_regions(stack))
        warnings = scene_warnings(scene, heard_lights(mix))
        preview = Preview(scene, mix, stack, tuple(points), tuple(parts), report, warnings, ())

        def cleaned() -> LightStack:
            return cleaning.end(lambda part: tell("denoise", part))

        stack, files = _write(preview, scene_file, order, pictures, probes, tell, cleaned)
    return replace(preview, stack=stack, files=tuple(files))


class _Cleaning:
    """Denoising in a thread of its own; leaving the block by an error ends it after the layer under way."""

    def __init__(self, quality: str) -> None:
        self.quality = quality
        self.pool = ThreadPoolExecutor(1)
        self.unwanted = Event()
        self.part = 0.0

    def __enter__(self) -> _Cleaning:
        return self

    def begin(self, stack: LightStack) -> None:
        self.cleaned = self.pool.submit(denoised, stack, self._note, quality=self.quality)

    def end(self, tell: Callable[[float], None]) -> LightStack:
        """The cleaned stack; `tell` hears of its progress until then."""
        while not self.cleaned.done():
            tell(min(self.part, 0.99))
            wait([self.cleaned], timeout=0.1)
        tell(1.0)
        return self.cleaned.result()

    def __exit__(self, *error: object) -> None:
        self.unwanted.set()
        self.pool.shutdown()

    def _note(self, part: float) -> None:
        if self.unwanted.is_set():
            raise CancelledError
        self.part = part


def heard_lights(mix: Mix) -> tuple[str, ...]:
    """Names of the lights that are not muted, in layer order."""
    return tuple(name for name, muted in zip(mix.names, mix.muted, strict=True) if not muted)


def mix_of_lights(mix: Mix, lights: Sequence[str] | None) -> Mix:
    """The mix with only the named lights heard; all of the scene's when None.

    Does not: take the bodies of the other lights out of the set.
    """
    if lights is not None:
        for name in lights:
            if name not in mix.names:
                near = get_close_matches(name.lower(), mix.names, 1, 0.5)
                cure = f'did you mean "{near[0]}"?' if near else "name some of these"
                raise HalfstopError(
                    f"--lights: there is no light {quoted(name)} in the scene; {cure} (it has {', '.join(mix.names)})"
                )
        mix = mix.only(lights)
    if not heard_lights(mix):
        raise HalfstopError(
            f"no light is on: every one of {', '.join(mix.names)} is muted; remove a mute, or choose with --lights"
        )
    return mix


def picture_names(lights: Sequence[str]) -> dict[str, str]:
    """File names of the lights' pictures, each once and none of them one of the sheets'.

    >>> picture_names(["key", "rim light", "rim-light", "combined"])
    {'key': 'key.png', 'rim light': 'rim-light.png', 'rim-light': 'rim-light-2.png', 'combined': 'combined-2.png'}
    """
    taken = set(PICTURES)
    names = {}
    for light in lights:
        plain = light.strip().replace(" ", "-")
        free, count = plain, 1
        while free in taken:
            count += 1
            free = f"{plain}-{count}"
        taken.add(free)
        names[light] = f"{free}.png"
    return names


def file_names(pictures: dict[str, str]) -> list[str]:
    """Names of all files of a run."""
    return [*(f"{name}.png" for name in PICTURES), *pictures.values(), "layers.exr", "readings.json"]


def part_regions(stack: LightStack) -> list[str]:
    """Parts whose reflected light is read: face, gown (or the suit in its place), backdrop."""
    cloth = "gown" if stack.mask("gown").any() or not stack.mask("suit").any() else "suit"
    return ["face", cloth, "backdrop"]


def _size(order: PreviewOrder, layout: Layout) -> tuple[int, int]:
    from sim.reports.preview.quality import size_from_long_side, size_from_text

    aspect = layout.camera.aspect
    if order.size_text is None:
        return size_from_long_side(order.quality.long_side_px, aspect)
    return size_from_text(order.size_text, aspect)


def _traced(
    scene: Scene, layout: Layout, order: PreviewOrder, size: tuple[int, int], probes: list[Probe], tell: Progress,
    on_stack: Callable[[LightStack], None],
) -> tuple[LightStack, ProbeReadings, ProbeReadings]:  # fmt: skip
    """Trace picture and meters, or take what is kept of them; the renderer is loaded here, and only if needed.

    `on_stack` is handed the picture's layers before the meters are read.
    """
    tell("trace", 0.0)
    store = None if order.fresh else store_from_environment()
    stage = cache(lambda: stage_from_scene(scene, layout))
    depth = scene.render.depth
    stack = cached_render(
        scene,
        layout,
        size=size,
        samples=order.samples or order.quality.samples,
        seed=order.seed,
        depth=depth,
        on_progress=lambda part: tell("trace", part),
        stage=stage,
        store=store,
    )
    on_stack(stack)
    tell("meters", 0.0)
    measured = cached_probes(
        scene,
        layout,
        probes + report_probes(scene, layout),
        seed=order.seed,
        depth=depth,
        target_stderr_stops=order.quality.meter_stderr_stops,
        most_rays=order.quality.meter_rays,
        stage=stage,
        store=store,
    )
    tell("meters", 1.0)
    count = len(probes)
    return stack, measured.between(0, count), measured.between(count, len(measured.probes))


def _write(
    preview: Preview,
    scene_file: Path,
    order: PreviewOrder,
    pictures: dict[str, str],
    probes: list[Probe],
    tell: Progress,
    cleaned: Callable[[], LightStack],
) -> tuple[LightStack, list[Path]]:
    """Develop, draw and stage every file, then put all of them in place.

    What is drawn for viewing waits for `cleaned`; returns its stack and the files.
    """
    from sim import __version__

    scene, mix, stack, camera = preview.scene, preview.mix, preview.stack, preview.scene.camera
    program = f"halfstop {__version__}"
    made = f"{stack.size[0]} x {stack.size[1]}, {stack.samples} samples, seed {stack.seed}"
    texts = {"Title": scene.title, "Description": settings_text(camera), "Software": program, "Comment": made}
    layers = exr_layer_names(stack.names)
    measured = exposed(stack, mix, camera, for_viewing=False)
    health = health_from_stack(stack, mix, camera, next((p for p in preview.points if p.id == FACE), None))
    done, steps = 0, len(pictures) + 8

    with ResultFolder(order.out) as folder:

        def stage(name: str, data: bytes) -> None:
            nonlocal done
            folder.stage(name).write_bytes(data)
            done += 1
            tell("files", done / steps)

        def titled(what: str) -> dict[str, str]:
            return {**texts, "Title": f"{scene.title}: {what}"}

        write_layers(
            folder.stage("layers.exr"),
            stack,
            mix,
            # Keep the denoiser out of the data file.
            combined=measured,
            picture_scale_rgb=photometry.display_scale(camera.f_number, camera.iso)
            * color.white_balance_weights(camera.white_balance_K),
            shutter_s=camera.shutter_s,
            notes={**_notes(scene, stack), "program": program},
        )
        stack = cleaned()
        combined = exposed(stack, mix, camera)
        alone = {name: exposed(stack, mix.only([name]), camera) for name in pictures}

        with ThreadPoolExecutor(2) as pool:
            packed: list[tuple[str, Future[bytes]]] = []

            def pack(name: str, picture: Any, told: dict[str, str], draw: Callable[[Any], Any] | None = None) -> None:
                def packed_picture() -> bytes:
                    return png_bytes(picture if draw is None else draw(picture), told)

                packed.append((name, pool.submit(packed_picture)))

            # Draw the sheets here while threads develop and pack the plain pictures.
            pack("combined.png", combined, titled("combined"), encoded)
            for name, file in pictures.items():
                settings = "; ".join((texts["Description"], *light_lines(scene, name)))
                pack(file, alone[name], {**titled(name), "Description": settings}, encoded)
            pack("black-and-white.png", combined, titled("black and white"), _encoded_grey)
            sheet = contact_sheet(scene, mix, combined, alone, preview.points, made)
            pack("contact-sheet.png", sheet, titled("contact sheet"))
            pack("levelled.png", levelled_sheet(scene, alone, made), titled("each light levelled"))
            tones = false_tones_sheet(measured, health, scene.title, made, combined)
            pack("false-tones.png", tones, titled("false tones"))
            pack("tones-by-part.png", histogram_sheet(health, scene.title, made), titled("tones by part"))
            for name, data in packed:
                stage(name, data.result())
        done += 1
        record = record_from_preview(
            program=program,
            scene={"file": scene_file.name, "title": scene.title, "sha256": scene_data_hash(scene)},
            camera=camera,
            stack=stack,
            mix=mix,
            probes=probes,
            points=preview.points,
            parts=preview.parts,
            pictures=pictures,
            layers=layers,
            warnings=preview.warnings,
        )
        record["health"] = record_from_health(health)
        record["meter"] = json_from_report(preview.report)
        stage("readings.json", json_bytes(record))
        return stack, folder.commit()


def _encoded_grey(linear: Any) -> Any:
    return encoded(black_and_white(linear))


def _notes(scene: Scene, stack: LightStack) -> dict[str, str]:
    return {
        "title": scene.title,
        "scene_sha256": scene_data_hash(scene),
        "camera": settings_text(scene.camera),
        "engine": stack.engine,
        "made": f"{stack.samples} samples, seed {stack.seed}, depth {stack.depth}",
    }
