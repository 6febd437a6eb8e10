"""Commands killed outright at random moments: their folders hold the old files or the new, and the next run is fine."""

from __future__ import annotations

import io
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from sim.render.cache.disk import LayerStore
from sim.reports.files import MANIFEST, ResultFolder
from tests.sweep.sweep_faults import SCENE

ROOT = Path(__file__).resolve().parents[2]
SLOWEST_S = 300.0
NEXT_RUN_EVERY = 5
SMALL = ("--size", "60x90", "--samples", "4")
STUDY = """\
halfstop_study: 1
title: A small study
scene: set.yaml
size: 24
samples: 4
keep: [pictures, readings]
axes:
  - {key: key.place.distance, name: far, values: [1.5 m, 1.7 m, 1.9 m]}
"""


@dataclass
class Runs:
    """Runs of one command into one folder, each with a seed of its own, so that each traces and writes other files."""

    command: str
    place: Path
    rng: random.Random
    longest_s: float = 0.0
    outcomes: dict[str, int] = field(default_factory=dict)

    @property
    def out(self) -> Path:
        return self.place / "out"

    def start(self, seed: int) -> subprocess.Popen[str]:
        """Begin a run in a process group of its own."""
        what = (
            ["sweep", "study.yaml", "--workers", "1"]
            if self.command == "sweep"
            else [self.command, "set.yaml", "--seed", str(seed), *(() if self.command == "meter" else SMALL)]
        )
        environ = {**os.environ, "HALFSTOP_CACHE": str(self.place / "cache"), "PYTHONPATH": str(ROOT)}
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "sim", *what, "--out", str(self.out)], cwd=self.place, env=environ,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    def whole(self, seed: int) -> dict[str, bytes]:
        """Run to the end; the files it made. Nothing else may lie in the folder."""
        began = time.monotonic()
        with self.start(seed) as run:
            _, told = run.communicate(timeout=SLOWEST_S)
        assert run.returncode == 0, told
        self.longest_s = max(self.longest_s, time.monotonic() - began)
        hidden = {path.name for path in self.out.rglob("*") if path.name[0] == "."}
        assert hidden == ({".halfstop-sweep.lock"} if self.command == "sweep" else {MANIFEST}), hidden
        return contents(self.out)

    def killed(self, seed: int) -> None:
        """Run and kill it, and all that it started, at a random moment of its length."""
        with self.start(seed) as run:
            time.sleep(self.rng.uniform(0.0, self.longest_s))
            os.killpg(run.pid, signal.SIGKILL)
            run.communicate()

    def count(self, outcome: str) -> None:
        self.outcomes[outcome] = self.outcomes.get(outcome, 0) + 1


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of a folder's files by name, hidden ones left out."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*")
            if path.is_file() and path.name[0] != "."}  # fmt: skip


def kill_at_moments(runs: Runs, moments: int) -> None:
    """Kill a command at so many random moments; look at its folder after each, and run it whole after every few."""
    (runs.place / "cache").mkdir()
    (runs.place / "set.yaml").write_text(SCENE, "utf-8")
    (runs.place / "study.yaml").write_text(STUDY, "utf-8")
    if runs.command == "sweep":
        kill_sweeps(runs, moments)
    else:
        kill_reports(runs, moments)
    # What is kept between runs is whole too, and nothing half written lies in it.
    kept = list((runs.place / "cache").iterdir())
    assert all(path.suffix == ".layer" for path in kept)
    store = LayerStore(runs.place / "cache")
    assert all(store.get(path.stem) is not None for path in kept)


def kill_reports(runs: Runs, moments: int) -> None:
    """A command whose folder is one set of files: the old set or the new one is there."""
    before = runs.whole(0)
    for moment in range(1, moments + 1):
        runs.killed(moment)
        ResultFolder(runs.out).require_usable([])
        after = contents(runs.out)
        assert {path.name for path in runs.out.iterdir() if path.name[0] == "."} == {MANIFEST}
        is_old = after == before
        runs.count("old" if is_old else "new")
        if moment % NEXT_RUN_EVERY == 0 or moment == moments or not is_old:
            new = runs.whole(moment)
            assert is_old or after == new, f"a mix after moment {moment}"
            before = new


def kill_sweeps(runs: Runs, moments: int) -> None:
    """A sweep goes on where it was killed: what it had finished stays, and the end is that of one never killed."""
    undisturbed = rows_of(runs.whole(0))
    for moment in range(1, moments + 1):
        if moment % NEXT_RUN_EVERY == 1:
            for path in sorted(runs.out.rglob("*"), reverse=True):
                path.rmdir() if path.is_dir() else path.unlink()
        runs.killed(moment)
        finished = rows_of(contents(runs.out))
        assert finished.items() <= undisturbed.items()
        runs.count(f"{len(finished)} of {len(undisturbed)}")
        if moment % NEXT_RUN_EVERY == 0 or moment == moments:
            assert rows_of(runs.whole(0)) == undisturbed


def rows_of(files: Mapping[str, bytes]) -> dict[str, str]:
    """Rows of a sweep's chunks by the variation's id, with the bytes of its picture; each must be whole."""
    import pyarrow.parquet as pq

    rows: dict[str, str] = {}
    for name, data in files.items():
        if name.startswith("chunks/chunk-"):
            for row in pq.read_table(io.BytesIO(data)).to_pylist():
                assert row["status"] == "done"
                named = [value for key, value in row.items() if f"{key}_bytes" in row]
                rows[row["id"]] = repr((sorted(row.items()), [files[picture] for picture in named]))
    return rows


@pytest.mark.parametrize("command", ["preview"])
def test_killed_at_two_random_moments(tmp_path: Path, command: str) -> None:
    kill_at_moments(Runs(command, tmp_path, random.Random(2)), 2)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["preview", "meter", "handout", "sweep"])
def test_killed_at_thirty_random_moments(tmp_path: Path, command: str) -> None:
    runs = Runs(command, tmp_path, random.Random(command))
    kill_at_moments(runs, 30)
    print(command, runs.outcomes)
    assert sum(runs.outcomes.values()) == 30
