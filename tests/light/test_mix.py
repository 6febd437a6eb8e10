"""The mix: what turns a traced layer into its light on the sensor, by hand."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest

from sim.light.mix import Mix, mix_from_scene
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

SCENE = """\
halfstop: 1
title: Invented demo data
room: {size: {width: 6 m, height: 3 m, length: 8 m}}
camera: {place: {at: [0 m, 1.4 m, 3 m]}, focal_length: 85 mm, aperture: f/8, shutter: 1/50 s, white_balance: 5600 K}
sitter: {}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    power: -1.5 stops
    place: {bearing: -45°, distance: 2 m, height: 2 m}
    color: "#ffffff"
    gels: [{nd: 1 stop}, {color: "#ff0000", transmission: 0.5}]
  lamp:
    source: {kind: continuous, flux: 8000 lm}
    power: 1/8
    mute: true
    place: {bearing: 45°, distance: 2 m, height: 2 m}
    color: "#00ff00"
ambient:
  - {kind: uniform, name: sky, illuminance: 20 lx, color: "#0000ff"}
  - {kind: window, name: pane, illuminance: 300 lx, size: {width: 1 m, height: 1 m},
     place: {at: [-2 m, 1.5 m, 0 m]}, color: "#ffffff"}
"""
# Layers of four lights, flash and not, one muted; dials of whole stops, so that all products are exact.
MIX = Mix(
    names=("key", "lamp", "rim", "sky"),
    dial_stops=(-1.0, -3.0, -2.0, 0.0),
    color_rgb=np.array([[1.0, 1.0, 1.0], [2.0, 0.5, 0.25], [0.5, 1.0, 2.0], [1.0, 2.0, 4.0]]),
    muted=(False, False, True, False),
    is_flash=(True, False, True, False),
)


def test_a_weight_is_dial_times_colour_times_the_time_of_what_is_not_flash() -> None:
    # One stop is a factor of two [ASAPH2.12:1961]; a flash is over before the shutter closes; muted is nothing.
    expected = [
        [1 / 2, 1 / 2, 1 / 2],
        [2 / 8 / 64, 0.5 / 8 / 64, 0.25 / 8 / 64],
        [0, 0, 0],
        [1 / 64, 2 / 64, 4 / 64],
    ]
    assert MIX.weights_rgb(1 / 64).tolist() == expected
    longer = MIX.weights_rgb(1 / 32) / np.where(MIX.weights_rgb(1 / 64) > 0, MIX.weights_rgb(1 / 64), 1)
    assert longer.tolist() == [[1] * 3, [2] * 3, [0] * 3, [2] * 3]


def test_a_light_alone_is_heard_even_if_it_was_muted() -> None:
    alone = MIX.only(["rim"])
    assert alone.muted == (True, True, False, True)
    assert alone.weights_rgb(1 / 64)[2].tolist() == [1 / 8, 1 / 4, 1 / 2]
    assert not MIX.only([]).weights_rgb(1.0).any()
    assert (alone.names, alone.dial_stops, alone.is_flash) == (MIX.names, MIX.dial_stops, MIX.is_flash)


def test_a_fade_moves_the_named_dials_alone() -> None:
    faded = MIX.faded({"lamp": 1.0, "sky": -0.5})
    assert faded.dial_stops == (-1.0, -2.0, -2.0, -0.5)
    assert MIX.dial_stops == (-1.0, -3.0, -2.0, 0.0)
    assert MIX.faded({"no such light": 3.0}).dial_stops == MIX.dial_stops


def test_a_mix_that_does_not_fit_its_lights_is_refused_and_none_can_be_changed_in_place() -> None:
    short = Mix(MIX.names, MIX.dial_stops[:-1], MIX.color_rgb, MIX.muted, MIX.is_flash)
    with pytest.raises(ValueError, match="zip"):
        short.faded({"key": 1.0})
    with pytest.raises(FrozenInstanceError):
        MIX.muted = ()  # type: ignore[misc]


def test_a_scenes_mix_holds_each_lights_dial_colour_gels_and_mute_in_layer_order(tmp_path: Path) -> None:
    scene = scene_from_text(SCENE, "scene.yaml", tmp_path)
    mix = mix_from_scene(scene, layout_from_scene(scene, tmp_path))
    # The scene's lights first, then windows, then even surrounds.
    assert mix.names == ("key", "lamp", "pane", "sky")
    assert mix.dial_stops == (-1.5, -3.0, 0.0, 0.0)
    assert mix.muted == (False, True, False, False)
    assert mix.is_flash == (True, False, False, False)
    # A lamp's colour has luminance 1 by the weights of sRGB's primaries [IEC61966-2-1:1999], of which its gels take
    # away: one stop of grey, then red at half the luminance.
    red, green, blue = 1 / 0.2126, 1 / 0.7152, 1 / 0.0722
    expected = [[0.25 * red, 0, 0], [0, green, 0], [1, 1, 1], [0, 0, blue]]
    np.testing.assert_allclose(mix.color_rgb, expected, rtol=2e-3, atol=1e-9)
