"""Live pictures measured: `python -m tests.bench live` prints medians and the worst beside what they are to be.

    engine    one moved light's layer, cleaned, from its place to halves on the host: softbox, grid and bare bulb; how
              far it is from the settled layer on face and gown; a frame of turned head and body, moved camera, backdrop
              and flag, from the pose; with `--size 1200 1800` the form for a graphics card
    page      the room in a headless Chromium: hand to changed pixels, frames a second of drags of each kind, head turns
              and faders, rest to settled picture, processor time after it, what a drag of a minute leaves
    socket    10,000 moves through the room's socket, without a browser: pictures a second, memory of server and worker

Wall times hold on a quiet machine; `--busy` keeps one core busy beside it.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from rich import box
from rich.console import Console
from rich.table import Table

from sim.scene.read import load_scene, scene_from_text
from tests.bench.live_moves import move_times
from tests.bench.live_page import page_times, summary
from tests.bench.live_socket import socket_times

ROOT = Path(__file__).resolve().parents[2]
SECTIONS = ("engine", "page", "socket")
# Linear picture of a stack whose layers are these.
Shown = Callable[[Any, np.ndarray], np.ndarray]
LIGHTS = {"softbox": "key", "grid": "accent", "bare": "edge"}
# What is to be held: at most for names in s, stops and MB, at least for those a second.
TARGETS = {
    "hand_to_pixels_s": 0.1, "softbox_per_s": 12, "grid_per_s": 12, "bare_per_s": 12, "head_per_s": 4,
    "fader_per_s": 60, "rest_to_settled_s": 3.0, "turn_s": 0.05, "idle_after_s": 2.0, "after_a_minute_s": 0.3,
    "page_grows_mb": 5.0, "worker_grows_mb": 20.0, "server_moves_mb": 20.0, "worker_moves_mb": 20.0,
    "head_move_s": 0.25, "body_move_s": 0.25, "camera_move_s": 0.25, "backdrop_move_s": 0.25, "flag_move_s": 0.25,
    "softbox_off_stops": 0.15, "grid_off_stops": 0.15, "bare_off_stops": 0.15,
}  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure what the command line asks for, print it and save it."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench live", description="Measure live pictures.")
    parser.add_argument("--scene", type=Path, default=ROOT / "scenes" / "recital.yaml", help="scene file to open")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench-live.json", help="JSON file to write")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=list(SECTIONS), help="measure these")
    parser.add_argument("--size", nargs=2, type=int, default=[400, 600], help="of the engine's picture")
    parser.add_argument("--repeats", type=int, default=20, help="how often each thing is done")
    parser.add_argument("--steps", nargs="+", default=[], metavar="STEP", help="of the page, such as softbox or fader")
    parser.add_argument("--moves", type=int, default=10_000, help="how many moves the socket is sent")
    parser.add_argument("--busy", action="store_true", help="keep one core busy beside it")
    asked = parser.parse_args(arguments)
    record: dict[str, Any] = {
        "scene": asked.scene.name, "size": asked.size, "repeats": asked.repeats, "busy": asked.busy,
        "cores": len(os.sched_getaffinity(0)), "load_before": os.getloadavg()[0],
    }  # fmt: skip
    with one_core_busy() if asked.busy else _nothing():
        if "engine" in asked.only:
            pictures = asked.out.with_suffix("")
            record |= engine_times(asked.scene, (asked.size[0], asked.size[1]), asked.repeats, pictures)
            record |= move_times(asked.scene, (asked.size[0], asked.size[1]), asked.repeats)
        if "page" in asked.only:
            record |= page_times(asked.scene, asked.repeats, asked.steps)
        if "socket" in asked.only:
            record |= socket_times(asked.scene, asked.moves)
    record["load_after"] = os.getloadavg()[0]
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(json.dumps(record, indent=2, sort_keys=True) + "\n", "utf-8")
    Console(width=120 if not sys.stdout.isatty() else None).print(table(record))
    print(f"saved in {asked.out}")


def table(record: dict[str, Any]) -> Table:
    """Median, worst, and what the median is to be."""
    head = f"{record['scene']}, {record['size'][0]} x {record['size'][1]}, load {record['load_before']:.1f}"
    found = Table(box=box.SIMPLE_HEAD, title=f"{head} on {record['cores']} cores{', one busy' * record['busy']}")
    for column in ("", "median", "worst", "to be", ""):
        found.add_column(column, justify="left" if column == "" else "right")
    for key, told in record.items():
        if not isinstance(told, dict) or "median" not in told:
            continue
        target, is_rate = TARGETS.get(key), key.endswith("_per_s")
        met = target is not None and (told["median"] >= target if is_rate else told["median"] <= target)
        sign = "" if target is None else f"{'at least' if is_rate else 'at most'} {target:g}"
        verdict = "" if target is None else "met" if met else "missed"
        found.add_row(key, f"{told['median']:.3f}", f"{told['worst']:.3f}", sign, verdict)
    return found


# -- the engine ----------------------------------------------------------------------------------


def engine_times(
    scene_file: Path, size: tuple[int, int], repeats: int, pictures: Path, samples: int = 32
) -> dict[str, Any]:
    """Seconds of one frame of each kind of light, and how far a 20 cm move's frame is from the settled picture."""
    from sim.render.engine import start_engine

    engine = start_engine()
    from sim.light.develop import denoised, exposed
    from sim.light.mix import mix_from_scene
    from sim.render.live.ground import Ground
    from sim.render.live.occluders import boxes_from_layout
    from sim.render.live.view import LiveView
    from sim.render.stage.build import build
    from sim.render.transport.render import render
    from sim.studio.layout import layout_from_scene

    text, folder = scene_file.read_text("utf-8"), scene_file.absolute().parent
    scene = load_scene(scene_file)
    layout = layout_from_scene(scene, folder)

    def placed(number: int, light: str) -> Any:
        where = scene_from_text(moved_far(text, light, number), scene_file.name, folder)
        return layout_from_scene(where, folder, figure=layout.figure)

    def settled(of: Any) -> Any:
        return denoised(render(build(scene, of), size=size, samples=samples), quality="fast")

    mix = mix_from_scene(scene, layout)

    def shown(stack: Any, layers: np.ndarray) -> np.ndarray:
        return exposed(dataclasses.replace(stack, denoised=layers), mix, scene.camera)

    before = settled(layout)
    view = LiveView(Ground(scene, layout), size)
    view.see(~(before.mask("light") | before.mask("panel")))
    record: dict[str, Any] = {"engine": engine.name}
    divisors = (1,) if engine.name == "cuda" else (1, 2)
    for kind, light in LIGHTS.items():
        row = before.names.index(light)
        view.carry(light, layout.light(light), boxes_from_layout(layout, [light]), before.denoised[row])
        places = [placed(number, light) for number in range(1, repeats + 1)]
        for divisor in divisors:

            def frame(of: Any, light: str = light, divisor: int = divisor) -> tuple[np.ndarray, float]:
                return view.layer(light, of.light(light), boxes_from_layout(of, [light]), divisor=divisor)

            for warm in places[:3]:
                frame(warm)
            record[f"{kind}_frame_{divisor}_s"] = summary([_seconds(lambda of=of: frame(of)) for of in places])
        pixels, scale = frame(places[0])
        after, layer = settled(places[0]), pixels.astype(np.float32) * np.float32(scale)
        record[f"{kind}_off_stops"] = summary(_off_stops(before, after, row, layer, shown))
        _save(pictures / f"{kind}.png", before, after, row, layer, shown)
        record[f"{kind}_per_s_of_engine"] = {
            "median": 1 / record[f"{kind}_frame_{divisors[-1]}_s"]["median"],
            "worst": 1 / record[f"{kind}_frame_{divisors[-1]}_s"]["worst"],
        }
    return record


