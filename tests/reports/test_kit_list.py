"""The kit: loads, booms and bags by hand, and every line of the packing list."""

from __future__ import annotations

import math
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from sim.reports.plan.facts import facts_from_scene
from sim.reports.plan.holding import Holding
from sim.reports.plan.kit import (
    ARM_KG,
    FABRIC,
    GRAVITY_M_S2,
    REAR_ARM_M,
    SUPPORT_FORMULAS,
    Support,
    kit_list,
    load_kg_from_light,
    support_from_load,
    supports_from_scene,
)
from sim.scene.model import Scene
from sim.scene.model.modifiers import AnyModifier
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

FLASH = "{kind: flash, energy: 400 W·s}"
HEAD = """\
halfstop: 1
title: Invented demo data
room: {size: {width: 7 m, height: 4 m, length: 10 m}}
camera: {place: {at: [0 m, 1.4 m, 4 m]}, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s}
sitter: {}
"""
SET = (
    HEAD
    + """\
backdrop: {kind: canvas, size: {width: 3 m, height: 3.4 m}, distance: 2.3 m}
lights:
  key:
    source: {kind: flash, energy: 400 W·s, modelling_lamp: 150 W}
    modifier: {kind: softbox, width: 100 cm, height: 140 cm, grid: 40°}
    place: {bearing: -60°, distance: 2.5 m, height: 2 m}
    gels: [{mired: 60}, {mired: 60}]
  fill:
    source: {kind: flash, energy: 400 W·s, modelling_lamp: 150 W}
    modifier: {kind: softbox, width: 100 cm, height: 140 cm}
    place: {bearing: 60°, distance: 2.5 m, height: 2 m}
    gels: [{nd: 1 stop}, {mired: 60}]
  edge:
    source: {kind: continuous, draw: 300 W, efficacy: 40 lm/W}
    modifier: {kind: reflector, diameter: 18 cm, barn_doors: {left: 30°, right: 30°, top: 30°, bottom: 30°}}
    place: {bearing: 150°, distance: 2 m, height: 2.2 m}
    stand: boom
  bulb:
    source: {kind: flash, energy: 200 W·s}
    modifier: {kind: bare}
    place: {bearing: -150°, distance: 2 m, height: 1 m}
    stand: none
panels:
  left: {kind: flag, size: {width: 90 cm, height: 120 cm}, place: {at: [-2 m, 1.5 m, 0 m]}, aim: face}
  right: {kind: flag, size: {width: 90 cm, height: 120 cm}, place: {at: [2 m, 1.5 m, 0 m]}, aim: face}
  board: {kind: reflector, surface: silver, size: {width: 80 cm, height: 1 m}, place: {at: [1 m, 1 m, 1 m]}, aim: face}
  grey:
    {kind: reflector, size: {width: 80 cm, height: 1 m}, place: {at: [-1 m, 1 m, 1 m]}, aim: face, reflectance: 0.185}
  cloth:
    {kind: flag, size: {width: 90 cm, height: 120 cm}, place: {at: [2 m, 1.5 m, 2 m]}, aim: face, reflectance: 0}
"""
)


def made(text: str, folder: Path) -> Scene:
    return scene_from_text(text, "scene.yaml", folder)


def one_light(source: str, modifier: str, folder: Path) -> Scene:
    light = f"{{source: {source}, modifier: {modifier}, place: {{bearing: -45°, distance: 3 m, height: 2.2 m}}}}"
    return made(f"{HEAD}lights: {{key: {light}}}\n", folder)


def test_boom_moment_by_hand() -> None:
    # A load of 5 kg on an arm of 1.5 m; the arm of 2 kg is 2.1 m long in all, its centre 0.45 m before the pivot.
    holding = Holding("boom", np.array([0.9, 2.0, 1.2]), np.array([0.0, 1.8, 0.0]))
    support = support_from_load("key", 5.0, holding)
    assert support.arm_m == pytest.approx(1.5) and support.height_m == 1.8
    assert support.moment_N_m == pytest.approx(9.81 * (5 * 1.5 + 2 * 0.45))
    # In balance the counterweight's moment about the pivot equals it.
    assert support.counterweight_kg * GRAVITY_M_S2 * REAR_ARM_M == pytest.approx(support.moment_N_m)
    assert ARM_KG == 2.0 and support.kind == "boom" and support.light == "key" and support.load_kg == 5.0
    # All that weighs on the stand holds it: load, stand, arm and counterweight; 20 N push at the pivot's height.
    held_kg = 5.0 + 2.5 + 2.0 + (5 * 1.5 + 2 * 0.45) / 0.6
    assert held_kg > 20 * 1.8 / (9.81 * 0.225) and support.bag_kg == 0.0 and support.bags == 0
    high = support_from_load("key", 0.5, Holding("boom", np.array([0.0, 5.0, 1.5]), np.array([0.0, 5.0, 0.0])))
    expected_kg = 20 * 5.0 / (9.81 * 0.225) - (0.5 + 2.5 + 2.0 + (0.5 * 1.5 + 2 * 0.45) / 0.6)
    assert high.bag_kg == pytest.approx(expected_kg) and high.bags == 8


