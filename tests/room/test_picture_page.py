"""The picture's side of the room's page, each part at work in a browser against a link that only listens."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from browser import FADES_OVER
from PIL import Image

from sim.light.develop import develop
from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.light.stack import LightStack
from sim.metering.points import CONSTANT_C, amount_text, readings_from_probes
from sim.quantities import color, photometry, phrases
from sim.reports.faces import NAMES as FACES
from sim.reports.faces import svg_from_drawing
from tests.bench.page_bench import Bench, bench, browser_at_hand, exposure_facts, frame_files, frame_message, opened

# Start picture and readings on the page's own store; requests are kept in `asked` and answered as done.
BEGIN = """async ([view, frame, meters]) => {
  const [{ createRoomStore }, picture, readings] = await Promise.all(
    ["state.js", "picture/picture.js", "readings/readings.js"].map((file) => import(`/room/page/${file}`)));
  const store = createRoomStore();
  const asked = [];
  const link = {
    ask: (type, fields = {}) => { asked.push({ type, ...fields }); return Promise.resolve({ type: "done" }) },
    edit: (edits, merge = null) => link.ask("edit", { edits, merge }),
    gesture: (name) => {
      const key = `${name}:${asked.length}`;
      const push = (edits, patch) => { asked.push({ type: "push", key, edits }); if (patch) store.hold(key, patch) };
      return { key, push, cancel: async () => { asked.push({ type: "cancel", key }); store.release(key) },
        end: async (edits, patch) => { if (edits) push(edits, patch); asked.push({ type: "end", key }) } };
    },
  };
  Object.assign(window, { store, asked });
  const room = { store, link };
  picture.mount(document.getElementById("picture"), room);
  readings.mount(document.getElementById("readings"), room);
  for (const message of [view, frame, meters]) store.receive(message);
}"""
POINTS = {"key-side cheek": "flat", "shadow-side cheek": "flat", "face": "dome", "backdrop centre": "dome"}
INKS = ("#1f4e9c", "#b5401c", "#0f7560", "#8b2f7d", "#7c6200")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_at_hand() as found:
        yield found


@cache
def made() -> Bench:
    return bench("recital")


def view_of(b: Bench, **others: Any) -> dict[str, Any]:
    """The state, as far as the picture's side reads it."""
    weights = b.mix.only(b.mix.names).weights_rgb(b.camera.shutter_s)
    lights = [
        {"name": name, "number": k + 1, "colour": INKS[k], "muted": False, "power_stops": b.mix.dial_stops[k],
         "is_flash": b.mix.is_flash[k],
         "weight_rgb": weights[k].tolist(), "dial": {"lowest_stops": -7.0, "step_stops": 0.1}}
        for k, name in enumerate(b.mix.names)
    ]  # fmt: skip
    pin = {"name": "mine", "kind": "dome", "at": "point", "at_m": b.frame.place_m(45, 60).tolist(),
           "block": {"facing": "camera"}}  # fmt: skip
    return {
        "type": "state", "revision": 1, "geometry": 1, "title": b.scene.title, "lights": lights, "meters": [pin],
        "exposure": exposure_facts(b.camera), "sitter": {"parts": {"face": b.layout.anchors_m["face"].tolist()}},
        "warnings": [{"level": "note", "text": "a note", "warned": [], "lights": []},
                     {"level": "danger", "text": "edge is hot", "warned": (two := ["edge", "fill"]), "lights": two}],
        "checked_by": "now", "looked_over": True, **others,
    }  # fmt: skip


@cache
def measured() -> ProbeReadings:
    """Invented readings of the standard points."""
    b = made()
    rng = np.random.default_rng(1)
    probes = tuple(
        Probe(ProbeId(kind, name), kind, np.zeros(3), np.array([0.0, 0, 1])) for name, kind in POINTS.items()
    )
    values = rng.uniform(40, 400, (len(probes), len(b.mix.names), 3))
    return ProbeReadings(probes, b.mix.names, b.mix.is_flash, values, values[..., 0] * 0.01, (64,) * len(probes))


def meters_of(b: Bench, **others: Any) -> dict[str, Any]:
    found = measured()
    points = [
        {"name": p.id.part, "label": p.id.part, "kind": p.kind, "own": False, "standard": True, "spot": None,
         "constant": CONSTANT_C[p.kind], "stderr": dict.fromkeys(b.mix.names, 0.1),
         "per_light": {n: found.values[i, k].tolist() for k, n in enumerate(b.mix.names)}}
        for i, p in enumerate(found.probes)
    ]  # fmt: skip
    key = {"light": "key", "lit_cheek": "left cheek", "shadow_cheek": "right cheek", "alike": False}
    # By hand: weighted, the key gives its cheek 3.7 times what the fill gives the other, 1.9 stops; no others count.
    luminance = color.luminance(b.mix.weights_rgb(b.camera.shutter_s))
    unit = {name: [1.0 / w if name in ("key", "fill") else 0.0] * 3
            for name, w in zip(b.mix.names, luminance, strict=True)}  # fmt: skip
    alone = {name: {"lit": [(2**1.9 if name == "key" else 1) * x for x in row], "shadow": row, "opened": row,
                    "reached": [row, row]} for name, row in unit.items()}  # fmt: skip
    return {"type": "meters", "revision": 1, "geometry": 1, "points": points, "key": key, "alone": alone, **others}


