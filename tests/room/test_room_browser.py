"""The room in a real browser against the real server: each step is asserted on the model, the pixels and the file."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import FADES_OVER
from rooms import Client, Served, StillWorker, layer_of, picture_of, served

from sim.quantities.assets import asset_path
from sim.scene.read import load_scene
from tests.bench.page_bench import browser_at_hand

# Long side of the picture: a picture of 80 x 120 pixels.
LONG_SIDE_PX = 120
# Far more than is needed on a quiet machine.
PATIENCE_MS = 120_000
ALL_PIXELS = """() => {
  const place = document.querySelector("#picture"), { width, height } = place.querySelector(".print-canvas");
  const found = [];
  for (let y = 0; y < height; y++) for (let x = 0; x < width; x++) found.push(...place.pixel(x, y).slice(0, 3));
  return { width, height, found };
}"""
# WCAG 2.2, levels A and AA, as the axe library checks them.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_at_hand() as found:
        yield found


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The demo, copied, served with its painter; what a test changes it takes back."""
    folder = tmp_path_factory.mktemp("room")
    path = folder / "recital.yaml"
    shutil.copy(asset_path("recital.yaml"), path)
    (folder / "state").mkdir()
    (folder / "state" / "tour-done").touch()
    with served(path, folder / "state", long_side_px=LONG_SIDE_PX, samples=4) as found:
        found.path = path
        yield found


@pytest.fixture()
def tab(room: Served) -> Iterator[Client]:
    """A second tab that listens along; afterwards the file and the set are as they came."""
    with room.client() as found:
        yield found
        while found.ask("undo")["type"] == "done":
            pass
        found.ask("save", force=True)
    assert room.path.read_bytes() == asset_path("recital.yaml").read_bytes()


@contextmanager
def opened(browser: Any, room: Served, width: int = 1440, height: int = 900, **options: Any) -> Iterator[Any]:
    """The page in a window of its own; it must have been quiet and asked nobody else for anything."""
    told: list[str] = []
    asked: list[str] = []
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.on("console", lambda m: told.append(f"{m.type}: {m.text}") if m.type == "error" else None)
    page.on("pageerror", lambda error: told.append(f"page error: {error}"))
    page.on("request", lambda request: asked.append(request.url))
    page.on("websocket", lambda line: asked.append(line.url.replace("ws://", "http://")))
    page.goto(room.address)
    page.wait_for_selector("body[data-ready]:not(.waiting)", state="attached")
    yield page
    context.close()
    assert told == []
    assert [url for url in asked if not url.startswith((room.address, "blob:", "data:"))] == []


def light(tab: Client, name: str) -> dict[str, Any]:
    return next(x for x in tab.state["lights"] if x["name"] == name)


def settled(tab: Client) -> dict[str, Any]:
    """The settled picture of the set as it stands."""
    return tab.wait("frame", lambda m: m["pass_name"] == "settled" and m["geometry"] == tab.state["geometry"])


def seen(page: Any, frame: dict[str, Any]) -> np.ndarray:
    """The canvas read back, (h, w, 3), once it shows a frame."""
    page.wait_for_selector(f".print-area[data-serial='{frame['serial']}']", state="attached")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    got = page.evaluate(ALL_PIXELS)
    assert (got["width"], got["height"]) == (frame["width"], frame["height"])
    return np.array(got["found"], np.uint8).reshape(got["height"], got["width"], 3)


def shows(page: Any, room: Served, tab: Client, frame: dict[str, Any], only: tuple[str, ...] = ()) -> np.ndarray:
    """The canvas, once it is within one code value of what Python develops from the same layers and the model."""
    expected = picture_of(room, tab.state, frame, only).astype(int)
    for _ in range(100):
        got = seen(page, frame)
        off = int(np.abs(got - expected).max())
        if off <= 1:
            return got
        page.wait_for_timeout(50)
    raise AssertionError(f"the canvas is up to {off} code values from the model's picture")


