"""The room's live picture as a person at the page has it, in a headless Chromium: see `tests.bench.live`."""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from sim.room.clients import MOST_UNDRAWN
from tests.bench.room import Plan, page_served
from tests.bench.served import Room, memory_mb, process_s

DRAG_S = 3.0
# In the page's own clock: every move of the hand, and every picture drawn with the live layers that it holds.
WATCH = """() => {
  const area = document.querySelector(".print-area"), place = document.querySelector("#picture");
  const seen = window.liveBench = { moves: [], drawn: [], frames: [], up: 0 };
  for (const kind of ["pointermove", "keydown", "input"]) {
    addEventListener(kind, (event) => seen.moves.push(event.timeStamp), true);
  }
  addEventListener("pointerup", (event) => { seen.up = event.timeStamp }, true);
  new MutationObserver(() => seen.drawn.push([performance.now(), Number(area.dataset.live ?? 0)]))
    .observe(place, { attributeFilter: ["data-mixes"], subtree: true });
  new MutationObserver(() => seen.frames.push([performance.now(), Number(area.dataset.serial)]))
    .observe(area, { attributeFilter: ["data-serial"] });
}"""
# A hand inside the page, at the display's rate: moves sent from outside come far slower than a hand's.
SWAY = """async ([selector, x, y, across, ms, isFader]) => {
  const target = document.querySelector(selector), from = performance.now();
  // A fader moves by a step of its scale with every picture of the display, to and fro.
  let step = 0;
  for (let now = from; now - from < ms; ) {
    // After the display's picture, as an input comes: before the drawing of the next one.
    now = await new Promise((done) => requestAnimationFrame(() => setTimeout(() => done(performance.now()))));
    const at = x + across * Math.sin((now - from) / 240), down = y + 0.6 * across * Math.sin((now - from) / 330);
    if (isFader) {
      target.value = String(-(Math.abs((step++ % 60) - 30) + 1) / 10);
      target.dispatchEvent(new Event("input", { bubbles: true }));
    } else {
      target.dispatchEvent(new PointerEvent("pointermove", {
        pointerId: 1, pointerType: "mouse", buttons: 1, clientX: at, clientY: down, bubbles: true, altKey: true,
      }));
    }
  }
}"""
RESET = "() => { const s = window.liveBench; s.moves.length = s.drawn.length = s.frames.length = 0; s.up = 0 }"


