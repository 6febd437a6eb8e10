"""The finish: curve, filters, burn, crop, print sizes, files."""

from __future__ import annotations

import io
import json
import math

import numpy as np
import pytest
from PIL import Image

from sim.light.develop import SATURATION, encoded, neutral_curve
from sim.light.finish import (
    ASPECTS,
    FILM_RGB,
    FILTER_FACTORS,
    FILTERS,
    PRINTS_MM,
    Finish,
    black_and_white,
    burnt,
    channel_mix,
    crop_box,
    exif_from_camera,
    film_curve,
    filter_rgb,
    finished,
    jpeg_bytes,
    print_sizes,
    print_table_text,
    sensor_pixels,
    srgb_profile,
    tiff16_bytes,
)
from sim.quantities import color

RNG = np.random.default_rng(4)
PICTURE = RNG.uniform(0, 1.6, (60, 40, 3))


def test_the_plain_finish_is_the_developed_picture() -> None:
    assert np.array_equal(np.round(finished(PICTURE, Finish()) * 255).astype(np.uint8), encoded(PICTURE))


def test_film_curve_rises_keeps_grey_and_has_toe_and_shoulder() -> None:
    light = np.geomspace(1e-5, 10, 4000)
    shown = film_curve(light)
    assert (np.diff(shown) >= 0).all() and shown[0] >= 0 and shown[-1] == 1
    # Middle grey is sRGB 118 either way (ISO 12232).
    assert round(float(film_curve(np.array(0.18))) * 255) == 118
    stops = np.log2(light / 0.18)
    slope = np.gradient(shown, stops)
    grey = slope[np.abs(stops).argmin()]
    assert slope[np.abs(stops + 7).argmin()] < 0.3 * grey and slope[np.abs(stops - 2.8).argmin()] < grey
    assert float(film_curve(np.array(SATURATION))) == 1.0
    neutral = color.srgb_from_linear(neutral_curve(light))
    quarter = np.abs(stops + 2.5).argmin()
    assert shown[quarter] < neutral[quarter]


@pytest.mark.parametrize("name", FILTER_FACTORS)
def test_filters_cost_the_film_their_published_factor(name: str) -> None:
    # The factors of film data sheets that `sim/light/finish.py` names; half a factor's doubling is a third of a stop.
    published = {"yellow": 2.0, "orange": 4.0, "red": 8.0, "green": 4.0}
    passed = filter_rgb(name)
    assert all(0 <= t <= 0.9 + 1e-9 for t in passed)
    assert 1 / float(np.dot(FILM_RGB, passed)) == pytest.approx(published[name], rel=1e-6)


@pytest.mark.parametrize("name", FILTERS)
def test_greys_keep_their_tone_behind_every_filter(name: str) -> None:
    assert sum(channel_mix(name)) == pytest.approx(1, abs=1e-6) and min(channel_mix(name)) >= 0
    assert np.allclose(black_and_white(np.full((2, 2, 3), 0.3), name), 0.3, atol=1e-6)


def test_filters_lighten_their_own_colour_and_darken_the_opposite() -> None:
    # The rule of any filter: it lightens its own colour and darkens its complement.
    red, green, blue = (np.eye(3)[i] for i in range(3))
    tone = {name: [float(black_and_white(c, name)) for c in (red, green, blue)] for name in FILTERS}
    for name in ("yellow", "orange", "red"):
        assert tone[name][0] > tone["film"][0] and tone[name][2] < tone["film"][2]
    assert tone["green"][1] > tone["film"][1] > tone["red"][1]
    order = [tone[name][0] for name in ("film", "yellow", "orange", "red")]
    assert order == sorted(order)
    blues = [tone[name][2] for name in ("film", "yellow", "orange")]
    assert blues == sorted(blues, reverse=True)


def test_edge_burn_takes_its_stops_in_the_corners_only() -> None:
    flat = np.full((301, 201, 3), 0.5)
    out = burnt(flat, 1.5)
    corner = math.log2(out[0, 0, 0] / 0.5)
    assert corner == pytest.approx(-1.5, abs=0.01) and out[150, 100, 0] == 0.5
    assert (np.diff(out[0, :101, 0]) >= 0).all()
    assert np.allclose(out, out[::-1, ::-1])