def at_revision(tab: Client, fits: Any) -> dict[str, Any]:
    """The state once it fits."""
    return tab.wait("state", fits)


def middle(page: Any, selector: str) -> tuple[float, float]:
    """Middle of an element on the page, seen to be what a pointer there would meet."""
    box = page.locator(selector).first.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def _sentences(text: str) -> list[str]:
    """What the comments that have lines of their own say, sentence by sentence, however they are broken into lines."""
    blocks = re.findall(r"(?:^[ \t]*#.*\n)+", text, re.MULTILINE)
    whole = (re.sub(r"\s*\n?[ \t]*#\s*", " ", block).strip() for block in blocks)
    return [said for block in whole for said in re.split(r"(?<=[.:?])\s+", block) if said]


def drag(page: Any, start: tuple[float, float], by: tuple[float, float], *, free: bool = False) -> None:
    """Drag with the mouse in a few steps, with Alt for a free hand."""
    if free:
        page.keyboard.down("Alt")
    page.mouse.move(*start)
    page.mouse.down()
    for step in range(1, 6):
        page.mouse.move(start[0] + by[0] * step / 5, start[1] + by[1] * step / 5)
    page.mouse.up()
    if free:
        page.keyboard.up("Alt")


def test_a_working_session_from_drag_to_reload(browser: Any, room: Served, tab: Client) -> None:
    original = room.path.read_text("utf-8")
    with opened(browser, room) as page:
        first = settled(tab)
        before = shows(page, room, tab, first)
        assert before.std() > 10

        # Drag the key by half a metre on the plan.
        at_m = np.array(light(tab, "key")["position_m"])
        scale = float(page.get_attribute("#set", "data-scale"))
        drag(page, middle(page, ".plan [data-item='light:key'] .centre"), (0.0, 0.5 * scale), free=True)
        state = at_revision(tab, lambda m: m["undo_text"] and m["geometry"] != first["geometry"])
        tab.wait("frame", lambda m: m["pass_name"] == "settled" and m["geometry"] == tab.state["geometry"])
        moved_m = np.array(light(tab, "key")["position_m"]) - at_m
        # The file says bearings to 1°, 3 cm here, and lengths to 1 cm.
        assert moved_m == pytest.approx([0, 0, 0.5], abs=0.035), moved_m
        frame = settled(tab)
        after = shows(page, room, tab, frame)
        assert np.abs(after.astype(int) - before).mean() > 1
        assert not np.array_equal(layer_of(room, frame, "key"), layer_of(room, first, "key"))
        assert room.path.read_text("utf-8") == original, "nothing is written before it is saved"
        # A drag is one step back, however many places it passed.
        page.keyboard.press("Control+z")
        at_revision(tab, lambda m: not m["can_undo"])
        assert light(tab, "key")["position_m"] == pytest.approx(list(at_m))
        page.keyboard.press("Control+Shift+z")
        state = at_revision(tab, lambda m: m["can_undo"])
        frame = settled(tab)

        # Switch the halo off: the canvas behind the head goes dark at once, from layers that are there already.
        page.click("[data-light='halo'] [data-part='mute']")
        at_revision(tab, lambda m: next(x for x in m["lights"] if x["name"] == "halo")["muted"])
        muted = shows(page, room, tab, frame)
        assert muted.astype(int).sum() < after.astype(int).sum()
        # Only the key: a look of this page alone; the model does not hear of it.
        revision = tab.state["revision"]
        page.click("[data-light='key'] [data-part='solo']")
        alone = shows(page, room, tab, frame, only=("key",))
        assert alone.astype(int).sum() < muted.astype(int).sum()
        page.click("[data-light='key'] [data-part='solo']")
        shows(page, room, tab, frame)
        assert tab.state["revision"] == revision

        # Fade the fill by one stop, in tenths, with the keys.
        fill = light(tab, "fill")
        page.focus("[data-light='fill'] [data-part='fader']")
        for _ in range(10):
            page.keyboard.press("ArrowDown")
        lower = fill["power_stops"] - 1
        at_revision(tab, lambda m: math.isclose(m["lights"][4]["power_stops"], lower))
        assert light(tab, "fill")["weight_rgb"] == pytest.approx([w / 2 for w in fill["weight_rgb"]])
        faded = shows(page, room, tab, frame)
        assert faded.astype(int).sum() < muted.astype(int).sum()

        # Pin a point on the face; the card reads it, and the spot meter read the picture there.
        region = np.frombuffer(room.get(f"frame/{frame['serial']}/region").body, np.uint8)
        rows, columns = np.nonzero(region.reshape(frame["height"], frame["width"]) == frame["regions"].index("face"))
        row, column = int(np.median(rows)), int(np.median(columns))
        area = page.locator(".print-area").bounding_box()
        x = area["x"] + (column + 0.5) / frame["width"] * area["width"]
        y = area["y"] + (row + 0.5) / frame["height"] * area["height"]
        page.mouse.move(x, y)
        page.wait_for_selector(".spot-slip[data-part='face']")
        page.mouse.click(x, y)
        state = at_revision(tab, lambda m: len(m["meters"]) == 4)
        pin = next(m for m in state["meters"] if m["name"] not in ("key side", "lapel", "canvas corner"))
        face_m = np.array(state["sitter"]["parts"]["face"])
        assert np.linalg.norm(np.array(pin["at_m"]) - face_m) < 0.2
        meters = tab.wait("meters", lambda m: any(p["name"] == pin["name"] for p in m["points"]))
        page.wait_for_selector(f"[data-point='{pin['name']}']")
        assert next(p for p in meters["points"] if p["name"] == pin["name"])["own"]
        shows(page, room, tab, settled(tab))

        # Balance: the shadow side two stops under the face.
        page.click("text=shadow side 2 under")
        page.click("text=Find the dials")
        page.click("text=Take these dials")
        wishes = tab.wait("state", lambda m: m["revision"] > state["revision"])
        dials = {x["name"]: x["power_stops"] for x in wishes["lights"]}
        assert dials != {x["name"]: x["power_stops"] for x in state["lights"]}
        told = page.inner_text(".wish-outcome")
        balanced = shows(page, room, tab, settled(tab))

        # Save: by the button; the file holds the model, and every comment that is still true.
        page.click("button:text-is('Save')")
        at_revision(tab, lambda m: m["saved"])
        written = room.path.read_text("utf-8")
        scene = load_scene(room.path)
        assert {name: x.power_stops for name, x in scene.lights.items()} == pytest.approx(dials)
        assert scene.lights["halo"].mute and pin["name"] in scene.meters
        place_m = scene.lights["key"].place.position_m
        assert list(place_m) == pytest.approx(light(tab, "key")["position_m"], abs=1e-4)
        comments, left = _sentences(original), _sentences(written)
        # The fill is no longer "over two stops under the key"; the key is "a little behind the sitter" while it is.
        assert left == [said for said in comments if said in left] and len(comments) - 4 <= len(left) < len(comments)
        assert ("behind the sitter" in written) == (place_m[2] < 0)
        assert told

        # Reload: the page comes back as it was, pixel by pixel, and the file again as it is.
        page.reload()
        page.wait_for_selector("body[data-ready]:not(.waiting)", state="attached")
        assert np.array_equal(shows(page, room, tab, settled(tab)), balanced)
        assert page.get_attribute("[data-light='halo'] [data-part='mute']", "aria-pressed") == "true"
        assert page.input_value("[data-light='fill'] [data-part='fader']") == f"{dials['fill']:g}"
        assert page.locator("button:text-is('Save')").is_disabled()
        assert room.path.read_text("utf-8") == written


