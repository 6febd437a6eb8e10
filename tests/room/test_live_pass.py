"""Live frames of a hand that moves on and on: nearer to the settled picture frame by frame, nothing piles up."""

from __future__ import annotations

import gc
import os
import resource
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.quantities.color import luminance
from sim.room.preview.messages import LiveReady, PoseRequest, PreviewRequest, Result
from sim.room.preview.renderer import IncrementalRenderer
from sim.room.preview.worker import answer
from sim.scene.read import scene_from_text

SIZE = (32, 48)
PATH = str(Path(__file__).resolve().parents[2] / "scenes" / "hand.yaml")
SCENE = """\
halfstop: 1
title: A hand on a light, a head and a flag
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}, front: 6 m}
camera: {place: {at: [0 m, 1.4 m, 3.5 m]}, aim: chest, focal_length: 85 mm, orientation: portrait, aperture: f/8,
         shutter: 1/160 s, iso: 100, focus: face}
sitter: {figure: simple, turn: 20°, head: {turn: 0°}}
backdrop: {kind: paper, size: {width: 2.7 m, height: 3 m}, distance: 1.5 m, reflectance: 0.4}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {bearing: -60°, distance: 1.6 m, height: 1.9 m}
    aim: {at: [0 m, 1.5 m, 0 m]}
  fill:
    source: {kind: flash, energy: 300 W·s}
    modifier: {kind: softbox, width: 60 cm, height: 60 cm}
    place: {bearing: 30°, distance: 2.5 m, height: 2 m}
    aim: {at: [0 m, 1.2 m, 0 m]}
panels:
  cutter:
    kind: flag
    size: {width: 40 cm, height: 60 cm}
    place: {at: [-0.7 m, 0.8 m, 0.4 m]}
    aim: {at: [0 m, 0.8 m, 0 m]}
render: {depth: 4}
"""
# Every kind of move that a hand makes, by how far it has come.
MOVES: dict[str, Callable[[float], str]] = {
    "light": lambda part: SCENE.replace("bearing: -60°", f"bearing: {-60 + 20 * part:.3f}°"),
    "head": lambda part: SCENE.replace("head: {turn: 0°}", f"head: {{turn: {25 * part:.3f}°}}"),
    "body": lambda part: SCENE.replace("turn: 20°", f"turn: {20 - 30 * part:.3f}°"),
    "camera": lambda part: SCENE.replace("[0 m, 1.4 m, 3.5 m]", f"[{0.3 * part:.4f} m, 1.4 m, 3.5 m]"),
    "backdrop": lambda part: SCENE.replace("distance: 1.5 m", f"distance: {1.5 + part:.4f} m"),
    "flag": lambda part: SCENE.replace("[-0.7 m, 0.8 m, 0.4 m]", f"[{-0.7 + 0.2 * part:.4f} m, 0.8 m, 0.4 m]"),
}


@pytest.fixture(scope="module")
def settled(engine: object) -> Iterator[tuple[IncrementalRenderer, Any]]:
    """A renderer whose first picture has settled and which has prepared itself for a hand, and that picture."""
    renderer = IncrementalRenderer({"HALFSTOP_CACHE": "off"})
    results = asked(renderer, PreviewRequest(1, 1, SCENE, PATH, SIZE, analyse=False, samples=32))
    job = renderer._last_job
    assert job is not None and renderer._live is not None
    renderer._live.prepare(lambda: None)
    yield renderer, results[-1].frame  # type: ignore[union-attr]


def asked(renderer: IncrementalRenderer, request: PreviewRequest | PoseRequest) -> list[Result]:
    """All results of a request that none follows, without progress."""
    results: list[Result] = []
    answer(renderer, request, results.append)
    return [result for result in results if result.kind != "progress"]


def frame_of(renderer: IncrementalRenderer, serial: int, text: str) -> LiveReady:
    """The first live frame of a hand that has moved on by then."""
    came: list[Result] = []
    pose = PoseRequest(serial, 1, scene_from_text(text), SIZE)
    answer(renderer, pose, came.append, lambda: any(result.kind == "live" for result in came))
    (frame,) = (result for result in came if isinstance(result, LiveReady))
    return frame


def layer(frame: LiveReady, name: str) -> np.ndarray:
    at = frame.names.index(name)
    pixels: np.ndarray = frame.pixels[at].astype(np.float32) * np.float32(frame.scale[at])
    return pixels


