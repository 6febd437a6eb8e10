"""Targets that tabs have asked for: each waits until the meters have been read for the set as it stands."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import TypeAlias

from sim.light.readings import ProbeReadings
from sim.quantities.errors import HalfstopError, line_of_bug
from sim.room.clients import Client
from sim.room.open_scene import Snapshot
from sim.room.protocol.messages import refusal
from sim.room.protocol.requests import FindDials
from sim.room.targets import balanced, dials_from_balance, targets_from_request

Begin: TypeAlias = Callable[[Coroutine[object, object, None]], None]


class Balancing:
    """The searches for dials of all tabs; a newer one of a tab takes the place of one that still waits.

    Arguments: `begin` starts work beside the rest; `readings_for` the readings that hold for a snapshot, or None.
    """

    def __init__(self, begin: Begin, readings_for: Callable[[Snapshot], ProbeReadings | None]) -> None:
        self._begin, self._readings_for = begin, readings_for
        self._waiting: list[tuple[Client, FindDials]] = []

    @property
    def waits(self) -> bool:
        """Whether any search waits for readings."""
        return bool(self._waiting)

    def add(self, tab: Client, request: FindDials, snapshot: Snapshot) -> None:
        """Take a search up; refuses words that mean nothing before any waiting."""
        targets_from_request(snapshot.scene, snapshot.layout, request)
        self.forget(tab)
        self._waiting.append((tab, request))
        self.answer(snapshot)

    def forget(self, tab: Client) -> None:
        """Let go of what a tab waits for."""
        self._waiting = [(other, request) for other, request in self._waiting if other is not tab]

    def clear(self) -> None:
        """Let go of all."""
        self._waiting = []

    def answer(self, snapshot: Snapshot) -> None:
        """Search for every tab that waits, if the readings hold for the set as it stands."""
        readings = self._readings_for(snapshot)
        if readings is None:
            return
        waiting, self._waiting = self._waiting, []
        for tab, request in waiting:
            self._begin(_searched(tab, request, snapshot, readings))


async def _searched(tab: Client, request: FindDials, snapshot: Snapshot, readings: ProbeReadings) -> None:
    scene, layout = snapshot.scene, snapshot.layout
    try:
        wishes, reference, locked = targets_from_request(scene, layout, request)
        result = await asyncio.to_thread(balanced, scene, layout, readings, wishes, reference, locked)
    except HalfstopError as error:
        tab.tell(refusal(request.id, error))
        return
    except Exception as error:
        # Answer even where the fault is ours, or the page would wait for ever.
        tab.tell(refusal(request.id, HalfstopError(line_of_bug(error))))
        return
    tab.dials_found = (snapshot.revision, result)
    tab.tell({"type": "wishes", "id": request.id, "revision": snapshot.revision, **dials_from_balance(result)})
    tab.tell({"type": "done", "id": request.id})
