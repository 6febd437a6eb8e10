"""The browser's tabs that look at one room: each has its own line of messages, in which only the newest state waits."""

from __future__ import annotations

import asyncio
from collections import deque

from sim.advice.balance import Balance
from sim.room.protocol.messages import Message

# Of these only the newest of a kind is worth sending; a slow tab skips what came between.
NEWEST_ONLY = ("state", "painting", "frame", "live", "meters", "checks", "versions", "disk")
MOST_WAITING = 2000


class Client:
    """One tab: `tell` puts a message into its line, `next` takes the oldest one out.

    `dials_found` the last answer to its targets, with the revision that it holds for.
    Does not: talk to the network.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        self.dials_found: tuple[int, Balance] | None = None
        self._line: deque[Message] = deque()
        self._some = asyncio.Event()

    def tell(self, message: Message) -> None:
        """Queue a message; a newer one of a kind in `NEWEST_ONLY` takes the place of one that still waits."""
        kind = message["type"]
        if kind in NEWEST_ONLY:
            for index, waiting in enumerate(self._line):
                if waiting["type"] == kind:
                    self._line[index] = message
                    return
        if len(self._line) < MOST_WAITING:
            self._line.append(message)
        self._some.set()

    async def next(self) -> Message:
        """The next message, once there is one."""
        while not self._line:
            self._some.clear()
            await self._some.wait()
        return self._line.popleft()
