"""Choose the renderer's engine (CUDA or LLVM), prove it in a child process, then start it here.

An LLVM library too old for the renderer does not raise an error: it aborts the process. So every engine is
first made to compile and trace rays in a child process with a time limit; the verdict is remembered in a
small file beside the environment, and a warm start reads that file only.

HALFSTOP_ENGINE=llvm or cuda forces one engine, DRJIT_LIBLLVM_PATH names a library to try first,
HALFSTOP_THREADS limits the threads.
"""

from __future__ import annotations

import ctypes
import importlib.metadata
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from sim.quantities.errors import EngineError
from sim.render.verdicts import Verdict, VerdictStore, verdict_files

# LLVM 16 and older cannot compile the renderer's floating-point maximum and abort (seen with 15 and 16).
OLDEST_LLVM = 17
PROBE_LIMIT_S = 120.0
VARIANTS = {"cuda": "cuda_ad_rgb", "llvm": "llvm_ad_rgb"}
SYSTEM_LIBRARY_GLOBS = (
    "/usr/lib/*-linux-gnu/libLLVM*.so*",
    "/usr/lib/llvm-*/lib/libLLVM*.so*",
    "/usr/lib64/libLLVM*.so*",
    "/usr/local/lib/libLLVM*.so*",
)
CURE = (
    f"install LLVM {OLDEST_LLVM} or newer (Debian and Ubuntu: apt-get install libatomic1 libllvm19), "
    "or set DRJIT_LIBLLVM_PATH to its library; `halfstop doctor` lists what was tried"
)


@dataclass(frozen=True)
class EngineReport:
    """What is known of one engine: its name, its library (LLVM) and why it can or cannot be used."""

    name: str
    variant: str
    library: Path | None
    usable: bool
    reason: str


@dataclass(frozen=True)
class Engine:
    """The engine started in this process and why the better-placed ones are not used."""

    name: str
    variant: str
    library: Path | None
    threads: int
    passed_over: tuple[str, ...]


def start_engine(*, threads: int | None = None) -> Engine:
    """Import the renderer with the best usable engine and return what was chosen.

    threads: worker threads of the LLVM engine, at least 1; default HALFSTOP_THREADS or every core allowed.
    Does not: choose anew in a process that has started an engine.
    Raises EngineError when nothing usable is found.
    """
    chosen, passed_over = _choice()
    if threads is None:
        threads = _threads_from_environment(os.environ)
    if threads < 1:
        raise EngineError(f"the thread count must be at least 1, not {threads}")

    # Point the renderer at the proven library before its first import.
    if chosen.library is not None:
        os.environ["DRJIT_LIBLLVM_PATH"] = str(chosen.library)
    preload_private_libraries()
    _place_kernel_cache(os.environ)

    import drjit as dr
    import mitsuba as mi

    # Keep the renderer's own remarks off the terminal unless they are warnings.
    mi.set_variant(chosen.variant)
    mi.set_log_level(mi.LogLevel.Warn)
    dr.set_log_level(dr.LogLevel.Warn)
    dr.set_thread_count(threads)
    return Engine(chosen.name, chosen.variant, chosen.library, threads, passed_over)


def engine_in_use() -> EngineReport:
    """The engine that `start_engine` starts in this process, or has started.

    Does not: import the renderer when the verdict is remembered.
    Raises EngineError when nothing usable is found.
    """
    return _choice()[0]


def describe_engines(*, fresh: bool = False) -> list[EngineReport]:
    """Report on every engine in order of preference, for `halfstop doctor`.

    fresh: try each engine again and ignore remembered verdicts.
    Does not: start an engine in this process.
    """
    store = VerdictStore(verdict_files(), fresh=fresh)
    return [_report(name, library, store) for name, library in _contenders(os.environ)]


@cache
def _choice() -> tuple[EngineReport, tuple[str, ...]]:
    return choose(_contenders(os.environ), VerdictStore(verdict_files()), wanted_engine(os.environ))


