"""The handout: layers packed without loss, pixels and readings that follow the faders, at home in every browser."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import opened_page
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image

from sim.light import finish
from sim.light.develop import develop
from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import ProbeReadings
from sim.light.stack import LightStack, no_excess
from sim.metering.lighting_ratio import AloneAtFace, LightingRatio, ratio_from_stops
from sim.metering.points import STANDARD_POINTS, readings_from_probes
from sim.metering.report_points import label_from_probe
from sim.quantities import color, phrases
from sim.reports import strips
from sim.reports.handout import Handout, handout_html, mixed_codes
from sim.reports.handout.layers import (
    MOST,
    codes_from_linear,
    k_from_step,
    packed,
    packed_to_fit,
)
from sim.reports.handout.page import BALANCE_FIRST_K, balance_gain, nominal_layers
from sim.reports.plan import plan_from_scene, plan_probes
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene
from tests.reports.handout_codes import linear_from_codes, unpacked

SCENES = sorted((Path(__file__).parents[2] / "scenes").glob("*.yaml"))
WIDTH, HEIGHT = 120, 180
SAMPLED = 1000
LIVE = "body.mixing"


@cache
def made(path: Path, muted: str = "") -> tuple[Handout, str]:
    """A handout of a scene with invented layers: slopes, grain, highlights beyond white and black patches."""
    scene = load_scene(path)
    layout = layout_from_scene(scene, path.parent)
    mix = mix_from_scene(scene, layout)
    if muted:
        mix = mix.only([name for name in mix.names if name != muted])
    rng = np.random.default_rng(8)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] / HEIGHT
    count = len(mix.names)
    # Give each layer its own slope and grain, at the level that its weight brings into the picture.
    pixels = np.exp2(
        rng.uniform(-4, 4, (count, 1, 1, 1)) * x[..., None] + rng.uniform(-4, 4, (count, 1, 1, 1)) * y[..., None]
    ) * rng.uniform(0.5, 1.5, (count, HEIGHT, WIDTH, 3))
    pixels[:, 20:30, 20:30] *= 60
    pixels[:, 60:80, :20] = 0
    level = mix.only(mix.names).weights_rgb(scene.camera.shutter_s).mean(axis=1)
    pixels *= (0.05 * scene.camera.f_number**2 / scene.camera.iso * 100 / level)[:, None, None, None]
    stack = LightStack(
        names=mix.names, is_flash=mix.is_flash, pixels=pixels.astype(np.float32),
        variance=np.zeros((count, HEIGHT, WIDTH), np.float32), albedo=np.zeros((HEIGHT, WIDTH, 3), np.float32),
        normal=np.zeros((HEIGHT, WIDTH, 3), np.float32), distance_m=np.ones((HEIGHT, WIDTH), np.float32),
        region=np.zeros((HEIGHT, WIDTH), np.uint8), region_names=("nothing",), samples=4, seed=0, depth=5,
        engine="invented", part_excess=no_excess(count, 1),
    )  # fmt: skip
    probes = plan_probes(layout)
    values = np.repeat(rng.uniform(20, 900, (len(probes), count, 1)), 3, axis=2)
    measured = ProbeReadings(tuple(probes), mix.names, mix.is_flash, values, 0 * values[..., 0], (1,) * len(probes))
    plan = plan_from_scene(scene, layout, mix, measured, source=path.name)
    order = [step.light for step in plan.steps]
    points, full = (
        {
            label_from_probe(p.id, scene): p
            for p in readings_from_probes(measured, m, scene.camera)
            if p.id in STANDARD_POINTS
        }
        for m in (mix, mix.only(mix.names))
    )
    sheets = [
        strips.strip_image(frames, 120)
        for frames in (strips.build_up(stack, mix, scene.camera, order),
                       strips.leave_one_out(stack, mix, scene.camera, order))
    ]  # fmt: skip
    handout = Handout(
        plan,
        stack,
        mix,
        scene.camera,
        points,
        full,
        dict.fromkeys(order, "adds light."),
        order,
        *sheets,
        LightingRatio("key", "fill", ratio_from_stops(1.9), 1.9, 0.0),
        alone=alone_of(mix, scene.camera.shutter_s),
    )
    return handout, handout_html(handout)


def alone_of(mix: Mix, shutter_s: float) -> dict[str, AloneAtFace]:
    """A key that gives the face 1.9 stops more than the fill, and others that give it nothing."""
    given = {"key": 2**1.9, "fill": 1.0}
    heard = mix.only(mix.names)
    alone: dict[str, AloneAtFace] = {}
    for name, weight in zip(mix.names, color.luminance(heard.weights_rgb(shutter_s)), strict=True):
        rgb = [given.get(name, 0.0) / float(weight)] * 3
        alone[name] = {"lit": rgb, "shadow": rgb, "opened": rgb, "reached": [rgb, rgb]}
    return alone


def written(tmp_path: Path, html: str) -> Path:
    file = tmp_path / "handout.html"
    file.write_text(html, "utf-8")
    return file


def shown_pixels(page: Any) -> np.ndarray:
    """What the canvas shows, as the browser itself saves it."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    url = page.evaluate("() => document.getElementById('picture').toDataURL('image/png')")
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(url.partition(",")[2]))).convert("RGB")).astype(int)


