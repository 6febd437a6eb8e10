"""How much light leaves: of a lamp per second, of a flash in all. Two kinds that are never added or mixed up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True)
class LuminousFlux:
    """Light of a lamp that stays on, in lumens."""

    lm: float

    @property
    def amount(self) -> float:
        """The number in its own unit, lm."""
        return self.lm


@dataclass(frozen=True)
class LuminousEnergy:
    """Light of one flash, in lumen-seconds."""

    lm_s: float

    @property
    def amount(self) -> float:
        """The number in its own unit, lm·s."""
        return self.lm_s


Output: TypeAlias = LuminousFlux | LuminousEnergy
