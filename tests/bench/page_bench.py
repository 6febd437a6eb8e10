"""What tests of the room's page share: an invented stack, the state's facts, the page's modules in a browser."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
from browser import ARGUMENTS, require_chromium

import sim
from sim.light import finish
from sim.light.develop import SATURATION, SHOULDER_FROM
from sim.light.mix import Mix, mix_from_scene
from sim.light.stack import LightStack, no_excess
from sim.metering.health import bands
from sim.quantities import color, photometry, units
from sim.reports.handout.page import FILTER_WORDS
from sim.room.preview.frame import PreviewFrame, frame_from_layers
from sim.scene.model import Camera, Scene
from sim.scene.read import load_scene
from sim.studio.layout import Layout, layout_from_scene

SIM = Path(sim.__file__).parent
SCENES = Path(__file__).parent.parent.parent / "scenes"
POLICY = "default-src 'self'; img-src 'self' blob: data:"
TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
# The page's own skeleton without its start: each test starts the part it is about.
SHELL = re.sub(
    r'<script type="module".*?</script>|<link rel="icon"[^>]*>', "",
    (SIM / "room" / "page" / "index.html").read_text("utf-8"),
).replace("<title>", '<link rel="icon" href="data:,"><title>')  # fmt: skip


@dataclass(frozen=True, eq=False)
class Bench:
    """A scene with invented layers: `stack` holds what the frame's half precision keeps of them."""

    scene: Scene
    layout: Layout
    mix: Mix
    stack: LightStack
    frame: PreviewFrame

    @property
    def camera(self) -> Camera:
        return self.scene.camera


def bench(name: str, width: int = 90, height: int = 135, seed: int = 8) -> Bench:
    """Invented layers of a scene: slopes over eight stops, grain, highlights beyond white, black patches."""
    path = SCENES / f"{name}.yaml"
    scene = load_scene(path)
    layout = layout_from_scene(scene, path.parent)
    mix = mix_from_scene(scene, layout)
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / height
    count = len(mix.names)
    slopes = rng.uniform(-2, 2, (2, count, 1, 1, 1))
    # All lights together run from seven stops under to three over their mean, down the picture.
    raw = np.exp2(slopes[0] * x[..., None] + slopes[1] * y[..., None] + 10 * y[..., None] - 7)
    raw = raw * rng.uniform(0.5, 1.5, (count, height, width, 3))
    raw[:, 20:30, 20:30] *= 60
    raw[:, 60:80, :20] = 0
    level = mix.only(mix.names).weights_rgb(scene.camera.shutter_s).mean(axis=1)
    raw *= (0.05 * scene.camera.f_number**2 / scene.camera.iso * 100 / level)[:, None, None, None]
    region = np.where(x + 0.3 * y < 0.4, 1, 2).astype(np.uint8)
    frame = frame_from_layers(
        serial=4, revision=1, pass_name="settled", names=mix.names, is_flash=mix.is_flash,
        view=dict(zip(mix.names, raw * rng.uniform(0.9, 1.1, raw.shape), strict=True)),
        raw=dict(zip(mix.names, raw, strict=True)), part=region, part_names=("nothing", "face", "gown"),
        distance_m=(3.0 + x + 0.5 * y).astype(np.float32), camera=layout.camera, samples=(8,) * count, fresh=mix.names,
    )  # fmt: skip
    stack = LightStack(
        names=mix.names, is_flash=mix.is_flash, pixels=np.stack([frame.layer(n, "raw") for n in mix.names]),
        variance=np.zeros((count, height, width), np.float32), albedo=np.zeros((height, width, 3), np.float32),
        normal=np.zeros((height, width, 3), np.float32), distance_m=frame.distance_m, region=region,
        region_names=frame.part_names, samples=8, seed=0, depth=5, engine="invented",
        part_excess=no_excess(count, len(frame.part_names)),
        denoised=np.stack([frame.layer(n) for n in mix.names]),
    )  # fmt: skip
    return Bench(scene, layout, mix, stack, frame)


