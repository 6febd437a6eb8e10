"""The library's pictures while the room is open: taken from the user's cache, or made in a child when there is time."""

from __future__ import annotations

import asyncio
import base64
from collections.abc import Callable, Iterable

from sim.render.cache.disk import LayerStore
from sim.room.background.library import Entry, entries, keep_png, kept_png
from sim.room.background.messages import Answer, ThumbnailMade, ThumbnailRequest
from sim.room.background.process import Child
from sim.room.protocol.messages import Library

LOOK_EVERY_S = 0.5
# The picture on the table goes first.
NICE, THREADS = 15, "1"
MOST_FAILURES = 3


class Thumbnails:
    """The library as the tabs see it.

    Arguments: `store` the cache, None keeps nothing; `on_ready` hears of each picture that comes; `resting` whether the
    painter leaves time for it.
    """

    def __init__(
        self, store: LayerStore | None, on_ready: Callable[[Entry], None], resting: Callable[[], bool], *,
        environ: dict[str, str],
    ) -> None:  # fmt: skip
        self._store, self._on_ready, self._resting = store, on_ready, resting
        self._environ = {**environ, "HALFSTOP_THREADS": THREADS}
        self._pngs: dict[str, bytes] = {}
        self._wanted: dict[str, Entry] = {}
        self._child: Child | None = None

    def message(self) -> Library:
        """The library as the tabs hear it."""
        return {
            "type": "library",
            "modifiers": [
                {
                    "id": entry.id, "group": entry.group, "title": entry.title, "text": entry.text,
                    "block": entry.block, "ready": entry.id in self._pngs, "url": f"thumbnail/{entry.id}.png",
                }
                for entry in entries()
            ],
        }  # fmt: skip

    def want(self, wanted: Iterable[Entry]) -> None:
        """Make these pictures before the others, and do not wait for the painter to rest."""
        self._wanted.update({entry.id: entry for entry in wanted if entry.id not in self._pngs})

    async def png(self, entry: Entry) -> bytes | None:
        """A modifier's picture, or None while it is not made; it is made next then."""
        if entry.id not in self._pngs:
            self.want([entry])
        return self._pngs.get(entry.id)

    async def run(self) -> None:
        """Make what is missing, one at a time, until all are there."""
        for entry in entries():
            kept = await asyncio.to_thread(kept_png, self._store, entry)
            if kept is not None:
                self._put(entry, kept)
        failures = 0
        while failures < MOST_FAILURES and (coming := self._next()) is not None:
            if not self._wanted and not self._resting():
                await asyncio.sleep(LOOK_EVERY_S)
                continue
            answer = await self._made(coming)
            if not isinstance(answer, ThumbnailMade):
                failures += 1
                continue
            png = base64.b64decode(answer.png_base64)
            await asyncio.to_thread(keep_png, self._store, coming, png)
            self._put(coming, png)
        await self.close()

    def _put(self, entry: Entry, png: bytes) -> None:
        self._pngs[entry.id] = png
        self._wanted.pop(entry.id, None)
        self._on_ready(entry)

    def _next(self) -> Entry | None:
        missing = [entry for entry in entries() if entry.id not in self._pngs]
        return next(iter(self._wanted.values()), missing[0] if missing else None)

    async def _made(self, entry: Entry) -> Answer | None:
        try:
            if self._child is None or not self._child.alive:
                self._child = Child(nice=NICE, environ=self._environ)
                await self._child.start()
            await self._child.ask(ThumbnailRequest(entry.id))
            return await self._child.answer()
        except (OSError, ValueError):
            return None

    async def close(self) -> None:
        """End the child."""
        child, self._child = self._child, None
        if child is not None:
            await child.end()
