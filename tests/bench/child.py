"""One run in a process of its own: the time of each stage and the peak memory, as JSON on standard output.

Usage: python -m tests.bench.child SCENE SIZE SAMPLES. Kernels compiled before lie in DRJIT_CACHE_DIR.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
STAGES = ("import", "engine", "load", "trace", "meters", "denoise", "write")


def main(scene: str, size: str, samples: str) -> None:
    """Preview a scene twice in this process and print where the time went."""
    marks = [("", *_now())]

    def mark(stage: str) -> None:
        # A stage ends where the next begins.
        if marks[-1][0] != stage:
            marks.append((stage, *_now()))

    mark("import")
    from sim.reports.preview import QUALITIES, PreviewOrder, run_preview

    mark("engine")
    from sim.render.engine import start_engine

    start_engine()
    runs = []
    with tempfile.TemporaryDirectory(prefix="halfstop-bench-") as folder:
        for number in range(2):
            mark("load")
            order = PreviewOrder(QUALITIES["draft"], Path(folder) / str(number), size, int(samples), fresh=True)
            run_preview(Path(scene), order, lambda step, part: mark("write" if step == "files" else step))
            mark("end")
            runs.append(_stages(marks))
            marks = marks[-1:]
    first, again = runs
    # The same work again, without compiling: the difference is the compiler's (or reading compiled kernels).
    compiling = {kind: first["trace"][kind] - again["trace"][kind] for kind in first["trace"]}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"first": first, "again": again, "compiling": compiling, "peak_memory_MiB": peak / 1024}))


def _now() -> tuple[float, float]:
    return time.process_time(), time.perf_counter()


def _stages(marks: list[tuple[str, float, float]]) -> dict[str, dict[str, float]]:
    found = {}
    for (name, process, wall), (_, process_end, wall_end) in pairwise(marks):
        if name in STAGES:
            found[name] = {"process_s": process_end - process, "wall_s": wall_end - wall}
    return found


def stages_in_children(scene_file: Path, *, size: tuple[int, int], samples: int) -> dict[str, Any]:
    """Stages with no kernel compiled before, with all of them, and with every light moved; how many were compiled."""
    asked = [str(scene_file), f"{size[0]}x{size[1]}", str(samples)]
    with tempfile.TemporaryDirectory(prefix="halfstop-bench-") as folder:
        kernels, moved = Path(folder) / "kernels", Path(folder) / "moved.yaml"
        kernels.mkdir()
        _write_moved(scene_file, moved)
        cold = _child(["tests.bench.child", *asked], kernels)
        compiled = _files(kernels)
        warm = _child(["tests.bench.child", *asked], kernels)
        _child(["tests.bench.child", str(moved), *asked[1:]], kernels)
        return {
            "size": list(size), "samples": samples, "cold": cold, "warm": warm, "kernels": compiled,
            "kernels_added_by_moved_lights": _files(kernels) - compiled,
            "whole_preview": _whole_previews(asked, kernels, Path(folder)),
        }  # fmt: skip


def _whole_previews(asked: list[str], kernels: Path, folder: Path) -> dict[str, dict[str, float]]:
    """Whole process from command to files: kernels compiled but layers not kept, then with kept layers."""
    scene, size, samples = asked
    command = ["sim", "preview", scene, "--draft", "--size", size, "--samples", samples, "--out", str(folder / "out")]
    times = {}
    for name, more in (("fresh", ["--fresh"]), ("keeping", []), ("kept", [])):
        before, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        _run([*command, *more], kernels, folder / "layers")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        process = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        times[name] = {"process_s": process, "wall_s": time.perf_counter() - wall}
    return times


def _write_moved(scene_file: Path, moved: Path) -> None:
    """Write the scene with every light a little to one side."""
    from sim.scene.read import load_scene

    data, scene = yaml.safe_load(scene_file.read_text("utf-8")), load_scene(scene_file)
    for name, light in scene.lights.items():
        x, y, z = light.place.position_m
        data["lights"][name]["place"] = {"at": [f"{x + 0.013:.4f} m", f"{y:.4f} m", f"{z:.4f} m"]}
    moved.write_text(yaml.safe_dump(data, allow_unicode=True, sort_keys=False), "utf-8")


def _child(command: list[str], kernels: Path) -> dict[str, Any]:
    return json.loads(_run(command, kernels, None).strip().splitlines()[-1])


def _run(command: list[str], kernels: Path, layers: Path | None) -> str:
    environ = dict(os.environ, DRJIT_CACHE_DIR=str(kernels), HALFSTOP_CACHE=str(layers or "off"))
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, env=environ, capture_output=True, text=True, timeout=1200,
        check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr.strip()[-500:]}")
    return done.stdout


def _files(folder: Path) -> int:
    return sum(path.is_file() for path in folder.rglob("*"))


if __name__ == "__main__":
    main(*sys.argv[1:])
