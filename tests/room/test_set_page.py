"""The sheet of the room's page: drawn to scale, dragged, typed, keyed, in a browser against a real server."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import FADES_OVER
from rooms import PATIENCE_S, SIMPLE, StillWorker, scene_file, served

from sim.quantities import units
from sim.quantities.errors import UnitError
from sim.reports.plan.facts import facts_from_scene
from sim.reports.plan.outlines import View, beam_shapes
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene
from tests.bench.page_bench import browser_at_hand

SNOOT = """\
  hair light:
    source: {kind: flash, energy: 400 W·s}
    power: 1/8
    modifier: {kind: reflector, diameter: 18 cm, grid: 20°}
    place: {at: [0.8 m, 2.3 m, -0.9 m]}
    aim: hair
"""
SET = SIMPLE.replace("meters:\n", f"{SNOOT}meters:\n")
# Sizes of a desk and of a tablet held both ways.
SIZES = ((1440, 900), (1280, 800), (1024, 768), (768, 1024))
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

# What is seen of an element: its box within all that rolls around it.
SEEN_BOX = """(selector) => {
  const box = document.querySelector(selector).getBoundingClientRect();
  let [left, top, right, bottom] = [box.left, box.top, box.right, box.bottom];
  for (let e = document.querySelector(selector).parentElement; e; e = e.parentElement) {
    if (getComputedStyle(e).overflowY === "visible" || getComputedStyle(e).display === "contents") continue;
    const around = e.getBoundingClientRect();
    [left, top] = [Math.max(left, around.left), Math.max(top, around.top)];
    [right, bottom] = [Math.min(right, around.right), Math.min(bottom, around.bottom)];
  }
  return { x: left, y: top, width: right - left, height: bottom - top };
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_at_hand() as found:
        yield found


class Table:
    """The page at work: what it says of the set, and hands on it."""

    def __init__(self, page: Any, path: Path) -> None:
        self.page, self.path = page, path

    @property
    def px_per_m(self) -> float:
        return float(self.page.locator("#set").get_attribute("data-scale"))

    def group(self, item: str, sheet: str = "plan") -> Any:
        return self.page.locator(f'[data-sheet="{sheet}"] [data-item="{item}"]')

    def words(self, item: str) -> str:
        return str(self.group(item).get_attribute("aria-label"))

    def until(self, item: str, holds: str) -> None:
        """Wait until the words of a thing hold a text."""
        self.page.wait_for_function(
            "([item, text]) => document.querySelector(`[data-sheet='plan'] [data-item='${item}']`)"
            ".getAttribute('aria-label').includes(text)", arg=[item, holds], timeout=PATIENCE_S * 1000,
        )  # fmt: skip

    def middle(self, selector: str) -> np.ndarray:
        # In one step, because the sheet may be drawn anew between two.
        script = """(selector) => { const box = document.querySelector(selector).getBoundingClientRect();
          return [box.x + box.width / 2, box.y + box.height / 2] }"""
        return np.array(self.page.evaluate(script, selector))

    def drag(self, selector: str, by_m: tuple[float, float], *, drop: bool = True) -> None:
        """Drag what a selector finds by metres on the sheet: right and down."""
        start = self.middle(selector)
        end = start + np.array(by_m) * self.px_per_m
        self.page.mouse.move(*start)
        self.page.mouse.down()
        for part in (0.3, 0.7, 1.0):
            self.page.mouse.move(*(start + part * (end - start)))
        if drop:
            self.page.mouse.up()
            self.rest()

    def rest(self) -> None:
        """Wait until the server has answered every gesture."""
        self.page.wait_for_function("() => !document.body.matches('.holding')", timeout=PATIENCE_S * 1000)

    def save(self) -> str:
        """Press Save and return the file once it is written."""
        self.rest()
        self.page.get_by_role("button", name="Save", exact=True).click()
        self.page.wait_for_function("() => !document.querySelector('.file').textContent.includes('not saved')")
        return self.path.read_bytes().decode("utf-8")


@contextmanager
def table(
    browser: Any, folder: Path, *, tour: bool = False, size: tuple[int, int] = (1280, 800), **context: Any
) -> Iterator[Table]:
    """The page of a scene in its own folder; on leaving it must have been quiet."""
    path = scene_file(folder, SET)
    told: list[str] = []
    with served(path, folder / "state", worker=StillWorker) as room:
        fresh = browser.new_context(viewport={"width": size[0], "height": size[1]}, **context)
        page = fresh.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        page.on("console", lambda m: told.append(f"{m.type}: {m.text}") if m.type == "error" else None)
        page.on("pageerror", lambda error: told.append(f"page error: {error}"))
        page.goto(room.address)
        page.wait_for_selector("body[data-ready]", timeout=PATIENCE_S * 1000)
        page.wait_for_selector(".tour:not([hidden])", timeout=PATIENCE_S * 1000)
        if not tour:
            page.get_by_role("button", name="Skip").click()
        yield Table(page, path)
        fresh.close()
    assert told == []


# -- drawn to scale -------------------------------------------------------------------------------


def test_both_drawings_share_one_scale_and_hold_every_place(browser: Any, tmp_path: Path) -> None:
    scene = load_scene(scene_file(tmp_path, SET))
    layout = layout_from_scene(scene, tmp_path)
    with table(browser, tmp_path) as sheet:
        axes = {"plan": lambda p: (p[0], p[2]), "side": lambda p: (-p[2], -p[1])}
        for name, flat in axes.items():
            found = {
                light.name: [
                    float(sheet.group(f"light:{light.name}", name).locator(".centre").get_attribute(key))
                    for key in ("cx", "cy")
                ]
                for light in layout.lights
            }
            places = np.array([flat(light.position_m) for light in layout.lights])
            drawn = np.array([found[light.name] for light in layout.lights])
            # A tenth of a pixel is what the page writes.
            np.testing.assert_allclose(drawn - drawn[0], (places - places[0]) * sheet.px_per_m, atol=0.21)


def test_beams_are_those_of_the_printed_plan(browser: Any, tmp_path: Path) -> None:
    scene = load_scene(scene_file(tmp_path, SET))
    facts = facts_from_scene(scene, layout_from_scene(scene, tmp_path))
    with table(browser, tmp_path) as sheet:
        for name, upright in (("plan", False), ("side", True)):
            beams = sheet.page.locator(f'[data-sheet="{name}"] polygon.beam')
            for index, light in enumerate(facts):
                drawn = [p.split(",") for p in beams.nth(index).get_attribute("points").split()]
                view = View("x-z" if name == "plan" else "z-y", sheet.px_per_m, (0.0, 0.0))
                printed = beam_shapes(light, view, {}, upright=upright)[0].points_mm
                mine = np.array(drawn, float)
                # The state rounds beams to a degree and sizes to a millimetre.
                np.testing.assert_allclose(mine - mine[0], printed - printed[0], atol=1.6)


# -- hands ----------------------------------------------------------------------------------------


def test_a_drag_is_one_step_that_undo_takes_back_byte_for_byte(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        undo = sheet.page.get_by_role("button", name="Undo")
        sheet.drag('[data-sheet="plan"] [data-item="light:hair light"] .tag', (0.5, 0.25))
        sheet.until("light:hair light", "at 117°")
        sheet.page.wait_for_function("() => !document.querySelector('.tools button[title^=Undo]').disabled")
        # A place in coordinates keeps its form and lands on 5 cm.
        assert "place: {at: [1.3 m, 2.3 m, -0.65 m]}" in sheet.save()
        undo.click()
        sheet.page.wait_for_function("() => document.querySelector('.tools button[title^=Undo]').disabled")
        assert sheet.save() == SET


def test_a_light_said_by_bearing_lands_on_five_degrees_and_five_centimetres(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        tag = '[data-sheet="plan"] [data-item="light:key"] .tag'
        sheet.drag(tag, (-0.4, 0.3))
        found = re.search(r"place: \{bearing: (\S+)°, distance: (\S+) m, height: 1.9 m\}", sheet.save())
        bearing, away = (float(text) for text in found.groups())
        assert bearing % 5 == 0 and (bearing, away) != (-60, 1.6)
        assert away * 20 == pytest.approx(round(away * 20))
        # Where the hand led it, to half a step of both.
        start = 1.6 * np.array([np.sin(np.radians(-60)), np.cos(np.radians(-60))])
        end = away * np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
        assert np.linalg.norm(end - (start + [-0.4, 0.3])) < np.hypot(0.025, np.radians(2.5) * away) + 0.02
        # The free hand lands between the steps.
        sheet.page.keyboard.down("Alt")
        sheet.drag(tag, (0.13, 0.0))
        sheet.page.keyboard.up("Alt")
        found = re.search(r"bearing: (\S+)°, distance: (\S+) m, height: 1.9 m", sheet.save())
        assert float(found[1]) % 5 != 0 or round(float(found[2]) * 100) % 5 != 0


def test_escape_takes_a_drag_back(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        before = sheet.words("light:fill")
        sheet.drag('[data-sheet="plan"] [data-item="light:fill"] .tag', (0.6, 0.2), drop=False)
        sheet.page.wait_for_function("() => document.querySelector('.file').textContent.includes('not saved')")
        assert sheet.page.locator('[data-sheet="plan"] .slip-note').count() == 1
        sheet.page.keyboard.press("Escape")
        sheet.until("light:fill", before)
        sheet.page.mouse.up()
        sheet.page.wait_for_function("() => !document.querySelector('.file').textContent.includes('not saved')")
        assert sheet.path.read_bytes().decode("utf-8") == SET


def test_heights_are_set_from_the_side_and_aims_catch_named_parts(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        sheet.drag('[data-sheet="side"] [data-item="light:fill"] .tag', (0.7, -0.4))
        sheet.until("light:fill", "2.40 m high")
        # Only the height has changed.
        assert "bearing: 30°, distance: 2.5 m, height: 2.4 m" in sheet.save()
        aim = '[data-sheet="side"] .handle[data-part="aim"] .knob'
        scene = load_scene(sheet.path)
        parts = layout_from_scene(scene, sheet.path.parent).anchors_m
        lift = parts["forehead"] - parts["chest"]
        sheet.drag(aim, (-lift[2], -lift[1]))
        sheet.save()
        written = load_scene(sheet.path)
        assert np.linalg.norm(parts[written.lights["fill"].aim] - parts["forehead"]) < 0.1


def test_keys_move_turn_and_raise_with_one_undo_for_a_run(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        press = sheet.page.keyboard.press
        press("2")
        sheet.until("light:fill", "2.50 m")
        assert sheet.group("light:fill").evaluate("(group) => group === document.activeElement")
        # On the camera's side at the right, down leads away from the sitter and left around to the camera.
        # One after the other, since what rests in between is two runs; undo follows at once, with edits under way.
        for key in ("ArrowDown", "ArrowDown", "Shift+ArrowUp", "PageUp", "Control+z"):
            press(key)
        sheet.rest()
        start = "2.50 m from the mark at 30° (front, camera right), 2.00 m high"
        sheet.until("light:fill", start)
        press("Control+Shift+z")
        sheet.until("light:fill", "2.59 m from the mark at 30° (front, camera right), 2.05 m high")
        press("Control+z")
        sheet.until("light:fill", start)
        press("s")
        press(".")
        sheet.until("sitter", "turned 25°")


def test_numbers_take_a_unit_and_refusals_stay_beside_the_field(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        sheet.page.keyboard.press("1")
        away = sheet.page.get_by_label("Distance")
        away.fill("1,85")
        away.press("Enter")
        sheet.until("light:key", "1.85 m from the mark")
        width = sheet.page.get_by_label("Width", exact=True)
        width.fill("wide")
        width.press("Enter")
        sheet.page.wait_for_selector("[aria-invalid]")
        beside = sheet.page.locator(f"#{width.get_attribute('aria-describedby')}").inner_text()
        assert 'Got "wide"' in beside and "90 cm" not in beside and ".yaml" not in beside
        assert "width: 90 cm" in sheet.save()
        width.fill("3 ft")
        width.press("Enter")
        sheet.page.wait_for_function("() => !document.querySelector('[aria-invalid]')")
        assert "width: 3 ft" in sheet.save()


def test_slips_speak_plainly(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        sheet.page.keyboard.press("s")
        assert "on the mark" in sheet.page.locator(".ticket").inner_text()
        sheet.page.keyboard.press("ArrowDown")
        sheet.page.wait_for_function("() => /0.05 m toward the cam/.test(document.querySelector('.ticket').innerText)")
        sheet.page.keyboard.press("b")
        # Words beside a gesture follow it a few times a second.
        sheet.page.wait_for_selector(".ticket-head >> text=backdrop")
        labels = sheet.page.locator(".ticket label").all_inner_texts()
        assert {"Width", "Height", "Colour"} <= set(labels)


def test_a_dial_may_be_typed_as_lamps_show_it(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        sheet.page.keyboard.press("1")
        dial = sheet.page.get_by_role("textbox", name="Power")
        # Seven tenths of a stop above a quarter.
        dial.fill("1/4 +7/10")
        dial.press("Enter")
        sheet.page.wait_for_function("() => /1\\.3 stops/.test(document.querySelector('.ticket').innerText)")
        assert load_scene(sheet.path).lights["key"].power_stops == -2
        assert "power: -1.3 stops" in sheet.save()
        dial.fill("1/4 +11/10")
        dial.press("Enter")
        sheet.page.wait_for_selector("[aria-invalid]")


def contrast(one: str, other: str) -> float:
    """Contrast of two CSS colours "rgb(r, g, b)": WCAG 2.2, relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        coded = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
        linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_lights_are_added_named_and_removed(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path) as sheet:
        page = sheet.page
        page.keyboard.press("a")
        page.wait_for_selector("dialog.library[open] .card")
        # Hazards are told and deferred where lights are added.
        told = page.locator(".cautions").inner_text()
        hazards = ("mains", "hot", "stands", "eyes", "photosensitivity", "local electrical codes")
        assert all(word in told for word in hazards)
        page.locator("dialog.library .card").first.click()
        page.wait_for_selector('[data-sheet="plan"] [data-item="light:bare bulb"]')
        page.get_by_role("button", name="Rename").click()
        # A refusal is told where the name was written, without the place in the file.
        page.locator("dialog.ask input").fill("key")
        page.keyboard.press("Enter")
        page.wait_for_selector("dialog.ask .error:not(:empty)")
        assert page.locator("dialog.ask .error").inner_text().startswith('There is a "key" already')
        page.locator("dialog.ask input").fill("Rim")
        page.keyboard.press("Enter")
        page.wait_for_selector('[data-sheet="plan"] [data-item="light:rim"]')
        assert re.search(r"^  rim:$", sheet.save(), re.MULTILINE)
        # A pressed button under the pointer keeps its words legible.
        mute = page.locator(".ticket [data-key='mute']")
        mute.click()
        page.wait_for_selector(".ticket [data-key='mute'][aria-pressed='true']")
        mute.hover()
        page.evaluate(FADES_OVER)
        ground, ink = mute.evaluate("(b) => { const s = getComputedStyle(b); return [s.backgroundColor, s.color] }")
        assert contrast(ground, ink) >= 4.5
        page.keyboard.press("Control+z")
        page.get_by_role("button", name="Remove").click()
        page.wait_for_selector('[data-sheet="plan"] [data-item="light:rim"]', state="detached")
        assert sheet.save() == SET


# -- words, first steps, access -------------------------------------------------------------------


def test_lengths_are_read_as_the_scene_file_reads_them(browser: Any, tmp_path: Path) -> None:
    texts = ["1.7 m", "170 cm", "1700 mm", "5 ft 7 in", "6 ft", "70 in", "-0.4 m", "1.7 monkeys", "", "m"]
    with table(browser, tmp_path) as sheet:
        found = sheet.page.evaluate(
            "async (texts) => { const m = await import(new URL('room/page/measures.js', location.href)); "
            "return texts.map(m.metresFromText) }", texts,
        )  # fmt: skip
    for text, mine in zip(texts, found, strict=True):
        try:
            assert mine == pytest.approx(units.length_m_from_text(text), abs=1e-9), text
        except UnitError:
            assert mine is None, text


def test_four_steps_are_shown_once_and_by_keys(browser: Any, tmp_path: Path) -> None:
    with table(browser, tmp_path, tour=True) as sheet:
        steps = []
        for _ in range(4):
            steps.append(sheet.page.locator(".tour-count").inner_text())
            box = sheet.page.locator(".tour").bounding_box()
            assert box["x"] >= 0 and box["x"] + box["width"] <= 1280
            assert box["y"] >= 0 and box["y"] + box["height"] <= 800
            sheet.page.keyboard.press("Enter")
        assert steps == [f"Step {n} of 4" for n in (1, 2, 3, 4)]
        assert sheet.page.locator(".tour").is_hidden()
        sheet.page.reload()
        sheet.page.wait_for_selector("body[data-ready]")
        sheet.page.wait_for_timeout(300)
        assert sheet.page.locator(".tour").is_hidden()


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_nothing_hinders_access_or_lies_over_another(browser: Any, tmp_path: Path, size: tuple[int, int]) -> None:
    from axe_playwright_python.sync_playwright import Axe

    with table(browser, tmp_path, size=size) as sheet:
        sheet.page.keyboard.press("1")
        sheet.page.wait_for_selector(".ticket [data-key='power']")
        # Rules of WCAG 2.2 AA as axe-core tests them.
        found = Axe().run(sheet.page, options={"runOnly": {"type": "tag", "values": WCAG}})
        assert len(found.response["passes"]) > 10
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found.response["violations"]] == []
        boxes = [sheet.page.evaluate(SEEN_BOX, name) for name in ("#set", "#picture", "#bench", "#readings", "#desk")]
        # Where papers roll, those below are not seen yet.
        boxes = [box for box in boxes if box["width"] > 0 and box["height"] > 0]
        assert len(boxes) >= 3
        for index, a in enumerate(boxes):
            assert a["x"] >= 0 and a["x"] + a["width"] <= size[0] + 0.5 and a["y"] + a["height"] <= size[1] + 0.5
            for b in boxes[index + 1 :]:
                apart_x = a["x"] + a["width"] <= b["x"] + 0.5 or b["x"] + b["width"] <= a["x"] + 0.5
                apart_y = a["y"] + a["height"] <= b["y"] + 0.5 or b["y"] + b["height"] <= a["y"] + 0.5
                assert apart_x or apart_y
        # Fingers need targets of 24 px at least (WCAG 2.2, 2.5.8); the page means 32.
        small = sheet.page.evaluate(
            "() => [...document.querySelectorAll('#set button, #slip button, #slip select, #slip input, #desk button')]"
            ".map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])"
            ".filter(([, b]) => b.width && (b.width < 31.5 || b.height < 31.5)).map(([html]) => html)"
        )
        assert small == []
