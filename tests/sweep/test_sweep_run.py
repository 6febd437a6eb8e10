"""Sweeps that are disturbed: lost workers, a killed client, a full disk, faults; no row is lost, doubled or wrong.

The work of these tests traces nothing (see `sweep_faults`): what is tested is everything around it, with real worker
processes. `test_sweep_light` traces.
"""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pyarrow.parquet as pq
import pytest
from sweep_faults import damaged_files, distances, quick_work, result_from_id, write_study

from sim.quantities.errors import HalfstopError
from sim.render.engine import engine_in_use
from sim.sweep.chunks import SweepFolder
from sim.sweep.run import Sweep, SweepRequest, request_for, run_sweep
from sim.sweep.scheduler import KILLER, Work
from sim.sweep.study import load_study
from sim.sweep.table import read_table
from sim.sweep.variations import maker, variations_of

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


def _run(study: Path, out: Path, work: Work | None = None, workers: int = 1, **more: Any) -> Sweep:
    return run_sweep(study, SweepRequest(out, workers, **more), work=work or quick_work())


def _require_whole(out: Path, count: int, failed: dict[str, str] | None = None) -> None:
    """Every variation has one row, its own values, and files whose sums agree; failed ones have their reason."""
    table, failed = read_table(out), failed or {}
    rows = table.to_pylist()
    assert len(rows) == count and len({row["id"] for row in rows}) == count
    for row in rows:
        if row["id"] in failed:
            assert row["status"] == "failed" and row["reason"] == failed[row["id"]] and row["picture"] is None
            continue
        assert row["status"] == "done" and row["reason"] is None
        wanted = result_from_id(row["id"])
        assert row["incident.face.key"] == wanted.row["incident.face.key"]
        assert (out / row["picture"]).read_bytes() == wanted.files["picture"]
    home = SweepFolder(out)
    assert damaged_files(home) == []
    # Each content lies in one chunk only, and nothing half written is left.
    held = Counter(name for _, chunk in home.chunks() for name in chunk.column("id").to_pylist())
    assert set(held.values()) == {1} and len(held) == count
    assert not list(out.glob("**/.new-*"))
    assert pq.read_table(out / "table.parquet").equals(table)


def _names(study_file: Path) -> list[str]:
    """Ids of a study's variations."""
    study = load_study(study_file)
    return [variation.id for variation in variations_of(study, request_for(study, maker(engine_in_use().variant)))]


def _worker_processes() -> list[psutil.Process]:
    """Worker processes below this one, however deep."""
    found = []
    for child in psutil.Process().children(recursive=True):
        try:
            if "spawn_main" in " ".join(child.cmdline()):
                found.append(child)
        except psutil.Error:
            continue
    return found


@contextmanager
def _killing(count: int, out: Path, seed: int) -> Iterator[list[int]]:
    """Kill `count` workers at random moments, each after some chunk has been written since the last."""
    rng, killed, over = random.Random(seed), [], threading.Event()

    def kill() -> None:
        for _ in range(count):
            before = len(list((out / "chunks").glob("chunk-*")))
            while not over.is_set() and len(list((out / "chunks").glob("chunk-*"))) == before:
                time.sleep(0.02)
            over.wait(rng.random())
            victims = _worker_processes()
            if over.is_set() or not victims:
                return
            victim = rng.choice(victims)
            victim.send_signal(signal.SIGKILL)
            killed.append(victim.pid)

    thread = threading.Thread(target=kill)
    thread.start()
    try:
        yield killed
    finally:
        over.set()
        thread.join()


def test_two_workers_killed_at_random_moments_cost_no_row(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(12)), tmp_path / "out"
    with _killing(2, out, seed=5) as killed:
        made = _run(study, out, quick_work(wait_s=0.25), workers=2)
    assert len(killed) == 2
    assert (made.made, made.failed) == (24, 0)
    _require_whole(out, 24)


def test_one_that_ends_its_worker_every_time_is_recorded_and_stops_no_other(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(3)), tmp_path / "out"
    killer = _names(study)[2]
    made = _run(study, out, quick_work(killers=[killer]))
    assert made.failed == 1
    _require_whole(out, 6, {killer: KILLER})
    # It is not tried again unless asked for; then it may succeed.
    again = _run(study, out)
    assert (again.made, again.kept, again.failed) == (0, 6, 1)
    mended = _run(study, out, retry=True)
    assert (mended.made, mended.kept, mended.failed) == (1, 5, 0)
    _require_whole(out, 6)


