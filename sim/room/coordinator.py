"""The painter's side of the hub: what is asked of it, which of its pictures and readings still hold, what tabs hear."""

from __future__ import annotations

import asyncio
import os
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

from sim.advice.checks.sentences import lines_from_findings
from sim.light.readings import ProbeReadings
from sim.room.open_scene import Snapshot
from sim.room.preview.frame import PreviewFrame
from sim.room.preview.worker_client import (
    ChecksReady,
    Failed,
    MetersReady,
    PictureReady,
    PreviewRequest,
    Progress,
    Result,
    WorkerClient,
)
from sim.room.snapshot.warnings import warnings_from_findings
from sim.room.targets import key_side, points_from_readings
from sim.session import size_from_long_side

# Tabs may still be fetching a frame when the next one comes.
FRAMES_HELD = 4
# A dial at rest for so long is worth checking the set-up at.
CHECK_AFTER_S = 1.5
# The painter counts as resting when it has had nothing to do for so long.
RESTING_AFTER_S = 1.0
FINER, MOST_SAMPLES = 4, 256

Tell = Callable[[dict[str, Any]], None]


@dataclass(frozen=True)
class _Asked:
    """What an order was for, and the order."""

    order: PreviewRequest
    standing: Snapshot


class PreviewCoordinator:
    """Asks the painter and keeps what it answers; every method is for the event loop's thread.

    Arguments: `tell` sends a message to every tab; `on_metered` is called when readings came; `long_side_px`,
    `samples` of the picture; `environ` of the child besides this process's own; `painter` what paints.
    """

    def __init__(
        self, tell: Tell, on_metered: Callable[[], None], *, long_side_px: int, samples: int, environ: dict[str, str],
        painter: type[WorkerClient] = WorkerClient,
    ) -> None:  # fmt: skip
        self._tell, self._on_metered = tell, on_metered
        self._long_side_px, self._samples = long_side_px, samples
        self._environ = environ
        self._painter: WorkerClient | None = None
        self._paints = painter
        self._serial = 0
        self._asked: OrderedDict[int, _Asked] = OrderedDict()
        self._busy = False
        self._rested_at_s = 0.0
        self._standing: Snapshot | None = None
        self._fine = samples
        self._frames: OrderedDict[int, PreviewFrame] = OrderedDict()
        self._metered: tuple[tuple[Any, ...], ProbeReadings] | None = None
        self._checked_text: str | None = None
        self._last: dict[str, dict[str, Any]] = {}
        self._shown_by: tuple[Any, ...] | None = None
        self._later: asyncio.TimerHandle | None = None
        self.looked_at: str | None = None

    @property
    def resting(self) -> bool:
        """Whether the painter has had nothing to do for a while."""
        now_s = asyncio.get_running_loop().time()
        return not self._busy and self._painter is not None and now_s - self._rested_at_s > RESTING_AFTER_S

    def close(self) -> None:
        """End the painter."""
        if self._later is not None:
            self._later.cancel()
        if self._painter is not None:
            self._painter.close()

    # -- asking ----------------------------------------------------------------------------------

    def look_at(self, standing: Snapshot, look_first: tuple[str, ...] = ()) -> None:
        """Have painted what has changed; a dial, a colour or a mute needs no painting, only another look later."""
        before, self._standing = self._standing, standing
        if before is None or before.painted_by != standing.painted_by:
            self._fine = self._samples
            self._ask(standing, look_first)
        elif before.metered_by != standing.metered_by:
            self._ask(standing, look_first)
        elif standing.text != self._checked_text:
            self._check_later()

    def settle(self, standing: Snapshot) -> None:
        """Paint the same picture finer."""
        self._standing = standing
        self._fine = min(FINER * self._fine, MOST_SAMPLES)
        self._ask(standing, ())

    def _ask(self, standing: Snapshot, look_first: tuple[str, ...]) -> None:
        if self._later is not None:
            self._later.cancel()
            self._later = None
        if self._painter is None:
            loop = asyncio.get_running_loop()

            def on_result(result: Result) -> None:
                # The loop may have closed while the painter was ending.
                with suppress(RuntimeError):
                    loop.call_soon_threadsafe(self._take, result)

            self._painter = self._paints(on_result, {**os.environ, **self._environ})
        # Leave a number between orders: a first and a settled picture have addresses of their own.
        self._serial += 2
        names = [name for name in (*look_first, self.looked_at or "") if name in standing.names]
        order = PreviewRequest(
            serial=self._serial, revision=standing.revision, text=standing.text, path=str(standing.path),
            size=size_from_long_side(self._long_side_px, standing.aspect), look_first=tuple(dict.fromkeys(names)),
            samples=self._fine,
        )  # fmt: skip
        self._asked[order.serial] = _Asked(order, standing)
        while len(self._asked) > FRAMES_HELD:
            self._asked.popitem(last=False)
        self._busy = True
        self._last.pop("failed", None)
        self._remember({
            "type": "painting", "serial": order.serial, "revision": order.revision, "stage": "first", "part": 0.0,
            "done": False,
        })  # fmt: skip
        self._painter.ask(order)

    def _check_later(self) -> None:
        if self._later is not None:
            self._later.cancel()
        self._later = asyncio.get_running_loop().call_later(CHECK_AFTER_S, self._check_now)

    def _check_now(self) -> None:
        self._later = None
        standing = self._standing
        if standing is None or standing.text == self._checked_text:
            return
        if self._busy:
            self._check_later()
            return
        # Nothing is traced for this: every layer is kept.
        self._ask(standing, ())

    # -- hearing ---------------------------------------------------------------------------------

    def _take(self, result: Result) -> None:
        asked = self._asked.get(result.serial)
        if asked is None:
            return
        match result:
            case Progress():
                self._remember(self._painting(result, result.pass_name, result.part, False))
            case PictureReady():
                self._take_frame(result.frame, asked)
            case MetersReady():
                self._metered = (asked.standing.metered_by, result.report)
                scene, layout = asked.standing.scene, asked.standing.layout
                points = points_from_readings(scene, layout, result.report)
                self._remember({
                    "type": "meters", "revision": result.revision, "geometry": asked.standing.geometry,
                    "points": points, "key": asdict(key_side(scene, layout, result.report)),
                })  # fmt: skip
                self._on_metered()
            case ChecksReady():
                self._checked_text = asked.order.text
                self._remember({
                    "type": "checks", "revision": result.revision,
                    "warnings": warnings_from_findings(result.findings),
                    "lines": lines_from_findings(result.findings),
                })  # fmt: skip
                self._rest(result)
            case Failed():
                self._remember({
                    "type": "failed", "serial": result.serial, "revision": result.revision, "text": result.line,
                })  # fmt: skip
                self._rest(result)

    def _rest(self, result: Result) -> None:
        if result.serial != self._serial:
            return
        self._busy = False
        self._rested_at_s = asyncio.get_running_loop().time()
        stage = "failed" if isinstance(result, Failed) else "settled"
        self._remember(self._painting(result, stage, 1.0, True))
        standing = self._standing
        if isinstance(result, ChecksReady) and standing is not None and standing.text != self._checked_text:
            self._check_later()

    def _painting(self, result: Result, stage: str, part: float, done: bool) -> dict[str, Any]:
        return {
            "type": "painting", "serial": result.serial, "revision": result.revision, "stage": stage,
            "part": round(part, 3), "done": done,
        }  # fmt: skip

    def _take_frame(self, frame: PreviewFrame, asked: _Asked) -> None:
        number = frame.serial + (frame.pass_name == "settled")
        told = self._last.get("frame")
        # A picture in which nothing was traced shows what the tabs have already.
        settled = told is not None and told["stage"] == "settled"
        if settled and self._shown_by == asked.standing.painted_by and not frame.fresh:
            return
        self._shown_by = asked.standing.painted_by
        self._frames[number] = frame
        while len(self._frames) > FRAMES_HELD:
            self._frames.popitem(last=False)
        width, height = frame.size
        self._remember({
            "type": "frame", "serial": number, "order": frame.serial, "revision": frame.revision,
            "geometry": asked.standing.geometry, "stage": frame.pass_name, "width": width, "height": height,
            "names": list(frame.names), "is_flash": list(frame.is_flash),
            "scale": {"view": list(frame.view_scale), "raw": list(frame.raw_scale)}, "fresh": list(frame.fresh),
            "coarse": list(frame.coarse), "stale": list(frame.stale), "regions": list(frame.part_names),
            "samples": list(frame.samples), "camera": frame.sight(),
        })  # fmt: skip

    def _remember(self, message: dict[str, Any]) -> None:
        self._last[message["type"]] = message
        self._tell(message)

    # -- what holds ------------------------------------------------------------------------------

    def messages(self) -> list[dict[str, Any]]:
        """What a new tab is told."""
        kinds = ("painting", "frame", "meters", "checks", "failed")
        return [self._last[kind] for kind in kinds if kind in self._last]

    def frame(self, serial: int) -> PreviewFrame | None:
        """A frame that is still held."""
        return self._frames.get(serial)

    def current_frame(self, standing: Snapshot) -> tuple[int | None, PreviewFrame | None, dict[str, Any] | None]:
        """Number, frame and message of the newest picture if it shows the set as it stands, else nothing."""
        told = self._last.get("frame")
        if told is None or told["geometry"] != standing.geometry or told["stale"]:
            return None, None, None
        return told["serial"], self._frames.get(told["serial"]), told

    def readings_for(self, standing: Snapshot) -> ProbeReadings | None:
        """The report's readings if they hold for the set as it stands."""
        if self._metered is None or self._metered[0] != standing.metered_by:
            return None
        return self._metered[1]

    @property
    def painter_pid(self) -> int | None:
        """Process id of the painter's child, None while there is none."""
        return None if self._painter is None else self._painter.child_pid
