"""What is shown on stderr while a preview is made: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

LABELS = {
    "trace": "trace the light",
    "meters": "read the meters",
    "denoise": "clean the pictures",
    "files": "write the files",
    "lay out": "lay out the variations",
    "sweep": "make the variations",
}
# Seconds between plain lines of one step.
PLAIN_PAUSE_S = 10.0
# Seconds over which a bar takes its pace.
PACE_S = 300.0

Progress = Callable[[str, float], None]


@contextmanager
def shown_progress(*, time_left: bool = False) -> Iterator[Progress]:
    """Show the steps as they go; yields the function to tell a step and its finished part, 0..1.

    Arguments: `time_left` also tells how long a step will still take, by its pace so far.
    """
    if sys.stderr.isatty():
        with _bars(time_left) as tell:
            yield tell
    else:
        yield _plain_lines(time_left)


@contextmanager
def _bars(time_left: bool) -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        ProgressColumn,
        TaskProgressColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Bars

    columns: list[ProgressColumn] = [
        TextColumn("{task.description}"),
        BarColumn(bar_width=40),
        TaskProgressColumn(),
        TimeElapsedColumn(),
    ]
    if time_left:
        columns += [TextColumn("left"), TimeRemainingColumn()]
    with Bars(*columns, console=Console(stderr=True), speed_estimate_period=PACE_S) as bars:
        tasks = {step: bars.add_task(label, total=1.0, start=False, visible=False) for step, label in LABELS.items()}

        def tell(step: str, part: float) -> None:
            task = tasks[step]
            if not bars.tasks[task].started:
                bars.start_task(task)
            bars.update(task, completed=part, visible=True)

        yield tell


def _plain_lines(time_left: bool) -> Progress:
    started_s: dict[str, float] = {}
    spoken_s: dict[str, float] = {}

    def tell(step: str, part: float) -> None:
        now_s = time.monotonic()
        if not started_s:
            print(f"{LABELS[step]} ...", file=sys.stderr, flush=True)
        started_s.setdefault(step, now_s)
        spoken_s.setdefault(step, now_s)
        if part >= 1:
            print(f"{LABELS[step]}: done in {now_s - started_s[step]:.1f} s", file=sys.stderr, flush=True)
        elif now_s - spoken_s[step] >= PLAIN_PAUSE_S:
            spoken_s[step] = now_s
            left_s = (now_s - started_s[step]) * (1 - part) / part if time_left and part > 0 else None
            left = "" if left_s is None else f", {_span(left_s)} left"
            print(f"{LABELS[step]}: {100 * part:.0f} %{left}", file=sys.stderr, flush=True)

    return tell


def _span(time_s: float) -> str:
    """A time for people.

    >>> _span(40), _span(400), _span(40000)
    ('40 s', '7 min', '11.1 h')
    """
    if time_s < 90:
        return f"{time_s:.0f} s"
    return f"{time_s / 60:.0f} min" if time_s < 5400 else f"{time_s / 3600:.1f} h"
