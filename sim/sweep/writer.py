"""Results written by a few threads of their own, so that giving out work never waits for the disk."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from types import TracebackType

from sim.sweep.setup import Result

# Chunks that may wait for the disk: beyond them giving out waits too, so that memory stays bounded.
MOST_WAITING = 64
# Chunks are files of their own, so several may wait for the disk to make sure of them at once.
THREADS = 4


class Writer:
    """Writes what it is handed; the first fault ends it and is raised to whoever hands on.

    Arguments: `write` is called by several threads at once.
    Use as a context manager: leaving it waits until all is written.
    """

    def __init__(self, write: Callable[[list[Result], float], None]) -> None:
        self._write = write
        self._waiting: queue.Queue[tuple[list[Result], float] | None] = queue.Queue(MOST_WAITING)
        self._fault: BaseException | None = None
        self._threads = [
            threading.Thread(target=self._work, name=f"halfstop-writer-{number}", daemon=True)
            for number in range(THREADS)
        ]

    def __enter__(self) -> Writer:
        for thread in self._threads:
            thread.start()
        return self

    def __call__(self, results: list[Result], cost_s: float) -> None:
        """Hand results on; raises the fault of an earlier write."""
        self._raise_fault()
        self._waiting.put((results, cost_s))

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join()
        if error is None:
            self._raise_fault()

    def _raise_fault(self) -> None:
        if self._fault is not None:
            raise self._fault

    def _work(self) -> None:
        while True:
            item = self._waiting.get()
            if item is None:
                return
            # After a fault only empty the queue, so that nobody waits for room in it.
            if self._fault is None:
                try:
                    self._write(*item)
                except BaseException as fault:
                    self._fault = fault
