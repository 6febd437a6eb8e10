"""The table of the room's page: how much of the window the picture has, what surrounds it, papers that fold."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from rooms import PATIENCE_S, Served, StillWorker, served

from sim.quantities.assets import asset_path
from tests.bench.page_bench import browser_at_hand

# Least share of the window that an upright picture of 2:3 has while all papers are open, in percent. Before the picture
# came first it had 0.0 (it lay below the window), 4.9, 5.3, 5.8, 9.7 and 12.1.
SHARES = {(390, 844): 30, (768, 1024): 20, (1024, 768): 30, (1366, 768): 24, (1440, 900): 27, (1920, 1080): 27}
DESKS = [size for size in SHARES if size[0] > 1180]
BOX = "(at) => { const b = document.querySelector(at).getBoundingClientRect(); return [b.x, b.y, b.width, b.height] }"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_at_hand() as found:
        yield found


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The demo, its picture as large as it is shown; nothing is traced."""
    folder = tmp_path_factory.mktemp("table")
    path = folder / "recital.yaml"
    shutil.copy(asset_path("recital.yaml"), path)
    (folder / "state").mkdir()
    (folder / "state" / "tour-done").touch()
    with served(path, folder / "state", worker=StillWorker, long_side_px=None) as found:
        found.path = path
        found.state = folder / "state"
        yield found


@contextmanager
def opened(browser: Any, room: Served, size: tuple[int, int] = (1440, 900), **options: Any) -> Iterator[Any]:
    """The page in a window of its own; on leaving it must have been quiet."""
    told: list[str] = []
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **options)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_S * 1000)
    page.on("console", lambda m: told.append(f"{m.type}: {m.text}") if m.type == "error" else None)
    page.on("pageerror", lambda error: told.append(f"page error: {error}"))
    page.goto(room.address)
    page.wait_for_selector("body[data-ready]:not(.waiting)", state="attached")
    try:
        yield page
    finally:
        context.close()
    assert told == []


