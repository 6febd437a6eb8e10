"""The library of modifiers: what its pictures show is light by the laws of optics, and every entry is good."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sim.light.stack import LightStack
from sim.quantities import color
from sim.render.cache.disk import LayerStore
from sim.room.background import library
from sim.room.background.library import (
    entries,
    entry_by_id,
    keep_png,
    kept_png,
    thumbnail_linear,
    thumbnail_png,
    thumbnail_scene,
)
from sim.studio.gear.rig import rig_from_light
from sim.studio.layout import unit

SIDE = 64


def lit(name: str, samples: int = 64) -> LightStack:
    """The stack of one modifier's picture, as traced."""
    entry = entry_by_id(name)
    assert entry is not None
    return thumbnail_linear(entry.block, side_px=SIDE, samples=samples)


def pixel_of(point_m: np.ndarray) -> tuple[int, int]:
    """Row and column that a world point is seen in: a pinhole at the camera's place."""
    depth_m = library.AIM_M[2] + library.CAMERA_DISTANCE_M - point_m[2]
    across_m = library.FRAME_M * depth_m / library.CAMERA_DISTANCE_M
    x, y = (point_m - library.AIM_M)[:2] / across_m
    return int((0.5 - y) * SIDE), int((0.5 + x) * SIDE)


def test_every_entry_is_a_light_of_its_own() -> None:
    ids = [entry.id for entry in entries()]
    assert len(set(ids)) == len(ids) >= 40
    assert {entry.group for entry in entries()} == set(library.GROUPS)
    assert len({str(entry.block) for entry in entries()}) == len(ids)
    kinds = {entry.block["kind"] for entry in entries()}
    assert kinds == {
        "bare", "reflector", "snoot", "beauty dish", "softbox", "strip", "octabox", "umbrella", "shoot-through",
        "covered umbrella", "spot",
    }  # fmt: skip
    for entry in entries():
        light = thumbnail_scene(entry.block).lights["lamp"]
        assert rig_from_light(light).output.amount > 0
        assert entry.id == "".join(c for c in entry.id if c.isascii() and (c.isalnum() or c == "-"))
    assert entry_by_id("../secret") is None


def test_a_bare_bulb_lights_the_pole_by_the_inverse_square(engine: object) -> None:
    # A sphere that glows evenly gives E = F / (4 pi d2) outside, and a matt surface L = rho E / pi: CIE S 017,
    # luminous flux and Lambert's law; both are definitions.
    stack = lit("bare-bulb")
    light = thumbnail_scene({"kind": "bare", "bulb_diameter": "6 cm"}).lights["lamp"]
    toward = unit(library._lamp_m() - library.CENTRE_M)
    pole_m = library.CENTRE_M + library.RADIUS_M * toward
    distance_m = library.LIGHT_DISTANCE_M - library.RADIUS_M
    expected = library.GREY / math.pi * rig_from_light(light).output.amount / (4 * math.pi * distance_m**2)
    row, column = pixel_of(pole_m)
    # Around the pole the cosine is flat: three pixels across stay within 2 % of it.
    seen = color.luminance(stack.pixels[0])[row - 1 : row + 2, column - 1 : column + 2].mean()
    assert seen == pytest.approx(expected, rel=0.03)


def test_the_core_of_the_shadow_ends_where_similar_triangles_say(engine: object) -> None:
    # A source of half-width s at distance D leaves a full shadow behind a ball of radius r up to r D / (s - r).
    behind_m = 0.21 / -unit(library.CENTRE_M - library._lamp_m())[2]
    reach_m = {half: library.RADIUS_M * library.LIGHT_DISTANCE_M / (half - library.RADIUS_M) for half in (0.3, 0.9)}
    assert reach_m[0.9] < behind_m < reach_m[0.3]
    darkest = {}
    for name in ("softbox-60-60-cm", "softbox-120-180-cm"):
        stack = lit(name)
        wall = color.luminance(stack.pixels[0])[stack.mask("backdrop")]
        darkest[name] = np.percentile(wall, 0.5) / np.percentile(wall, 90)
    # What is left in a full shadow comes off the ball's own back; without one, part of the source is seen everywhere.
    assert darkest["softbox-60-60-cm"] < 0.03
    assert darkest["softbox-120-180-cm"] > 0.06


def test_a_grid_keeps_the_light_inside_its_angle(engine: object) -> None:
    # Nothing leaves a grid beyond its cut-off: half of the nominal full angle around the axis.
    stack = lit("reflector-18-cm-10deg-grid", samples=16)
    light = thumbnail_scene(entry_by_id("reflector-18-cm-10deg-grid").block).lights["lamp"]
    end = rig_from_light(light).emitters[0].profile.theta_max_rad
    axis = unit(library.CENTRE_M - library._lamp_m())
    wall_z = -(5 - library.FRONT_M)
    rows, columns = np.nonzero(stack.mask("backdrop"))
    depth_m = library.AIM_M[2] + library.CAMERA_DISTANCE_M - wall_z
    scale = library.FRAME_M * depth_m / library.CAMERA_DISTANCE_M / SIDE
    x = library.AIM_M[0] + (columns + 0.5 - SIDE / 2) * scale
    y = library.AIM_M[1] - (rows + 0.5 - SIDE / 2) * scale
    away = np.stack([x, y, np.full(len(x), wall_z)], axis=1) - library._lamp_m()
    along = away @ axis
    off_axis_m = np.linalg.norm(away - along[:, None] * axis, axis=1)
    # Light from the rim of the 18 cm opening starts 9 cm nearer to the edge.
    beyond = off_axis_m > 0.09 + along * math.tan(end) + 2 * scale
    # Leave out pixels that also show the ball's rim.
    ball_row, ball_column = pixel_of(library.CENTRE_M)
    beyond &= np.hypot(rows - ball_row, columns - ball_column) > library.RADIUS_M / library.FRAME_M * SIDE + 3
    values = color.luminance(stack.pixels[0])[rows, columns]
    assert beyond.sum() > 50
    # What is left there is what the ball throws back.
    assert values[beyond].mean() < 0.01 * np.percentile(values[~beyond], 95)


def test_pictures_are_levelled_and_kept(engine: object, tmp_path: Path) -> None:
    entry = entry_by_id("octabox-90-cm")
    png = thumbnail_png(entry.block, side_px=48, samples=16)
    picture = np.asarray(Image.open(io.BytesIO(png)))
    assert picture.shape == (48, 48, 3)
    # The brightest of the sphere is brought to 0.36, which sRGB (IEC 61966-2-1) encodes as 162.
    assert abs(int(np.percentile(picture[:24, :24], 97)) - 162) <= 6
    store = LayerStore(tmp_path)
    assert kept_png(store, entry) is None and kept_png(None, entry) is None
    keep_png(store, entry, png)
    assert kept_png(store, entry) == png
    assert kept_png(store, entry_by_id("octabox-120-cm")) is None
