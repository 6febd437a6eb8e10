"""The rig plan: drawings read back, labels, kit, cautions, build-up, pages."""

from __future__ import annotations

import base64
import itertools
import math
import re
import zlib
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import opened_page
from markupsafe import escape

from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.quantities import phrases
from sim.reports.plan import RigPlan, plan_from_scene, plan_probes
from sim.reports.plan.buildup import distance_for_stops, nudge_text, order_from_readings
from sim.reports.plan.caution_words import DEFER, text_from_caution
from sim.reports.plan.cautions import circuits_from_loads, crosses_panel, draw_W_from_light
from sim.reports.plan.drawing import plan_view, side_elevation
from sim.reports.plan.facts import bearing_deg_from_point, facts_from_scene
from sim.reports.plan.holding import holding_from_light
from sim.reports.plan.labels import overlap
from sim.reports.plan.page import html_from_plan
from sim.reports.plan.paper import hull_from_points, svg_from_sheet
from sim.reports.plan.pdf import pdf_from_plan
from sim.scene.edit import text_with_value
from sim.scene.model import Scene
from sim.scene.read import load_scene, scene_from_text
from sim.studio.layout import Layout, layout_from_scene

SCENES = sorted((Path(__file__).parents[2] / "scenes").glob("*.yaml"))
NEAR_M, NEAR_DEG = 0.005, 0.5


@cache
def loaded(path: Path) -> tuple[Scene, Layout]:
    scene = load_scene(path)
    return scene, layout_from_scene(scene, path.parent)


@cache
def drawn(path: Path) -> RigPlan:
    scene, layout = loaded(path)
    return plan_from_scene(scene, layout, mix_from_scene(scene, layout), source=path.name)


def elements(plan: RigPlan, name: str) -> tuple[ElementTree.Element, list[ElementTree.Element]]:
    sheet = next(s for s in plan.sheets if s.name == name)
    root = ElementTree.fromstring(svg_from_sheet(sheet))
    return root, list(root)


def points_of(element: ElementTree.Element) -> np.ndarray:
    return np.array([[float(v) for v in pair.split(",")] for pair in element.get("points", "").split()])


def by_role(items: list[ElementTree.Element], role: str, light: str = "") -> list[ElementTree.Element]:
    return [e for e in items if e.get("data-role") == role and (not light or e.get("data-light") == light)]


each_scene = pytest.mark.parametrize("path", SCENES, ids=lambda p: p.stem)


@each_scene
def test_distances_and_bearings_read_back_out_of_the_plan_view(path: Path) -> None:
    scene, layout = loaded(path)
    root, items = elements(drawn(path), "plan")
    scale = float(root.get("data-mm-per-m", ""))
    origin = np.array([float(root.get("data-origin-x", "")), float(root.get("data-origin-y", ""))])
    for light in layout.lights:
        aim = (points_of(by_role(items, "aim", light.name)[0]) - origin) / scale
        x, z = aim[0]
        # What is measured on paper is what the scene says.
        assert math.hypot(x, z) == pytest.approx(math.hypot(*light.position_m[[0, 2]]), abs=NEAR_M)
        assert _apart_deg(math.degrees(math.atan2(x, z)), bearing_deg_from_point(light.position_m)) < NEAR_DEG
        assert np.allclose(aim[1], light.aim_m[[0, 2]], atol=NEAR_M)
        way = aim[1] - aim[0]
        assert _apart_deg(math.degrees(math.atan2(*way)), bearing_deg_from_point(light.axis)) < NEAR_DEG
        # The front is drawn as wide as it is; its x axis is level by construction.
        face = points_of(by_role(items, "face", light.name)[0]) / scale
        emitter = light.rig.emitters[0]
        flats = math.cos(math.pi / emitter.sides) if emitter.surface == "polygon" else 1.0
        assert np.linalg.norm(face[1] - face[0]) == pytest.approx(emitter.width_m * flats, abs=NEAR_M)
        # The numbers written beside the geometry are the same ones.
        said = by_role(items, "aim", light.name)[0]
        assert float(said.get("data-height-m", "")) == pytest.approx(light.position_m[1], abs=NEAR_M)
        assert float(said.get("data-aim-distance-m", "")) == pytest.approx(
            np.linalg.norm(light.aim_m - light.position_m), abs=NEAR_M
        )
    if "around" in {type(light.place).__name__.lower() for light in scene.lights.values()}:
        for name, light in scene.lights.items():
            bearing = getattr(light.place, "bearing_deg", None)
            said = float(by_role(items, "aim", name)[0].get("data-bearing-deg", ""))
            assert bearing is None or _apart_deg(said, bearing) < NEAR_DEG