def test_bags_hold_a_stand_against_the_push() -> None:
    holding = Holding("floor", np.array([0.0, 2.3, 0.0]), np.array([0.0, 2.3, 0.0]))
    support = support_from_load("face", 3.0, holding)
    # Moments about the tipping line: 20 N at 2.3 m against all masses at 0.225 m.
    resisting = (3.0 + 2.5 + support.bag_kg) * 9.81 * 0.225
    assert resisting == pytest.approx(20 * 2.3)
    assert support.bags * 5 >= support.bag_kg > (support.bags - 1) * 5
    assert (support.arm_m, support.moment_N_m, support.counterweight_kg) == (0, 0, 0)
    # Whatever holds itself needs no bag, and less than nothing is none.
    assert support_from_load("face", 60.0, holding).bag_kg == 0
    assert [Support("", "floor", 0, 0, 0, 0, 0, kg).bags for kg in (0, 0.1, 5, 5.1, 10)] == [0, 1, 1, 2, 2]


# Masses of the estimate, written out; common practice, no source.
@pytest.mark.parametrize(
    ("source", "modifier", "load_kg"),
    [
        (FLASH, "{kind: bare}", 1.5 + 0.004 * 400),
        ("{kind: flash, energy: 1000 W·s}", "{kind: bare}", 1.5 + 0.004 * 1000),
        ("{kind: continuous, draw: 500 W, efficacy: 40 lm/W}", "{kind: bare}", 1.5 + 0.006 * 500),
        ("{kind: continuous, flux: 8000 lm}", "{kind: bare}", 1.5 + 0.006 * 150),
        ("{kind: guide number, guide_number: 40 m}", "{kind: bare}", 1.5 + 0.006 * 150),
        (FLASH, "{kind: softbox, width: 1 m, height: 1.4 m}", 3.1 + 0.6 + 1.1 * 1.4),
        (FLASH, "{kind: strip, width: 30 cm, height: 1.2 m}", 3.1 + 0.6 + 1.1 * 0.36),
        (FLASH, "{kind: octabox, diameter: 1.2 m}", 3.1 + 0.6 + 1.1 * math.pi * 0.36),
        (FLASH, "{kind: umbrella, diameter: 1 m}", 3.1 + 0.6 + 1.1 * math.pi * 0.25),
        (FLASH, "{kind: covered umbrella, diameter: 1.5 m}", 3.1 + 0.6 + 1.1 * math.pi * 0.5625),
        (FLASH, "{kind: shoot-through, diameter: 1 m}", 3.1 + 0.6 + 1.1 * math.pi * 0.25),
        (FLASH, "{kind: beauty dish}", 3.1 + 1.3),
        (FLASH, "{kind: spot}", 3.1 + 2.5),
        (FLASH, "{kind: reflector}", 3.1 + 0.5),
        (FLASH, "{kind: snoot}", 3.1 + 0.5),
    ],
)
def test_loads_by_hand(source: str, modifier: str, load_kg: float, tmp_path: Path) -> None:
    (light,) = one_light(source, modifier, tmp_path).lights.values()
    assert load_kg_from_light(light) == pytest.approx(load_kg)


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (FLASH, "flash head 400 W·s"),
        ("{kind: flash, energy: 400 W·s, modelling_lamp: 150 W}", "flash head 400 W·s with 150 W modelling lamp"),
        ("{kind: measured, reads: f/8, at: 2 m}", "flash head that reads f/8 at 2 m (dome toward the light), ISO 100"),
        ("{kind: guide number, guide_number: 40 m}", "flash, guide number 40 m at ISO 100"),
        ("{kind: continuous, flux: 8000 lm}", "continuous lamp 8000 lm"),
        ("{kind: continuous, draw: 300 W, efficacy: 90 lm/W}", "continuous lamp 300 W, 90 lm/W"),
        ("{kind: continuous, illuminance: 900 lx, at: 2 m}", "continuous lamp, 900 lx at 2 m as fitted"),
    ],
)
def test_the_first_line_of_the_kit_says_what_head_to_pack(source: str, words: str, tmp_path: Path) -> None:
    scene = one_light(source, "{kind: bare}", tmp_path)
    layout = layout_from_scene(scene, tmp_path)
    first = kit_list(scene, layout, facts_from_scene(scene, layout), ())[0]
    assert (first.count, first.item, first.of) == (1, words, "1 key")


