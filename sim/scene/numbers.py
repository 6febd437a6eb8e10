"""The number of each light, by which plan, sheets and the room's page know it: kept with it when others come and go."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sim.scene.model import Scene


def numbers_from_scene(scene: Scene) -> dict[str, int]:
    """The number of every light and of every light of the room, by name, in the scene's order."""
    lights = [(name, light.number) for name, light in scene.lights.items()]
    return numbers_from_given([*lights, *((item.name, item.number) for item in scene.ambient)])


def numbers_from_given(lights: Iterable[tuple[str, int | None]]) -> dict[str, int]:
    """Numbers by name: those that are given, and for each other light, in order, the lowest one that is free.

    >>> numbers_from_given([("key", None), ("hair", 4), ("fill", None)])
    {'key': 1, 'hair': 4, 'fill': 2}
    """
    lights = list(lights)
    free = _free_numbers({given for _, given in lights if given is not None})
    return {name: next(free) if given is None else given for name, given in lights}


def _free_numbers(taken: set[int]) -> Iterator[int]:
    number = 0
    while True:
        number += 1
        if number not in taken:
            yield number
