"""Exports of the room, with a stand-in for the child process that makes them."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from sim.room.background import exports
from sim.room.background.exports import Export, Exports

DEMO = Path(__file__).parents[2] / "scenes" / "recital.yaml"


class EndedWhileLoading:
    """A child that was told to end while it imported something, and blames that."""

    def __init__(self, environ: dict[str, str]) -> None:
        self.told_to_end = asyncio.Event()

    async def start(self) -> None: ...

    async def order(self, order: dict[str, Any]) -> None: ...

    async def report(self) -> dict[str, Any] | None:
        await self.told_to_end.wait()
        return {"error": "this is a bug in halfstop: ImportError: something half loaded"}

    async def end(self) -> None:
        self.told_to_end.set()


def test_a_cancelled_export_says_so_whatever_its_child_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exports, "Child", EndedWhileLoading)

    async def cancelled() -> Export:
        made = Exports(tmp_path, lambda export: None)
        export = made.begun("handout", DEMO)
        running = asyncio.create_task(made.run(export, DEMO, DEMO.read_text("utf-8"), {}))
        while made._child is None:
            await asyncio.sleep(0)
        await made.cancel(export.id)
        await running
        return export

    export = asyncio.run(cancelled())
    assert export.done and export.error == "cancelled; nothing was written" and export.files == ()
