"""A file is the old one or the new one, with the right permissions, and nothing is left beside it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from sim.quantities import atomic_write
from sim.quantities.atomic_write import write_whole


def mode_of(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture
def no_umask_calls(monkeypatch: pytest.MonkeyPatch) -> int:
    """The mask of the process; asking for it by setting it is a fault while the test runs."""
    mask = os.umask(0)
    os.umask(mask)
    monkeypatch.setattr(os, "umask", lambda _: pytest.fail("the mask of the whole process was changed"))
    return mask


def test_a_new_file_gets_the_permissions_of_any_new_file(tmp_path: Path, no_umask_calls: int) -> None:
    write_whole(tmp_path / "a", b"one")
    assert (tmp_path / "a").read_bytes() == b"one" and mode_of(tmp_path / "a") == 0o666 & ~no_umask_calls


def test_permissions_are_kept_private_or_as_asked(tmp_path: Path, no_umask_calls: int) -> None:
    kept, private, asked = (tmp_path / name for name in ("kept", "private", "asked"))
    kept.write_text("old")
    kept.chmod(0o640)
    write_whole(kept, (b"ne", memoryview(b"w")))
    write_whole(private, b"", private=True)
    write_whole(asked, b"", mode=0o604)
    assert [mode_of(path) for path in (kept, private, asked)] == [0o640, 0o600, 0o604]
    assert kept.read_text() == "new" and sorted(os.listdir(tmp_path)) == ["asked", "kept", "private"]


def test_a_taken_name_is_refused_even_a_link_that_leads_nowhere(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    (tmp_path / "file").write_text("mine")
    for name in ("link", "file"):
        with pytest.raises(FileExistsError):
            write_whole(tmp_path / name, b"x", replace=False)
    write_whole(tmp_path / "new", b"x", replace=False)
    assert (tmp_path / "file").read_text() == "mine" and sorted(os.listdir(tmp_path)) == ["file", "link", "new"]


def test_a_link_is_replaced_unless_it_is_to_be_followed(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_text("mine")
    link.symlink_to(target)
    write_whole(link, b"through", follow_link=True)
    assert link.is_symlink() and target.read_text() == "through"
    write_whole(link, b"instead")
    assert not link.is_symlink() and target.read_text() == "through" and link.read_text() == "instead"


@pytest.mark.parametrize("step", ["replace", "fsync", "fchmod"])
def test_a_failed_step_leaves_the_old_file_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    path = tmp_path / "a"
    path.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(atomic_write.os, step, full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(path, b"new", durable=True)
    assert path.read_text() == "old" and os.listdir(tmp_path) == ["a"]


def test_bytes_reach_the_disk_before_the_name_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps: list[str] = []
    force, rename = os.fsync, os.replace
    monkeypatch.setattr(atomic_write.os, "fsync", lambda handle: (steps.append("bytes"), force(handle)))
    monkeypatch.setattr(atomic_write.os, "replace", lambda *names: (steps.append("name"), rename(*names)))
    write_whole(tmp_path / "a", b"new", durable=True)
    assert steps == ["bytes", "name"]
