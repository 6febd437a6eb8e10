"""Invented results of a sweep: light parts that add, as a page's data and as a folder that the sweep would leave."""

from __future__ import annotations

import io
import itertools
import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from sim.sweep.page import page_from_table
from sim.sweep.page_text import SweepPage, html_from_page

POINTS = ("face", "shadow-side cheek", "gown", "backdrop behind head")
LIGHTS = ("key", "fill", "halo")
# Stops at a point from a light at full dial and 1 m.
REACH = {
    "key": (0.9, -3.0, 0.2, -4.0), "fill": (-0.6, -0.9, -0.7, -2.5), "halo": (-8.0, -8.0, -7.0, -2.2),
}  # fmt: skip
BOXES = ("softbox 100 x 140 cm", "octabox 120 cm", "beauty dish 55 cm")
DISTANCES_M = (1.4, 1.7, 2.0, 2.4)
FILLS = (-3.0, -2.0, -1.0)
AXES = ("key box", "key distance", "fill power")
WISHES = (
    {"text": "face f/8", "point": "face", "f_number": 8.0, "stops": None},
    {"text": "backdrop behind head -3 stops", "point": "backdrop behind head", "f_number": None, "stops": -3.0},
)
FAILED = 'the light "key" stands in the picture; move it back'
CAMERA_F = 8.0


def study_record(fills: tuple[float, ...] = FILLS, **changes: Any) -> dict[str, Any]:
    """The study as the sweep's plan has it."""
    return {
        "format": 1, "program": "halfstop", "title": "Which box, how near", "study": "boxes.yaml",
        "scene": "recital.yaml", "scene_title": "Season poster - violist",
        "axes": [
            {"name": AXES[0], "key": "lights.key.modifier", "unit": None, "values": list(BOXES), "base": BOXES[0]},
            {"name": AXES[1], "key": "lights.key.place.distance", "unit": "m",
             "values": [f"{d:g} m" for d in DISTANCES_M], "base": "170 cm", "base_number": 1.7},
            {"name": AXES[2], "key": "lights.fill.power", "unit": "stops",
             "values": [f"{f:g} stops" for f in fills], "base": "-1.2 stops", "base_number": -1.2},
        ],
        "wishes": list(WISHES), "reference": "face", "size": [40, 60], "samples": 8, "seed": 0, "quality": "draft",
        "keep": ["pictures", "readings", "checks"], "made_by": ["invented"],
    } | changes  # fmt: skip


def rows_of_study(fills: tuple[float, ...] = FILLS) -> list[dict[str, Any]]:
    """A row of the table for every variation: one fails, one waits, one has a dark point."""
    rng = np.random.default_rng(5)
    rows: list[dict[str, Any]] = []
    for number, (box, metres, fill) in enumerate(itertools.product(BOXES, DISTANCES_M, fills), 1):
        status = "failed" if box == BOXES[1] and metres == 1.4 else "waiting" if number == 9 else "done"
        row: dict[str, Any] = {
            "variation": number, "id": f"{number:020x}", "status": status,
            "reason": FAILED if status == "failed" else None,
            "axis.key box": box, "axis.key distance": f"{metres:g} m", "value.key distance": metres,
            "axis.fill power": f"{fill:g} stops", "value.fill power": fill,
        }  # fmt: skip
        if status == "done":
            dial = {"key": -2 * math.log2(metres) - BOXES.index(box) / 3, "fill": fill, "halo": 0.0}
            for place, point in enumerate(POINTS):
                parts = {light: REACH[light][place] + dial[light] + rng.normal(0, 0.05) for light in LIGHTS}
                for light, stops in parts.items():
                    row[f"incident.{point}.{light}"] = stops
                row[f"incident.{point}.combined"] = math.log2(sum(2**stops for stops in parts.values()))
            if number == 2:
                row["incident.gown.halo"] = None
            face, backdrop = row["incident.face.combined"], row["incident.backdrop behind head.combined"]
            row |= {
                "f_number": CAMERA_F, "contrast_stops": face - row["incident.shadow-side cheek.combined"],
                "wish.face": face, "wish.backdrop behind head": backdrop - face + 3.0,
                "score": math.sqrt((face**2 + (backdrop - face + 3.0) ** 2) / 2),
                "verdict.separation": "look" if backdrop < -2.9 else "good",
                "check.separation": "23 % of the outline is weak; look at the left shoulder",
                "verdict.flare": "good", "check.flare": "nothing shines into the lens",
                "picture": f"pictures/{number:020x}.png",
            }  # fmt: skip
        rows.append(row)
    best = sorted((row["score"], index) for index, row in enumerate(rows) if "score" in row)
    for rank, (_, index) in enumerate(best, 1):
        rows[index]["rank"] = rank
    return rows


def table_of(rows: list[dict[str, Any]]) -> Any:
    """The rows as an Arrow table, columns as in the sweep's."""
    import pyarrow as pa

    names = list(dict.fromkeys(name for row in rows for name in row))
    return pa.table({name: [row.get(name) for row in rows] for name in names})


@cache
def invented(fills: tuple[float, ...] = FILLS) -> tuple[list[dict[str, Any]], SweepPage]:
    """Rows and the page's data."""
    rows = rows_of_study(fills)
    record = study_record(fills) | {"lights": list(LIGHTS)}
    return rows, page_from_table(table_of(rows), record)


def written(folder: Path, page: SweepPage) -> Path:
    """The page in a folder, with a small grey picture for every variation that has one."""
    for index, variation in enumerate(page.variations):
        if variation.picture:
            file = folder / variation.picture
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(png(index % 200))
    place = folder / "index.html"
    place.write_text(html_from_page(page), "utf-8")
    return place


@cache
def png(grey: int) -> bytes:
    """A picture of one grey."""
    stream = io.BytesIO()
    Image.new("RGB", (40, 60), (grey + 20, grey, 60)).save(stream, "PNG")
    return stream.getvalue()


def sweep_folder(folder: Path, rows: list[dict[str, Any]]) -> None:
    """A folder as a sweep leaves it: plan, chunks and pictures, written by the sweep's own writer."""
    from sim.sweep.chunks import PLAN, SweepFolder
    from sim.sweep.setup import Result

    axes = study_record()["axes"]
    variations = [
        {"id": row["id"], "values": [row[f"axis.{axis['name']}"] for axis in axes],
         "numbers": [row.get(f"value.{axis['name']}") for axis in axes]}
        for row in rows
    ]  # fmt: skip
    results = []
    for row in rows:
        if row["status"] == "waiting":
            continue
        heads = ("incident", "verdict", "check", "contrast_stops", "f_number")
        kept = {name: value for name, value in row.items() if name.split(".")[0] in heads}
        files = {"picture": png(row["variation"])} if row["status"] == "done" else {}
        results.append(Result(row["id"], kept, files, row["reason"] or ""))
    with SweepFolder(folder).held() as home:
        home.write(PLAN, json.dumps(study_record() | {"variations": variations}).encode())
        home.add(results, {})
