"""Paint the backdrop: a hand-painted canvas dab by dab, seamless paper, a wall or a printed picture.

A canvas is painted as on a studio floor. A broad wash comes first, then soft overlapping patches of a few
paint mixes, then scumbling with a dry brush whose bristles leave streaks. Each dab covers part of what is
below it, so shapes overlap and edges stay where the brush was lifted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from sim.quantities.color import LUMINANCE_WEIGHTS, light_rgb_from_hex
from sim.quantities.errors import HalfstopError
from sim.scene.model.sitter import Backdrop, CanvasBackdrop, ImageBackdrop, PaperBackdrop, WallBackdrop
from sim.studio.picture_file import read_picture

FloatArray = npt.NDArray[np.floating]
EdgeTone = Callable[[FloatArray], FloatArray]
LEAST_REFLECTANCE, MOST_REFLECTANCE = 0.01, 0.9
# Standard deviation, in stops, of a canvas at contrast 1: common practice, no source.
STOPS_AT_FULL_CONTRAST = 0.75
# How much darker, in standard deviations of the mottling, the corners are: common practice, no source.
EDGE_DARKENING = 1.6
MOST_PIXELS = 4_000_000
# Brush size that leaves the mottling of discs one patch wide (autocorrelation), measured on the paintings.
BRUSH_PER_PATCH = 1.47
MOST_BRUSHES = 400
# Bend of seamless paper onto the floor: common practice, no source.
SWEEP_RADIUS_M = 0.5


@dataclass(frozen=True)
class Coat:
    """One pass of the brush; lengths are in brushes, `tone` and `hue` in standard deviations.

    `times`: how often the coat covers the canvas. `streaks`: 0 a soft sponge to 1 a dry bristle brush.
    """

    length: float
    width: float
    times: float
    opacity: tuple[float, float]
    tone: float
    hue: float
    streaks: float


WASHES = (
    Coat(length=3.2, width=2.4, times=3.0, opacity=(0.25, 0.55), tone=0.8, hue=1.0, streaks=0.1),
    Coat(length=1.5, width=0.95, times=5.0, opacity=(0.25, 0.7), tone=1.3, hue=0.8, streaks=0.25),
)
BRUSHWORK = (
    Coat(length=0.85, width=0.50, times=1.6, opacity=(0.10, 0.42), tone=1.0, hue=0.7, streaks=0.5),
    Coat(length=0.34, width=0.28, times=1.0, opacity=(0.05, 0.20), tone=1.0, hue=0.5, streaks=0.15),
    Coat(length=0.60, width=0.20, times=1.2, opacity=(0.06, 0.26), tone=0.9, hue=0.5, streaks=0.8),
)


def backdrop_texture(backdrop: Backdrop, pixels_per_m: float) -> FloatArray:
    """Linear RGB reflectance of a backdrop, (height, width, 3) float32; row 0 is the upper edge.

    backdrop: canvas, paper, wall or image, with its size in metres; a wall and even paper give one texel.
    pixels_per_m: texels per metre, above 0; fewer where the backdrop would pass 4 million texels.
    The mean luminance equals the scene's reflectance; the same seed gives the same painting.
    Does not: hang the backdrop, tile, or show the weave (about 1 mm).
    """
    match backdrop:
        case CanvasBackdrop():
            return _canvas(backdrop, pixels_per_m)
        case PaperBackdrop():
            return _paper(backdrop, pixels_per_m)
        case WallBackdrop(reflectance=float(reflectance), color=color):
            return _with_mean(np.ones((1, 1, 3)) * _hue(color, reflectance), reflectance)
        case ImageBackdrop():
            return _picture(backdrop, pixels_per_m)
    raise ValueError("this backdrop has no surface of its own")


def sweep_front(height_m: float, *, radius_m: float = SWEEP_RADIUS_M) -> tuple[float, FloatArray]:
    """How far seamless paper has come forward (m) at a height above the floor, and its unit normal (3,) there.

    >>> sweep_front(2.0)[0], round(sweep_front(0.1)[0], 3), sweep_front(0.1)[1].round(3).tolist()
    (0.0, 0.2, [0.0, 0.8, 0.6])
    """
    down = min(max(1 - height_m / radius_m, 0.0), 1.0)
    level = (1 - down**2) ** 0.5
    return radius_m * (1 - level), np.array([0.0, down, level])


def sweep_mesh(
    width_m: float, height_m: float, *, run_m: float, radius_m: float = SWEEP_RADIUS_M, steps: int = 24
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Seamless paper as a curved sheet: points (n, 3), triangles (m, 3) and texture coordinates (n, 2).

    The sheet hangs in the plane z = 0 from y = height_m, bends by a quarter circle and runs along the floor
    toward +Z to z = run_m; its centre line is x = 0 and its front faces up and +Z.
    width_m, height_m, run_m: metres, above 0. radius_m: of the bend, cut to height_m and run_m.
    Texture: u from left to right, v from the far end on the floor (0) to the upper edge (1), by length.

    >>> points, triangles, uv = sweep_mesh(2.7, 3.0, run_m=3.0, radius_m=0.5)
    >>> bool(points[:, 1].min() >= 0), float(points[:, 1].max()), float(points[:, 2].max())
    (True, 3.0, 3.0)
    """
    radius = min(radius_m, height_m, run_m)
    angle = np.linspace(0.0, np.pi / 2, steps + 1)
    bend = np.column_stack([radius * (1 - np.sin(angle)), radius * (1 - np.cos(angle))])
    profile_yz = np.vstack([[height_m, 0.0], bend, [0.0, run_m]])
    # Drop the straight parts that a large bend has used up.
    kept = np.r_[True, np.linalg.norm(np.diff(profile_yz, axis=0), axis=1) > 1e-9]
    profile_yz = profile_yz[kept]
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(profile_yz, axis=0), axis=1))]
    rows = len(profile_yz)
    points = np.empty((rows, 2, 3))
    points[:, 0, 0], points[:, 1, 0] = -width_m / 2, width_m / 2
    points[:, :, 1:] = profile_yz[:, None]
    uv = np.empty((rows, 2, 2))
    uv[:, 0, 0], uv[:, 1, 0] = 0.0, 1.0
    uv[:, :, 1] = (1 - length / length[-1])[:, None]
    upper = 2 * np.arange(rows - 1)[:, None]
    triangles = np.concatenate([upper + [0, 2, 3], upper + [0, 3, 1]])
    return points.reshape(-1, 3), triangles.astype(np.uint32), uv.reshape(-1, 2)


