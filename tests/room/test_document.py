"""A document under random edits, undo, saving, and what other programs do to its file.

What an edit may cost is judged by processor time on the demo scene, so that a busy machine does not matter.
"""

from __future__ import annotations

import json
import os
import random
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from edit_script import applied, random_edit

from sim.quantities.errors import HalfstopError, SceneError
from sim.room.document.file_lock import SceneInUse
from sim.room.document.scene_document import SceneDocument
from sim.room.snapshot.placement_cache import PlacementCache
from sim.room.snapshot.view import view_from_document
from sim.scene.comments import text_with_true_comments
from sim.scene.read import load_scene, scene_from_bytes

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "scenes" / "recital.yaml"
WINDOW = ROOT / "scenes" / "continuous_set.yaml"
TURN = {"op": "turn", "what": ["sitter"], "deg": 5}
# An edit must leave room for thirty a second on one of two cores, with a page to tell.
MOST_COST_S = 0.050


def _key_to(stops: float) -> list[dict[str, Any]]:
    return [{"op": "dials", "stops": {"key": stops}}]


@pytest.fixture()
def path(tmp_path: Path) -> Path:
    target = tmp_path / "set" / "demo.yaml"
    target.parent.mkdir()
    target.write_bytes(DEMO.read_bytes())
    return target


@pytest.fixture()
def document(path: Path, tmp_path: Path):
    opened = SceneDocument.open(path, tmp_path / "state")
    yield opened
    opened.close()


# -- random edits -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scene", "lead", "ending", "seed"), [(DEMO, "", "\n", 5), (WINDOW, "\ufeff", "\r\n", 6)], ids=["demo", "windows"]
)
def test_a_thousand_edits_and_all_the_way_back(scene: Path, lead: str, ending: str, seed: int, tmp_path: Path) -> None:
    path, state = tmp_path / "set.yaml", tmp_path / "state"
    path.write_bytes((lead + scene.read_text("utf-8").replace("\n", ending)).encode("utf-8"))
    start = path.read_bytes()
    document, placements, rng = SceneDocument.open(path, state), PlacementCache(), random.Random(seed)
    texts, done, refused = [document.text], 0, 0
    for count in range(1000):
        edit = random_edit(rng, list(document.scene.lights), list(document.scene.meters))
        before, revision = document.text, document.revision
        try:
            change = applied(document, [edit])
        except SceneError as fault:
            refused += 1
            assert document.text == before and document.revision == revision
            assert str(fault) and "\n" not in str(fault)
            continue
        assert change.revision == document.revision == revision + change.changed
        if change.changed:
            done += 1
            texts.append(document.text)
        if count % 25 == 0:
            json.dumps(view_from_document(document, placements.placed(document.scene)), allow_nan=False)
            scene_from_bytes(document.text.encode("utf-8"), str(path), path.parent)
            # The journal always leads to what is on the table.
            kept = SceneDocument.recovery(path, state)
            assert document.saved if kept is None else kept.text == document.text
    # Most of what the script does must be done, and much of it refused, or this shows nothing.
    assert done > 300 and refused > 300
    assert document.text.startswith(lead) and all(("\n" in line) is False for line in document.text.split(ending))

    for text in texts[-2::-1]:
        document.undo()
        assert document.text == text
    assert not document.can_undo and document.saved and document.text.encode("utf-8") == start
    for text in texts[1:]:
        document.redo()
        assert document.text == text
    assert not document.can_redo
    document.save()
    assert path.read_bytes() == texts[-1].encode("utf-8")
    assert load_scene(path).model_dump() == document.scene.model_dump()
    document.close()
    assert sorted(os.listdir(state)) == [document._lock.path.name]


def test_an_edit_costs_far_less_than_a_frame_of_a_drag(document: SceneDocument) -> None:
    placements = PlacementCache()
    view_from_document(document, placements.placed(document.scene))
    costs: dict[str, list[float]] = {}
    for step in range(12):
        edits = {
            "dial": {"op": "dials", "stops": {"key": -1 - step / 10}},
            "light": {"op": "move", "what": ["light", "key"], "to_m": [-1.6, 1.8, -0.5 + step / 50]},
            "sitter": {"op": "move", "what": ["sitter"], "to_m": [step / 100, 0, 0.1]},
            "turn": {"op": "turn", "what": ["sitter"], "deg": -40 + step},
            "camera": {"op": "move", "what": ["camera"], "to_m": [0, 1.2, 3 - step / 50]},
            "modifier": {"op": "set", "path": ["lights", "key", "modifier", "width"], "value": f"{90 + step} cm"},
        }
        for name, edit in edits.items():
            began = time.process_time()
            applied(document, [edit], name)
            json.dumps(view_from_document(document, placements.placed(document.scene)))
            costs.setdefault(name, []).append(time.process_time() - began)
    medians = {name: statistics.median(each) for name, each in costs.items()}
    assert max(medians.values()) < MOST_COST_S, medians


