"""Parts of a stage kept for the next one: what did not change is not made again."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any


class ShapeCache:
    """The renderer's surfaces and shapes by what they are made from, kept from one build to the next.

    What a build does not ask for is let go at its end.
    Does not: keep the stage itself. Let go of the last stage before the next is built: kernels are recorded anew for
    whatever is alive.
    """

    def __init__(self) -> None:
        self._things: dict[Hashable, tuple[object, Any]] = {}
        self._asked: set[Hashable] = set()

    def get(self, key: Hashable, make: Callable[[], Any], source: object = None) -> Any:
        """What was made under this key, or `make` it now.

        Arguments: `source` an object that the key names by its `id`; it is kept as long as the thing is.
        """
        self._asked.add(key)
        if key not in self._things:
            self._things[key] = (source, make())
        return self._things[key][1]

    def of_surfaces(self) -> ShapeCache:
        """A cache that begins with this one's surfaces and none of its shapes."""
        cache = ShapeCache()
        cache._things = {
            key: thing for key, thing in self._things.items() if isinstance(key, tuple) and key[0] == "surface"
        }
        return cache

    def sweep(self) -> None:
        """Let go of all that was not asked for since the last sweep."""
        self._things = {key: entry for key, entry in self._things.items() if key in self._asked}
        self._asked = set()