def _apart_deg(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


@each_scene
def test_camera_angle_and_facing_read_back(path: Path) -> None:
    _, layout = loaded(path)
    root, items = elements(drawn(path), "plan")
    scale, origin = float(root.get("data-mm-per-m", "")), float(root.get("data-origin-x", ""))
    edges = [points_of(e) for e in by_role(items, "field-of-view")]
    angles = [math.degrees(math.atan2(*(e[1] - e[0]))) for e in edges]
    assert _apart_deg(*angles) == pytest.approx(layout.camera.horizontal_fov_deg, abs=NEAR_DEG)
    assert (edges[0][0][0] - origin) / scale == pytest.approx(layout.camera.position_m[0], abs=NEAR_M)
    arrow = points_of(by_role(items, "body-facing")[0])
    assert _apart_deg(math.degrees(math.atan2(*(arrow[1] - arrow[0]))), layout.figure.facing_deg) < NEAR_DEG
    # 85 mm on 24 mm across: 2 atan(12 / 85), closed form.
    assert layout.camera.horizontal_fov_deg == pytest.approx(2 * math.degrees(math.atan(12 / 85)), abs=1e-6)


@each_scene
def test_heights_and_tilts_read_back(path: Path) -> None:
    _, layout = loaded(path)
    root, items = elements(drawn(path), "elevation")
    scale, floor = float(root.get("data-mm-per-m", "")), float(root.get("data-origin-y", ""))
    _, cards = elements(drawn(path), "cards")
    for light in layout.lights:
        centre = points_of(by_role(items, "aim", light.name)[0])[0]
        assert (floor - centre[1]) / scale == pytest.approx(light.position_m[1], abs=NEAR_M)
        # On its own card the tilt and the straight distance show in their true size.
        line = by_role(cards, "aim", light.name)[0]
        way = np.diff(points_of(line), axis=0)[0] / float(line.get("data-mm-per-m", ""))
        assert np.hypot(*way) == pytest.approx(np.linalg.norm(light.aim_m - light.position_m), abs=NEAR_M)
        tilt = math.degrees(math.asin(light.axis[1]))
        assert math.degrees(math.atan2(-way[1], abs(way[0]))) == pytest.approx(tilt, abs=NEAR_DEG)


@each_scene
def test_labels_keep_off_each_other_and_on_the_page(path: Path) -> None:
    for sheet in drawn(path).sheets:
        words = [s for s in sheet.shapes if hasattr(s, "box_mm") and s.role != "number"]
        assert len(words) > 5
        for a, b in itertools.combinations(words, 2):
            if a.data.get("of", a) != b.data.get("of", b) and "card" not in a.role:
                assert not overlap(a.box_mm, b.box_mm), (sheet.name, a.text, b.text)
        for word in words:
            left, top, right, bottom = word.box_mm
            assert left >= 0 and top >= 0 and right <= sheet.width_mm and bottom <= sheet.height_mm, word.text
        badges = [s for s in sheet.shapes if s.role == "badge"]
        for a, b in itertools.combinations(badges, 2):
            assert np.linalg.norm(a.centre_mm - b.centre_mm) >= a.radius_mm + b.radius_mm
        for word, badge in itertools.product(words, badges):
            low, high = badge.centre_mm - badge.radius_mm, badge.centre_mm + badge.radius_mm
            assert not overlap(word.box_mm, (*low, *high)), (sheet.name, word.text)


MODIFIERS = (
    "{kind: softbox, width: 90 cm, height: 120 cm, grid: 40°}", "{kind: bare}", "{kind: octabox, diameter: 150 cm}",
    "{kind: snoot}", "{kind: umbrella, diameter: 105 cm}", "{kind: shoot-through, diameter: 100 cm}",
    "{kind: beauty dish, diameter: 55 cm}", "{kind: spot}", "{kind: strip, width: 30 cm, height: 150 cm}",
)  # fmt: skip


@pytest.mark.parametrize("seed", [2, 5, 7, 13, 33])
def test_crowded_sets_still_get_labels_of_their_own(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = f"width: {rng.uniform(4.5, 12):.1f} m, height: 3.2 m, length: {rng.uniform(6.5, 16):.1f} m"
    place = f"bearing: {rng.integers(-20, 20)}°, distance: {rng.uniform(2, 3):.1f} m, height: 1.5 m"
    camera = f"place: {{{place}}}, focal_length: 85 mm, aperture: f/8, shutter: 1/125 s"
    lines = ["halfstop: 1", "title: Crowded", f"room: {{size: {{{size}}}}}", f"camera: {{{camera}}}", "lights:"]
    for index in range(11):
        place = f"bearing: {rng.integers(-180, 180)}°, distance: {rng.uniform(1, 2):.2f} m"
        lines += [f"  light number {index}:", "    source: {kind: flash, energy: 300 W·s}",
                  f"    modifier: {rng.choice(MODIFIERS)}",
                  f"    place: {{{place}, height: {rng.uniform(0.7, 2.9):.2f} m}}",
                  f"    stand: {rng.choice(['floor', 'boom', 'none'])}"]  # fmt: skip
    lines.append("panels:")
    for index in range(5):
        place = f"bearing: {rng.integers(-180, 180)}°, distance: {rng.uniform(0.8, 2):.2f} m, height: 1.4 m"
        kind = rng.choice(["flag", "reflector", "scrim", "v-flat"])
        size = "{width: 80 cm, height: 120 cm}"
        lines.append(f"  panel {index}: {{kind: {kind}, size: {size}, place: {{{place}}}}}")
    scene = scene_from_text("\n".join(lines) + "\n")
    layout = layout_from_scene(scene)
    facts = facts_from_scene(scene, layout)
    for sheet in (plan_view(scene, layout, facts), side_elevation(scene, layout, facts)):
        # Both papers take the drawing at its full size: A4 less 1 cm at each side, Letter less its head and foot.
        assert sheet.width_mm <= 190.1 and sheet.height_mm <= 232
        labels = [s for s in sheet.shapes if s.role == "label"]
        assert {word.data["of"] for word in labels} >= {f"light number {i}" for i in range(11)}
        for a, b in itertools.combinations(labels, 2):
            assert a.data["of"] == b.data["of"] or not overlap(a.box_mm, b.box_mm), (a.text, b.text)


@each_scene
def test_the_scale_bar_is_a_metre_at_the_scale(path: Path) -> None:
    root, items = elements(drawn(path), "plan")
    scale = float(root.get("data-mm-per-m", ""))
    bars = by_role(items, "scale-bar")
    for pair in (bars[:2], bars[2:4]):
        span = max(points_of(b)[:, 0].max() for b in pair) - min(points_of(b)[:, 0].min() for b in pair)
        assert span / scale == pytest.approx(float(pair[0].get("data-metres", "")), abs=1e-3)


def test_labels_do_not_overlap_as_a_browser_draws_them(tmp_path: Path) -> None:
    for path in SCENES:
        page_file = tmp_path / f"{path.stem}.html"
        page_file.write_text(html_from_plan(drawn(path)), "utf-8")
        with opened_page(page_file) as page:
            boxes = page.evaluate(
                """() => [...document.querySelectorAll('svg.sheet')].map(svg => [...svg.querySelectorAll('text')]
                   .filter(t => t.dataset.role === 'label')
                   .map(t => [t.dataset.of, t.getBBox()])
                   .map(([of, b]) => [of, b.x, b.y, b.x + b.width, b.y + b.height]))"""
            )
            wide = page.evaluate("() => document.documentElement.scrollWidth")
        assert wide <= 1280
        for sheet in boxes:
            for (of_a, *a), (of_b, *b) in itertools.combinations(sheet, 2):
                assert of_a == of_b or not overlap(tuple(a), tuple(b)), (path.stem, of_a, of_b)


def test_the_page_fits_a_phone_and_every_tick_box_can_be_reached(tmp_path: Path) -> None:
    page_file = tmp_path / "plan.html"
    page_file.write_text(html_from_plan(drawn(SCENES[0])), "utf-8")
    with opened_page(page_file, 390, 844) as page:
        assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
        small = page.evaluate(
            "() => [...document.querySelectorAll('label')].filter(e => e.getBoundingClientRect().height < 24).length"
        )
    assert small == 0  # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels


@each_scene
@pytest.mark.parametrize(("paper", "width", "height"), [("A4", 595.28, 841.89), ("Letter", 612.0, 792.0)])
def test_the_pdf_has_its_pages_and_words(path: Path, paper: str, width: float, height: float) -> None:
    # A4 is 210 x 297 mm (ISO 216), Letter 8.5 x 11 in (ANSI/ASME Y14.1).
    data = pdf_from_plan(drawn(path), paper)
    assert data.startswith(b"%PDF-") and data == pdf_from_plan(drawn(path), paper)
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data)
    assert 4 <= len(boxes) <= 9
    assert all(float(w) == pytest.approx(width, abs=0.1) and float(h) == pytest.approx(height, abs=0.1)
               for w, h in boxes)  # fmt: skip
    text = b""
    # Pages are written in Ascii85; an embedded font is not.
    for stream in re.findall(rb"ASCII85Decode[^>]*>>\s*stream\r?\n(.*?)endstream", data, re.S):
        text += zlib.decompress(base64.a85decode(stream.strip(), adobe=False) if b"~>" not in stream
                                else base64.a85decode(b"<~" + stream.strip(), adobe=True))  # fmt: skip
    for word in (b"Build-up", b"Cautions", b"Follow local electrical codes", b"sandbag"):
        assert word in text


def test_circuits_never_exceed_their_limit_and_miss_no_light() -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        loads = {f"light {i}": float(w) for i, w in enumerate(rng.uniform(50, 1400, rng.integers(1, 12)))}
        circuits = circuits_from_loads(loads, 1500.0)
        assert sorted(n for c in circuits for n in c) == sorted(loads)
        assert all(sum(loads[n] for n in c) <= 1500.0 for c in circuits)
        assert len(circuits) >= math.ceil(sum(loads.values()) / 1500.0)


def test_mains_load_of_the_poster_scene() -> None:
    path = next(p for p in SCENES if p.stem == "recital")
    scene, _ = loaded(path)
    watts = [draw_W_from_light(light)[0] for light in scene.lights.values()]
    assert watts == [1050.0] * 5
    text = next(c.statement for c in map(text_from_caution, drawn(path).cautions) if c.heading == "Mains load")
    assert "5250 W" in text and "22.8 A" in text and "43.8 A" in text  # 5250/230 and 5250/120


def test_cautions_find_what_was_planted_and_always_defer() -> None:
    text = (SCENES[0].parent / "classic_two.yaml").read_text("utf-8")
    near = text.replace(
        "{bearing: -45°, distance: 1.6 m, height: 2.2 m}", "{bearing: -45°, distance: 0.7 m, height: 1.7 m}"
    )
    board = near.replace("{bearing: 70°, distance: 1 m, height: 1.3 m}", "{bearing: 15°, distance: 1 m, height: 1.6 m}")
    assert near != text and board != near
    scene = scene_from_text(board)
    layout = layout_from_scene(scene)
    plan = plan_from_scene(scene, layout, mix_from_scene(scene, layout))
    serious = [c.heading for c in map(text_from_caution, plan.cautions) if c.serious]
    assert "Flash and eyes" in serious
    assert "bounce shades fill" in serious
    assert crosses_panel(layout.light("fill").position_m, layout.light("fill").aim_m, layout.panels[0])
    calm = drawn(SCENES[0].parent / "classic_two.yaml").to_change
    assert "Flash and eyes" not in calm
    for headings in ("Mains load", "Hot lamps", "Trip runs", "Flash rate and photosensitivity", "Stands that tip"):
        assert headings in [text_from_caution(c).heading for c in plan.cautions]
    assert escape(DEFER) in html_from_plan(plan)


def test_lights_in_each_others_way_are_found() -> None:
    text = (SCENES[0].parent / "classic_two.yaml").read_text("utf-8")

    def serious(place: str) -> list[str]:
        moved = re.sub(r"place: \{bearing: 15°[^}]*\}", f"place: {place}", text)
        assert moved != text
        scene = scene_from_text(moved)
        layout = layout_from_scene(scene)
        plan = plan_from_scene(scene, layout, mix_from_scene(scene, layout))
        assert plan.to_change == tuple(c.heading for c in map(text_from_caution, plan.cautions) if c.serious)
        return [heading for heading in plan.to_change if "fill" in heading]

    # Right behind the key: its box stands between the umbrella and the face.
    assert "key shades fill" in serious("{bearing: -45°, distance: 3.2 m, height: 2.6 m}")
    assert "fill and key are in the same place" in serious("{bearing: -48°, distance: 1.8 m, height: 2.2 m}")
    assert serious("{bearing: 50°, distance: 3 m, height: 1.9 m}") == []


def test_stands_and_booms_are_drawn_where_the_stage_builds_them() -> None:
    pytest.importorskip("mitsuba")
    from sim.render.stage.solids import boom_mesh, support_mesh

    for path in SCENES:
        for light in loaded(path)[1].lights:
            holding = holding_from_light(light)
            if holding is None:
                continue
            # The stage's own stand or arm ends in a ring of the tube's radius, 14 mm, around the spigot.
            reach = np.linalg.norm(support_mesh(light).vertices - holding.spigot_m, axis=1).min()
            assert reach < 0.015
            if holding.kind == "boom":
                # The stage's boom stand has its legs around the same foot.
                feet = boom_mesh(holding.spigot_m, -light.axis).vertices
                low = feet[feet[:, 1] < 0.03]
                centre = (low.min(axis=0) + low.max(axis=0)) / 2
                assert np.hypot(*(centre - holding.foot_m)[[0, 2]]) < 0.15


@pytest.mark.parametrize(
    ("step", "told"),
    [("1/10 stop", "1/3 over: dial −1.6; 1/3 under: dial −1 (1/2). "),
     ("1/3 stop", "1/3 over: dial −1.67; 1/3 under: dial −1 (1/2). "), ("1 stop", "1/3 under: dial −1 (1/2). ")],
)  # fmt: skip
def test_a_third_of_a_stop_is_told_as_a_setting_that_the_dial_has(step: str, told: str) -> None:
    """A third from 1.3 stops below full, to the nearest step by hand; where no step is near, the dial is not named."""
    text = next(path for path in SCENES if path.stem == "classic_two").read_text("utf-8")
    text = text_with_value(text, ("lights", "key", "source", "dial"), {"range": "7 stops", "step": step})
    scene = scene_from_text(text_with_value(text, ("lights", "key", "power"), "-1.3 stops"))
    (key,) = [fact for fact in facts_from_scene(scene, layout_from_scene(scene)) if fact.name == "key"]
    assert nudge_text(scene, key).startswith(told)


def test_a_third_of_a_stop_by_distance_follows_the_inverse_square_for_a_small_lamp() -> None:
    path = next(p for p in SCENES if p.stem == "recital")
    edge = next(f for f in drawn(path).facts if f.name == "edge")
    for stops in (1 / 3, -1 / 3):
        expected = edge.aim_distance_m * 2 ** (-stops / 2)
        assert distance_for_stops(edge, stops) == pytest.approx(expected, rel=0.01)
    # A large box loses less than the inverse square, so it has to move further.
    key = next(f for f in drawn(path).facts if f.name == "key")
    assert distance_for_stops(key, -1 / 3) > key.aim_distance_m * 2 ** (1 / 6)


def test_build_up_readings_are_those_of_the_lights_set_so_far() -> None:
    path = next(p for p in SCENES if p.stem == "classic_two")
    scene, layout = loaded(path)
    probes = plan_probes(layout)
    rng = np.random.default_rng(2)
    values = np.repeat(rng.uniform(100, 900, (len(probes), 2, 1)), 3, axis=2)
    measured = ProbeReadings(tuple(probes), layout.light_names, layout.is_flash, values, 0.01 * values[..., 0],
                             (64,) * len(probes))  # fmt: skip
    plan = plan_from_scene(scene, layout, mix_from_scene(scene, layout), measured)
    first, second = plan.steps
    assert first.alone_f_number == first.together_f_number
    # Light adds: squares of f-numbers add, at one point and one ISO (ISO 2720: N^2 is proportional to H).
    index = [p.id for p in probes].index(ProbeId("dome", "aim", second.light))
    names = list(layout.light_names)
    dials = 2.0 ** np.array([scene.lights[n].power_stops for n in names])
    lit = values[index, :, 0] * dials
    share = lit[names.index(second.light)] / lit.sum()
    assert (second.alone_f_number / second.together_f_number) ** 2 == pytest.approx(share, rel=0.05)
    assert all("1/3" in step.nudge for step in plan.steps)
    assert "alone:" in html_from_plan(plan) and not drawn(path).is_measured


def test_room_light_comes_first_then_the_strongest_on_the_face() -> None:
    face = {"a": 1.0, "b": 5.0, "sky": 9.0, "c": 2.0}
    assert order_from_readings(list(face), [True, True, False, True], face, ["a", "b", "c"]) == ["sky", "b", "c", "a"]


def test_any_title_is_text_and_nothing_else(tmp_path: Path) -> None:
    title = 'Łódź & <b>bold</b> </script> {{set}} "quoted" 演奏会 ' + "long " * 25
    plan = replace(drawn(SCENES[0]), title=title)
    page_file = tmp_path / "plan.html"
    page_file.write_text(html_from_plan(plan), "utf-8")
    with opened_page(page_file, 390, 844) as page:
        assert page.inner_text("h1") == " ".join(title.split())
        assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    assert pdf_from_plan(plan).startswith(b"%PDF-")


def test_small_texts() -> None:
    assert phrases.feet(0.3048) == "1 ft" and phrases.feet(2.54e-2) == "1 in"
    assert phrases.power(-1.0) == "1 stop below full (1/2)"
    square = hull_from_points(np.random.default_rng(1).uniform(0, 1, (200, 2)))
    # Shoelace area of the hull of points in a unit square stays below 1 and holds nearly all of it.
    x, y = square.T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    assert 0.9 < area < 1.0