# -- steps of undo ----------------------------------------------------------------------------


def test_a_gesture_is_one_step(document: SceneDocument) -> None:
    start = document.text
    for step in range(5):
        applied(document, _key_to(-1.5 - step / 10), "drag 1")
    dragged = document.text
    applied(document, _key_to(-3), "drag 2")
    document.undo()
    assert document.text == dragged and document.undo_text == document.redo_text == "turn the dial of key"
    # The same gesture goes on after an undo: that is a step of its own.
    applied(document, _key_to(-4), "drag 1")
    document.undo()
    assert document.text == dragged
    document.undo()
    assert document.text == start and not document.can_undo


def test_a_gesture_that_ends_where_it_began_leaves_no_step(document: SceneDocument) -> None:
    applied(document, _key_to(-2), "drag")
    applied(document, _key_to(-0.3), "drag")
    assert document.saved and not document.can_undo and document.revision == 3
    assert not applied(document, _key_to(-0.3)).changed and document.revision == 3


def test_saving_parts_a_gesture(document: SceneDocument) -> None:
    applied(document, _key_to(-2), "drag")
    document.save()
    saved = document.text
    applied(document, _key_to(-3), "drag")
    document.undo()
    assert document.text == saved and document.saved


def test_edits_are_refused_together(document: SceneDocument) -> None:
    start = document.text
    with pytest.raises(SceneError, match=r"demo.yaml:\d+: lights.key.power"):
        applied(document, [TURN, *_key_to(-12)])
    assert document.text == start and document.revision == 1 and not document.can_undo
    applied(document, [TURN, *_key_to(-2)])
    document.undo()
    assert document.text == start
    for act in (document.undo,):
        with pytest.raises(HalfstopError, match="nothing to undo"):
            act()
    document.redo()
    with pytest.raises(HalfstopError, match="nothing to redo"):
        document.redo()


def test_a_new_edit_lets_go_of_what_was_undone(document: SceneDocument) -> None:
    applied(document, _key_to(-2))
    document.undo()
    applied(document, _key_to(-3))
    assert not document.can_redo


# -- the file ---------------------------------------------------------------------------------


def test_saving_writes_the_text_and_keeps_rights_and_links(document: SceneDocument, path: Path, tmp_path: Path) -> None:
    path.chmod(0o640)
    assert document.disk_state() == "same" and document.saved
    applied(document, _key_to(-2))
    assert not document.saved and path.read_bytes() == DEMO.read_bytes()
    document.save()
    original = DEMO.read_text("utf-8")
    place = "    power: -0.3 stop\n    modifier: {kind: softbox"
    assert place in original
    changed = original.replace(place, place.replace("-0.3 stop", "-2 stops"))
    # How far the fill is under the key is no longer what its comment says.
    assert document.saved and path.read_text("utf-8") == text_with_true_comments(original, changed) != changed
    assert path.stat().st_mode & 0o777 == 0o640 and os.listdir(path.parent) == [path.name]
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    document.close()
    linked = SceneDocument.open(link, tmp_path / "state")
    applied(linked, _key_to(-3))
    linked.save()
    assert link.is_symlink() and "power: -3 stops" in path.read_text("utf-8")
    linked.close()


def test_a_file_changed_by_hand_is_asked_about(document: SceneDocument, path: Path) -> None:
    by_hand = DEMO.read_text("utf-8").replace("Season poster - violist", "By hand")
    applied(document, _key_to(-2))
    mine = document.text
    path.write_text(by_hand, "utf-8")
    assert document.disk_state() == "changed"
    with pytest.raises(HalfstopError, match="changed by another program; load it, or save over it"):
        document.save()
    assert path.read_text("utf-8") == by_hand and document.text == mine
    document.reload()
    assert document.text == by_hand and document.saved and document.scene.title == "By hand"
    document.undo()
    assert document.text == mine and not document.saved
    document.save()
    assert path.read_text("utf-8") == mine