@pytest.mark.parametrize("name", ASPECTS)
@pytest.mark.parametrize("size", [(800, 1200), (1200, 800), (1000, 1000)])
def test_crops_have_their_aspect_and_touch_two_edges(name: str, size: tuple[int, int]) -> None:
    left, top, right, bottom = crop_box(*size, ASPECTS[name])
    short, long = sorted((right - left, bottom - top))
    assert short / long == pytest.approx(ASPECTS[name], abs=0.002)
    assert right - left == size[0] or bottom - top == size[1]
    assert abs(left - (size[0] - right)) <= 1 and abs(top - (size[1] - bottom)) <= 1


def test_print_sizes_by_hand() -> None:
    sizes = {s.name: s for s in print_sizes(4000, 6000)}
    # 4000 pixels over 8 inches, the whole width: 500 per inch; 10 of 12 parts of the height are kept.
    assert sizes["8 x 10 in"].pixels_per_inch == pytest.approx(500)
    assert sizes["8 x 10 in"].kept == pytest.approx(5000 / 6000)
    # A2 is 420 x 594 mm (ISO 216): its 594 mm take 4000 * sqrt(2) pixels.
    assert sizes["A2"].pixels_per_inch == pytest.approx(4000 / (420 / 25.4), rel=1e-3)
    # One minute of arc at 1 m is 0.29 mm.
    assert sizes["A2"].sharp_from_m == pytest.approx(25.4 / sizes["A2"].pixels_per_inch / 0.29089, rel=1e-3)
    assert set(sizes) == set(PRINTS_MM) and "A1" in print_table_text(4000, 6000)
    assert sensor_pixels(0.036, 0.024, False) == (6000, 4000)


def test_tiff_holds_16_bits_the_profile_and_the_set_up() -> None:
    import tifffile

    display = finished(PICTURE, Finish(curve="film"))
    texts = {"title": "Saisonplakat – Ü", "lights": "key, fill"}
    data = tiff16_bytes(display, texts)
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages[0]
        assert page.bitspersample == 16 and page.shape == (60, 40, 3)
        assert json.loads(page.description) == texts
        profile = page.tags[34675].value  # ICC profile, TIFF tag of the ICC specification
        assert b"sRGB" in profile or b"acsp" in profile
        assert np.abs(page.asarray() / 65535 - display).max() <= 0.5 / 65535 + 1e-12
        assert page.tags["Software"].value == "halfstop"


def test_jpeg_holds_the_exposure_and_the_profile() -> None:
    texts = {"title": "Season poster"}
    data = jpeg_bytes(finished(PICTURE, Finish(bw_filter="green")), texts, exif_from_camera(8.0, 1 / 160, 100, 0.085))
    with Image.open(io.BytesIO(data)) as image:
        image.load()
        exif = image.getexif()
        block = exif.get_ifd(0x8769)
        assert json.loads(exif[0x010E]) == texts and image.info["icc_profile"]
        assert float(block[0x829D]) == 8.0 and float(block[0x829A]) == pytest.approx(1 / 160)
        assert block[0x8827] == 100 and float(block[0x920A]) == pytest.approx(85)
        grey = np.asarray(image, float)
    assert np.abs(grey[..., 0] - grey[..., 2]).max() <= 3


def test_the_finish_says_what_was_done() -> None:
    finish = Finish("film", "red", 0.7, "4:5", 0.3)
    told = finish.words()
    for word in ("film curve", "red", "0.7 stops", "4:5", "+0.3"):
        assert word in told
    assert finished(PICTURE, finish).shape == (50, 40, 3)


def test_the_profile_holds_no_time() -> None:
    # Whatever the second in which it was made: a date of its own, and the signature after it.
    assert srgb_profile()[24:40] == bytes([7, 208, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0]) + b"acsp"
