"""All chunks of a sweep as one table: variations in the study's order, with values, readings, verdicts and rank."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
from ruamel.yaml import YAML

from sim.advice.balance import Wish
from sim.metering.report_points import KEY_CHEEK, SHADOW_CHEEK
from sim.reports.sheets.captions import modifier_text
from sim.scene.edit import flow_text
from sim.sweep.amounts import amount_from_value
from sim.sweep.axes import Axis
from sim.sweep.chunks import DONE, FAILED, FOLDERS, TABLES, WAITING, SweepFolder
from sim.sweep.columns import COMBINED, about, ordered, unit_of
from sim.sweep.setup import GroupRequest
from sim.sweep.study import Study
from sim.sweep.variations import Variation

FORMAT = 1
METADATA_KEY = b"halfstop"


def read_table(folder: str | Path) -> pa.Table:
    """The table of a sweep's folder, finished or not: a row for every variation of its last plan, in order.

    Columns as in `sim.sweep.columns`; every field has metadata `about` and `unit`. The table's metadata `halfstop` is
    JSON: format, program, title, study and scene file, axes (name, key, unit, values), lights, points, wishes,
    reference, size, samples, seed, quality, keep.
    Does not: show variations of earlier plans, though their chunks are kept. Raises `HalfstopError`.
    """
    home = SweepFolder(Path(folder))
    plan = home.plan()
    variations, axes = plan.pop("variations"), plan["axes"]
    chunks = [table for _, table in home.chunks()]
    held = (
        pa.concat_tables(chunks, promote_options="default") if chunks else pa.table({"id": pa.array([], pa.string())})
    )
    place = {name: index for index, name in reversed(list(enumerate(held.column("id").to_pylist())))}
    rows = pa.array([place.get(variation["id"]) for variation in variations], pa.int64())
    taken = held.take(rows)
    leave = {"id", "status", "reason", *(f"{kind}_bytes" for kind in FOLDERS)}
    columns: dict[str, Any] = {
        name: taken.column(name).combine_chunks()
        for name in taken.column_names
        if name not in leave and not name.startswith("axis.")
    }
    columns |= _plan_columns(variations, axes, taken)
    columns |= score_columns(columns, plan["wishes"], plan["reference"])
    fields = [
        pa.field(name, columns[name].type, metadata={"about": about(name), "unit": _unit(name, axes)})
        for name in ordered(columns)
    ]
    plan |= {"lights": _lights(columns), "points": _points(columns)}
    metadata = {METADATA_KEY: json.dumps(plan, ensure_ascii=False).encode()}
    return pa.table([columns[field.name] for field in fields], schema=pa.schema(fields, metadata=metadata))


def study_of(table: pa.Table) -> dict[str, Any]:
    """The study that a table was made for, from its metadata."""
    told: dict[str, Any] = json.loads(table.schema.metadata[METADATA_KEY])
    return told


def write_tables(home: SweepFolder) -> pa.Table:
    """Write the whole table into its folder, as Parquet and as CSV for a spreadsheet."""
    table = read_table(home.path)
    for name, write in zip(TABLES, (pq.write_table, pa.csv.write_csv), strict=True):
        stream = io.BytesIO()
        write(table, stream)
        home.write(name, stream.getvalue())
    return table


def plan_record(study: Study, request: GroupRequest, variations: Sequence[Variation]) -> dict[str, Any]:
    """The plan of a run as plain data."""
    from sim import __version__

    return {
        "format": FORMAT,
        "program": f"halfstop {__version__}",
        "title": study.title,
        "study": study.path.name,
        "scene": study.base.path.name,
        "scene_title": study.base.scene.title,
        "axes": [
            {"name": axis.name, "key": ".".join(map(str, axis.path)), "unit": axis.unit,
             "values": [value.text for value in axis.values], **_base(study, axis)}
            for axis in study.axes
        ],
        "wishes": [
            {"text": wish.text, "point": wish.point, "f_number": wish.f_number, "stops": wish.stops}
            for wish in study.wishes
        ],
        "reference": study.reference,
        "size": list(request.size),
        "samples": request.samples,
        "seed": request.seed,
        "quality": study.quality,
        "keep": list(request.keep),
        "made_by": list(request.maker),
        "variations": [
            {"id": variation.id, "values": [value.text for value in variation.values],
             "numbers": [value.amount.number if value.amount else None for value in variation.values],
             **({"refused": variation.refused} if variation.refused else {})}
            for variation in variations
        ],
    }  # fmt: skip


def _base(study: Study, axis: Axis) -> dict[str, Any]:
    """The base scene's own value of an axis, as text and number; nulls where the scene leaves it out."""
    value: Any = YAML(typ="safe", pure=True).load(study.base.text.removeprefix("\ufeff"))
    for part in axis.path:
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            value = value[part]
        else:
            value = None
    if value is None:
        return {"base": None, "base_number": None}
    amount = amount_from_value(value)
    if axis.path[0] == "lights" and axis.path[-1] == "modifier":
        text = modifier_text(study.base.scene.lights[str(axis.path[1])])
    else:
        text = value if isinstance(value, str) else flow_text(value)
    return {"base": text, "base_number": amount.number if amount else None}


