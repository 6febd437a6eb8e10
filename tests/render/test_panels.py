"""Panels and fronts as the renderer holds them: what they send back, and which shadow they cast when rolled."""

from __future__ import annotations

import numpy as np
import pytest

from sim.light.readings import Probe, ProbeId
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

# A black room, a small lamp above a mark that the sitter has left, nothing else.
SCENE = """
halfstop: 1
title: Panels
room: {size: {width: 8 m, height: 4 m, length: 8 m}, front: 4 m, walls: 0, ceiling: 0, floor: 0}
camera: {place: {at: [3 m, 1 m, 3.5 m]}, focal_length: 50 mm, aperture: f/8, shutter: 1/100 s}
sitter: {figure: simple, step: [3.6 m, -3.6 m]}
lights:
  lamp: {source: {kind: flash, energy: 100 W·s}, modifier: {kind: bare, bulb_diameter: 1 cm},
         place: {at: [0 m, 2 m, 2 m]}, stand: none}
"""
PANEL = """panels:
  board: {KIND, size: {width: 20 cm, height: 20 cm}, place: {at: [0 m, 2 m, -1 m]}, aim: {at: [0 m, 2 m, 2 m]}}
"""


def _lux(text: str, probes: list[Probe], depth: int) -> list[float]:
    """Light of the lamp at each probe (lx s of one firing)."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    stage = build(scene_from_text(text))
    found = read_probes(stage, probes, depth=depth, target_stderr_stops=0.005)
    return [float(value[0].mean()) for value in found.values]


def _flat(name: str, at: list[float], toward: list[float]) -> Probe:
    return Probe(ProbeId("flat", name), "flat", np.array(at), np.array(toward))


def _shares(text: str, shares: tuple[str, ...]) -> list[float]:
    """What a spot meter finds sent back by the middle of a board or box said to be of these reflectances.

    A Lambertian surface of reflectance r under E lx s has the luminance r E / pi: as Lambert's law has it.
    """
    (falls_lx_s,) = _lux(SCENE, [_flat("on the board", [0, 2, -0.99], [0, 0, 1])], 0)
    spot = Probe(ProbeId("spot", "board"), "spot", np.array([0, 2, 0.5]), np.array([0, 0, -1.0]))
    return [_lux(text.replace("SHARE", share), [spot], 1)[0] * np.pi / falls_lx_s for share in shares]


def test_a_board_sends_back_the_share_it_is_said_to(engine: None) -> None:
    found = _shares(SCENE + PANEL.replace("KIND", "kind: reflector, reflectance: SHARE"), ("0.4", "0.8"))
    # From 1 cm before the board the lamp, 3 m off, gives 0.7 % more.
    assert found == pytest.approx([0.4, 0.8], rel=0.015)
    assert found[0] == pytest.approx(found[1] / 2, rel=1e-3)


def test_the_surfaces_of_other_boards_follow_their_share() -> None:
    for words in ("kind: flag", "kind: v-flat, surface: black", "kind: reflector, surface: gold"):
        layout = layout_from_scene(scene_from_text(SCENE + PANEL.replace("KIND", f"{words}, reflectance: 0.4")))
        assert {panel.reflectance for panel in layout.panels} == {0.4}


def test_metal_keeps_its_tint_at_another_reflectance(engine: None) -> None:
    from sim.render.stage.set_surfaces import METAL_RGB, bsdf_from_panel

    tint = np.array(bsdf_from_panel("gold", reflectance=0.3)["front"]["specular_reflectance"]["value"])
    # Luminance weights of ITU-R BT.709.
    assert tint @ [0.2126, 0.7152, 0.0722] == pytest.approx(0.3, rel=1e-3)
    np.testing.assert_allclose(tint / tint[0], np.array(METAL_RGB["gold"]) / METAL_RGB["gold"][0])
    assert max(bsdf_from_panel("gold", reflectance=0.95)["front"]["specular_reflectance"]["value"]) <= 0.98


def test_a_rolled_flag_casts_the_other_shadow(engine: None) -> None:
    """A flag of 60 x 180 cm half-way to a lamp 2 m off shades 1.2 x 3.6 m (similar triangles), rolled 3.6 x 1.2 m."""
    flag = (
        "panels:\n  flag: {kind: flag, roll: ROLL, size: {width: 60 cm, height: 1.8 m}, "
        "place: {at: [0 m, 2 m, 1 m]}, aim: {at: [0 m, 2 m, 2 m]}}\n"
    )
    aside = [_flat("aside", [x, 2, 0], [0, 0, 1]) for x in (0.55, 0.65, 1.7, 1.9)]
    above = [_flat("above", [0, 2 + y, 0], [0, 0, 1]) for y in (0.55, 0.65, 1.7, 1.9)]

    def lit(roll: str) -> list[bool]:
        return [value > 0 for value in _lux(SCENE + flag.replace("ROLL", roll), aside + above, 0)]

    assert lit("0°") == [False, True, True, True, False, False, False, True]
    assert lit("90°") == [False, False, False, True, False, True, True, True]


def test_a_roll_is_clockwise_for_an_eye_at_the_aim() -> None:
    board = PANEL.replace("KIND", "kind: reflector, roll: 30°")
    layout = layout_from_scene(scene_from_text(SCENE + board))
    # Seen from the aim, on the camera side, camera right (+x) is to the right.
    top = layout.panels[0].world_from_panel[:3, 1]
    np.testing.assert_allclose(top, [np.sin(np.pi / 6), np.cos(np.pi / 6), 0], atol=1e-12)


def test_the_front_of_a_box_sends_back_the_share_it_is_said_to(engine: None) -> None:
    box = SCENE + (
        "  box: {source: {kind: flash, energy: 100 W·s}, modifier: {kind: softbox, width: 20 cm, height: 20 cm, "
        "front_reflectance: SHARE}, place: {at: [0 m, 2 m, -1 m]}, aim: {at: [0 m, 2 m, 2 m]}, stand: none}\n"
    )
    assert _shares(box, ("0", "0.6")) == pytest.approx([0, 0.6], rel=0.015, abs=1e-6)


def test_octabox_and_strip_take_a_front_too_and_other_fronts_are_as_usual() -> None:
    def front(modifier: str) -> float:
        return (
            layout_from_scene(scene_from_text(SCENE.replace("{kind: bare, bulb_diameter: 1 cm}", modifier)))
            .lights[0]
            .rig.emitters[0]
            .reflectance
        )

    assert front("{kind: octabox, diameter: 1 m, front_reflectance: 0.2}") == 0.2
    assert front("{kind: strip, width: 20 cm, height: 1 m, front_reflectance: 0.3}") == 0.3
    assert front("{kind: octabox, diameter: 1 m}") == 0.5
    assert front("{kind: reflector}") == 0.1