def test_two_windows_show_the_same(browser: Any, room: Served, tab: Client) -> None:
    with opened(browser, room) as one, opened(browser, room, 1024, 768) as two:
        frame = settled(tab)
        before_stops = light(tab, "key")["power_stops"]
        one.focus("[data-light='key'] [data-part='fader']")
        for _ in range(5):
            one.keyboard.press("ArrowDown")
        at_revision(tab, lambda m: math.isclose(m["lights"][0]["power_stops"], before_stops - 0.5))
        two.click("[data-light='edge'] [data-part='mute']")
        at_revision(tab, lambda m: m["lights"][3]["muted"])
        assert np.array_equal(shows(one, room, tab, frame), shows(two, room, tab, frame))


def test_keys_alone_are_enough(browser: Any, room: Served, tab: Client) -> None:
    with opened(browser, room) as page:
        settled(tab)
        # Choose the key by its number, move it by arrows: 5 cm and 1 cm along its ray or around the sitter.
        start = light(tab, "key")
        page.keyboard.press("1")
        page.keyboard.press("ArrowRight")
        state = at_revision(tab, lambda m: m["revision"] > 1 and m["can_undo"])
        page.keyboard.press("Shift+ArrowRight")
        tab.wait("state", lambda m: m["lights"][0]["position_m"] != state["lights"][0]["position_m"])
        page.wait_for_timeout(900)
        nearer = light(tab, "key")["distance_m"] - start["distance_m"]
        assert nearer == pytest.approx(-0.06, abs=0.011)
        page.keyboard.press("PageUp")
        tab.wait("state", lambda m: m["lights"][0]["height_m"] == pytest.approx(start["height_m"] + 0.05))
        page.wait_for_timeout(900)
        page.keyboard.press("x")
        at_revision(tab, lambda m: m["lights"][0]["muted"])
        # Number entry, with a unit, in the light's slip.
        page.keyboard.press("Control+z")
        at_revision(tab, lambda m: not m["lights"][0]["muted"])
        while tab.state["can_undo"]:
            revision = tab.state["revision"]
            page.keyboard.press("Control+z")
            tab.wait("state", lambda m, known=revision: m["revision"] > known)
        assert light(tab, "key") == start
        # Dialogs open, hold the focus and close by keys, and give the focus back.
        page.keyboard.press("?")
        page.wait_for_selector("dialog.help[open]")
        page.keyboard.press("Escape")
        page.wait_for_selector("dialog.help[open]", state="hidden")
        page.keyboard.press("a")
        page.wait_for_selector("dialog.library[open]")
        page.keyboard.press("Escape")
        page.wait_for_selector("dialog.library[open]", state="hidden")
        # The meter is moved and a point pinned by keys.
        page.focus(".print-area")
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Enter")
        at_revision(tab, lambda m: len(m["meters"]) == 4)
        page.keyboard.press("Control+s")
        at_revision(tab, lambda m: m["saved"])
        assert len(load_scene(room.path).meters) == 4


