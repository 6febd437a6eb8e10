"""Painted canvas, paper, wall and picture: mean, range and pattern of their reflectance."""

from __future__ import annotations

import math
import os
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from peak_memory import grown_mb
from PIL import Image, ImageCms, ImageOps

from sim.light.readings import ProbeId
from sim.quantities.color import linear_from_srgb, luminance
from sim.quantities.errors import HalfstopError
from sim.scene.model.sitter import CanvasBackdrop, ImageBackdrop, NoBackdrop, PaperBackdrop, WallBackdrop
from sim.studio.backdrop import STOPS_AT_FULL_CONTRAST, backdrop_texture, sweep_mesh
from sim.studio.layout import layout_from_scene
from sim.studio.picture_file import read_picture
from tests.advice.checks.setups import light, scene_of, staged

HUNG = {"size": {"width": "3 m", "height": "3.4 m"}, "distance": "2 m"}


def canvas(**changes: Any) -> CanvasBackdrop:
    return CanvasBackdrop.model_validate({"kind": "canvas", **HUNG, **changes})


def stops(texture: np.ndarray) -> np.ndarray:
    return np.log2(luminance(texture))


def half_width_m(patch: str, pixels_per_m: float) -> float:
    """Lag in metres at which the autocorrelation of the mottling along x falls to one half."""
    power = np.zeros(1)
    for seed in (1, 3, 5):
        # The difference of two paintings has no dark edges, only mottling.
        pair = [backdrop_texture(canvas(patch=patch, seed=seed + i), pixels_per_m) for i in (0, 1)]
        field = stops(pair[0]) - stops(pair[1])
        field -= field.mean()
        width = field.shape[1]
        power = power + (np.abs(np.fft.rfft(field, 2 * width, axis=1)) ** 2).mean(axis=0)
    correlation = np.fft.irfft(power)[:width] / (1 - np.arange(width) / width)
    correlation /= correlation[0]
    below = int(np.argmax(correlation < 0.5))
    share = (correlation[below - 1] - 0.5) / (correlation[below - 1] - correlation[below])
    return float(below - 1 + share) / pixels_per_m


@given(
    reflectance=st.floats(0.02, 0.9),
    contrast=st.floats(0, 1),
    color=st.sampled_from(["#6b6560", "#ffffff", "#2b3d2f", "#ff0000", "#0000ff", "#000000"]),
    seed=st.integers(0, 2**31 - 1),
)
@settings(max_examples=25)
def test_mean_and_range_of_any_paint(reflectance: float, contrast: float, color: str, seed: int) -> None:
    backdrop = canvas(reflectance=reflectance, contrast=contrast, color=color, seed=seed)
    texture = backdrop_texture(backdrop, 40)
    assert texture.shape == (136, 120, 3) and texture.dtype == np.float32
    assert luminance(texture).mean() == pytest.approx(reflectance, rel=0.01)
    assert texture.min() >= np.float32(0.01) and texture.max() <= np.float32(0.9)


def test_a_reflectance_beyond_paint_is_kept_as_asked() -> None:
    for reflectance in (0.0, 0.004, 0.95):
        texture = backdrop_texture(canvas(reflectance=reflectance), 40)
        assert luminance(texture).mean() == pytest.approx(reflectance, rel=0.01)
        assert texture.max() <= 0.95 + 1e-6


@pytest.mark.parametrize("contrast", [0.0, 0.2, 0.45, 0.9])
def test_contrast_is_the_spread_in_stops(contrast: float) -> None:
    texture = backdrop_texture(canvas(contrast=contrast, seed=11), 60)
    # 2 %: values cut at the ends of the range of paints.
    assert stops(texture).std() == pytest.approx(STOPS_AT_FULL_CONTRAST * contrast, rel=0.02, abs=1e-6)


