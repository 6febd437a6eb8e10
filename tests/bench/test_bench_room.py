"""The measurement of the room: every move is a new one, the verdicts are those of the numbers, and it runs."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from browser import require_chromium
from rich.console import Console

from sim.scene.read import load_scene, scene_from_text
from tests.bench.__main__ import main
from tests.bench.room import TARGETS, moved, table

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "recital.yaml"


def test_a_moved_light_stands_at_a_new_place_each_time_and_nothing_else_moves() -> None:
    text, before = SCENE.read_text("utf-8"), load_scene(SCENE)
    places = []
    for number in range(40):
        scene = scene_from_text(moved(text, "key", number))
        places.append(scene.lights["key"].place.position_m)
        assert {name: light for name, light in scene.lights.items() if name != "key"} == {
            name: light for name, light in before.lights.items() if name != "key"
        }
        assert (scene.camera, scene.sitter, scene.panels) == (before.camera, before.sitter, before.panels)
    apart = np.linalg.norm(np.subtract.outer(places, places).diagonal(axis1=1, axis2=3), axis=-1)
    assert apart[~np.eye(40, dtype=bool)].min() > 1e-3
    assert np.linalg.norm(np.subtract(places, before.lights["key"].place.position_m), axis=1).max() < 0.06


@pytest.mark.parametrize(("over", "verdict"), [(0.99, "met"), (1.01, "missed")])
def test_the_table_says_of_each_median_whether_it_is_met(over: float, verdict: str) -> None:
    record = {"scene": "x.yaml", "long_side_px": 600, "samples": 8, "repeats": 20, "cores": 2, "load_before": 0.1}
    record |= {key: {"median": over * most, "slowest": 9.0} for key, most in TARGETS.items()}
    console = Console(width=120, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    console.print(table(record))
    console.file.close()
    rows = [line.split() for line in console.export_text().splitlines() if line.startswith(("  painter:", "  page:"))]
    assert [row[-1] for row in rows] == [verdict] * len(TARGETS)


@pytest.mark.slow
def test_the_room_is_measured_from_end_to_end(engine: object, tmp_path: Path) -> None:
    require_chromium()
    out = tmp_path / "room.json"
    main(["room", "--tiny", "--out", str(out)])
    record = json.loads(out.read_text("utf-8"))
    for key in (*TARGETS, "again_to_first_s", "child_process_s"):
        assert len(record[key]["all"]) == 2 and record[key]["median"] > 0
    assert record["drag_end_to_first_s"]["median"] < record["drag_end_to_settled_s"]["median"]
