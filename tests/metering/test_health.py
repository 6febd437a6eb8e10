"""Exposure health: limits of ISO 12232, shares by construction, and a palette that colour-blind viewers can read."""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import replace

import numpy as np
import pytest

from sim.light.mix import Mix
from sim.light.stack import LightStack, no_excess
from sim.metering import health
from sim.metering.health import (
    SATURATION_STOPS,
    band_index,
    bands,
    false_tones,
    health_from_stack,
    health_lines,
)
from sim.metering.points import FACE, PointReadings, Reading, readings_from_regions
from sim.quantities import photometry
from sim.reports.sheets.tones import false_tones_sheet, histogram_sheet
from sim.scene import model

CAMERA = model.Camera.model_validate({
    "place": {"at": ["0 m", "1.4 m", "4 m"]}, "focal_length": "85 mm", "aperture": "f/8", "shutter": "1/160 s",
})  # fmt: skip


def _stack(luminance_cd_s_m2: np.ndarray, region: np.ndarray, variance: float = 0.0) -> LightStack:
    """One flash light that gives a grey picture, in parts 1 (face) and 2 (gown)."""
    grey = np.asarray(luminance_cd_s_m2, np.float32)
    pixels = np.repeat(grey[..., None], 3, axis=-1)[None]
    blank = np.zeros_like(pixels[0])
    return LightStack(
        ("key",), (True,), pixels, np.full((1, *grey.shape), variance, np.float32), blank, blank, blank[..., 0],
        region.astype(np.uint8), ("nothing", "face", "gown"), 16, 0, 5, "test", no_excess(1, 3),
    )  # fmt: skip


def _neutral(camera) -> Mix:
    """A light that the camera's white balance turns grey."""
    from sim.quantities.color import white_balance_weights

    return Mix(("key",), (0.0,), 1 / white_balance_weights(camera.white_balance_K)[None], (False,), (True,))


def _luminance_at(stops: float, camera=CAMERA) -> float:
    """Scene luminance times time (cd s/m2) that shows so many stops over middle grey."""
    return photometry.MIDDLE_GREY * 2.0**stops / photometry.display_scale(camera.f_number, camera.iso)


def test_saturation_is_that_of_iso_12232() -> None:
    # Source: [ISO12232:2019]: middle grey at H = 10/S, saturation at H = 78/S.
    for camera in (CAMERA, CAMERA.model_copy(update={"iso": 400.0, "f_number": 2.8})):
        at_limit = 78 / camera.iso * camera.f_number**2 / photometry.LENS_FACTOR_Q
        values = np.full((2, 2), at_limit) * [[0.99, 1.01], [0.99, 0.99]]
        part = health_from_stack(_stack(values, np.ones((2, 2))), _neutral(camera), camera, None).parts["face"]
        assert part.clipped == 0.25
    assert pytest.approx(math.log2(7.8)) == SATURATION_STOPS


@pytest.mark.parametrize("range_stops", [8.0, 12.0, 14.0])
def test_black_lies_the_stated_range_below_saturation(range_stops: float) -> None:
    edge = SATURATION_STOPS - range_stops
    values = np.array([[_luminance_at(edge - 0.01), _luminance_at(edge + 0.01)]])
    found = health_from_stack(_stack(values, np.ones((1, 2))), _neutral(CAMERA), CAMERA, None, range_stops=range_stops)
    assert found.parts["face"].crushed == 0.5
    with pytest.raises(ValueError, match="1 to 20 stops"):
        health_from_stack(_stack(values, np.ones((1, 2))), _neutral(CAMERA), CAMERA, None, range_stops=0.0)


def test_shares_are_counted_by_part() -> None:
    levels = np.array([[4, 0, 0, -1], [3.5, -2, -2, -2], [-9.5, -9.5, 0, 0]], float)
    parts = np.array([[1, 1, 1, 1], [2, 2, 2, 2], [2, 2, 2, 0]])
    stack = _stack(_luminance_at(0) * 2.0**levels, parts)
    found = health_from_stack(stack, _neutral(CAMERA), CAMERA, None).parts
    assert set(found) == {"face", "gown"}
    assert (found["face"].pixels, found["face"].clipped, found["face"].crushed) == (4, 0.25, 0.0)
    assert (found["gown"].clipped, found["gown"].crushed) == (pytest.approx(1 / 7), pytest.approx(2 / 7))
    assert found["face"].median_stops == pytest.approx(0.0, abs=1e-5)
    assert sum(found["gown"].histogram) == pytest.approx(1.0)