@pytest.mark.parametrize(("patch", "patch_m", "pixels_per_m"), [("15 cm", 0.15, 60), ("3 cm", 0.03, 150)])
def test_mottling_is_that_of_discs_one_patch_wide(patch: str, patch_m: float, pixels_per_m: float) -> None:
    # Closed form: two discs of diameter d share half their area at a distance of 0.404 d. The small patches
    # are laid from a swatch, the large ones painted directly; 8 % for three pairs of paintings' chance.
    assert half_width_m(patch, pixels_per_m) == pytest.approx(0.404 * patch_m, rel=0.08)


def test_small_patches_from_a_swatch_do_not_repeat() -> None:
    fine = backdrop_texture(canvas(patch="2 cm", contrast=0.3), 250)
    assert luminance(fine).mean() == pytest.approx(0.12, rel=0.01)
    assert stops(fine).std() == pytest.approx(0.3 * STOPS_AT_FULL_CONTRAST, rel=0.02)
    # No piece repeats at any shift of more than half a swatch.
    field = stops(fine) - stops(fine).mean()
    power = np.abs(np.fft.rfft2(field - field.mean(axis=0) - field.mean(axis=1, keepdims=True))) ** 2
    correlation = np.fft.irfft2(power, s=field.shape)
    assert np.abs(correlation[50:-50, 50:-50]).max() < 0.15 * correlation[0, 0]


def test_seed_decides_the_painting() -> None:
    first, same, other = (backdrop_texture(canvas(seed=seed), 60) for seed in (7, 7, 8))
    assert np.array_equal(first, same)
    middle = (slice(40, -40), slice(40, -40), 1)
    assert abs(np.corrcoef(first[middle].ravel(), other[middle].ravel())[0, 1]) < 0.35


def test_same_painting_at_any_density() -> None:
    backdrop = canvas()
    coarse, fine = backdrop_texture(backdrop, 75), backdrop_texture(backdrop, 225)
    height, width = coarse.shape[:2]
    reduced = fine[: 3 * height, : 3 * width].reshape(height, 3, width, 3, 3).mean(axis=(1, 3))
    assert np.corrcoef(stops(coarse).ravel(), stops(reduced).ravel())[0, 1] > 0.95