def test_faults_of_one_variation_and_of_one_group_are_recorded(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(3)), tmp_path / "out"
    ids = _names(study)
    made = _run(study, out, quick_work(faulty=[ids[0]], faulty_groups=[ids[4]]))
    # The group's other variation is made by itself.
    assert made.failed == 2
    _require_whole(out, 6, {ids[0]: "no light", ids[4]: "ValueError: no such light"})


def test_a_killed_client_is_resumed_without_making_anything_twice(tmp_path: Path) -> None:
    study, out, log = write_study(tmp_path, distances(10)), tmp_path / "out", tmp_path / "log"
    log.mkdir()
    child = subprocess.Popen(
        [sys.executable, str(HERE / "sweep_child.py"), str(study), str(out), "0.2", str(log)], cwd=ROOT,
        env={**os.environ, "PYTHONPATH": f"{ROOT}:{HERE}"}, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    below: list[psutil.Process] = []
    try:
        _wait_for(lambda: len(list(out.glob("chunks/chunk-*"))) >= 3 or child.poll() is not None, 60)
        below = psutil.Process(child.pid).children(recursive=True)
        assert child.poll() is None, child.stderr.read().decode() if child.stderr else ""
    finally:
        child.kill()
        child.communicate()
    # Its workers end by themselves.
    assert not psutil.wait_procs(below, timeout=30)[1]
    finished = SweepFolder(out).finished()
    chunks = {path.name for path in out.glob("chunks/chunk-*")}
    assert 0 < len(finished) < 20
    (out / "pictures" / ".new-half").write_bytes(b"half")
    made = _run(study, out, quick_work(log=log))
    assert (made.kept, made.made) == (len(finished), 20 - len(finished))
    assert chunks <= {path.name for path in out.glob("chunks/chunk-*")}
    # What was finished was mixed once in all.
    mixes = Counter(path.name.split("-")[0] for path in log.iterdir())
    assert all(mixes[name] == 1 for name in finished) and set(mixes) == set(_names(study))
    _require_whole(out, 20)


def test_an_edited_study_computes_what_is_new_and_forgets_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    _run(write_study(tmp_path, distances(2)), out)
    first = {path: path.read_bytes() for path in out.glob("chunks/chunk-*")}
    made = _run(write_study(tmp_path, distances(2, ("-1 stop", "-2 stops", "-3 stops"))), out)
    assert (made.kept, made.made) == (4, 2)
    assert all(path.read_bytes() == data for path, data in first.items())
    _require_whole(out, 6)
    # Only the ranking changes: nothing is made, and the table is ranked anew.
    ranked = _run(write_study(tmp_path, distances(2), "wanted: {wishes: [face=f/8]}\n"), out)
    assert (ranked.kept, ranked.made, ranked.table.num_rows) == (4, 0, 4)
    rows = sorted(ranked.table.to_pylist(), key=lambda row: row["rank"])
    # At f/8, stops over the camera's f-number are the miss itself.
    assert [row["score"] for row in rows] == pytest.approx([abs(row["incident.face.combined"]) for row in rows])
    assert [row["rank"] for row in rows] == [1, 2, 3, 4]
    assert [row["score"] for row in rows] == sorted(row["score"] for row in rows)


def test_damage_is_found_and_made_good(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(3)), tmp_path / "out"
    _run(study, out)
    chunk = sorted(out.glob("chunks/chunk-*"))[0]
    data = bytearray(chunk.read_bytes())
    data[len(data) // 2] ^= 1
    chunk.write_bytes(data)
    held = {row["picture"] for _, table in SweepFolder(out).chunks() for row in table.to_pylist()}
    picture = out / sorted(held)[0]
    picture.write_bytes(picture.read_bytes()[:-1])
    made = _run(study, out)
    assert (made.kept, made.made) == (3, 3)
    rows = read_table(out).to_pylist()
    assert [row["status"] for row in rows] == ["done"] * 6
    assert damaged_files(SweepFolder(out)) == []


def test_a_disk_that_fills_is_one_plain_line_and_is_gone_on_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study, out = write_study(tmp_path, distances(6)), tmp_path / "out"
    # The plan takes two, a chunk five, and four chunks are written at once: at least one chunk fits, six do not.
    sync, left = os.fsync, [20]

    def full(handle: int) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        sync(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HalfstopError, match="no space left on device; finished variations are kept") as caught:
        _run(study, out)
    assert "\n" not in str(caught.value)
    assert not list(out.glob("**/.new-*"))
    monkeypatch.setattr(os, "fsync", sync)
    finished = len(SweepFolder(out).finished())
    assert 0 < finished < 12
    assert _run(study, out).kept == finished
    _require_whole(out, 12)


@contextmanager
def _small_disk(place: Path, size: str) -> Iterator[Path]:
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True)
    if mounted.returncode:
        pytest.skip("a file system of its own takes the right to mount one")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_real_file_system_that_fills_up(tmp_path: Path) -> None:
    study = write_study(tmp_path, distances(8))
    with _small_disk(tmp_path / "disk", "64k") as disk:
        out = disk / "out"
        with pytest.raises(HalfstopError, match="no space left on device"):
            _run(study, out)
        finished = len(SweepFolder(out).finished())
        assert finished < 16 and not list(out.glob("**/.new-*"))
        subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
        assert _run(study, out).kept == finished
        _require_whole(out, 16)


def test_one_folder_takes_one_sweep_at_a_time_and_nothing_of_others(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(2)), tmp_path / "out"
    with SweepFolder(out).held(), pytest.raises(HalfstopError, match="another sweep is writing this folder"):
        _run(study, out)
    mine = tmp_path / "mine"
    (mine / "pictures").mkdir(parents=True)
    (mine / "pictures" / "holiday.png").write_bytes(b"mine")
    with pytest.raises(HalfstopError, match="halfstop did not make this"):
        _run(study, mine)
    assert [path.name for path in mine.rglob("*")] == ["pictures", "holiday.png"]
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(HalfstopError, match="there is a file of this name"):
        _run(study, tmp_path / "file")


def test_what_cannot_be_asked_for_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, distances(2)), tmp_path / "out"
    with pytest.raises(HalfstopError, match="--workers 0: expected 1 to"):
        _run(study, out, workers=0)
    with pytest.raises(HalfstopError, match="keep one of them"):
        _run(study, out, cluster="tcp://127.0.0.1:1")
    with pytest.raises(HalfstopError, match="no sweep was made here"):
        read_table(tmp_path)
    with pytest.raises(HalfstopError, match="no variation can stand"):
        _run(write_study(tmp_path, "  - {key: key.place.distance, values: [4 m]}\n"), out)
    assert not out.exists()