def _canvas(backdrop: CanvasBackdrop, pixels_per_m: float) -> FloatArray:
    width_m, height_m = backdrop.size.width_m, backdrop.size.height_m
    brush_m = BRUSH_PER_PATCH * backdrop.patch_m
    size = _texels(width_m, height_m, pixels_per_m)
    rng = np.random.default_rng(backdrop.seed)

    # Paint in units of the brush, on no more texels than the brush can be told apart on.
    extent = np.array([height_m, width_m]) / brush_m
    fine = min(pixels_per_m * brush_m, 56.0)
    if np.prod(extent) <= MOST_BRUSHES:
        painting = _painting(extent, fine, rng, _edge_at)
    else:
        # Of very small patches paint a swatch, and lay pieces of it over one another.
        swatch = _painting(np.full(2, np.sqrt(MOST_BRUSHES)), fine, rng, _no_edge)
        painting = _quilt(swatch, _grid(extent, fine), rng)
        painting[..., 0] += _edge_at(_shares(painting.shape[:2]))
    painting = _resized(painting, size)

    # Read the paint as stops about the mean and a drift from warm to cool.
    tone, hue = _standardised(painting[..., 0]), _standardised(painting[..., 1])
    tone = 2.2 * np.tanh(tone / 2.2) + 0.03 * rng.standard_normal(size, np.float32)
    spread = STOPS_AT_FULL_CONTRAST * backdrop.contrast
    drift = 0.11 * spread * (hue + 0.35 * tone)
    warm_to_cool = np.array([1.0, 0.0, -1.3], np.float32)
    rgb = np.exp2(drift[..., None] * warm_to_cool) * np.float32(_hue(backdrop.color, backdrop.reflectance))
    rgb *= (np.exp2(spread * _standardised(tone)) / _luminance(rgb))[..., None]
    return _with_mean(rgb, backdrop.reflectance)