def test_edges_are_darker_and_opposite_edges_do_not_meet() -> None:
    tones = np.mean([stops(backdrop_texture(canvas(seed=seed), 60)) for seed in range(4)], axis=0)
    height, width = tones.shape
    amid = tones[height // 4 : -height // 4, width // 4 : -width // 4].mean()
    corner = np.mean([tones[:20, :20], tones[:20, -20:], tones[-20:, :20], tones[-20:, -20:]])
    assert 0.2 < amid - corner < 1.5
    one = stops(backdrop_texture(canvas(contrast=0.8), 60))
    neighbours = np.abs(np.diff(one, axis=1)).mean()
    assert np.abs(one[:, 0] - one[:, -1]).mean() > 2.5 * neighbours


def test_paint_drifts_warm_and_cool_about_its_hue() -> None:
    texture = backdrop_texture(canvas(color="#6b6560"), 60).astype(float)
    drift = np.log2(texture[..., 0] / texture[..., 2])
    # The hue of the paint itself: IEC 61966-2-1 linear values of #6b6560.
    hue = np.log2(((0x6B / 255 + 0.055) / 1.055) ** 2.4 / ((0x60 / 255 + 0.055) / 1.055) ** 2.4)
    assert drift.mean() == pytest.approx(hue, abs=0.05)
    assert 0.03 < drift.std() < 0.3
    plain = backdrop_texture(canvas(color="#6b6560", contrast=0), 60).astype(float)
    assert np.log2(plain[..., 0] / plain[..., 2]).std() < 1e-5


def test_dabs_leave_edges_that_noise_has_not() -> None:
    # Gradients of a Gaussian noise cloud have kurtosis 3; overlapping dabs have flats and edges.
    tones = stops(backdrop_texture(canvas(contrast=0.3), 120))
    gradient = np.diff(tones[::3, ::3], axis=0).ravel()
    gradient -= gradient.mean()
    assert (gradient**4).mean() / (gradient**2).mean() ** 2 > 4.0


def test_painting_is_quick() -> None:
    times = []
    for seed in range(4):
        start = time.process_time()
        backdrop_texture(canvas(seed=seed), 250)
        times.append(time.process_time() - start)
    # Measured 0.2 s; the margin is for slower and busier machines.
    assert min(times) < 1.2


def test_huge_backdrop_is_held_to_a_size_that_fits() -> None:
    backdrop = PaperBackdrop.model_validate(
        {"kind": "paper", "size": {"width": "20 m", "height": "10 m"}, "distance": "2 m", "bands": 0.01}
    )
    texture = backdrop_texture(backdrop, 1000)
    assert texture.shape[0] * texture.shape[1] <= 4_010_000
    assert texture.shape[1] / texture.shape[0] == pytest.approx(2, rel=0.01)


def test_paper_is_even_unless_bands_are_asked_for() -> None:
    even = {"kind": "paper", **HUNG, "reflectance": 0.5, "color": "#8090a0"}
    plain = backdrop_texture(PaperBackdrop.model_validate(even), 60)
    assert np.ptp(luminance(plain)) == 0 and luminance(plain)[0, 0] == pytest.approx(0.5, rel=1e-4)
    texture = backdrop_texture(PaperBackdrop.model_validate({**even, "bands": 0.05}), 60)
    assert luminance(texture).mean() == pytest.approx(0.5, rel=0.01)
    # Two waves of 4 and 3 parts in 7 reach at most 5 % from the mean.
    assert 0.04 < np.abs(luminance(texture) / 0.5 - 1).max() < 0.056
    assert np.ptp(texture, axis=1).max() < 1e-6


def test_wall_is_one_texel_and_nothing_has_no_surface() -> None:
    wall = backdrop_texture(WallBackdrop.model_validate({"kind": "wall", "reflectance": 0.3}), 60)
    assert wall.shape == (1, 1, 3) and luminance(wall)[0, 0] == pytest.approx(0.3, rel=1e-4)
    for backdrop in (NoBackdrop(kind="none"), WallBackdrop.model_validate({"kind": "wall"})):
        with pytest.raises(ValueError, match="no surface"):
            backdrop_texture(backdrop, 60)


# -- pictures -----------------------------------------------------------------------------------


def picture(path: Path, **changes: Any) -> ImageBackdrop:
    backdrop = ImageBackdrop.model_validate({"kind": "image", **HUNG, "file": path.name, **changes})
    return backdrop.model_copy(update={"file": str(path)})


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "P"])
def test_picture_is_decoded_as_srgb(tmp_path: Path, mode: str) -> None:
    path = tmp_path / "grey.png"
    image = Image.new("RGB", (30, 34), (118, 118, 118))
    (image.quantize(2) if mode == "P" else image.convert(mode)).save(path)
    # IEC 61966-2-1: code value 118 of 255 is a reflectance of 0.1812.
    assert backdrop_texture(picture(path), 60) == pytest.approx(0.1812, abs=0.0005)


def test_deep_picture_is_decoded_as_srgb(tmp_path: Path) -> None:
    path = tmp_path / "deep.png"
    Image.fromarray(np.full((34, 30), round(118 / 255 * 65535), np.uint16)).save(path)
    assert backdrop_texture(picture(path), 60) == pytest.approx(0.1812, abs=0.0005)


def test_exr_picture_is_linear(tmp_path: Path) -> None:
    import OpenEXR

    path = tmp_path / "linear.exr"
    pixels = np.full((34, 30, 3), (0.1, 0.2, 0.3), np.float32)
    OpenEXR.File({"type": OpenEXR.scanlineimage}, {"RGB": pixels}).write(str(path))
    texture = backdrop_texture(picture(path), 60)
    assert texture.reshape(-1, 3).mean(axis=0) == pytest.approx([0.1, 0.2, 0.3], abs=1e-3)


