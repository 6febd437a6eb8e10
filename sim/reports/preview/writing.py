"""The files of a preview: their names, and everything developed, drawn and put in place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from sim import __version__
from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import record_from_key_shadow
from sim.light.develop import black_and_white, encoded, exposed, picture_scale_rgb
from sim.light.mix import Mix
from sim.light.readings import Probe
from sim.light.stack import LightStack
from sim.metering.health import Health, health_from_stack, record_from_health
from sim.metering.points import FACE, PointReadings
from sim.metering.report import MeterReport, json_from_report
from sim.reports.files import ResultFolder, exr_layer_names, png_bytes, write_layers
from sim.reports.preview.record import json_bytes, record_from_preview
from sim.reports.sheets import contact_sheet, levelled_sheet, light_lines, settings_text
from sim.reports.sheets.tones import false_tones_sheet, histogram_sheet
from sim.scene.model import Scene
from sim.scene.read import scene_data_hash
from sim.session import Progress, enabled_lights

PROGRAM = f"halfstop {__version__}"
PICTURES = ("combined", "black-and-white", "levelled", "contact-sheet", "false-tones", "tones-by-part")
DATA_FILES = ("layers.exr", "readings.json")

# Linear (h, w, 3) or (h, w).
Linear = npt.NDArray[np.floating]
Drawn = npt.NDArray[np.uint8] | Image.Image


@dataclass(frozen=True)
class Preview:
    """What was made: the scene, the mix that is shown, readings of points, of parts and of every point, the files.

    `nose_shadow` what the key draws on the face; `probes` those of `points`; `pictures` file name of each light's own
    picture.
    """

    scene: Scene
    mix: Mix
    stack: LightStack
    points: tuple[PointReadings, ...]
    parts: tuple[PointReadings, ...]
    report: MeterReport
    nose_shadow: KeyShadow | None
    warnings: tuple[str, ...]
    probes: tuple[Probe, ...]
    pictures: dict[str, str]
    files: tuple[Path, ...] = ()

    @property
    def enabled(self) -> tuple[str, ...]:
        """Names of the lights that are in the pictures, in layer order."""
        return enabled_lights(self.mix)

    @property
    def made(self) -> str:
        """How the picture was traced, in words."""
        stack = self.stack
        return f"{stack.size[0]} x {stack.size[1]}, {stack.samples} samples, seed {stack.seed}"

    @cached_property
    def health(self) -> Health:
        """The exposure of the picture as measured."""
        face = next((point for point in self.points if point.id == FACE), None)
        return health_from_stack(self.stack, self.mix, self.scene.camera, face)


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
    return [*(f"{name}.png" for name in PICTURES), *pictures.values(), *DATA_FILES]


def write_preview(
    preview: Preview, scene_file: str, out: Path, cleaned: Callable[[], LightStack], tell: Progress
) -> tuple[LightStack, list[Path]]:
    """Develop, draw and stage every file, then put all of them in place.

    What is drawn for viewing waits for `cleaned`; returns its stack and the files.
    """
    done, steps = 0, len(file_names(preview.pictures))

    def note() -> None:
        nonlocal done
        done += 1
        tell("files", done / steps)

    with ResultFolder(out) as folder:
        _stage_layers(preview, folder)
        stack = cleaned()
        note()
        with ThreadPoolExecutor(2) as pool:
            for name, data in _packed(preview, stack, pool):
                folder.stage(name).write_bytes(data.result())
                note()
        folder.stage("readings.json").write_bytes(json_bytes(_record(preview, scene_file)))
        note()
        return stack, folder.commit()


def _stage_layers(preview: Preview, folder: ResultFolder) -> None:
    scene, stack, camera = preview.scene, preview.stack, preview.scene.camera
    write_layers(
        folder.stage("layers.exr"),
        stack,
        preview.mix,
        # Keep the denoiser out of the data file.
        combined=exposed(stack, preview.mix, camera, for_viewing=False),
        picture_scale_rgb=picture_scale_rgb(camera),
        shutter_s=camera.shutter_s,
        notes={
            "title": scene.title,
            "scene_sha256": scene_data_hash(scene),
            "camera": settings_text(camera),
            "engine": stack.engine,
            "made": stack.made,
            "program": PROGRAM,
        },
    )


def _packed(preview: Preview, stack: LightStack, pool: ThreadPoolExecutor) -> list[tuple[str, Future[bytes]]]:
    """Every picture as PNG to come, by file name; sheets are drawn here while threads pack the plain pictures."""
    scene, mix, camera, made, health = preview.scene, preview.mix, preview.scene.camera, preview.made, preview.health
    description = settings_text(camera)
    texts = {"Title": scene.title, "Description": description, "Software": PROGRAM, "Comment": made}
    combined = exposed(stack, mix, camera)
    alone = {name: exposed(stack, mix.only([name]), camera) for name in preview.pictures}
    packed: list[tuple[str, Future[bytes]]] = []

    def pack(file: str, what: str, draw: Callable[[], Drawn], **more: str) -> None:
        description = {**texts, "Title": f"{scene.title}: {what}", **more}
        packed.append((file, pool.submit(lambda: png_bytes(draw(), description))))

    def pack_sheet(file: str, what: str, sheet: Image.Image) -> None:
        pack(file, what, lambda: sheet)

    pack("combined.png", "combined", lambda: encoded(combined))
    for name, file in preview.pictures.items():
        settings = "; ".join((description, *light_lines(scene, name)))
        pack(file, name, _encoding(alone[name]), Description=settings)
    pack("black-and-white.png", "black and white", lambda: encoded(black_and_white(combined)))
    sheet = contact_sheet(
        scene, mix, combined, alone, preview.points, made, ratio=preview.report.ratio.text,
        nose_shadow=preview.nose_shadow,
    )  # fmt: skip
    pack_sheet("contact-sheet.png", "contact sheet", sheet)
    pack_sheet("levelled.png", "each light levelled", levelled_sheet(scene, alone, made))
    measured = exposed(preview.stack, mix, camera, for_viewing=False)
    pack_sheet("false-tones.png", "false tones", false_tones_sheet(measured, health, scene.title, made, combined))
    pack_sheet("tones-by-part.png", "tones by part", histogram_sheet(health, scene.title, made))
    return packed


def _encoding(linear: Linear) -> Callable[[], Drawn]:
    return lambda: encoded(linear)


def _record(preview: Preview, scene_file: str) -> dict[str, object]:
    scene = preview.scene
    record = record_from_preview(
        program=PROGRAM,
        scene={"file": scene_file, "title": scene.title, "sha256": scene_data_hash(scene)},
        camera=scene.camera,
        stack=preview.stack,
        mix=preview.mix,
        probes=preview.probes,
        points=preview.points,
        parts=preview.parts,
        pictures=preview.pictures,
        layers=exr_layer_names(preview.stack.names),
        warnings=preview.warnings,
        garment=scene.sitter.garment,
    )
    return {
        **record, "health": record_from_health(preview.health), "meter": json_from_report(preview.report),
        "nose_shadow": record_from_key_shadow(preview.nose_shadow),
    }  # fmt: skip