def exposure_facts(camera: Camera) -> dict[str, Any]:
    """The part `exposure` of the server's state."""
    return {
        "aperture": units.text_from_f_number(camera.f_number), "shutter": units.text_from_time_s(camera.shutter_s),
        "iso": f"{camera.iso:g}", "f_number": camera.f_number, "shutter_s": camera.shutter_s, "iso_value": camera.iso,
        "display_scale": photometry.display_scale(camera.f_number, camera.iso),
        "white_balance_K": camera.white_balance_K,
        "white_balance_rgb": color.white_balance_weights(camera.white_balance_K).tolist(),
        "balance": {"first_K": 2500, "step_K": 100,
                    "rgb": [color.white_balance_weights(float(t)).tolist() for t in range(2500, 10001, 100)]},
        "curve": {"shoulder": SHOULDER_FROM, "saturation": SATURATION, "grey": photometry.MIDDLE_GREY},
        "luminance": list(color.LUMINANCE_WEIGHTS),
        "filters": [{"name": n, "title": FILTER_WORDS[n], "rgb": list(finish.channel_mix(n))} for n in finish.FILTERS],
        "bands": [{"from_stops": b.from_stops if np.isfinite(b.from_stops) else None, "label": b.label,
                   "colour": b.color_hex} for b in bands()],
        "constants": {"dome": photometry.INCIDENT_DOME_CONSTANT_C, "flat": photometry.INCIDENT_FLAT_CONSTANT_C,
                      "spot": photometry.REFLECTED_CONSTANT_K},
    }  # fmt: skip


def frame_message(frame: PreviewFrame, geometry: int = 1, **others: Any) -> dict[str, Any]:
    """The message that announces a frame."""
    return {
        "type": "frame", "serial": frame.serial, "revision": frame.revision, "geometry": geometry,
        "pass_name": frame.pass_name, "width": frame.size[0], "height": frame.size[1], "names": list(frame.names),
        "scale": {"view": list(frame.view_scale), "raw": list(frame.raw_scale)}, "fresh": list(frame.fresh),
        "coarse": [], "stale": [], "samples": list(frame.samples), "regions": list(frame.part_names),
        "camera": frame.sight(), **others,
    }  # fmt: skip


def frame_files(frame: PreviewFrame) -> dict[str, bytes]:
    """What the server answers for a frame, by path."""
    found = {f"/frame/{frame.serial}/region": frame.part_bytes(),
             f"/frame/{frame.serial}/distance": frame.distance_bytes()}  # fmt: skip
    for name in frame.names:
        for kind in ("view", "raw"):
            found[f"/frame/{frame.serial}/{name}/{kind}"] = frame.layer_bytes(name, kind)
    return found


@contextmanager
def served(files: Mapping[str, bytes]) -> Iterator[str]:
    """Address of a server of the page's modules and of some files, under the room's own policy."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            from urllib.parse import unquote

            path = unquote(self.path.partition("?")[0])
            body, kind = files.get(path), "application/octet-stream"
            if path == "/":
                body, kind = SHELL.encode(), "text/html"
            elif path.startswith(("/room/page/", "/web/")) and (SIM / path[1:]).is_file():
                body, kind = (SIM / path[1:]).read_bytes(), TYPES[Path(path).suffix]
            self.send_response(404 if body is None else 200)
            for key, value in (("Content-Type", kind), ("Content-Security-Policy", POLICY),
                               ("Content-Length", str(len(body or b"")))):  # fmt: skip
                self.send_header(key, value)
            self.end_headers()
            self.wfile.write(body or b"")

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def browser_at_hand() -> Iterator[Any]:
    """A browser for the tests of a module."""
    executable = require_chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=ARGUMENTS)
        yield browser
        browser.close()


@contextmanager
def opened(
    browser: Any, files: Mapping[str, bytes], width: int = 1280, height: int = 800, **context: Any
) -> Iterator[Any]:
    """The shell in a fresh context; on leaving it must have been quiet and asked for nothing outside."""
    told: list[str] = []
    with served(files) as address:
        fresh = browser.new_context(viewport={"width": width, "height": height}, **context)
        page = fresh.new_page()
        page.on("console", lambda m: told.append(f"{m.type}: {m.text}") if m.type == "error" else None)
        page.on("pageerror", lambda error: told.append(f"page error: {error}"))
        page.on("request", lambda r: None if r.url.startswith((address, "data:", "blob:")) else told.append(r.url))
        page.goto(address)
        yield page
        fresh.close()
    assert told == []
