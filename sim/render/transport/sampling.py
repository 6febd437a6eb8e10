"""Random numbers for paths: shuffled, Owen-scrambled (0, 2)-sequences, one per pixel and path dimension.

Every decision of a path (place in the pixel, point on each light, scattering direction, per bounce) draws from its own
two-dimensional sequence over the samples of its pixel; sequences of different decisions and pixels are made
independent by hashing. So n samples of a pixel cover each decision evenly, and any subset is still unbiased.

Source: [Burley:2020]; hash finalizer of 32 bits "lowbias32" [Wellons:2018]. Evenness and independence are tested.
Does not: correlate neighbouring pixels, or keep more than 32 bits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import drjit as dr
import mitsuba as mi

# Number of decisions kept apart within one bounce.
SLOTS_PER_BOUNCE = 64
# Decisions made before the path starts count as those of a bounce no path reaches.
BEFORE_PATH = 1 << 24


class PathSampler:
    """Draws the numbers of one lane's path.

    Arguments: `stream` UInt32 per lane, the same for all samples of one pixel or probe; `index` UInt32 per lane,
    which of its samples this is; `seed` any integer.
    """

    def __init__(self, stream: Any, index: Any, seed: int) -> None:
        self.stream = _hash(mi.UInt32(stream) ^ _hash(dr.opaque(mi.UInt32, seed & 0xFFFFFFFF) + 0x632BE5AB))
        self.index = mi.UInt32(index)

    def branch(self, count: Any, number: Any) -> PathSampler:
        """The numbers of branch `number` of `count`, UInt32, that split off here: together they are one sequence."""
        twin = object.__new__(PathSampler)
        twin.stream, twin.index = self.stream, self.index * count + number
        return twin

    def pair(self, bounce: Any, slot: int) -> Any:
        """Two uniform numbers in [0, 1) for decision `slot` (0..63) of bounce `bounce`."""
        x, y = self._bits(bounce, slot)
        return mi.Point2f(_unit(x), _unit(y))

    def pairs(self, bounce: Any, slot: int) -> Callable[[int], Any]:
        """Pairs for any number of decisions of one kind, drawn together: the n-th is the first one, digitally shifted.

        A digital shift keeps the evenness of the sequence [DickPillichshammer:2010]; decisions that
        never meet in one estimate, as those of different lights, need no more independence than that.
        """
        x, y = self._bits(bounce, slot)

        def shifted(number: int) -> Any:
            return mi.Point2f(_unit(x ^ _constant(2 * number)), _unit(y ^ _constant(2 * number + 1)))

        return shifted

    def one(self, bounce: Any, slot: int) -> Any:
        """One uniform number in [0, 1) for decision `slot` of bounce `bounce`."""
        key = self._key(bounce, slot)
        return _unit(dr.brev(_permute_upward(_scramble(self.index, key), _hash(key ^ 0xA511E9B3))))

    def _bits(self, bounce: Any, slot: int) -> tuple[Any, Any]:
        key = self._key(bounce, slot)
        index = _scramble(self.index, key)
        x = dr.brev(_permute_upward(index, _hash(key ^ 0xA511E9B3)))
        return x, _scramble(dr.brev(_pascal(index)), _hash(key ^ 0x63D83595))

    def _key(self, bounce: Any, slot: int) -> Any:
        decision = mi.UInt32(bounce) * SLOTS_PER_BOUNCE + slot
        return _hash(self.stream + decision * 0x9E3779B9)


def _hash(x: Any) -> Any:
    x = (x ^ (x >> 16)) * 0x7FEB352D
    x = (x ^ (x >> 15)) * 0x846CA68B
    return x ^ (x >> 16)


def _constant(number: int) -> int:
    """Fixed 32 bits for a number, as `_hash` mixes them."""
    x = (number + 1) * 0x9E3779B9 & 0xFFFFFFFF
    x = (x ^ (x >> 16)) * 0x7FEB352D & 0xFFFFFFFF
    x = (x ^ (x >> 15)) * 0x846CA68B & 0xFFFFFFFF
    return x ^ (x >> 16)


def _permute_upward(x: Any, key: Any) -> Any:
    # Laine and Karras: each bit is changed by lower bits only.
    x = x + key
    x = x ^ (x * 0x6C50B47C)
    x = x ^ (x * 0xB82F1E52)
    x = x ^ (x * 0xC7AFE638)
    return x ^ (x * 0x8D22F6E6)


def _scramble(x: Any, key: Any) -> Any:
    # Owen's nested scrambling: each bit is changed by higher bits only.
    return dr.brev(_permute_upward(dr.brev(x), key))


def _pascal(x: Any) -> Any:
    # Multiply the bits by Pascal's triangle mod 2, the second Sobol dimension, as five Kronecker factors.
    for shift, mask in ((1, 0xAAAAAAAA), (2, 0xCCCCCCCC), (4, 0xF0F0F0F0), (8, 0xFF00FF00), (16, 0xFFFF0000)):
        x = x ^ ((x & mask) >> shift)
    return x


def _unit(x: Any) -> Any:
    # Keep the 24 bits that a single-precision number holds.
    return mi.Float(x >> 8) * (1.0 / (1 << 24))