@contextmanager
def side(browser: Any, files: dict[str, bytes] | None = None, **context: Any) -> Iterator[Any]:
    """Picture and readings at work, the first picture shown."""
    b = made()
    with opened(browser, {**frame_files(b.frame), **(files or {})}, **context) as page:
        page.evaluate(BEGIN, [view_of(b), frame_message(b.frame), meters_of(b)])
        page.wait_for_selector(".has-picture")
        page.wait_for_function("() => document.getElementById('picture').spot(5, 5, 1) !== null")
        yield page


def rest(page: Any) -> None:
    """Let the page draw what has changed."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def until(page: Any, fits: Callable[[], object]) -> None:
    """Wait until something of the page's traffic is so."""
    end_s = time.monotonic() + 60
    while not fits():
        assert time.monotonic() < end_s
        page.wait_for_timeout(20)


def pixels(page: Any, places: list[tuple[int, int]]) -> np.ndarray:
    rest(page)
    script = "(places) => places.map(([x, y]) => document.getElementById('picture').pixel(x, y))"
    return np.array(page.evaluate(script, places))


PLACES = [(int(x), int(y)) for x, y in np.random.default_rng(4).integers(0, (90, 135), (60, 2))]


def expected(mix: Mix, stack: LightStack | None = None) -> np.ndarray:
    b = made()
    whole = develop(stack or b.stack, mix, b.camera).astype(int)
    return np.array([whole[y, x] for x, y in PLACES])


def asked(page: Any, kind: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.evaluate("(kind) => asked.filter((each) => each.type === kind)", kind)
    return found


def number(text: str) -> float:
    return float(text.replace("\u2212", "-"))


# -- faders -----------------------------------------------------------------------------------------------------------


def test_a_fader_is_live_while_it_is_dragged_and_one_gesture(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        assert np.abs(pixels(page, PLACES) - expected(b.mix)).max() <= 1
        fader = page.locator('[data-light="key"] .fader')
        box = fader.bounding_box()
        middle = box["y"] + box["height"] / 2
        # Take the thumb where it stands (full power is the right end) and pull it left.
        at = box["x"] + 7 + (1 + b.mix.dial_stops[0] / 7) * (box["width"] - 14)
        page.mouse.move(at, middle)
        page.mouse.down()
        for step in range(1, 5):
            page.mouse.move(at - 8 * step, middle)
        dial = page.evaluate("() => store.powerStops('key')")
        assert dial < b.mix.dial_stops[0] - 0.5 and round(10 * dial) == pytest.approx(10 * dial)
        faded = b.mix.faded({"key": dial - b.mix.dial_stops[0]})
        assert np.abs(pixels(page, PLACES) - expected(faded)).max() <= 1
        # The readings follow while the hand still holds the fader.
        face = readings_from_probes(measured(), faded, b.camera)[2]
        cell = page.locator('[data-point="face"] [data-over]')
        until(page, lambda: abs(number(cell.inner_text()) - face.combined.over_camera_stops) < 0.051)
        assert asked(page, "end") == []
        page.mouse.up()
        pushes, ends = asked(page, "push"), asked(page, "end")
        assert len({push["key"] for push in pushes}) == 1 and [end["key"] for end in ends] == [pushes[0]["key"]]
        assert pushes[-1]["edits"] == [{"op": "dials", "stops": {"key": dial}}]


def test_keys_that_follow_each_other_are_one_gesture_and_escape_takes_it_back(browser: Any) -> None:
    b = made()
    start = b.mix.dial_stops[1]
    with side(browser) as page:
        page.locator('[data-light="accent"] .fader').focus()
        page.keyboard.press("PageDown")
        page.keyboard.press("ArrowLeft")
        assert page.evaluate("() => store.powerStops('accent')") == pytest.approx(start - 1.1, abs=1e-6)
        pushes = asked(page, "push")
        assert len(pushes) == 2 and pushes[0]["key"] == pushes[1]["key"] and asked(page, "end") == []
        page.wait_for_function("() => asked.some((each) => each.type === 'end')")
        page.evaluate("() => { for (const key of Object.keys(store.get().held)) store.release(key) }")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Escape")
        assert len(asked(page, "cancel")) == 1
        assert page.evaluate("() => store.powerStops('accent')") == start


def test_off_only_and_a_held_tag(browser: Any) -> None:
    b = made()
    others = [name for name in b.mix.names if name != "key"]
    with side(browser) as page:
        page.click('[aria-label="key off"]')
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(others))).max() <= 1
        edit = {"op": "set", "path": ["lights", "key", "mute"], "value": True}
        assert asked(page, "push")[-1]["edits"] == [edit]
        page.click('[aria-label="Only fill"]')
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(["fill"]))).max() <= 1
        before = page.evaluate("() => asked.length")
        tag = page.locator('[data-light="edge"] .tag-hold')
        tag.hover()
        page.mouse.down()
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(["edge"]))).max() <= 1
        page.mouse.up()
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(["fill"]))).max() <= 1
        # The same by keys, for as long as the key is down.
        tag.focus()
        page.keyboard.down(" ")
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(["edge"]))).max() <= 1
        page.keyboard.up(" ")
        assert np.abs(pixels(page, PLACES) - expected(b.mix.only(["fill"]))).max() <= 1
        # To look at one light changes nothing of the scene.
        assert page.evaluate("() => asked.length") == before


