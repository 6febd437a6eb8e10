"""Light outdoors: an even sky over level ground by its closed forms, and a lamp that no wall sends back."""

from __future__ import annotations

import numpy as np
import pytest

from sim.light.readings import Probe, ProbeId
from sim.scene.read import scene_from_text

SCENE = """
halfstop: 1
title: Outdoors
room: {kind: outdoors, ground: GROUND}
camera: {place: {at: [3 m, 1 m, 3.5 m]}, focal_length: 50 mm, aperture: f/8, shutter: 1/100 s}
sitter: {figure: none}
"""
SKY = "ambient:\n  - {name: sky, kind: uniform, illuminance: 1000 lx}\n"
LAMP = """lights:
  lamp: {source: {kind: flash, energy: 100 W·s}, modifier: {kind: bare}, place: {at: [0 m, 2 m, 2 m]}, stand: none}
"""


def _probe(kind: str, toward: list[float]) -> Probe:
    return Probe(ProbeId(kind, str(toward)), kind, np.array([0.0, 1.0, 0.0]), np.array(toward))


def _values(text: str, probes: list[Probe], depth: int | None = None) -> list[float]:
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    stage = build(scene_from_text(text))
    read = read_probes(stage, probes, depth=depth, target_stderr_stops=0.004)
    return [float(value.sum(axis=0).mean()) for value in read.values]


def test_an_even_sky_lights_receptors_as_its_closed_forms_say(engine: None) -> None:
    """Of a sky that gives E on the level, over wide ground of reflectance g, a flat receptor gets E upward, gE downward
    and (1 + g) E / 2 upright, by their configuration factors to two half-spaces (1, 1, 1/2 of each). A dome, of the
    response (1 + cos) / 2, held upward gets 3/2 E of the sky's half-space and g E / 2 of the ground's: integrated.
    """
    up, down, level = [0.0, 1.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]
    probes = [_probe("flat", up), _probe("flat", down), _probe("flat", level), _probe("dome", up)]
    found = _values(SCENE.replace("GROUND", "0.3") + SKY, probes)
    assert found[:2] == pytest.approx([1000.0, 300.0], rel=0.005)
    # The ground ends 30 to 45 m off: from 1 m above it the sky shows 1.3° to 1.9° below the level, which those see best
    # that look along it. A strip of angle h / d adds (1 - g) E h / (2 d) to an upright receptor: 8 to 12 lx.
    assert 650 + 7 < found[2] < 650 + 13
    assert found[3] == pytest.approx(1650.0, rel=0.015)


def test_no_wall_and_no_sky_send_a_lamp_back(engine: None) -> None:
    toward_lamp = np.array([0.0, 1.0, 2.0]) / np.sqrt(5)
    probe, away = _probe("flat", toward_lamp.tolist()), _probe("flat", (-toward_lamp).tolist())
    (straight,) = _values(SCENE.replace("GROUND", "0") + LAMP, [probe], depth=0)
    both, back = _values(SCENE.replace("GROUND", "0") + LAMP, [probe, away])
    assert both == pytest.approx(straight, rel=0.01)
    assert back == 0
    (from_ground,) = _values(SCENE.replace("GROUND", "0.4") + LAMP, [away])
    assert from_ground > 0
