"""What of this machine halfstop can use, as plain lines: engine, denoiser, rig view, threads, memory, cache."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

import sim
from sim.cli.cache import cache_line
from sim.render.engine import EngineReport, describe_engines, llvm_version, wanted_engine

TRIAL_LIMIT_S = 60.0
PACKAGES = ("mitsuba", "drjit", "numpy", "pyoidn", "pyrender", "trimesh")

_DENOISER_TRIAL = """
import numpy as np, pyoidn
noisy = np.random.default_rng(1).gamma(1.0, 1.0, (64, 64, 3)).astype(np.float32)
clean = pyoidn.denoise(noisy, hdr=True)
assert clean.std() < 0.5 * noisy.std() and abs(clean.mean() / noisy.mean() - 1) < 0.2, "it does not denoise"
"""
_RIG_VIEW_TRIAL = """
import numpy as np, pyrender, trimesh
scene = pyrender.Scene(ambient_light=(1.0, 1.0, 1.0))
scene.add(pyrender.Mesh.from_trimesh(trimesh.creation.box((1, 1, 1))))
pose = np.eye(4)
pose[2, 3] = 3.0
scene.add(pyrender.PerspectiveCamera(1.0), pose=pose)
view = pyrender.OffscreenRenderer(32, 32)
depth = view.render(scene)[1]
view.delete()
assert abs(depth[16, 16] - 2.5) < 0.05, "wrong depth"
"""


def doctor_lines(*, fresh: bool = True) -> tuple[list[str], bool]:
    """Lines for `halfstop doctor` and whether pictures can be rendered here.

    fresh: try every engine again, and not trust verdicts remembered from earlier.
    Does not: start an engine in this process or change anything on the machine.
    Raises EngineError when HALFSTOP_ENGINE names no engine.
    """
    wanted = wanted_engine(os.environ)
    reports = describe_engines(fresh=fresh)
    chosen, engine_lines = _engine_lines(reports, wanted)
    system = f"{platform.system()} {platform.machine()}"
    lines = [
        f"halfstop {sim.__version__}, Python {platform.python_version()}, {system}",
        *engine_lines,
        f"packages: {', '.join(_versions(PACKAGES))}",
        f"denoiser: {_trial(_DENOISER_TRIAL, {})}",
        f"rig view: {_rig_view()}",
        f"threads: {len(os.sched_getaffinity(0))} of {os.cpu_count()} cores may be used",
        f"memory: {_memory()}",
        cache_line(os.environ),
    ]
    return lines, chosen is not None


def _engine_lines(reports: Iterable[EngineReport], wanted: str | None) -> tuple[EngineReport | None, list[str]]:
    """The engine that a render would use, and a line for it and for each one it would not."""
    chosen: EngineReport | None = None
    others: list[str] = []
    for report in reports:
        name = _engine_name(report)
        if not report.usable:
            others.append(f"  not {name}: {report.reason}")
        elif wanted not in (None, report.name):
            others.append(f"  not {name}: works, but HALFSTOP_ENGINE={wanted} asks for the other engine")
        elif chosen is not None:
            others.append(f"  not {name}: works, but the one above comes first")
        else:
            chosen = report
    if chosen is None:
        cure = "install LLVM 17 or newer (Debian: apt-get install libatomic1 libllvm19), then run again"
        return None, [f"engine: NONE WORKS: {cure}", *others]
    return chosen, [f"engine: {_engine_name(chosen)}: {chosen.reason}", *others]


def _engine_name(report: EngineReport) -> str:
    if report.library is None:
        return "CUDA (graphics card)" if report.name == "cuda" else "LLVM"
    version = ".".join(map(str, llvm_version(report.library)))
    return f"LLVM {version} ({report.library})".replace("  ", " ")


def _versions(distributions: Iterable[str]) -> list[str]:
    versions = []
    for name in distributions:
        try:
            versions.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            versions.append(f"{name} missing")
    return versions


def _rig_view() -> str:
    """Try the ways to draw without a screen; name the first that works, else the last one's reason."""
    verdict = ""
    for platform_name, label in (("egl", "EGL"), ("osmesa", "OSMesa")):
        verdict = _trial(_RIG_VIEW_TRIAL, {"PYOPENGL_PLATFORM": platform_name})
        if verdict == "works":
            return f"works through OpenGL ({label})"
    return f"no OpenGL without a screen ({verdict}); Debian: apt-get install libegl1 libgl1 libgl1-mesa-dri"


def _trial(code: str, environ: dict[str, str]) -> str:
    """Run a trial in a child process, which may crash without harm: "works" or why not."""
    with tempfile.TemporaryDirectory(prefix="halfstop-doctor-") as empty:
        try:
            child = subprocess.run(
                [sys.executable, "-P", "-c", code], env={**os.environ, **environ}, cwd=empty,
                stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace",
                timeout=TRIAL_LIMIT_S, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return f"took longer than {TRIAL_LIMIT_S:.0f} s"
    if child.returncode == 0:
        return "works"
    lines = [line.strip() for line in child.stderr.splitlines() if line.strip()]
    return (lines or [f"ended with status {child.returncode}"])[-1][:160]


def _memory() -> str:
    """Memory free and in all, as Linux tells it."""
    try:
        facts = dict(line.split(":", 1) for line in Path("/proc/meminfo").read_text("utf-8").splitlines())
        free, total = (int(facts[key].split()[0]) / 2**20 for key in ("MemAvailable", "MemTotal"))
    except (OSError, KeyError, ValueError):
        return "unknown"
    return f"{free:.1f} GiB free of {total:.1f} GiB"
