"""Turns, camera, flag and backdrop as a hand moves them: seconds from a pose to its frame in the worker's renderer."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sim.scene.read import scene_from_text
from sim.scene.text import text_with_value
from tests.bench.live_page import summary

Text = Callable[[float], str]


def move_times(scene_file: Path, size: tuple[int, int], repeats: int) -> dict[str, Any]:
    """Seconds of wall and processor of one frame of each kind of move, and how many recordings the moves added."""
    from sim.room.preview.messages import PoseRequest, PreviewRequest, Result
    from sim.room.preview.renderer import IncrementalRenderer
    from sim.room.preview.worker import answer

    text, path = scene_file.read_text("utf-8"), scene_file.absolute()
    renderer = IncrementalRenderer({"HALFSTOP_CACHE": "off"})
    renderer.warm_up()
    answer(renderer, PreviewRequest(1, 1, text, str(path), size, analyse=False), lambda result: None)
    renderer.compile_ahead(lambda: False)
    record: dict[str, Any] = {}
    serial = 1
    for kind, moved in moves_of(text).items():
        wall_s, cpu_s = [], []
        for number in range(repeats + 2):
            serial += 1
            scene = scene_from_text(moved((number + 1) / (repeats + 2)), path.name, path.parent)
            came: list[Result] = []
            start_s, start_cpu_s = time.perf_counter(), time.process_time()
            answer(
                renderer, PoseRequest(serial, 1, scene, size), came.append,
                lambda came=came: any(result.kind == "live" for result in came),
            )  # fmt: skip
            wall_s.append(time.perf_counter() - start_s)
            cpu_s.append(time.process_time() - start_cpu_s)
            if not any(result.kind == "live" for result in came):
                raise RuntimeError(f"no frame of {kind}")
        # The first two may record what no move of this kind has asked for yet.
        record[f"{kind}_move_s"], record[f"{kind}_move_cpu_s"] = summary(wall_s[2:]), summary(cpu_s[2:])
    return record


def moves_of(text: str) -> Mapping[str, Text]:
    """The scene's text by how far (0 to 1) a hand has moved something in it."""
    scene = scene_from_text(text)
    head, camera = scene.sitter.head, scene.camera.place.position_m
    moves: dict[str, Text] = {
        "head": lambda part: text_with_value(text, ("sitter", "head", "turn"), f"{head.turn_deg + 20 * part:.3f}°"),
        "body": lambda part: text_with_value(text, ("sitter", "turn"), f"{scene.sitter.turn_deg + 15 * part:.3f}°"),
        "camera": lambda part: text_with_value(text, ("camera", "place"), {"at": _shifted(camera, 0.3 * part)}),
        "backdrop": lambda part: text_with_value(
            text, ("backdrop", "distance"), f"{getattr(scene.backdrop, 'distance_m', 2.0) - 0.3 * part:.4f} m"
        ),
    }
    if scene.panels:
        name, panel = next(iter(scene.panels.items()))
        at_m = panel.place.position_m
        moves["flag"] = lambda part: text_with_value(
            text, ("panels", name, "place"), {"at": _shifted(at_m, 0.2 * part)}
        )
    return moves


def _shifted(at_m: tuple[float, float, float], by_m: float) -> list[str]:
    return [f"{value:.4f} m" for value in (at_m[0] + by_m, *at_m[1:])]