# -- pictures ---------------------------------------------------------------------------------------------------------


def test_the_old_picture_stands_until_the_new_one_is_whole_and_is_marked_old(browser: Any) -> None:
    b = made()
    brighter = replace(b.stack, denoised=b.stack.denoised * np.float32(2))
    frame = replace(b.frame, serial=6, view_scale=tuple(2 * s for s in b.frame.view_scale))
    with side(browser, frame_files(frame)) as page:
        old = expected(b.mix)
        # How far the next one is goes with the next one, not with the one that is settled.
        page.evaluate(
            "() => store.receive({ type: 'painting', serial: 6, revision: 1, pass_name: 'settled', part: 0.04 })"
        )
        page.wait_for_selector(".print.is-busy")
        told = page.inner_text(".print figcaption")
        assert "next picture 4 %" in " ".join(told.split()) and "settled" not in told
        page.evaluate("(view) => store.receive(view)", view_of(b, geometry=2, revision=2))
        page.evaluate(
            "() => store.receive({ type: 'painting', serial: 6, revision: 2, pass_name: 'first', part: 0.25 })"
        )
        page.wait_for_selector(".print.is-old.is-busy")
        assert "25 %" in page.inner_text(".print figcaption")
        assert "older" in page.inner_text(".card-stale")
        # One of the new layers is slow to come: nothing of the new picture is shown before.
        held: list[Any] = []
        page.route(re.compile("/frame/6/key/view"), lambda route: held.append(route))
        shown = page.get_attribute(".print-canvas", "data-mixes")
        others = len(b.mix.names) - 1
        come: list[str] = []
        page.on("requestfinished", lambda request: come.append(request.url))
        page.evaluate("(frame) => store.receive(frame)", frame_message(frame, geometry=2, revision=2))
        until(page, lambda: held and len([url for url in come if "/frame/6/" in url]) >= others)
        assert len(held) == 1 and np.abs(pixels(page, PLACES) - old).max() <= 1
        assert page.get_attribute(".print-canvas", "data-mixes") == shown
        held[0].continue_()
        page.wait_for_selector(".print:not(.is-old) .print-area[data-serial='6']")
        assert np.abs(pixels(page, PLACES) - expected(b.mix, brighter)).max() <= 1
        page.wait_for_function("() => document.getElementById('picture').spot(5, 5, 1) !== null")


