"""Groups given out to workers, and what comes back: lost workers, suspects and failures never stop the rest.

A group's light is traced in one task; its variations are mixed in tasks that wait for it. What a worker had in hand
when it ended is given out again. A task that was on several workers as they ended is taken apart into single
variations, and each of those is tried again by itself when all else is done: only one that then ends its worker time
and again is recorded as failed.
"""

from __future__ import annotations

import math
import queue
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sim.quantities.errors import EngineError, HalfstopError
from sim.sweep.groups import chunks_of, mix_cost_s, trace_cost_s
from sim.sweep.mixing import mix_variations, reason_from
from sim.sweep.setup import Group, GroupRequest, Result, VariationJob
from sim.sweep.tracing import WrongMaker, trace_group

if TYPE_CHECKING:
    from distributed import Client, Future

# Variations of one chunk at most.
PER_CHUNK = 16
# Groups given out for each worker: what it does and what it does next.
AHEAD = 2
NO_WORKERS_S = 180.0
LOOK_S, COUNT_S = 1.0, 5.0
MIX_FIRST = 10
KILLER = "the worker process ended every time while it made this one; it may need more memory than there is"


@dataclass(frozen=True)
class Work:
    """What workers are given to do."""

    trace: Callable[[GroupRequest, Group], object] = trace_group
    # Takes what `trace` gave, second.
    mix: Callable[..., list[Result]] = mix_variations


@dataclass(frozen=True)
class _Task:
    """One mixing task in flight: its variations, their group, its share of the cost, and whether it is alone."""

    group: Group
    variations: tuple[VariationJob, ...]
    cost_s: float
    alone: bool


class Scheduler:
    """The work of one run on a client's workers."""

    def __init__(
        self,
        client: Client,
        request: GroupRequest,
        on_results: Callable[[list[Result], float], None],
        work: Work | None = None,
    ) -> None:
        self.client, self.request, self.on_results, self.work = client, request, on_results, work or Work()
        self.waiting: deque[Group] = deque()
        self.suspects: deque[Group] = deque()
        self.flying: dict[Future[list[Result]], _Task] = {}
        self.landed: queue.Queue[Future[list[Result]]] = queue.Queue()
        self.given = 0
        self.seen_workers_at = self.counted_at = time.monotonic()
        self.count = self._counted()

    def run(self, groups: Sequence[Group]) -> None:
        """Make every variation of the groups, heaviest first; `on_results` is told what has come back and its cost.

        Raises HalfstopError where the cluster or a disk gives out; what has come back before is kept.
        """
        self.waiting.extend(groups)
        try:
            while self.waiting or self.flying or self.suspects:
                self._give_out()
                self._take_in()
        finally:
            for future in self.flying:
                future.cancel()

    # -- out --

    def _give_out(self) -> None:
        together = {task.group.key for task in self.flying.values()}
        most = math.ceil(AHEAD * self._workers()) + 1
        while self.waiting and len(together) < most:
            group = self.waiting.popleft()
            together.add(group.key)
            self._submit(group, alone=False)
        # Try suspects one by one, with nothing beside them that could be blamed.
        if self.suspects and not self.waiting and not self.flying:
            self._submit(self.suspects.popleft(), alone=True)

    def _submit(self, group: Group, *, alone: bool) -> None:
        self.given += 1
        tag = f"{self.given}-{group.key}"
        traced = self.client.submit(
            self.work.trace, self.request, group, key=f"trace-{tag}", pure=False, priority=-self.given
        )
        chunks = chunks_of(group.variations, 1 if alone else PER_CHUNK)
        for number, variations in enumerate(chunks):
            future = self.client.submit(
                self.work.mix, self.request, traced, replace(group, variations=()), variations,
                key=f"mix-{tag}-{number}", pure=False, priority=MIX_FIRST,
            )  # fmt: skip
            share = group.cost_s / len(chunks)
            self.flying[future] = _Task(group, variations, share, alone)
            future.add_done_callback(self.landed.put)

    # -- in --

    def _take_in(self) -> None:
        """Wait for a task to come back, or for the cluster to show that it is gone."""
        try:
            future = self.landed.get(timeout=LOOK_S)
        except queue.Empty:
            self._require_cluster()
            return
        task = self.flying.pop(future, None)
        if task is None:
            return
        if future.status == "finished":
            try:
                results = future.result()
            except (OSError, TimeoutError):
                # What came back was lost on its way: make it again.
                self._again(task)
                return
            self.on_results(results, task.cost_s)
        elif future.status == "error":
            self._mend(task, future.exception())
        else:
            self._require_cluster()
            self._again(task)

    def _again(self, task: _Task) -> None:
        self.waiting.appendleft(self._group_of(task, task.variations))

    def _group_of(self, task: _Task, variations: tuple[VariationJob, ...]) -> Group:
        trace_s = trace_cost_s(self.request, variations)
        cost_s = trace_s + mix_cost_s(self.request) * len(variations)
        return replace(task.group, variations=variations, cost_s=cost_s, trace_s=trace_s)

    def _mend(self, task: _Task, error: BaseException) -> None:
        """Take a task apart that failed as a whole, or record its one variation as failed."""
        from distributed.scheduler import KilledWorker

        if isinstance(error, (WrongMaker, EngineError)):
            raise error
        if isinstance(error, OSError):
            raise HalfstopError(
                f"a worker cannot go on: {error.strerror or type(error).__name__}; mend it, then run the same command "
                "again: finished variations are kept"
            ) from None
        killed = isinstance(error, KilledWorker)
        if len(task.variations) == 1 and (task.alone or not killed):
            reason = KILLER if killed else reason_from(error)
            self.on_results([Result(task.variations[0].id, reason=reason)], task.cost_s)
            return
        singles = [self._group_of(task, (variation,)) for variation in task.variations]
        if killed:
            self.suspects.extend(singles)
        else:
            self.waiting.extendleft(reversed(singles))

    # -- the cluster --

    def _workers(self) -> int:
        """How many workers there are, asked anew now and then."""
        if time.monotonic() - self.counted_at > COUNT_S:
            self.count, self.counted_at = self._counted(), time.monotonic()
        return max(1, self.count)

    def _workers_now(self) -> bool:
        self.count, self.counted_at = self._counted(), time.monotonic()
        return self.count > 0

    def _counted(self) -> int:
        try:
            return len(self.client.nthreads())
        except (OSError, TimeoutError):
            return 0

    def _require_cluster(self) -> None:
        """Refuse to wait for a scheduler that is gone, or for workers that do not come back."""
        now = time.monotonic()
        if self.client.status in ("closed", "closing"):
            raise HalfstopError(
                "the scheduler is gone; finished variations are kept: start it and run the same command again to go on"
            )
        if self.client.status == "running" and self._workers_now():
            self.seen_workers_at = now
        elif now - self.seen_workers_at > NO_WORKERS_S:
            raise HalfstopError(
                f"no worker has been there for {NO_WORKERS_S:.0f} s; finished variations are kept: start workers and "
                "run the same command again to go on"
            )