def test_tab_reaches_everything_and_shows_where_it_is(browser: Any, room: Served) -> None:
    with opened(browser, room) as page:
        page.wait_for_selector("[data-point='face'] .alone")
        wanted = page.evaluate(
            "() => [...document.querySelectorAll('button, a[href], input, select, summary, [tabindex=\"0\"]')]"
            ".filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.disabled && e.tabIndex >= 0)"
            ".map((e, i) => { e.dataset.tabtest = i; return i })"
        )
        reached, unmarked = set(), []
        for _ in range(len(wanted) + 20):
            page.keyboard.press("Tab")
            found = page.evaluate(
                "async () => { await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));"
                " const e = document.activeElement, s = getComputedStyle(e);"
                " const marked = (s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0)"
                " || s.boxShadow !== 'none' || e.closest('.chosen') !== null || e.querySelector?.('.halo') !== null;"
                " return [e.dataset.tabtest ?? null, marked, e.outerHTML.slice(0, 120)] }"
            )
            if found[0] is None:
                continue
            reached.add(int(found[0]))
            if not found[1]:
                unmarked.append(found[2])
        names = page.evaluate(
            "(missing) => missing.map((i) => document.querySelector(`[data-tabtest='${i}']`)?.outerHTML.slice(0, 120))",
            sorted(set(wanted) - reached),
        )
        # A control may be taken away and made anew while the tests go through; nothing else may be missed.
        assert [name for name in names if name] == []
        assert unmarked == []