def move(page: Any, slider: str, value: float) -> None:
    page.evaluate(
        "([id, value]) => { const e = document.getElementById(id); e.value = value;"
        " e.dispatchEvent(new Event('input', {bubbles: true})) }",
        [slider, value],
    )


# -- layers -----------------------------------------------------------------------------------------------------------


@given(hnp.arrays(np.uint16, hnp.array_shapes(min_dims=2, max_dims=2, max_side=9).map(lambda s: (*s, 3)),
                  elements=st.integers(0, MOST)))  # fmt: skip
def test_packing_loses_nothing(codes: np.ndarray) -> None:
    assert np.array_equal(unpacked(packed(codes), codes.shape[1], codes.shape[0]), codes)


def test_codes_are_even_to_the_eye() -> None:
    k = k_from_step(0.4)
    light = np.geomspace(0.004, 1.0, 500)
    back = linear_from_codes(codes_from_linear(light, k), k)
    # Half a step of 0.4 is a fifth of a code value, by the slope of the sRGB curve (IEC 61966-2-1).
    error = 255 * np.abs(color.srgb_from_linear(back) - color.srgb_from_linear(light))
    assert error.max() < 0.21


def test_the_finest_packing_that_fits_is_taken() -> None:
    layers = np.random.default_rng(1).uniform(0, 1, (2, 40, 40, 3))
    roomy, fine = packed_to_fit(layers, 10**6)
    tight, coarse = packed_to_fit(layers, len(roomy[0]) + len(roomy[1]) - 1)
    assert fine == k_from_step(0.4) > coarse and sum(map(len, tight)) < sum(map(len, roomy))


# -- pixels -----------------------------------------------------------------------------------------------------------


def test_the_plain_mix_is_the_developed_picture() -> None:
    handout, _ = made(SCENES[0])
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    ours = mixed_codes(layers, [0.0] * len(layers), [True] * len(layers)).astype(int)
    theirs = develop(handout.stack, handout.mix.only(handout.mix.names), handout.camera).astype(int)
    assert np.abs(ours - theirs).max() <= 1


RECITAL = next(p for p in SCENES if p.stem == "recital")


