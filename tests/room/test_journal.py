"""Unsaved work outlives the process: killed at any moment, with torn or spoilt lines, and during every step of a save.

A killed process loses nothing that was written to the kernel; a machine that stops loses what was not forced to the
disk, so the journal is forced within two seconds.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from edit_script import applied
from hypothesis import given
from hypothesis import strategies as st

from sim.quantities.atomic_write import PREFIX
from sim.room.document import journal
from sim.room.document.journal import (
    Journal,
    kept_from_file,
    splice_from_texts,
    spliced,
    write_forced,
)
from sim.room.document.scene_document import SceneDocument
from sim.room.document.state_folder import stem_from_path
from sim.scene.read import scene_from_text

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "scenes" / "recital.yaml"
TITLE = "title: Season poster - violist\n"

EDITOR = """
import os, signal, sys
from sim.room.document import journal
from sim.room.document.edits import edits_from_data
from sim.room.document.scene_document import SceneDocument

path, state, how = sys.argv[1:]
document = SceneDocument.open(path, state)
if how != "free":
    place, count = how.split(":")
    calls = 0
    real = getattr(os, place)

    def stops_here(*args):
        global calls
        calls += 1
        if saving and calls == int(count):
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args)

    setattr(os, place, stops_here)
saving = False
for number in range(1, 100_000):
    title = f"edit {number}" + " and on" * (number % 20)
    document.apply(edits_from_data([{"op": "set", "path": ["title"], "value": title}]))
    os.write(1, f"edit {number}\\n".encode())
    if number % 3 == 0:
        calls, saving = 0, True
        os.write(1, f"saving {number}\\n".encode())
        document.save()
        os.write(1, f"saved {number}\\n".encode())
        saving = False
