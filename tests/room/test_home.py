"""The start page's server: what it shows, and that a page opens and writes in the named folders alone."""

from __future__ import annotations

import hashlib
import http.client
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest
from rooms import PATIENCE_S, SIMPLE, Served, StillWorker, command, power, scene_file, served
from websockets.exceptions import InvalidStatus

from sim.quantities.assets import asset_names, asset_path
from sim.quantities.errors import HalfstopError
from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
from sim.room.app import bound_socket
from sim.room.home.folders import Folders
from sim.room.home.recent import MOST, recent_paths, remember_recent
from sim.room.home.starts import copied_start, digest_from_scene, starts
from sim.room.snapshot.warnings import warnings_from_layout
from sim.room.way_back import WayBack
from sim.scene.read import load_scene, scene_from_text
from sim.studio.layout import layout_from_scene


@pytest.fixture()
def named(tmp_path: Path) -> Path:
    """A folder that was named, with a set, a file that is none, a bad set, a folder in it, and ways out of it."""
    folder = tmp_path / "portraits"
    (folder / "winter" / "first").mkdir(parents=True)
    scene_file(folder)
    scene_file(folder / "winter", name="snow.yaml")
    (folder / "compose.yaml").write_text("services: {web: {}}\n", "utf-8")
    (folder / "bad.yaml").write_text(SIMPLE.replace("f/8", "wide"), "utf-8")
    outside = tmp_path / "private"
    outside.mkdir()
    scene_file(outside, name="secret.yaml")
    (folder / "way out").symlink_to(outside)
    (folder / "link.yaml").symlink_to(outside / "secret.yaml")
    (folder / "loop.yaml").symlink_to("loop.yaml")
    (folder / "pipe.yaml").parent.mkdir(exist_ok=True)
    os.mkfifo(folder / "pipe.yaml")
    return folder


@pytest.fixture()
def start(named: Path, tmp_path: Path) -> Iterator[Served]:
    """A room in which no set is open yet."""
    folders = Folders.named([named])
    with served(None, tmp_path / "state", worker=StillWorker, folders=folders, out=tmp_path / "out") as found:
        yield found


def shown(room: Served, **query: object) -> dict[str, Any]:
    answer = room.get(f"home/all?{urlencode(query)}")
    assert answer.status == 200, answer.body
    return dict(json.loads(answer.body))


def post(room: Served, path: str, body: object, **headers: str) -> tuple[int, dict[str, Any]]:
    """Send JSON to the start page's server."""
    data = body if isinstance(body, bytes) else json.dumps(body).encode()
    line = http.client.HTTPConnection("127.0.0.1", room.port, timeout=PATIENCE_S)
    line.request("POST", f"{urlsplit(room.address).path}{path}", data, {"Content-Type": "application/json", **headers})
    answer = line.getresponse()
    told = answer.read()
    line.close()
    return answer.status, json.loads(told) if told.startswith(b"{") else {}


# -- what it shows -------------------------------------------------------------------------------


def test_without_a_set_there_is_the_start_page_and_no_socket(start: Served) -> None:
    for path in ("", "home"):
        answer = start.get(path)
        assert answer.status == 200 and b'id="home"' in answer.body
    with pytest.raises(InvalidStatus):
        start.client()
    home = shown(start)
    assert home["open"] is None and home["recent"] == []


def test_the_sets_of_a_folder_are_shown_and_nothing_that_leads_out_of_it(start: Served, named: Path) -> None:
    home = shown(start)
    assert [card["name"] for card in home["sets"]] == ["bad.yaml", "set.yaml"]
    assert home["inner"] == ["winter"] and home["folders"] == [{"number": 0, "path": str(named)}]
    bad, good = home["sets"]
    assert good["title"] == "Two lights" and not good["fault"]
    # A scene that cannot be read is shown with the line that says why.
    assert "camera.aperture" in bad["fault"] and "wide" in bad["fault"]
    inner = shown(start, here=0, below="winter")
    assert [card["name"] for card in inner["sets"]] == ["snow.yaml"] and inner["inner"] == ["first"]


@pytest.mark.parametrize("below", ["..", "winter/../..", "/etc", "way out", "nowhere", "winter/\x00", "a" * 300])
def test_no_folder_is_looked_into_but_the_named_one(start: Served, below: str) -> None:
    answer = start.get(f"home/all?{urlencode({'here': 0, 'below': below})}")
    assert answer.status == 409
    text = json.loads(answer.body)["text"]
    assert "private" not in text and "\n" not in text and "secret" not in text


