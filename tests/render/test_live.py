"""Live layers: the direct light of a full trace, the settled picture where nothing moved, no kernel compiled anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.quantities.color import luminance
from sim.render.live.ground import Ground
from sim.render.live.occluders import Boxes, blocked_by_boxes, boxes_from_layout
from sim.render.live.view import LiveView
from sim.render.stage.build import build
from sim.render.transport.render import render
from sim.scene.read import scene_from_text
from sim.studio.layout import Layout, layout_from_scene

SIZE = (80, 120)
SCENE = """\
halfstop: 1
title: A key and a flag
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}, front: 6 m, walls: 0.3, ceiling: 0.5, floor: 0.2}
camera: {place: {at: [0 m, 1.4 m, 4.5 m]}, aim: chest, focal_length: 85 mm, orientation: portrait, aperture: f/8,
         shutter: 1/160 s, iso: 100, focus: face}
sitter: {figure: simple, turn: 20°}
backdrop: {kind: wall, reflectance: 0.3}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {bearing: -60°, distance: 1.6 m, height: 1.9 m}
    aim: face
  fill:
    source: {kind: flash, energy: 300 W·s}
    modifier: {kind: softbox, width: 60 cm, height: 60 cm}
    place: {bearing: 30°, distance: 2.5 m, height: 2 m}
    aim: chest
panels:
  cutter:
    kind: flag
    size: {width: 40 cm, height: 60 cm}
    place: {at: [-0.7 m, 0.8 m, 0.4 m]}
    aim: {at: [0 m, 0.8 m, 0 m]}
render: {depth: 5}
"""
MOVED = SCENE.replace("bearing: -60°, distance: 1.6 m", "bearing: -50°, distance: 1.8 m")


def stops_apart(one: np.ndarray, other: np.ndarray, mask: np.ndarray) -> np.ndarray:
    least = 1e-3 * float(luminance(other[mask]).max())
    return np.log2((luminance(one[mask]) + least) / (luminance(other[mask]) + least))


def layout_of(text: str) -> Layout:
    return layout_from_scene(scene_from_text(text))


@pytest.fixture(scope="module")
def view(engine: object) -> LiveView:
    """The scene's view, its key taken apart."""
    scene, layout = scene_from_text(SCENE), layout_of(SCENE)
    stack = render(build(scene, layout), size=SIZE, samples=64, gather=False)
    made = LiveView(Ground(scene, layout), SIZE)
    made.see(~(stack.mask("light") | stack.mask("panel")))
    made.carry("key", layout.light("key"), boxes_from_layout(layout, ["key"]), stack.layer("key"))
    made.test_stack = stack  # type: ignore[attr-defined]
    return made


def live_layer(view: LiveView, text: str, divisor: int = 1, rounds: int = 1) -> np.ndarray:
    layout = layout_of(text)
    for number in range(rounds):
        pixels, scale = view.layer(
            "key", layout.light("key"), boxes_from_layout(layout, ["key"]), divisor=divisor, settling=number
        )
    return pixels.astype(np.float32) * np.float32(scale)


def test_a_light_that_has_not_moved_shows_what_has_settled(view: LiveView) -> None:
    stack = view.test_stack  # type: ignore[attr-defined]
    for divisor in (1, 2):
        now = live_layer(view, SCENE, divisor)
        for part in ("face", "chest", "room"):
            off = stops_apart(now, stack.layer("key"), stack.mask(part))
            # The settled pixels themselves have an error of some hundredths of a stop.
            assert abs(np.median(off)) < 0.04 and np.median(np.abs(off)) < 0.1, part


@pytest.mark.parametrize("divisor", [1, 2])
def test_the_direct_light_of_a_moved_light_is_that_of_the_path_tracer(view: LiveView, divisor: int) -> None:
    scene, layout = scene_from_text(MOVED), layout_of(MOVED)
    # Full paths of one bounce are the reference: lamp, surface, camera, with every thing of the set in place.
    want = render(build(scene, layout), size=SIZE, samples=64, depth=1, gather=False)
    carried = view._carried["key"]
    try:
        view._carried["key"] = replace(carried, indirect=0 * carried.indirect)
        now = live_layer(view, MOVED, divisor, rounds=4)
    finally:
        view._carried["key"] = carried
    for part in ("face", "chest", "room"):
        mask = want.mask(part)
        means = luminance(now[mask]).mean(), luminance(want.layer("key")[mask]).mean()
        assert means[0] / means[1] == pytest.approx(1, abs=0.04 if divisor == 1 else 0.06), part


