"""The choice of the render engine: which library is tried, what is believed, what is remembered."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from sim.quantities.errors import EngineError
from sim.render import engine as engines
from sim.render.engine import Engine, choose, llvm_candidates, llvm_version, probe, wanted_engine
from sim.render.verdicts import Verdict, VerdictStore, verdict_files

ROOT = Path(__file__).resolve().parents[2]
Trial = Callable[[str, Path | None], Verdict]


def library(folder: Path, name: str, content: bytes = b"x") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_bytes(content)
    return path


def child(code: str, **changes: str | None) -> subprocess.CompletedProcess[str]:
    """Run code in a fresh interpreter; a change of None takes a variable out of its environment."""
    environ = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path[1:]]))
    for name, value in changes.items():
        if value is None:
            environ.pop(name, None)
        else:
            environ[name] = value
    return subprocess.run([sys.executable, "-P", "-c", code], env=environ, capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize(
    ("path", "version"),
    [
        # The names that Debian, Ubuntu, Fedora and LLVM's own packages give the library.
        ("/usr/lib/x86_64-linux-gnu/libLLVM-14.so.1", (14,)),
        ("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1", (19, 1)),
        ("/usr/lib/x86_64-linux-gnu/libLLVM-19.so", (19,)),
        ("/usr/lib/llvm-17/lib/libLLVM.so", (17,)),
        ("/usr/lib64/llvm18/lib/libLLVM.so", (18,)),
        ("/usr/lib64/libLLVM-16.0.6.so", (16, 0, 6)),
        ("/usr/lib64/libLLVM-20git.so", (20,)),
        ("/usr/local/lib/libLLVM.so", ()),
    ],
)
def test_version_is_read_off_the_name(path: str, version: tuple[int, ...]) -> None:
    assert llvm_version(Path(path)) == version


def test_newest_first_and_each_file_once(tmp_path: Path) -> None:
    folder = tmp_path / "x-linux-gnu"
    newest = library(folder, "libLLVM.so.21.1")
    middle = library(folder, "libLLVM-18.so.1")
    oldest = library(folder, "libLLVM-9.so.1")
    (folder / "libLLVM-21.so").symlink_to(newest)
    (folder / "libLLVM-99.so").symlink_to(folder / "gone")
    found = llvm_candidates({}, tmp_path / "none", [f"{tmp_path}/*-linux-gnu/libLLVM*.so*"])
    assert found == [newest, middle, oldest]


def test_named_library_comes_first_and_only_once(tmp_path: Path) -> None:
    newest, named = library(tmp_path, "libLLVM.so.21.1"), library(tmp_path, "libLLVM-17.so.1")
    globs = [f"{tmp_path}/libLLVM*.so*"]
    found = llvm_candidates({"DRJIT_LIBLLVM_PATH": str(named)}, tmp_path / "none", globs)
    assert found == [named, newest]


def test_private_library_is_found_and_wins_a_tie(tmp_path: Path) -> None:
    system = library(tmp_path / "system", "libLLVM.so.19.1")
    own = library(tmp_path / "native" / "usr" / "lib", "libLLVM.so.19.1")
    found = llvm_candidates({}, tmp_path / "native", [f"{system.parent}/libLLVM*.so*"])
    assert found == [own, system]


def passes(name: str, path: Path | None) -> Verdict:
    return Verdict(True, "passed")


def breaks(name: str, path: Path | None) -> Verdict:
    return Verdict(False, "ended by signal 6")


def never(name: str, path: Path | None) -> Verdict:
    raise AssertionError("a remembered verdict must not be tried again")


def counted(trial: Trial) -> tuple[Trial, list[Path | None]]:
    asked: list[Path | None] = []

    def run(name: str, path: Path | None) -> Verdict:
        asked.append(path)
        return trial(name, path)

    return run, asked


def test_first_that_passes_is_chosen_and_the_rest_explained(tmp_path: Path) -> None:
    bad, good = library(tmp_path, "libLLVM.so.21.1"), library(tmp_path, "libLLVM.so.19.1")

    def trial(name: str, path: Path | None) -> Verdict:
        return Verdict(path == good, "ended by signal 6")

    chosen, passed_over = choose([("llvm", bad), ("llvm", good)], VerdictStore(), None, trial)
    assert chosen.library == good and chosen.variant == "llvm_ad_rgb"
    assert passed_over == (f"llvm ({bad}): ended by signal 6",)


def test_too_old_a_library_is_not_even_tried(tmp_path: Path) -> None:
    old = library(tmp_path, "libLLVM-16.so.1")
    with pytest.raises(EngineError, match=r"older than LLVM 17.*libllvm19"):
        choose([("llvm", old)], VerdictStore(), None, never)


def test_verdict_is_remembered_until_the_library_changes(tmp_path: Path) -> None:
    path, store = library(tmp_path, "libLLVM.so.19.1"), tmp_path / "verdicts.json"
    choose([("llvm", path)], VerdictStore([store]), None, passes)
    chosen, _ = choose([("llvm", path)], VerdictStore([store]), None, never)
    assert chosen.usable
    path.write_bytes(b"another build")
    trial, asked = counted(passes)
    choose([("llvm", path)], VerdictStore([store]), None, trial)
    assert asked == [path]


def test_remembered_failure_is_tried_again_before_giving_up(tmp_path: Path) -> None:
    path, store = library(tmp_path, "libLLVM.so.19.1"), tmp_path / "verdicts.json"
    with pytest.raises(EngineError, match="signal 6"):
        choose([("llvm", path)], VerdictStore([store]), None, breaks)
    chosen, _ = choose([("llvm", path)], VerdictStore([store]), None, passes)
    assert chosen.usable
    assert choose([("llvm", path)], VerdictStore([store]), None, never)[0].usable


def test_first_failure_is_tried_only_once(tmp_path: Path) -> None:
    path = library(tmp_path, "libLLVM.so.19.1")
    trial, asked = counted(breaks)
    with pytest.raises(EngineError):
        choose([("llvm", path)], VerdictStore([tmp_path / "verdicts.json"]), None, trial)
    assert asked == [path]


def test_passing_trouble_is_not_remembered(tmp_path: Path) -> None:
    path, store = library(tmp_path, "libLLVM.so.19.1"), tmp_path / "verdicts.json"
    with pytest.raises(EngineError):
        choose([("llvm", path)], VerdictStore([store]), None, lambda *_: Verdict(False, "slow", lasting=False))
    assert not store.exists()


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[1, 2]", b"null", b'{"a": 3}', b'{"a": ["x", 1]}', b"\xff\xfe", b'{"a": [true]}']
)
def test_damaged_memory_is_ignored_and_mended(tmp_path: Path, content: bytes) -> None:
    path, store = library(tmp_path, "libLLVM.so.19.1"), tmp_path / "verdicts.json"
    store.write_bytes(content)
    assert choose([("llvm", path)], VerdictStore([store]), None, passes)[0].usable
    assert choose([("llvm", path)], VerdictStore([store]), None, never)[0].usable
    assert list(json.loads(store.read_text())) and sorted(p.name for p in tmp_path.iterdir()) == [
        "libLLVM.so.19.1", "verdicts.json",
    ]  # fmt: skip


def test_memory_that_cannot_be_written_is_no_fault(tmp_path: Path) -> None:
    path = library(tmp_path, "libLLVM.so.19.1")
    (tmp_path / "file").write_text("in the way of a folder")
    assert choose([("llvm", path)], VerdictStore([tmp_path / "file" / "verdicts.json"]), None, passes)[0].usable


def test_memory_of_another_user_is_read_and_ones_own_is_written(tmp_path: Path) -> None:
    path = library(tmp_path, "libLLVM.so.19.1")
    theirs, own = tmp_path / "file" / "verdicts.json", tmp_path / "cache" / "halfstop" / "verdicts.json"
    (tmp_path / "file").write_text("in the way of a folder")
    choose([("llvm", path)], VerdictStore([theirs, own]), None, passes)
    assert own.stat().st_mode & 0o777 == 0o644
    (tmp_path / "file").unlink()
    theirs.parent.mkdir()
    own.rename(theirs)
    assert choose([("llvm", path)], VerdictStore([theirs, own]), None, never)[0].usable
    assert not own.exists()


def test_wish_for_one_engine_is_obeyed(tmp_path: Path) -> None:
    path = library(tmp_path, "libLLVM.so.19.1")
    contenders = [("cuda", None), ("llvm", path)]
    chosen, passed_over = choose(contenders, VerdictStore(), "llvm", passes)
    assert chosen.name == "llvm" and "HALFSTOP_ENGINE=llvm" in passed_over[0]


@pytest.mark.parametrize(("text", "wanted"), [("", None), ("auto", None), (" LLVM ", "llvm"), ("cuda", "cuda")])
def test_wish_is_read(text: str, wanted: str | None) -> None:
    assert wanted_engine({"HALFSTOP_ENGINE": text}) == wanted


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("HALFSTOP_ENGINE", "vulkan", "HALFSTOP_ENGINE=vulkan is not an engine: set it to llvm or cuda"),
        ("HALFSTOP_THREADS", "many", "HALFSTOP_THREADS=many is not a count"),
        ("HALFSTOP_THREADS", "0", "HALFSTOP_THREADS=0 is not a count"),
    ],
)
def test_wrong_wish_is_one_line_with_a_cure(name: str, value: str, told: str) -> None:
    code = (
        "from sim.render.engine import start_engine\nfrom sim.quantities.errors import EngineError\n"
        "try:\n    start_engine()\nexcept EngineError as error:\n    print(error)"
    )
    run = child(code, **{name: value})
    assert told in run.stdout and run.stdout.count("\n") == 1, run.stderr


def test_engine_of_this_process_traces_rays(engine: Engine) -> None:
    import drjit as dr
    import mitsuba as mi

    assert mi.variant() == engine.variant and dr.thread_count() == engine.threads
    ball = mi.load_dict({"type": "scene", "ball": {"type": "sphere", "radius": 0.5}})
    hit = ball.ray_intersect(mi.Ray3f(mi.Point3f(0, 0, 2), mi.Vector3f(0, 0, -1)))
    assert hit.t[0] == pytest.approx(1.5, abs=1e-5)


def test_second_start_keeps_the_choice(engine: Engine) -> None:
    again = engines.start_engine()
    assert (again.name, again.library) == (engine.name, engine.library)


def test_warm_start_tries_nothing(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    if engine.library is None:
        pytest.skip("the engine here needs no library")
    choose([("llvm", engine.library)], VerdictStore(verdict_files()), None)

    def no_child(*_: object, **__: object) -> None:
        raise AssertionError("a warm start must not run a child process")

    monkeypatch.setattr(subprocess, "run", no_child)
    assert choose([("llvm", engine.library)], VerdictStore(verdict_files()), None)[0].usable


def test_working_library_passes_the_trial(engine: Engine) -> None:
    verdict = probe(engine.name, engine.library)
    assert verdict.usable, verdict.reason


def test_broken_library_fails_the_trial_in_one_line(tmp_path: Path) -> None:
    broken = library(tmp_path, "libLLVM.so.19.1", b"\x7fELF not a library")
    verdict = probe("llvm", broken)
    assert not verdict.usable and verdict.lasting and verdict.reason and "\n" not in verdict.reason


def test_trial_has_a_time_limit(engine: Engine) -> None:
    verdict = probe(engine.name, engine.library, limit_s=0.01)
    assert not verdict.usable and not verdict.lasting and "longer than" in verdict.reason


def test_library_that_aborts_the_renderer_only_ends_the_trial() -> None:
    # LLVM 15 compiles for the renderer until it meets an instruction that it cannot select, and then aborts.
    old = list(Path("/usr/lib").glob("*-linux-gnu/libLLVM-15.so.1"))
    if not old:
        pytest.skip("no LLVM 15 on this machine")
    verdict = probe("llvm", old[0])
    assert not verdict.usable and "signal 6" in verdict.reason


@pytest.mark.parametrize("home", [None, "/nonexistent"])
def test_start_without_a_home_folder(home: str | None, engine: Engine) -> None:
    code = (
        "from sim.render.engine import start_engine; import os; start_engine()\n"
        "import drjit as dr, mitsuba as mi\n"
        "print(int(dr.sum(dr.arange(mi.Float, 10))[0]), os.environ.get('DRJIT_CACHE_DIR'))"
    )
    run = child(code, HOME=home, XDG_CACHE_HOME=None, DRJIT_CACHE_DIR=None)
    assert run.returncode == 0 and run.stdout.startswith("45 "), run.stderr


def test_report_covers_every_engine(engine: Engine) -> None:
    reports = engines.describe_engines()
    assert reports[0].name == "cuda"
    assert [report.usable for report in reports if report.library == engine.library] == [True]
    assert all(report.reason and "\n" not in report.reason for report in reports)


@pytest.mark.gpu
def test_cuda_is_preferred(engine: Engine) -> None:
    assert engine.name == "cuda" and engine.variant == "cuda_ad_rgb"