@pytest.mark.parametrize(
    ("width", "height"),
    [(768, 1024), *(pytest.param(*size, marks=pytest.mark.slow) for size in ((1440, 900), (1280, 800), (1024, 768)))],
)
def test_the_room_is_open_to_everyone(browser: Any, room: Served, width: int, height: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    def faults(page: Any, where: str) -> list[tuple[str, str, str]]:
        # Colours in the midst of a fade are not what is looked at.
        page.evaluate(FADES_OVER)
        found = Axe().run(page, options={"runOnly": RULES})
        return [(where, v["id"], n["html"][:140]) for v in found.response["violations"] for n in v["nodes"]]

    with opened(browser, room, width, height, reduced_motion="reduce") as page:
        page.wait_for_selector("[data-point]")
        page.wait_for_selector(".print.has-picture")
        told = faults(page, "the table")
        page.keyboard.press("1")
        told += faults(page, "a light's slip")
        for key, kind in (("a", "library"), ("?", "help")):
            page.keyboard.press(key)
            page.wait_for_selector(f"dialog.{kind}[open]")
            told += faults(page, kind)
            page.keyboard.press("Escape")
        page.click("text=Export")
        page.wait_for_selector("dialog.exports[open]")
        told += faults(page, "exports")
        page.keyboard.press("Escape")
        assert told == []
        # Nothing is pushed out of the window sideways, and no paper lies over another.
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        boxes = [page.locator(paper).bounding_box() for paper in ("#set", "#picture", "#readings")]
        for index, a in enumerate(boxes):
            for b in boxes[index + 1 :]:
                across = min(a["x"] + a["width"], b["x"] + b["width"]) - max(a["x"], b["x"])
                down = min(a["y"] + a["height"], b["y"] + b["height"]) - max(a["y"], b["y"])
                assert min(across, down) <= 0.5


def test_the_tour_is_offered_once_and_goes_through_four_steps(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "recital.yaml"
    shutil.copy(asset_path("recital.yaml"), path)
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        with opened(browser, room) as page:
            page.wait_for_selector(".tour:not([hidden])")
            for step in range(1, 5):
                assert page.inner_text(".tour-count") == f"Step {step} of 4"
                box = page.locator(".tour").bounding_box()
                assert box["x"] >= 0 and box["y"] >= 0 and box["x"] + box["width"] <= 1440
                page.keyboard.press("Enter")
            page.wait_for_selector(".tour", state="hidden")
            at_revision(tab, lambda m: not m["tour"])
        with opened(browser, room) as page:
            page.wait_for_timeout(300)
            assert page.locator(".tour").is_hidden()


def test_a_bad_file_saved_by_hand_is_said_on_the_page(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "recital.yaml"
    shutil.copy(asset_path("recital.yaml"), path)
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "tour-done").touch()
    with served(path, tmp_path / "state", worker=StillWorker) as room, opened(browser, room) as page:
        good = path.read_text("utf-8")
        path.write_text(good.replace("aperture: f/8", "aperture: wide"), "utf-8")
        page.wait_for_selector("dialog[open]")
        assert "camera.aperture" in page.inner_text("dialog[open]")
        page.keyboard.press("Escape")
        assert page.locator("[data-light]").count() >= 5


def test_changes_of_an_earlier_session_are_offered_on_the_page(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "recital.yaml"
    shutil.copy(asset_path("recital.yaml"), path)
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "tour-done").touch()
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.edit({"op": "set", "path": ["lights", "key", "power"], "value": "-3 stops"})
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        with opened(browser, room) as page:
            page.wait_for_selector("dialog[open]")
            page.click("text=Bring them back")
            at_revision(tab, lambda m: m["lights"][0]["power_stops"] == -3.0)
            page.wait_for_selector("dialog[open]", state="hidden")
        assert path.read_bytes() == asset_path("recital.yaml").read_bytes()
