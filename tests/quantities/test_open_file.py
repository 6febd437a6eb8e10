"""Users' files: only plain files below a limit are opened; pipes, devices, folders and loops are told at once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from sim.quantities.errors import HalfstopError
from sim.quantities.open_file import UnreadableFile, bytes_from_file, open_file
from sim.scene.edit import scene_text_from_file
from sim.scene.model.block import Block
from sim.scene.read import block_from_file, load_scene
from sim.studio.gear.ies import read_ies
from sim.sweep.study import load_study

# The limit of every answer here: nothing may wait for a pipe's other end or read a large file.
AT_ONCE_S = 2.0


def _fifo(path: Path) -> None:
    os.mkfifo(path)


def _device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def _folder(path: Path) -> None:
    path.mkdir()


def _loop(path: Path) -> None:
    path.symlink_to(path.name)


def _huge(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(3 << 30)


MAKERS = {
    "this is a pipe": _fifo,
    "this is a device": _device,
    "this is a folder": _folder,
    "leads to itself": _loop,
    "3221225472 bytes": _huge,
}


class _AnyBlock(Block):
    pass


def _readings(path: Path) -> object:
    return block_from_file(_AnyBlock, path, "a file of readings")


READERS: dict[str, Callable[[Path], object]] = {
    "plain": lambda path: bytes_from_file(path, 1000),
    "scene": load_scene,
    "scene text": scene_text_from_file,
    "study": load_study,
    "readings": _readings,
    "photometric": read_ies,
}


@pytest.mark.parametrize("why", MAKERS)
@pytest.mark.parametrize("reader", READERS)
def test_what_is_no_plain_file_is_one_line_at_once(tmp_path: Path, reader: str, why: str) -> None:
    path = tmp_path / "odd.yaml"
    MAKERS[why](path)
    start = time.monotonic()
    with pytest.raises(HalfstopError) as caught:
        READERS[reader](path)
    assert time.monotonic() - start < AT_ONCE_S
    message = str(caught.value)
    assert why in message and "odd.yaml" in message and "\n" not in message


@pytest.mark.parametrize("why", MAKERS)
def test_a_scene_that_names_such_a_file_says_so(tmp_path: Path, why: str) -> None:
    base = Path("scenes/classic_two.yaml").read_text("utf-8")
    lines = base.replace("sitter:\n", "sitter:\n  figure: {file: odd.ply}\n")
    assert lines != base
    lines = "\n".join(line for line in lines.splitlines() if not line.startswith("  figure: ") or "odd" in line)
    scene = tmp_path / "scene.yaml"
    scene.write_text(lines, "utf-8")
    MAKERS[why](tmp_path / "odd.ply")
    with pytest.raises(HalfstopError, match=rf"sitter\.figure\.file: .*odd\.ply.*{why}"):
        load_scene(scene)


def test_a_plain_file_and_a_link_to_one_are_read(tmp_path: Path) -> None:
    path, link = tmp_path / "a", tmp_path / "b"
    path.write_bytes(b"12345")
    link.symlink_to(path)
    assert bytes_from_file(path, 5) == bytes_from_file(link, 5) == b"12345"
    with pytest.raises(UnreadableFile, match="5 bytes, and at most 4 bytes"):
        bytes_from_file(path, 4)
    with open_file(path, 5) as stream:
        assert stream.read(2) == b"12"


@pytest.mark.parametrize("name", ["nul\0l", "x" * 300, "missing", "sub/missing"])
def test_names_that_no_file_has(tmp_path: Path, name: str) -> None:
    with pytest.raises(UnreadableFile):
        bytes_from_file(f"{tmp_path}/{name}", 10)


def test_state_of_the_system_is_held_to_the_limit() -> None:
    # A file whose size the system gives as 0 and that never ends or is longer than it says.
    with pytest.raises(UnreadableFile, match="more than 10 bytes"):
        bytes_from_file("/proc/self/status", 10)
