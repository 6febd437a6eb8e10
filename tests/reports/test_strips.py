"""Strips: each frame is the mix it says, the animation is slow and complete."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from sim.light.develop import develop
from sim.light.mix import Mix
from sim.light.stack import LightStack, no_excess
from sim.reports import strips
from sim.scene.read import scene_from_text

CAMERA = scene_from_text("""\
halfstop: 1
title: Strip
room: {size: {width: 5 m, height: 3 m, length: 7 m}}
camera: {place: {bearing: 0°, distance: 3 m, height: 1.5 m}, focal_length: 85 mm, aperture: f/8, shutter: 1/125 s}
lights:
  key:
    source: {kind: flash, energy: 300 W·s}
    place: {bearing: -45°, distance: 1.6 m, height: 2.2 m}
""").camera
NAMES = ("key", "fill", "rim")


def made() -> tuple[LightStack, Mix]:
    rng = np.random.default_rng(6)
    slope = np.linspace(0.2, 3, 60)[:, None, None] * rng.uniform(0.4, 1, (3, 1, 40, 1)).cumsum(axis=2) / 20
    pixels = np.repeat(slope, 3, axis=3).astype(np.float32)
    stack = LightStack(
        names=NAMES, is_flash=(True,) * 3, pixels=pixels, variance=np.zeros((3, 60, 40), np.float32),
        albedo=np.zeros((60, 40, 3), np.float32), normal=np.zeros((60, 40, 3), np.float32),
        distance_m=np.ones((60, 40), np.float32), region=np.zeros((60, 40), np.uint8), region_names=("nothing",),
        samples=4, seed=0, depth=5, engine="invented", part_excess=no_excess(3, 1),
    )  # fmt: skip
    return stack, Mix(NAMES, (0.0, -1.0, -2.0), np.ones((3, 3)), (False,) * 3, (True,) * 3)


def test_the_build_up_ends_with_all_lights() -> None:
    stack, mix = made()
    frames = strips.build_up(stack, mix, CAMERA, ["rim", "key", "fill"])
    assert [f.caption for f in frames] == ["1. rim", "2. + key", "3. + fill"]
    assert np.array_equal(frames[0].picture, develop(stack, mix.only(["rim"]), CAMERA))
    assert np.array_equal(frames[-1].picture, develop(stack, mix, CAMERA))


def test_leaving_one_out_leaves_the_others() -> None:
    stack, mix = made()
    frames = strips.leave_one_out(stack, mix, CAMERA, NAMES)
    assert [f.caption for f in frames] == ["all lights", *(f"without {n}" for n in NAMES)]
    assert np.array_equal(frames[2].picture, develop(stack, mix.only(["key", "rim"]), CAMERA))
    # Light adds: no pixel gets lighter when a light is taken away.
    assert all((f.picture <= frames[0].picture).all() for f in frames)


def test_the_strip_holds_every_frame_at_its_place() -> None:
    stack, mix = made()
    frames = strips.build_up(stack, mix, CAMERA, NAMES)
    sheet = np.asarray(strips.strip_image(frames, 60))
    for index, frame in enumerate(frames):
        left = strips.GAP_PX + index * (40 + strips.GAP_PX)
        assert np.array_equal(sheet[strips.GAP_PX : strips.GAP_PX + 60, left : left + 40], frame.picture)
    assert sheet[strips.GAP_PX + 62 :].max() > 200  # captions


def test_a_single_frame_is_a_still() -> None:
    stack, mix = made()
    with Image.open(io.BytesIO(strips.animated_webp(strips.build_up(stack, mix, CAMERA, ["key"]), 60))) as image:
        assert image.n_frames == 1


def test_the_animation_shows_each_frame_long_enough() -> None:
    stack, mix = made()
    frames = strips.build_up(stack, mix, CAMERA, NAMES)
    with Image.open(io.BytesIO(strips.animated_webp(frames, 60))) as image:
        lasting, seen = [], []
        for index in range(image.n_frames):
            image.seek(index)
            seen.append(np.asarray(image.convert("RGB")).astype(int)[:60])
            lasting.append(image.info["duration"])
        assert image.info.get("loop", 0) == 0
    assert len(seen) == 3 * strips.FADE_FRAMES
    held = seen[:: strips.FADE_FRAMES]
    for frame, picture in zip(frames, held, strict=True):
        assert np.abs(picture - frame.picture).mean() < 4  # WebP at quality 80
    # No more than three flashes a second (WCAG 2.2, 2.3.1): a frame and its fade last well over a third of a second.
    assert sum(lasting) / 3 > 1000