def test_a_live_layer_comes_near_to_the_settled_one(view: LiveView) -> None:
    scene, layout = scene_from_text(MOVED), layout_of(MOVED)
    want = render(build(scene, layout), size=SIZE, samples=64, gather=False)
    now, before = live_layer(view, MOVED, 2), live_layer(view, SCENE, 2)
    for part in ("face", "chest"):
        mask = want.mask(part)
        off = np.abs(stops_apart(now, want.layer("key"), mask))
        assert np.median(off) < 0.15
        assert np.median(off) < np.median(np.abs(stops_apart(before, want.layer("key"), mask)))


def test_rounds_at_rest_bring_a_layer_nearer_and_never_flash(view: LiveView) -> None:
    want = live_layer(view, MOVED, 1, rounds=24)
    mask = view.test_stack.mask("room") | view.test_stack.mask("face")  # type: ignore[attr-defined]
    off = []
    for rounds in (1, 4, 12):
        apart = stops_apart(live_layer(view, MOVED, 1, rounds), want, mask)
        off.append(float(np.sqrt(np.mean(np.square(apart)))))
        assert abs(np.median(apart)) < 0.03
    assert off == sorted(off, reverse=True)


def test_another_place_and_another_power_use_the_same_recording(view: LiveView) -> None:
    live_layer(view, SCENE, 2)
    before = view.recordings.count()
    for bearing in range(-70, -40, 5):
        moved = SCENE.replace("bearing: -60°", f"bearing: {bearing}°")
        live_layer(view, moved.replace("400 W", f"{300 - bearing} W"), 2)
    assert view.recordings.count() == before


def test_a_box_blocks_the_lines_that_geometry_says(engine: object) -> None:
    import drjit as dr
    import mitsuba as mi

    layout = layout_of(SCENE)
    panel = layout.panels[0]
    boxes = boxes_from_layout(replace(layout, lights=()))
    assert isinstance(boxes, Boxes) and boxes.count[0] == 1
    rng = np.random.default_rng(1)
    # Lines through points of the panel's plane: blocked where the point lies within its edges.
    place = rng.uniform(-1.6, 1.6, (400, 2))
    on_plane = (
        panel.world_from_panel[:3, 3]
        + place[:, :1] * panel.width_m / 2 * panel.world_from_panel[:3, 0]
        + place[:, 1:] * panel.height_m / 2 * panel.world_from_panel[:3, 1]
    )
    way = panel.world_from_panel[:3, 2] + rng.uniform(-0.3, 0.3, (400, 3))
    start, end = on_plane - way, on_plane + way
    blocked = blocked_by_boxes(boxes, mi.Point3f(start.T), mi.Point3f(end.T), dr.full(mi.Bool, True, 400)).numpy()
    clear = np.abs(place).max(axis=1)
    sure = np.abs(clear - 1) > 0.03
    assert (blocked == (clear < 1))[sure].all() and 0.2 < blocked.mean() < 0.8
    # A line that ends before the plane is not blocked.
    short = blocked_by_boxes(
        boxes, mi.Point3f(start.T), mi.Point3f((on_plane - 0.1 * way).T), dr.full(mi.Bool, True, 400)
    )
    assert not short.numpy().any()


def test_live_meters_read_what_the_path_tracer_reads_within_their_errors(engine: object) -> None:
    from sim.metering.report_points import report_probes
    from sim.render.live.meters import LiveMeters
    from sim.render.live.view import luminaires_of
    from sim.render.transport.probe import read_probes

    scene, layout = scene_from_text(MOVED), layout_of(MOVED)
    ground = Ground(scene, layout)
    probes = [probe for probe in report_probes(scene, layout) if probe.kind != "spot"]
    now, error = LiveMeters().direct(
        ground.bodies, probes, luminaires_of(layout.light("key")), boxes_from_layout(layout, ["key"])
    )
    # With no bounce followed, all that the path tracer's meter gets is direct.
    want = read_probes(build(scene, layout), probes, depth=0, most_rays=1 << 13)
    off = luminance(now) - luminance(want.values[:, 0])
    sure = error + 0.005 * luminance(want.values[:, 0])
    assert len(probes) > 5 and (np.abs(off) < 4 * sure).all(), np.c_[off, sure]