def _painting(extent: FloatArray, texels: float, rng: np.random.Generator, edge_at: EdgeTone) -> FloatArray:
    """Every coat (h, w, 2), tone and hue, on a canvas of `extent` (2,) brushes, `texels` per brush."""
    coarse = min(texels, 20.0)
    painting = np.zeros((*_grid(extent, coarse), 2), np.float32)
    painting[..., 0] = edge_at(_shares(painting.shape[:2]))
    for coat in WASHES:
        _paint(painting, coat, extent, coarse, rng, edge_at)
    painting = _resized(painting, _grid(extent, texels))
    for coat in BRUSHWORK:
        _paint(painting, coat, extent, texels, rng, edge_at)
    return painting


def _paint(
    painting: FloatArray,
    coat: Coat,
    extent: FloatArray,
    texels: float,
    rng: np.random.Generator,
    edge_at: EdgeTone,
) -> None:
    """Lay one coat over `painting` (h, w, 2), tone and hue; `texels` per brush, `extent` (2,) in brushes."""
    stamps = [_stamp(coat, texels, rng) for _ in range(20)]
    margin = coat.length / 2
    area = np.prod(extent + 2 * margin)
    count = int(np.ceil(coat.times * area / (0.6 * coat.length * coat.width)))
    at = (rng.random((count, 2)) * (extent + 2 * margin) - margin) * texels
    opacity = rng.uniform(*coat.opacity, count).astype(np.float32)
    # Mix each load of paint near one of a few mixes, as from pots.
    pots = np.array([[-1.35, -0.4], [-0.6, 0.9], [0.0, -0.9], [0.55, 0.5], [1.3, 0.1], [0.2, 1.5]])
    paint = pots[rng.integers(0, len(pots), count)] + rng.normal(0, 0.35, (count, 2))
    paint *= (coat.tone, coat.hue)
    paint[:, 0] += edge_at(at / (texels * extent))
    paint = paint.astype(np.float32)
    which = rng.integers(0, len(stamps), count)
    height, width = painting.shape[:2]
    for index in range(count):
        stamp = stamps[which[index]]
        half = stamp.shape[0] // 2
        y, x = int(at[index, 0]) - half, int(at[index, 1]) - half
        top, bottom = max(y, 0), min(y + len(stamp), height)
        left, right = max(x, 0), min(x + len(stamp), width)
        if top < bottom and left < right:
            below = painting[top:bottom, left:right]
            cover = stamp[top - y : bottom - y, left - x : right - x] * opacity[index]
            below += cover[..., None] * (paint[index] - below)