def test_picture_keeps_its_top_and_is_cut_about_its_middle(tmp_path: Path) -> None:
    path = tmp_path / "wide.png"
    pixels = np.zeros((340, 900, 3), np.uint8)
    pixels[:170, 300:600] = (200, 0, 0)
    pixels[170:, 300:600] = (0, 0, 200)
    Image.fromarray(pixels).save(path)
    texture = backdrop_texture(picture(path), 60)
    assert texture.shape == (204, 180, 3)
    assert texture[:90, :, 0].min() > 0.5 and texture[110:, :, 2].min() > 0.5
    assert texture[110:, :, 0].max() < 0.02


def test_picture_is_scaled_to_the_mean_asked(tmp_path: Path) -> None:
    path = tmp_path / "ramp.png"
    Image.fromarray(np.tile(np.arange(255, dtype=np.uint8), (255, 1))).save(path)
    texture = backdrop_texture(picture(path, reflectance=0.2), 60)
    assert luminance(texture).mean() == pytest.approx(0.2, rel=0.01)
    assert texture.min() < 0.005 and texture.max() <= np.float32(0.9)


@pytest.mark.parametrize(
    ("name", "content"),
    [("text.png", b"not a picture"), ("cut.png", None), ("empty.jpg", b""), ("text.exr", b"not a picture")],
)
def test_unreadable_picture_is_one_line_with_a_cure(tmp_path: Path, name: str, content: bytes | None) -> None:
    path = tmp_path / name
    if content is None:
        Image.effect_noise((64, 64), 50).save(path)
        content = path.read_bytes()[:300]
    path.write_bytes(content)
    with pytest.raises(HalfstopError) as caught:
        backdrop_texture(picture(path), 60)
    told = str(caught.value)
    assert name in told and "name a PNG, JPEG or OpenEXR" in told and "\n" not in told


def test_missing_and_black_pictures_are_told(tmp_path: Path) -> None:
    with pytest.raises(HalfstopError, match="there is no such file"):
        backdrop_texture(picture(tmp_path / "gone.png"), 60)
    Image.new("RGB", (30, 34)).save(tmp_path / "black.png")
    with pytest.raises(HalfstopError, match=r"black.*0\.2"):
        backdrop_texture(picture(tmp_path / "black.png", reflectance=0.2), 60)
    assert backdrop_texture(picture(tmp_path / "black.png"), 60).max() == 0


def _coloured(width: int, height: int) -> Image.Image:
    """Smooth tones, different in each corner."""
    small = Image.fromarray(np.array([[[200, 20, 20], [20, 200, 20]], [[20, 20, 200], [180, 180, 180]]], np.uint8))
    return small.resize((width, height), Image.Resampling.BILINEAR)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_is_turned_as_its_camera_says(tmp_path: Path, orientation: int) -> None:
    # Exif 2.32, 4.6.4, as Pillow itself applies it.
    plain, tagged = tmp_path / "plain.png", tmp_path / "tagged.png"
    # A size whose cut leaves as much on both sides, whichever way up.
    picture_file = _coloured(60, 41)
    exif = Image.Exif()
    exif[0x0112] = orientation
    picture_file.save(tagged, exif=exif)
    with Image.open(tagged) as again:
        ImageOps.exif_transpose(again).save(plain)
    expected, turned = (backdrop_texture(picture(path), 60) for path in (plain, tagged))
    assert turned.shape == expected.shape and turned == pytest.approx(expected, abs=1e-6)


def test_a_profile_is_turned_into_srgb(tmp_path: Path) -> None:
    # A linear profile with the primaries of sRGB: code 128 of 255 is a reflectance of 0.502, not 0.216.
    path = tmp_path / "linear.png"
    profile = _profile_of_grey()
    Image.new("L", (30, 34), 128).save(path, icc_profile=profile)
    assert backdrop_texture(picture(path), 60) == pytest.approx(128 / 255, abs=0.005)
    # The profile of sRGB itself changes nothing, and a damaged one neither.
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for data in (srgb, b"no profile", profile[:100]):
        Image.new("RGB", (30, 34), (118, 118, 118)).save(path, icc_profile=data)
        assert backdrop_texture(picture(path), 60) == pytest.approx(0.1812, abs=0.002)