def stops_off(now: np.ndarray, want: np.ndarray, mask: np.ndarray) -> np.ndarray:
    least = 0.01 * float(luminance(want[mask]).max())
    return np.log2((luminance(now[mask]) + least) / (luminance(want[mask]) + least))


def test_frames_of_a_drag_and_its_rest_come_nearer_to_the_settled_picture(
    settled: tuple[IncrementalRenderer, Any],
) -> None:
    renderer, before = settled
    end = MOVES["light"](1.0)
    frames = [frame_of(renderer, 10 + step, MOVES["light"](step / 8)) for step in range(1, 9)]
    rest = asked(renderer, PoseRequest(30, 1, scene_from_text(end), SIZE))
    frames += [result for result in rest if isinstance(result, LiveReady)]
    fresh = IncrementalRenderer({"HALFSTOP_CACHE": "off"})
    last = asked(fresh, PreviewRequest(1, 1, end, PATH, SIZE, analyse=False, samples=32))[-1]
    want = last.frame.layer("key")  # type: ignore[union-attr]
    for part in ("face", "chest"):
        mask = before.part == before.part_names.index(part)
        off = [float(np.median(np.abs(stops_off(layer(frame, "key"), want, mask)))) for frame in frames]
        start = float(np.median(np.abs(stops_off(before.layer("key"), want, mask))))
        # Each frame is as near as the one before it or nearer, but for noise of 0.03 stop.
        assert all(later < earlier + 0.03 for earlier, later in zip([start, *off], off, strict=False)), (part, off)
        assert off[-1] < 0.15 and off[-1] < 0.5 * start, (part, start, off)
        # The last live picture and the settled one are of one brightness: no flash at hand-over.
        assert abs(float(np.median(stops_off(layer(frames[-1], "key"), want, mask)))) < 0.06, part


def flat_over(renderer: IncrementalRenderer, moves: int) -> tuple[int, float]:
    """How many recordings and how many MB the second half of so many moves of every kind adds."""
    import drjit as dr

    assert renderer._live is not None and renderer._live._recordings is not None
    # What other tests left behind goes now: a recording is good for all that was alive when it was made.
    gc.collect()
    counts, memory_mb = [], []
    kinds = [kind for other in MOVES for kind in (other, "light", "light", "light")]
    for number in range(moves):
        kind = kinds[number % len(kinds)]
        frame_of(renderer, 100 + number, MOVES[kind](0.05 + 0.9 * ((number * 0.37) % 1)))
        if number in (moves // 2, moves - 1):
            gc.collect()
            dr.flush_malloc_cache()
            counts.append(renderer._live._recordings.count())
            memory_mb.append(resident_mb())
    return counts[1] - counts[0], memory_mb[1] - memory_mb[0]


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1]) if os.path.exists("/proc/self/statm") else 0
    return pages * resource.getpagesize() / 1e6


def test_moves_of_every_kind_leave_nothing_behind(settled: tuple[IncrementalRenderer, Any]) -> None:
    recordings, grown_mb = flat_over(settled[0], 200)
    assert recordings == 0
    assert grown_mb < 20


@pytest.mark.slow
def test_ten_thousand_moves_leave_nothing_behind(settled: tuple[IncrementalRenderer, Any]) -> None:
    recordings, grown_mb = flat_over(settled[0], 10_000)
    assert recordings == 0
    assert grown_mb < 40


def test_a_turned_head_is_shown_rough_in_every_light(settled: tuple[IncrementalRenderer, Any]) -> None:
    renderer, _ = settled
    frame = frame_of(renderer, 40, MOVES["head"](1.0))
    assert frame.names == ("key", "fill") and frame.is_rough
    assert frame.pixels.shape[1:3] == (SIZE[1] // 2, SIZE[0] // 2)
    # Last in this file, for it settles another picture than the one that the others start from.
    settled_there = asked(renderer, PreviewRequest(9000, 1, MOVES["head"](1.0), PATH, SIZE, analyse=False, samples=16))
    last = settled_there[-1].frame  # type: ignore[union-attr]
    sitter = np.isin(last.part, [last.part_names.index(part) for part in ("face", "hair", "neck", "chest", "arms")])
    for name in frame.names:
        small = last.layer(name).reshape(SIZE[1] // 2, 2, SIZE[0] // 2, 2, 3).mean(axis=(1, 3))
        # So few pixels are mostly outlines.
        off = stops_off(layer(frame, name), small, sitter[::2, ::2])
        assert len(off) > 30 and abs(np.median(off)) < 0.15 and np.median(np.abs(off)) < 0.4, name