def _quilt(swatch: FloatArray, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Cover (h, w) with soft-edged pieces of `swatch`, turned and laid at random so that nothing repeats."""
    side = max(min(swatch.shape[:2]) // 2, 4)
    ramp = _smoothstep(0.0, 0.3, 0.5 - np.abs((np.arange(side) + 0.5) / side - 0.5))
    cover = np.outer(ramp, ramp).astype(np.float32)[..., None]
    step = side // 2
    padded = np.zeros((shape[0] + 2 * side, shape[1] + 2 * side, 2), np.float32)
    corners = [(y, x) for y in range(0, shape[0] + side, step) for x in range(0, shape[1] + side, step)]
    for index in rng.permutation(len(corners)):
        y, x = np.array(corners[index]) + rng.integers(0, step // 2 + 1, 2)
        v, u = rng.integers(0, np.array(swatch.shape[:2]) - side + 1)
        piece = np.rot90(swatch[v : v + side, u : u + side], int(rng.integers(4)))
        below = padded[y : y + side, x : x + side]
        height, width = below.shape[:2]
        below += cover[:height, :width] * (piece[:height, :width] - below)
    return padded[side : side + shape[0], side : side + shape[1]]


def _stamp(coat: Coat, texels: float, rng: np.random.Generator) -> FloatArray:
    """Cover (n, n), 0 to 1, of one dab at a random angle: a ragged soft patch with bristle streaks."""
    half = max(int(np.ceil(0.62 * coat.length * texels)), 1)
    y, x = np.mgrid[-half : half + 1, -half : half + 1] / texels
    turn = rng.uniform(0, np.pi)
    along = (x * np.cos(turn) + y * np.sin(turn)) / (coat.length / 2)
    across = (y * np.cos(turn) - x * np.sin(turn)) / (coat.width / 2)
    # Bend the stroke a little, as a wrist does.
    across = across + rng.normal(0, 0.25) * (along**2 - 0.3)

    # Tear the outline with a few waves around it, and let the bristles leave at different lengths.
    bearing = np.arctan2(across, along)
    waves = np.zeros_like(bearing)
    for order in range(2, 9):
        waves += rng.normal(0, 0.16 / order**0.7) * np.cos(order * bearing + rng.uniform(0, 2 * np.pi))
    bristles = rng.standard_normal(64)
    bristles = np.convolve(bristles, [0.25, 0.5, 0.25], mode="same")
    lane = np.interp(across, np.linspace(-1.3, 1.3, 64), bristles)
    radius = np.hypot(along * (1 + 0.22 * coat.streaks * lane), across) + waves
    edge = 0.55 - 0.2 * coat.streaks
    cover = _smoothstep(1.0, 1.0 - edge, radius)

    # Run dry toward the end of the stroke.
    dry = coat.streaks * np.clip(0.45 + 0.4 * along, 0, 1)
    stamp: FloatArray = (cover * np.clip(1 - dry * (0.5 + 0.75 * lane), 0, 1)).astype(np.float32)
    return stamp


def _shares(shape: tuple[int, int]) -> FloatArray:
    """Places of the texels' centres as shares of height and width, (h, w, 2)."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.stack([(y + 0.5) / shape[0], (x + 0.5) / shape[1]], -1)


def _edge_at(place: FloatArray) -> FloatArray:
    """Tone bias at places (..., 2) given as shares of height and width: 0.35 amid, falling to the corners."""
    off = 2 * np.clip(place, 0, 1) - 1
    tone: FloatArray = 0.35 - EDGE_DARKENING * (0.55 * off[..., 0] ** 4 + 0.75 * np.abs(off[..., 1]) ** 3)
    return tone


def _no_edge(place: FloatArray) -> FloatArray:
    return np.zeros(place.shape[:-1])


def _paper(backdrop: PaperBackdrop, pixels_per_m: float) -> FloatArray:
    """Even paper, with the bands of its roll where they are asked for: waves along its length, 4 to 3 in strength."""
    if backdrop.bands == 0:
        return _with_mean(np.ones((1, 1, 3)) * _hue(backdrop.color, backdrop.reflectance), backdrop.reflectance)
    size = _texels(backdrop.size.width_m, backdrop.size.height_m, pixels_per_m)
    down = np.linspace(0, backdrop.size.height_m, size[0])
    waves = 4 * np.sin(2 * np.pi * down / 1.9 + 1.0) + 3 * np.sin(2 * np.pi * down / 0.33)
    bands = 1 + backdrop.bands * waves / 7
    rgb = np.broadcast_to(bands[:, None, None], (*size, 3)) * _hue(backdrop.color, backdrop.reflectance)
    return _with_mean(rgb, backdrop.reflectance)


def _picture(backdrop: ImageBackdrop, pixels_per_m: float) -> FloatArray:
    """The user's picture, cut to the backdrop's shape about its middle and scaled to the asked mean."""
    width_m, height_m = backdrop.size.width_m, backdrop.size.height_m
    rgb = read_picture(Path(backdrop.file), width_m, height_m)
    wanted = _texels(width_m, height_m, pixels_per_m)
    if wanted[0] < rgb.shape[0]:
        rgb = _resized(rgb, wanted)
    if backdrop.reflectance is None:
        limited: FloatArray = np.clip(rgb, 0, MOST_REFLECTANCE).astype(np.float32)
        return limited
    if not _luminance(rgb).mean() > 0:
        raise HalfstopError(
            f"{backdrop.file}: the picture is black, so its mean cannot be {backdrop.reflectance:g}; "
            "leave out `reflectance` or name another picture"
        )
    return _with_mean(rgb, backdrop.reflectance, least=0.0)


def _hue(color: str, reflectance: float) -> FloatArray:
    """Linear RGB (3,) of luminance 1 and the hue asked for, paled where no paint could be so bright."""
    hue = light_rgb_from_hex(color)
    brightest = float(hue.max())
    room = MOST_REFLECTANCE / max(reflectance, 1e-6)
    if brightest > room:
        hue = 1 + (hue - 1) * max((room - 1) / (brightest - 1), 0.0)
    return hue


def _with_mean(rgb: FloatArray, mean: float, least: float = LEAST_REFLECTANCE) -> FloatArray:
    """Scale RGB (h, w, 3) to a mean luminance and keep every value a reflectance that surfaces have."""
    low, high = min(least, mean), max(MOST_REFLECTANCE, mean)
    rgb = np.asarray(rgb, np.float32)
    scale = mean / float(_luminance(rgb).mean(dtype=float))
    for _ in range(40):
        clipped: FloatArray = np.clip(rgb * np.float32(scale), low, high)
        reached = float(_luminance(clipped).mean(dtype=float))
        if abs(reached - mean) <= 0.0005 * mean or reached == 0:
            break
        scale *= mean / reached
    return clipped


def _luminance(rgb: FloatArray) -> FloatArray:
    """Luminance of linear sRGB (h, w, 3) in the array's own precision, which a large texture needs."""
    luminance: FloatArray = rgb @ np.asarray(LUMINANCE_WEIGHTS, rgb.dtype)
    return luminance


def _texels(width_m: float, height_m: float, pixels_per_m: float) -> tuple[int, int]:
    density = min(pixels_per_m, np.sqrt(MOST_PIXELS / (width_m * height_m)))
    return max(round(height_m * density), 2), max(round(width_m * density), 2)


def _grid(extent: FloatArray, texels: float) -> tuple[int, int]:
    return max(round(extent[0] * texels), 2), max(round(extent[1] * texels), 2)


def _resized(picture: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Resample (h, w, c) channel by channel with a bicubic filter."""
    planes = [
        np.asarray(Image.fromarray(np.ascontiguousarray(picture[..., c], np.float32)).resize(
            (shape[1], shape[0]), Image.Resampling.BICUBIC))
        for c in range(picture.shape[-1])
    ]  # fmt: skip
    return np.stack(planes, -1)


def _standardised(values: FloatArray) -> FloatArray:
    spread = float(values.std())
    standardised: FloatArray = (values - values.mean()) / (spread if spread > 0 else 1.0)
    return standardised


def _smoothstep(start: float, stop: float, value: FloatArray) -> FloatArray:
    share: FloatArray = np.clip((value - start) / (stop - start), 0, 1)
    return share * share * (3 - 2 * share)
