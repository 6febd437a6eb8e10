"""Stores in front of the user's: layers in a process's memory, the small answers of one report as one entry."""

from __future__ import annotations

from collections.abc import Callable

from zict import LRU

from sim.render.cache.disk import Arrays, Store

LIMIT_BYTES = 512 << 20


class LayerMemory:
    """Arrays by key, the least recently used ones let go past `limit_bytes`; see `sim.render.cache.disk.Store`.

    Arguments: `behind` a store that is asked for what is not here, and given the new ones by `write_behind`.
    """

    def __init__(self, limit_bytes: int = LIMIT_BYTES, behind: Store | None = None) -> None:
        self._behind = behind
        self._kept: LRU[str, Arrays] = LRU(limit_bytes, {}, weight=lambda _, arrays: _bytes_of(arrays))
        self._unwritten: list[str] = []

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key here or behind, or None."""
        if key in self._kept:
            return self._kept[key]
        entry = None if self._behind is None else self._behind.get(key)
        if entry is not None:
            self._kept[key] = entry
        return entry

    def put(self, key: str, arrays: Arrays, *, only_here: bool = False) -> None:
        """Keep arrays under a key; `only_here` never hands them to the store behind."""
        if not only_here and self._behind is not None:
            self._unwritten.append(key)
        self._kept[key] = arrays

    def write_behind(self, between: Callable[[], None]) -> None:
        """Hand what is new to the store behind, calling `between` after each, which ends it if it raises."""
        while self._unwritten and self._behind is not None:
            key = self._unwritten.pop()
            if key in self._kept:
                self._behind.put(key, self._kept[key])
            between()


class Bundle:
    """Many small entries kept together as one entry of a store: the answers that one report asked for.

    Arguments: `key` of the bundle; `behind` the store that holds it. Entries that nobody asks for are left out when
    it is written again.
    """

    def __init__(self, key: str, behind: Store) -> None:
        self._key, self._behind = key, behind
        self._held: dict[str, Arrays] = {}
        for place, array in (behind.get(key) or {}).items():
            entry, _, name = place.partition("/")
            self._held.setdefault(entry, {})[name] = array
        self._asked: set[str] = set()
        self._is_new = False

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key, or None."""
        self._asked.add(key)
        return self._held.get(key)

    def put(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under a key until `write`."""
        self._held[key], self._is_new = arrays, True

    def write(self) -> None:
        """Hand the bundle to the store behind, if anything in it is new."""
        if self._is_new:
            asked = {entry: arrays for entry, arrays in self._held.items() if entry in self._asked}
            flat = {f"{entry}/{name}": array for entry, arrays in asked.items() for name, array in arrays.items()}
            self._behind.put(self._key, flat)
            self._is_new = False


class ReadOnly:
    """A store that is asked and never given anything."""

    def __init__(self, behind: Store) -> None:
        self._behind = behind

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key, or None."""
        return self._behind.get(key)

    def put(self, key: str, arrays: Arrays) -> None:
        """Keep nothing."""


def _bytes_of(arrays: Arrays) -> int:
    return sum(array.nbytes for array in arrays.values())
