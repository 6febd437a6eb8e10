"""Frames while a hand drags, from what the last settled picture left: see `sim.render.live`."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from sim.light.readings import ProbeReadings
from sim.light.stack import REGIONS
from sim.room.preview.hand_job import job_from_pose
from sim.room.preview.job import Job, Shown
from sim.room.preview.live_meters import FollowingMeters
from sim.room.preview.messages import LiveMetersReady, LiveReady, PoseRequest, Result

if TYPE_CHECKING:
    from sim.render.live.ground import Ground
    from sim.render.live.recordings import Recordings
    from sim.render.live.view import LiveView
    from sim.scene.model import Scene
    from sim.studio.figure import Figure
    from sim.studio.layout import Layout

# The hand rests when no newer request came for so long; until then frames grow finer, after a pause that leaves the
# processor to the page.
REST_S, PAUSE_S, LOOK_EVERY_S = 0.3, 0.12, 0.002
METERS_EVERY_S = 0.15
# A frame that takes longer is worked out smaller the next time, one that takes less larger.
SLOWEST_S, FASTEST_S = 0.045, 0.015
DIVISORS = (1, 2, 3, 4)
# More lights than these at once are no drag.
MOST_MOVED = 3
# Parts that stand on the set and not in the ground.
ON_STANDS = ("light", "panel")

Build = Callable[["Scene", "Layout"], "Ground"]


class LivePass:
    """What is kept from a settled picture so that the next drag can be followed.

    Arguments: `build` makes the ground of a scene and a layout.
    """

    def __init__(self, build: Build, *, is_gpu: bool = False) -> None:
        self._build = build
        self._divisor = 1 if is_gpu else 2
        self._view: LiveView | None = None
        self._sight, self._panels = "", ""
        self._ground: Ground | None = None
        self._recordings: Recordings | None = None
        self._taken_apart: dict[str, np.ndarray] = {}
        self._settled: tuple[Job, Shown] | None = None
        self._is_warm = False
        self._meters: FollowingMeters | None = None
        self._metered_s = 0.0

    # -- after a picture has settled -------------------------------------------------------------

    def learn(self, job: Job, shown: Shown) -> None:
        """Remember a settled picture: from now on drags start from it."""
        self._settled = job, shown

    def prepare(self, check: Callable[[], None]) -> None:
        """Take the settled layers apart, those that are looked at first; `check` is called between and may raise."""
        from sim.render.live.occluders import boxes_from_layout

        if self._settled is None:
            return
        job = self._settled[0]
        first = [name for name in job.request.look_first if name in job.names]
        for name in dict.fromkeys((*first, *job.names)):
            check()
            self._take_apart(name)
        if not self._is_warm:
            check()
            # Record what another place of camera or sitter asks for.
            self._rough_frame(job, lambda live: None)
            # And what frames of every size do.
            for name in (name for name in job.names if name not in self._evens(job)):
                placed, boxes = job.layout.light(name), boxes_from_layout(job.layout, [name])
                for divisor in DIVISORS:
                    check()
                    self._view_of(*self._settled).layer(name, placed, boxes, divisor=divisor)
            self._is_warm = True

    def _take_apart(self, name: str) -> None:
        from sim.render.live.occluders import boxes_from_layout

        assert self._settled is not None
        job, shown = self._settled
        if self._taken_apart.get(name) is shown.view[name]:
            return
        view = self._view_of(job, shown)
        if name in self._evens(job):
            view.carry_whole(name, shown.view[name])
            self._taken_apart[name] = shown.view[name]
            return
        placed, boxes = job.layout.light(name), boxes_from_layout(job.layout, [name])
        view.carry(name, placed, boxes, shown.view[name])
        # Run a frame, so that its kernels are there.
        view.layer(name, placed, boxes, divisor=self._divisor)
        self._taken_apart[name] = shown.view[name]

    @staticmethod
    def _evens(job: Job) -> list[str]:
        return [even.name for even in job.layout.even_ambients]

    def _view_of(self, job: Job, shown: Shown) -> LiveView:
        from sim.render.live.recordings import Recordings
        from sim.render.live.view import LiveView

        ground = self._standing(job)
        self._recordings = self._recordings or Recordings()
        if self._view is None or self._sight != job.sight or self._view.ground is not ground:
            self._view = LiveView(ground, job.request.size, self._recordings)
            self._sight, self._taken_apart = job.sight, {}
        if self._panels != job.panels or not self._taken_apart:
            on_stands = [REGIONS.index(part) for part in ON_STANDS]
            self._view.see(~np.isin(shown.guides.part, on_stands))
            self._panels = job.panels
        return self._view

    def _standing(self, job: Job) -> Ground:
        """The ground as a request has it: the same one moved, or a new one where the set is another."""
        if self._ground is None or not self._ground.follow(job.scene, job.layout):
            # Let go of the last one first: kernels are recorded for all that is alive.
            self._ground, self._view, self._taken_apart = None, None, {}
            self._ground = self._build(job.scene, job.layout)
        return self._ground

    def learn_meters(self, job: Job, report: ProbeReadings) -> None:
        """Remember what the meters read of a settled set."""
        self._meters = FollowingMeters(job, report)

    # -- while a hand drags ----------------------------------------------------------------------

    def moved(self, job: Job, shown: Shown) -> tuple[str, ...]:
        """The lights that have moved since the shown picture, where they can be followed; none where they cannot."""
        if self._settled is None or self._settled[0].sight != job.sight or set(shown.lights) != set(job.names):
            return ()
        if set(self._settled[0].names) != set(job.names):
            return ()
        if shown.panels != job.panels:
            # A flag that moves stands in the way of every light.
            return tuple(light.name for light in job.layout.lights)
        names = tuple(name for name in job.names if shown.lights[name] != job.lights[name])
        return names if len(names) <= MOST_MOVED else ()

    def follow(self, job: Job, names: tuple[str, ...]) -> None:
        """Send a frame of the moved lights at once, then finer ones until the hand has rested."""
        for name in names:
            self._take_apart(name)
        self._standing(job)
        began_s = time.monotonic()
        self._send(job, names, 0)
        rests_from_s = time.monotonic()
        took_s = rests_from_s - began_s
        self._adapt(took_s)
        self._send_meters(job, names)
        rounds = 1
        self._wait(job, max(PAUSE_S, took_s))
        while time.monotonic() < rests_from_s + REST_S:
            self._send(job, names, rounds)
            rounds += 1
            self._wait(job, max(PAUSE_S, took_s))

    def follow_hand(
        self, pose: PoseRequest, posed: tuple[Figure, str], shown: Shown, send: Callable[[Result], None],
        check: Callable[[], None],
    ) -> None:  # fmt: skip
        """Send a frame of what a hand moves, then finer ones as long as it rests and no newer place comes."""
        job = None if self._settled is None else job_from_pose(pose, self._settled[0], posed, send, check)
        if job is None:
            return
        names = self.moved(job, shown)
        if names:
            self.follow(job, names)
        else:
            self.follow_view(job, shown)

    def follow_view(self, job: Job, shown: Shown) -> None:
        """Send a rough half-size frame of all lights where camera, sitter or backdrop moved, and wait for the hand.

        Does not: send finer ones, since another view asks for all to be traced.
        """
        if self._settled is None or set(self._settled[0].names) != set(job.names):
            return
        if self._settled[0].request.size != job.request.size or shown.sight == job.sight:
            return
        for name in job.names:
            self._take_apart(name)
        if self._ground is None or not self._ground.can_follow(job.scene, job.layout):
            return
        self._rough_frame(job, job.send)
        self._wait(job, REST_S)

    def _rough_frame(self, job: Job, send: Callable[[LiveReady], None]) -> None:
        """Send all lights at half size, with the light that comes back from the set as it was seen before."""
        from sim.render.live.view import LiveView

        assert self._view is not None
        width, height = job.request.size
        view = LiveView(self._standing(job), ((width + 1) // 2, (height + 1) // 2), self._recordings)
        view.inherit(self._view)
        send(self._frame(view, job, job.names, 1, 0))

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
        assert self._view is not None
        job.send(self._frame(self._view, job, names, self._divisor, settling))

    def _send_meters(self, job: Job, names: tuple[str, ...]) -> None:
        """Send the meters with these lights where they stand now, a few times a second."""
        if self._meters is None or self._view is None or time.monotonic() < self._metered_s + METERS_EVERY_S:
            return
        readings = self._meters.read(job, names, self._standing(job))
        self._metered_s = time.monotonic()
        if readings is not None:
            job.send(LiveMetersReady(job.request.serial, job.request.revision, readings))

    def _frame(self, view: LiveView, job: Job, names: tuple[str, ...], divisor: int, settling: int) -> LiveReady:
        from sim.render.live.occluders import boxes_from_layout

        evens = self._evens(job)
        layers, scales = [], []
        for name in names:
            if name in evens:
                pixels, scale = view.rest(name)
            else:
                boxes = boxes_from_layout(job.layout, [name])
                pixels, scale = view.layer(name, job.layout.light(name), boxes, divisor=divisor, settling=settling)
            layers.append(pixels)
            scales.append(scale)
        return LiveReady(job.request.serial, job.request.revision, names, np.stack(layers), tuple(scales))
