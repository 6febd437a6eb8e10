"""How long a sweep takes with any number of workers: a model of its queue, to be held against measured points.

Groups are given to workers heaviest first. A worker traces a group and mixes its variations; every task costs the task
engine a little besides; what comes back is written by a few threads of one process. The sweep ends when the last chunk
is written.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Costs:
    """Measured costs of one chunk: `task_s` of the task engine on the worker's way, `write_s` of a writer's time.

    `writers` write at once.
    """

    task_s: float
    write_s: float
    writers: int = 1


def wall_s_from_workers(chunks_s: Sequence[float], workers: int, costs: Costs) -> float:
    """Expected wall time of a sweep, from when its workers stand ready.

    Arguments: `chunks_s` each chunk's own work on a worker, in the order given out.

    >>> wall_s_from_workers([2.0, 1.0, 1.0], 2, Costs(0.0, 0.0))
    2.0
    >>> wall_s_from_workers([1.0] * 100, 100, Costs(0.0, 0.5))
    51.0
    """
    free = [0.0] * workers
    heapq.heapify(free)
    ends = []
    for chunk_s in chunks_s:
        end = heapq.heappop(free) + chunk_s + costs.task_s
        heapq.heappush(free, end)
        ends.append(end)
    writers = [0.0] * costs.writers
    for end in sorted(ends):
        heapq.heapreplace(writers, max(writers[0], end) + costs.write_s)
    return max(writers)


def efficiency(chunks_s: Sequence[float], workers: int, costs: Costs) -> float:
    """Share of the workers' time that a sweep makes use of, against one worker: 1 is perfect."""
    one = wall_s_from_workers(chunks_s, 1, costs)
    return one / (workers * wall_s_from_workers(chunks_s, workers, costs))
