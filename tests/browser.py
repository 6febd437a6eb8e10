"""A headless browser for pages: it fails on console errors, page errors and any request beyond the page itself."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
    "--disable-dev-shm-usage", "--force-color-profile=srgb",
]  # fmt: skip
# Wait until what fades or moves has come to rest; what turns without end is not waited for.
FADES_OVER = """() => Promise.allSettled(document.getAnimations()
  .filter((one) => one.effect.getComputedTiming().endTime < Infinity).map((one) => one.finished)).then(() => null)"""
NO_BROWSER = "no Chromium here"
# What a page holds itself, and the browser's own viewer of PDF files.
OWN_SCHEMES = ("data:", "blob:", "chrome-extension:", "chrome:")


def chromium_path() -> str | None:
    """Where Chromium is on this machine; HALFSTOP_CHROMIUM names it."""
    named = os.environ.get("HALFSTOP_CHROMIUM")
    return named or next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


def require_chromium() -> str:
    """The browser's path, or skip the test with the reason."""
    found = chromium_path()
    if found is None:
        pytest.skip(f"{NO_BROWSER}: install it (Debian: apt-get install chromium) or name it in HALFSTOP_CHROMIUM")
    return found


@contextmanager
def opened_page(
    path: Path, width: int = 1280, height: int = 900, *, script: bool = True, fragment: str = "",
    reduced_motion: bool = False, beside: bool = False,
) -> Iterator[Any]:  # fmt: skip
    """The page of an HTML file in a fresh browser; on leaving, it must have been quiet and asked for nothing else.

    Arguments: `beside` lets it ask for files in its own folder.
    """
    executable = require_chromium()
    from playwright.sync_api import sync_playwright

    told: list[str] = []
    asked: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=ARGUMENTS)
        context = browser.new_context(
            viewport={"width": width, "height": height}, java_script_enabled=script,
            reduced_motion="reduce" if reduced_motion else "no-preference",
        )  # fmt: skip
        page = context.new_page()
        # A busy machine takes far longer than a quiet one.
        page.set_default_timeout(120_000)
        page.on("console", lambda m: told.append(f"{m.type}: {m.text}") if m.type == "error" else None)
        page.on("pageerror", lambda error: told.append(f"page error: {error}"))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri() + (f"#{fragment}" if fragment else ""))
        yield page
        browser.close()
    assert told == []
    own = (*OWN_SCHEMES, f"{path.parent.as_uri()}/") if beside else OWN_SCHEMES
    outside = [url for url in asked if url.partition("#")[0] != path.as_uri() and not url.startswith(own)]
    assert outside == []
