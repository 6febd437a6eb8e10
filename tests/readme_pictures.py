"""Make the pictures of README.md anew: `python -m tests.readme_pictures` in the project's folder.

Writes `out/readme/contact-sheet.webp` from the demo scene at standard quality, seed 0, and `out/readme/room.webp`,
the same scene open in the browser; the second needs Chromium.
"""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from sim.cli.progress import shown_progress
from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
from tests.browser import ARGUMENTS, require_chromium

ROOT = Path(__file__).resolve().parent.parent
WIDTH_PX = 1600
LARGEST_BYTES = 400_000


def main() -> None:
    """Render the demo scene and keep its contact sheet, and a view of its rehearsal room, as small pictures."""
    with tempfile.TemporaryDirectory() as scratch:
        _keep(_contact_sheet(Path(scratch)), "contact-sheet.webp")
        _keep(_room(Path(scratch)), "room.webp")


def _contact_sheet(folder: Path) -> Image.Image:
    with shown_progress() as on_progress:
        order = PreviewOrder(quality=QUALITIES["standard"], out=folder / "preview")
        run_preview(ROOT / "scenes" / "recital.yaml", order, on_progress)
    return Image.open(folder / "preview" / "contact-sheet.png")


def _room(folder: Path) -> Image.Image:
    """The demo scene in the browser, once its picture has settled and its meters are read."""
    scene = folder / "recital.yaml"
    shutil.copyfile(ROOT / "scenes" / "recital.yaml", scene)
    command = [sys.executable, "-m", "sim", "open", str(scene), "--no-browser"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address = next(found[0] for line in server.stdout if (found := re.search(r"http://\S+", line)))
        try:
            from playwright.sync_api import sync_playwright

            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=require_chromium(), args=ARGUMENTS)
                page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
                page.goto(address)
                page.wait_for_selector("body[data-ready]")
                page.keyboard.press("Escape")
                page.get_by_text("settled", exact=True).wait_for(timeout=120_000)
                page.get_by_text("key-side cheek").first.wait_for(timeout=120_000)
                page.wait_for_timeout(8_000)
                page.screenshot(path=folder / "room.png")
                browser.close()
        finally:
            server.send_signal(signal.SIGINT)
    return Image.open(folder / "room.png")


def _keep(picture: Image.Image, name: str) -> None:
    """Store a picture for the README, small enough for a repository."""
    target = ROOT / "out" / "readme" / name
    target.parent.mkdir(parents=True, exist_ok=True)
    width_px = min(WIDTH_PX, picture.width)
    height_px = round(picture.height * width_px / picture.width)
    small = picture.convert("RGB").resize((width_px, height_px), Image.Resampling.LANCZOS)
    small.save(target, "WEBP", quality=88, method=6)
    if target.stat().st_size > LARGEST_BYTES:
        sys.exit(f"{target} has {target.stat().st_size} bytes; at most {LARGEST_BYTES} belong in a repository")
    print(f"{target.relative_to(ROOT)}: {width_px} x {height_px}, {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
