"""The rehearsal room measured: `python -m tests.bench room` prints medians beside what they are to be, and saves them.

    painter   a light is moved: order to first picture and to settled picture, where the server meets the painter; the
              same with the last order still under way; how soon a painter at work turns to a new order
    page      the same light dragged in a headless Chromium, from the end of the drag until the picture is on the page;
              a fader moved by a key, until pixels that are read back have changed

Wall times hold on a quiet machine with two cores; the processor time of the painter's child, all threads together, is
noted beside them. Every move goes to a place where the light never stood, so that no picture is a kept one.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import statistics
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from sim.quantities.errors import HalfstopError
from sim.room.preview.messages import PictureReady, PreviewRequest, Result
from sim.room.preview.worker_client import WorkerClient
from sim.scene.read import load_scene, scene_from_text
from tests.bench.served import Room, served

ROOT = Path(__file__).resolve().parents[2]
SECTIONS = ("painter", "page")
# What each median is to be at most, in seconds on two quiet cores.
TARGETS = {
    "drag_end_to_first_s": 1.5, "drag_end_to_settled_s": 6.0, "turns_to_new_order_s": 0.25,
    "page_drag_to_first_s": 1.5, "page_drag_to_settled_s": 6.0, "fader_to_pixels_s": 0.05,
}  # fmt: skip
WORDS = {
    "drag_end_to_first_s": "painter: light moved, first picture",
    "drag_end_to_settled_s": "painter: light moved, settled picture",
    "again_to_first_s": "painter: moved again at work, first picture",
    "turns_to_new_order_s": "painter: at work, turns to a new order",
    "page_drag_to_first_s": "page: end of a drag, first picture",
    "page_drag_to_settled_s": "page: end of a drag, settled picture",
    "fader_to_pixels_s": "page: fader moved, new pixels",
}
PATIENCE_S = 300.0
# Steps between places of a moved light; the golden angle never comes back to one.
GOLDEN_RAD = math.pi * (3 - math.sqrt(5))
CHROMIUM_ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--use-gl=angle", "--use-angle=swiftshader",
                      "--enable-unsafe-swiftshader", "--disable-dev-shm-usage")  # fmt: skip
# Times in the page's own clock: when an input happened, and when the browser had drawn what followed from it.
WATCH = """() => {
  const area = document.querySelector(".print-area"), place = document.querySelector("#picture");
  const seen = window.roomBench = { frames: [], drawn: [], up: 0, key: 0 };
  const drawn = (tell) => requestAnimationFrame(() => tell(performance.now()));
  addEventListener("pointerup", (event) => { seen.up = event.timeStamp }, true);
  addEventListener("keydown", (event) => { seen.key = event.timeStamp }, true);
  new MutationObserver(() => {
    const serial = Number(area.dataset.serial);
    drawn((now) => seen.frames.push([serial, now]));
  }).observe(area, { attributeFilter: ["data-serial"] });
  new MutationObserver(() => {
    const { width, height } = place.querySelector(".print-canvas"), found = [];
    for (let i = 1; i < 8; i++) found.push(...place.pixel(width >> 1, Math.floor(height * i / 8)).slice(0, 3));
    seen.drawn.push([found.join(), performance.now()]);
  }).observe(place, { attributeFilter: ["data-mixes"], subtree: true });
}"""


@dataclass(frozen=True)
class Plan:
    """`long_side_px` of the picture, `samples` per pixel, `repeats` of everything."""

    long_side_px: int = 600
    samples: int = 8
    repeats: int = 20


TINY = Plan(48, 4, 2)


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure what the command line asks for, print it and save it."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench room", description="Measure the rehearsal room.")
    parser.add_argument("--scene", type=Path, default=ROOT / "scenes" / "recital.yaml", help="scene file to open")
    parser.add_argument("--light", help="light to move; default: the first")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench-room.json", help="JSON file to write")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=list(SECTIONS), help="measure these")
    parser.add_argument("--repeats", type=int, help="how often each thing is done")
    parser.add_argument("--tiny", action="store_true", help="a tiny picture: shows that it runs, measures nothing")
    asked = parser.parse_args(arguments)
    plan = TINY if asked.tiny else Plan()
    plan = replace(plan, repeats=asked.repeats or plan.repeats)
    light = asked.light or next(iter(load_scene(asked.scene).lights))
    record: dict[str, Any] = {
        "scene": asked.scene.name, "light": light, "long_side_px": plan.long_side_px, "samples": plan.samples,
        "repeats": plan.repeats, "cores": len(os.sched_getaffinity(0)), "load_before": os.getloadavg()[0],
    }  # fmt: skip
    sections: dict[str, Callable[[Path, str, Plan], dict[str, Any]]] = {"painter": painter_times, "page": page_times}
    for name in asked.only:
        print(name, file=sys.stderr, flush=True)
        record |= sections[name](asked.scene, light, plan)
    record["load_after"] = os.getloadavg()[0]
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(json.dumps(record, indent=2, sort_keys=True) + "\n", "utf-8")
    Console(width=120 if not sys.stdout.isatty() else None).print(table(record))
    print(f"saved in {asked.out}")


def table(record: dict[str, Any]) -> Table:
    """The medians, the slowest, and what the medians are to be."""
    head = f"{record['scene']}, {record['long_side_px']} pixels, {record['samples']} samples, {record['repeats']} times"
    found = Table(box=box.SIMPLE_HEAD, title=f"{head}; load {record['load_before']:.1f} on {record['cores']} cores")
    for column in ("", "median", "slowest", "at most", ""):
        found.add_column(column, justify="left" if column == "" else "right")
    for key, words in WORDS.items():
        if key in record:
            told, most = record[key], TARGETS.get(key)
            verdict = "" if most is None else "met" if told["median"] <= most else "missed"
            limit = "" if most is None else f"{most:.2f} s"
            found.add_row(words, f"{told['median']:.3f} s", f"{told['slowest']:.3f} s", limit, verdict)
    if "child_process_s" in record:
        found.add_row("painter's child, processor time of a move", f"{record['child_process_s']['median']:.2f} s")
    return found


def _summary(times_s: Sequence[float]) -> dict[str, Any]:
    return {"median": statistics.median(times_s), "slowest": max(times_s), "all": [round(t, 4) for t in times_s]}


# -- the painter's seam --------------------------------------------------------------------------


def painter_times(scene_file: Path, light: str, plan: Plan) -> dict[str, Any]:
    """Times from an order to its pictures, and the processor time that the child took for all of it."""
    text = scene_file.read_text("utf-8")
    first, settled, again, turns, process = [], [], [], [], []
    with listening() as (painter, heard):
        serial = 0

        def ask(number: int) -> int:
            nonlocal serial
            serial += 1
            painter.ask(_order(serial, moved(text, light, number), scene_file, light, plan))
            return serial

        ask(0)
        heard.wait(serial, "settled")
        # Let the child compile ahead, as it would between two drags.
        _until_at_rest(painter)
        for number in range(1, plan.repeats + 1):
            before_s, start_s = _process_s(painter), time.perf_counter()
            ask(number)
            first.append(heard.wait(serial, "first") - start_s)
            settled.append(heard.wait(serial, "settled") - start_s)
            _until_at_rest(painter)
            process.append(_process_s(painter) - before_s)
        for number in range(plan.repeats):
            # Ask again while the settled picture is being traced.
            ask(1000 + 2 * number)
            heard.wait(serial, "first")
            time.sleep(0.05 * (number % 8))
            start_s = time.perf_counter()
            ask(1001 + 2 * number)
            turns.append(heard.wait(serial, "progress") - start_s)
            again.append(heard.wait(serial, "first") - start_s)
            heard.wait(serial, "settled")
            _until_at_rest(painter)
    return {
        "drag_end_to_first_s": _summary(first), "drag_end_to_settled_s": _summary(settled),
        "again_to_first_s": _summary(again), "turns_to_new_order_s": _summary(turns),
        "child_process_s": _summary(process),
    }  # fmt: skip


def moved(text: str, light: str, number: int) -> str:
    """The scene's text with one light at its `number`th place, some centimetres from where it stood."""
    from sim.scene.text import text_with_value

    x, y, z = scene_from_text(text).lights[light].place.position_m
    step_m = 0.002 * math.sqrt(number) + 0.03
    x, z = x + step_m * math.cos(GOLDEN_RAD * number), z + step_m * math.sin(GOLDEN_RAD * number)
    place = {"at": [f"{x:.4f} m", f"{y:.4f} m", f"{z:.4f} m"]}
    return text_with_value(text, ("lights", light, "place"), place)