def _plan_columns(
    variations: Sequence[Mapping[str, Any]], axes: Sequence[Mapping[str, Any]], taken: pa.Table
) -> dict[str, pa.Array]:
    told = taken.column_names
    status = taken.column("status").to_pylist() if "status" in told else [None] * len(variations)
    reason = taken.column("reason").to_pylist() if "reason" in told else [None] * len(variations)
    columns = {
        "variation": pa.array(range(1, len(variations) + 1), pa.int32()),
        "id": pa.array([variation["id"] for variation in variations], pa.string()),
        "status": pa.array(
            [FAILED if v.get("refused") else s or WAITING for v, s in zip(variations, status, strict=True)], pa.string()
        ),
        "reason": pa.array([v.get("refused") or r for v, r in zip(variations, reason, strict=True)], pa.string()),
    }
    for index, axis in enumerate(axes):
        columns[f"axis.{axis['name']}"] = pa.array([v["values"][index] for v in variations], pa.string())
        if axis["unit"] is not None:
            columns[f"value.{axis['name']}"] = pa.array([v["numbers"][index] for v in variations], pa.float64())
    return columns


def score_columns(
    columns: Mapping[str, pa.Array], wishes: Sequence[Mapping[str, Any]], reference: str
) -> dict[str, pa.Array]:
    """Stops that every wish is missed by, their root mean square, and the rank; nulls where it cannot be told."""
    done = np.array(columns["status"].to_pylist()) == DONE
    if not wishes:
        return {}
    misses = {}
    for wish in wishes:
        plain = Wish(wish["point"], wish["f_number"], wish["stops"])
        misses[plain.point] = np.where(done, _miss(columns, plain, reference, len(done)), np.nan)
    table = np.array(list(misses.values()))
    score = np.sqrt(np.square(table).mean(axis=0))
    # Best first; the earlier variation goes before its equal.
    order = np.argsort(np.where(np.isnan(score), np.inf, score), kind="stable")
    rank = np.empty(len(score), int)
    rank[order] = np.arange(1, len(score) + 1)
    found = {f"wish.{point}": _nullable(miss) for point, miss in misses.items()}
    return found | {
        "score": _nullable(score),
        "rank": pa.array([int(r) if s == s else None for r, s in zip(rank, score, strict=True)], pa.int32()),
    }


def _miss(columns: Mapping[str, pa.Array], wish: Wish, reference: str, count: int) -> np.ndarray:
    got = _over_camera(columns, wish.point, count)
    if wish.f_number is not None:
        apertures = _numbers(columns, "f_number", count)
        return got + 2 * np.log2(apertures) - 2 * math.log2(wish.f_number)
    against = np.zeros(count) if reference == "camera" else _over_camera(columns, reference, count)
    return got - against - float(wish.stops or 0.0)


def _over_camera(columns: Mapping[str, pa.Array], point: str, count: int) -> np.ndarray:
    """Stops over the camera's f-number that a wish's point reads, as a balance reads it."""
    kind = "flat" if point in (KEY_CHEEK, SHADOW_CHEEK) else "incident"
    return _numbers(columns, f"{kind}.{point}.{COMBINED}", count)


def _numbers(columns: Mapping[str, pa.Array], name: str, count: int) -> np.ndarray:
    if name not in columns:
        return np.full(count, np.nan)
    return np.array([math.nan if value is None else value for value in columns[name].to_pylist()], float)


def _nullable(values: np.ndarray) -> pa.Array:
    return pa.array([None if math.isnan(value) else float(value) for value in values], pa.float64())


def _unit(name: str, axes: Sequence[Mapping[str, Any]]) -> str:
    head, _, rest = name.partition(".")
    if head == "value":
        return next((axis["unit"] or "" for axis in axes if axis["name"] == rest), "")
    return unit_of(name)


def _lights(columns: Mapping[str, Any]) -> list[str]:
    names = [name.split(".")[2] for name in columns if name.startswith(("incident.", "flat."))]
    return [name for name in dict.fromkeys(names) if name != COMBINED]


def _points(columns: Mapping[str, Any]) -> dict[str, list[str]]:
    return {
        kind: list(dict.fromkeys(name.split(".")[1] for name in columns if name.startswith(f"{kind}.")))
        for kind in ("incident", "spot", "flat")
    }