def test_every_line_of_the_kit(tmp_path: Path) -> None:
    scene = made(SET, tmp_path)
    layout = layout_from_scene(scene, tmp_path)
    supports = supports_from_scene(scene, layout)
    assert [(s.light, s.kind) for s in supports] == [("key", "floor"), ("fill", "floor"), ("edge", "boom")]
    bags = sum(math.ceil(s.bag_kg / 5) for s in supports)
    lines = kit_list(scene, layout, facts_from_scene(scene, layout), supports)
    assert bags >= 2
    assert [(line.count, line.item, line.of) for line in lines] == [
        (2, "flash head 400 W·s with 150 W modelling lamp", "1 key, 2 fill"),
        (1, "continuous lamp 300 W, 40 lm/W", "3 edge"),
        (1, "flash head 200 W·s", "4 bulb"),
        (2, "softbox 100 x 140 cm", "1 key, 2 fill"),
        (1, "reflector 18 cm", "3 edge"),
        (1, "40° grid for softbox", "1 key"),
        (1, "barn doors", "3 edge"),
        # A gel that a light wears twice is packed twice.
        (3, "gel +60 mired (warmer)", "1 key, 2 fill"),
        (1, "gel ND 1 stop", "2 fill"),
        (3, "light stand", "1 key, 2 fill, 3 edge"),
        (1, "boom arm with counterweight", "3 edge"),
        (bags, "sandbag of 5 kg", "see the table of stands and booms"),
        (2, "flag 90 x 120 cm", "with a stand and an arm, and a bag each"),
        (1, "reflector 80 x 100 cm, silver", "with a stand and an arm, and a bag each"),
        # A front of the scene's own is another board than one as its surface is.
        (1, "reflector 80 x 100 cm, white, sends back 18.5 %", "with a stand and an arm, and a bag each"),
        (1, "flag 90 x 120 cm, sends back 0 %", "with a stand and an arm, and a bag each"),
        (1, "canvas backdrop 3 m x 3.4 m", "with its stand or hangers"),
        (1, "incident meter with dome and flat receptor", "readings of the build-up"),
        (1, "tape measure, floor tape, cable tape or ramps, safety bonds", "the set"),
    ]


def test_all_modifiers_but_those_of_metal_and_glass_are_cloth() -> None:
    union = get_args(get_args(AnyModifier)[0])
    kinds = {get_args(modifier.model_fields["kind"].annotation)[0] for modifier in union}
    assert kinds - set(FABRIC) == {"bare", "reflector", "snoot", "beauty dish", "spot"} and set(FABRIC) < kinds


def test_what_is_not_there_is_not_packed(tmp_path: Path) -> None:
    scene = one_light(FLASH, "{kind: bare}", tmp_path)
    layout = layout_from_scene(scene, tmp_path)
    items = [line.item for line in kit_list(scene, layout, facts_from_scene(scene, layout), ())]
    assert items[0] == "flash head 400 W·s" and len(items) == 3 and items[1].startswith("incident meter")


def test_the_formulas_shown_are_those_that_are_used() -> None:
    boom, stand, estimate = SUPPORT_FORMULAS
    assert "2 kg x (1.5 m - 0.6 m) / 2" in boom and "g = 9.81 m/s²" in boom
    assert "push of 20 N" in stand and "0.225 m from the tube" in stand and "bags of 5 kg" in stand
    assert "(g x 0.225 m) - load - stand (2.5 kg)" in stand and "0.6 m rear arm" in boom
    assert "weigh the real kit" in estimate