def test_a_picture_that_cannot_be_had_leaves_the_old_one_and_says_why(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        page.evaluate("(view) => store.receive(view)", view_of(b, geometry=2, revision=2))
        page.evaluate(
            "() => store.receive({ type: 'failed', serial: 9, revision: 2, text: 'the painter ran out of memory' })"
        )
        page.wait_for_function("() => document.querySelector('.print-old').textContent.includes('out of memory')")
        assert np.abs(pixels(page, PLACES) - expected(b.mix)).max() <= 1


def test_trial_exposure_black_and_white_and_false_tones_leave_the_scene_alone(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        page.click(".trial-opens")
        page.evaluate(
            "() => { const e = document.getElementById('trial-stops'); e.value = 0.5;"
            " e.dispatchEvent(new Event('input', { bubbles: true })) }"
        )
        whole = develop(b.stack, b.mix, b.camera, exposure_stops=0.5).astype(int)
        assert np.abs(pixels(page, PLACES) - np.array([whole[y, x] for x, y in PLACES])).max() <= 1
        page.select_option(".rendering", "red")
        grey = pixels(page, PLACES)
        assert (grey == grey[:, :1]).all()
        page.select_option(".rendering", "tones")
        bands = page.eval_on_selector_all(".legend li", "all => all.map((each) => each.title)")
        assert len(bands) == 12 and bands[0] == "black" and bands[-1] == "clipped"
        assert asked(page, "edit") == []
        # What pleases is set on the camera in one step: f/8 opened by half a stop, to a tenth.
        page.click("text=Set the camera so")
        (edit,) = asked(page, "edit")
        assert edit["edits"] == [{"op": "set", "path": ["camera", "aperture"], "value": "f/5.6 and 5 tenths"}]
        rest(page)
        assert page.evaluate("() => store.get().look.stops") == 0


# -- ways to look, guides, a file of it -------------------------------------------------------------------------------


def test_light_by_light_the_picture_is_built_up_and_ends_as_it_was(browser: Any) -> None:
    b = made()
    with side(browser) as page:

        def onward() -> np.ndarray:
            if page.locator(".class-said").is_visible():
                page.click(".class-said >> text=Next")
            else:
                page.click(".view-menu summary")
                page.click('[data-way="next"]')
            return pixels(page, PLACES)

        for count, name in enumerate(b.mix.names, 1):
            assert np.abs(onward() - expected(b.mix.only(b.mix.names[:count]))).max() <= 1
            said = page.inner_text(".class-said")
            assert name in said and f"{count} of {len(b.mix.names)}" in said
        assert np.abs(onward() - expected(b.mix)).max() <= 1
        assert page.locator(".class-said").is_hidden() and page.evaluate("() => store.get().solo") == []
        # A light that is off takes no turn, and nothing is written.
        view = view_of(b)
        view["lights"][1]["muted"] = True
        page.evaluate("(view) => store.receive(view)", view)
        onward()
        onward()
        assert b.mix.names[2] in page.inner_text(".class-said") and asked(page, "edit") == []


def test_the_shown_picture_is_downloaded_without_what_is_noted_over_it(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        page.click(".view-menu summary")
        page.select_option('[aria-label="Crop guide"]', "1:1")
        page.click('[aria-label="Only fill"]')
        rest(page)
        with page.expect_download() as waited:
            page.click(".save-picture")
        assert waited.value.suggested_filename.endswith(".png")
        found = np.asarray(Image.open(waited.value.path()).convert("RGB")).astype(int)
        whole = develop(b.stack, b.mix.only(["fill"]), b.camera).astype(int)
        assert found.shape == whole.shape and np.abs(found - whole).max() <= 1


def test_crop_guides_have_the_sides_of_their_formats_and_head_room_is_measured(browser: Any) -> None:
    b = made()
    # Width by height of what each keeps of an upright picture; A sizes as ISO 216 has them, 210 mm x 297 mm.
    ratios = {"4:5": 4 / 5, "1:1": 1, "2:3": 2 / 3, "A sizes": 210 / 297, "16:9": 16 / 9, "9:16": 9 / 16}
    with side(browser) as page:
        camera = frame_message(b.frame)["camera"]
        aspect = camera["half_width"] / camera["half_height"]
        # A crown of the hair that a lens would put at a quarter of the height: worked out by hand from the camera.
        ahead, up = np.array(camera["forward"]), np.array(camera["up"])
        crown = np.array(camera["position_m"]) + 3 * (ahead + 0.5 * camera["half_height"] * up)
        view = view_of(b, camera={"aspect": aspect})
        view["sitter"]["parts"]["hair"] = crown.tolist()
        page.evaluate("(view) => store.receive(view)", view)
        page.click(".view-menu summary")
        page.check(".guide-head input")
        assert "head room 25 %" in page.inner_text(".guide-said")
        box = page.locator(".print-area").bounding_box()
        for name, ratio in ratios.items():
            page.select_option('[aria-label="Crop guide"]', name)
            lines = page.eval_on_selector_all(
                ".guides .edge.over", "all => all.map((e) => ['x1', 'y1', 'x2', 'y2'].map((k) => +e.getAttribute(k)))"
            )
            (left, top), (right, foot) = np.array(lines).reshape(-1, 2).min(0), np.array(lines).reshape(-1, 2).max(0)
            width, height = (right - left) * box["width"], (foot - top) * box["height"]
            assert width / height == pytest.approx(ratio, rel=0.002), name
            # The largest of its form, in the middle.
            assert max(right - left, foot - top) == pytest.approx(1) and left + right == pytest.approx(1)
            told = page.inner_text(".guide-said")
            share = (0.25 - top) / (foot - top)
            assert name in told and (f"{round(100 * share)} %" in told if share >= 0 else "the head is cut" in told)


# -- meter ------------------------------------------------------------------------------------------------------------


def test_the_meter_reads_by_pointer_and_keys_and_pins_the_point_it_shows(browser: Any) -> None:
    b = made()
    width, height = b.frame.size
    with side(browser) as page:
        box = page.locator(".print-area").bounding_box()
        x, y = 40, 50
        place = (box["x"] + (x + 0.5) / width * box["width"], box["y"] + (y + 0.5) / height * box["height"])
        page.mouse.move(*place)
        stops = page.evaluate("([x, y]) => document.getElementById('picture').spot(x, y, 1).from_grey_stops", [x, y])
        assert number(page.inner_text(".spot-stops")) == pytest.approx(stops, abs=0.051)
        assert page.get_attribute(".spot-slip", "data-part") == b.frame.part_names[b.frame.part[y, x]]
        # The ring is as large as the spot: 1 degree at this lens.
        ring = page.locator(".spot-ring").bounding_box()
        degree = np.tan(np.radians(0.5)) / np.tan(np.radians(b.layout.camera.horizontal_fov_deg) / 2) * box["width"]
        assert ring["width"] == pytest.approx(max(degree, 7.0), abs=1.0)
        page.mouse.click(*place)
        (edit,) = asked(page, "edit")
        (pin,) = edit["edits"]
        point = b.frame.place_m(x, y)
        assert pin["op"] == "pin" and pin["kind"] == "dome" and pin["name"] is None
        # A dome is held 4 cm before the surface; the spot's pixels differ by a few centimetres in depth.
        away = np.subtract(point, pin["at_m"])
        assert np.linalg.norm(away) == pytest.approx(0.04, abs=0.02)
        page.select_option('[aria-label="What a pinned point is read with"]', "spot")
        page.locator(".print-area").focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        second = asked(page, "edit")[1]["edits"][0]
        assert second["kind"] == "spot" and second["at_m"] != pin["at_m"]
        page.wait_for_function("() => /middle grey/.test(document.getElementById('spot-said').textContent)")


def test_a_point_pinned_before_the_measured_light_has_come_is_pinned_when_it_has(browser: Any) -> None:
    b = made()
    frame = replace(b.frame, serial=6)
    with side(browser, frame_files(frame)) as page:
        held: list[Any] = []
        page.route(re.compile("/frame/6/distance"), lambda route: held.append(route))
        page.evaluate("(frame) => store.receive(frame)", frame_message(frame))
        page.wait_for_selector(".print-area[data-serial='6']")
        page.locator(".print-area").focus()
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Enter")
        rest(page)
        assert held and asked(page, "edit") == []
        held[0].continue_()
        page.wait_for_function("() => asked.some((each) => each.type === 'edit')")
        (edit,) = asked(page, "edit")
        assert [each["op"] for each in edit["edits"]] == ["pin"]


def test_rings_show_only_under_a_pointer_and_a_frame_moves_nothing(browser: Any) -> None:
    b = made()
    frame = replace(b.frame, serial=6)
    with side(browser, frame_files(frame)) as page:
        page.evaluate(
            "() => { window.shifts = []; new PerformanceObserver((list) => shifts.push(...list.getEntries()"
            ".flatMap((each) => each.sources.map(({ node }) => node.className || node.nodeName))))"
            ".observe({ type: 'layout-shift', buffered: false }) }"
        )

        def over() -> tuple[bool, bool]:
            """Whether ring and pinned point are drawn."""
            rest(page)
            script = "all => all.map((e) => !e.hidden && getComputedStyle(e).visibility === 'visible')"
            ring, mark = page.eval_on_selector_all(".spot-ring, .point-mark", script)[::-1]
            return ring, mark

        page.locator(".print-area").hover()
        assert over() == (True, True)
        page.mouse.move(3, 3)
        assert over() == (False, False)
        # A point is named on the picture while its row is looked at; keys on the picture bring both.
        page.locator('[data-point="mine"]').hover()
        assert over() == (False, True)
        page.locator(".print-area").focus()
        page.keyboard.press("ArrowUp")
        assert over() == (True, True)
        place = page.locator(".print-area").bounding_box()
        page.evaluate("() => { shifts.length = 0 }")
        page.evaluate("(frame) => store.receive(frame)", frame_message(frame))
        page.wait_for_selector(".print-area[data-serial='6']")
        rest(page)
        assert page.locator(".print-area").bounding_box() == place
        assert page.evaluate("() => shifts") == []


# -- readings, wishes, warnings ---------------------------------------------------------------------------------------


def test_the_card_tells_by_light_and_together_and_the_ratio(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        page.wait_for_selector('[data-point="face"]')
        rest(page)
        for reading in readings_from_probes(measured(), b.mix, b.camera):
            row = page.locator(f'[data-point="{reading.id.part}"]')
            assert number(row.locator("[data-over]").inner_text()) == pytest.approx(
                reading.combined.over_camera_stops, abs=0.051
            )
            for name, own in reading.by_light.items():
                chip = row.locator(f'.alone[data-light="{name}"]')
                # Less than half a percent of the light tells nobody anything.
                assert chip.is_visible() == (own.share >= 0.005)
                if own.share >= 0.005:
                    assert number(chip.inner_text().split()[-1]) == pytest.approx(own.over_camera_stops, abs=0.051)
        lit, shadow = readings_from_probes(measured(), b.mix, b.camera)[:2]
        diff = float(photometry.diff_stops(lit.combined.exposure, shadow.combined.exposure))
        ratio = page.inner_text(".card-ratio")
        assert f"{abs(diff):.1f} stops" in ratio and phrases.ratio(2**diff) in ratio
        assert "4.7 : 1 key + fill : fill; key 1.9 stops over fill" in " ".join(ratio.split())
        assert page.locator('[data-point="mine"].waiting').count() == 1
        # Nothing is said to be well before it has been looked at.
        assert "The checks are being made." in page.inner_text(".warnings")
        assert "No warnings" not in page.inner_text(".warnings")
        page.evaluate("() => store.receive({ type: 'checks', checked_by: 'now', warnings: [], lines: [] })")
        rest(page)
        assert "being made" not in page.inner_text(".warnings")
        # Warnings: the worst first, and a way to its light.
        assert page.inner_text(".warning-list li >> nth=0").startswith("4")
        # Two lights that touch: each has a way of its own.
        tags = page.locator(".warning-tag")
        assert tags.count() == 2
        for index, name in enumerate(("edge", "fill")):
            tags.nth(index).click()
            assert page.evaluate("() => store.get().selection") == f"light:{name}"


def test_the_card_tells_the_light_itself_where_it_is_asked_for(browser: Any) -> None:
    b = made()
    with side(browser) as page:
        page.wait_for_selector('[data-point="face"]')
        page.click(".card-views button:has-text('lx')")
        rest(page)
        for reading in readings_from_probes(measured(), b.mix, b.camera):
            row = page.locator(f'[data-point="{reading.id.part}"]')
            assert row.locator("[data-over]").inner_text() == amount_text(reading.combined, reading.kind)
            for name, own in reading.by_light.items():
                chip = row.locator(f'.alone[data-light="{name}"] [data-stops]')
                if own.share >= 0.005:
                    assert chip.inner_text() == amount_text(own, reading.kind)


def test_the_card_names_the_nose_shadow_and_marks_it_older_once_the_set_has_changed(browser: Any) -> None:
    files = {f"/face/{name}-{side}.svg": svg_from_drawing(name, side).encode()
             for name in FACES for side in ("left", "right")}  # fmt: skip
    words = [{"drawing": name, "name": name, "sentence": "so it is"} for name in FACES]
    drawn = {"light": "key", "pattern": "loop", "side": "short", "lit_side": "left", "name": "loop, short lighting"}
    with side(browser, {**files, "/face/words.json": json.dumps(words).encode()}) as page:
        assert not page.locator(".face-note").is_visible()
        page.evaluate("(meters) => store.receive(meters)", meters_of(made(), nose_shadow=drawn))
        page.wait_for_selector(".face-note b:has-text('loop, short lighting')")
        assert page.get_attribute(".face-slip summary img", "src") == "face/loop-left.svg"
        page.click(".face-slip summary")
        page.wait_for_selector(".face-legend li[aria-current]")
        marked = page.eval_on_selector_all(".face-legend li[aria-current]", "all => all.map((one) => one.dataset.of)")
        assert marked == ["loop", "short"] and page.locator(".face-legend li").count() == len(FACES)
        # A hand drags: rough readings say nothing of it, and what was drawn before is no longer of this set.
        page.evaluate("(view) => store.receive(view)", view_of(made(), geometry=2))
        page.evaluate("(rough) => store.receive(rough)", meters_of(made(), geometry=2, is_rough=True, nose_shadow=None))
        page.wait_for_selector(".face-note.older")
        assert page.inner_text(".face-rest") == "older"
        split = {**drawn, "pattern": "split", "lit_side": "right", "name": "split, short lighting"}
        page.evaluate("(meters) => store.receive(meters)", meters_of(made(), geometry=2, nose_shadow=split))
        page.wait_for_selector(".face-note:not(.older) b:has-text('split')")
        assert page.get_attribute(".face-slip summary img", "src") == "face/split-right.svg"


def test_warnings_are_marked_older_at_once_and_go_with_their_light(browser: Any) -> None:
    b = made()
    edge, key = "edge shines into the lens", "key: the lens sees it"
    checks = {
        "type": "checks", "checked_by": "now", "revision": 1,
        "warnings": [{"level": "caution", "text": f"{name} by the lens", "warned": [name], "lights": [name]}
                     for name in ("edge", "key")],
        "lines": [["Focus", [{"text": "focus 3.4 m", "lights": []}]],
                  ["Light into the lens", [{"text": edge, "lights": ["edge"]}, {"text": key, "lights": ["key"]}]]],
    }  # fmt: skip
    with side(browser) as page:

        def hear(message: dict[str, Any]) -> None:
            page.evaluate("(message) => store.receive(message)", message)
            rest(page)

        older = page.locator(".warnings .older")
        hear(checks)
        assert older.count() == 0 and page.locator(".checks-wait").is_hidden()
        # A dial was turned: the layout's own warnings hold, what the picture told is of before.
        hear(view_of(b, revision=2, checked_by="later"))
        assert "Older than the last change" in page.inner_text(".checks-wait")
        assert page.inner_text(".checks summary") == "What was checked before the last change"
        assert older.count() == 3 and "is hot" not in " ".join(older.all_inner_texts())
        # The edge light is taken away, and nothing that was said of it is left.
        gone = view_of(b, revision=3, checked_by="gone", looked_over=False, warnings=[])
        hear({**gone, "lights": [light for light in gone["lights"] if light["name"] != "edge"]})
        shown = page.inner_text(".warning-list") + str(page.locator(".checks").text_content())
        assert "edge" not in shown and "key by the lens" in shown and key in shown and "focus 3.4 m" in shown
        # The checks of the set as it stands are there.
        hear({**gone, "looked_over": True})
        hear({**checks, "checked_by": "gone"})
        assert older.count() == 0 and page.locator(".checks-wait").is_hidden()


def test_a_pin_is_renamed_and_taken_away_in_one_step_each(browser: Any) -> None:
    with side(browser) as page:
        page.click('[data-point="mine"] summary')
        page.fill('[data-point="mine"] input', "his hand")
        page.click('[data-point="mine"] >> text=Rename')
        (edit,) = asked(page, "edit")
        # How it is held goes with it.
        named = {"op": "set", "path": ["meters", "his hand"], "value": {"facing": "camera"}}
        assert edit["edits"] == [{"op": "unpin", "name": "mine"}, named]
        # A name that another point bears would write over that one.
        page.evaluate("""() => { const { view } = store.get();
          store.update({ view: { ...view, meters: [...view.meters, { ...view.meters[0], name: 'hers' }] } }) }""")
        page.wait_for_selector('[data-point="hers"]')
        page.click('[data-point="mine"] summary')
        page.fill('[data-point="mine"] input', "hers")
        page.click('[data-point="mine"] >> text=Rename')
        assert 'There is a point "hers" already' in page.inner_text('[data-point="mine"] .error')
        assert len(asked(page, "edit")) == 1
        page.click('[data-point="mine"] >> text=Unpin')
        assert asked(page, "edit")[1]["edits"] == [{"op": "unpin", "name": "mine"}]


def test_wishes_are_asked_answered_and_taken(browser: Any) -> None:
    with side(browser) as page:
        page.click("text=shadow side 2 under")
        page.click("text=face f/8")
        page.fill(".wish-list li >> nth=1 >> input", "f/nonsense")
        assert page.locator("text=Find the dials").is_disabled()
        assert "Write stops" in page.inner_text(".wish-list")
        page.fill(".wish-list li >> nth=1 >> input", "f/5.6")
        page.click("text=Find the dials")
        (wish,) = asked(page, "wish")
        assert wish["reference"] == "key-side cheek" and wish["locked"] == []
        assert wish["wishes"] == [
            {"point": "shadow-side cheek", "stops": -2},
            {"point": "face", "f_number": pytest.approx(2**2.5)},
        ]
        page.evaluate(
            """() => store.receive({ type: "wishes", revision: 1, feasible: false, reference: "key-side cheek",
            outcomes: [{ point: "shadow-side cheek", reads: "f/4", met: true, off_stops: 0, reasons: [] },
              { point: "face", reads: "f/8", met: false, off_stops: 0.7, reasons: ["it is too bright"] }],
            moves: [{ light: "fill", before_stops: -1.2, after_stops: -2, change_stops: -0.8, before_text: "-1.2 stops",
              after_text: "1/4", fixed: "" }] })"""
        )
        rest(page)
        told = page.inner_text(".wishes")
        assert "Met: reads f/4." in told and "Not met, 0.7 stops over it: it is too bright." in told
        assert "1/4" in page.inner_text(".wish-moves") and "\u22120.8" in page.inner_text(".wish-moves")
        page.click("text=Take these dials")
        assert len(asked(page, "take_wishes")) == 1


# -- versions ---------------------------------------------------------------------------------------------------------


def test_a_kept_version_is_flipped_and_wiped_with_its_own_dials(browser: Any) -> None:
    b = made()
    dimmed = b.mix.faded(dict.fromkeys(b.mix.names, -1.0))
    weights = dict(zip(b.mix.names, dimmed.weights_rgb(b.camera.shutter_s).tolist(), strict=True))
    version = {
        "id": 3, "title": "before", "serial": 4, "frame": frame_message(b.frame), "weights": weights, "muted": [],
        "exposure": exposure_facts(b.camera),
    }  # fmt: skip
    shown = """([x, y]) => {
      const c = document.querySelector('.veil canvas'), to = document.createElement('canvas');
      Object.assign(to, { width: c.width, height: c.height }); const g = to.getContext('2d'); g.drawImage(c, 0, 0);
      return [...g.getImageData(x, y, 1, 1).data.slice(0, 3)] }"""
    with side(browser) as page:
        page.evaluate("(version) => store.receive({ type: 'versions', versions: [version], most: 4 })", version)
        page.wait_for_selector('.tab-list [data-version="3"]')
        # A digit alone is the sheet's: it selects a light.
        page.keyboard.press("1")
        rest(page)
        assert page.locator(".veil").is_hidden()
        page.keyboard.press("Shift+Digit1")
        page.wait_for_selector(".veil", state="visible")
        rest(page)
        whole = develop(b.stack, dimmed, b.camera).astype(int)
        for x, y in PLACES[:12]:
            assert np.abs(np.array(page.evaluate(shown, [x, y])) - whole[y, x]).max() <= 1
        # The spot reads the version that is looked at: a stop less everywhere.
        page.evaluate(FADES_OVER)
        box = page.locator(".print-area").bounding_box()
        page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.6 * box["height"])
        page.wait_for_function("() => /before/.test(document.querySelector('.spot-words').textContent)")
        there = number(page.inner_text(".spot-stops"))
        page.keyboard.press("Shift+Digit1")
        page.wait_for_selector(".veil", state="hidden")
        page.wait_for_function("() => !/before/.test(document.querySelector('.spot-words').textContent)")
        assert number(page.inner_text(".spot-stops")) - there == pytest.approx(1.0, abs=0.11)
        page.click(".rack >> text=Compare")
        page.wait_for_selector(".wipe", state="visible")
        handle = page.locator(".wipe").bounding_box()
        page.mouse.move(handle["x"] + 18, handle["y"] + 30)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.25 * box["width"], handle["y"] + 30)
        page.mouse.up()
        assert page.get_attribute(".wipe", "aria-valuenow") == "25"
        assert asked(page, "edit") == []
        page.click('[aria-label="Kept versions"]')
        page.click('[aria-label="Back to version A"]')
        assert asked(page, "restore_version") == [{"type": "restore_version", "version": 3}]


# -- everyone ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (768, 1024)])
def test_the_picture_side_is_open_to_everyone(browser: Any, width: int, height: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    with side(browser, width=width, height=height) as page:
        page.click(".trial-opens")
        page.select_option(".rendering", "tones")
        page.click("text=backdrop 3 under")
        page.click("text=Lights to leave alone")
        rest(page)
        # WCAG 2.2 level A and AA as the axe library checks them.
        found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
        faults = [(v["id"], [n["html"][:160] for n in v["nodes"]]) for v in found.response["violations"]]
        assert faults == []
        # Nothing is laid out past the papers' edges, and what is pressed is large enough to touch.
        for paper in ("#picture", "#readings"):
            past = "(at) => { const e = document.querySelector(at); return e.scrollWidth - e.clientWidth }"
            assert page.evaluate(past, paper) <= 0
        small = page.eval_on_selector_all(
            "#picture button, #picture select, #readings .card-views button, #readings .wishes button",
            "all => all.filter((e) => e.offsetParent && !e.matches('.print-finer'))"
            ".map((e) => [e.textContent || e.className, e.getBoundingClientRect()])"
            ".filter(([, box]) => Math.min(box.width, box.height) < 31.5).map(([text]) => text)",
        )
        assert small == []


def test_reduced_motion_moves_nothing(browser: Any) -> None:
    with side(browser, reduced_motion="reduce") as page:
        moving = page.eval_on_selector_all(
            "#picture *, #readings *",
            "all => all.filter((e) => parseFloat(getComputedStyle(e).transitionDuration) > 0"
            " || getComputedStyle(e).animationName !== 'none').map((e) => e.className)",
        )
        assert moving == []
