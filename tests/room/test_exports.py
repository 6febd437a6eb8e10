"""Exports of the room, with a stand-in for the child process that makes them."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from sim.room.background import exports
from sim.room.background.exports import Export, Exports
from sim.room.background.messages import Answer, Failed, Request

DEMO = Path(__file__).parents[2] / "scenes" / "recital.yaml"


class EndedWhileLoading:
    """A child that was told to end while it imported something, and blames that."""

    def __init__(self, environ: dict[str, str]) -> None:
        self.told_to_end = asyncio.Event()

    async def start(self) -> None: ...

    async def ask(self, request: Request) -> None: ...

    async def answer(self) -> Answer | None:
        await self.told_to_end.wait()
        return Failed("this is a bug in halfstop: ImportError: something half loaded")

    async def end(self) -> None:
        self.told_to_end.set()


def test_a_cancelled_export_says_so_whatever_its_child_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exports, "Child", EndedWhileLoading)

    async def cancelled() -> Export:
        made = Exports(tmp_path, lambda export: None)
        export = made.begun("handout", DEMO)
        running = asyncio.create_task(made.run(export, DEMO, DEMO.read_text("utf-8")))
        while made._child is None:
            await asyncio.sleep(0)
        await made.cancel(export.id)
        await running
        return export

    export = asyncio.run(cancelled())
    assert export.done and export.error == "cancelled; nothing was written" and export.files == ()


def test_an_export_that_breaks_ends_with_a_line_and_lets_the_next_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(text: str, path: Path) -> str:
        raise KeyError("lights")

    monkeypatch.setattr(exports, "standing_alone", broken)
    changes: list[str | None] = []
    made = Exports(tmp_path, lambda export: changes.append(export.error))
    export = made.begun("plan", DEMO)
    asyncio.run(made.run(export, DEMO, DEMO.read_text("utf-8")))
    assert changes == [None, "this is a bug in halfstop: KeyError: 'lights'"]
    assert export.done and made.under_way is None and made.begun("plan", DEMO).id == 2