@pytest.mark.parametrize("gamma", [1.0, 1.75, 2.25])
def test_a_profile_of_16_bit_grey_is_honoured_to_the_last_shadow(tmp_path: Path, gamma: float) -> None:
    # The grey tone curve takes a code to light [ICC1:2004]; these exponents are exact in its fixed-point form.
    path = tmp_path / "deep.png"
    pixels = np.repeat(np.linspace(600, 65535, 34).astype(np.uint16)[:, None], 30, 1)
    Image.fromarray(pixels).save(path, icc_profile=_profile_of_grey(gamma))
    expected = (pixels[:, 0] / 65535) ** gamma
    read = read_picture(path, 3.0, 3.4)
    assert read.shape == (34, 30, 3) and read == pytest.approx(np.tile(expected[:, None, None], (1, 30, 3)), abs=2e-5)
    # A profile of colours does not fit grey, and a damaged one is none.
    colours = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for data in (None, colours, b"no profile", _profile_of_grey(gamma)[:100]):
        Image.fromarray(pixels).save(path, icc_profile=data)
        assert read_picture(path, 3.0, 3.4)[:, 0, 1] == pytest.approx(linear_from_srgb(pixels[:, 0] / 65535), abs=1e-5)


def _profile_of_grey(gamma: float = 1.0) -> bytes:
    """A grey display profile: header, media white, grey tone curve [ICC1:2004]."""
    curve = struct.pack(">4s4xIH2x", b"curv", 1, round(gamma * 256))
    tags = {b"wtpt": struct.pack(">4s4x3i", b"XYZ ", 63190, 65536, 54061), b"kTRC": curve}
    at, table, body = 128 + 4 + 12 * len(tags), b"", b""
    for name, data in tags.items():
        table += struct.pack(">4sII", name, at + len(body), len(data))
        body += data
    size = at + len(body)
    header = struct.pack(">I4xI4s4s4s12x4s28x3i48x", size, 0x02200000, b"mntr", b"GRAY", b"XYZ ", b"acsp",
                         63190, 65536, 54061)  # fmt: skip
    return header[:128].ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def test_a_large_picture_keeps_its_mean_light(tmp_path: Path) -> None:
    # Pixels of black and white in turn: half the light, not the light of the middle code value.
    path = tmp_path / "fine.png"
    pixels = np.zeros((3400, 3000), np.uint8)
    pixels[::2, ::2] = pixels[1::2, 1::2] = 255
    Image.fromarray(pixels).save(path)
    texture = backdrop_texture(picture(path), 60)
    assert texture.shape == (204, 180, 3)
    assert texture == pytest.approx(0.5, abs=0.01)


