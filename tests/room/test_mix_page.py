"""The room's mixer and meters in a browser against the same numbers in Python."""

from __future__ import annotations

import base64
import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from sim.advice.checks.frame import frame_from_camera
from sim.light import finish
from sim.light.develop import develop, encoded, exposed
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering.health import false_tones
from sim.metering.points import CONSTANT_C, readings_from_probes, readings_from_regions
from sim.quantities import color, phrases, units
from sim.quantities.photometry import REFLECTED_CONSTANT_K
from sim.room.document.scene_document import SceneDocument
from sim.room.snapshot.placement_cache import PlacementCache
from sim.room.snapshot.view import view_from_document
from tests.bench.page_bench import (
    SCENES,
    Bench,
    bench,
    browser_at_hand,
    exposure_facts,
    frame_files,
    frame_message,
    opened,
)

SAMPLED = 1000
KINDS = ("webgl", "canvas")
HOW = {"webgl": "always", "canvas": "never"}
# Load a frame into a mixer on a canvas of the page, and a function that draws a mix and returns what is shown.
BEGIN = """async ([message, exposure, webgl]) => {
  const { createMixer } = await import("/web/mixer.js");
  const { viewLayers } = await import("/room/page/picture/picture_frames.js");
  const { gainFromExposure, tonesFromBands } = await import("/web/develop.js");
  const canvas = document.createElement("canvas");
  document.getElementById("picture").append(canvas);
  const mixer = createMixer(canvas, { webgl });
  mixer.take(await viewLayers(message), exposure);
  window.mixer = mixer;
  window.shown = ({ weights, stops, balance_K, grey, tones }) => {
    mixer.draw({ weights, gain: gainFromExposure(exposure, stops, balance_K), grey,
      tones: tones ? tonesFromBands(exposure.bands) : null });
    return mixer.canvas.toDataURL("image/png");
  };
  return mixer.kind;
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_at_hand() as found:
        yield found


@cache
def made(name: str) -> Bench:
    return bench(name)


def shown(page: Any, **mix: Any) -> np.ndarray:
    """The picture (h, w, 3) that the mixer shows for a mix."""
    whole = {"stops": 0, "balance_K": None, "grey": None, "tones": False, **mix}
    url = page.evaluate("(mix) => window.shown(mix)", whole)
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(url.partition(",")[2]))).convert("RGB")).astype(int)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["recital", "continuous_set"])
def test_the_mixer_shows_what_python_develops(browser: Any, name: str, kind: str) -> None:
    b = made(name)
    camera, facts = b.camera, exposure_facts(b.camera)
    rng = np.random.default_rng(5)
    width, height = b.frame.size
    ys, xs = rng.integers(0, height, SAMPLED), rng.integers(0, width, SAMPLED)
    with opened(browser, frame_files(b.frame)) as page:
        assert page.evaluate(BEGIN, [frame_message(b.frame), facts, HOW[kind]]) == kind
        for trial in range(6):
            dials = np.round(rng.uniform(-4, 2, len(b.mix.names)), 1) if trial else np.zeros(len(b.mix.names))
            heard = [n for n in b.mix.names if not trial or rng.uniform() > 0.2] or list(b.mix.names)
            mix = b.mix.only(heard).faded(dict(zip(b.mix.names, dials, strict=True)))
            stops = round(float(rng.uniform(-2, 2)), 1) if trial > 1 else 0.0
            kelvin = int(rng.integers(25, 101) * 100) if trial > 2 else None
            grey = str(rng.choice(finish.FILTERS)) if trial > 3 else None
            seen = camera.model_copy(update={"white_balance_K": float(kelvin)}) if kelvin else camera
            if grey is None:
                expected = develop(b.stack, mix, seen, exposure_stops=stops)
            else:
                linear = finish.black_and_white(exposed(b.stack, mix, seen, exposure_stops=stops), grey)
                expected = np.repeat(encoded(linear)[..., None], 3, axis=-1)
            found = shown(
                page, weights=mix.weights_rgb(camera.shutter_s).tolist(), stops=stops, balance_K=kelvin,
                grey=list(finish.channel_mix(grey)) if grey else None,
            )  # fmt: skip
            assert found.shape == expected.shape
            assert np.abs(found - expected)[ys, xs].max() <= 1, trial
            # The picture is no flat field: most codes between black and white occur.
            assert len(np.unique(found[ys, xs])) > 100
            x, y = int(xs[0]), int(ys[0])
            assert page.evaluate("([x, y]) => window.mixer.pixel(x, y)", [x, y]) == found[y, x].tolist()


@pytest.mark.parametrize("kind", KINDS)
def test_false_tones_are_those_of_the_health_sheet(browser: Any, kind: str) -> None:
    b = made("recital")
    with opened(browser, frame_files(b.frame)) as page:
        page.evaluate(BEGIN, [frame_message(b.frame), exposure_facts(b.camera), HOW[kind]])
        found = shown(page, weights=b.mix.weights_rgb(b.camera.shutter_s).tolist(), tones=True)
    expected = false_tones(exposed(b.stack, b.mix, b.camera)).astype(int)
    # Single precision may put a pixel that lies on the edge of two bands into the other one.
    differs = (found != expected).any(axis=-1)
    assert differs.mean() < 0.001
    assert len(np.unique(expected.reshape(-1, 3), axis=0)) >= 9


def test_half_precision_is_read_as_numpy_reads_it(browser: Any) -> None:
    # Every finite number of IEEE 754 binary16; NumPy is the reference.
    with opened(browser, {}) as page:
        table = page.evaluate(
            'async () => { const { halfTable } = await import("/web/half_floats.js");'
            " return [...halfTable()].map((v) => (Number.isFinite(v) ? v : null)) }"
        )
    expected = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)
    finite = np.isfinite(expected)
    assert [v is not None for v in table] == finite.tolist()
    assert np.array_equal(np.array([v for v in table if v is not None], np.float32), expected[finite])


# -- the spot meter ---------------------------------------------------------------------------------------------------

SPOT = """async ([message, exposure, weights, places, deg]) => {
  const { measuredLayers } = await import("/room/page/picture/picture_frames.js");
  const spot = { ...await import("/room/page/readings/meter_spot.js"), ...await import("/web/meter.js") };
  const frame = await measuredLayers(message);
  const across = spot.spotPixels(deg, frame.camera.half_width, frame.width);
  return places.map(([x, y]) => {
    const pixels = spot.circlePixels(x, y, across, frame.width, frame.height);
    const exposures = spot.exposuresAt(frame, pixels, weights, exposure.luminance);
    const reading = spot.spotReading(exposures, exposure);
    return { pixels, exposures, ...reading, part: spot.partAt(frame.region, frame.regions, pixels),
      point: spot.pointAt(x, y, frame, frame.distance, [y * frame.width + x]),
      before: spot.pointAt(x, y, frame, frame.distance, [y * frame.width + x], 0.04) };
  });
}"""


@pytest.mark.parametrize("name", ["recital", "continuous_set"])
def test_the_spot_reads_what_the_metering_reads_of_the_same_raw_pixels(browser: Any, name: str) -> None:
    b = made(name)
    width, height = b.frame.size
    places = [(12, 9), (45, 70), (0, 0), (width - 1, height - 1), (25, 25), (60, 110)]
    weights = b.mix.weights_rgb(b.camera.shutter_s)
    with opened(browser, frame_files(b.frame)) as page:
        told = page.evaluate(SPOT, [frame_message(b.frame), exposure_facts(b.camera), weights.tolist(), places, 3.0])
    across = width * np.tan(np.radians(1.5)) / np.tan(np.radians(b.layout.camera.horizontal_fov_deg) / 2)
    y, x = np.mgrid[0:height, 0:width]
    for (px, py), found in zip(places, told, strict=True):
        circle = np.hypot(x - px, y - py) <= across / 2
        assert np.array_equal(np.sort(found["pixels"]), np.flatnonzero(circle))
        # A stack whose only part is the circle: sim.metering.points reads the mean of its raw pixels.
        stack = replace(b.stack, region=circle.astype(np.uint8), region_names=("nothing", "circle"))
        (reading,) = readings_from_regions(stack, b.mix, b.camera, ["circle"])
        assert found["from_grey_stops"] == pytest.approx(reading.combined.from_grey_stops, abs=1e-4)
        assert found["meter_f_number"] == pytest.approx(reading.combined.f_number, rel=1e-4)
        shares = [r.share for r in reading.by_light.values()]
        assert found["shares"] == pytest.approx(shares, abs=1e-5)
        # Set to the f-number that it asks, the camera shows the circle as middle grey.
        asked = b.camera.model_copy(update={"f_number": found["grey_f_number"]})
        (grey,) = readings_from_regions(stack, b.mix, asked, ["circle"])
        assert grey.combined.from_grey_stops == pytest.approx(0.0, abs=1e-4)
        names, counts = np.unique(b.frame.part[circle], return_counts=True)
        assert found["part"]["name"] == b.frame.part_names[names[counts.argmax()]]


def test_a_pixel_and_its_distance_give_the_point_that_the_frame_gives(browser: Any) -> None:
    b = made("recital")
    places = [(3, 4), (45, 67), (80, 120)]
    with opened(browser, frame_files(b.frame)) as page:
        told = page.evaluate(
            SPOT, [frame_message(b.frame), exposure_facts(b.camera), b.mix.weights_rgb(1.0).tolist(), places, 1.0]
        )
        back = page.evaluate(
            'async ([points, camera]) => { const { placeOf } = await import("/room/page/readings/meter_spot.js");'
            " return points.map((point) => placeOf(point, camera)) }",
            [[t["point"] for t in told], b.frame.sight()],
        )
    view = frame_from_camera(b.layout.camera)
    _, _, forward = b.layout.camera.axes
    for (x, y), found, place in zip(places, told, back, strict=True):
        point = b.frame.place_m(x, y)
        assert found["point"] == pytest.approx(point.tolist(), abs=1e-5)
        # The analysis projects the point back to the same pixel's centre, and so does the page.
        width, height = b.frame.size
        centre = [(x + 0.5) / width, (y + 0.5) / height]
        assert view.place(point[None])[0] == pytest.approx(centre, abs=1e-6)
        assert place == pytest.approx(centre, abs=1e-6)
        # A dome is held 4 cm before the surface, on the way to the camera.
        gap = np.subtract(found["point"], found["before"])
        assert np.linalg.norm(gap) == pytest.approx(0.04, abs=1e-6) and gap @ forward > 0


# -- readings ---------------------------------------------------------------------------------------------------------


def test_readings_follow_the_weights_as_the_metering_does(browser: Any) -> None:
    b = made("recital")
    rng = np.random.default_rng(2)
    names, kinds = b.mix.names, ("dome", "flat", "spot")
    probes = tuple(Probe(ProbeId(kind, kind), kind, np.zeros(3), np.array([0.0, 0.0, 1.0])) for kind in kinds)
    values = rng.uniform(1, 400, (3, len(names), 3))
    stderr = rng.uniform(0.01, 0.5, (3, len(names)))
    measured = ProbeReadings(probes, names, b.mix.is_flash, values, stderr, (64,) * 3)
    mix = b.mix.faded(dict(zip(names, np.linspace(-3, 1, len(names)), strict=True)))
    weights = mix.weights_rgb(b.camera.shutter_s)
    points = [
        {"name": k, "kind": k, "constant": CONSTANT_C.get(k, REFLECTED_CONSTANT_K),
         "per_light": {n: values[i, j].tolist() for j, n in enumerate(names)}, "spot": None,
         "stderr": {n: float(stderr[i, j]) for j, n in enumerate(names)}}
        for i, k in enumerate(kinds)
    ]  # fmt: skip
    with opened(browser, {}) as page:
        told = page.evaluate(
            "async ([points, weights, exposure]) => {"
            ' const { pointReading } = await import("/web/meter.js");'
            " return points.map((point) => pointReading(point, weights, exposure)) }",
            [points, dict(zip(names, weights.tolist(), strict=True)), exposure_facts(b.camera)],
        )
    for found, expected in zip(told, readings_from_probes(measured, mix, b.camera), strict=True):
        both = [(found["together"], expected.combined)]
        both += [(light, expected.by_light[light["name"]]) for light in found["lights"]]
        for ours, theirs in both:
            assert ours["over_stops"] == pytest.approx(theirs.over_camera_stops, abs=1e-9)
            assert ours["from_grey_stops"] == pytest.approx(theirs.from_grey_stops, abs=1e-9)
        assert found["together"]["f_number"] == pytest.approx(expected.combined.f_number)
        assert found["together"]["stderr_stops"] == pytest.approx(expected.combined.stderr_stops)
        assert [light["share"] for light in found["lights"]] == pytest.approx(
            [r.share for r in expected.by_light.values()]
        )


def test_words_are_those_of_the_reports(browser: Any) -> None:
    numbers = [0.71, 0.9, 1.0, 2.85, 5.6, 6.3, 7.21, 8.0, 11.4, 15.9, 16.0, 40.0, 80.0]
    stops = [-3.26, -1.0, -0.04, 0.0, 0.04, 0.66, 2.0]
    dials = [0.0, -1.0, -1.3, -2.7, -4 / 3, -6.0]
    f_texts = ["f/5.6", "f/8", "5.6 1/3", "f/11", "f/1.8", "f/22", "f/6.3", "f/2.8 2/3"]
    stop_texts = ["-2", "\u22123", "+0.5", "4/3 stops", "-2/3", "0"]
    with opened(browser, {}) as page:
        told = page.evaluate(
            "async (given) => { const words = await import('/room/page/picture/picture_words.js');"
            " const { powerShort } = await import('/web/phrases.js');"
            " const { apertureText } = await import('/room/page/picture/picture_tools.js');"
            " return { f: given.numbers.map(words.fNumberText), stops: given.stops.map((v) => words.stopsText(v)),"
            " dials: given.dials.map(powerShort),"
            " fs: given.f_texts.map(words.fNumberFromText), ss: given.stop_texts.map(words.stopsFromText),"
            " bad: ['f/', 'two', '1/', '--2', 'f/5.6.1', ''].flatMap((t) =>"
            " [words.fNumberFromText(t), words.stopsFromText(t)]),"
            " apertures: [0, 37, 60, 61, 105].map(apertureText) } }",
            {"numbers": numbers, "stops": stops, "f_texts": f_texts, "stop_texts": stop_texts,
             "dials": dials},
        )  # fmt: skip
    assert told["f"] == [phrases.reading_short(n) for n in numbers]
    assert told["stops"] == [phrases.signed_stops(s) for s in stops]
    assert told["dials"] == [phrases.power_short(d) for d in dials]
    expected = [units.f_number_from_text(t if t.startswith("f") else f"f/{t}") for t in f_texts]
    assert told["fs"] == pytest.approx(expected, rel=1e-9)
    assert told["ss"] == pytest.approx(
        [units.stops_from_text(t if t.endswith("stops") else f"{t} stops") for t in stop_texts], abs=1e-9
    )
    assert told["bad"] == [None] * 12
    tenths = [round(10 * units.stops_from_f_number(units.f_number_from_text(t))) for t in told["apertures"]]
    assert tenths == [0, 37, 60, 61, 105]


# -- speed ------------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_new_mix_reaches_the_pixels_in_time(browser: Any) -> None:
    b = bench("recital", 400, 600)
    with opened(browser, frame_files(b.frame)) as page:
        page.evaluate(BEGIN, [frame_message(b.frame), exposure_facts(b.camera), "auto"])
        weights = b.mix.weights_rgb(b.camera.shutter_s).tolist()
        took = page.evaluate(
            "(weights) => { const times = []; for (let i = 0; i < 21; i++) { weights[0][0] *= 1.02;"
            " const start = performance.now();"
            " mixer.draw({ weights, gain: [.001, .001, .001], grey: null, tones: null }); mixer.pixel(i, i);"
            " times.push(performance.now() - start) }"
            " return times.slice(1).sort((a, b) => a - b)[10] }",
            weights,
        )
    # The project's own promise: a fader shows within 50 ms, without any graphics hardware.
    assert took < 50, took


def test_white_balance_of_the_table_is_that_of_the_colours(browser: Any) -> None:
    b = made("continuous_set")
    with opened(browser, {}) as page:
        told = page.evaluate(
            "async ([exposure]) => { const { gainFromExposure } = await import('/web/develop.js');"
            " return [gainFromExposure(exposure), gainFromExposure(exposure, 1, 3200),"
            " gainFromExposure(exposure, 0, 10000)] }",
            [exposure_facts(b.camera)],
        )
    scale = exposure_facts(b.camera)["display_scale"]
    for found, (kelvin, stops) in zip(told, [(b.camera.white_balance_K, 0), (3200.0, 1), (10000.0, 0)], strict=True):
        assert found == pytest.approx((color.white_balance_weights(kelvin) * scale * 2.0**stops).tolist(), rel=1e-9)


@pytest.mark.parametrize("name", ["recital", "continuous_set"])
def test_the_facts_of_these_tests_are_those_of_the_server(name: str, tmp_path: Path) -> None:
    b = made(name)
    copy = tmp_path / f"{name}.yaml"
    shutil.copy(SCENES / copy.name, copy)
    document = SceneDocument.open(copy, tmp_path / "state")
    try:
        view = view_from_document(document, PlacementCache().placed(document.scene))
    finally:
        document.close()
    facts = exposure_facts(b.camera)
    told = {key: view["exposure"][key] for key in facts}
    # As JSON, as they reach the page; a white balance may be rounded beyond what a code value can tell.
    assert json.loads(json.dumps(told | {"balance": 0, "white_balance_rgb": 0})) == facts | {
        "balance": 0, "white_balance_rgb": 0
    }  # fmt: skip
    assert np.allclose(told["balance"]["rgb"], facts["balance"]["rgb"], rtol=1e-5)
    assert np.allclose(told["white_balance_rgb"], facts["white_balance_rgb"], rtol=1e-5)
    assert [light["name"] for light in view["lights"]] == list(b.mix.names)
    weights = [light["weight_rgb"] for light in view["lights"]]
    assert np.allclose(weights, b.mix.only(b.mix.names).weights_rgb(b.camera.shutter_s), rtol=1e-5)
    assert {"dial", "number", "colour", "muted", "power_stops"} <= set(view["lights"][0])
