"""Sweeps measured: `python -m tests.bench sweep` prints and saves cost, sameness, pace and the model of many workers.

    cost   processor time of a whole study, all processes together, against separate previews of some of its variations
           in the same run, times their number
    same   one small study by one worker and by two: every row and picture must be equal
    pace   wall time with one and with two workers of one thread each, from when the workers stand ready
    model  the queue's model against runs whose work only waits, with more workers than there are cores
Judge `cost` on any machine, `pace` on a quiet one with two cores to spare.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.render.engine import engine_in_use
from sim.sweep.chunks import SweepFolder
from sim.sweep.cluster import workers_here
from sim.sweep.groups import groups_of, mix_cost_s
from sim.sweep.run import request_for
from sim.sweep.scheduler import Scheduler, Work
from sim.sweep.setup import Group, GroupRequest, Result
from sim.sweep.study import load_study
from sim.sweep.table import read_table
from sim.sweep.variations import MOST_VARIATIONS, Variation, maker, variations_of
from sim.sweep.writer import THREADS, Writer
from tests.bench.pace import Costs, efficiency, wall_s_from_workers
from tests.bench.sleepers import SPEED_UP, waiting_mix, waiting_trace
from tests.sweep.sweep_faults import damaged_files

ROOT = Path(__file__).resolve().parents[2]
STUDY = ROOT / "scenes" / "studies" / "modifiers.yaml"
SECTIONS = ("cost", "same", "pace", "model")
MODEL_WORKERS = (1, 2, 4, 8, 16)
FAR_WORKERS = (10, 100, 1000)
# A study of the same kind, small enough to be run several times.
SHORT = """\
halfstop_study: 1
title: Short form of a study, for measuring
scene: {scene}
axes:
  - {{key: key.place.distance, range: {{from: 1.4 m, to: 2 m, count: {geometries}}}}}
  - {{key: fill.power, values: [-3 stops, -2 stops, -1 stop]}}
size: {size}
"""


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure what the command line asks for, print it and save it."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench sweep", description="Measure sweeps.")
    parser.add_argument("--study", type=Path, default=STUDY, help="study whose cost is measured")
    parser.add_argument("--previews", type=int, default=4, help="previews to set it against")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=list(SECTIONS), help="measure these")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench-sweep.json", help="JSON file to write")
    asked = parser.parse_args(arguments)
    record: dict[str, Any] = json.loads(asked.out.read_text("utf-8")) if asked.out.is_file() else {}
    with tempfile.TemporaryDirectory(prefix="halfstop-bench-") as folder:
        for section in asked.only:
            print(f"{section} ...", file=sys.stderr, flush=True)
            work = {"cost": lambda: cost(asked.study, Path(folder), asked.previews), "same": lambda: same(Path(folder)),
                    "pace": lambda: pace(Path(folder)), "model": lambda: model(asked.study, Path(folder))}  # fmt: skip
            record[section] = work[section]()
            print(json.dumps({section: record[section]}, indent=1), flush=True)
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(json.dumps(record, indent=1) + "\n", "utf-8")
    print(f"saved in {asked.out}")


# -- cost ----------------------------------------------------------------------------------------


def cost(study_file: Path, folder: Path, previews: int) -> dict[str, Any]:
    """Processor time of a study's sweep over that of as many previews, from a sample of them."""
    study = load_study(study_file)
    request = request_for(study, maker(engine_in_use().variant))
    variations = [v for v in variations_of(study, request) if not v.refused]
    chosen = random.Random(1).sample(variations, previews)
    whole = timed_command(["sweep", str(study_file), "--out", str(folder / "cost")])
    singles = [_preview(variation, folder) for variation in chosen]
    single_s = sum(one["process_s"] for one in singles) / len(singles)
    table = read_table(folder / "cost")
    done = table.column("status").to_pylist().count("done")
    return {
        "variations": len(variations), "done": done, "groups": len({v.group for v in variations}), "sweep": whole,
        "process_s_per_variation": whole["process_s"] / done, "preview_process_s": [o["process_s"] for o in singles],
        "ratio": whole["process_s"] / (single_s * len(variations)),
        "bytes": {name: _bytes(folder / "cost" / name) for name in ("pictures", "chunks")},
        "cpu_hours_per_1000": whole["process_s"] / done * 1000 / 3600,
    }  # fmt: skip


def _preview(variation: Variation, folder: Path) -> dict[str, float]:
    path = folder / f"{variation.id}.yaml"
    path.write_text(variation.text, "utf-8")
    for name, data in variation.files:
        (folder / name).write_bytes(data)
    return timed_command(["preview", str(path), "--draft", "--fresh", "--out", str(folder / variation.id)])


