"""Checks between blocks: things that are right one by one and wrong together."""

from sim.model.fields import BlockFault
from sim.model.scene import Scene


def check_scene(scene: Scene) -> None:
    """Raise `BlockFault` for the first thing that cannot stand as it is described."""
