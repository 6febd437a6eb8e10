"""Frames: half precision keeps a layer, bytes read back elsewhere, a pixel's distance gives its place."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest

from sim.room.preview.frame import HIGHEST, PreviewFrame, frame_from_layers, half_precision
from sim.room.preview.upsample import Enlarger, Guides, repeated
from sim.studio.layout import CameraView

# IEEE 754-2019, binary16: 11 significant bits, so that rounding is off by at most half of the last one.
HALF_ULP = 2.0**-11
NAMES = ("key", "fill")


def camera(position_m: tuple[float, float, float] = (0.5, 1.4, 3.5)) -> CameraView:
    aim_m = np.array([0.0, 1.2, 0.0])
    return CameraView(np.array(position_m), aim_m, 28.0, 2 / 3, aim_m, 3.5, 0.004)


def frame(view: np.ndarray, raw: np.ndarray | None = None) -> PreviewFrame:
    height, width = view.shape[1:3]
    raw = view if raw is None else raw
    return frame_from_layers(
        serial=4, revision=9, pass_name="settled", names=NAMES, is_flash=(True, False),
        view=dict(zip(NAMES, view, strict=True)), raw=dict(zip(NAMES, raw, strict=True)),
        part=np.arange(height * width, dtype=np.uint8).reshape(height, width), part_names=("nothing", "face"),
        distance_m=np.linspace(1, 6, height * width, dtype=np.float32).reshape(height, width), camera=camera(),
        samples=(8, 8), fresh=NAMES,
    )  # fmt: skip


@pytest.mark.parametrize("highest", [1e-9, 0.37, 3.0, 65504.0, 4e9])
def test_half_precision_keeps_every_value_of_a_layer_to_its_last_bit(highest: float) -> None:
    # From the brightest down to 2**-25 of it, 25 stops: above that binary16 has all of its bits.
    layer = (highest * np.exp2(-np.linspace(0, 25, 600))).astype(np.float32).reshape(10, 20, 3)
    stored, scale = half_precision(layer)
    assert stored.dtype == np.float16 and np.isfinite(stored).all() and float(stored.max()) <= HIGHEST
    back = stored.astype(np.float64) * scale
    assert np.abs(back / layer - 1).max() <= HALF_ULP * (1 + 1e-6)
    assert np.log2(scale) == round(np.log2(scale))


def test_one_stray_bright_pixel_leaves_the_others_their_precision() -> None:
    layer = np.full((4, 4, 3), 0.02, np.float32)
    layer[1, 2] = 2e4
    stored, scale = half_precision(layer)
    assert abs(float(stored[0, 0, 0]) * scale / 0.02 - 1) <= HALF_ULP
    assert abs(float(stored[1, 2, 0]) * scale / 2e4 - 1) <= HALF_ULP


def test_what_is_no_light_is_stored_as_none() -> None:
    stored, scale = half_precision(np.array([[[np.nan, np.inf, -1.0], [0.0, -np.inf, 2.0]]], np.float32))
    assert (stored.astype(float) * scale).tolist() == [[[0, 0, 0], [0, 0, 2.0]]]
    nothing, one = half_precision(np.zeros((2, 2, 3), np.float32))
    assert one == 1.0 and not nothing.any()


def test_the_bytes_are_what_the_standard_library_reads_as_little_endian_halves() -> None:
    rng = np.random.default_rng(3)
    view = rng.uniform(0, 5, (2, 3, 2, 3)).astype(np.float32)
    made = frame(view, raw=2 * view)
    for kind, scales, want in (("view", made.view_scale, view), ("raw", made.raw_scale, 2 * view)):
        for index, name in enumerate(NAMES):
            told = struct.unpack("<18e", made.layer_bytes(name, kind))
            assert np.allclose(np.array(told) * scales[index], want[index].ravel(), rtol=HALF_ULP * 1.001)
            assert np.allclose(made.layer(name, kind), want[index], rtol=HALF_ULP * 1.001)
    assert struct.unpack("<6f", made.distance_bytes()) == tuple(np.linspace(1, 6, 6, dtype=np.float32).tolist())
    assert list(made.part_bytes()) == [0, 1, 2, 3, 4, 5] and made.size == (2, 3)


def test_a_pixels_place_lies_on_the_ray_that_the_renderers_camera_sends(engine: object) -> None:
    # The renderer's own sensor is the reference: a ray through the middle of the lens and of the pixel.
    import mitsuba as mi

    from sim.render.stage.build import _sensor

    view = camera()
    made = frame(np.ones((2, 6, 4, 3), np.float32))
    sensor = _sensor(view, made.size)
    for row in range(6):
        for column in range(4):
            ray, _ = sensor.sample_ray(0, 0, mi.Point2f((column + 0.5) / 4, (row + 0.5) / 6), mi.Point2f(0.5, 0.5))
            along = np.array([axis[0] for axis in ray.d])
            want = np.array([axis[0] for axis in ray.o]) + along * float(made.distance_m[row, column])
            place = made.place_m(column, row)
            # The near plane starts the renderer's ray 1 cm in front of the lens, and so do its distances.
            assert place is not None and np.linalg.norm(place - want) < 0.012
            assert np.dot(place - view.position_m, along) / np.linalg.norm(place - view.position_m) > 1 - 1e-6


def test_a_page_finds_the_same_place_from_what_it_is_told() -> None:
    made = frame(np.ones((2, 6, 4, 3), np.float32))
    told = made.sight()
    x, y = (2 * (3 + 0.5) / 4 - 1) * told["half_width"], (1 - 2 * (1 + 0.5) / 6) * told["half_height"]
    way = np.array(told["forward"]) + x * np.array(told["right"]) + y * np.array(told["up"])
    want = np.array(told["position_m"]) + float(made.distance_m[1, 3]) * way / np.linalg.norm(way)
    assert np.allclose(want, made.place_m(3, 1), atol=1e-9)
    empty = replace(made, distance_m=np.zeros_like(made.distance_m))
    assert empty.place_m(0, 0) is None


def guides(height: int, width: int, split: int, albedo: tuple[float, float]) -> Guides:
    """A wall in two halves that face different ways and reflect differently."""
    left = np.arange(width) < split
    tone = np.where(left, *albedo)
    normal = np.where(left[:, None], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    return Guides(
        np.broadcast_to(tone[None, :, None], (height, width, 3)).astype(np.float32),
        np.broadcast_to(normal[None], (height, width, 3)).astype(np.float32),
        np.broadcast_to(np.where(left, 2.0, 3.0)[None], (height, width)).astype(np.float32),
        np.zeros((height, width), np.uint8),
    )


@pytest.mark.parametrize(("height", "width"), [(12, 16), (13, 17)])
def test_an_enlarged_layer_keeps_the_edge_between_two_surfaces(height: int, width: int) -> None:
    # The edge runs through the middle of a coarse pixel: plain enlarging would smear it over three pixels.
    fine = guides(height, width, 7, (0.5, 0.5))
    coarse = guides((height + 1) // 2, (width + 1) // 2, 4, (0.5, 0.5))
    lit = np.where(coarse.distance_m[..., None] < 2.5, 4.0, 1.0) * np.ones(3)
    large = Enlarger(coarse, fine).enlarged(lit.astype(np.float32))
    assert large.shape == (height, width, 3)
    assert np.abs(large[:, :7] - 4).max() < 0.01 and np.abs(large[:, 7:] - 1).max() < 0.01


def test_an_enlarged_layer_takes_the_surfaces_own_tone_at_full_size() -> None:
    # Evenly lit stripes one fine pixel wide: the coarse picture shows their mean only.
    fine = guides(8, 16, 16, (0.2, 0.2))
    stripes = np.where(np.arange(16) % 2, 0.3, 0.1)[None, :, None] * np.ones((8, 1, 3))
    coarse = guides(4, 8, 8, (0.2, 0.2))
    large = Enlarger(coarse, replace(fine, albedo=stripes.astype(np.float32))).enlarged(np.full((4, 8, 3), 2.0))
    assert large[:, 1::2].min() > 1.2 * 2.0 and large[:, ::2].max() < 0.8 * 2.0


def test_repeated_pixels_are_those_of_the_small_picture() -> None:
    small = np.arange(6.0).reshape(2, 3)
    assert repeated(small, (6, 4)).tolist() == [[0, 0, 1, 1, 2, 2]] * 2 + [[3, 3, 4, 4, 5, 5]] * 2
    assert repeated(small, (5, 3)).shape == (3, 5)