def drawn(page: Any) -> None:
    """Let the page lay out and draw what has changed."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def share(page: Any, size: tuple[int, int]) -> tuple[float, tuple[float, float]]:
    """Percent of the window that the picture has, and its width and height."""
    drawn(page)
    x, y, width, height = page.evaluate(BOX, ".print-area")
    assert x >= 0 and y >= 0 and x + width <= size[0] + 0.5 and y + height <= size[1] + 0.5
    return 100 * width * height / (size[0] * size[1]), (width, height)


def resized(page: Any, size: tuple[int, int]) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    drawn(page)


def test_the_picture_has_its_share_of_every_window_on_middle_grey(browser: Any, room: Served) -> None:
    with opened(browser, room) as page:
        for size, least in SHARES.items():
            resized(page, size)
            found, (width, height) = share(page, size)
            assert found >= least, (size, found)
            # Nothing is pushed out of the window sideways.
            assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0, size
            if size == (1440, 900):
                assert width >= 480 and height >= 720
        # Around it lies what an 18 % reflector shows, and no hue: IEC 61966-2-1 gives its linear value.
        ground = page.evaluate("() => getComputedStyle(document.querySelector('#picture')).backgroundColor")
        codes = {int(code) for code in re.findall(r"\d+", ground)[:3]}
        assert len(codes) == 1
        assert ((codes.pop() / 255 + 0.055) / 1.055) ** 2.4 == pytest.approx(0.18, abs=0.003)
        # Nothing is blended over it or thrown on it that the machine would have to work out for each frame.
        over = page.eval_on_selector_all(
            ".print, .print *", "all => all.map((e) => getComputedStyle(e)).filter((s) => s.filter !== 'none' ||"
            " s.backdropFilter !== 'none' || s.boxShadow !== 'none' || s.mixBlendMode !== 'normal').length",
        )  # fmt: skip
        assert over == 0
        # Papers away: more than 35 % of each desk's window.
        page.evaluate("() => document.querySelectorAll('.pane-fold').forEach((button) => button.click())")
        page.wait_for_selector("body.left-folded.right-folded", state="attached")
        for size in DESKS:
            resized(page, size)
            assert share(page, size)[0] >= 35, size
        page.evaluate("() => document.querySelectorAll('.pane-fold').forEach((button) => button.click())")


def test_nothing_that_appears_moves_the_picture(browser: Any, room: Served) -> None:
    with opened(browser, room) as page, room.client() as tab:
        page.wait_for_selector("[data-light='key'] .fader")
        drawn(page)
        place = page.evaluate(BOX, ".print-area")

        def stays(what: str) -> None:
            drawn(page)
            assert page.evaluate(BOX, ".print-area") == pytest.approx(place, abs=0.1), what

        page.click(".trial-opens")
        stays("trial settings")
        page.select_option(".rendering", "tones")
        page.wait_for_selector(".legend", state="visible")
        stays("the legend of false tones")
        page.select_option(".rendering", "colour")
        for number in range(4):
            assert tab.ask("keep_version", title=f"kept {number}")["type"] == "done"
        page.wait_for_function("() => document.querySelectorAll('.tab-list .tab').length === 4")
        stays("kept versions")
        page.keyboard.press("1")
        page.wait_for_selector(".ticket [data-key='power']")
        stays("a light's slip")
        tab.edit({"op": "set", "path": ["title"], "value": "A title that is longer than any strip of tape " * 2})
        page.wait_for_function("() => document.title.includes('longer')")
        stays("a long title")
        # A refusal of many words, said below the set.
        page.evaluate("() => { const n = document.querySelector('#notice'); n.textContent = 'Not so. '.repeat(200) }")
        stays("a long refusal")
        assert tab.ask("undo")["type"] == "done"
        for version in tab.wait("versions", lambda m: len(m["versions"]) == 4)["versions"]:
            tab.ask("drop_version", version=version["id"])


def test_papers_fold_and_are_found_again_as_they_were_left(browser: Any, room: Served) -> None:
    with opened(browser, room) as page:
        fold = page.get_by_role("button", name="Elevation")
        fold.focus()
        page.keyboard.press("Enter")
        page.wait_for_selector(".drawing.side.folded")
        assert fold.get_attribute("aria-expanded") == "false"
        drawn(page)
        x, y, width, height = page.evaluate(BOX, ".bar.left")
        page.mouse.move(x + width / 2, y + height / 2)
        page.mouse.down()
        page.mouse.move(x + width / 2 - 60, y + height / 2, steps=3)
        page.mouse.up()
        # The same by keys alone; the picture takes what the papers give.
        before = page.evaluate(BOX, "#picture")
        page.locator(".bar.right").focus()
        page.keyboard.press("ArrowRight")
        drawn(page)
        after = page.evaluate(BOX, "#picture")
        assert after[2] == pytest.approx(before[2] + 16, abs=1)
        kept = room.state / "table.json"
        page.wait_for_function("() => !document.body.matches('.holding')")
        wanted = page.evaluate("() => getComputedStyle(document.body).gridTemplateColumns")
        for _ in range(200):
            if kept.exists() and "right_px" in kept.read_text("utf-8"):
                break
            page.wait_for_timeout(20)
        assert json.loads(kept.read_text("utf-8"))["folded"] == ["side"]
    # Another window, which knows nothing of this one but what the room keeps.
    with opened(browser, room) as page:
        page.wait_for_selector(".drawing.side.folded")
        drawn(page)
        assert page.evaluate("() => getComputedStyle(document.body).gridTemplateColumns") == wanted
        page.get_by_role("button", name="Elevation").click()
        page.wait_for_selector(".drawing.side:not(.folded)")
        page.locator(".bar.left").focus()
        page.keyboard.press("Home")
        page.locator(".bar.right").focus()
        page.keyboard.press("Home")
        page.wait_for_function("() => !document.body.style.cssText.includes('--left')")
    kept.write_text('{"folded": ["cellar"], "sizes": {"left_px": -3}}', "utf-8")
    with room.client() as tab:
        assert tab.wait("table")["folded"] == [] and tab.wait("table")["sizes"] == {}
    kept.unlink()


def test_the_picture_is_traced_at_the_size_at_which_it_is_shown(browser: Any, room: Served) -> None:
    def asked(page: Any, fits: Any) -> tuple[int, int]:
        for _ in range(400):
            if StillWorker.asked and fits(StillWorker.asked[-1].size):
                return StillWorker.asked[-1].size
            page.wait_for_timeout(20)
        raise AssertionError(f"last asked for {StillWorker.asked[-1].size}")

    with opened(browser, room) as page:
        _, shown = share(page, (1440, 900))
        size = asked(page, lambda found: abs(found[1] - shown[1]) <= 1)
        assert size == pytest.approx(shown, abs=1)
        # While a hand drags nothing of another size is asked for; once it rests all is.
        page.locator("[data-light='key'] .fader").scroll_into_view_if_needed()
        x, y, width, height = page.evaluate(BOX, "[data-light='key'] .fader")
        page.mouse.move(x + width / 2, y + height / 2)
        page.mouse.down()
        page.mouse.move(x + width / 2 - 8, y + height / 2)
        page.wait_for_selector("body.holding")
        count = len(StillWorker.asked)
        resized(page, (1366, 768))
        page.wait_for_timeout(700)
        assert len(StillWorker.asked) == count
        page.mouse.up()
        _, shown = share(page, (1366, 768))
        asked(page, lambda found: abs(found[1] - shown[1]) <= 1)
        page.keyboard.press("Control+z")
    # A screen of two pixels a point is given both, but never more than is sane.
    with opened(browser, room, (1366, 768), device_scale_factor=2) as page:
        _, shown = share(page, (1366, 768))
        asked(page, lambda found: abs(found[1] - 2 * shown[1]) <= 2)
        resized(page, (1920, 1080))
        assert asked(page, lambda found: max(found) == 1600)


def test_a_size_out_of_bounds_is_refused_in_one_line(room: Served) -> None:
    with room.client() as tab:
        for size in (0, -5, 1601, 10**9, "wide", None, 599.5):
            answer = tab.ask("picture_size", long_side_px=size)
            assert answer["type"] == "refused" and "a long side of 60 to 1600 pixels" in answer["text"]
        for folded, sizes in ((["cellar"], {}), ([], {"left_px": -1}), ([], {"attic": 3}), ("plan", {})):
            assert tab.ask("keep_table", folded=folded, sizes=sizes)["type"] == "refused"