def page_times(scene_file: Path, repeats: int, wanted: Sequence[str] = ()) -> dict[str, Any]:
    """Everything that is measured in the page, or the steps that are wanted."""
    with page_served(scene_file, Plan(600, 8, repeats), WATCH) as (page, room):
        hand = Hand(page, room)
        record: dict[str, Any] = {}
        steps: list[tuple[str, Callable[[], dict[str, Any]]]] = [
            ("softbox", lambda: hand.drag("softbox", "key")),
            ("grid", lambda: hand.drag("grid", "accent")),
            ("bare bulb", lambda: hand.drag("bare", "edge")),
            ("hand to pixels", lambda: {"hand_to_pixels_s": summary(hand.latencies("key", repeats))}),
            ("rest to settled", lambda: {"rest_to_settled_s": summary(hand.rests("key", max(1, repeats // 4)))}),
            ("fader", lambda: {"fader_per_s": summary(hand.fader_rates("key"), most=False)}),
            ("head", lambda: {"head_per_s": summary(hand.head_rates(), most=False)}),
            ("idle", lambda: {"idle_after_s": summary(hand.idle_times("key", max(1, repeats // 4)))}),
            ("minute", lambda: hand.minute("key")),
        ]
        for words, step in steps:
            if wanted and words not in wanted:
                continue
            hand.settle()
            found = step()
            said = {key: round(told["median"], 3) for key, told in found.items()}
            print(words, said, file=sys.stderr, flush=True)
            record |= found
    return record


def summary(values: Sequence[float], *, most: bool = True) -> dict[str, Any]:
    """Median and worst."""
    worst = max(values) if most else min(values)
    return {"median": statistics.median(values), "worst": worst, "all": [round(float(v), 4) for v in values]}


class Hand:
    """A hand at the page: its drags and what followed from them."""

    def __init__(self, page: Any, room: Room) -> None:
        self.page, self._room = page, room

    def settle(self) -> None:
        """Wait until all is traced and prepared for the next drag."""
        self._room.rest()
        # What is prepared for a drag shows nowhere but in the processor's time.
        time.sleep(2.0)

    def _grab(self, light: str) -> tuple[float, float]:
        box_px = self.page.locator(f".plan [data-item='light:{light}'] .centre").first.bounding_box()
        x, y = box_px["x"] + box_px["width"] / 2, box_px["y"] + box_px["height"] / 2
        self.page.evaluate(RESET)
        self.page.keyboard.down("Alt")
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.mouse.move(x + 4, y)
        return x, y

    def _let_go(self) -> None:
        self.page.mouse.up()
        self.page.keyboard.up("Alt")

    def drag(self, kind: str, light: str) -> dict[str, Any]:
        """Frames a second of a drag of some seconds, in steps of its length, and the longest time between two."""
        x, y = self._grab(light)
        self.page.evaluate(SWAY, [".plan svg.sheet", x + 4, y, 14, 1000 * DRAG_S, False])
        self._let_go()
        seen = self.page.evaluate("() => window.liveBench")
        shown = _first_times(seen["drawn"])
        if len(shown) < 3:
            return {f"{kind}_per_s": summary([len(shown) / DRAG_S], most=False)}
        gaps = [(after - before) / 1000 for before, after in pairwise(shown)]
        whole = range(int(DRAG_S) - 1)
        rates = [sum(1 for at in shown if 0 <= at - shown[0] - 1000 * second < 1000) for second in whole]
        return {f"{kind}_per_s": summary(rates, most=False), f"{kind}_gap_s": summary(gaps)}

    def latencies(self, light: str, repeats: int) -> list[float]:
        """Seconds from single moves of a held light until a picture with its new layer is drawn."""
        x, y = self._grab(light)
        found = []
        for k in range(repeats):
            self.page.wait_for_timeout(400)
            before = self.page.evaluate("() => Number(document.querySelector('.print-area').dataset.live ?? 0)")
            self.page.evaluate(RESET)
            self.page.mouse.move(x + 6 + 0.7 * k, y + 5 * (k % 2))
            self.page.wait_for_function(
                "(before) => window.liveBench.drawn.some(([, live]) => live > before)", arg=before
            )
            seen = self.page.evaluate("() => window.liveBench")
            at = next(at for at, live in seen["drawn"] if live > before)
            found.append((at - seen["moves"][0]) / 1000)
        self._let_go()
        return found

    def rests(self, light: str, repeats: int) -> list[float]:
        """Seconds from the ends of drags until the settled picture is drawn."""
        found = []
        for number in range(repeats):
            self.settle()
            found.append(self._rest(light, number))
        return found

    def _rest(self, light: str, number: int) -> float:
        x, y = self._grab(light)
        for step in range(8):
            self.page.mouse.move(x + (2 + 0.3 * number) * step, y + step)
        self._let_go()
        self.page.wait_for_function(
            "() => window.liveBench.frames.some(([at, serial]) => serial % 2 === 1 && at > window.liveBench.up)"
        )
        seen = self.page.evaluate("() => window.liveBench")
        return (next(at for at, serial in seen["frames"] if serial % 2 and at > seen["up"]) - seen["up"]) / 1000

    def fader_rates(self, light: str) -> list[float]:
        """Pictures a second while a fader is drawn to and fro."""
        self.page.evaluate(RESET)
        self.page.evaluate(SWAY, [f"[data-light='{light}'] [data-part='fader']", 0, 0, 0, 1000 * DRAG_S, True])
        times = [at for at, _ in self.page.evaluate("() => window.liveBench")["drawn"]]
        return [sum(1 for at in times if times[0] + 1000 * s <= at < times[0] + 1000 * (s + 1)) for s in range(2)]

    def idle_times(self, light: str, repeats: int) -> list[float]:
        """Seconds from settled pictures until server and worker together leave nine tenths of a core idle again."""
        found = []
        for number in range(repeats):
            self.settle()
            self._rest(light, number)
            settled_s = time.monotonic()
            pids = list(self._room.pids().values())
            before, busy = process_s(pids), True
            while busy:
                time.sleep(0.25)
                now = process_s(pids)
                before, busy = now, now - before > 0.1 * 0.25
            found.append(time.monotonic() - settled_s - 0.25)
        return found

    def minute(self, light: str) -> dict[str, Any]:
        """What a drag of a minute leaves: how soon the next move shows, what page and worker hold more than before."""
        session = self.page.context.new_cdp_session(self.page)

        def held_mb() -> float:
            session.send("HeapProfiler.collectGarbage")
            return float(session.send("Runtime.getHeapUsage")["usedSize"]) / 1e6

        self.drag("softbox", light)
        self.settle()
        page_mb, worker_mb = held_mb(), memory_mb(self._room.pids()["worker"])
        x, y = self._grab(light)
        self.page.evaluate(SWAY, [".plan svg.sheet", x + 4, y, 14, 60_000, False])
        self.page.evaluate(RESET)
        before = self.page.evaluate("() => Number(document.querySelector('.print-area').dataset.live ?? 0)")
        self.page.mouse.move(x + 9, y - 7)
        # Two pictures may be under way from before the move; the third is of it.
        self.page.wait_for_function(
            "(before) => window.liveBench.drawn.some(([, live]) => live >= before)", arg=before + MOST_UNDRAWN + 1
        )
        seen = self.page.evaluate("() => window.liveBench")
        at = next(at for at, live in seen["drawn"] if live >= before + MOST_UNDRAWN + 1)
        self._let_go()
        self.settle()
        return {
            "after_a_minute_s": summary([(at - seen["moves"][0]) / 1000]),
            "page_grows_mb": summary([held_mb() - page_mb]),
            "worker_grows_mb": summary([memory_mb(self._room.pids()["worker"]) - worker_mb]),
        }

    def head_rates(self) -> list[float]:
        """Pictures a second while the head is turned."""
        self.page.evaluate("() => document.activeElement?.blur?.()")
        self.page.keyboard.press("s")
        knob = self.page.locator(".plan .handle[data-part='head']").first.bounding_box()
        x, y = knob["x"] + knob["width"] / 2, knob["y"] + knob["height"] / 2
        self.page.evaluate(RESET)
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.evaluate(SWAY, [".plan svg.sheet", x, y, 20, 1000 * DRAG_S, False])
        self.page.mouse.up()
        shown = _first_times(self.page.evaluate("() => window.liveBench")["drawn"])
        return [len(shown) / DRAG_S]


def _first_times(drawn: list[list[float]]) -> list[float]:
    """When each set of live layers was first drawn, ms."""
    found: dict[float, float] = {}
    for at, live in drawn:
        if live:
            found.setdefault(live, at)
    return sorted(found.values())
