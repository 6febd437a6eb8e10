"""Process time and wall time of a piece of work, as medians of several runs."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """Seconds of one piece of work: of all threads together, and by the clock on the wall."""

    process_s: float
    wall_s: float


def timed(work: Callable[[int], object], repeats: int, *, warm_up: bool = True) -> Timing:
    """Median times of `work`, called with the number of the run, 0 onward.

    `warm_up` runs it once before, uncounted and with the number -1, so that kernels are compiled.
    """
    if warm_up:
        work(-1)
    runs = []
    for number in range(repeats):
        process, wall = time.process_time(), time.perf_counter()
        work(number)
        runs.append((time.process_time() - process, time.perf_counter() - wall))
    return Timing(statistics.median(p for p, _ in runs), statistics.median(w for _, w in runs))