# -- a cluster of several addresses --------------------------------------------------------------


@contextmanager
def _cluster(folder: Path, hosts: list[str], before: list[list[str]] | None = None) -> Iterator[str]:
    """A scheduler on the first host and a worker on each, as processes of their own; yields the scheduler's address.

    Arguments: `before` words before each host's commands.
    """
    before = before or [[] for _ in hosts]
    environ = {**os.environ, "PYTHONPATH": f"{ROOT}:{HERE}", "HALFSTOP_THREADS": "1"}
    tool = [sys.executable, "-m", "dask"]
    told = folder / "scheduler.json"
    processes = [
        subprocess.Popen(
            [*before[0], *tool, "scheduler", "--host", hosts[0], "--port", "0", "--no-dashboard",
             "--scheduler-file", str(told)],
            env=environ, cwd=folder, stderr=subprocess.DEVNULL,
        )
    ]  # fmt: skip
    try:
        _wait_for(told.exists, 60)
        address = json.loads(told.read_text("utf-8"))["address"]
        processes += [
            subprocess.Popen(
                [*own, *tool, "worker", address, "--host", host, "--nthreads", "1", "--no-dashboard", "--no-nanny"],
                env=environ, cwd=folder, stderr=subprocess.DEVNULL,
            )
            for own, host in zip(before, hosts, strict=True)
        ]  # fmt: skip
        yield address
    finally:
        for process in reversed(processes):
            process.terminate()
        for process in processes:
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def test_a_cluster_of_three_addresses_makes_the_same_table(tmp_path: Path) -> None:
    study = write_study(tmp_path, distances(6))
    _run(study, tmp_path / "here")
    with _cluster(tmp_path, ["127.0.0.2", "127.0.0.3", "127.0.0.4"]) as address:
        request = SweepRequest(tmp_path / "there", cluster=address)
        made = run_sweep(study, request, work=quick_work(wait_s=0.05))
    assert (made.made, made.failed) == (12, 0)
    _require_whole(tmp_path / "there", 12)
    assert read_table(tmp_path / "there").equals(read_table(tmp_path / "here"))


def test_an_address_where_nothing_answers_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sim.sweep.cluster.ANSWER_S", 1.0)
    study = write_study(tmp_path, distances(2))
    with pytest.raises(HalfstopError, match="no scheduler answers there"):
        run_sweep(study, SweepRequest(tmp_path / "out", cluster="tcp://127.0.0.1:9"))
    assert not (tmp_path / "out" / "plan.json").exists()


def _wait_for(true: Any, limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.05)