def test_percentiles_and_histogram_are_those_of_the_levels() -> None:
    # A ramp of 101 pixels in tenths of a stop: the 5th, 50th and 95th lie five, fifty and ninety-five steps along it.
    ramp = np.linspace(-7.0, 3.0, 101)[None] - 0.001
    found = health_from_stack(_stack(_luminance_at(0) * 2.0**ramp, np.ones((1, 101))), _neutral(CAMERA), CAMERA, None)
    part = found.parts["face"]
    assert (part.low_stops, part.median_stops, part.high_stops) == (
        pytest.approx(-6.501, abs=1e-4), pytest.approx(-2.001, abs=1e-4), pytest.approx(2.499, abs=1e-4),
    )  # fmt: skip
    # Quarters of a stop from -10 to +3.5; the ends hold all beyond.
    levels = np.array([[-20, -9.9, -9.7, -0.01, 0.01, 3.2, 3.3, 9.0]])
    stack = _stack(_luminance_at(0) * 2.0**levels, np.ones(levels.shape))
    counts = np.array(health_from_stack(stack, _neutral(CAMERA), CAMERA, None).parts["face"].histogram) * 8
    assert len(counts) == 54
    assert {place: count for place, count in enumerate(counts) if count} == {0: 2, 1: 1, 39: 1, 40: 1, 52: 1, 53: 2}


def test_parts_are_told_with_their_share_and_its_doubt() -> None:
    near, beyond = SATURATION_STOPS - 0.01, SATURATION_STOPS + 1
    levels = np.array([[beyond, near, 0, 0], [-12, 0, 0, 0]], float)
    parts = np.array([[1, 1, 1, 1], [2, 2, 2, 0]])
    # A standard error that reaches the pixel near the limit and no other.
    variance = (_luminance_at(SATURATION_STOPS) * 0.01) ** 2
    found = health_from_stack(_stack(_luminance_at(0) * 2.0**levels, parts, variance), _neutral(CAMERA), CAMERA, None)
    clipped, crushed = health_lines(found, CAMERA)[:2]
    assert clipped == "Clipped: 25 % of the face (± 25)."
    assert crushed.startswith("In black: 33 % of the gown")


def test_a_whole_part_reads_as_the_mean_of_its_pixels() -> None:
    # ISO 2720: N^2 = L t S / K, with K = 12.5; ISO 12232: middle grey is the picture's 0.18. Parts out of the frame
    # are left out, and where there is no light there is no stop.
    grey = _luminance_at(0)
    stack = _stack(np.array([[grey, 3 * grey, 0, 0]]), np.array([[1, 1, 2, 2]]))
    plain = replace(_neutral(CAMERA), color_rgb=np.ones((1, 3)))
    face, gown = readings_from_regions(stack, plain, CAMERA, ["face", "gown"])
    assert (face.kind, face.id.part, face.combined.exposure) == ("part", "face", pytest.approx(2 * grey))
    assert face.combined.f_number == pytest.approx((2 * grey * CAMERA.iso / 12.5) ** 0.5)
    assert face.combined.from_grey_stops == pytest.approx(1.0) and face.combined.over_camera_stops is None
    assert gown.combined.exposure == 0 and gown.combined.from_grey_stops == -math.inf and gown.combined.share == 0
    outside = replace(stack, region=np.ones((1, 4), np.uint8))
    assert [r.id.part for r in readings_from_regions(outside, plain, CAMERA, ["gown", "face"])] == ["face"]


def test_clipping_is_judged_on_what_was_rendered_not_on_what_was_cleaned() -> None:
    stack = _stack(np.full((2, 2), _luminance_at(SATURATION_STOPS + 1)), np.ones((2, 2)))
    cleaned = stack.with_denoised(stack.pixels * np.float32(0.01))
    assert health_from_stack(cleaned, _neutral(CAMERA), CAMERA, None).parts["face"].clipped == 1.0


def test_a_record_says_what_its_numbers_count_from() -> None:
    stack = _stack(np.full((2, 2), _luminance_at(1.0)), np.ones((2, 2)))
    record = health.record_from_health(health_from_stack(stack, _neutral(CAMERA), CAMERA, _incident(11.0)))
    assert {name: value for name, value in record.items() if name != "parts"} == {
        "reference": "face", "suggested_f_number": 11.0, "change_stops": pytest.approx(-0.919, abs=0.001),
        "range_stops": 12.0, "saturation_stops": pytest.approx(math.log2(7.8)), "histogram_from_stops": -10.0,
        "histogram_step_stops": 0.25,
    }  # fmt: skip
    part = record["parts"]["face"]
    assert part["pixels"] == 4 and part["median_stops"] == pytest.approx(1.0, abs=1e-5)
    assert part["histogram"][44] + part["histogram"][43] == 1.0 and set(part) == {
        "pixels", "clipped", "clipped_doubt", "crushed", "crushed_doubt", "low_stops", "median_stops", "high_stops",
        "histogram",
    }  # fmt: skip


def test_one_clipped_channel_clips_the_pixel() -> None:
    stack = _stack(np.full((1, 2), _luminance_at(2.0)), np.ones((1, 2)))
    red = replace(_neutral(CAMERA), color_rgb=_neutral(CAMERA).color_rgb * [2.0, 1.0, 1.0])
    assert health_from_stack(stack, _neutral(CAMERA), CAMERA, None).parts["face"].clipped == 0.0
    assert health_from_stack(stack, red, CAMERA, None).parts["face"].clipped == 1.0


