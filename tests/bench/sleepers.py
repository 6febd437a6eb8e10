"""Stand-ins for a sweep's work that only wait: they load the task engine as real work does, but no core."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from sim.sweep.groups import mix_cost_s
from sim.sweep.setup import Group, GroupRequest, Result, VariationJob

# What real work sends about: traced light of a draft of five lights, one picture, one row of the table.
TRACED_BYTES, PICTURE_BYTES, ROW_COLUMNS = 30 << 20, 230_000, 300
# A waited second stands for this many of real work.
SPEED_UP = 10.0


def waiting_trace(request: GroupRequest, group: Group) -> Any:
    """Wait as long as tracing would take, and hold as much as it would give."""
    time.sleep(group.trace_s / SPEED_UP)
    return np.zeros(TRACED_BYTES, np.uint8)


def waiting_mix(request: GroupRequest, traced: Any, group: Group, variations: Sequence[VariationJob]) -> list[Result]:
    """Wait as long as mixing would take, and send as much as it would make."""
    time.sleep(mix_cost_s(request) * len(variations) / SPEED_UP)
    made = []
    for variation in variations:
        rng = np.random.default_rng(int(variation.id[:8], 16))
        row: dict[str, Any] = {f"incident.point {n}.light": float(v) for n, v in enumerate(rng.random(ROW_COLUMNS))}
        made.append(
            Result(variation.id, {**row, "picture_sha256": variation.id}, {"picture": rng.bytes(PICTURE_BYTES)})
        )
    return made