def choose(
    contenders: Iterable[tuple[str, Path | None]],
    store: VerdictStore,
    wanted: str | None,
    trial: Callable[[str, Path | None], Verdict] | None = None,
) -> tuple[EngineReport, tuple[str, ...]]:
    """First usable contender and one line for each one passed over before it.

    wanted: "llvm" or "cuda" to consider that engine only, None for any.
    Remembered failures are tried once more before giving up, since a driver may have been mended.
    """
    listed = list(contenders)
    passed_over: list[str] = []
    for again in (False, True):
        passed_over = []
        for name, library in listed:
            if wanted not in (None, name):
                passed_over.append(f"{name}: HALFSTOP_ENGINE={wanted} asks for the other engine")
                continue
            report = _report(name, library, store, trial, again=again)
            if report.usable:
                return report, tuple(passed_over)
            passed_over.append(f"{_label(name, library)}: {report.reason}")
        if not store.answered_from_memory:
            break
    why = "; ".join(passed_over) or "no LLVM library was found"
    raise EngineError(f"no render engine works ({why}): {CURE}")


def wanted_engine(environ: Mapping[str, str]) -> str | None:
    """Engine forced by HALFSTOP_ENGINE, or None.

    >>> wanted_engine({"HALFSTOP_ENGINE": "llvm"})
    'llvm'
    """
    wanted = environ.get("HALFSTOP_ENGINE", "").strip().lower()
    if wanted in ("", "auto"):
        return None
    if wanted not in VARIANTS:
        raise EngineError(f"HALFSTOP_ENGINE={wanted} is not an engine: set it to llvm or cuda, or unset it")
    return wanted


def llvm_version(path: Path) -> tuple[int, ...]:
    """Version told by an LLVM library's file name, or by its folder; () when neither tells.

    >>> llvm_version(Path("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1"))
    (19, 1)
    >>> llvm_version(Path("/usr/lib/llvm-17/lib/libLLVM.so"))
    (17,)
    >>> llvm_version(Path("libLLVM-14.0.6.so.1"))
    (14, 0, 6)
    """
    version = (
        re.search(r"libLLVM-(\d+(?:\.\d+)*)(?:git)?\.so", path.name)
        or re.search(r"libLLVM\.so\.(\d+(?:\.\d+)*)", path.name)
        or re.search(r"/llvm-?(\d+(?:\.\d+)*)/", path.as_posix())
    )
    return tuple(int(part) for part in version.group(1).split(".")) if version else ()


def llvm_candidates(environ: Mapping[str, str], private: Path, globs: Iterable[str]) -> list[Path]:
    """LLVM libraries of this machine, in order: the one named by the user, then the newest first.

    environ: DRJIT_LIBLLVM_PATH names the first one.
    private: folder in which the set-up script unpacks a library of its own; need not exist.
    globs: absolute patterns of the system's libraries.
    Does not: load or run any of them, or leave out those that are too old.
    """
    named = environ.get("DRJIT_LIBLLVM_PATH", "")
    first = [Path(named)] if named else []
    own = list(private.glob("**/libLLVM*.so*")) if private.is_dir() else []
    system = [path for pattern in globs for path in Path("/").glob(pattern.removeprefix("/"))]
    if not any(llvm_version(path) >= (OLDEST_LLVM,) for path in own + system):
        system += _libraries_known_to_loader()

    # Keep each file once, under the version told by any of its names.
    by_file: dict[Path, tuple[tuple[int, ...], bool, Path]] = {}
    for path, is_own in [(path, True) for path in own] + [(path, False) for path in system]:
        target = path.resolve()
        entry = (max(llvm_version(path), llvm_version(target)), is_own, target)
        if target.is_file():
            by_file[target] = max(by_file.get(target, entry), entry)
    ranked = [entry[2] for entry in sorted(by_file.values(), reverse=True)]
    return first + [path for path in ranked if path not in {named.resolve() for named in first}]