@pytest.mark.parametrize("drawn", ["webgl", "canvas"])
@pytest.mark.parametrize(
    "path", [p if p == RECITAL else pytest.param(p, marks=pytest.mark.slow) for p in SCENES], ids=lambda p: p.stem
)
def test_faders_change_the_pixels_by_exactly_their_stops(tmp_path: Path, path: Path, drawn: str) -> None:
    handout, html = made(path)
    file = written(tmp_path, html)
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    count = len(layers)
    rng = np.random.default_rng(3)
    ys, xs = rng.integers(0, HEIGHT, SAMPLED), rng.integers(0, WIDTH, SAMPLED)
    with opened_page(file, fragment="" if drawn == "webgl" else "no-webgl") as page:
        page.wait_for_selector(LIVE)
        assert page.evaluate("() => document.body.dataset.drawn") == drawn
        for trial in range(6):
            faders = np.round(rng.uniform(-4, 3, count), 1) if trial else np.zeros(count)
            exposure = round(float(rng.uniform(-1.5, 1.5)), 1) if trial > 2 else 0.0
            kelvin = int(rng.integers(30, 90) * 100) if trial > 3 else None
            name = str(rng.choice(finish.FILTERS)) if trial > 4 else ""
            for k, value in enumerate(faders):
                move(page, f"fader-{k}", float(value))
            move(page, "exposure", exposure)
            gain = np.full(3, 2.0**exposure)
            if kelvin is not None:
                move(page, "balance", kelvin)
                gain = gain * balance_gain(kelvin, handout.camera)
            page.select_option("#filter", name)
            grey = finish.channel_mix(name) if name else None
            heard = np.logical_not(handout.mix.muted)
            expected = mixed_codes(layers[:, ys, xs], faders, heard, gain_rgb=gain, grey_rgb=grey).astype(int)
            shown = shown_pixels(page)[ys, xs]
            assert np.abs(shown - expected).max() <= 1, (trial, faders)
            assert len(np.unique(shown)) > 40


def test_mute_solo_reset_and_the_wipe(tmp_path: Path) -> None:
    path = RECITAL
    handout, html = made(path)
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    count = len(layers)
    nothing = [0.0] * count
    with opened_page(written(tmp_path, html)) as page:
        page.wait_for_selector(LIVE)
        plain = shown_pixels(page)
        assert np.abs(plain - mixed_codes(layers, nothing, [True] * count)).max() <= 1
        page.click("#mute-0")
        without = shown_pixels(page)
        assert np.abs(without - mixed_codes(layers, nothing, [k != 0 for k in range(count)])).max() <= 1
        assert page.get_attribute("#mute-0", "aria-pressed") == "true"
        page.click("#solo-2")
        assert np.abs(shown_pixels(page) - mixed_codes(layers, nothing, [k == 2 for k in range(count)])).max() <= 1
        # Left of the wipe stands the plan, right of it the mix.
        page.click("#compare")
        move(page, "wipe", 50)
        split = shown_pixels(page)
        half = WIDTH // 2
        assert np.array_equal(split[:, :half], plain[:, :half])
        assert (
            np.abs(split[:, half:] - mixed_codes(layers, nothing, [k == 2 for k in range(count)])[:, half:]).max() <= 1
        )
        box = page.locator("#picture").bounding_box()
        x, y = 10, 100
        page.mouse.move(box["x"] + (x + 0.5) / WIDTH * box["width"], box["y"] + (y + 0.5) / HEIGHT * box["height"])
        stops = float(np.log2(color.luminance(layers[:, y, x].sum(axis=0)) / 0.18))
        assert float(page.inner_text("#here-stops").replace("\u2212", "-").split()[0]) == pytest.approx(stops, abs=0.06)
        page.click("#compare")
        page.click("#reset")
        assert np.array_equal(shown_pixels(page), plain)


def test_the_build_up_adds_light_by_light_without_flashing(tmp_path: Path) -> None:
    path = RECITAL
    handout, html = made(path)
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    names = list(handout.mix.names)
    with opened_page(written(tmp_path, html), reduced_motion=True) as page:
        page.wait_for_selector(LIVE)
        for count in range(1, 4):
            page.click("#build-next")
            lit = [name in handout.order[:count] for name in names]
            codes, off = mixed_codes(layers, [0.0] * len(names), lit), 256
            for _ in range(200):
                off = np.abs(shown_pixels(page) - codes).max()
                if off <= 1:
                    break
                page.wait_for_timeout(20)
            assert off <= 1
            assert handout.order[count - 1] in page.inner_text("#build-told")
    # A step holds and fades for over two seconds: far below three flashes a second (WCAG 2.2, 2.3.1).
    script = (Path(strips.__file__).parent / "handout" / "page" / "build_up.js").read_text("utf-8")
    fade, hold = re.search(r"\? 1 : (\d+)", script), re.search(r"fade \+ (\d+)", script)
    assert fade and hold and int(fade[1]) + int(hold[1]) > 1000
    assert strips.HOLD_MS + strips.FADE_MS * (strips.FADE_FRAMES - 1) > 1000


