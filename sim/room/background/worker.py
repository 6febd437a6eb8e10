"""Work that must not hold the room up, done in a child process: papers to export, pictures for the library.

Orders come as lines of JSON on stdin, reports go as lines of JSON to stdout. The child ends when stdin closes, so it
never outlives the room, even one that was killed.

    {"do": "ball", "modifier": id}                          -> {"modifier": id, "png": base64}
    {"do": "export", "what", "scene", "out", "size_px"?, "samples"?, "draft"?}
                                                            -> {"step", "part"} ..., {"files": [...]} or {"error": line}
"""

from __future__ import annotations

import base64
import json
import os
import queue
import signal
import sys
import threading
from pathlib import Path
from typing import Any, NoReturn

from sim.quantities.errors import HalfstopError, one_line

WHATS = ("plan", "handout", "finish", "preview")
# Long side in pixels and rays per pixel, as the commands take them when nothing is asked; drafts are smaller.
SIZES = {"handout": (1200, 64), "finish": (1800, 64)}
DRAFT_SIZE = (600, 8)
# A child that does not end by itself once the room is gone is ended after this.
LAST_GRACE_S = 5.0


def folder_of(what: str, out: Path) -> Path:
    """Folder that an export is written to, as the command of the same name does; `out` is the scene's own."""
    return {"preview": out, "finish": out / "finished"}.get(what, out / what)


def run_export(order: dict[str, Any], tell: Any) -> list[str]:
    """Write one export; returns the names of its files, the one to look at first in front."""
    from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
    from sim.scene.read import load_scene
    from sim.session import size_from_long_side

    what, scene_file, out = order["what"], Path(order["scene"]), Path(order["out"])
    draft = bool(order.get("draft"))
    folder = folder_of(what, out)
    if what == "plan":
        from sim.reports.plan_files import run_plan
        from sim.session import METER_RAYS

        rays = METER_RAYS >> 4 if draft else METER_RAYS
        files = run_plan(scene_file, folder, views=not draft, rays=rays, on_progress=tell)
        return _first(files, "plan.html")
    if what == "preview":
        quality = QUALITIES["draft" if draft else "standard"]
        size_px = order.get("size_px")
        asked = PreviewOrder(quality, folder, str(size_px) if size_px else None, order.get("samples"))
        return _first(list(run_preview(scene_file, asked, tell).files), "contact-sheet.png")
    width_m, height_m = load_scene(scene_file).camera.picture_m
    long_side_px, samples = DRAFT_SIZE if draft else SIZES[what]
    size = size_from_long_side(order.get("size_px") or long_side_px, width_m / height_m)
    samples = order.get("samples") or samples
    if what == "handout":
        from sim.reports.handout_files import run_handout

        return _first(run_handout(scene_file, folder, size=size, samples=samples, on_progress=tell), "handout.html")
    from sim.light.finish import Finish
    from sim.reports.finish_files import run_finish

    how = Finish("neutral", None, 0.0, None, 0.0)
    return _first(run_finish(scene_file, folder, how, size=size, samples=samples, on_progress=tell), "finished.png")


def _first(files: list[Path], name: str) -> list[str]:
    names = [path.name for path in files]
    return sorted(names, key=lambda other: other != name)


def run_ball(order: dict[str, Any]) -> dict[str, Any]:
    """Render one picture of the library."""
    from sim.room.background.library import ball_png, entry_by_id

    entry = entry_by_id(order["modifier"])
    assert entry is not None
    return {"modifier": entry.id, "png": base64.b64encode(ball_png(entry.block)).decode()}


class _Ended(BaseException):
    """The room has gone, or does not want this any more."""


def main() -> None:
    """Take orders until stdin closes."""
    # Keep the reports apart from anything that a library prints.
    reports = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)

    def report(message: dict[str, Any]) -> None:
        reports.write(json.dumps(message, ensure_ascii=False) + "\n")
        reports.flush()

    def end(number: int, frame: Any) -> NoReturn:
        raise _Ended

    signal.signal(signal.SIGTERM, end)
    # Ctrl-C is for the room, which ends its children itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    orders: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(orders,), daemon=True).start()
    try:
        while True:
            order = orders.get()
            try:
                report(_done(order, report))
            except HalfstopError as error:
                report({"error": str(error)})
            except MemoryError:
                report({"error": "not enough memory for this; choose a smaller picture"})
            except Exception as error:
                # Name what is a fault of ours, as the command line does.
                report({"error": one_line(f"this is a bug in halfstop: {type(error).__name__}: {error}")[:300]})
    except (_Ended, BrokenPipeError):
        pass
    # Leave without waiting for the renderer's threads.
    os._exit(0)


def _done(order: dict[str, Any], report: Any) -> dict[str, Any]:
    if order["do"] == "ball":
        return run_ball(order)
    return {"files": run_export(order, lambda step, part: report({"step": step, "part": part}))}


def _listen(orders: queue.SimpleQueue[dict[str, Any]]) -> None:
    for line in sys.stdin:
        orders.put(json.loads(line))
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(LAST_GRACE_S)
    os._exit(1)


if __name__ == "__main__":
    main()
