"""All chunks of a sweep as one table: variations in the study's order, with values, readings, verdicts and rank."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from sim.advice.balance import Wish
from sim.metering.report_points import KEY_CHEEK, SHADOW_CHEEK
from sim.sweep.chunks import DONE, FAILED, FOLDERS, TABLES, WAITING, SweepFolder
from sim.sweep.columns import COMBINED, about, ordered, unit_of
from sim.sweep.plan import AxisRecord, StudyRecord, VariationRecord, WishRecord

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
    variations, axes = plan["variations"], plan["axes"]
    chunks = [table for _, table in home.chunks()]
    held = (
        pa.concat_tables(chunks, promote_options="default") if chunks else pa.table({"id": pa.array([], pa.string())})
    )
    place = {name: index for index, name in reversed(list(enumerate(held.column("id").to_pylist())))}
    rows = pa.array([place.get(variation["id"]) for variation in variations], pa.int64())
    taken = held.take(rows)
    leave = {"id", "status", "reason", *(f"{kind}_bytes" for kind in FOLDERS)}
    columns: dict[str, pa.Array] = {
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
    record = {name: value for name, value in plan.items() if name != "variations"}
    record |= {"lights": _lights(columns), "points": _points(columns)}
    metadata = {METADATA_KEY: json.dumps(record, ensure_ascii=False).encode()}
    return pa.table([columns[field.name] for field in fields], schema=pa.schema(fields, metadata=metadata))


def study_of(table: pa.Table) -> StudyRecord:
    """The study that a table was made for, from its metadata."""
    record: StudyRecord = json.loads(table.schema.metadata[METADATA_KEY])
    return record


def write_tables(home: SweepFolder) -> pa.Table:
    """Write the whole table into its folder, as Parquet and as CSV for a spreadsheet."""
    table = read_table(home.path)
    for name, write in zip(TABLES, (pq.write_table, pa.csv.write_csv), strict=True):
        stream = io.BytesIO()
        write(table, stream)
        home.write(name, stream.getvalue())
    return table


def _plan_columns(
    variations: Sequence[VariationRecord], axes: Sequence[AxisRecord], taken: pa.Table
) -> dict[str, pa.Array]:
    names = taken.column_names
    status = taken.column("status").to_pylist() if "status" in names else [None] * len(variations)
    reason = taken.column("reason").to_pylist() if "reason" in names else [None] * len(variations)
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


def score_columns(columns: Mapping[str, pa.Array], wishes: Sequence[WishRecord], reference: str) -> dict[str, pa.Array]:
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
    columns_of_wishes = {f"wish.{point}": _nullable(miss) for point, miss in misses.items()}
    return columns_of_wishes | {
        "score": _nullable(score),
        "rank": pa.array([int(r) if s == s else None for r, s in zip(rank, score, strict=True)], pa.int32()),
    }


def _miss(columns: Mapping[str, pa.Array], wish: Wish, reference: str, count: int) -> npt.NDArray[np.float64]:
    got = _over_camera(columns, wish.point, count)
    if wish.f_number is not None:
        apertures = _numbers(columns, "f_number", count)
        over: npt.NDArray[np.float64] = got + 2 * np.log2(apertures) - 2 * math.log2(wish.f_number)
        return over
    against = np.zeros(count) if reference == "camera" else _over_camera(columns, reference, count)
    miss: npt.NDArray[np.float64] = got - against - float(wish.stops or 0.0)
    return miss


def _over_camera(columns: Mapping[str, pa.Array], point: str, count: int) -> npt.NDArray[np.float64]:
    """Stops over the camera's f-number that a wish's point reads, as a balance reads it."""
    kind = "flat" if point in (KEY_CHEEK, SHADOW_CHEEK) else "incident"
    return _numbers(columns, f"{kind}.{point}.{COMBINED}", count)


def _numbers(columns: Mapping[str, pa.Array], name: str, count: int) -> npt.NDArray[np.float64]:
    if name not in columns:
        return np.full(count, np.nan)
    return np.array([math.nan if value is None else value for value in columns[name].to_pylist()], float)


def _nullable(values: npt.NDArray[np.float64]) -> pa.Array:
    return pa.array([None if math.isnan(value) else float(value) for value in values], pa.float64())


def _unit(name: str, axes: Sequence[AxisRecord]) -> str:
    head, _, rest = name.partition(".")
    if head == "value":
        return next((axis["unit"] or "" for axis in axes if axis["name"] == rest), "")
    return unit_of(name)


def _lights(columns: Mapping[str, pa.Array]) -> list[str]:
    names = [name.split(".")[2] for name in columns if name.startswith(("incident.", "flat."))]
    return [name for name in dict.fromkeys(names) if name != COMBINED]


def _points(columns: Mapping[str, pa.Array]) -> dict[str, list[str]]:
    return {
        kind: list(dict.fromkeys(name.split(".")[1] for name in columns if name.startswith(f"{kind}.")))
        for kind in ("incident", "spot", "flat")
    }