def timed_command(command: Sequence[str], **environ: str) -> dict[str, float]:
    """Run a command of ours; processor time of it and all its processes, wall time, and the largest one's memory."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "sim", *command], cwd=ROOT, env={**os.environ, **environ}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr.strip()[-500:]}")
    return {
        "process_s": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        "wall_s": time.perf_counter() - start, "peak_MiB": after.ru_maxrss / 1024,
    }  # fmt: skip


def _bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


# -- same and pace -------------------------------------------------------------------------------


def same(folder: Path) -> dict[str, Any]:
    """One study by one worker and by two: whether every value and every picture's checksum agrees."""
    study = _short(folder, geometries=4, size=120)
    for workers in ("1", "2"):
        timed_command(["sweep", str(study), "--out", str(folder / f"same-{workers}"), "--workers", workers])
    one, two = (read_table(folder / f"same-{workers}") for workers in ("1", "2"))
    damaged = [name for workers in ("1", "2") for name in damaged_files(SweepFolder(folder / f"same-{workers}"))]
    return {"rows": one.num_rows, "columns": one.num_columns, "equal": one.equals(two), "damaged": damaged}


def pace(folder: Path, geometries: int = 12) -> dict[str, Any]:
    """Wall time of one study with one worker and with two, one thread each, engines warm."""
    study = load_study(_short(folder, geometries=geometries, size=300))
    request = request_for(study, maker(engine_in_use().variant))
    groups = groups_of(variations_of(study, request), request, study.base.path.name)
    walls, processor = {}, {}
    for workers in (1, 2):
        os.environ["HALFSTOP_THREADS"] = str(workers)
        with workers_here(workers) as ready:
            # Let every engine start and compile before the clock runs.
            _run(ready.client, request, groups[:workers], SweepFolder(folder / f"warm-{workers}"), None)
            before = ready.client.run(time.process_time)
            walls[workers], _ = _run(ready.client, request, groups, SweepFolder(folder / f"pace-{workers}"), None)
            after = ready.client.run(time.process_time)
        processor[workers] = sum(after[name] - before[name] for name in after)
    del os.environ["HALFSTOP_THREADS"]
    return {
        "groups": len(groups), "variations": sum(len(group.variations) for group in groups), "wall_s": walls,
        "workers_process_s": processor, "efficiency": walls[1] / (2 * walls[2]),
        "processor_bound_efficiency": processor[1] / processor[2],
    }  # fmt: skip


def _short(folder: Path, *, geometries: int, size: int) -> Path:
    path = folder / f"short-{geometries}-{size}.yaml"
    scene = ROOT / "scenes" / "recital.yaml"
    path.write_text(SHORT.format(scene=scene, geometries=geometries, size=size), "utf-8")
    return path


# -- model ---------------------------------------------------------------------------------------


def model(study_file: Path, folder: Path) -> dict[str, Any]:
    """Runs whose work only waits, against the queue's model; then what the model says of many workers."""
    study = load_study(study_file)
    request = request_for(study, maker(engine_in_use().variant))
    groups = groups_of(variations_of(study, request), request, study.base.path.name)
    chunks_s = [(group.trace_s + mix_cost_s(request) * len(group.variations)) / SPEED_UP for group in groups]
    waiting = Work(waiting_trace, waiting_mix)
    measured: dict[int, float] = {}
    writes: list[float] = []
    for workers in MODEL_WORKERS:
        with workers_here(workers) as ready:
            _run(
                ready.client, request, groups[: min(workers, len(groups))], SweepFolder(folder / f"w{workers}"), waiting
            )
            measured[workers], each = _run(ready.client, request, groups, SweepFolder(folder / f"m{workers}"), waiting)
        writes += each
    write_s = sum(writes) / len(writes)
    task_s = max(0.0, (measured[1] - sum(chunks_s) - write_s) / len(chunks_s))
    costs = Costs(task_s, write_s, THREADS)
    rows = [
        {"workers": workers, "measured_s": wall_s, "model_s": wall_s_from_workers(chunks_s, workers, costs)}
        for workers, wall_s in measured.items()
    ]
    for row in rows:
        row["model_over_measured"] = row["model_s"] / row["measured_s"]
    # Real costs, and as many groups like the study's as a study may have.
    times = MOST_VARIATIONS // sum(len(group.variations) for group in groups)
    real_s = [chunk_s * SPEED_UP for chunk_s in chunks_s] * times
    far = [
        {"workers": workers, "variations": times * sum(len(group.variations) for group in groups),
         "wall_s": wall_s_from_workers(real_s, workers, costs), "efficiency": efficiency(real_s, workers, costs)}
        for workers in FAR_WORKERS
    ]  # fmt: skip
    return {
        "task_s": task_s, "write_s_per_chunk": write_s, "writers": THREADS, "speed_up": SPEED_UP, "points": rows,
        "far": far,
    }  # fmt: skip


def _run(
    client: Any, request: GroupRequest, groups: Sequence[Group], home: SweepFolder, work: Work | None
) -> tuple[float, list[float]]:
    """Wall time of some groups' work on workers that stand ready, and the time that writing each chunk took."""
    writes: list[float] = []

    def on_results(results: list[Result], cost_s: float) -> None:
        start = time.perf_counter()
        home.add(results, {})
        writes.append(time.perf_counter() - start)

    with home.held():
        begun = time.perf_counter()
        with Writer(on_results) as writer:
            Scheduler(client, request, writer, work).run(groups)
        return time.perf_counter() - begun, writes


if __name__ == "__main__":
    main()