def test_readings_follow_the_faders(tmp_path: Path) -> None:
    path = next(p for p in SCENES if p.stem == "classic_two")
    handout, html = made(path)
    with opened_page(written(tmp_path, html)) as page:
        page.wait_for_selector(LIVE)
        before = page.inner_text("#point-0 [data-stops]").replace("\u2212", "-")
        assert float(before) == pytest.approx(next(iter(handout.points.values())).combined.over_camera_stops, abs=0.051)
        for k in range(len(handout.mix.names)):
            move(page, f"fader-{k}", 1.0)
        shown_pixels(page)
        after = page.inner_text("#point-0 [data-stops]").replace("\u2212", "-")
        # All lights up by a stop: the meter reads a stop more, and every share stays.
        assert float(after) - float(before) == pytest.approx(1.0, abs=0.11)
        shares = page.eval_on_selector_all("#point-0 [data-share]", "all => all.map(e => parseFloat(e.textContent))")
        expected = [100 * r.share for r in next(iter(handout.points.values())).by_light.values()]
        assert np.allclose(shares, expected, atol=1)
        ratio = page.inner_text("#ratio")
        assert ratio == handout.ratio.text == "4.7 : 1 (key + fill : fill; key 1.9 stops over fill)"
        dial = handout.mix.dial_stops[0] + 1.0
        assert page.inner_text("#dial-0") == phrases.power(round(dial, 1))
        page.click("#solo-0")
        shown_pixels(page)
        first = page.eval_on_selector_all("#point-0 [data-share]", "all => all.map(e => e.textContent)")
        assert first[0] == "100 %"
        # 2^1.9 + 1 = 4.7, and with the fill 0.9 stops up 2^1.0 + 1 = 3: (key + fill) : fill in closed form.
        assert page.inner_text("#ratio") == "no fill (key alone)"
        page.click("#solo-0")
        move(page, "fader-1", 1.9)
        shown_pixels(page)
        assert page.inner_text("#ratio") == "3 : 1 (key + fill : fill; key 1 stop over fill)"
        page.click("#mute-0")
        shown_pixels(page)
        assert page.inner_text("#ratio") == "none, key is off"


def test_pointing_at_the_picture_reads_stops(tmp_path: Path) -> None:
    handout, html = made(SCENES[0])
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    with opened_page(written(tmp_path, html)) as page:
        page.wait_for_selector(LIVE)
        box = page.locator("#picture").bounding_box()
        x, y = 90, 120
        page.mouse.move(box["x"] + (x + 0.5) / WIDTH * box["width"], box["y"] + (y + 0.5) / HEIGHT * box["height"])
        told = page.inner_text("#here-stops").replace("\u2212", "-")
        stops = float(np.log2(color.luminance(layers[:, y, x].sum(axis=0)) / 0.18))
        assert float(told.split()[0]) == pytest.approx(stops, abs=0.06)
        # The keyboard moves the point.
        page.focus("#picture")
        page.keyboard.press("Shift+ArrowUp")
        y -= round(0.1 * HEIGHT)
        stops = float(np.log2(color.luminance(layers[:, y, x].sum(axis=0)) / 0.18))
        told = page.inner_text("#here-stops").replace("\u2212", "-")
        assert float(told.split()[0]) == pytest.approx(stops, abs=0.06)


def test_a_muted_light_starts_silent_and_can_be_heard(tmp_path: Path) -> None:
    handout, html = made(RECITAL, muted="fill")
    layers = nominal_layers(handout.stack, handout.mix, handout.camera)
    index = handout.mix.names.index("fill")
    with opened_page(written(tmp_path, html)) as page:
        page.wait_for_selector(LIVE)
        heard = [k != index for k in range(len(layers))]
        assert np.abs(shown_pixels(page) - mixed_codes(layers, [0.0] * len(layers), heard)).max() <= 1
        page.click(f"#mute-{index}")
        full = mixed_codes(layers, [0.0] * len(layers), [True] * len(layers))
        assert np.abs(shown_pixels(page) - full).max() <= 1