"""


@pytest.fixture()
def path(tmp_path: Path) -> Path:
    target = tmp_path / "set" / "demo.yaml"
    target.parent.mkdir()
    target.write_bytes(DEMO.read_bytes())
    return target


@contextmanager
def _editor(path: Path, state: Path, how: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", EDITOR, str(path), str(state), how]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as child:
        try:
            yield child
        finally:
            child.kill()


def _text(number: int) -> str:
    """The whole file after so many edits of the editor above."""
    title = f"title: edit {number}{' and on' * (number % 20)}\n"
    return DEMO.read_text("utf-8").replace(TITLE, title) if number else DEMO.read_text("utf-8")


def _number(text: str) -> int:
    scene_from_text(text)
    title = scene_from_text(text).title
    number = int(title.split()[1]) if title.startswith("edit ") else 0
    # Whatever is found must be one of the texts whole, to the last byte.
    assert text == _text(number)
    return number


def _last(lines: list[str], word: str) -> int:
    whole = (line.split() for line in lines if line.endswith("\n"))
    return max((int(number) for said, number in whole if said == word), default=0)


@pytest.mark.parametrize("seed", range(4))
def test_a_process_killed_at_any_moment_loses_nothing(path: Path, tmp_path: Path, seed: int) -> None:
    state, pause = tmp_path / "state", random.Random(seed)
    for _ in range(3):
        with _editor(path, state, "free") as child:
            assert child.stdout is not None
            told = [child.stdout.readline() for _ in range(pause.randint(1, 60))]
            time.sleep(pause.uniform(0, 0.02))
            child.kill()
            told += child.stdout.readlines()
        on_disk = _number(path.read_text("utf-8"))
        assert on_disk in (_last(told, "saved"), _last(told, "saving"))
        kept = SceneDocument.recovery(path, state)
        found = on_disk if kept is None else _number(kept.text)
        # The edit that was under way may be there or not; every one that was told of is.
        assert found - _last(told, "edit") in (0, 1)
        document = SceneDocument.open(path, state)
        if document.pending_recovery is not None:
            start = document.text
            document.take_recovery()
            assert _number(document.text) == found and document.pending_recovery is None
            document.undo()
            assert document.text == start
        document.close()
        path.write_bytes(DEMO.read_bytes())
        for old in state.iterdir():
            old.unlink()


@pytest.mark.parametrize(
    ("how", "new"),
    [("open:1", False), ("fsync:1", False), ("replace:1", False), ("fsync:2", True), ("unlink:1", True)],
)
def test_killed_at_each_step_of_a_save_the_file_is_old_or_new(path: Path, tmp_path: Path, how: str, new: bool) -> None:
    state = tmp_path / "state"
    with _editor(path, state, how) as child:
        assert child.stdout is not None
        told = child.stdout.readlines()
        assert child.wait(60) == -signal.SIGKILL
    if how == "unlink:1" and _last(told, "saved"):
        pytest.fail("the save was over before its last step")
    on_disk, kept = _number(path.read_text("utf-8")), SceneDocument.recovery(path, state)
    assert on_disk == (_last(told, "saving") if new else _last(told, "saved"))
    assert kept is not None and _number(kept.text) == _last(told, "edit") == _last(told, "saving")
    # Opened again it offers what is not in the file, and saving leaves no draft behind.
    document = SceneDocument.open(path, state)
    assert (document.pending_recovery is None) is new
    if not new:
        question = document.recovery_text()
        assert "3 changes of" in question and "never reached demo.yaml: take them up" in question
        document.take_recovery()
    applied(document, [{"op": "turn", "what": ["sitter"], "deg": 5}])
    document.save()
    document.close()
    assert os.listdir(path.parent) == [path.name] and len(os.listdir(state)) == 1


def _journal_of(path: Path, state: Path, edits: int) -> tuple[Path, list[str]]:
    """A journal left by an editor that was ended, and the text after each of its edits."""
    document = SceneDocument.open(path, state)
    texts = [document.text]
    for number in range(1, edits + 1):
        applied(document, [{"op": "set", "path": ["title"], "value": f"edit {number} ü"}])
        texts.append(document.text)
    document.close()
    return state / f"{stem_from_path(path)}.journal", texts


def test_a_torn_line_and_all_behind_it_is_left_out(path: Path, tmp_path: Path) -> None:
    file, texts = _journal_of(path, tmp_path / "state", 5)
    data = file.read_bytes()
    ends = [place + 1 for place, byte in enumerate(data) if byte == ord("\n")]
    assert len(ends) == 6
    for length in [*range(0, len(data), 37), *ends, *(end - 1 for end in ends), len(data)]:
        file.write_bytes(data[:length])
        whole = sum(end - 1 <= length for end in ends) - 1
        kept = kept_from_file(file)
        assert (kept is None) == (whole < 1)
        if kept is not None:
            assert kept.text == texts[whole] and kept.changes == whole


def test_a_spoilt_byte_never_leads_to_a_text_that_was_not_there(path: Path, tmp_path: Path) -> None:
    file, texts = _journal_of(path, tmp_path / "state", 4)
    data, rng = file.read_bytes(), random.Random(3)
    for _ in range(200):
        place, flip = rng.randrange(len(data)), rng.randrange(1, 256)
        file.write_bytes(data[:place] + bytes([data[place] ^ flip]) + data[place + 1 :])
        kept = kept_from_file(file)
        assert kept is None or kept.text in texts[1:]
    for strange in (b"", b"\n\n", b"{}\n", os.urandom(500)):
        file.write_bytes(strange)
        assert kept_from_file(file) is None
    # A journal that cannot be read does not keep the scene shut.
    document = SceneDocument.open(path, tmp_path / "state")
    assert document.pending_recovery is None
    document.close()


def test_journals_of_earlier_versions_are_read(tmp_path: Path) -> None:
    # The form on disk is a promise: 16 hex digits of BLAKE2b over each line, made here by hand.
    def line(entry: dict[str, object]) -> bytes:
        data = json.dumps(entry, separators=(",", ":")).encode()
        return hashlib.blake2b(data, digest_size=8).hexdigest().encode() + b" " + data + b"\n"

    def digest(text: str) -> str:
        return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()

    head = {"halfstop_journal": 1, "file": "/invented/set.yaml", "base": digest("title: a\n"), "text": "title: ä\n"}
    steps = [
        {"cut": [7, 8], "put": "ber", "leads_to": digest("title: ber\n")},
        {"cut": [7, 7], "put": "ü", "leads_to": digest("title: über\n")},
    ]
    whole = b"".join(map(line, [head, *steps]))
    file = tmp_path / "set.journal"
    file.write_bytes(whole)
    kept = kept_from_file(file)
    assert kept is not None and (kept.text, kept.changes) == ("title: über\n", 2)
    assert kept.path == file and kept.base_hash == digest("title: a\n")
    assert kept.time_s == pytest.approx(file.stat().st_mtime)
    # Of another form, of one step that lacks something or leads elsewhere, nothing behind it is taken.
    for entry in ({**head, "halfstop_journal": 2}, {**head, "text": "title: a\n"}):
        file.write_bytes(line(entry))
        assert kept_from_file(file) is None
    for missing in ("cut", "put", "leads_to"):
        file.write_bytes(line(head) + line({k: v for k, v in steps[0].items() if k != missing}) + line(steps[1]))
        kept = kept_from_file(file)
        assert kept is not None and (kept.text, kept.changes) == ("title: ä\n", 0)
    for elsewhere in ("0" * 32, "f" * 32):
        file.write_bytes(line(head) + line({**steps[0], "leads_to": elsewhere}) + line(steps[1]))
        kept = kept_from_file(file)
        assert kept is not None and kept.changes == 0
    # A link in the journal's place leads to what is not ours.
    link = tmp_path / "link.journal"
    link.symlink_to(file)
    assert kept_from_file(link) is None
    for strange in (b"[" * 50_000, b"{", b"\xff", b"[1]", b""):
        file.write_bytes(line(head) + _checked(strange))
        kept = kept_from_file(file)
        assert kept is not None and kept.changes == 0


def _checked(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=8).hexdigest().encode() + b" " + data + b"\n"


def test_a_journal_begins_with_its_file_and_is_kept_aside_by_number(tmp_path: Path) -> None:
    scene, folder = tmp_path / "set.yaml", tmp_path / "state"
    folder.mkdir()
    kept = Journal(scene, folder)
    for number, text in ((1, "one"), (2, "two")):
        kept.record("base", "base", text)
        kept.close()
        head = json.loads(kept.path.read_bytes().split(b"\n")[0].partition(b" ")[2])
        base = hashlib.blake2b(b"base", digest_size=16).hexdigest()
        assert head == {"halfstop_journal": 1, "file": str(scene), "base": base, "text": "base"}
        # What leads to the text at hand is not worth keeping; what leads elsewhere is.
        assert kept.set_aside(text + " more") == ""
        assert sorted(path.name for path in folder.iterdir()) == [
            f"{kept.path.stem}.kept-{n}" for n in range(1, number + 1)
        ]  # fmt: skip
        newest = kept.newest()
        assert newest is not None and newest.text == text and newest == kept.left_behind()
    kept.record("base", "base", "three")
    kept.close()
    assert kept.newest() == kept_from_file(kept.path) and kept.set_aside("three") == "" and not kept.path.exists()
    # One that leads nowhere yet is whole, and goes; one that is damaged is put aside, and that is said.
    kept.record("base", "base", "base")
    kept.close()
    assert kept.set_aside("base") == "" and not kept.path.exists() and kept.set_aside("base") == ""
    kept.path.write_bytes(b"damaged")
    assert "could not be read" in kept.set_aside("base") and not kept.path.exists()
    kept.path.symlink_to(tmp_path / "elsewhere")
    assert "could not be read" in kept.set_aside("base")


def test_a_line_written_in_part_is_an_error_and_the_next_change_begins_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Journal(tmp_path / "set.yaml", tmp_path)
    kept.record("base", "base", "one")
    with monkeypatch.context() as patch:
        write = os.write
        patch.setattr(journal.os, "write", lambda handle, data: write(handle, data[:9]))
        with pytest.raises(OSError, match="No space left"):
            kept.record("base", "one", "two")
    kept.record("base", "two", "three")
    kept.close()
    found = kept.newest()
    assert found is not None and (found.text, found.changes) == ("three", 1)


def test_a_journal_is_forced_to_the_disk_with_its_name_when_it_begins_and_again_when_it_closes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forced: list[str] = []
    fsync, sync_folder = os.fsync, journal.sync_folder
    monkeypatch.setattr(journal, "sync_folder", lambda folder: forced.append("name") or sync_folder(folder))
    monkeypatch.setattr(journal.os, "fsync", lambda handle: forced.append("data") or fsync(handle))
    kept = Journal(tmp_path / "set.yaml", tmp_path)
    kept.record("base", "base", "one")
    assert forced.count("name") >= 1 and forced.count("data") >= 1
    forced.clear()
    kept.close()
    assert "data" in forced


def test_a_journal_keeps_no_handle_open(tmp_path: Path) -> None:
    def handles() -> set[str]:
        return {os.readlink(path) for path in Path("/proc/self/fd").iterdir() if path.is_symlink()}

    kept = Journal(tmp_path / "set.yaml", tmp_path)
    kept.record("base", "base", "one")
    assert str(kept.path) in handles()
    for _ in range(3):
        kept._force()
    kept.close()
    assert str(kept.path) not in handles()


def test_forcing_what_is_closed_does_nothing(tmp_path: Path) -> None:
    kept = Journal(tmp_path / "set.yaml", tmp_path)
    kept._force()
    kept.record("base", "base", "one")
    kept.remove()
    kept._force()
    kept.remove()
    assert not kept.path.exists()


def test_what_was_left_waits_until_it_is_taken_or_let_go(path: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    _, first = _journal_of(path, state, 2)
    # A second session passes the offer over, works on, and is ended too.
    document = SceneDocument.open(path, state)
    assert document.pending_recovery is not None and document.pending_recovery.text == first[-1]
    applied(document, [{"op": "set", "path": ["title"], "value": "second"}])
    second = document.text
    document.close()
    document = SceneDocument.open(path, state)
    assert document.pending_recovery is not None and document.pending_recovery.text == second
    document.discard_recovery()
    assert document.pending_recovery is not None and document.pending_recovery.text == first[-1]
    change = document.take_recovery()
    assert document.text == first[-1] and change.title == "take up unsaved changes" and not document.saved
    assert document.pending_recovery is None and document.recovery_text() == ""
    document.save()
    document.close()
    assert path.read_text("utf-8") == first[-1] and SceneDocument.recovery(path, state) is None


def test_the_question_tells_of_a_file_changed_since(path: Path, tmp_path: Path) -> None:
    _journal_of(path, tmp_path / "state", 1)
    path.write_text(path.read_text("utf-8").replace(TITLE, "title: By hand\n"), "utf-8")
    document = SceneDocument.open(path, tmp_path / "state")
    question = document.recovery_text()
    assert "1 change of" in question and "demo.yaml, which was changed since:" in question
    document.close()


def test_the_journal_is_forced_to_the_disk_within_two_seconds(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forced: list[float] = []
    document = SceneDocument.open(path, tmp_path / "state")
    applied(document, [{"op": "set", "path": ["title"], "value": "first"}])
    monkeypatch.setattr(journal.os, "fsync", lambda handle: forced.append(time.monotonic()))
    began = time.monotonic()
    applied(document, [{"op": "set", "path": ["title"], "value": "second"}])
    assert journal.FORCE_WITHIN_S <= 1.5
    while not forced and time.monotonic() < began + 30:
        time.sleep(0.02)
    assert forced
    document.close()


def test_a_disk_that_takes_no_more_is_told_and_work_goes_on(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = SceneDocument.open(path, tmp_path / "state")

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(journal.os, "write", full)
        applied(document, [{"op": "set", "path": ["title"], "value": "first"}])
    assert "cannot be kept" in document.trouble and document.scene.title == "first"
    applied(document, [{"op": "set", "path": ["title"], "value": "second"}])
    kept = SceneDocument.recovery(path, tmp_path / "state")
    assert document.trouble == "" and kept is not None and kept.text == document.text
    document.close()


def test_a_long_session_does_not_grow_the_journal_without_end(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal, "LONGEST_JOURNAL_BYTES", 12_000)
    file, texts = _journal_of(path, tmp_path / "state", 200)
    kept = kept_from_file(file)
    assert kept is not None and kept.text == texts[-1] and file.stat().st_size < 13_000


@given(st.text(max_size=60), st.text(max_size=60), st.text(max_size=60))
def test_a_splice_leads_from_one_text_to_the_other(one: str, two: str, shared: str) -> None:
    for before, after in ((one, two), (shared + one, shared + two), (one + shared, two + shared), (one, one)):
        start, end, new = splice_from_texts(before, after)
        assert spliced(before, (start, end, new)) == after and 0 <= start <= end <= len(before)
        # Nothing that both share at either end is written again.
        assert not new or start == end or (new[0] != before[start] and new[-1] != before[end - 1])


def test_drafts_left_by_a_crash_go_with_the_next_save_but_not_one_that_is_being_written(tmp_path: Path) -> None:
    target = tmp_path / "x.yaml"
    (tmp_path / f"{PREFIX}dead").write_text("half of it")
    # A link is none of ours, and what it leads to still less.
    (tmp_path / "precious").write_text("mine")
    (tmp_path / f"{PREFIX}link").symlink_to(tmp_path / "precious")
    with (tmp_path / f"{PREFIX}alive").open("w") as alive:
        fcntl.flock(alive, fcntl.LOCK_EX)
        write_forced(target, b"whole")
        assert target.read_bytes() == b"whole" and (tmp_path / "precious").read_text() == "mine"
        assert sorted(os.listdir(tmp_path)) == [f"{PREFIX}alive", f"{PREFIX}link", "precious", "x.yaml"]
    write_forced(target, b"again")
    assert sorted(os.listdir(tmp_path)) == [f"{PREFIX}link", "precious", "x.yaml"]


def test_files_of_the_same_name_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "set é.yaml").write_bytes(DEMO.read_bytes())
    stems = {stem_from_path(tmp_path / folder / "set é.yaml") for folder in ("a", "b")}
    assert len(stems) == 2 and all(stem.isascii() and "/" not in stem for stem in stems)
    assert Journal(tmp_path / "a" / "set é.yaml", tmp_path).newest() is None
