"""All measurements as one record, and the table that people read."""

from __future__ import annotations

import importlib.metadata
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table

from sim.render.cache.stage import built_stage
from sim.render.engine import start_engine
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene
from tests.bench.child import STAGES, stages_in_children
from tests.bench.draft import draft_errors
from tests.bench.growth import change_times, growth_with_lights, growth_with_pixels, growth_with_triangles
from tests.bench.versus import versus_stock

FORMAT = 1
# What each ratio is to be at most; wall times are of a draft on two free cores.
TARGETS = {
    "layers_over_stock": 0.25,
    "sum_over_stock_all_on": 1.6,
    "added_light_over_one": 0.15,
    "draft_warm_wall_s": 5.0,
    "compiling_cold_wall_s": 15.0,
}


@dataclass(frozen=True)
class Plan:
    """How large a measurement is; sizes are (width, height) in pixels.

    `error_size` of pictures that are held against a reference of `reference_samples`, `time_size` of those that are
    timed with `samples` each; `small_size` for growth, with `growth_samples`; the draft of the whole process has
    `time_size` and `draft_samples`.
    """

    error_size: tuple[int, int]
    time_size: tuple[int, int]
    small_size: tuple[int, int]
    samples: int
    reference_samples: int
    growth_samples: int
    draft_samples: int
    repeats: int
    light_counts: tuple[int, ...]
    pixel_sizes: tuple[tuple[int, int], ...]
    cuts: tuple[int, ...]


FULL = Plan(
    (160, 240), (400, 600), (200, 300), 16, 512, 8, 4, 3, (1, 2, 4, 8, 16), ((100, 150), (200, 300), (400, 600)), (0, 1)
)
TINY = Plan((12, 18), (16, 24), (12, 18), 4, 8, 4, 4, 1, (1, 2), ((12, 18),), (0,))


class Subject:
    """The scene that is measured, built when first asked for."""

    def __init__(self, scene_file: Path) -> None:
        self.file = scene_file
        self.scene = load_scene(scene_file)
        self.layout = layout_from_scene(self.scene)

    @cached_property
    def stage(self) -> Any:
        """The built stage."""
        return built_stage(self.scene, self.layout)


def _stages(subject: Subject, plan: Plan) -> dict[str, Any]:
    return stages_in_children(subject.file, size=plan.time_size, samples=plan.draft_samples)


def _versus(subject: Subject, plan: Plan) -> dict[str, Any]:
    return versus_stock(
        subject.scene, subject.layout, size=plan.error_size, time_size=plan.time_size, samples=plan.samples,
        reference_samples=plan.reference_samples, repeats=plan.repeats,
    )  # fmt: skip


def _drafts(subject: Subject, plan: Plan) -> dict[str, Any]:
    rows = draft_errors(
        subject.scene, subject.layout, subject.stage, size=plan.small_size, reference_samples=plan.reference_samples,
        repeats=plan.repeats,
    )  # fmt: skip
    return {"size": list(plan.small_size), "reference_samples": plan.reference_samples, "rows": rows}


def _growth(subject: Subject, plan: Plan) -> dict[str, Any]:
    scene, layout, repeats = subject.scene, subject.layout, plan.repeats
    how: dict[str, Any] = {"size": plan.small_size, "samples": plan.growth_samples, "repeats": repeats}
    return {
        "lights": growth_with_lights(scene, layout, plan.light_counts, **{**how, "size": plan.time_size}),
        "pixels": growth_with_pixels(scene, layout, plan.pixel_sizes, samples=plan.growth_samples, repeats=repeats),
        "triangles": growth_with_triangles(scene, layout, plan.cuts, **how),
    }


def _changes(subject: Subject, plan: Plan) -> dict[str, Any]:
    return change_times(
        subject.scene, subject.layout, subject.stage, size=plan.time_size, samples=plan.draft_samples,
        repeats=plan.repeats,
    )  # fmt: skip


SECTIONS: dict[str, Callable[[Subject, Plan], dict[str, Any]]] = {
    "stages": _stages, "versus_stock": _versus, "drafts": _drafts, "growth": _growth, "changes": _changes,
}  # fmt: skip


def measure(
    scene_file: Path, plan: Plan, sections: Sequence[str] = tuple(SECTIONS),
    tell: Callable[[str], None] = lambda section: None,
) -> dict[str, Any]:  # fmt: skip
    """Measure the sections and return them as plain data, each with the load average before and after it."""
    engine = start_engine()
    subject = Subject(scene_file)
    record: dict[str, Any] = {
        "format": FORMAT,
        "scene": subject.scene.title,
        "machine": {
            "engine": engine.variant, "threads": engine.threads, "cpus": os.cpu_count(), "load_average": {},
            "versions": {name: importlib.metadata.version(name) for name in ("mitsuba", "drjit", "numpy", "pyoidn")},
        },
        "targets": TARGETS,
    }  # fmt: skip
    for name in sections:
        tell(name.replace("_", " "))
        before = os.getloadavg()
        record[name] = SECTIONS[name](subject, plan)
        record["machine"]["load_average"][name] = [list(before), list(os.getloadavg())]
    return record | {"headline": headline(record)}