# -- the page ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (390, 844)])
def test_the_page_fits_the_screen_and_its_controls_can_be_hit(tmp_path: Path, width: int, height: int) -> None:
    _, html = made(RECITAL)
    with opened_page(written(tmp_path, html), width, height) as page:
        page.wait_for_selector(LIVE)
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels.
        small = page.evaluate(
            "() => [...document.querySelectorAll('button, input, select')].map(e => [e.id, e.getBoundingClientRect()])"
            ".filter(([, b]) => b.width > 0 && (b.width < 24 || b.height < 24)).map(([id]) => id)"
        )
        assert small == []
        nameless = page.evaluate(
            "() => [...document.querySelectorAll('input, select')]"
            ".filter(e => !e.labels.length && !e.getAttribute('aria-label')).map(e => e.id)"
        )
        assert nameless == []


def test_texts_have_the_contrast_of_wcag_aa(tmp_path: Path) -> None:
    _, html = made(SCENES[0])
    with opened_page(written(tmp_path, html)) as page:
        page.wait_for_selector(LIVE)
        pairs = page.evaluate(
            """() => [...document.querySelectorAll('h1,h2,p,td,th,label,button,select,output,.name,.dial')].map(e => {
                 let g = e;
                 while (g && getComputedStyle(g).backgroundColor === 'rgba(0, 0, 0, 0)') g = g.parentElement;
                 return [getComputedStyle(e).color, g ? getComputedStyle(g).backgroundColor : 'rgb(255,255,255)'] })"""
        )
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1, by the relative luminance of sRGB.
    for ink, ground in {tuple(p) for p in pairs}:
        high, low = sorted((_relative_luminance(ink), _relative_luminance(ground)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5, (ink, ground)


def _relative_luminance(css: str) -> float:
    rgb = [float(v) / 255 for v in re.findall(r"[\d.]+", css)[:3]]
    return float(color.luminance(color.linear_from_srgb(rgb)))


def test_without_javascript_it_is_a_static_sheet(tmp_path: Path) -> None:
    handout, html = made(SCENES[0])
    with opened_page(written(tmp_path, html), script=False) as page:
        assert page.is_visible("img.still") and not page.is_visible("#picture") and not page.is_visible(".desk")
        assert page.is_visible("#plan-h") and page.is_visible("svg.sheet") and page.is_visible(".strip")
        text = page.inner_text("body")
        assert "The faders need JavaScript" in text
        for name in handout.mix.names:
            assert name in text
        assert "follow local electrical codes" in text.lower()


def test_any_title_is_text_and_nothing_else(tmp_path: Path) -> None:
    title = "Łódź & <img src=x> </script> {{set}} 演奏会"
    handout, _ = made(SCENES[0])
    with opened_page(
        written(tmp_path, handout_html(replace(handout, plan=replace(handout.plan, title=title))))
    ) as page:
        page.wait_for_selector(LIVE)
        assert page.inner_text("h1") == title


def test_even_light_is_called_as_on_the_plan() -> None:
    handout, html = made(next(path for path in SCENES if path.stem == "continuous_set"))
    assert "even light of the room" in html and "open sky" not in html
    outdoors = handout_html(replace(handout, plan=replace(handout.plan, even_light="open sky")))
    assert "open sky" in outdoors and "even light of the room" not in outdoors


def test_the_page_forbids_outside_requests_and_holds_all_it_needs() -> None:
    _, html = made(SCENES[0])
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)
    assert policy and "default-src 'none'" in policy[1] and "unsafe-eval" not in policy[1]
    assert not re.search(r'(?:src|href)="(?!data:|#)', html)
    assert "http://" not in html.replace("http://www.w3.org/2000/svg", "") and "https://" not in html
    assert "{{" not in html and BALANCE_FIRST_K == 2500