def test_the_doubt_covers_what_noise_does_to_the_count() -> None:
    rng = np.random.default_rng(5)
    true = _luminance_at(0) * 2.0 ** rng.uniform(2, 4, (200, 200))
    sigma = 0.03 * _luminance_at(SATURATION_STOPS)
    exact = health_from_stack(_stack(true, np.ones(true.shape)), _neutral(CAMERA), CAMERA, None).parts["face"]
    noisy = true + rng.normal(0, sigma, true.shape)
    found = health_from_stack(_stack(noisy, np.ones(true.shape), sigma**2), _neutral(CAMERA), CAMERA, None)
    part = found.parts["face"]
    assert abs(part.clipped - exact.clipped) <= part.clipped_doubt < 0.1
    assert exact.clipped_doubt == 0.0


def _incident(f_number: float) -> PointReadings:
    reading = Reading(1.0, f_number, 0.0, None, 0.01, 1.0)
    return PointReadings(FACE, "dome", {"key": reading}, reading)


def test_the_suggested_f_number_is_the_meters() -> None:
    stack = _stack(np.full((2, 2), _luminance_at(0)), np.ones((2, 2)))
    found = health_from_stack(stack, _neutral(CAMERA), CAMERA, _incident(11.0))
    assert found.suggested_f_number == 11.0
    assert found.change_stops == pytest.approx(-0.919, abs=0.001)
    assert "For the face: f/11 (close by 0.9 stops from f/8)." in health_lines(found, CAMERA)
    wide = health_from_stack(stack, _neutral(CAMERA), CAMERA, _incident(5.6), name="brow")
    assert health_lines(wide, CAMERA)[0] == "For the brow: f/5.6 (open by 1 stop from f/8)."
    near = health_from_stack(stack, _neutral(CAMERA), CAMERA, _incident(8.4))
    assert health_lines(near, CAMERA) == [
        "For the face: f/8 (as the camera is set).",
        "Clipped: nothing.",
        "In black: nothing.",
        "Sensor: saturation 3.0 stops over middle grey (ISO 12232), black 12 stops below it (assumed; your "
        "camera's may differ).",
    ]
    dark = health_from_stack(stack, _neutral(CAMERA), CAMERA, _incident(0.0))
    assert dark.suggested_f_number is None
    json.dumps(health.record_from_health(dark), allow_nan=False)


def test_every_stop_has_its_band() -> None:
    stops = np.array([-20, -6, -5, -4, -3, -2, -1, 0, 1, 2, 2.7, 3.1])
    assert band_index(np.repeat(0.18 * 2.0 ** stops[None, :, None], 3, axis=-1)).tolist() == [list(range(12))]
    edges = [band.from_stops for band in bands()]
    assert np.diff(edges[2:11]) == pytest.approx(1.0)
    assert [band.from_stops for band in bands(14.0)][1] == pytest.approx(SATURATION_STOPS - 14)


def test_neighbouring_bands_differ_for_colour_blind_viewers() -> None:
    """CIEDE2000 between every two bands; simulation of Machado, Oliveira and Fernandes 2009.

    Both from the library colour-science; about 2.3 can just be told apart (an estimate that no reading
    depends on), so 7 is plain to see, and 15 leaps to the eye.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
        from colour.blindness import matrix_cvd_Machado2009

        # The model says of itself that its tritan case is an approximation.
        blind = [matrix_cvd_Machado2009(f"{kind}anomaly", 1.0) for kind in ("Prot", "Deuter", "Trit")]
    table = np.array([[int(b.color_hex[i : i + 2], 16) / 255 for i in (1, 3, 5)] for b in bands()])
    linear = colour.cctf_decoding(table)
    first, second = np.triu_indices(len(table), 1)
    for sight in (np.eye(3), *blind):
        seen = np.clip(linear @ sight.T, 0, 1)
        lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(seen, apply_cctf_decoding=False))
        apart = colour.delta_E(lab[first], lab[second], method="CIE 2000")
        accents = np.isin(first, (7, 11)) | np.isin(second, (7, 11))
        assert apart.min() > 7 and apart[accents].min() > 15
        # One ramp: each band of it is lighter than the one before, whatever cones an eye has.
        assert (np.diff(np.delete(lab[:, 0], (7, 11))) > 3).all()
    lightness = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(table))[:, 0]
    assert (np.diff(lightness[:11]) > 3).all(), "the bands keep their order in grey"


def test_pictures_show_the_bands_and_every_part() -> None:
    levels = np.tile(np.linspace(-8, 4, 60), (40, 1))
    stack = _stack(_luminance_at(0) * 2.0**levels, np.where(levels < -2, 1, 2))
    found = health_from_stack(stack, _neutral(CAMERA), CAMERA, None)
    linear = np.repeat(0.18 * 2.0 ** levels[..., None], 3, axis=-1)
    colors = {tuple(rgb) for rgb in false_tones(linear).reshape(-1, 3).tolist()}
    assert len(colors) == 11
    sheet = np.asarray(false_tones_sheet(linear, found, "A ramp", "40 rows"))
    present = {tuple(rgb) for rgb in sheet.reshape(-1, 3).tolist()}
    assert {tuple(int(b.color_hex[i : i + 2], 16) for i in (1, 3, 5)) for b in bands()} <= present
    assert histogram_sheet(found, "A ramp", "40 rows").height > 300