def preload_private_libraries() -> None:
    """Load the shared libraries that the set-up script unpacked because the system lacks them.

    Call before the renderer's first import; without a private folder it does nothing.
    Does not: load LLVM itself, which the renderer opens by path.
    """
    waiting = {path.resolve() for path in private_folder().glob("**/*.so*") if "LLVM" not in path.name}
    progress = True
    while waiting and progress:
        progress = False
        for path in sorted(waiting):
            with suppress(OSError):
                ctypes.CDLL(str(path), mode=ctypes.RTLD_GLOBAL)
                waiting.discard(path)
                progress = True


def private_folder() -> Path:
    """Folder of the libraries unpacked by the set-up script, inside the virtual environment."""
    return Path(sys.prefix) / "native"


def probe(name: str, library: Path | None, *, limit_s: float = PROBE_LIMIT_S) -> Verdict:
    """Compile and run a small ray-tracing kernel with one engine in a child process.

    Does not: start anything in this process; use kernels compiled before.
    """
    with tempfile.TemporaryDirectory(prefix="halfstop-probe-") as empty:
        environ = dict(os.environ, DRJIT_CACHE_DIR=empty)
        if library is not None:
            environ["DRJIT_LIBLLVM_PATH"] = str(library)
        code = (
            f"import sys; sys.path.insert(0, {str(Path(__file__).resolve().parents[2])!r}); "
            f"from sim.render.engine import _run_probe; _run_probe({VARIANTS[name]!r})"
        )
        try:
            child = subprocess.run(
                [sys.executable, "-P", "-c", code],
                env=environ, cwd=empty, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                errors="replace", timeout=limit_s, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return Verdict(False, f"the trial took longer than {limit_s:.0f} s", lasting=False)
        except OSError as error:
            return Verdict(False, f"the trial could not start ({error.strerror})", lasting=False)
    if child.returncode == 0 and child.stdout.strip().endswith("halfstop-probe-passed"):
        return Verdict(True, "passed the trial")
    reason = _telling_line(child.stderr)
    if child.returncode < 0:
        reason = f"the trial was ended by signal {-child.returncode}" + (f": {reason}" if reason else "")
    return Verdict(False, reason or f"the trial ended with status {child.returncode}")


def _run_probe(variant: str) -> None:
    """Trace 4096 rays at a unit sphere before a mesh wall; check the distances against the closed form."""
    preload_private_libraries()
    import drjit as dr
    import mitsuba as mi

    mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    wall = {"type": "cube", "to_world": mi.ScalarTransform4f().translate([0, 0, -3]).scale(2)}
    scene = mi.load_dict({"type": "scene", "ball": {"type": "sphere"}, "wall": wall})
    x = dr.linspace(mi.Float, -1.5, 1.5, 4096)
    hit = scene.ray_intersect(mi.Ray3f(mi.Point3f(x, 0.01, 3), mi.Vector3f(0, 0, -1)))
    r2 = x * x + 0.01 * 0.01
    distance_m = dr.select(r2 < 1, 3 - dr.sqrt(dr.maximum(1 - r2, 0)), 4)
    error_m = dr.max(dr.select(dr.abs(r2 - 1) > 0.01, dr.abs(hit.t - distance_m), 0))[0]
    if not error_m < 1e-3:
        raise SystemExit(f"wrong ray distances, off by {error_m:g}")
    print("halfstop-probe-passed")


def _contenders(environ: Mapping[str, str]) -> list[tuple[str, Path | None]]:
    libraries = llvm_candidates(environ, private_folder(), SYSTEM_LIBRARY_GLOBS)
    return [("cuda", None), *(("llvm", library) for library in libraries)]


def _report(
    name: str,
    library: Path | None,
    store: VerdictStore,
    trial: Callable[[str, Path | None], Verdict] | None = None,
    *,
    again: bool = False,
) -> EngineReport:
    """Judge one engine by what is missing, then by memory, then by a trial."""
    verdict = _missing(name, library)
    if verdict is None:
        key = _key(name, library)
        remembered = store.get(key)
        if remembered is None or (again and not remembered.usable):
            remembered = (trial or probe)(name, library)
            store.put(key, remembered)
        verdict = remembered
    return EngineReport(name, VARIANTS[name], library, verdict.usable, verdict.reason)


def _missing(name: str, library: Path | None) -> Verdict | None:
    """Say what an engine lacks before any trial, None if a trial is worth its time."""
    if name == "cuda" and not any(Path(device).exists() for device in ("/dev/nvidiactl", "/dev/dxg")):
        return Verdict(False, "no NVIDIA device on this machine")
    if library is not None and not library.is_file():
        return Verdict(False, "no such file")
    if library is not None and () < llvm_version(library.resolve()) < (OLDEST_LLVM,):
        return Verdict(False, f"older than LLVM {OLDEST_LLVM}, which the renderer needs")
    return None


def _key(name: str, library: Path | None) -> str:
    """Name everything a verdict depends on; any change of it asks for a new trial."""
    parts = [name, f"python {sys.version_info[0]}.{sys.version_info[1]}"]
    for distribution in ("mitsuba", "drjit"):
        with suppress(importlib.metadata.PackageNotFoundError):
            parts.append(f"{distribution} {importlib.metadata.version(distribution)}")
    if library is not None:
        facts = library.stat()
        parts.append(f"{library} {facts.st_mtime_ns} {facts.st_size}")
    else:
        with suppress(OSError):
            parts.append(Path("/proc/driver/nvidia/version").read_text("utf-8").splitlines()[0])
    return " | ".join(parts)


def _label(name: str, library: Path | None) -> str:
    return name if library is None else f"{name} ({library})"


def _telling_line(errors: str) -> str:
    """The line of a failed child's errors that tells most, shortened."""
    lines = [line.strip() for line in errors.splitlines() if line.strip()]
    for pattern in (r"cannot open shared object", r"LLVM ERROR", r"Unable to|could not|failed", r"Error"):
        telling = [line for line in lines if re.search(pattern, line)]
        if telling:
            return telling[0].removeprefix("ImportError: ")[:200]
    return (lines or [""])[-1][:200]


def _libraries_known_to_loader() -> list[Path]:
    """LLVM libraries listed by the dynamic loader's cache."""
    for program in ("/sbin/ldconfig", "/usr/sbin/ldconfig"):
        with suppress(OSError, subprocess.SubprocessError):
            listing = subprocess.run([program, "-p"], capture_output=True, text=True, timeout=10, check=True)
            return [Path(name) for name in re.findall(r"=> (\S*libLLVM\S*)", listing.stdout)]
    return []


def threads_allowed() -> int:
    """Threads that engines of this machine may use together: HALFSTOP_THREADS, or every core allowed."""
    return _threads_from_environment(os.environ)


def _threads_from_environment(environ: Mapping[str, str]) -> int:
    asked = environ.get("HALFSTOP_THREADS", "").strip()
    if not asked:
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if not asked.isdigit() or int(asked) < 1:
        raise EngineError(f"HALFSTOP_THREADS={asked} is not a count: set it to 1 or more, or unset it")
    return int(asked)


def _place_kernel_cache(environ: os._Environ[str]) -> None:
    """Give compiled kernels a folder when the home folder cannot hold them."""
    if "DRJIT_CACHE_DIR" in environ:
        return
    home = environ.get("HOME", "")
    if home and os.access(home, os.W_OK):
        return
    for path in verdict_files():
        folder = path.parent / "halfstop-kernels"
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            if os.access(folder, os.W_OK):
                environ["DRJIT_CACHE_DIR"] = str(folder)
                return


if __name__ == "__main__":
    try:
        print(_choice()[0].reason)
    except EngineError as error:
        sys.exit(str(error))
