"""Work that must not hold the room up, done in a child process: papers to export, pictures for the library.

Requests come as lines on stdin, answers go as lines to stdout; `sim.room.background.messages` says what they hold. The
child ends when stdin closes, so it never outlives the room, even one that was killed.
"""

from __future__ import annotations

import base64
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import NoReturn, get_args

from sim.quantities.errors import HalfstopError, line_of_bug
from sim.room.background.messages import (
    Answer,
    ExportKind,
    ExportRequest,
    ExportWritten,
    Failed,
    Request,
    Step,
    ThumbnailMade,
    ThumbnailRequest,
    line_from_answer,
    request_from_line,
)

WHATS: tuple[ExportKind, ...] = get_args(ExportKind)
# Long side in pixels and rays per pixel, as the commands take them when nothing is asked; drafts are smaller.
SIZES = {"handout": (1200, 64), "finish": (1800, 64)}
DRAFT_SIZE = (600, 8)
# A child that does not end by itself once the room is gone is ended after this.
LAST_GRACE_S = 5.0


def folder_of(what: str, out: Path) -> Path:
    """Folder that an export is written to, as the command of the same name does; `out` is the scene's own."""
    return {"preview": out, "finish": out / "finished"}.get(what, out / what)


def run_export(request: ExportRequest, tell: Callable[[str, float], None]) -> tuple[str, ...]:
    """Write one export; returns the names of its files, the one to look at first in front."""
    from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
    from sim.scene.read import load_scene
    from sim.session import size_from_long_side

    what, scene_file, draft = request.what, request.scene, request.draft
    folder = folder_of(what, request.out)
    if what == "plan":
        from sim.reports.plan_files import run_plan
        from sim.session import METER_RAYS

        rays = METER_RAYS >> 4 if draft else METER_RAYS
        files = run_plan(scene_file, folder, views=not draft, rays=rays, on_progress=tell)
        return _first(files, "plan.html")
    if what == "preview":
        quality = QUALITIES["draft" if draft else "standard"]
        size = None if request.size_px is None else str(request.size_px)
        asked = PreviewOrder(quality, folder, size, request.samples)
        return _first(list(run_preview(scene_file, asked, tell).files), "contact-sheet.png")
    width_m, height_m = load_scene(scene_file).camera.picture_m
    long_side_px, samples = DRAFT_SIZE if draft else SIZES[what]
    size_px = size_from_long_side(request.size_px or long_side_px, width_m / height_m)
    samples = request.samples or samples
    if what == "handout":
        from sim.reports.handout_files import run_handout

        return _first(run_handout(scene_file, folder, size=size_px, samples=samples, on_progress=tell), "handout.html")
    from sim.light.finish import Finish
    from sim.reports.finish_files import run_finish

    how = Finish("neutral", None, 0.0, None, 0.0)
    return _first(run_finish(scene_file, folder, how, size=size_px, samples=samples, on_progress=tell), "finished.png")


def _first(files: list[Path], name: str) -> tuple[str, ...]:
    names = [path.name for path in files]
    return tuple(sorted(names, key=lambda other: other != name))


def run_thumbnail(request: ThumbnailRequest) -> ThumbnailMade:
    """Render one picture of the library."""
    from sim.room.background.library import entry_by_id, thumbnail_png

    entry = entry_by_id(request.modifier)
    assert entry is not None
    return ThumbnailMade(base64.b64encode(thumbnail_png(entry.block)).decode())


class _Ended(BaseException):
    """The room has gone, or does not want this any more."""


def main() -> None:
    """Take requests until stdin closes."""
    # Keep the answers apart from anything that a library prints.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)

    def tell(answer: Answer) -> None:
        answers.write(line_from_answer(answer))
        answers.flush()

    def end(number: int, frame: FrameType | None) -> NoReturn:
        raise _Ended

    signal.signal(signal.SIGTERM, end)
    # Ctrl-C is for the room, which ends its children itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    requests: queue.SimpleQueue[Request] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests,), daemon=True).start()
    try:
        while True:
            request = requests.get()
            try:
                tell(_done(request, tell))
            except HalfstopError as error:
                tell(Failed(str(error)))
            except MemoryError:
                tell(Failed("not enough memory for this; choose a smaller picture"))
            except Exception as error:
                # Name what is a fault of ours, as the command line does.
                tell(Failed(line_of_bug(error)))
    except (_Ended, BrokenPipeError):
        pass
    # Leave without waiting for the renderer's threads.
    os._exit(0)


def _done(request: Request, tell: Callable[[Answer], None]) -> Answer:
    if isinstance(request, ThumbnailRequest):
        return run_thumbnail(request)
    return ExportWritten(run_export(request, lambda step, part: tell(Step(step, part))))


def _listen(requests: queue.SimpleQueue[Request]) -> None:
    for line in sys.stdin.buffer:
        requests.put(request_from_line(line))
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(LAST_GRACE_S)
    os._exit(1)


if __name__ == "__main__":
    main()
