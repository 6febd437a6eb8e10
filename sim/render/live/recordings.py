"""Work recorded once and run again with other numbers, so that no frame pays for its kernels being put together."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

# Recordings of one piece of work that are kept; each size of picture and each set of live surfaces asks for its own.
MOST_OF_ONE = 24


class Recordings:
    """Recorded pieces of work by a key of all that decides their kernels."""

    def __init__(self) -> None:
        self._recorded: dict[tuple[object, ...], Any] = {}

    def of(self, key: tuple[object, ...], work: Callable[..., Any]) -> Callable[..., Any]:
        """The work of this key: the first one given, recorded at its first call."""
        if key not in self._recorded:
            self._recorded[key] = dr.freeze(work, limit=MOST_OF_ONE, warn_after=1000)
        recorded: Callable[..., Any] = self._recorded[key]
        return recorded

    def count(self) -> int:
        """How many recordings there are."""
        return sum(work.n_recordings for work in self._recorded.values())


def own_array(values: np.ndarray) -> Any:
    """Numbers as one flat array of the renderer's own, Float.

    Memory of others lies on a boundary or not by chance, and a recording is only good for what it was made with.
    """
    array = mi.Float(np.ascontiguousarray(values, np.float32).ravel()) * dr.opaque(mi.Float, 1)
    dr.eval(array)
    return array
