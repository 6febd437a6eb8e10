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


def test_one_key_gives_the_whole_screen_another_hides_all_notes(browser: Any, room: Served) -> None:
    with opened(browser, room) as page:
        for key in ("f", "h", "t"):
            page.keyboard.press(key)
        page.wait_for_selector("body.full.bare.large", state="attached")
        for key in ("t", "h"):
            page.keyboard.press(key)
        for size in DESKS:
            resized(page, size)
            found, _ = share(page, size)
            assert found >= 36, (size, found)
            for away in ("#desk", "#set", "#slip", "#readings", ".tools-row"):
                assert page.locator(away).is_hidden(), away
            # Every light keeps its dial, in a strip that takes a sixth of the window at most.
            *_, width, height = page.evaluate(BOX, "#lights")
            assert width * height <= size[0] * size[1] / 6
            faders = page.locator(".fader")
            assert faders.count() == 5 and all(faders.nth(k).is_visible() for k in range(5))
        resized(page, (390, 844))
        assert share(page, (390, 844))[0] >= 40
        resized(page, (1440, 900))
        page.keyboard.press("Escape")
        page.wait_for_selector("body:not(.full)", state="attached")
        assert page.locator("#desk").is_visible()
        # Hidden notes leave the picture where it was.
        before = page.evaluate(BOX, ".print-area")
        page.keyboard.press("h")
        assert page.locator(".print figcaption").is_hidden()
        assert page.evaluate(BOX, ".print-area") == before
        page.keyboard.press("Escape")
        assert page.locator(".print figcaption").is_visible()
        # Large type is larger, and all of it is there.
        small = page.locator(".fader-name").first.bounding_box()["height"]
        page.keyboard.press("t")
        assert page.locator(".fader-name").first.bounding_box()["height"] > 1.25 * small
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        page.keyboard.press("t")
        # The word for each is in the menu, and the list of keys tells them.
        page.click(".view-menu summary")
        page.click('[data-way="papers"]')
        page.wait_for_selector("body.left-folded.right-folded", state="attached")
        page.keyboard.press("p")
        page.wait_for_selector("body:not(.left-folded)", state="attached")


def test_words_are_a_photographers_and_no_sound_desks(browser: Any, room: Served) -> None:
    with opened(browser, room) as page:
        page.keyboard.press("1")
        page.wait_for_selector(".ticket [data-key='power']")
        told = page.evaluate(
            "() => [document.body.textContent, ...[...document.querySelectorAll('*')].flatMap((e) =>"
            " ['title', 'aria-label', 'placeholder'].map((name) => e.getAttribute(name) ?? ''))].join(' ')"
        )
        assert not re.search(r"\b(un)?mute|\bsolo\b|\bwipe\b", told, re.I)
        assert all(word in told for word in ("Off", "Only", "Exposure trial", "Compare"))


@pytest.mark.parametrize(
    "size", [size if size in ((390, 844), (1440, 900)) else pytest.param(size, marks=pytest.mark.slow)
             for size in ((390, 844), (768, 1024), (1024, 768), (1440, 900), (1920, 1080))],
    ids=lambda size: f"{size[0]}x{size[1]}",
)  # fmt: skip
def test_every_window_is_open_to_everyone(browser: Any, room: Served, size: tuple[int, int]) -> None:
    from axe_playwright_python.sync_playwright import Axe

    def faults() -> list[tuple[str, list[str]]]:
        # WCAG 2.2 level A and AA as the axe library checks them.
        found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
        return [(v["id"], [n["html"][:160] for n in v["nodes"]]) for v in found.response["violations"]]

    with opened(browser, room, size, reduced_motion="reduce") as page:
        page.keyboard.press("1")
        page.wait_for_selector(".ticket [data-key='power']")
        page.click(".view-menu summary")
        assert faults() == []
        page.keyboard.press("Escape")
        page.keyboard.press("n")
        page.keyboard.press("f")
        page.wait_for_selector("body.full", state="attached")
        assert faults() == []
        page.keyboard.press("Escape")
        page.keyboard.press("Escape")
        # Nothing is cut off at the sides, wherever it lies in what rolls.
        past = page.evaluate(
            "() => [...document.querySelectorAll('button, input, select, summary')].filter((e) => e.checkVisibility())"
            ".map((e) => [e.getBoundingClientRect(), e]).filter(([b]) => b.width && (b.left < -0.5 ||"
            " b.right > innerWidth + 0.5)).map(([, e]) => e.outerHTML.slice(0, 100))"
        )
        assert past == []
        # Nor does a word run out of its button.
        out = page.eval_on_selector_all(
            "#desk button, .tools-row button, .tools-row summary, .pane-head button",
            "all => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent)",
        )
        assert out == []
        row = page.evaluate(
            "() => { const r = document.querySelector('.tools-row'); return r.scrollWidth - r.clientWidth }"
        )
        assert row <= 1


def test_fingers_on_a_telephone_drag_lights_and_roll_the_papers(browser: Any, room: Served) -> None:
    with room.client() as tab, opened(browser, room, (390, 844), has_touch=True, is_mobile=True) as page:
        fingers = page.context.new_cdp_session(page)

        def touch(kind: str, *places: tuple[float, float]) -> None:
            points = [{"x": x, "y": y} for x, y in places]
            fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        def swiped(start: tuple[float, float], by: tuple[float, float]) -> None:
            touch("touchStart", start)
            for part in range(1, 9):
                touch("touchMove", (start[0] + by[0] * part / 8, start[1] + by[1] * part / 8))
                drawn(page)
            touch("touchEnd")

        # Picture first, then plan, then slip, one under the other.
        tops = [page.evaluate(BOX, at)[1] for at in (".print-area", ".drawing.plan", "#slip")]
        assert tops == sorted(tops) and tops[0] < 200
        page.locator(".plan [data-item='light:key'] .tag").scroll_into_view_if_needed()
        before = next(x for x in tab.state["lights"] if x["name"] == "key")["position_m"]
        scroll = page.evaluate("() => scrollY")
        x, y, width, height = page.evaluate(BOX, ".plan [data-item='light:key'] .tag")
        start = (x + width / 2, y + height / 2)
        swiped(start, (40, 30))
        tab.wait("state", lambda m: next(x for x in m["lights"] if x["name"] == "key")["position_m"] != before)
        page.wait_for_function("() => !document.body.matches('.holding')")
        assert page.evaluate("() => scrollY") == scroll, "a drag moves the light, not the page"
        assert tab.ask("undo")["type"] == "done"
        # A finger on the empty sheet rolls the papers, and the picture stays in sight.
        x, y, width, height = page.evaluate(BOX, ".plan svg.sheet")
        swiped((x + 14, min(y + height - 60, 800)), (0, -160))
        page.wait_for_function("(before) => scrollY > before + 60", arg=scroll)
        assert page.evaluate(BOX, ".print-area")[1] >= 0