def test_every_start_is_a_sound_scene_with_a_line_of_its_own(start: Served) -> None:
    home = shown(start)
    assert [card["name"] for card in home["starts"]] == [each.name for each in starts()]
    assert len({card["text"] for card in home["starts"]}) == len(home["starts"]) >= 4
    # Shown is what the scene says now: a picture of another state of it would bear another digest.
    assert [card["name"] for card in home["starts"] if not card["picture"]] == ["empty_set.yaml"], (
        "make the pictures anew: python -m tests.start_pictures"
    )
    for card in home["starts"]:
        if card["picture"]:
            answer = start.get(card["picture"])
            assert answer.status == 200 and answer.headers["Content-Type"] == "image/webp" and len(answer.body) < 16000
        assert card["called"] and 20 < len(card["text"]) < 200, card


@pytest.mark.parametrize("name", asset_names("scenes/starts"))
def test_a_start_stands_without_a_caution(name: str) -> None:
    scene = load_scene(asset_path(name))
    layout = layout_from_scene(scene, None)
    # Only what holds for every set is left to say of it.
    assert warnings_from_layout(scene, layout) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in asset_names("scenes/starts") if name != "empty_set.yaml"])
def test_a_start_comes_out_right_in_the_picture(name: str, tmp_path: Path, engine: object) -> None:
    order = PreviewOrder(QUALITIES["draft"], tmp_path / "out", size_text="120x180", samples=16, fresh=True)
    assert run_preview(asset_path(name), order).warnings == ()


# -- opening and beginning -----------------------------------------------------------------------


def test_a_set_is_opened_from_the_page_and_stands_first_next_time(start: Served, named: Path, tmp_path: Path) -> None:
    assert post(start, "home/open", {"here": 0, "below": "winter", "name": "snow.yaml"})[0] == 200
    with start.client() as tab:
        assert tab.state["file"].endswith("winter/snow.yaml")
    assert post(start, "home/open", {"here": 0, "name": "set.yaml"})[0] == 200
    home = shown(start)
    assert [card["name"] for card in home["recent"]] == ["set.yaml", "snow.yaml"]
    assert home["open"] == {"title": "Two lights", "name": "set.yaml", "saved": True}
    assert post(start, "home/open", {"recent": 1})[0] == 200
    with start.client() as tab:
        assert tab.state["file"].endswith("winter/snow.yaml")
    # What lies elsewhere by now under the name of a set that was open is not opened.
    (named / "set.yaml").unlink()
    (named / "set.yaml").symlink_to(tmp_path / "private" / "secret.yaml")
    assert [card["name"] for card in shown(start)["recent"]] == ["snow.yaml"]
    assert post(start, "home/open", {"recent": 1})[0] == 409


def test_a_set_is_begun_from_a_start_under_a_title_of_its_own(start: Served, named: Path) -> None:
    asked = {"start": "classic_two.yaml", "title": 'Anna: "winter" # one', "here": 0, "name": "anna"}
    assert post(start, "home/begin", asked)[0] == 200
    made = named / "anna.yaml"
    scene, original = load_scene(made), load_scene(asset_path("classic_two.yaml"))
    assert scene.title == 'Anna: "winter" # one' and digest_from_scene(scene) == digest_from_scene(original)
    with start.client() as tab:
        assert tab.state["title"] == scene.title and tab.state["saved"] and not tab.state["example"]
    # Nothing is ever written over.
    before = made.read_bytes()
    status, answer = post(start, "home/begin", {**asked, "title": "Another"})
    assert status == 409 and "there is a file of this name" in answer["text"] and made.read_bytes() == before


@pytest.mark.parametrize(
    "name",
    [
        "../out.yaml",
        "/etc/out.yaml",
        "way out/out.yaml",
        "link.yaml",
        "winter/../../out.yaml",
        "out.txt",
        "",
        "~/o.yaml",
    ],
)
def test_no_set_is_begun_or_opened_outside_the_named_folders(start: Served, tmp_path: Path, name: str) -> None:
    before = {path: path.read_bytes() for path in (tmp_path / "private").iterdir()}
    for path, asked in (
        ("home/begin", {"start": "classic_two.yaml", "title": "", "here": 0, "name": name}),
        ("home/open", {"here": 0, "name": name}),
    ):
        status, answer = post(start, path, asked)
        assert status == 409 and "\n" not in answer["text"], (path, answer)
    assert {path: path.read_bytes() for path in (tmp_path / "private").iterdir()} == before
    assert not (tmp_path / "out.yaml").exists() and shown(start)["open"] is None


