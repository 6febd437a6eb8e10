"""The ground of live pictures: moved, it is what is built anew where all then stands; nothing is recorded again."""

from __future__ import annotations

import gc
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim.light.stack import REGIONS
from sim.render.live.ground import Ground
from sim.render.live.hits import busy_hits_of, first_hits_of
from sim.render.live.recordings import Recordings
from sim.render.stage.build import build
from sim.render.transport.render import render
from sim.scene.model import Scene
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

SIZE = (60, 90)
NEAR_M = 0.01
SCENE = """\
halfstop: 1
title: A sitter who moves
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}, front: 6 m, walls: 0.3, ceiling: 0.5, floor: 0.2}
camera: {place: {at: [0 m, 1.4 m, 3.5 m]}, aim: chest, focal_length: 85 mm, orientation: portrait, aperture: f/8,
         shutter: 1/160 s, iso: 100, focus: face}
sitter: {figure: woman, turn: 20°, head: {turn: 0°}, clothing: {style: velvet gown, color: "#401020"}}
backdrop: {kind: paper, size: {width: 2.7 m, height: 3 m}, distance: 1.5 m, reflectance: 0.5}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {at: [-1.5 m, 1.9 m, 1.2 m]}
    aim: {at: [0 m, 1.5 m, 0 m]}
"""
MOVES = {
    "head": ("head: {turn: 0°}", "head: {turn: 25°, nod: 5°}"),
    "body": ("turn: 20°, head", "turn: -35°, head"),
    "backdrop": ("distance: 1.5 m", "distance: 2.4 m"),
    "camera": ("[0 m, 1.4 m, 3.5 m]", "[0.5 m, 1.5 m, 3 m]"),
}


def scene_of(*moves: str) -> Scene:
    text = SCENE
    for move in moves:
        assert MOVES[move][0] in text
        text = text.replace(*MOVES[move])
    return scene_from_text(text)


@pytest.fixture(scope="module")
def moving(engine: object) -> dict[bool, tuple[Ground, Recordings]]:
    """Grounds that all tests move about, in bodies (True) and in one piece (False), and their recordings."""
    scene = scene_of()
    layout = layout_from_scene(scene)
    return {split: (Ground(scene, layout, split=split), Recordings()) for split in (True, False)}


@pytest.mark.parametrize(
    ("moves", "split"), [(("head",), True), (("body", "camera", "backdrop"), True), (("head", "backdrop"), False)]
)
def test_a_moved_ground_shows_what_one_built_there_shows(
    moving: dict[bool, tuple[Ground, Recordings]], moves: tuple[str, ...], split: bool
) -> None:
    ground, recordings = moving[split]
    scene = scene_of(*moves)
    layout = layout_from_scene(scene)
    assert ground.follow(scene, layout)
    hits = first_hits_of(ground, SIZE, recordings)
    # What the path tracer's own stage shows, built where all stands now.
    stage = replace(build(scene, layout), wanted_layers=frozenset())
    want = render(stage, size=SIZE, samples=8, depth=0, gather=False)
    met: Any = hits.si
    part = np.array(hits.part).reshape(SIZE[::-1])
    normal, albedo = (np.array(value).T.reshape(*SIZE[::-1], 3) for value in (met.sh_frame.n, hits.albedo))
    distance_m = np.array(met.t).reshape(SIZE[::-1])
    same = part == want.region
    # One ray a pixel against the part that most of eight show: outlines apart.
    assert same.mean() > 0.95
    # The path tracer counts distances from its camera's near plane.
    off_m = np.abs(distance_m - want.distance_m - NEAR_M)[same]
    assert np.median(off_m) < 0.001 and np.quantile(off_m, 0.9) < 0.004
    for body in ("face", "gown", "backdrop"):
        mask = same & (part == REGIONS.index(body))
        assert mask.sum() > 20
        # Eight rays see the mean over a pixel, one its middle: the same over the whole part.
        assert np.abs((normal - want.normal)[mask].mean(axis=0)).max() < 0.05, body
        assert np.abs((albedo - want.albedo)[mask].mean(axis=0)).max() < 0.02, body


def test_poses_and_places_need_no_recording_of_their_own(moving: dict[bool, tuple[Ground, Recordings]]) -> None:
    # Stages of other tests that go while this one looks would ask for recordings too.
    gc.collect()
    ground, recordings = moving[True][0], Recordings()

    def look(turn: int, camera_m: float) -> None:
        text = SCENE.replace("head: {turn: 0°}", f"head: {{turn: {turn}°}}").replace(
            "[0 m, 1.4 m", f"[{camera_m} m, 1.4 m"
        )
        scene = scene_from_text(text)
        assert ground.follow(scene, layout_from_scene(scene))
        first_hits_of(ground, SIZE, recordings)
        busy_hits_of(ground, SIZE, recordings)

    for step in range(2, 5):
        look(step, step / 100)
    before = recordings.count()
    for step in range(5, 8):
        look(step, step / 100)
    assert recordings.count() == before


def test_another_sitter_or_room_takes_a_new_ground(moving: dict[bool, tuple[Ground, Recordings]]) -> None:
    ground, _ = moving[True]
    for old, new in (("velvet gown", "dark suit"), ("walls: 0.3", "walls: 0.5"), ("kind: paper", "kind: canvas")):
        scene = scene_from_text(SCENE.replace(old, new))
        assert not ground.follow(scene, layout_from_scene(scene))
