"""The room's server: who may speak to it, what a tab may ask, and that two tabs and the file stay in step."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from rooms import SIMPLE, Client, Served, StillWorker, children, command, gone, power, scene_file, served
from websockets.exceptions import ConnectionClosed, InvalidStatus

from sim.quantities.assets import asset_path
from sim.room.app import SERVED, SIM
from sim.room.home.folders import Folders

# The key at half: the comment behind its power says so too.
HALF = SIMPLE.replace("1/4        # two stops under full", "1/2        # one stop under full")
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture()
def room(tmp_path: Path) -> Iterator[Served]:
    """A room with a set for tests; nothing is painted."""
    with served(scene_file(tmp_path), tmp_path / "state", worker=StillWorker) as served_room:
        served_room.path = tmp_path / "set.yaml"
        yield served_room


# -- who may speak -------------------------------------------------------------------------------


def test_the_page_comes_with_its_policies(room: Served) -> None:
    answer = room.get("")
    assert answer.status == 200 and b"<html" in answer.body
    policy = answer.headers["Content-Security-Policy"]
    # What the page may do is written out (Content Security Policy Level 3, W3C): itself alone, no inline script.
    assert "default-src 'self'" in policy and "unsafe" not in policy and "*" not in policy
    for part in ("object-src 'none'", "base-uri 'none'", "form-action 'none'", "frame-ancestors 'none'"):
        assert part in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Server" not in answer.headers


def test_every_file_of_the_page_is_served_and_nothing_outside_is_asked_for(room: Served) -> None:
    kinds = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml", ".html": "text/html"}
    files = [path for folder in SERVED for path in folder.rglob("*") if path.suffix in kinds]
    assert len(files) > 3
    for path in files:
        answer = room.get(path.relative_to(SIM).as_posix())
        assert answer.status == 200 and answer.body == path.read_bytes()
        assert answer.headers["Content-Type"].startswith(kinds[path.suffix])
        text = path.read_text("utf-8").replace("http://www.w3.org/", "")
        assert "http://" not in text and "https://" not in text, path.name


def test_the_small_faces_and_their_words_are_served(room: Served) -> None:
    words = json.loads(room.get("face/words.json").body)
    assert len(words) == 9 and all(each["name"] and each["sentence"] for each in words)
    for each in words:
        left, right = (room.get(f"face/{each['drawing'].replace(' ', '%20')}-{side}.svg") for side in ("left", "right"))
        assert left.status == right.status == 200 and left.getheader("content-type").startswith("image/svg+xml")
        assert left.body.startswith(b"<svg") and left.body != right.body
    assert {room.get(f"face/{name}").status for name in ("loop.svg", "loop-up.svg", "x-left.svg", "loop-left")} == {404}


def test_a_wrong_token_finds_nothing(room: Served) -> None:
    good = room.token
    for path in ("/", f"/{good}", "/x/", f"/{good[:-1]}/", f"/{good}x/", f"/{good.swapcase()}/", "//", "/room"):
        assert room.get(path, token=False).status == 404, path
    with pytest.raises(InvalidStatus) as refused:
        Client(room.address.replace(good, "x" * len(good)))
    assert refused.value.response.status_code == 403
    assert len(good) >= 43


def test_only_this_host_and_this_origin_are_let_in(room: Served) -> None:
    port = room.port
    for host in (f"localhost:{port}", f"LOCALHOST:{port}"):
        assert room.get("", host=host).status == 200
    # A name of the web that was made to point here (DNS rebinding) is not let in.
    others = ("evil.example", f"evil.example:{port}", "127.0.0.1", f"127.0.0.1:{port + 1}", f"127.0.0.1.example:{port}")
    for host in others:
        assert room.get("", host=host).status == 403, host
    assert room.get("", origin=f"http://127.0.0.1:{port}").status == 200
    for origin in ("http://evil.example", "null", "", f"https://127.0.0.1:{port}", f"http://127.0.0.1:{port + 1}"):
        assert room.get("", origin=origin).status == 403, origin
        if origin:
            with pytest.raises(InvalidStatus) as refused:
                room.client(origin=origin)
            assert refused.value.response.status_code == 403
    with room.client() as tab:
        assert tab.state["type"] == "state"


def test_a_request_without_a_host_or_with_two_is_not_let_in(room: Served) -> None:
    path = room.address.split(str(room.port), 1)[1]
    for hosts in (b"", f"Host: 127.0.0.1:{room.port}\r\nHost: evil.example\r\n".encode()):
        with socket.create_connection(("127.0.0.1", room.port), timeout=20) as line:
            line.sendall(f"GET {path} HTTP/1.1\r\n".encode() + hosts + b"Connection: close\r\n\r\n")
            status = line.makefile("rb").readline()
        assert status.split()[1] in (b"400", b"403"), status


def test_it_listens_on_this_machine_alone(room: Served) -> None:
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    listening = [row[1] for row in rows if row[3] == "0A" and row[1].endswith(f":{room.port:04X}")]
    # 127.0.0.1 in the byte order of this file.
    assert listening == [f"0100007F:{room.port:04X}"]


def test_paths_lead_nowhere_else(room: Served, tmp_path: Path) -> None:
    paths = [
        "room/page/", "room/page/../server.py", "room/page/..%2fserver.py", "room/page/%2e%2e/server.py",
        "room/page/....//server.py", "web/bundle.py", "web/../room/app.py",
        "room/page/index.html%00.js", "room/page/index.html/", "room/page/.hidden.js",
        f"room/page/{tmp_path}/set.yaml",
        "room/page//etc/passwd", "../room/page/index.html", "nothing", "frame/1/key/view", "frame/-1/key/view",
        "frame/x/region",
        "frame/99999999999999999999/region", "thumbnail/bare-bulb.png", "thumbnail/../../set.yaml", "thumbnail/.png",
        "export/1/plan.html", "export/1/../../set.yaml", "room", "docs", "openapi.json",
    ]  # fmt: skip
    for path in paths:
        answer = room.get(path)
        assert answer.status == 404, path
        assert b"Traceback" not in answer.body and len(answer.body) < 60
    for method in ("POST", "PUT", "DELETE", "OPTIONS"):
        assert room.get("", method=method).status == 404


# -- editing -------------------------------------------------------------------------------------


def test_edit_undo_redo_save(room: Served) -> None:
    with room.client() as tab:
        first = tab.state
        assert first["saved"] and not first["can_undo"] and [x["name"] for x in first["lights"]] == ["key", "fill"]
        state = tab.edit(power("key", "1/2"))
        assert state["revision"] > first["revision"] and state["can_undo"] and not state["saved"]
        assert state["lights"][0]["power_stops"] == -1.0
        assert room.path.read_text("utf-8") == SIMPLE
        assert tab.ask("undo")["type"] == "done" and tab.state["lights"][0]["power_stops"] == -2.0
        assert tab.state["saved"] and tab.state["can_redo"]
        assert tab.ask("redo")["type"] == "done" and tab.ask("save")["type"] == "done"
        assert tab.state["saved"] and tab.newest["saved"]["path"] == str(room.path)
        # Every other character of the file, the other comments among them, is as it was.
        assert room.path.read_text("utf-8") == HALF
        assert tab.ask("undo")["type"] == "done" and not tab.state["saved"]


def test_what_is_no_scene_is_refused_and_changes_nothing(room: Served) -> None:
    with room.client() as tab:
        before = tab.state
        for edit, part in (
            (power("key", "3/0"), "lights.key.power"),
            (power("nobody", "1/2"), "nobody"),
            ({"op": "set", "path": ["camera", "iso"], "value": "plenty"}, "iso"),
            ({"op": "move", "what": ["light", "key"], "to_m": [99, 1, 1]}, "key"),
            ({"op": "fly"}, ""),
        ):
            answer = tab.ask("edit", edits=[power("fill", "1/8"), edit])
            assert answer["type"] == "refused" and part in answer["text"] and "\n" not in answer["text"], answer
        assert tab.ask("undo")["type"] == "refused"
        tab.ask("look", light="key")
        assert tab.state == before


def test_moving_asks_for_paint_and_a_dial_does_not(room: Served) -> None:
    with room.client() as tab:
        asked = len(StillWorker.asked)
        assert asked == 1
        before = tab.state["geometry"]
        tab.edit(power("key", "1/2"))
        tab.edit({"op": "set", "path": ["lights", "fill", "mute"], "value": True})
        tab.edit({"op": "set", "path": ["camera", "aperture"], "value": "f/5.6"})
        if len(StillWorker.asked) > asked:
            # A lens opened wider may blur what is out of focus: that alone is a new picture.
            asked = len(StillWorker.asked)
            before = tab.state["geometry"]
        tab.edit(power("key", "1/8"))
        assert len(StillWorker.asked) == asked and tab.state["geometry"] == before
        tab.edit({"op": "move", "what": ["light", "key"], "to_m": [-1.0, 1.9, 1.2]})
        assert len(StillWorker.asked) == asked + 1 and tab.state["geometry"] != before
        order = StillWorker.asked[-1]
        assert order.look_first == ("key",) and order.size == (40, 60) and order.revision == tab.state["revision"]
        tab.edit({"op": "pin", "name": "pin 1", "at_m": [0.0, 1.5, 0.2], "kind": "dome"})
        assert len(StillWorker.asked) == asked + 2


def test_two_tabs_stay_in_step(room: Served) -> None:
    with room.client() as one, room.client() as two:
        assert one.state["revision"] == two.state["revision"]
        # Both turn the same dial in gestures that their pages call the same.
        for step in range(1, 6):
            one.edit(power("key", f"-{step}/10 stops"), merge="drag")
            two.edit(power("fill", f"-{step}/5 stops"), merge="drag")
        latest = two.state["revision"]
        assert one.wait("state", lambda m: m["revision"] == latest)["lights"] == two.state["lights"]
        one.edit({"op": "rename_light", "name": "fill", "to": "bounce"})
        refused = two.ask("edit", edits=[power("fill", "1/2")])
        assert refused["type"] == "refused"
        assert [x["name"] for x in two.state["lights"]] == ["key", "bounce"]
        # A third that comes later sees the same.
        with room.client() as three:
            # Whether the checks have come in between is told apart from the state.
            same = one.wait("state", lambda m: m["revision"] == three.state["revision"])
            assert {**three.state, "looked_over": None} == {**same, "looked_over": None}
        count = 0
        while one.state["can_undo"]:
            assert one.ask("undo")["type"] == "done"
            count += 1
        # Gestures of two tabs in turn are steps of their own; none swallowed another's.
        assert count == 11 and one.state["saved"]
        last = one.state["revision"]
        assert two.wait("state", lambda m: m["revision"] == last)["lights"][0]["power_stops"] == -2.0


def test_a_gesture_is_one_step_of_undo(room: Served) -> None:
    with room.client() as tab:
        for step in range(8):
            tab.edit({"op": "move", "what": ["light", "key"], "to_m": [-1.2 - 0.05 * step, 1.9, 1.0]}, merge="drag 7")
        assert tab.ask("undo")["type"] == "done"
        assert tab.state["saved"] and not tab.state["can_undo"]


def test_nonsense_is_answered_and_ends_nothing(room: Served) -> None:
    with room.client() as tab:
        before = tab.state
        for text in (
            "", "x", "[]", "null", "3", '"edit"', "{}", '{"type": 1}', '{"type": "close"}', '{"type": "__init__"}',
            '{"type": "_run", "id": {}}', "{" * 5000, '{"type":"edit","edits":' + "[" * 20000,
        ):  # fmt: skip
            tab.socket.send(text)
            assert tab.wait("refused")["text"]
            tab.newest.pop("refused")
        for fields in (
            {"kind": "edit"}, {"kind": "edit", "edits": {}}, {"kind": "edit", "edits": [1]},
            {"kind": "edit", "edits": []},
            {"kind": "edit", "edits": [{"op": None}]}, {"kind": "edit", "edits": [{"op": "set", "path": 3}]},
            {"kind": "edit", "edits": [{"op": "set", "path": ["lights"] * 99, "value": 1}]},
            {"kind": "edit", "edits": [{"op": "move", "what": ["light", "key"], "to_m": [1e308, "x", None]}]},
            {"kind": "edit", "edits": [{"op": "move", "what": ["light", "key"], "to_m": [float("nan"), 1, 1]}]},
            {"kind": "edit", "edits": [power("key", "1/2")] * 65},
            {"kind": "edit", "edits": [{"op": "pin", "name": "x" * 1000, "at_m": [0, 1, 0], "kind": "dome"}]},
            {"kind": "wish"}, {"kind": "wish", "wishes": [{}]},
            {"kind": "wish", "wishes": [{"point": "face", "stops": {}}]},
            {"kind": "wish", "wishes": [{"point": "face", "f_number": 0}]}, {"kind": "take_wishes"},
            {"kind": "restore_version"}, {"kind": "drop_version", "version": []}, {"kind": "export"},
            {"kind": "export", "what": []},
            {"kind": "export", "what": "plan", "size_px": 1e9}, {"kind": "cancel_export", "export": 5},
            {"kind": "save_as", "path": "/nowhere/at/all.yaml"}, {"kind": "save_as", "path": "set.txt"},
            {"kind": "save_as", "path": "a\nb.yaml"}, {"kind": "take_recovery"},
        ):  # fmt: skip
            answer = tab.ask(fields.pop("kind"), **fields)
            assert answer["type"] == "refused" and answer["text"] and "\n" not in answer["text"], (fields, answer)
            assert "Error:" not in answer["text"], (fields, answer)
        assert tab.state == before and room.path.read_text("utf-8") == SIMPLE


def test_a_message_that_is_too_long_ends_its_own_tab_only(room: Served) -> None:
    with room.client() as tab, room.client() as other:
        tab.socket.send(json.dumps({"type": "edit", "edits": ["x" * (2 << 20)]}))
        with pytest.raises(ConnectionClosed):
            for _ in range(20):
                tab.hear(20)
        assert other.edit(power("key", "1/2"))["lights"][0]["power_stops"] == -1.0


# -- the file ------------------------------------------------------------------------------------


def test_a_bad_file_saved_by_hand_is_told_and_changes_nothing(room: Served) -> None:
    with room.client() as tab:
        tab.edit(power("key", "1/2"))
        state = tab.wait("state", lambda m: m["looked_over"])
        bad = SIMPLE.replace("aperture: f/8", "aperture: wide")
        room.path.write_text(bad, "utf-8")
        told = tab.wait("disk", lambda m: m["what"] == "bad")
        assert "camera.aperture" in told["text"] and "wide" in told["text"] and "\n" not in told["text"]
        assert tab.state == state
        refused = tab.ask("reload")
        assert refused["type"] == "refused" and "camera.aperture" in refused["text"]
        assert tab.ask("save")["type"] == "refused"
        assert room.path.read_text("utf-8") == bad
        # A tab that comes now is told too.
        with room.client() as late:
            assert late.wait("disk")["what"] == "bad"
            assert late.state["lights"][0]["power_stops"] == -1.0
        room.path.write_text(SIMPLE.replace("f/8  ", "f/11 "), "utf-8")
        tab.wait("disk", lambda m: m["what"] == "changed")
        assert tab.ask("save")["type"] == "refused"
        assert tab.ask("reload")["type"] == "done"
        assert tab.state["saved"] and tab.state["lights"][0]["power_stops"] == -2.0
        assert tab.wait("disk", lambda m: m["what"] == "same")
        # What was here before is one step back.
        assert tab.ask("undo")["type"] == "done" and tab.state["lights"][0]["power_stops"] == -1.0
        room.path.write_text(bad, "utf-8")
        assert tab.ask("save", force=True)["type"] == "done"
        assert room.path.read_text("utf-8") == HALF


def test_a_file_taken_away_is_written_again(room: Served) -> None:
    with room.client() as tab:
        tab.edit(power("key", "1/2"))
        room.path.unlink()
        assert tab.wait("disk", lambda m: m["what"] == "gone")["text"]
        assert tab.ask("save")["type"] == "done"
        assert tab.wait("disk", lambda m: m["what"] == "same")
        assert room.path.read_text("utf-8") == HALF


def test_saving_under_another_name_goes_on_there(room: Served) -> None:
    with room.client() as tab:
        tab.edit(power("key", "1/2"))
        (room.path.parent / "taken.yaml").write_text("mine", "utf-8")
        assert tab.ask("save_as", path="taken.yaml")["type"] == "refused"
        assert (room.path.parent / "taken.yaml").read_text("utf-8") == "mine"
        assert tab.ask("keep_version", title="kept")["type"] == "done"
        assert tab.ask("save_as", path="second")["type"] == "done"
        second = room.path.parent / "second.yaml"
        assert second.read_text("utf-8") == HALF
        assert tab.state["file"].endswith("second.yaml")
        tab.edit(power("key", "1/8"))
        assert tab.ask("save")["type"] == "done"
        assert room.path.read_text("utf-8") == SIMPLE and "1/8" in second.read_text("utf-8")
        second_versions = room.session.open_scene.versions_file
        assert second_versions.name.startswith("second-") and "kept" in second_versions.read_text("utf-8")


def test_a_set_up_that_comes_along_is_never_changed(tmp_path: Path) -> None:
    original = asset_path("classic_two.yaml")
    before = original.read_bytes()
    folders = Folders.named([original.parent, tmp_path])
    with served(original, tmp_path / "state", worker=StillWorker, folders=folders) as room, room.client() as tab:
        assert tab.state["example"] is True
        tab.edit({"op": "set", "path": ["camera", "iso"], "value": 200})
        refused = tab.ask("save", force=True)
        assert refused["type"] == "refused" and "comes with the program" in refused["text"]
        assert tab.ask("save_as", path=str(original), force=True)["type"] == "refused"
        assert tab.ask("save_as", path=str(tmp_path / "mine.yaml"))["type"] == "done"
        assert not tab.state["example"] and "iso: 200" in (tmp_path / "mine.yaml").read_text("utf-8")
    assert original.read_bytes() == before


def test_what_is_not_saved_is_offered_again(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.edit(power("key", "1/2"))
        tab.edit(power("fill", "1/2"))
    assert path.read_text("utf-8") == SIMPLE
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        assert "2 changes" in tab.wait("recovered")["text"] and tab.state["saved"]
        assert tab.ask("take_recovery")["type"] == "done"
        assert [x["power_stops"] for x in tab.state["lights"]] == [-1.0, -1.0] and not tab.state["saved"]
        assert tab.ask("undo")["type"] == "done" and tab.state["saved"]
        assert tab.ask("redo")["type"] == "done" and tab.ask("save")["type"] == "done"
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.ask("tour_done")
        assert "recovered" not in tab.newest and tab.state["tour"] is False
        tab.edit(power("key", "1/8"))
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        assert tab.wait("recovered") and tab.state["tour"] is False
        assert tab.ask("discard_recovery")["type"] == "done"
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        tab.ask("look", light=None)
        assert "recovered" not in tab.newest


def test_versions_are_kept_restored_and_outlive_the_server(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab, room.client() as other:
        for index in range(4):
            tab.edit(power("key", f"-{index} stops"))
            assert tab.ask("keep_version", title=f"key at {index}" if index else None)["type"] == "done"
        assert tab.ask("keep_version", title="one more")["type"] == "refused"
        versions = other.wait("versions", lambda m: len(m["versions"]) == 4)["versions"]
        assert [version["title"] for version in versions] == ["Version 1", "key at 1", "key at 2", "key at 3"]
        assert versions[1]["weights"]["key"][1] == pytest.approx(2 * versions[2]["weights"]["key"][1])
        assert tab.ask("name_version", version=versions[0]["id"], title="wide open")["type"] == "done"
        assert other.wait("versions", lambda m: m["versions"][0]["title"] == "wide open")
        assert tab.ask("name_version", version=versions[0]["id"], title=" ")["type"] == "refused"
        steps = tab.state["revision"]
        assert tab.ask("restore_version", version=versions[0]["id"])["type"] == "done"
        assert tab.state["lights"][0]["power_stops"] == 0.0 and tab.state["revision"] > steps
        assert tab.ask("undo")["type"] == "done" and tab.state["lights"][0]["power_stops"] == -3.0
        assert tab.ask("drop_version", version=versions[3]["id"])["type"] == "done"
        assert tab.ask("drop_version", version=versions[3]["id"])["type"] == "refused"
    with served(path, tmp_path / "state", worker=StillWorker) as room, room.client() as tab:
        versions = tab.wait("versions")["versions"]
        assert [version["title"] for version in versions] == ["wide open", "key at 1", "key at 2"]
        assert tab.ask("restore_version", version=versions[2]["id"])["type"] == "done"
        assert tab.state["lights"][0]["power_stops"] == -2.0


# -- the command ---------------------------------------------------------------------------------


def run_open(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environ = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "HALFSTOP_STATE": str(cwd / "state")}
    return subprocess.run(
        [sys.executable, "-P", "-m", "sim", "open", *arguments, "--no-browser"], cwd=cwd, env=environ,
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


def test_a_bad_scene_is_refused_in_one_line(tmp_path: Path) -> None:
    bad = scene_file(tmp_path, SIMPLE.replace("1/4  ", "3/0  "))
    done = run_open(str(bad), cwd=tmp_path)
    assert done.returncode == 2 and done.stdout == "" and done.stderr.count("\n") == 1
    assert "lights.key.power" in done.stderr and "3/0" in done.stderr and ":22:" in done.stderr
    done = run_open("none.yaml", cwd=tmp_path)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    taken = socket.create_server(("127.0.0.1", 0))
    port = taken.getsockname()[1]
    done = run_open(str(scene_file(tmp_path)), "--port", str(port), cwd=tmp_path)
    taken.close()
    assert done.returncode == 2 and f"--port {port}" in done.stderr and done.stderr.count("\n") == 1


def test_a_second_room_for_a_scene_is_sent_to_the_first(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with command(path, tmp_path / "state") as opened:
        link = tmp_path / "link.yaml"
        link.symlink_to(path)
        for name in (path, link):
            done = run_open(str(name), cwd=tmp_path)
            assert done.returncode == 2 and opened.room.address in done.stderr and done.stderr.count("\n") == 1


def test_ctrl_c_ends_tidily_with_everything_kept(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with command(path, tmp_path / "state") as opened, opened.room.client() as tab:
        tab.edit(power("key", "1/2"))
        # Let the painter's child come up.
        end_s = time.monotonic() + 60
        while not children(opened.process.pid) and time.monotonic() < end_s:
            time.sleep(0.05)
        ours = children(opened.process.pid)
        assert ours
        code, out, err = opened.end(2)
    assert code == 0 and err == "", err
    assert out.endswith("closed; changes that are not saved are kept, and offered when the scene is opened again\n")
    assert all(gone(pid) for pid in ours)
    assert path.read_text("utf-8") == SIMPLE
    with command(path, tmp_path / "state") as opened, opened.room.client() as tab:
        assert tab.wait("recovered")