def test_what_is_no_request_is_refused_in_a_line(start: Served) -> None:
    for body in (
        b"", b"[]", b"{", b"[" * 8000, b"x" * 20000, {"recent": "1"}, {"recent": 10**30}, {"here": 0},
        {"here": -1, "name": "a"}, {"here": 7, "name": "set.yaml"}, {"here": 0, "name": "set.yaml", "more": 1},
        {"here": 0, "name": "bad.yaml"}, {"here": 0, "name": "pipe.yaml"}, {"here": 0, "name": "loop.yaml"},
        {"here": 0, "name": "\ud800.yaml"},
    ):  # fmt: skip
        for path in ("home/open", "home/begin"):
            status, answer = post(start, path, body)
            assert status == 409 and answer["text"] and "\n" not in answer["text"], (path, body)
            assert "Error:" not in answer["text"]
    # A page of the web that sends a form here is not let in.
    assert post(start, "home/open", {"here": 0, "name": "set.yaml"}, Origin="http://evil.example")[0] == 403
    for path in ("home/kept/..%2f..%2fset.yaml", "home/kept/recent.json", "home/start/x.webp", "home/start/", "home/x"):
        assert start.get(path).status == 404
    assert shown(start)["open"] is None


# -- another set ---------------------------------------------------------------------------------


def test_another_set_brings_nothing_of_the_one_before(start: Served) -> None:
    post(start, "home/open", {"here": 0, "name": "set.yaml"})
    with start.client() as tab:
        first = tab.state
        tab.edit(power("key", "1/2"))
        assert post(start, "home/begin", {"start": "recital.yaml", "title": "", "here": 0, "name": "five"})[0] == 200
        state = tab.wait("state", lambda m: m["set"] != first["set"])
        assert [light["name"] for light in state["lights"]] == ["key", "accent", "halo", "edge", "fill"]
        assert StillWorker.asked[-1].text == asset_path("recital.yaml").read_text("utf-8")
    # What was not saved is not lost, and offered when the set is open again.
    assert post(start, "home/open", {"here": 0, "name": "set.yaml"})[0] == 200
    with start.client() as tab:
        assert "1 change" in tab.wait("recovered")["text"] and tab.state["set"] != first["set"]
    # The set that is open is not opened anew.
    with start.client() as tab:
        same = tab.state["set"]
        assert post(start, "home/open", {"here": 0, "name": "set.yaml"})[0] == 200
    with start.client() as tab:
        assert tab.state["set"] == same


def test_save_as_stays_in_the_named_folders(start: Served, named: Path, tmp_path: Path) -> None:
    post(start, "home/open", {"here": 0, "name": "set.yaml"})
    with start.client() as tab:
        for path in ("../a.yaml", str(tmp_path / "a.yaml"), "way out/a.yaml", "link.yaml", "winter/../../a.yaml"):
            for force in (False, True):
                answer = tab.ask("save_as", path=path, force=force)
                assert answer["type"] == "refused" and "outside the folders" in answer["text"], path
        assert not (tmp_path / "a.yaml").exists()
        assert tab.ask("save_as", path="winter/second")["type"] == "done"
        assert tab.ask("save_as", path="snow.yaml")["type"] == "refused"
        assert tab.ask("save_as", path="snow.yaml", force=True)["type"] == "done"


def test_the_title_is_an_edit_like_any_other(start: Served, named: Path) -> None:
    post(start, "home/open", {"here": 0, "name": "set.yaml"})
    with start.client() as tab:
        assert tab.edit({"op": "set", "path": ["title"], "value": "Anna, winter"})["title"] == "Anna, winter"
        assert tab.ask("save")["type"] == "done"
    assert (named / "set.yaml").read_text("utf-8") == SIMPLE.replace("Two lights", '"Anna, winter"')


# -- pieces --------------------------------------------------------------------------------------


def test_what_was_open_last_is_remembered_in_order_and_without_end(tmp_path: Path) -> None:
    state = tmp_path / "state"
    paths = [scene_file(tmp_path, name=f"{n}.yaml") for n in range(MOST + 3)]
    for path in paths:
        remember_recent(state, path)
    remember_recent(state, paths[5])
    assert recent_paths(state) == [paths[5], *(path for path in reversed(paths[3:]) if path != paths[5])]
    assert (state / "recent.json").stat().st_mode & 0o77 == 0
    for damage in (b"", b"[]", b'{"recent": 3}', b"\xff", b'{"recent": ["a.yaml", 4, "/x\\u0000"]}'):
        (state / "recent.json").write_bytes(damage)
        assert recent_paths(state) == []
    (state / "recent.json").unlink()
    os.mkfifo(state / "recent.json")
    assert recent_paths(state) == []


