"""What checks, cautions and warnings say, as data; each subject makes its sentences last, from a table by kind.

The subjects: `sim.advice.checks.sentences`, `sim.reports.plan.caution_words`, `sim.room.snapshot.warnings`.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

# Words of a finding that may name another light, or else a panel or a part.
WORDS_OF_LIGHTS = ("by", "blocker")


class Severity(StrEnum):
    """How much a finding asks for: nothing, a look, some thought, or a change before anything is built."""

    FACT = "fact"
    NOTE = "note"
    CAUTION = "caution"
    DANGER = "danger"


@dataclass(frozen=True)
class Finding:
    """One thing to say of a set-up.

    `kind` names its sentence; `light` that it is about, None for none or several; `numbers` by name, units in the
    names; `words` names of other things in it (a part, a panel, the other light). `parts` are what it gathers, such as
    one finding for each light.
    """

    kind: str
    severity: Severity
    light: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    parts: tuple[Finding, ...] = ()

    @property
    def lights(self) -> tuple[str, ...]:
        """Lights to show it on: its own, or those of its parts that are as severe as it is."""
        if self.light is not None:
            return (self.light,)
        return tuple(light for part in self.parts if part.severity == self.severity for light in part.lights)

    def named_lights(self, names: Container[str]) -> tuple[str, ...]:
        """Every light that it speaks of, and so does not hold without.

        Arguments: `names` of the set's lights, to tell them from the panels and parts in its words.
        """
        in_words = (name for key in WORDS_OF_LIGHTS if (name := self.words.get(key, "")) in names)
        own = () if self.light is None else (self.light,)
        parts = (light for part in self.parts for light in part.named_lights(names))
        return tuple(dict.fromkeys([*own, *in_words, *parts]))
