"""A light dragged in the room, as a moving picture: `python -m tests.readme_drag` in the project's folder.

Writes `out/readme/drag.webp`: the demo scene's key carried around the sitter, the picture following at the speed that
this machine gives it. Needs Chromium.
"""

from __future__ import annotations

import base64
import io
import math
import sys
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.bench.served import served
from tests.browser import ARGUMENTS, require_chromium

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "out" / "readme" / "drag.webp"
LONG_SIDE_PX, SAMPLES = 600, 8
WIDTH_PX, LARGEST_BYTES = 960, 2_000_000
DRAG_S, STILL_S, EVERY_S = 6.0, 2.5, 0.1


def main() -> None:
    """Drag the key there and back and keep what the browser shows, at its own pace."""
    with served(ROOT / "scenes" / "recital.yaml", LONG_SIDE_PX, SAMPLES) as room, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=require_chromium(), args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(room.address)
        page.wait_for_selector("body[data-ready]:not(.waiting)", state="attached")
        page.wait_for_function("() => Number(document.querySelector('.print-area').dataset.serial) % 2 === 1")
        room.rest()
        # What is prepared for a drag shows nowhere.
        time.sleep(6.0)
        seen: list[tuple[float, bytes]] = []
        session = page.context.new_cdp_session(page)

        def take(frame: dict[str, object]) -> None:
            seen.append((time.monotonic(), base64.b64decode(str(frame["data"]))))
            session.send("Page.screencastFrameAck", {"sessionId": frame["sessionId"]})

        session.on("Page.screencastFrame", take)
        options = {"format": "jpeg", "quality": 85, "maxWidth": WIDTH_PX, "maxHeight": WIDTH_PX}
        session.send("Page.startScreencast", options)
        box_px = page.locator(".plan [data-item='light:key'] .centre").first.bounding_box()
        assert box_px is not None
        x, y = box_px["x"] + box_px["width"] / 2, box_px["y"] + box_px["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        began_s = time.monotonic()
        while (now_s := time.monotonic() - began_s) < DRAG_S:
            way = math.sin(math.pi * now_s / DRAG_S)
            page.mouse.move(x + 30 * way, y + 26 * way)
        page.mouse.up()
        end_s = time.monotonic() + STILL_S
        while time.monotonic() < end_s:
            page.wait_for_timeout(50)
        session.send("Page.stopScreencast")
        browser.close()
    keep(seen)


def keep(seen: list[tuple[float, bytes]]) -> None:
    """Store what was seen, evenly in time, as a moving picture."""
    pictures, at_s = [], seen[0][0]
    for (came_s, data), (until_s, _) in zip(seen, [*seen[1:], (seen[-1][0] + EVERY_S, b"")], strict=True):
        if until_s < at_s:
            continue
        pictures.append((Image.open(io.BytesIO(data)).convert("RGB"), max(until_s - max(came_s, at_s), 0.02)))
        at_s = max(at_s, came_s) + EVERY_S
    first, *others = (picture for picture, _ in pictures)
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    first.save(
        TARGET, "WEBP", save_all=True, append_images=others, loop=0, quality=60, method=4,
        duration=[round(1000 * shown_s) for _, shown_s in pictures],
    )  # fmt: skip
    size = TARGET.stat().st_size
    if size > LARGEST_BYTES:
        sys.exit(f"{TARGET} has {size} bytes; at most {LARGEST_BYTES} belong in a repository")
    print(f"{TARGET.relative_to(ROOT)}: {first.width} x {first.height}, {len(pictures)} pictures, {size} bytes")


if __name__ == "__main__":
    main()