def test_a_digest_is_of_what_a_scene_says(tmp_path: Path) -> None:
    plain = digest_from_scene(scene_from_text(SIMPLE))
    same = SIMPLE.replace("Two lights", "Another").replace("# A set for tests.", "# Other words.")
    same = same.replace("1.6 m", "160 cm")
    assert digest_from_scene(scene_from_text(same)) == plain
    assert digest_from_scene(scene_from_text(SIMPLE.replace("1/4 ", "1/2 "))) != plain


def test_folders_are_named_once_each_and_must_be_there(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "link").symlink_to("a")
    assert Folders.named([tmp_path / "a", tmp_path / "link", tmp_path / "a" / "."]).roots == (tmp_path / "a",)
    with pytest.raises(HalfstopError, match="there is no such folder"):
        Folders.named([tmp_path / "b"])
    with pytest.raises(HalfstopError, match="there is no set-up"):
        copied_start("../recital.yaml", tmp_path / "x.yaml")


def test_the_way_back_tells_nothing_without_the_key(start: Served) -> None:
    nonce = "0123456789abcdef" * 2
    first, second = (json.loads(start.get(f"/back/{nonce}", token=False).body) for _ in range(2))
    # The same question is sealed anew: two answers together tell no more than one.
    assert first["salt"] != second["salt"] and first["sealed"] != second["sealed"]
    assert start.token not in str(first) and start.token.encode().hex() not in str(first)
    key, told = bytes.fromhex(start.session.way_back.key), f"{nonce}|{first['salt']}|{start.port}"
    # HMAC written out from its definition [RFC2104:1997]: H((K xor opad) | H((K xor ipad) | text)).
    assert _hmac(hashlib.sha256, 64, key, f"proof|{told}").hex() == first["proof"]
    pad = _hmac(hashlib.sha512, 128, key, f"token|{told}")
    assert bytes(a ^ b for a, b in zip(bytes.fromhex(first["sealed"]), pad, strict=False)).decode() == start.token
    for path in (
        f"/back/{nonce[1:]}",
        f"/back/{nonce.upper()}",
        f"/back/{nonce}/",
        f"/back//{nonce}",
        "/back/",
        "/back",
    ):
        assert start.get(path, token=False).status == 404, path
    assert start.get(f"/back/{nonce}", token=False, method="POST").status == 404
    # A page of the web is not answered.
    assert start.get(f"/back/{nonce}", token=False, origin="http://evil.example").status == 403
    assert start.get(f"/back/{nonce}", token=False, host="evil.example").status == 403


def _hmac(digest: Any, block: int, key: bytes, text: str) -> bytes:
    padded = key.ljust(block, b"\0")
    inner = digest(bytes(b ^ 0x36 for b in padded) + text.encode()).digest()
    return bytes(digest(bytes(b ^ 0x5C for b in padded) + inner).digest())


def test_the_key_of_the_way_back_is_kept_for_this_user_alone(tmp_path: Path) -> None:
    state, place = tmp_path / "state", tmp_path / "set.yaml"
    way_back = WayBack(state, place)
    assert way_back.port == 0 and not state.exists()
    way_back.keep(4321)
    again = WayBack(state, place)
    assert (again.port, again.key) == (4321, way_back.key) and WayBack(state, tmp_path / "other.yaml").key != again.key
    kept = next(state.glob("*.way-back"))
    assert kept.stat().st_mode & 0o77 == 0
    for damage in (
        b"",
        b"[]",
        b'{"port": 0, "key": "00"}',
        b'{"port": 70000, "key": "' + b"0" * 64 + b'"}',
        b"\xff" * 9000,
    ):
        kept.write_bytes(damage)
        assert WayBack(state, place).port == 0 and WayBack(state, place).key != way_back.key
    kept.unlink()
    os.mkfifo(kept)
    assert WayBack(state, place).port == 0


def test_the_command_opens_a_start_page_in_its_folder_on_the_port_of_the_last_time(named: Path, tmp_path: Path) -> None:
    with bound_socket() as free:
        port = free.getsockname()[1]
    WayBack(tmp_path / "state", named).keep(port)
    with command(named, tmp_path / "state") as opened:
        assert opened.room.port == port
        home = shown(opened.room)
        assert [card["name"] for card in home["sets"]] == ["bad.yaml", "set.yaml"]
        assert home["back"]["command"] == f"halfstop open {named}"
        assert opened.end(2)[1].strip().endswith("everything is saved")
