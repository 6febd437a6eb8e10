"""The worker's side of the session: what is asked of it, which pictures and readings still hold, what tabs hear."""

from __future__ import annotations

import asyncio
import os
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import name_from_shadow
from sim.light.readings import ProbeReadings
from sim.metering.lighting_ratio import alone_at_face
from sim.metering.report_points import KeySide
from sim.room.open_scene import Snapshot
from sim.room.preview.frame import PreviewFrame
from sim.room.preview.worker_client import (
    ChecksReady,
    LiveMetersReady,
    LiveReady,
    MetersReady,
    PictureReady,
    PoseRequest,
    PreviewRequest,
    Progress,
    Result,
    WorkerClient,
)
from sim.room.preview.worker_client import (
    Failed as TracingFailed,
)
from sim.room.protocol.messages import Frame, Key, Live, Message, Meters, NoseShadowView, Packed, Painting
from sim.room.snapshot.warnings import check_lines, warnings_from_findings
from sim.room.targets import key_side, points_from_readings
from sim.scene.model import Scene
from sim.session import size_from_long_side
from sim.studio.layout import layout_elsewhere

# Long side of the picture until a page has said how large it shows it; a change of less is not worth tracing anew.
USUAL_LONG_SIDE_PX, WORTH_TRACING = 600, 0.01
# Tabs may still be fetching a frame when the next one comes.
FRAMES_HELD = 4
# A hand asks more often than it is answered.
ASKED_HELD = 64
# A dial at rest for so long is worth checking the set-up at.
CHECK_AFTER_S = 1.5
# The worker counts as resting when it has had nothing to do for so long.
RESTING_AFTER_S = 1.0
FINER, MOST_SAMPLES = 4, 256

Tell = Callable[[Message | Packed], None]


@dataclass(frozen=True)
class _Asked:
    """A request and the scene that it was for."""

    request: PreviewRequest | PoseRequest
    snapshot: Snapshot

    def posed(self) -> Snapshot:
        """The snapshot with everything where a hand held it."""
        if isinstance(self.request, PreviewRequest):
            return self.snapshot
        scene = self.request.scene
        return replace(self.snapshot, scene=scene, layout=layout_elsewhere(self.snapshot.layout, scene))


