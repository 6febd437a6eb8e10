"""The start page, another set, and a lost connection, in a real browser: one page goes through all of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import ARGUMENTS, FADES_OVER, require_chromium
from rooms import SIMPLE, Served, StillWorker, scene_file, served

from sim.room.home.folders import Folders
from sim.room.home.starts import starts
from sim.room.preview.frame import frame_from_layers
from sim.room.preview.messages import PictureReady
from sim.scene.read import load_scene

PATIENCE_MS = 120_000
# WCAG 2.2, levels A and AA, as the axe library checks them.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
SIZES = ((1440, 900), (1024, 768), (390, 844))
ON_A_SET = "body[data-ready]:not(.waiting) .tape"


class FedWorker(StillWorker):
    """A worker that hands out what a test gives it."""

    newest: FedWorker

    def __init__(self, on_result: Any, environment: Any = None) -> None:
        super().__init__(on_result, environment)
        type(self).newest = self

    def paint(self, room: Served, number: int = -1) -> None:
        """Answer a request with a plain picture."""
        order = type(self).asked[number]
        snapshot = room.session.preview.snapshot
        names, layout = snapshot.names, snapshot.layout
        grey = {name: np.full((12, 8, 3), 500.0, np.float32) for name in names}
        frame = frame_from_layers(
            serial=order.serial, revision=order.revision, pass_name="settled", names=names,
            is_flash=tuple(True for _ in names), view=grey, raw=grey, part=np.zeros((12, 8), np.uint8),
            part_names=("",), distance_m=np.zeros((12, 8), np.float32), camera=layout.camera,
            samples=tuple(1 for _ in names), fresh=names,
        )  # fmt: skip
        self.on_result(PictureReady(order.serial, order.revision, frame))


@pytest.fixture(scope="module")
def page() -> Iterator[Any]:
    executable = require_chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=ARGUMENTS)
        context = browser.new_context(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
        found = context.new_page()
        found.set_default_timeout(PATIENCE_MS)
        found.broken = []
        found.on("pageerror", lambda error: found.broken.append(str(error)))
        yield found
        browser.close()


@pytest.fixture()
def room(tmp_path: Path) -> Iterator[Served]:
    """A folder with one set, and a room in which none is open."""
    folder = tmp_path / "portraits"
    (folder / "winter").mkdir(parents=True)
    scene_file(folder)
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "tour-done").touch()
    with started(tmp_path) as found:
        yield found


def started(tmp_path: Path) -> Any:
    folders = Folders.named([tmp_path / "portraits"])
    return served(None, tmp_path / "state", worker=FedWorker, folders=folders, out=tmp_path / "out")


def faults(page: Any) -> list[tuple[str, str]]:
    from axe_playwright_python.sync_playwright import Axe

    page.evaluate(FADES_OVER)
    found = Axe().run(page, options={"runOnly": RULES})
    return [(v["id"], n["html"][:140]) for v in found.response["violations"] for n in v["nodes"]]


def test_from_the_start_page_to_a_set_and_to_another_one(page: Any, room: Served, tmp_path: Path) -> None:
    page.goto(room.address)
    page.wait_for_selector("body[data-ready]")
    # Every start that is lit shows a picture of its own, made by the program.
    cards = page.locator(".starts [data-start]")
    assert cards.count() == len(starts()) >= 8
    lit = sum(start.is_lit for start in starts())
    images = "[...document.querySelectorAll('.starts img')]"
    page.wait_for_function(f"(lit) => {images}.filter((image) => image.naturalWidth > 100).length === lit", arg=lit)
    addresses = page.eval_on_selector_all(".starts img", "(all) => all.map((image) => image.src)")
    assert len(set(addresses)) == len(addresses)
    assert page.locator(".recent").count() == 0 and page.locator("[data-set='set.yaml']").count() == 1
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0, width
    assert faults(page) == []
    page.set_viewport_size({"width": 1440, "height": 900})

    # By keys alone: the first card, its paper, a title, begin.
    page.focus("[data-start='clamshell.yaml']")
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open]")
    assert faults(page) == []
    page.keyboard.type("Anna, Überraschung")
    assert page.input_value("#begin-file") == "anna-uberraschung.yaml"
    page.fill("#begin-file", "../anna.yaml")
    page.keyboard.press("Enter")
    page.wait_for_selector("#begin-error:text('outside the folders')")
    page.fill("#begin-file", "anna.yaml")
    page.keyboard.press("Enter")
    page.wait_for_selector(ON_A_SET)
    made = tmp_path / "portraits" / "anna.yaml"
    assert load_scene(made).title == page.input_value(".tape .title") == "Anna, Überraschung"

    # The title is typed over in its place, and saved like any edit.
    page.fill(".tape .title", "Anna, winter")
    page.keyboard.press("Enter")
    page.wait_for_selector(".tape .unsaved")
    page.keyboard.press("Control+s")
    page.wait_for_selector(".tape .file:not(.unsaved)")
    assert load_scene(made).title == "Anna, winter"

    # A copy over a file that is there only on a second yes.
    page.click("text=Export")
    page.click("text=Save a copy of the scene")
    page.fill("dialog.ask[open] input", "set.yaml")
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog.ask[open] :text('There is a file set.yaml already')")
    assert (tmp_path / "portraits" / "set.yaml").read_text("utf-8") == SIMPLE
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog.ask", state="detached")

    # Its picture comes; another set is opened elsewhere: this page begins anew and shows no picture until it has one.
    FedWorker.newest.paint(room)
    page.wait_for_selector(".print-area[data-serial]", state="attached")
    other = page.context.new_page()
    other.goto(f"{room.address}home")
    other.wait_for_selector(".recent [data-set='anna.yaml']")
    other.click(".folder-sets [data-set='set.yaml']")
    other.wait_for_selector(ON_A_SET)
    for shown in (other, page):
        shown.wait_for_selector(".tape .title")
        shown.wait_for_function("() => document.querySelector('.tape .title').value === 'Two lights'")
        assert shown.locator(".print-area[data-serial]").count() == 0
        assert shown.locator(".print-empty").is_visible()
    # What the worker still had to say of the set before is no picture of this one.
    FedWorker.newest.paint(room, 0)
    FedWorker.newest.paint(room)
    page.wait_for_selector(".print-area[data-serial]", state="attached")
    assert [light["name"] for light in room.session.open_scene.snapshot().state["lights"]] == ["key", "fill"]
    other.close()

    # The set that was left has a picture of its own on the start page.
    page.click("nav >> text=Sets")
    page.wait_for_selector(".recent [data-set='anna.yaml'] img")
    page.wait_for_function("() => document.querySelector('.recent [data-set=\"anna.yaml\"] img').naturalWidth > 0")
    assert page.inner_text("#open-set").startswith("Open now: Two lights")
    assert page.broken == []


def test_a_lost_connection_is_plain_and_mends_itself(page: Any, tmp_path: Path) -> None:
    folder = tmp_path / "portraits"
    folder.mkdir()
    path = scene_file(folder)
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "tour-done").touch()
    page.broken.clear()
    with started(tmp_path) as room:
        page.goto(room.address)
        page.click("[data-set='set.yaml']")
        page.wait_for_selector(ON_A_SET)
        page.fill(".tape .title", "Not saved yet")
        page.keyboard.press("Enter")
        page.wait_for_selector(".tape .unsaved")
        first = page.url
    page.wait_for_selector("#lost")
    assert page.locator("#lost").is_visible() and "Connection lost" in page.inner_text("#lost")
    assert page.inner_text("#lost code") == f"halfstop open {folder}"
    # Nothing that would be lost can be done meanwhile.
    assert page.evaluate("() => document.querySelector('main').inert && document.querySelector('header').inert")
    assert faults(page) == []
    with started(tmp_path) as room:
        # Another address on the same port; the page finds it, the set, and what was not saved.
        page.wait_for_url(f"{room.address}**")
        assert page.url != first
        page.wait_for_selector("dialog[open] :text('Changes of an earlier session were found')")
        page.click("text=Bring them back")
        page.wait_for_function("() => document.querySelector('.tape .title').value === 'Not saved yet'")
        assert page.locator("#lost").count() == 0
        assert room.session.open_scene.path == path
    assert page.broken == []
