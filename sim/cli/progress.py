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
}
# Seconds between plain lines of one step.
PLAIN_PAUSE_S = 10.0

Progress = Callable[[str, float], None]


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """Show the steps as they go; yields the function to tell a step and its finished part, 0..1."""
    if sys.stderr.isatty():
        with _bars() as tell:
            yield tell
    else:
        yield _plain_lines()


@contextmanager
def _bars() -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=40),
        TaskProgressColumn(),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=Console(stderr=True)) as bars:
        tasks = {step: bars.add_task(label, total=1.0, start=False, visible=False) for step, label in LABELS.items()}

        def tell(step: str, part: float) -> None:
            task = tasks[step]
            if not bars.tasks[task].started:
                bars.start_task(task)
            bars.update(task, completed=part, visible=True)

        yield tell


def _plain_lines() -> Progress:
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
            print(f"{LABELS[step]}: {100 * part:.0f} %", file=sys.stderr, flush=True)

    return tell