class PreviewCoordinator:
    """Asks the worker and keeps what it answers; every method is for the event loop's thread.

    Arguments: `tell` sends a message to every tab; `on_metered` is called when readings came; `long_side_px` of the
    picture, None for that at which the pages show it; `samples` of it; `environ` of the child
    besides this process's own; `worker` what traces.
    """

    def __init__(
        self, tell: Tell, on_metered: Callable[[], None], *, long_side_px: int | None, samples: int,
        environ: dict[str, str], worker: type[WorkerClient] = WorkerClient,
    ) -> None:  # fmt: skip
        self._tell, self._on_metered = tell, on_metered
        self._is_size_fixed = long_side_px is not None
        self._long_side_px, self._samples = long_side_px or USUAL_LONG_SIDE_PX, samples
        self._environ = environ
        self._worker: WorkerClient | None = None
        self._worker_type = worker
        self._serial = 0
        self._asked: OrderedDict[int, _Asked] = OrderedDict()
        self._busy = False
        self._rested_at_s = 0.0
        self._snapshot: Snapshot | None = None
        self._fine = samples
        self._frames: OrderedDict[int, PreviewFrame] = OrderedDict()
        self._metered: tuple[tuple[object, ...], ProbeReadings] | None = None
        self._checked_by: str | None = None
        self._last: dict[str, Message] = {}
        self._last_frame: Frame | None = None
        self._live_serial = 0
        self._is_at_hand = False
        self._shown_by: tuple[object, ...] | None = None
        self._later: asyncio.TimerHandle | None = None
        self.looked_at: str | None = None

    @property
    def snapshot(self) -> Snapshot | None:
        """The scene as it stood when it was looked at last."""
        return self._snapshot

    @property
    def resting(self) -> bool:
        """Whether the worker has had nothing to do for a while."""
        now_s = asyncio.get_running_loop().time()
        return not self._busy and self._worker is not None and now_s - self._rested_at_s > RESTING_AFTER_S

    def close(self) -> None:
        """End the worker."""
        if self._later is not None:
            self._later.cancel()
        if self._worker is not None:
            self._worker.close()

    # -- asking ----------------------------------------------------------------------------------

    def look_at(self, snapshot: Snapshot, look_first: tuple[str, ...] = ()) -> None:
        """Have traced what has changed; a dial, a colour or a mute needs no tracing, only another look later."""
        before, self._snapshot = self._snapshot, snapshot
        if before is None or before.traced_by != snapshot.traced_by or self._is_at_hand:
            self._fine = self._samples
            self._ask(snapshot, look_first)
        elif before.metered_by != snapshot.metered_by:
            self._ask(snapshot, look_first)
        elif snapshot.checked_by != self._checked_by:
            self._check_later()

    def show_at(self, long_side_px: int, snapshot: Snapshot) -> None:
        """Trace the picture at the size at which it is shown, unless its size was said when the room was opened."""
        if self._is_size_fixed or abs(long_side_px - self._long_side_px) <= WORTH_TRACING * self._long_side_px:
            return
        self._long_side_px, self._snapshot = long_side_px, snapshot
        self._ask(snapshot, ())

    def leave(self) -> None:
        """Let go of all that was seen, read and checked of a scene that is left: none of it is of the next one."""
        self._metered = self._checked_by = self._shown_by = self._last_frame = self._snapshot = None
        self._asked.clear()
        self._frames.clear()
        self._last.clear()

    def trace_finer(self, snapshot: Snapshot) -> None:
        """Trace the same picture finer."""
        self._snapshot = snapshot
        self._fine = min(FINER * self._fine, MOST_SAMPLES)
        self._ask(snapshot, ())

    def _ask(self, snapshot: Snapshot, look_first: tuple[str, ...]) -> None:
        if self._later is not None:
            self._later.cancel()
            self._later = None
        if self._worker is None:
            loop = asyncio.get_running_loop()

            def on_result(result: Result) -> None:
                # The loop may have closed while the worker was ending.
                with suppress(RuntimeError):
                    loop.call_soon_threadsafe(self._take, result)

            self._worker = self._worker_type(on_result, {**os.environ, **self._environ})
        # Leave a number between requests: a first and a settled picture have addresses of their own.
        self._serial += 2
        names = [name for name in (*look_first, self.looked_at or "") if name in snapshot.names]
        request = PreviewRequest(
            serial=self._serial, revision=snapshot.revision, text=snapshot.text, path=str(snapshot.path),
            size=size_from_long_side(self._long_side_px, snapshot.aspect), look_first=tuple(dict.fromkeys(names)),
            samples=self._fine,
        )  # fmt: skip
        self._keep(request, snapshot)
        self._is_at_hand = False
        self._last.pop("failed", None)
        self._remember(_painting(request, "first", 0.0, False))
        self._worker.ask(request)

    def follow_hand(self, scene: Scene, look_first: tuple[str, ...]) -> None:
        """Show lights where a hand holds them in this scene; nothing of it is kept."""
        snapshot = self._snapshot
        if snapshot is None or self._worker is None or self._last_frame is None:
            return
        self._serial += 2
        size = size_from_long_side(self._long_side_px, snapshot.aspect)
        pose = PoseRequest(self._serial, snapshot.revision, scene, size, look_first)
        self._keep(pose, snapshot)
        self._is_at_hand = True
        self._worker.ask(pose)

    def return_from_hand(self) -> None:
        """Show the set as it stands, where a hand was followed."""
        if self._is_at_hand and self._snapshot is not None:
            self._ask(self._snapshot, ())

    def _keep(self, request: PreviewRequest | PoseRequest, snapshot: Snapshot) -> None:
        self._asked[request.serial] = _Asked(request, snapshot)
        while len(self._asked) > ASKED_HELD:
            self._asked.popitem(last=False)
        self._busy = True

    def _check_later(self) -> None:
        if self._later is not None:
            self._later.cancel()
        self._later = asyncio.get_running_loop().call_later(CHECK_AFTER_S, self._check_now)

    def _check_now(self) -> None:
        self._later = None
        snapshot = self._snapshot
        if snapshot is None or snapshot.checked_by == self._checked_by:
            return
        if self._busy:
            self._check_later()
            return
        # Nothing is traced for this: every layer is kept.
        self._ask(snapshot, ())

    # -- hearing ---------------------------------------------------------------------------------

    def _take(self, result: Result) -> None:
        asked = self._asked.get(result.serial)
        if asked is None:
            return
        match result:
            case Progress():
                self._remember(_painting(result, result.pass_name, result.part, False))
            case PictureReady():
                self._take_frame(result.frame, asked)
            case LiveReady():
                self._take_live(result, asked)
            case MetersReady():
                self._metered = (asked.snapshot.metered_by, result.report)
                self._remember({
                    **_meters_message(result.revision, asked.snapshot, result.report, is_rough=False),
                    "nose_shadow": _nose_shadow(result.nose_shadow),
                })  # fmt: skip
                self._on_metered()
            case LiveMetersReady():
                # Shown alone: searches and exports wait for settled ones.
                self._tell(_meters_message(result.revision, asked.posed(), result.readings, is_rough=True))
            case ChecksReady():
                self._checked_by, names = asked.snapshot.checked_by, asked.snapshot.names
                self._remember({
                    "type": "checks", "revision": result.revision, "checked_by": self._checked_by,
                    "warnings": warnings_from_findings(result.findings, names),
                    "lines": check_lines(result.findings, names),
                })  # fmt: skip
                self._rest(result)
            case TracingFailed():
                self._remember({
                    "type": "failed", "serial": result.serial, "revision": result.revision, "text": result.line,
                })  # fmt: skip
                self._rest(result)

    def _rest(self, result: Result) -> None:
        if result.serial != self._serial:
            return
        self._busy = False
        self._rested_at_s = asyncio.get_running_loop().time()
        pass_name = "failed" if isinstance(result, TracingFailed) else "settled"
        self._remember(_painting(result, pass_name, 1.0, True))
        snapshot = self._snapshot
        if isinstance(result, ChecksReady) and snapshot is not None and snapshot.checked_by != self._checked_by:
            self._check_later()

    def _take_frame(self, frame: PreviewFrame, asked: _Asked) -> None:
        number = frame.serial + (frame.pass_name == "settled")
        # A picture in which nothing was traced shows what the tabs have already.
        settled = self._last_frame is not None and self._last_frame["pass_name"] == "settled"
        shows = *asked.snapshot.traced_by, frame.size
        if settled and self._shown_by == shows and not frame.fresh:
            return
        self._shown_by = shows
        self._frames[number] = frame
        while len(self._frames) > FRAMES_HELD:
            self._frames.popitem(last=False)
        self._last_frame = _frame_message(number, frame, asked.snapshot.geometry)
        self._remember(self._last_frame)

    def _take_live(self, live: LiveReady, asked: _Asked) -> None:
        """Send the tabs moved lights' layers; none is held."""
        if self._last_frame is None:
            return
        # The tabs no longer show what was traced.
        self._shown_by = None
        self._live_serial += 1
        height, width = live.pixels.shape[1:3]
        told: Live = {
            "type": "live", "serial": self._live_serial, "frame": self._last_frame["serial"],
            "revision": live.revision, "geometry": asked.snapshot.geometry, "width": width, "height": height,
            "names": list(live.names), "scale": list(live.scale), "is_rough": live.is_rough,
        }  # fmt: skip
        self._tell(Packed(told, live.data()))

    def _remember(self, message: Message) -> None:
        self._last[message["type"]] = message
        self._tell(message)

    # -- what holds ------------------------------------------------------------------------------

    def messages(self) -> list[Message]:
        """What a new tab has to hear."""
        kinds = ("painting", "frame", "meters", "checks", "failed")
        return [self._last[kind] for kind in kinds if kind in self._last]

    def frame(self, serial: int) -> PreviewFrame | None:
        """A frame that is still held."""
        return self._frames.get(serial)

    def current_frame(self, snapshot: Snapshot) -> tuple[int | None, PreviewFrame | None, Frame | None]:
        """Number, frame and message of the newest picture if it shows the set as it stands, else nothing."""
        message = self._last_frame
        if message is None or message["geometry"] != snapshot.geometry or message["stale"]:
            return None, None, None
        return message["serial"], self._frames.get(message["serial"]), message

    def readings_for(self, snapshot: Snapshot) -> ProbeReadings | None:
        """The report's readings if they hold for the set as it stands."""
        if self._metered is None or self._metered[0] != snapshot.metered_by:
            return None
        return self._metered[1]