def test_damaged_exr_says_one_line_and_nothing_else(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    import OpenEXR

    good, bad = tmp_path / "good.exr", tmp_path / "bad.exr"
    pixels = np.random.default_rng(1).random((34, 30, 3), dtype=np.float32)
    OpenEXR.File({"type": OpenEXR.scanlineimage, "compression": OpenEXR.ZIP_COMPRESSION}, {"RGB": pixels}).write(
        str(good)
    )
    data = good.read_bytes()
    # Ends in its pixels, in its header, and with places of its blocks that lead nowhere.
    table = data.index(b"\0\0", data.index(b"screenWindowWidth")) + 1
    for damaged in (data[: len(data) // 2], data[:60], data[:table] + b"\x7f" * 40 + data[table + 40 :]):
        bad.write_bytes(damaged)
        with pytest.raises(HalfstopError) as caught:
            read_picture(bad, 3.0, 3.4)
        assert "\n" not in str(caught.value)
    # What compiled code of another kind, or of another time, says is heard again.
    os.write(2, b"heard")
    assert capfd.readouterr() == ("", "heard")


def test_exr_window_may_lie_anywhere(tmp_path: Path) -> None:
    import OpenEXR

    path = tmp_path / "offset.exr"
    pixels = np.zeros((34, 30, 3), np.float32)
    pixels[:17] = 0.6
    window = (np.array([-5, -9], np.int32), np.array([24, 24], np.int32))
    header = {"type": OpenEXR.scanlineimage, "dataWindow": window}
    OpenEXR.File(header, {"RGB": pixels}).write(str(path))
    texture = backdrop_texture(picture(path), 60)
    assert texture[:16] == pytest.approx(0.6) and texture[18:] == pytest.approx(0.0)


def _photo(path: Path) -> None:
    """31 megapixels, progressive, with a profile and on its side."""
    exif = Image.Exif()
    exif[0x0112] = 6
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    _coloured(6800, 4560).save(path, quality=80, progressive=True, exif=exif, icc_profile=srgb)


def _largest_photo(path: Path) -> None:
    _coloured(8000, 8000).save(path, quality=60, progressive=True, subsampling=0)


def _largest_png(path: Path) -> None:
    _coloured(8000, 8000).convert("RGBA").save(path, compress_level=1)


def _exr(path: Path) -> None:
    """100 megapixels of half floats."""
    import OpenEXR

    rgb = np.full((8000, 12500, 3), 0.25, np.float16)
    OpenEXR.File({"type": OpenEXR.scanlineimage, "compression": OpenEXR.ZIP_COMPRESSION}, {"RGB": rgb}).write(str(path))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "write"),
    [("photo.jpg", _photo), ("largest.jpg", _largest_photo), ("largest.png", _largest_png), ("large.exr", _exr)],
)
def test_large_pictures_take_little_memory(tmp_path: Path, name: str, write: Callable[[Path], None]) -> None:
    # Required: at most 600 MB, whatever the file holds.
    write(tmp_path / name)
    imports = "import OpenEXR; from sim.scene.model.sitter import ImageBackdrop; from sim.studio import backdrop"
    work = (
        "hung = {'kind': 'image', 'size': {'width': '3 m', 'height': '3.4 m'}, 'distance': '2 m', 'file': 'a.png'}\n"
        "own = ImageBackdrop.model_validate(hung).model_copy(update={'file': sys.argv[1]})\n"
        "assert backdrop.backdrop_texture(own, 250).shape == (850, 750, 3)"
    )
    grown = grown_mb(imports, work, str(tmp_path / name))
    print(f"{name}: {(tmp_path / name).stat().st_size / 1e6:.0f} MB, memory {grown:.0f} MB")
    assert grown < 600


@pytest.mark.parametrize("name", ["odd.png", "odd.jpg", "odd.exr"])
def test_a_picture_that_is_a_pipe_or_of_absurd_size_is_told_at_once(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    os.mkfifo(path)
    with pytest.raises(HalfstopError, match="this is a pipe"):
        backdrop_texture(picture(path), 60)
    path.unlink()
    with path.open("wb") as stream:
        stream.truncate(3 << 30)
    with pytest.raises(HalfstopError, match="3221225472 bytes"):
        backdrop_texture(picture(path), 60)


def test_pictures_of_too_many_pixels_are_refused_before_they_are_decoded(tmp_path: Path) -> None:
    for side in (9000, 12_000, 40_000):
        # Only the header counts: a PNG that announces side x side.
        header = struct.pack(">II5B", side, side, 8, 2, 0, 0, 0)
        chunk = struct.pack(">I", 13) + b"IHDR" + header + struct.pack(">I", zlib.crc32(b"IHDR" + header))
        (tmp_path / "huge.png").write_bytes(b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IDAT" + b"\0" * 8)
        with pytest.raises(HalfstopError, match="over 64 million pixels"):
            backdrop_texture(picture(tmp_path / "huge.png"), 60)


# -- the sweep ----------------------------------------------------------------------------------


def test_sweep_has_the_area_of_two_sheets_and_a_quarter_cylinder() -> None:
    width, height, run, radius = 2.72, 3.0, 4.0, 0.6
    points, triangles, uv = sweep_mesh(width, height, run_m=run, radius_m=radius, steps=64)
    a, b, c = (points[triangles[:, i]] for i in range(3))
    normals = np.cross(b - a, c - a)
    area = np.linalg.norm(normals, axis=1).sum() / 2
    # Closed form; 64 chords of a quarter circle fall short by 2.5e-5 of the arc.
    assert area == pytest.approx(width * (height - radius + np.pi * radius / 2 + run - radius), rel=1e-4)
    assert (normals[:, 1] >= -1e-12).all() and (normals[:, 2] >= -1e-12).all()
    assert np.ptp(points, axis=0) == pytest.approx([width, height, run])
    assert points[:, 1].min() == pytest.approx(0) and uv.min() == 0 and uv.max() == 1
    # Paper keeps its scale around the bend: texture coordinates follow the length of the sheet.
    edge = np.linalg.norm(np.diff(points[::2], axis=0), axis=1)
    assert -np.diff(uv[::2, 1]) == pytest.approx(edge / edge.sum())


def test_sweep_bend_is_cut_to_the_sheet() -> None:
    points, triangles, _ = sweep_mesh(1.0, 0.4, run_m=2.0, radius_m=5.0)
    assert points[:, 1].max() == pytest.approx(0.4) and points[:, 2].max() == pytest.approx(2.0)
    assert len(np.unique(triangles)) == len(points)


def test_points_of_a_paper_sweep_lie_on_its_lit_side() -> None:
    """Every point of the backdrop lies on the sheet that is drawn, its normal square to it."""
    scene = scene_of({"key": light(0, 30)}, backdrop={"kind": "paper", "size": {"width": "2.7 m", "height": "2.8 m"},
                                                      "distance": "1.8 m"})  # fmt: skip
    layout = layout_from_scene(scene)
    points, triangles, _ = sweep_mesh(2.7, 2.8, run_m=2.6, steps=400)
    sheet = trimesh.Trimesh(points + [0, 0, -1.8], triangles, process=False)
    names = [name for name in layout.anchors_m if name.startswith("backdrop")]
    assert layout.anchors_m["backdrop bottom left"][2] > -1.69
    for name in names:
        _, distance_m, triangle = trimesh.proximity.closest_point_naive(sheet, [layout.anchors_m[name]])
        assert distance_m[0] < 1e-5
        assert layout.anchor_normals[name] @ sheet.face_normals[triangle[0]] > 0.9999


def test_a_meter_at_the_foot_of_a_paper_sweep_agrees_with_the_spot(engine: object) -> None:
    """A matt sheet sends back E rho / pi: the dome's place sees the light that the spot sees come back."""
    from sim.metering.points import probe_at
    from sim.render.transport.probe import read_probes

    key = light(0, 0, 3.0, modifier={"kind": "bare"}, place={"at": ["2 m", "2 m", "2 m"]})
    scene = scene_of({"key": key}, backdrop={"kind": "paper", "size": {"width": "2.7 m", "height": "2.8 m"},
                                             "distance": "1.8 m", "reflectance": 0.4})  # fmt: skip
    stage = staged(scene)
    corner = stage.layout.anchors_m["backdrop bottom right"]
    outward = corner + stage.layout.anchor_normals["backdrop bottom right"]
    probes = [probe_at(stage.layout, ProbeId("flat", "backdrop bottom right"), outward),
              probe_at(stage.layout, ProbeId("spot", "backdrop bottom right"), outward)]  # fmt: skip
    read = read_probes(stage, probes, depth=2, most_rays=1 << 14)
    lit, back = read.values[:, 0, 1]
    assert lit > 0 and back == pytest.approx(0.4 * lit / math.pi, rel=0.05)
