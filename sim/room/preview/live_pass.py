"""Frames while a hand drags, from what the last settled picture left: see `sim.render.live`."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from sim.light.stack import REGIONS
from sim.room.preview.job import Job, Shown
from sim.room.preview.messages import LiveReady

if TYPE_CHECKING:
    from sim.render.live.view import LiveView
    from sim.render.stage.build import Stage
    from sim.scene.model import Scene
    from sim.studio.layout import Layout

# The hand rests when no newer request came for so long; until then frames grow finer, after a pause that leaves the
# processor to the page.
REST_S, PAUSE_S, LOOK_EVERY_S = 0.3, 0.06, 0.002
# A frame that takes longer is worked out smaller the next time, one that takes less larger.
SLOWEST_S, FASTEST_S = 0.045, 0.015
DIVISORS = (1, 2, 3, 4)
# More lights than these at once are no drag.
MOST_MOVED = 3
# Parts that stand on the set and not in the ground.
ON_STANDS = ("light", "panel")

Build = Callable[["Scene", "Layout"], "Stage"]


class LivePass:
    """What is kept from a settled picture so that the next drag can be followed.

    Arguments: `build` makes a stage of a scene and a layout.
    """

    def __init__(self, build: Build, *, is_gpu: bool = False) -> None:
        self._build = build
        self._divisor = 1 if is_gpu else 2
        self._view: LiveView | None = None
        self._sight, self._panels = "", ""
        self._taken_apart: dict[str, np.ndarray] = {}

    # -- after a picture has settled -------------------------------------------------------------

    def prepare(self, job: Job, shown: Shown, check: Callable[[], None]) -> None:
        """Take the settled layers apart, those that are looked at first; `check` is called between and may raise."""
        if shown.sight != job.sight or shown.coarse:
            return
        first = [name for name in job.request.look_first if name in job.names]
        for name in dict.fromkeys((*first, *(light.name for light in job.layout.lights))):
            check()
            self._take_apart(job, shown, name)

    def _take_apart(self, job: Job, shown: Shown, name: str) -> None:
        from sim.render.live.occluders import boxes_from_layout

        view = self._view_of(job, shown)
        if self._taken_apart.get(name) is shown.view[name]:
            return
        placed, boxes = job.layout.light(name), boxes_from_layout(job.layout, [name])
        view.carry(name, placed, boxes, shown.view[name])
        # Run a frame, so that its kernels are there.
        view.layer(name, placed, boxes, divisor=self._divisor)
        self._taken_apart[name] = shown.view[name]

    def _view_of(self, job: Job, shown: Shown) -> LiveView:
        from sim.render.live.view import LiveView

        if self._view is None or self._sight != job.sight:
            ground = self._build(job.scene, dataclasses.replace(job.layout, lights=(), panels=()))
            self._view, self._sight, self._taken_apart = LiveView(ground, job.request.size), job.sight, {}
        if self._panels != job.panels or not self._taken_apart:
            on_stands = [REGIONS.index(part) for part in ON_STANDS]
            self._view.see(~np.isin(shown.guides.part, on_stands))
            self._panels = job.panels
        return self._view

    # -- while a hand drags ----------------------------------------------------------------------

    def moved(self, job: Job, shown: Shown) -> tuple[str, ...]:
        """The lights that have moved since the shown picture, where they can be followed; none where they cannot."""
        if self._view is None or self._sight != job.sight or set(shown.lights) != set(job.names):
            return ()
        if shown.panels != job.panels:
            return ()
        names = tuple(name for name in job.names if shown.lights[name] != job.lights[name])
        return names if len(names) <= MOST_MOVED and all(name in self._taken_apart for name in names) else ()

    def follow(self, job: Job, names: tuple[str, ...]) -> None:
        """Send a frame of the moved lights at once, then finer ones until the hand has rested."""
        began_s = time.monotonic()
        self._send(job, names, 0)
        rests_from_s = time.monotonic()
        took_s = rests_from_s - began_s
        self._adapt(took_s)
        rounds = 1
        self._wait(job, max(PAUSE_S, took_s))
        while time.monotonic() < rests_from_s + REST_S:
            self._send(job, names, rounds)
            rounds += 1
            self._wait(job, max(PAUSE_S, took_s))

    def _wait(self, job: Job, for_s: float) -> None:
        end_s = time.monotonic() + for_s
        while time.monotonic() < end_s:
            job.check()
            time.sleep(LOOK_EVERY_S)
        job.check()

    def _adapt(self, took_s: float) -> None:
        at = DIVISORS.index(self._divisor)
        if took_s > SLOWEST_S and at + 1 < len(DIVISORS):
            self._divisor = DIVISORS[at + 1]
        elif took_s < FASTEST_S and at > 0:
            self._divisor = DIVISORS[at - 1]

    def _send(self, job: Job, names: tuple[str, ...], settling: int) -> None:
        from sim.render.live.occluders import boxes_from_layout

        assert self._view is not None
        layers, scales = [], []
        for name in names:
            boxes = boxes_from_layout(job.layout, [name])
            pixels, scale = self._view.layer(
                name, job.layout.light(name), boxes, divisor=self._divisor, settling=settling
            )
            layers.append(pixels)
            scales.append(scale)
        request = job.request
        job.send(LiveReady(request.serial, request.revision, names, np.stack(layers), tuple(scales)))
