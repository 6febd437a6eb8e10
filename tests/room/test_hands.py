"""Hands on the set: followed at once, written when they let go, never queued, refused as their edit would be."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rooms import SIMPLE, Client, Served, StillWorker, scene_file, served

from sim.quantities.errors import SceneError
from sim.room.clients import MOST_UNDRAWN
from sim.room.clients import Client as Tab
from sim.room.document.edit_text import text_with_edits
from sim.room.document.edits import edits_from_data
from sim.room.document.poses import posed_scene
from sim.room.preview.frame import frame_from_layers
from sim.room.preview.messages import LiveReady, PictureReady, PoseRequest, PreviewRequest
from sim.room.protocol.messages import Packed
from sim.scene.read import scene_from_text

SCENES = sorted((Path(__file__).resolve().parents[2] / "scenes").glob("*.yaml"))
KEY = {"op": "move", "what": ["light", "key"]}


class DrawingWorker(StillWorker):
    """A worker that traces nothing: a settled picture of nothing at once, then a live layer for each place."""

    def ask(self, order: PreviewRequest | PoseRequest) -> None:
        super().ask(order)
        width, height = order.size
        layer = np.zeros((height, width, 3), np.float32)
        if isinstance(order, PoseRequest):
            live = LiveReady(order.serial, order.revision, ("key",), layer[None].astype(np.float16), (1.0,))
            self.on_result(live)
            return
        scene = scene_from_text(order.text)
        names = tuple(scene.lights)
        from sim.studio.layout import layout_from_scene

        frame = frame_from_layers(
            serial=order.serial, revision=order.revision, pass_name="settled", names=names,
            is_flash=tuple(True for _ in names), view=dict.fromkeys(names, layer), raw=dict.fromkeys(names, layer),
            part=np.zeros((height, width), np.uint8), part_names=("nothing",), distance_m=layer[..., 0],
            camera=layout_from_scene(scene).camera, samples=tuple(4 for _ in names), fresh=names,
        )  # fmt: skip
        self.on_result(PictureReady(order.serial, order.revision, frame))


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Served]:
    with served(scene_file(tmp_path), tmp_path / "state", worker=DrawingWorker) as found:
        yield found


def held(number: int) -> dict[str, Any]:
    """Where a hand holds the key for the `number`th time."""
    return {**KEY, "to_m": [-1.2 - 0.01 * number, 1.9, 1.0]}


def in_step(tab: Client) -> None:
    """Return once the server has taken all that was sent: requests of a tab are answered in their order."""
    assert tab.ask("look", light=None)["type"] == "done"


# -- the scene that a hand makes ------------------------------------------------------------------


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_a_held_place_is_the_scene_that_its_edit_writes(path: Path) -> None:
    text, scene = path.read_text("utf-8"), scene_from_text(path.read_text("utf-8"), path.name, path.parent)
    dice = random.Random(path.stem)
    lights = [["light", name] for name in scene.lights]
    windows = [["light", each.name] for each in scene.ambient if each.kind == "window"]
    things = [*lights, *windows, *(["panel", name] for name in scene.panels), ["camera"], ["sitter"], ["backdrop"]]
    stood = 0
    for _ in range(60):
        what = dice.choice(things)
        point = [dice.uniform(-4, 4), dice.uniform(0, 3.5), dice.uniform(-4, 6)]
        at = dice.choice(["face", "chest", "knee", point])
        turn = {"op": "turn", "what": [dice.choice(["sitter", "head"])], "deg": dice.uniform(-200, 200)}
        edits = edits_from_data([dice.choice([
            {"op": "move", "what": what, "to_m": point}, {"op": "aim", "what": what, "at": at}, turn,
        ])])  # fmt: skip
        try:
            written = scene_from_text(text_with_edits(text, edits, path.name)[0], path.name, path.parent)
        except SceneError as fault:
            with pytest.raises(SceneError) as refused:
                posed_scene(scene, edits, path.name)
            # An edit of a thing that cannot be moved or aimed at all is told in words of its own.
            if fault.between_blocks or (" aims at " not in fault.what and "hangs nowhere" not in fault.what):
                assert refused.value.what == fault.what
            continue
        assert posed_scene(scene, edits, path.name) == written
        stood += 1
    assert stood > 10


# -- nothing is written until it lets go ----------------------------------------------------------


def test_a_hand_changes_neither_text_nor_journal_and_one_step_of_undo_takes_it_back(
    room: Served, tmp_path: Path
) -> None:
    with room.client() as tab:
        before, files = tab.state, sorted(path.name for path in (tmp_path / "state").iterdir())
        for number in range(20):
            tab.tell("hand", poses=[held(number)])
        in_step(tab)
        assert [message["type"] for message in tab.heard].count("state") == 1
        assert room.session.open_scene.revision == before["revision"] and room.session.saved
        assert sorted(path.name for path in (tmp_path / "state").iterdir()) == files
        state = tab.edit(held(20), merge="drag")
        assert state["can_undo"] and not state["saved"]
        assert tab.ask("undo")["type"] == "done"
        assert tab.state["saved"] and not tab.state["can_undo"]
        assert room.session.open_scene._document.text == SIMPLE


def test_a_hand_that_lets_go_or_a_tab_that_leaves_brings_the_picture_back(room: Served) -> None:
    with room.client() as tab, room.client() as leaving:
        tab.wait("frame")
        for own, end in ((tab, lambda: tab.tell("let_go")), (leaving, lambda: leaving.__exit__())):
            own.wait("frame")
            own.tell("hand", poses=[held(7)])
            shown = own.wait("live")
            end()
            # The picture of the set as it stands takes the place of what the hand has shown.
            tab.wait("frame", lambda m, shown=shown: m["serial"] > shown["frame"])
            assert isinstance(DrawingWorker.asked[-1], PreviewRequest)
        assert room.session.saved


# -- nothing queues up ----------------------------------------------------------------------------


def test_the_newest_place_wins_and_a_slow_page_is_sent_no_more_than_it_draws(room: Served) -> None:
    with room.client() as tab:
        tab.wait("frame")
        for number in range(50):
            tab.tell("hand", poses=[held(number)])
        in_step(tab)
        live = [message for message in tab.heard if message["type"] == "live"]
        assert len(live) <= MOST_UNDRAWN
        assert len(tab.layers) == 2 * 3 * live[-1]["width"] * live[-1]["height"] * len(live[-1]["names"])
        # What waited is the newest place, and it comes as soon as the page has drawn.
        count = len(DrawingWorker.asked)
        tab.tell("drawn", serial=live[-1]["serial"])
        in_step(tab)
        newest = DrawingWorker.asked[-1]
        assert isinstance(newest, PoseRequest) and len(DrawingWorker.asked) <= count + 1
        assert newest.scene.lights["key"].place == posed_scene(
            scene_from_text(SIMPLE), edits_from_data([held(49)])
        ).lights["key"].place  # fmt: skip


def test_live_pictures_wait_until_they_are_drawn_and_the_newest_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sim.room.clients.DRAWN_WITHIN_S", 60.0)

    def live(serial: int) -> Packed:
        return Packed({"type": "live", "serial": serial}, b"")  # type: ignore[typeddict-item]

    async def sent() -> list[int]:
        tab, found = Tab(1), []
        for serial in range(1, 10):
            tab.tell(live(serial))
            while tab._line or (tab._live and tab.keeps_up):
                found.append((await tab.next()).told["serial"])  # type: ignore[union-attr]
        tab.tell({"type": "done", "id": 1})
        assert (await tab.next())["type"] == "done"  # type: ignore[index]
        tab.drawn(2)
        found.append((await tab.next()).told["serial"])  # type: ignore[union-attr]
        return found

    assert asyncio.run(sent()) == [1, 2, 9]


# -- refusals -------------------------------------------------------------------------------------


def test_a_place_that_cannot_be_is_marked_and_the_last_that_can_is_kept(room: Served) -> None:
    with room.client() as tab:
        tab.wait("frame")
        tab.tell("hand", poses=[held(5)])
        inside = {**KEY, "to_m": [0.0, 1.2, 0.0]}
        for _ in range(5):
            tab.tell("hand", poses=[inside])
        marked = tab.wait("hand")
        assert "inside the sitter" in marked["what"]
        in_step(tab)
        assert [message["type"] for message in tab.heard].count("hand") == 1
        answer = tab.ask("edit", edits=[inside], merge="drag")
        assert answer["type"] == "refused" and answer["what"] == marked["what"]
        expected = posed_scene(scene_from_text(SIMPLE), edits_from_data([held(5)])).lights["key"].place
        assert room.session.open_scene.snapshot().scene.lights["key"].place == expected
        # Alone it is refused and changes nothing.
        before = tab.state["revision"]
        assert tab.ask("edit", edits=[inside], merge="drag 2")["type"] == "refused"
        assert room.session.open_scene.revision == before
        tab.tell("hand", poses=[held(6)])
        assert tab.wait("hand", lambda m: not m["what"])


def test_nonsense_of_a_hand_is_refused_in_one_line(room: Served) -> None:
    with room.client() as tab:
        for poses in ([], [{"op": "unset", "path": ["title"]}], [{**KEY, "to_m": [1, 2]}], "left"):
            tab.tell("hand", poses=poses)
            refused = tab.wait("refused", lambda m: m["id"] is None)
            assert refused["what"] and "Error" not in refused["what"]
            tab.newest.pop("refused")
        in_step(tab)
