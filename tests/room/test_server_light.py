"""The room with its painter: pictures, readings, wishes, warnings and exports through a real server."""

from __future__ import annotations

import io
import json
import math
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from rooms import (
    ROOT,
    SIMPLE,
    Client,
    ConnectionClosed,
    Served,
    children,
    command,
    gone,
    layer_of,
    picture_of,
    power,
    scene_file,
    served,
)

from sim.metering.points import readings_from_probes, scene_probes, standard_probes
from sim.metering.report_points import name_from_probe
from sim.quantities.color import luminance
from sim.render.cache.disk import LayerStore

SIZE = (40, 60)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A room that paints tiny pictures; each test leaves the set as it found it."""
    folder = tmp_path_factory.mktemp("room")
    environ = {"HALFSTOP_CACHE": str(folder / "cache")}
    with served(scene_file(folder), folder / "state", environ=environ, store=LayerStore(folder / "cache")) as found:
        found.path = folder / "set.yaml"
        yield found


@pytest.fixture()
def tab(room: Served) -> Iterator[Client]:
    """A tab on it; what was changed in it is taken back."""
    with room.client() as found:
        yield found
        while found.ask("undo")["type"] == "done":
            pass


def settled(tab: Client) -> dict[str, Any]:
    """The settled picture of the set as it stands."""
    return tab.wait("frame", lambda m: m["pass_name"] == "settled" and m["geometry"] == tab.state["geometry"])


# -- pictures ------------------------------------------------------------------------------------


def test_the_picture_on_the_page_is_the_programs_own(room: Served, tab: Client) -> None:
    frame = settled(tab)
    assert (frame["width"], frame["height"]) == SIZE and frame["names"] == ["key", "fill"]
    # The preview, another road through the same light, shows the same: mean of the picture within noise of 4 rays.
    child = subprocess.run(
        [sys.executable, "-P", "-m", "sim", "preview", str(room.path), "--size", "40x60", "--samples", "64", "--out",
         str(room.path.parent / "other")],
        cwd=room.path.parent, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=200,
    )  # fmt: skip
    assert child.returncode == 0, child.stderr
    own = np.asarray(Image.open(room.path.parent / "other" / "combined.png")).astype(float)
    shown = picture_of(room, tab.state, frame).astype(float)
    assert np.abs(shown.mean() - own.mean()) < 2.5
    assert np.corrcoef(shown.ravel(), own.ravel())[0, 1] > 0.97
    raw, view = layer_of(room, frame, "key", "raw"), layer_of(room, frame, "key", "view")
    assert raw.mean() == pytest.approx(view.mean(), rel=0.1) and not np.array_equal(raw, view)


def test_guides_tell_what_and_how_far(room: Served, tab: Client) -> None:
    frame = settled(tab)
    region = np.frombuffer(room.get(f"frame/{frame['serial']}/region").body, np.uint8).reshape(SIZE[::-1])
    distance_m = np.frombuffer(room.get(f"frame/{frame['serial']}/distance").body, "<f4").reshape(SIZE[::-1])
    backdrop, face = (frame["regions"].index(name) for name in ("backdrop", "face"))
    # The corner of the picture shows the canvas, 6.5 m from the camera along the axis (4.5 m + 2 m).
    assert region[0, 0] == backdrop and 6.5 <= distance_m[0, 0] < 6.8
    assert (region == face).sum() >= 4 and 4.0 < np.median(distance_m[region == face]) < 4.6
    for path in ("region", "distance", "key/view"):
        assert room.get(f"frame/{frame['serial'] + 40}/{path}").status == 404
    assert room.get(f"frame/{frame['serial']}/nobody/view").status == 404
    assert room.get(f"frame/{frame['serial']}/key/other").status == 404


def test_a_dial_needs_no_new_picture_and_is_one_stop(room: Served, tab: Client) -> None:
    frame = settled(tab)
    before = next(x for x in tab.state["lights"] if x["name"] == "key")["weight_rgb"]
    state = tab.edit(power("key", "1/2"))
    after = next(x for x in state["lights"] if x["name"] == "key")["weight_rgb"]
    assert np.array(after) == pytest.approx(2 * np.array(before)) and state["geometry"] == frame["geometry"]
    tab.edit({"op": "set", "path": ["lights", "fill", "mute"], "value": True})
    alone = picture_of(room, tab.state, frame)
    assert alone.mean() > 0 and settled(tab)["serial"] == frame["serial"]


def test_a_moved_light_is_painted_anew_and_back_again_is_kept(room: Served, tab: Client) -> None:
    first = settled(tab)
    before = layer_of(room, first, "key")
    tab.edit({"op": "move", "what": ["light", "key"], "to_m": [1.4, 1.9, 0.8]})
    assert tab.state["geometry"] != first["geometry"]
    moved = settled(tab)
    assert moved["serial"] > first["serial"]
    after = layer_of(room, moved, "key")
    # The light came from camera left and comes from camera right now: the bright side of the sitter changes.
    half = SIZE[0] // 2
    figure = np.frombuffer(room.get(f"frame/{moved['serial']}/region").body, np.uint8).reshape(SIZE[::-1])
    names = moved["regions"]
    skin = np.isin(figure, [names.index(n) for n in ("face", "gown", "chest", "neck", "arms", "suit")])
    assert skin.sum() > 40

    def rightness(picture: np.ndarray) -> float:
        seen = luminance(picture) * skin
        return float(seen[:, half:].sum() / seen.sum())

    assert rightness(after) > rightness(before) + 0.05
    assert tab.ask("undo")["type"] == "done"
    again = settled(tab)
    assert np.array_equal(layer_of(room, again, "key"), before)


# -- readings, wishes, warnings ------------------------------------------------------------------


def test_readings_are_those_of_the_meter(room: Served, tab: Client) -> None:
    meters = tab.wait("meters", lambda m: m["geometry"] == tab.state["geometry"])
    points = {point["name"]: point for point in meters["points"]}
    assert {"face", "key-side cheek", "shadow-side cheek", "backdrop centre", "lapel"} <= set(points)
    assert points["lapel"]["own"] and not points["face"]["own"] and points["face"]["constant"] == 340
    # Weigh as the page does and compare with the program's own meter, traced apart.
    standing = room.session.open_scene.snapshot()
    from sim.render.engine import start_engine

    start_engine()
    from sim.light.mix import mix_from_scene
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    scene, layout = standing.scene, standing.layout
    probes = standard_probes(layout) + scene_probes(scene, layout)
    measured = read_probes(build(scene, layout), probes, seed=3, depth=scene.render.depth, most_rays=1 << 15)
    for reading in readings_from_probes(measured, mix_from_scene(scene, layout), scene.camera):
        name = name_from_probe(reading.id, scene.sitter.garment)
        weights = {x["name"]: x["weight_rgb"] for x in tab.state["lights"]}
        exposure = sum(luminance(np.multiply(points[name]["per_light"][light], weights[light])) for light in weights)
        f_number = math.sqrt(exposure * scene.camera.iso / points[name]["constant"])
        assert 2 * abs(math.log2(f_number / reading.combined.f_number)) < 0.15, name


def test_a_pin_is_read_where_it_is_put(room: Served, tab: Client) -> None:
    tab.edit({"op": "pin", "name": "pin 1", "at_m": [0.1, 1.5, 0.4], "kind": "dome"})
    meters = tab.wait("meters", lambda m: any(p["name"] == "pin 1" for p in m["points"]))
    pin = next(p for p in meters["points"] if p["name"] == "pin 1")
    assert pin["own"] and pin["at_m"] == pytest.approx([0.1, 1.5, 0.4], abs=0.011)
    assert sum(pin["per_light"]["key"]) > 0


def test_wishes_are_dials_and_one_step_back(room: Served, tab: Client) -> None:
    tab.wait("meters", lambda m: m["geometry"] == tab.state["geometry"] and len(m["points"]) > 5)
    # A cheek that a flat receptor reads is told from one that a dome reads.
    labels = {point["name"]: point["label"] for point in tab.newest["meters"]["points"]}
    assert labels["shadow-side cheek"] == "shadow-side cheek, flat to camera" and labels["face"] == "face"
    before = tab.wait("state", lambda m: m["looked_over"])
    wishes = [{"point": "face", "f_number": 7.1}, {"point": "shadow cheek", "stops": "-0.5 stops"}]
    assert tab.ask("wish", wishes=wishes, reference="face")["type"] == "done"
    answer = tab.newest["wishes"]
    assert answer["feasible"] and [o["point"] for o in answer["outcomes"]] == ["face", "shadow-side cheek"]
    assert all(abs(o["off_stops"]) <= 0.1 for o in answer["outcomes"])
    # Asking changes nothing; taking is one step.
    assert tab.state == before
    assert tab.ask("take_wishes")["type"] == "done"
    dials = {x["name"]: x["power_stops"] for x in tab.state["lights"]}
    assert dials == pytest.approx({move["light"]: move["after_stops"] for move in answer["moves"]})
    # Another road to the same answer: the command, by tracing its own meters.
    other = subprocess.run(
        [sys.executable, "-P", "-m", "sim", "balance", str(room.path), "--want", "face=f/7.1", "--want",
         "shadow cheek=-0.5", "--out", str(room.path.parent / "balanced.yaml")],
        cwd=room.path.parent, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=200,
    )  # fmt: skip
    assert other.returncode == 0, other.stderr
    from sim.scene.read import load_scene

    found = {name: light.power_stops for name, light in load_scene(room.path.parent / "balanced.yaml").lights.items()}
    assert dials == pytest.approx(found, abs=0.2)
    assert tab.ask("undo")["type"] == "done"
    assert [x["power_stops"] for x in tab.state["lights"]] == [x["power_stops"] for x in before["lights"]]


def test_wishes_that_cannot_be_met_say_why(room: Served, tab: Client) -> None:
    assert tab.ask("wish", wishes=[{"point": "face", "f_number": 90.0}])["type"] == "done"
    answer = tab.newest["wishes"]
    assert not answer["feasible"] and "full power" in answer["outcomes"][0]["reasons"][0]
    refused = tab.ask("wish", wishes=[{"point": "moon", "stops": -1}])
    assert refused["type"] == "refused" and "moon" in refused["text"]
    assert tab.ask("wish", wishes=[{"point": "face", "stops": -1}])["type"] == "refused"
    locked = tab.ask("wish", wishes=[{"point": "face", "f_number": 8}], locked=["key", "fill"])
    assert locked["type"] == "done" and all(move["fixed"] == "locked" for move in tab.newest["wishes"]["moves"])
    tab.edit(power("key", "1/2"))
    stale = tab.ask("take_wishes")
    # Nothing to take, or no longer the set that was asked about.
    assert stale["type"] in ("done", "refused") and tab.state["lights"][0]["power_stops"] == -1.0


def test_warnings_come_as_they_arise(room: Served, tab: Client) -> None:
    tab.wait("checks", lambda m: m["lines"])
    # A light put into the picture is seen there by the checks, without anyone asking.
    tab.edit({"op": "move", "what": ["light", "fill"], "to_m": [0.5, 1.4, -1.0]})
    revision = tab.state["revision"]
    checks = tab.wait("checks", lambda m: m["revision"] >= revision)
    assert any(w["lights"] == ["fill"] and "show" in w["text"] and w["level"] == "caution" for w in checks["warnings"])
    # Two lamps in one place cannot stand, which is told with no light traced.
    tab.edit({"op": "move", "what": ["light", "fill"], "to_m": [-1.4, 1.9, 0.8]})
    assert tab.wait("state", lambda m: any(w["level"] == "danger" for w in m["warnings"]))
    # Both are spoken of at once, and neither any longer than both are there.
    pair = next(w["lights"] for w in tab.state["warnings"] if w["level"] == "danger" and len(w["lights"]) == 2)
    tab.edit({"op": "remove_light", "name": pair[1]})
    told = [m for m in tab.heard if m["type"] == "state" and pair[1] not in [light["name"] for light in m["lights"]]]
    assert told and not told[0]["looked_over"]
    assert all(pair[1] not in w["lights"] for m in told for w in m["warnings"])
    assert tab.wait("state", lambda m: m["looked_over"])
    tab.ask("undo")
    tab.edit({"op": "set", "path": ["camera", "shutter"], "value": "1/500 s"})
    assert tab.wait("state", lambda m: any("camera.shutter" in w["text"] for w in m["warnings"]))


def test_checks_follow_a_dial_that_has_come_to_rest(room: Served, tab: Client) -> None:
    tab.wait("checks")
    frame = settled(tab)
    for step in range(5):
        tab.edit(power("key", f"-{2 + step} stops"), merge="fader")
    revision = tab.state["revision"]
    tab.wait("checks", lambda m: m["revision"] == revision)
    # The checks of before were told from those of now, both by what they depend on and by the line of a title.
    checks = tab.newest["checks"]
    assert tab.state["checked_by"] == checks["checked_by"]
    tab.edit(power("key", "-1 stop"))
    assert tab.state["checked_by"] != checks["checked_by"]
    tab.ask("undo")
    assert tab.state["checked_by"] == checks["checked_by"]
    tab.edit({"op": "set", "path": ["title"], "value": "Another title"})
    assert tab.state["checked_by"] == checks["checked_by"]
    # It was looked at again without a ray of a new picture.
    assert settled(tab)["serial"] == frame["serial"]


def test_a_kept_version_keeps_its_picture(room: Served, tab: Client) -> None:
    frame = settled(tab)
    assert tab.ask("keep_version", title="as it was")["type"] == "done"
    version = tab.wait("versions", lambda m: m["versions"])["versions"][0]
    assert version["serial"] == frame["serial"] and version["frame"]["names"] == ["key", "fill"]
    kept = layer_of(room, version["frame"], "key")
    for step in range(5):
        tab.edit({"op": "move", "what": ["light", "key"], "to_m": [-1.2, 1.9, 0.2 * step]})
        settled(tab)
    # Long gone from the painter's newest, and still there.
    assert np.array_equal(layer_of(room, version["frame"], "key"), kept)
    assert tab.ask("drop_version", version=version["id"])["type"] == "done"


def test_a_finer_picture_when_asked(room: Served, tab: Client) -> None:
    frame = settled(tab)
    assert tab.ask("settle")["type"] == "done"
    finer = tab.wait("frame", lambda m: m["serial"] > frame["serial"] and m["pass_name"] == "settled")
    assert min(finer["samples"]) > max(frame["samples"])


# -- library and exports -------------------------------------------------------------------------


def test_the_library_is_made_when_asked_for_and_kept(room: Served, tab: Client) -> None:
    library = tab.wait("library")["modifiers"]
    assert len(library) >= 40 and room.get(library[3]["url"]).status == 404
    wanted = library[3]["id"]
    tab.wait("thumbnail", lambda m: m["modifier"] == wanted)
    answer = room.get(library[3]["url"])
    assert answer.status == 200 and answer.headers["Content-Type"] == "image/png"
    assert Image.open(io.BytesIO(answer.body)).size == (128, 128)
    kept = [entry for entry in (room.path.parent / "cache").iterdir() if not entry.name.startswith(".")]
    assert kept


def test_exports_are_written_where_the_commands_write_and_served(room: Served, tab: Client) -> None:
    # What is exported is what is on the table, saved or not.
    tab.edit({"op": "set", "path": ["title"], "value": "Not saved yet"})
    assert tab.ask("export", what="plan", draft=True)["type"] == "done"
    assert tab.ask("export", what="preview", draft=True)["type"] == "refused"
    done = tab.wait("export", lambda m: m["done"])
    assert done["error"] is None and done["part"] == 1.0
    assert done["folder"] == str(room.path.parent / "out" / "set" / "plan")
    assert {"plan.html", "plan-A4.pdf", "plan-Letter.pdf"} <= {file["name"] for file in done["files"]}
    page = room.get(done["files"][0]["url"])
    assert page.status == 200 and b"Not saved yet" in page.body and b"set.yaml" in page.body
    # It runs in a sandbox: its script cannot reach the room (HTML standard, sandboxed origin).
    assert page.headers["Content-Security-Policy"].startswith("sandbox allow-scripts")
    assert "allow-same-origin" not in page.headers["Content-Security-Policy"]
    assert "attachment" in room.get(f"{done['files'][0]['url']}?save=1").headers["Content-Disposition"]
    pdf = room.get(f"export/{done['id']}/plan-A4.pdf")
    assert pdf.body.startswith(b"%PDF-") and pdf.headers["Content-Type"] == "application/pdf"
    for path in ("../set.yaml", "..%2f..%2f..%2fset.yaml", ".halfstop.json", "plan.html/", "%2e%2e"):
        assert room.get(f"export/{done['id']}/{path}").status == 404
    assert room.path.read_text("utf-8") == SIMPLE


def test_an_export_can_be_cancelled(room: Served, tab: Client) -> None:
    assert tab.ask("export", what="handout")["type"] == "done"
    under_way = tab.wait("export", lambda m: m["what"] == "handout")
    assert tab.ask("cancel_export", export=under_way["id"])["type"] == "done"
    ended = tab.wait("export", lambda m: m["what"] == "handout" and m["done"])
    assert "cancelled" in ended["error"] and ended["files"] == []
    assert not (room.path.parent / "out" / "set" / "handout").exists()


# -- crashes -------------------------------------------------------------------------------------


def test_killed_while_it_paints_nothing_is_lost(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with command(path, tmp_path / "state", "--size", "200") as opened, opened.room.client() as tab:
        for step in range(1, 6):
            tab.edit({"op": "move", "what": ["light", "key"], "to_m": [-1.0 - step / 10, 1.9, 0.8]})
        state = tab.state
        tab.wait("painting", lambda m: not m["done"])
        end_s = time.monotonic() + 60
        while not (ours := children(opened.process.pid)) and time.monotonic() < end_s:
            time.sleep(0.05)
        # The promise is all but the last two seconds.
        time.sleep(2.1)
        opened.end(signal.SIGKILL)
        with pytest.raises(ConnectionClosed):
            for _ in range(500):
                tab.hear(20)
    assert ours and all(gone(pid) for pid in ours), "the painter outlived the room"
    assert path.read_text("utf-8") == SIMPLE
    with command(path, tmp_path / "state") as opened, opened.room.client() as tab:
        assert "5 changes" in tab.wait("recovered")["text"]
        assert tab.ask("take_recovery")["type"] == "done"
        # Layers are counted anew in each session; all else is as it was.
        for now, then in zip(tab.state["lights"], state["lights"], strict=True):
            assert {**now, "layer": 0} == {**then, "layer": 0}
        assert tab.ask("save")["type"] == "done"
        assert opened.end(signal.SIGTERM)[0] == 0
    assert path.read_text("utf-8") != SIMPLE


def _killed_while_saving(folder: Path, after_s: float) -> None:
    """Save again and again, kill in the midst of it, and look at what is left."""
    path = scene_file(folder)
    written = {SIMPLE}
    with command(path, folder / "state", HALFSTOP_ENGINE="none") as opened:
        with opened.room.client() as tab:
            threading.Timer(after_s, lambda: opened.process.send_signal(signal.SIGKILL)).start()
            tenths, shown = 0, ""
            try:
                while True:
                    tenths = tenths % 60 + 1
                    written.add(SIMPLE.replace("1/4        # two stops under full", f"-{tenths / 10:g} stops"))
                    tab.edit(power("key", f"-{tenths / 10:g} stops"))
                    shown = f"-{tenths / 10:g} stops"
                    tab.ask("save")
            except (ConnectionClosed, TimeoutError, OSError):
                pass
        opened.process.wait(60)
    # The file is one of the texts that were saved, whole.
    left = path.read_bytes().decode("utf-8")
    stops = left.split("power: ")[1].splitlines()[0].split("#")[0].strip()
    # The dial's comment goes with the first edit that makes it untrue.
    comment = "# two stops under full"
    silent, first = left.replace(comment, ""), SIMPLE.replace(comment, "")
    assert silent.replace(f"power: {stops}", "power: 1/4", 1).split() == first.split()
    assert stops == "1/4" or stops.endswith("stops")
    with command(path, folder / "state", HALFSTOP_ENGINE="none") as opened, opened.room.client() as tab:
        tab.ask("look", light=None)
        if "recovered" in tab.newest:
            assert tab.ask("take_recovery")["type"] == "done"
            recovered = tab.state["lights"][0]["power_stops"]
        else:
            recovered = tab.state["lights"][0]["power_stops"]
        # The last change that was shown, or the one on its way behind it.
        if shown:
            last = -tenths / 10
            assert recovered in (pytest.approx(last), pytest.approx(float(shown.split()[0])))


def test_killed_while_it_saves_the_file_is_whole(tmp_path: Path) -> None:
    _killed_while_saving(tmp_path, 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_killed_at_any_moment_of_saving_the_file_is_whole(tmp_path: Path, seed: int) -> None:
    _killed_while_saving(tmp_path, random.Random(seed).uniform(0.2, 3.0))


def _worker_pid(room: Served) -> int | None:
    worker = room.session.preview._worker
    return None if worker is None else worker.child_pid


def test_a_worker_that_dies_at_work_is_told_and_comes_back(tmp_path: Path) -> None:
    path = scene_file(tmp_path)
    with served(path, tmp_path / "state") as room, room.client() as tab:
        tab.wait("painting")
        end_s = time.monotonic() + 60
        while (pid := _worker_pid(room)) is None and time.monotonic() < end_s:
            time.sleep(0.05)
        # A worker that has not begun is replaced without a word.
        tab.wait("painting", lambda m: m["part"] > 0)
        os.kill(pid, signal.SIGKILL)
        assert "worker" in tab.wait("failed")["text"]
        state = tab.edit({"op": "move", "what": ["light", "key"], "to_m": [-1.0, 1.9, 1.2]})
        assert tab.wait("frame", lambda m: m["geometry"] == state["geometry"])
    assert json.dumps(state)
