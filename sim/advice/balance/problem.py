"""The lights' dials and what each gives the wished points, in squared f-numbers, which add as light does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Far less than any light of a studio: keeps logarithms finite in the dark.
DARK_STOPS = 40.0


@dataclass(frozen=True)
class LightDial:
    """A light's dial: `now_stops` from full (0 or less), `lowest_stops`, `step_stops`, and whether it may be turned."""

    name: str
    now_stops: float
    lowest_stops: float
    step_stops: float
    free: bool


@dataclass(frozen=True)
class BalanceProblem:
    """All that a balance needs, in plain numbers.

    `gain` (m, k): what each dial's light gives each wish's point at full dial, squared f-number of the meter there;
    `base` (m,): what room light gives. `reference_gain` (k,), `reference_base`: the same at the reference, or the
    camera's squared f-number as base and no gain. `target` (m,): wanted stops, of the squared f-number itself or,
    where `relative` (m,) is true, against the reference.
    """

    dials: tuple[LightDial, ...]
    gain: np.ndarray
    base: np.ndarray
    reference_gain: np.ndarray
    reference_base: float
    target: np.ndarray
    relative: np.ndarray
    weight: np.ndarray | None = None

    @property
    def weights(self) -> np.ndarray:
        """How much each wish counts (m,)."""
        return np.ones(len(self.target)) if self.weight is None else self.weight

    def residual_stops(self, dials: np.ndarray) -> np.ndarray:
        """Got minus wanted (m,) in stops, for dials (k,) in stops from full."""
        power = np.exp2(dials)
        got = _log2(self.base + self.gain @ power)
        against = _log2(self.reference_base + self.reference_gain @ power)
        missed: np.ndarray = got - np.where(self.relative, against, 0.0) - self.target
        return missed

    def jacobian(self, dials: np.ndarray) -> np.ndarray:
        """Stops of each residual per stop of each dial (m, k): the light's share there less its share at reference."""
        power = np.exp2(dials)
        share = self.gain * power / np.maximum(self.base + self.gain @ power, 2.0**-DARK_STOPS)[:, None]
        total = max(self.reference_base + float(self.reference_gain @ power), 2.0**-DARK_STOPS)
        slopes: np.ndarray = share - self.relative[:, None] * (self.reference_gain * power / total)
        return slopes

    def only(self, rows: Sequence[int]) -> BalanceProblem:
        """The same problem with some of its wishes."""
        keep = list(rows)
        return BalanceProblem(self.dials, self.gain[keep], self.base[keep], self.reference_gain, self.reference_base,
                     self.target[keep], self.relative[keep])  # fmt: skip


def _log2(value: np.ndarray | float) -> np.ndarray:
    stops: np.ndarray = np.log2(np.maximum(value, 2.0**-DARK_STOPS))
    return stops