def moved_far(text: str, light: str, number: int) -> str:
    """The scene's text with a light at its `number`th place, 20 cm from where it stood."""
    from sim.scene.text import text_with_value

    x, y, z = scene_from_text(text).lights[light].place.position_m
    angle = 2.4 * number
    at = [f"{x + 0.2 * np.cos(angle):.4f} m", f"{y:.4f} m", f"{z + 0.2 * np.sin(angle):.4f} m"]
    return text_with_value(text, ("lights", light, "place"), {"at": at})


def _seconds(work: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    work()
    return time.perf_counter() - start_s


def _off_stops(before: Any, after: Any, row: int, layer: np.ndarray, shown: Shown) -> list[float]:
    """Median error in stops of shown tones on face and gown, the live layer among the layers of before."""
    from sim.quantities.color import luminance

    followed = before.denoised.copy()
    followed[row] = layer
    now, want = (luminance(shown(after, layers)) for layers in (followed, after.denoised))
    apart = np.abs(np.log2(np.maximum(now, 1e-4) / np.maximum(want, 1e-4)))
    return [float(np.median(apart[after.mask(part)])) for part in ("face", "gown")]


def _save(path: Path, before: Any, after: Any, row: int, layer: np.ndarray, shown: Shown) -> None:
    """Before, live and settled side by side."""
    from PIL import Image

    from sim.light.develop import encoded

    followed = before.denoised.copy()
    followed[row] = layer
    path.parent.mkdir(parents=True, exist_ok=True)
    row_of = [shown(after, layers) for layers in (before.denoised, followed, after.denoised)]
    Image.fromarray(encoded(np.hstack(row_of))).save(path)


# -- company -------------------------------------------------------------------------------------


@contextmanager
def one_core_busy() -> Iterator[None]:
    """A process that does nothing as fast as it can."""
    spinner = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    try:
        yield
    finally:
        spinner.kill()
        spinner.wait()


@contextmanager
def _nothing() -> Iterator[None]:
    yield