def headline(record: dict[str, Any]) -> dict[str, float]:
    """The numbers that have a target, of the sections that there are."""
    found: dict[str, float] = {}
    if "versus_stock" in record:
        found["layers_over_stock"] = record["versus_stock"]["geometric_mean_trimmed"]
        found["sum_over_stock_all_on"] = record["versus_stock"]["all_on"]["ratio_trimmed"]
    if "growth" in record:
        found["added_light_over_one"] = record["growth"]["lights"]["added_over_one"]
    if "stages" in record:
        found["draft_warm_wall_s"] = record["stages"]["whole_preview"]["fresh"]["wall_s"]
        found["compiling_cold_wall_s"] = record["stages"]["cold"]["compiling"]["wall_s"]
    return found


def merged(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """Sections measured now in place of those of an earlier record of the same scene; others are kept."""
    if old.get("format") != FORMAT or old.get("scene") != new["scene"]:
        return new
    load = old["machine"]["load_average"] | new["machine"]["load_average"]
    both = old | new | {"machine": new["machine"] | {"load_average": load}}
    return both | {"headline": headline(both)}


def json_text(record: dict[str, Any]) -> str:
    """The record as JSON text."""
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def tables(record: dict[str, Any]) -> RenderableType:
    """The sections of a record as tables."""
    goals = _table("Against the goals", "measure", "measured", "at most")
    for name, value in record["headline"].items():
        goals.add_row(name.replace("_", " "), _short(value), _short(record["targets"][name]))
    drawn = {
        "versus_stock": _versus_table, "drafts": _draft_table, "stages": _stage_table, "growth": _growth_table,
        "changes": _change_table,
    }  # fmt: skip
    return Group(goals, *(draw(record[name]) for name, draw in drawn.items() if name in record))


def _versus_table(versus: dict[str, Any]) -> Table:
    table = _table(
        f"Time x squared error, ours over stock: {versus['problem']}, {versus['samples']} samples",
        "light", "our s", "stock s", "our error", "stock error", "ratio", "ratio, trimmed",
    )  # fmt: skip
    for row in [*versus["lights"], {"light": "sum, all on", **versus["all_on"]}]:
        keys = ("our_s", "stock_s", "our_error_trimmed", "stock_error_trimmed", "ratio", "ratio_trimmed")
        table.add_row(row["light"], *(_short(row[key]) for key in keys))
    means = (versus["geometric_mean"], versus["geometric_mean_trimmed"])
    table.add_row("geometric mean of the lights", "", "", "", "", *map(_short, means))
    return table


def _draft_table(drafts: dict[str, Any]) -> Table:
    table = _table(
        "Draft: squared error (worst hundredth left out) and process time",
        "samples", "trace s", "as traced", "fast s", "fast", "high s", "high",
    )  # fmt: skip
    keys = (
        "trace_process_s", "error_trimmed", "denoise_fast_process_s", "denoised_fast_error_trimmed",
        "denoise_high_process_s", "denoised_high_error_trimmed",
    )  # fmt: skip
    for row in drafts["rows"]:
        table.add_row(str(row["samples"]), *(_short(row[key]) for key in keys))
    return table


def _stage_table(stages: dict[str, Any]) -> Table:
    cold, warm, whole = stages["cold"], stages["warm"], stages["whole_preview"]
    table = _table("Stages of a draft, process s (wall s)", "stage", "cold", "warm", "again in one process")
    for name in STAGES:
        cells = (cold["first"], warm["first"], warm["again"])
        table.add_row(name, *(_both(cell[name]) if name in cell else "" for cell in cells))
    table.add_row("of which compiling", _both(cold["compiling"]), _both(warm["compiling"]), "")
    added = stages["kernels_added_by_moved_lights"]
    table.add_row("kernels compiled", str(stages["kernels"]), f"{added} more for moved lights", "")
    table.add_row("peak memory, MiB", *(f"{run['peak_memory_MiB']:.0f}" for run in (cold, warm)), "")
    table.add_row("whole command", "", _both(whole["fresh"]), f"layers kept: {_both(whole['kept'])}")
    return table


def _growth_table(growth: dict[str, Any]) -> Table:
    table = _table("Growth", "what", "process s", "ratio")
    for row in growth["lights"]["rows"]:
        told = f"{_short(row['added_over_one'])} of one light's time for each added" if "added_over_one" in row else ""
        table.add_row(f"{row['lights']} soft boxes", _short(row["process_s"]), told)
    for row in growth["pixels"]:
        told = f"{_short(row['process_s_per_million_rays'])} s for a million rays"
        table.add_row("x".join(map(str, row["size"])), _short(row["process_s"]), told)
    for row in growth["triangles"]:
        table.add_row(f"{row['triangles']} triangles", _short(row["process_s"]), _short(row["over_first"]))
    return table


def _change_table(changes: dict[str, Any]) -> Table:
    table = _table("What a change costs", "change", "process s", "over a whole render")
    for name, row in changes.items():
        table.add_row(name.replace("_", " "), _short(row["process_s"]), _short(row["over_render_all"]))
    return table


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        table.add_column(column, justify="right" if index else "left")
    return table


def _both(times: dict[str, float]) -> str:
    return f"{_short(times['process_s'])} ({_short(times['wall_s'])})"


def _short(value: float) -> str:
    return f"{value:.3g}"
