"""From a scene file to the finished picture for print and share, with the table of print sizes."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from sim.light import finish
from sim.light.develop import denoised, exposed
from sim.quantities import phrases
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.plan import settings_text
from sim.reports.plan.facts import facts_from_scene
from sim.session import Progress, Rehearsal

FILES = ("finished.tif", "finished.png", "finished.jpg", "print-sizes.txt")


def run_finish(
    scene_file: Path, out: Path, how: finish.Finish, *, size: tuple[int, int], samples: int, seed: int = 0,
    fresh: bool = False, on_progress: Progress | None = None,
) -> list[Path]:  # fmt: skip
    """Write the finished picture as 16-bit TIFF, PNG and JPEG, and the table of print sizes.

    Arguments: `fresh` traces anew what is kept.
    """
    tell = on_progress or (lambda step, part: None)
    ResultFolder(out).require_usable(list(FILES))
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    camera = rehearsal.scene.camera
    stack = rehearsal.stack(size=size, samples=samples, seed=seed, on_progress=on_progress)
    stack = denoised(stack, lambda part: tell("denoise", part))
    display = finish.finished(exposed(stack, rehearsal.mix, camera), how)
    texts = texts_from_rehearsal(rehearsal, how)
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


def texts_from_rehearsal(rehearsal: Rehearsal, how: finish.Finish) -> dict[str, str]:
    """What a picture file says of its set-up."""
    scene = rehearsal.scene
    lights = "; ".join(
        f"{f.name}: {f.modifier}, {phrases.power(f.power_stops)}, bearing {f.bearing_deg:.0f}°, "
        f"{f.distance_m:.2f} m, height {f.height_m:.2f} m"
        for f in facts_from_scene(scene, rehearsal.layout)
        if not f.muted
    )
    return {
        "Title": scene.title, "Description": settings_text(scene), "Lights": lights, "Finish": how.words(),
        "Software": "halfstop", "Source": "Computed picture of a rehearsed set-up; no photograph.",
    }  # fmt: skip
