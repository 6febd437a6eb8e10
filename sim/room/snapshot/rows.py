"""Blocks, points and rows of numbers of a scene as JSON holds them."""

from __future__ import annotations

from collections.abc import Iterable

from sim.room.protocol.scene_view import JsonBlock, Row
from sim.scene.model import Point
from sim.scene.model.block import Block


def block_data(block: Block) -> JsonBlock:
    """A block in the form of the scene file, with what is left out filled in."""
    dumped: JsonBlock = block.model_dump(mode="json", by_alias=True, exclude_none=True)
    return dumped


def target_data(target: str | Point) -> str | Row:
    """A part by its name, or a point (m)."""
    return target if isinstance(target, str) else row(target.position_m)


def row(values: Iterable[float], digits: int = 5) -> Row:
    """Three numbers (m), to a hundredth of a millimetre."""
    return [round(float(value), digits) + 0.0 for value in values]


def exact_row(values: Iterable[float]) -> Row:
    """Numbers as they are."""
    return [float(value) for value in values]
