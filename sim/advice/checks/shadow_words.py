"""The nose's shadow in words: the one place that names and explains each pattern, and broad and short lighting.

All of it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sim.advice.checks.noseshadow import KeyShadow, NoseShadow
from sim.quantities.plain import PlainDict, plain_from


@dataclass(frozen=True)
class Explained:
    """What people call a pattern, and a sentence that tells it from the others."""

    name: str
    sentence: str


PATTERN_WORDS = {
    "flat": Explained(
        "flat",
        "The light stands close to the lens, or comes from all around: the nose throws no shadow of its own.",
    ),
    "butterfly": Explained(
        "butterfly",
        "The light stands high, straight before the face: the nose's shadow spreads under the nose like a butterfly, "
        "and both cheeks are lit alike.",
    ),
    "loop": Explained(
        "loop",
        "The light stands aside and above the eyes: the nose's shadow falls down and aside in a small loop, and the "
        "far cheek stays lit.",
    ),
    "triangle": Explained(
        "triangle under the eye",
        "The light stands further aside and high: the nose's shadow meets the dark of the far cheek and leaves a "
        "triangle of light under the far eye.",
    ),
    "split": Explained(
        "split",
        "The light stands at the side: the half of the face that is turned away from it is dark.",
    ),
    "from below": Explained(
        "from below",
        "The light stands below the chin: the nose's shadow runs up toward the brows.",
    ),
    "none": Explained(
        "from behind",
        "The light stands behind the face and lights no more than its edge.",
    ),
}  # fmt: skip
SIDE_WORDS = {
    "broad": Explained(
        "broad lighting",
        "The side of the face that is turned to the camera is the lit one: the face looks wider.",
    ),
    "short": Explained(
        "short lighting",
        "The side that is turned to the camera lies in shadow, the narrow one is lit: the face looks narrower.",
    ),
}  # fmt: skip
# Patterns whose light has a side.
SIDED = ("loop", "triangle", "split")


def name_from_shadow(shadow: NoseShadow) -> str:
    """A pattern with its side.

    >>> name_from_shadow(NoseShadow("triangle", "short", "left", 50.0, 0.3, 0.9, 0.1))
    'triangle under the eye, short lighting'
    """
    return name_from_pattern(shadow.pattern, shadow.side)


def name_from_pattern(pattern: str, side: str) -> str:
    """The same of the words that the data holds.

    >>> name_from_pattern("butterfly", ""), name_from_pattern("loop", "broad")
    ('butterfly', 'loop, broad lighting')
    """
    name = PATTERN_WORDS[pattern].name
    return f"{name}, {SIDE_WORDS[side].name}" if side else name


def line_from_shadow(found: KeyShadow) -> str:
    """What the key draws, on one line, with the side that it comes from.

    >>> line_from_shadow(KeyShadow("key", NoseShadow("loop", "short", "left", 50.0, 0.3, 0.9, 0.0)))
    'Nose shadow of key: loop, short lighting (the face is lit from camera left)'
    """
    shadow = found.shadow
    lit = f" (the face is lit from camera {shadow.lit_side})" if shadow.pattern in SIDED else ""
    return f"Nose shadow of {found.light}: {name_from_shadow(shadow)}{lit}"


def sentences_from_shadow(shadow: NoseShadow) -> tuple[str, ...]:
    """What the pattern is, and what broad or short lighting is, for those who learn the names."""
    return (PATTERN_WORDS[shadow.pattern].sentence, *((SIDE_WORDS[shadow.side].sentence,) if shadow.side else ()))


def record_from_key_shadow(found: KeyShadow | None) -> PlainDict | None:
    """What the key draws as plain data: the light, its pattern as people call it, then as `NoseShadow`."""
    if found is None:
        return None
    own = {key: plain_from(value) for key, value in asdict(found.shadow).items()}
    return {"light": found.light, "name": name_from_shadow(found.shadow), **own}
