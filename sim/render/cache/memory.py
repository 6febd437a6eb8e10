"""Layers kept in the painter's memory, in front of those that the user keeps on disk."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

from sim.render.cache.disk import Arrays, Store

LIMIT_BYTES = 512 << 20


class LayerMemory:
    """Arrays by key, the least recently used ones let go past `limit_bytes`; see `sim.render.cache.disk.Store`.

    Arguments: `behind` a store that is asked for what is not here, and given the new ones by `write_behind`.
    """

    def __init__(self, limit_bytes: int = LIMIT_BYTES, behind: Store | None = None) -> None:
        self.limit_bytes = limit_bytes
        self._behind = behind
        self._kept: OrderedDict[str, Arrays] = OrderedDict()
        self._unwritten: list[str] = []

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key here or behind, or None."""
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        found = None if self._behind is None else self._behind.get(key)
        if found is not None:
            self._keep(key, found)
        return found

    def put(self, key: str, arrays: Arrays, *, only_here: bool = False) -> None:
        """Keep arrays under a key; `only_here` never hands them to the store behind."""
        if not only_here and self._behind is not None:
            self._unwritten.append(key)
        self._keep(key, arrays)

    def write_behind(self, between: Callable[[], None]) -> None:
        """Hand what is new to the store behind, calling `between` after each, which ends it if it raises."""
        while self._unwritten and self._behind is not None:
            key = self._unwritten.pop()
            if key in self._kept:
                self._behind.put(key, self._kept[key])
            between()

    def _keep(self, key: str, arrays: Arrays) -> None:
        self._kept[key] = arrays
        self._kept.move_to_end(key)
        excess = sum(_size(entry) for entry in self._kept.values()) - self.limit_bytes
        while excess > 0 and len(self._kept) > 1:
            _, oldest = self._kept.popitem(last=False)
            excess -= _size(oldest)


def _size(arrays: Arrays) -> int:
    return sum(array.nbytes for array in arrays.values())
