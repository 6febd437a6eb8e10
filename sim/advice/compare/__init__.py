"""Alternatives side by side: the same face exposure, what differs by part, and what the change costs.

    swaps     alternatives of one scene by key path and new value
    retrace   which lights must be traced again, and how their layers join the others
    measures  the edge of the nose's shadow, falloff, energy
    figures   the comparison itself

Only lights that changed are traced again. A light changed when its source, modifier, place, aim or stand did; power,
colour, gels and mute are weights. Where anything but lights changed (room, sitter, backdrop, panels, camera) every
light is traced again.
Approximation: lights that stay keep the layers of the first alternative, with the changed light's housing as it was
there; what the new housing blocks or bounces of other lights' light is left out.
"""

from sim.advice.compare.figures import Figures, compare, record_from_figures, rows_from_figures
from sim.advice.compare.swaps import Alternative, alternative_from_text, alternatives_from_swaps

__all__ = [
    "Alternative",
    "Figures",
    "alternative_from_text",
    "alternatives_from_swaps",
    "compare",
    "record_from_figures",
    "rows_from_figures",
]
