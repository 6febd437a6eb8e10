"""The stage as the renderer holds it: backdrops the right way up, paper that sweeps, panels, even ambient light."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from sim.light.readings import Probe, ProbeId
from sim.scene.read import load_scene, scene_from_text

pytestmark = pytest.mark.usefixtures("engine")

SCENE = """
halfstop: 1
title: Stage
room: {size: {width: 4 m, height: 3 m, length: 6 m}, front: 4 m, walls: 0.5, ceiling: 0.5, floor: 0.5}
camera:
  place: {at: [0 m, 1.2 m, 3 m]}
  aim: {at: [0 m, 1.2 m, 0 m]}
  focal_length: 35 mm
  aperture: f/8
  shutter: 1/100 s
  focus: 3 m
sitter: {figure: simple, step: [1.6 m, 0 m]}
backdrop: BACKDROP
lights:
  key:
    source: {kind: flash, energy: 100 W·s}
    modifier: {kind: bare}
    place: {at: [0 m, 2.6 m, 2 m]}
    stand: none
"""
CANVAS = "{kind: canvas, size: {width: 2 m, height: 2 m}, distance: 1 m}"


def _rendered(text, samples=16, size=(60, 90)):
    from sim.render.stage.build import build
    from sim.render.transport.render import render

    stage = build(scene_from_text(text))
    return stage, render(stage, size=size, samples=samples, depth=1)


def test_an_image_backdrop_hangs_the_right_way_up_and_round(tmp_path):
    picture = np.full((40, 40, 3), 60, np.uint8)
    picture[:20, :20] = (230, 30, 30)
    Image.fromarray(picture).save(tmp_path / "art.png")
    image = "{kind: image, file: art.png, size: {width: 2 m, height: 2 m}, distance: 1 m}"
    (tmp_path / "s.yaml").write_text(SCENE.replace("BACKDROP", image), "utf-8")
    scene = load_scene(tmp_path / "s.yaml")
    from sim.render.stage.build import build
    from sim.render.transport.render import render

    stack = render(build(scene), size=(60, 90), samples=16, depth=1)
    seen = stack.mask("backdrop")
    rows, columns = np.nonzero(seen)
    top, left = rows < np.median(rows), columns < np.median(columns)
    redness = (stack.albedo[..., 0] - stack.albedo[..., 1])[rows, columns]
    quarters = {(t, c): redness[(top == t) & (left == c)].mean() for t in (True, False) for c in (True, False)}
    assert max(quarters, key=quarters.get) == (True, True)
    assert quarters[True, True] > 0.3


def test_paper_sweeps_onto_the_floor_and_canvas_does_not():
    paper = "{kind: paper, size: {width: 2 m, height: 2.5 m}, distance: 1 m}"
    _, swept = _rendered(SCENE.replace("BACKDROP", paper).replace("[0 m, 1.2 m, 0 m]", "[0 m, 0.4 m, 0 m]"))
    _, hung = _rendered(SCENE.replace("BACKDROP", CANVAS).replace("[0 m, 1.2 m, 0 m]", "[0 m, 0.4 m, 0 m]"))
    centre = slice(25, 35)

    def lowest_row(stack):
        return np.flatnonzero(stack.mask("backdrop")[:, centre].all(axis=1)).max()

    assert lowest_row(swept) > lowest_row(hung) + 8
    # Where the paper lies on the floor its normal looks up, where it hangs it looks at the camera.
    normals = swept.normal[:, centre].reshape(90, 10, 3).mean(axis=1)
    assert normals[swept.mask("backdrop")[:, 30]][0, 2] > 0.95
    assert normals[swept.mask("backdrop")[:, 30]][-1, 1] > 0.95


def test_even_ambient_gives_the_stated_lux():
    """An empty room that glows by what it absorbs has one luminance everywhere (Kirchhoff): E = pi L on any receptor.

    The sitter and her lamp take some of it away, so the reading may lie a few per cent under, never over.
    """
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    text = SCENE.replace("BACKDROP", "{kind: none}") + "ambient:\n  - {name: sky, kind: uniform, illuminance: 200 lx}\n"
    stage = build(scene_from_text(text))
    probes = [
        Probe(ProbeId("flat", "floor"), "flat", np.array([0, 1.0, 0]), np.array([0, 1.0, 0])),
        Probe(ProbeId("flat", "wall"), "flat", np.array([-1.5, 2, -1.5]), np.array([-1.0, 0, 0])),
        Probe(ProbeId("flat", "front"), "flat", np.array([-1, 0.3, 3.0]), np.array([0, 0, 1.0])),
    ]
    values = read_probes(stage, probes, depth=40, target_stderr_stops=0.005).values[:, 1].mean(axis=-1)
    assert (values < 201).all()
    assert (values > 0.95 * 200).all()
    # Depth 0 leaves the walls' own glow alone: what they absorb of L, 1 - 0.5 of it.
    glow = read_probes(stage, probes[1:2], depth=0, target_stderr_stops=0.005).values[0, 1].mean()
    assert glow == pytest.approx(100.0, rel=0.01)


def test_a_black_flag_takes_the_direct_light_away():
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    flag = (
        "panels:\n  flag: {kind: flag, size: {width: 50 cm, height: 50 cm}, place: {at: [0 m, 2 m, 1 m]}, "
        "aim: {at: [0 m, 2.6 m, 2 m]}}\n"
    )
    found = []
    for text in (SCENE, SCENE + flag):
        stage = build(scene_from_text(text.replace("BACKDROP", "{kind: none}")))
        probe = Probe(ProbeId("flat", "p"), "flat", np.array([0, 1.4, 0.0]), np.array([0, 0.514, 0.857]))
        found.append(float(read_probes(stage, [probe], depth=0).values[0, 0].mean()))
    assert found[0] > 0
    assert found[1] == 0


def test_a_scrim_passes_its_share_in_all_directions():
    """A Lambertian scrim before a small lamp: of the light that meets it, the stated share leaves on the far side."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    scrim = (
        "panels:\n  silk: {kind: scrim, transmission: 0.6, size: {width: 20 cm, height: 20 cm}, "
        "place: {at: [0 m, 1.5 m, 1 m]}, aim: {at: [0 m, 1.5 m, 2 m]}}\n"
    )
    text = SCENE.replace("BACKDROP", "{kind: none}").replace("[0 m, 2.6 m, 2 m]", "[0 m, 1.5 m, 2 m]")
    # A black room, so that the scrim alone sends light to the probe.
    text = text.replace("walls: 0.5, ceiling: 0.5, floor: 0.5", "walls: 0, ceiling: 0, floor: 0")
    probe = Probe(ProbeId("flat", "p"), "flat", np.array([0, 1.5, 0.0]), np.array([0, 0, 1.0]))
    onto = Probe(ProbeId("flat", "q"), "flat", np.array([0, 1.5, 1.001]), np.array([0, 0, 1.0]))

    def lux(scene_text, where, depth):
        stage = build(scene_from_text(scene_text))
        return float(read_probes(stage, [where], depth=depth, target_stderr_stops=0.005).values[0, 0].mean())

    # Far from a small Lambertian disc of luminance L = T E / pi the illuminance is L A / d^2.
    expected = 0.6 * lux(text, onto, 0) / np.pi * 0.2 * 0.2
    assert lux(text + scrim, probe, 1) == pytest.approx(expected, rel=0.05)
