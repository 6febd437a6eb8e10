"""What stands in the place of the room's own files, whatever it is: the scene opens, nothing is lost, it is said."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from edit_script import applied
from rooms import StillWorker, scene_file, served

from sim.quantities.errors import HalfstopError, SceneError
from sim.room import session
from sim.room.document import journal
from sim.room.document.scene_document import SceneDocument
from sim.room.document.state_folder import stem_from_path
from sim.room.home.folders import Folders
from sim.room.open_scene import OpenScene
from sim.room.protocol.messages import VersionFacts
from sim.room.versions import Versions

PATIENCE_S = 20.0


def _folder(place: Path) -> None:
    (place / "inside").mkdir(parents=True)


def _link(place: Path) -> None:
    place.with_name("precious").write_text("mine")
    place.symlink_to(place.with_name("precious"))


DAMAGES: dict[str, Callable[[Path], object]] = {
    "random bytes": lambda place: place.write_bytes(os.urandom(3000)),
    "deep JSON": lambda place: place.write_text("[" * 100_000),
    "NaN": lambda place: place.write_text('[{"id": NaN, "title": "a", "text": "", "facts": {}}]'),
    "a folder": _folder,
    "a link": _link,
    "a pipe": lambda place: os.mkfifo(place),
}
TITLE = {"op": "set", "path": ["title"], "value": "Changed"}


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> VersionFacts:
    """What a version of a scene is mixed by."""
    folder = tmp_path_factory.mktemp("facts")
    scene = OpenScene(scene_file(folder), folder / "state", "")
    try:
        return scene.snapshot().version_facts
    finally:
        scene.close()


def soon(work: Callable[[], Any]) -> Any:
    """What some work gives, which must not keep its caller waiting."""
    results: list[Any] = []
    thread = threading.Thread(target=lambda: results.append(work()), daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    assert results, "it did not end"
    return results[0]


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("ending", ["journal", "lock"])
def test_a_damaged_file_is_put_aside_and_the_scene_opens(tmp_path: Path, damage: str, ending: str) -> None:
    path, state = scene_file(tmp_path), tmp_path / "state"
    state.mkdir()
    place = state / f"{stem_from_path(path)}.{ending}"
    DAMAGES[damage](place)
    before = place.read_bytes() if place.is_file() else b""
    document = soon(lambda: SceneDocument.open(path, state))
    aside = place.with_name(f"{place.name}.damaged-1")
    if ending == "lock" and damage in ("random bytes", "deep JSON", "NaN"):
        # A lock holds nothing of worth: any plain file will do.
        assert document.trouble == "" and not aside.exists()
    else:
        assert f"{place.name} could not be read and was put aside as {aside}" in document.trouble
        assert os.path.lexists(aside) and (not before or aside.read_bytes() == before)
    # Work goes on and is kept as ever.
    applied(document, [TITLE])
    kept = SceneDocument.recovery(path, state)
    assert kept is not None and kept.text == document.text and document.trouble == ""
    document.save()
    document.close()
    if damage == "a link":
        assert (state / "precious").read_text() == "mine"


@pytest.mark.parametrize("damage", DAMAGES)
def test_damaged_versions_are_put_aside_and_new_ones_kept(tmp_path: Path, facts: VersionFacts, damage: str) -> None:
    place = tmp_path / "set.slots"
    DAMAGES[damage](place)
    versions = soon(lambda: Versions(place))
    assert versions.all == [] and versions.damage.endswith(f"was put aside as {place}.damaged-1")
    versions.keep("one", "text", facts, None, None, None)
    assert [version.title for version in Versions(place).all] == ["one"] and Versions(place).damage == ""
    # A second damage takes the next name.
    place.write_text("{")
    assert Versions(place).damage.endswith(".damaged-2")


def test_damage_is_said_in_the_room(tmp_path: Path) -> None:
    path, state = scene_file(tmp_path), tmp_path / "state"
    state.mkdir()
    (state / f"{stem_from_path(path)}.slots").write_bytes(b"\xff")
    with served(path, state, worker=StillWorker) as room, room.client() as tab:
        assert "was put aside as" in tab.wait("state")["trouble"]


def test_a_scene_replaced_by_a_pipe_keeps_nobody_waiting(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    document = SceneDocument.open(path, tmp_path / "state")
    applied(document, [TITLE])
    path.unlink()
    os.mkfifo(path)
    assert "set.yaml:1: this is a pipe; expected a scene file" in soon(document.disk_state)

    def refused(work: Callable[[], object]) -> str:
        with pytest.raises(HalfstopError) as caught:
            work()
        return str(caught.value)

    assert "this is a pipe" in soon(lambda: refused(document.reload))
    assert "cannot be read" in soon(lambda: refused(document.save))
    document.close()
    assert "this is a pipe" in soon(lambda: refused(lambda: SceneDocument.open(path, tmp_path / "state")))


def test_a_scene_replaced_by_a_huge_file_is_not_read(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    document = SceneDocument.open(path, tmp_path / "state")
    with path.open("wb") as stream:
        stream.truncate(3 << 30)
    line = f"{path}:1: the file has {3 << 30} bytes, and at most 64 KiB are read; expected a scene file"
    assert document.disk_state().startswith(line)
    for work in (document.reload, lambda: SceneDocument.open(path, tmp_path / "other state")):
        with pytest.raises(SceneError, match="at most 64 KiB are read"):
            work()
    # Nothing is written for a scene that does not open.
    assert not (tmp_path / "other state").exists()
    path.unlink()
    assert document.disk_state() == "gone"
    document.close()


@pytest.mark.parametrize("name", ["x" * 300, "x" * 300 + ".yaml", "~nosuchuser/a.yaml", "x" * 300 + "/a.yaml"])
def test_a_name_that_cannot_be_is_one_line(tmp_path: Path, name: str) -> None:
    path = scene_file(tmp_path)
    with pytest.raises(HalfstopError) as caught:
        Folders.named([tmp_path]).scene_path(name, tmp_path)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 300
    if "~" not in name:
        document = SceneDocument.open(path, tmp_path / "state")
        with pytest.raises(HalfstopError, match=r"cannot be written|ends in \.yaml"):
            document.save_as(tmp_path / name)
        document.close()


def test_hostile_requests_are_answered_on_the_same_socket(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.wait("state")
        for request, fault in (
            ({"type": "save_as", "path": "x" * 300}, "cannot be written"),
            ({"type": "save_as", "path": "~nosuchuser/a.yaml"}, "no user of this name"),
            ({"type": "edit", "edits": [{"op": "dials", "stops": {"key": int("9" * 4000)}}]}, "a number without end"),
            ({"type": "edit", "edits": [{**TITLE, "value": "\ud800"}]}, "characters of text"),
        ):
            answer = tab.ask(request.pop("type"), **request)
            assert answer["type"] == "refused" and fault in str(answer)
        tab.socket.send(json.dumps({"type": "undo", "id": "\ud800"}))
        assert tab.wait("refused", lambda m: m["id"] is None)
        assert tab.edit(TITLE)["type"] == "state"


def test_bytes_on_the_socket_are_refused_and_work_goes_on(tmp_path: Path) -> None:
    with served(scene_file(tmp_path), tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.wait("state")
        tab.socket.send(b'{"type": "undo", "id": 1}')
        assert tab.wait("refused", lambda m: m["id"] is None)["what"] == "this page sent bytes"
        assert tab.edit(TITLE)["type"] == "state"


def test_work_beside_the_rest_that_fails_is_said_and_taken_up_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session, "WATCH_EVERY_S", 0.05)
    monkeypatch.setattr(session, "RESTART_AFTER_S", 0.05, raising=False)
    real, failures = OpenScene.disk, [KeyError("once"), KeyError("once"), KeyError("another")]

    def disk(self: OpenScene) -> tuple[str, str]:
        if failures:
            raise failures.pop(0)
        return real(self)

    monkeypatch.setattr(OpenScene, "disk", disk)
    path = scene_file(tmp_path)
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        trouble = tab.wait("state", lambda m: "KeyError: 'another'" in m["trouble"], PATIENCE_S)["trouble"]
        assert trouble.count("watching the file failed") == 2
        path.write_text(path.read_text("utf-8") + "# more\n", "utf-8")
        assert tab.wait("disk", timeout_s=PATIENCE_S)["what"] == "changed"


def test_work_done_once_that_fails_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def look_over(self: OpenScene) -> bool:
        raise ZeroDivisionError("nothing there")

    with served(scene_file(tmp_path), tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        monkeypatch.setattr(OpenScene, "look_over", look_over)
        tab.edit(TITLE)
        state = tab.wait("state", lambda m: "ZeroDivisionError" in m["trouble"], PATIENCE_S)
        assert state["trouble"] == "this is a bug in halfstop: ZeroDivisionError: nothing there"


def test_the_journal_and_its_name_are_forced_to_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    document = SceneDocument.open(scene_file(tmp_path), tmp_path / "state")
    place = tmp_path / "state" / f"{stem_from_path(document.path)}.journal"
    forced: list[tuple[int, int, int]] = []
    real = os.fsync

    def noted(handle: int) -> None:
        info = os.fstat(handle)
        forced.append((info.st_ino, info.st_size, 1))
        real(handle)

    monkeypatch.setattr(os, "fsync", noted)
    applied(document, [TITLE])
    # The first change makes the file: its bytes and then its name in the folder, before the change is done.
    inodes = [inode for inode, _, _ in forced]
    assert inodes[:2] == [place.stat().st_ino, place.parent.stat().st_ino]
    document.close()
    # Closing forces what was written since.
    assert (place.stat().st_ino, place.stat().st_size, 1) in forced
    assert journal.kept_from_file(place) is not None
    with pytest.raises(SceneError):
        applied(document, [{"op": "odd"}])