def _order(serial: int, text: str, scene_file: Path, light: str, plan: Plan) -> PreviewRequest:
    from sim.session import size_from_long_side
    from sim.studio.layout import layout_from_scene

    scene = scene_from_text(text, folder=scene_file.absolute().parent)
    size = size_from_long_side(plan.long_side_px, layout_from_scene(scene).camera.aspect)
    return PreviewRequest(
        serial, serial, text, str(scene_file), size, look_first=(light,), samples=plan.samples, analyse=False
    )


class Heard:
    """When the results of each order came, by `time.perf_counter`."""

    def __init__(self) -> None:
        self._times: dict[tuple[int, str], float] = {}
        self._failed = ""
        self._came = threading.Condition()

    def __call__(self, result: Result) -> None:
        now_s = time.perf_counter()
        with self._came:
            kind = result.frame.pass_name if isinstance(result, PictureReady) else result.kind
            self._times.setdefault((result.serial, kind), now_s)
            if result.kind == "failed":
                self._failed = result.line  # type: ignore[union-attr]
            self._came.notify_all()

    def wait(self, serial: int, kind: str) -> float:
        """When the first result of a kind came for an order."""
        with self._came:
            self._came.wait_for(lambda: self._failed or (serial, kind) in self._times, PATIENCE_S)
            if (serial, kind) not in self._times:
                raise HalfstopError(f"the painter sent no {kind} picture: {self._failed or 'it took too long'}")
            return self._times[serial, kind]


