"""The browser's tabs that look at one room: each has its own line of messages, in which only the newest state waits."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from contextlib import suppress

from sim.advice.balance import Balance
from sim.room.protocol.messages import Message, Packed

# Of these only the newest of a kind is worth sending; a slow tab skips what came between.
NEWEST_ONLY = ("state", "painting", "frame", "meters", "checks", "versions", "disk", "hand")
MOST_WAITING = 2000
# Live pictures on their way to a tab that has not drawn them yet: one is drawn while the next one travels. A tab that
# says nothing for a second, such as one that lies behind, gets one a second.
MOST_UNDRAWN = 2
DRAWN_WITHIN_S = 1.0


class Client:
    """One tab: `tell` puts a message into its line, `next` takes the oldest one out.

    `dials_found` the last answer to its targets, with the revision that it holds for; `refused` the line that a hand's
    place was refused with last; `picture_px` the long side at which it shows the picture, 0 before it has told.
    Does not: talk to the network.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        self.dials_found: tuple[int, Balance] | None = None
        self.refused = ""
        self.picture_px = 0
        self._line: deque[Message] = deque()
        self._live: Packed | None = None
        self._sent: dict[int, float] = {}
        self._some = asyncio.Event()

    def tell(self, message: Message | Packed) -> None:
        """Queue a message; a newer one of a kind in `NEWEST_ONLY` takes the place of one that still waits."""
        self._some.set()
        if isinstance(message, Packed):
            self._live = message
            return
        kind = message["type"]
        if kind in NEWEST_ONLY:
            for index, waiting in enumerate(self._line):
                if waiting["type"] == kind:
                    self._line[index] = message
                    return
        if len(self._line) < MOST_WAITING:
            self._line.append(message)

    @property
    def keeps_up(self) -> bool:
        """Whether another live picture would be drawn soon."""
        late_s = time.monotonic() - DRAWN_WITHIN_S
        self._sent = {serial: sent_s for serial, sent_s in self._sent.items() if sent_s > late_s}
        return len(self._sent) < MOST_UNDRAWN

    def drawn(self, serial: int) -> None:
        """The tab has drawn a live picture, and with it all before."""
        self._sent = {sent: sent_s for sent, sent_s in self._sent.items() if sent > serial}
        self._some.set()

    async def next(self) -> Message | Packed:
        """The next message, once there is one; live pictures come last, and no faster than the tab draws them."""
        while True:
            if self._line:
                return self._line.popleft()
            if self._live is not None and self.keeps_up:
                live, self._live = self._live, None
                self._sent[live.told["serial"]] = time.monotonic()
                return live
            self._some.clear()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._some.wait(), DRAWN_WITHIN_S if self._live is not None else None)