def test_a_file_broken_by_hand_changes_nothing_here(document: SceneDocument, path: Path) -> None:
    applied(document, _key_to(-2))
    mine = document.text
    broken = DEMO.read_text("utf-8").replace("power: -3.2 stops", "power: two")
    line = broken[: broken.index("power: two")].count("\n") + 1
    path.write_text(broken, "utf-8")
    state = document.disk_state()
    # File, line, key, what was expected and a cure.
    assert state.startswith(f"{path}:{line}: lights.accent.power: ") and 'got "two"' in state
    assert "expected a part of full power" in state and state.count(";") >= 2 and "\n" not in state
    with pytest.raises(SceneError, match=r"lights\.accent\.power"):
        document.reload()
    with pytest.raises(HalfstopError, match="cannot be read"):
        document.save()
    assert document.text == mine and path.read_text("utf-8") == broken
    path.write_bytes(b"\xff\xfe not text")
    assert "is not UTF-8 text" in document.disk_state()
    document.save(force=True)
    assert path.read_text("utf-8") == mine and document.disk_state() == "same"


def test_a_file_that_is_gone_is_written_again(document: SceneDocument, path: Path) -> None:
    path.unlink()
    assert document.disk_state() == "gone"
    document.save()
    assert path.read_bytes() == DEMO.read_bytes()


def test_saving_under_another_name_goes_on_there(document: SceneDocument, path: Path, tmp_path: Path) -> None:
    applied(document, _key_to(-2))
    taken = path.with_name("taken.yaml")
    taken.write_text("precious", "utf-8")
    for wrong, told in ((taken, "there is a file of this name"), (path.with_name("x.txt"), "ends in .yaml"),
                        (tmp_path / "no" / "x.yaml", "there is no folder")):  # fmt: skip
        with pytest.raises(HalfstopError, match=told):
            document.save_as(wrong)
    assert taken.read_text("utf-8") == "precious"
    other = path.with_name("other.yaml")
    document.save_as(other)
    assert document.path == other and document.saved and "-2 stops" in other.read_text("utf-8")
    assert path.read_bytes() == DEMO.read_bytes()
    applied(document, _key_to(-3))
    assert SceneDocument.recovery(other, tmp_path / "state") and not SceneDocument.recovery(path, tmp_path / "state")
    # The first file is free again, the second held.
    SceneDocument.open(path, tmp_path / "state").close()
    with pytest.raises(SceneInUse):
        SceneDocument.open(other, tmp_path / "state")


def test_a_failed_save_is_one_line_and_changes_nothing(
    document: SceneDocument, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    applied(document, _key_to(-2))
    monkeypatch.setattr("sim.quantities.atomic_write.os.replace", full)
    with pytest.raises(HalfstopError, match="No space left on device; save under another name"):
        document.save()
    monkeypatch.undo()
    assert not document.saved and path.read_bytes() == DEMO.read_bytes() and os.listdir(path.parent) == [path.name]


# -- who may hold it --------------------------------------------------------------------------

HOLD = """
import sys, time
from sim.room.document.scene_document import SceneDocument
document = SceneDocument.open(sys.argv[1], sys.argv[2])
document.announce("http://127.0.0.1:8123/token/")
print("held", flush=True)
time.sleep(600)
"""


def test_two_processes_never_hold_one_scene(path: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    command = [sys.executable, "-c", HOLD, str(path), str(state)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as first:
        try:
            assert first.stdout is not None and first.stdout.readline() == "held\n"
            with pytest.raises(SceneInUse, match="open in another room") as caught:
                SceneDocument.open(path, state)
            assert caught.value.address == "http://127.0.0.1:8123/token/"
            # Another way to write the same path is the same scene.
            (tmp_path / "also.yaml").symlink_to(path)
            with pytest.raises(SceneInUse):
                SceneDocument.open(tmp_path / "also.yaml", state)
            free = tmp_path / "free.yaml"
            free.write_bytes(DEMO.read_bytes())
            SceneDocument.open(free, state).close()
        finally:
            first.kill()
    # The lock ends with its process, even one that is killed.
    SceneDocument.open(path, state).close()


def test_what_is_no_scene_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("halfstop: 1\ntitle: [", "utf-8")
    for wrong in (bad, tmp_path / "none.yaml", tmp_path):
        with pytest.raises(SceneError):
            SceneDocument.open(wrong, tmp_path / "state")
    assert not (tmp_path / "state").exists()
    bad.write_bytes(DEMO.read_bytes())
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(HalfstopError, match="cannot be kept there"):
        SceneDocument.open(bad, tmp_path / "file")