def _painting(result: Result | PreviewRequest, pass_name: str, part: float, done: bool) -> Painting:
    return {
        "type": "painting", "serial": result.serial, "revision": result.revision, "pass_name": pass_name,
        "part": round(part, 3), "done": done,
    }  # fmt: skip


def _frame_message(number: int, frame: PreviewFrame, geometry: int) -> Frame:
    width, height = frame.size
    return {
        "type": "frame", "serial": number, "request": frame.serial, "revision": frame.revision,
        "geometry": geometry, "pass_name": frame.pass_name, "width": width, "height": height,
        "names": list(frame.names), "is_flash": list(frame.is_flash),
        "scale": {"view": list(frame.view_scale), "raw": list(frame.raw_scale)}, "fresh": list(frame.fresh),
        "coarse": list(frame.coarse), "stale": list(frame.stale), "regions": list(frame.part_names),
        "samples": list(frame.samples), "camera": frame.sight(),
    }  # fmt: skip


def _meters_message(revision: int, snapshot: Snapshot, report: ProbeReadings, *, is_rough: bool) -> Meters:
    scene, layout = snapshot.scene, snapshot.layout
    side = key_side(scene, layout, report)
    return {
        "type": "meters", "revision": revision, "geometry": snapshot.geometry,
        "points": points_from_readings(scene, layout, report), "key": _key(side),
        "alone": alone_at_face(report, side), "nose_shadow": None, "is_rough": is_rough,
    }  # fmt: skip


def _key(key: KeySide) -> Key:
    return {
        "light": key.light, "lit_cheek": key.lit_cheek, "shadow_cheek": key.shadow_cheek, "alike": key.alike,
        "chosen_by_user": key.chosen_by_user,
    }  # fmt: skip


def _nose_shadow(found: KeyShadow | None) -> NoseShadowView | None:
    if found is None:
        return None
    shadow = found.shadow
    return {
        "light": found.light, "pattern": shadow.pattern, "side": shadow.side, "lit_side": shadow.lit_side,
        "name": name_from_shadow(shadow),
    }  # fmt: skip
