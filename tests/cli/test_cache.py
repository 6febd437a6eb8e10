"""Where traced light is kept: the command that says so and empties it, and the line in the report on the machine."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from sim.cli.app import run
from sim.cli.cache import cache_line
from sim.render.cache import disk
from sim.render.cache.disk import LayerStore
from sim.render.fingerprint import of


@pytest.fixture()
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> LayerStore:
    monkeypatch.setenv("HALFSTOP_CACHE", str(tmp_path / "kept"))
    store = LayerStore(tmp_path / "kept")
    for number in range(2):
        store.put(of(number), {"pixels": np.zeros(2500, np.float32)})
    return store


def test_place_and_size_are_told(store: LayerStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["cache"]) == 0
    told = capsys.readouterr().out
    assert told == f"cache: {store.folder}: 2 entries, 20.1 KiB, at most 2 GiB\n"
    assert cache_line(os.environ).startswith(told.strip()) and "halfstop cache --clear" in cache_line(os.environ)


def test_clear_takes_entries_and_what_dead_runs_left_and_nothing_else(
    store: LayerStore, capsys: pytest.CaptureFixture[str]
) -> None:
    (store.folder / ".new-dead").write_bytes(b"half")
    (store.folder / "notes.txt").write_text("mine")
    (store.folder / "folder.layer").mkdir()
    assert run(["cache", "--clear"]) == 0
    assert capsys.readouterr().out == f"cache: {store.folder}: 2 entries, 20.1 KiB removed\n"
    assert sorted(os.listdir(store.folder)) == ["folder.layer", "notes.txt"]
    assert run(["cache", "--clear"]) == 0 and "0 entries" in capsys.readouterr().out


def test_what_cannot_be_removed_is_one_line(
    store: LayerStore, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disk, "_removed", lambda path: False)
    assert run(["cache", "--clear"]) == 2
    assert "2 entries, 20.1 KiB may not be removed by this user" in capsys.readouterr().err


@pytest.mark.parametrize("clear", [[], ["--clear"]])
def test_off_and_a_place_that_is_no_folder_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, clear: list[str]
) -> None:
    monkeypatch.setenv("HALFSTOP_CACHE", "off")
    assert run(["cache", *clear]) == 0 and capsys.readouterr().out.startswith("cache: off: every run traces anew")
    (tmp_path / "file").write_text("mine")
    monkeypatch.setenv("HALFSTOP_CACHE", str(tmp_path / "file"))
    assert run(["cache", *clear]) == (2 if clear else 0)
    out, err = capsys.readouterr()
    assert "not a directory" in (err if clear else out) and "HALFSTOP_CACHE" in out + err