@contextmanager
def listening() -> Iterator[tuple[WorkerClient, Heard]]:
    """A painter that keeps no layers on disk, and what is heard of it."""
    heard = Heard()
    with WorkerClient(heard, {**os.environ, "HALFSTOP_CACHE": "off"}) as painter:
        yield painter, heard


def _until_at_rest(painter: WorkerClient) -> None:
    """Wait until the child has nothing to do: it has answered, and its processor time stands still."""
    while painter.busy:
        time.sleep(0.01)
    before_s, quiet = _process_s(painter), 0
    while quiet < 3:
        time.sleep(0.1)
        now_s = _process_s(painter)
        quiet, before_s = (quiet + 1 if now_s - before_s < 0.02 else 0), now_s


def _process_s(painter: WorkerClient) -> float:
    """Processor time of the child so far, of all its threads."""
    fields = Path(f"/proc/{painter.child_pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# -- the page ------------------------------------------------------------------------------------


def page_times(scene_file: Path, light: str, plan: Plan) -> dict[str, Any]:
    """Times that a person at the page would see."""
    with page_served(scene_file, plan, WATCH) as (page, room):
        drags, faders = [], []
        for number in range(plan.repeats):
            room.rest()
            drags.append(_drag_times(page, light, number))
        room.rest()
        faders = [_fader_time(page, light, number) for number in range(plan.repeats)]
    return {
        "page_drag_to_first_s": _summary([first for first, _ in drags]),
        "page_drag_to_settled_s": _summary([settled for _, settled in drags]),
        "fader_to_pixels_s": _summary(faders),
    }


@contextmanager
def page_served(scene_file: Path, plan: Plan, watch: str) -> Iterator[tuple[Any, Room]]:
    """The room's page in a headless Chromium, settled and watched by a script, and the room in another process."""
    executable = os.environ.get("HALFSTOP_CHROMIUM") or next(
        filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
    )
    if executable is None:
        raise HalfstopError("no Chromium here: install it, or name it in HALFSTOP_CHROMIUM")
    from playwright.sync_api import sync_playwright

    with served(scene_file, plan.long_side_px, plan.samples) as room, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(CHROMIUM_ARGUMENTS))
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(1000 * PATIENCE_S)
        page.goto(room.address)
        page.wait_for_selector("body[data-ready]:not(.waiting)", state="attached")
        page.evaluate(watch)
        page.wait_for_function("() => Number(document.querySelector('.print-area').dataset.serial) % 2 === 1")
        yield page, room
        browser.close()


def _drag_times(page: Any, light: str, number: int) -> tuple[float, float]:
    """Seconds from the end of one drag on the plan to the first and the settled picture of the new place."""
    box_px = page.locator(f".plan [data-item='light:{light}'] .centre").first.bounding_box()
    x, y = box_px["x"] + box_px["width"] / 2, box_px["y"] + box_px["height"] / 2
    way = 14 + 0.7 * number
    by = way * math.cos(GOLDEN_RAD * number), way * math.sin(GOLDEN_RAD * number)
    page.evaluate("() => { window.roomBench.frames.length = 0; window.roomBench.up = 0 }")
    # Alt keeps the hand free of snapping.
    page.keyboard.down("Alt")
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 6):
        page.mouse.move(x + by[0] * step / 5, y + by[1] * step / 5)
    page.mouse.up()
    page.keyboard.up("Alt")
    # A settled picture has an odd number, its first picture the even one before.
    page.wait_for_function("() => window.roomBench.frames.some(([serial]) => serial % 2 === 1)")
    seen = page.evaluate("() => window.roomBench")
    last = max(serial for serial, _ in seen["frames"] if serial % 2)
    at_ms = dict(reversed(seen["frames"]))
    if last - 1 not in at_ms or not seen["up"]:
        raise HalfstopError(f"the drag of {light} gave no first picture: {seen['frames']}")
    return (at_ms[last - 1] - seen["up"]) / 1000, (at_ms[last] - seen["up"]) / 1000


def _fader_time(page: Any, light: str, number: int) -> float:
    """Seconds from a key on a fader until pixels of the picture, read back, have changed."""
    page.focus(f"[data-light='{light}'] [data-part='fader']")
    page.wait_for_timeout(120)
    before = page.evaluate(
        "() => { const seen = window.roomBench; const last = seen.drawn.at(-1)?.[0] ?? ''; seen.drawn.length = 0;"
        " seen.key = 0; return last }"
    )
    page.keyboard.press("ArrowDown" if number % 2 == 0 else "ArrowUp")
    page.wait_for_function("(before) => window.roomBench.drawn.some(([found]) => found !== before)", arg=before)
    seen = page.evaluate("() => window.roomBench")
    drawn = next(now for found, now in seen["drawn"] if found != before)
    return (drawn - seen["key"]) / 1000


if __name__ == "__main__":
    main()
