"""The adult builds as weighted shape targets; the weights were set by eye and checked against measured adults."""

from __future__ import annotations

_MACRO = "macrodetails"
_WEIGHT = "averagemuscle-averageweight"


# Negative weights press the lips together to their corners.
_CLOSED_LIPS = {
    "expression/units/caucasian/mouth-part-later": -0.16,
    "expression/units/caucasian/mouth-open": -0.04,
    "expression/units/caucasian/mouth-corner-puller": 0.06,
}


def _both(name: str, weight: float) -> dict[str, float]:
    """The same target on the left and the right of the face or body."""
    folder, rest = name.split("/")
    return {f"{folder}/{side}-{rest}": weight for side in "lr"}


def _body(sex: str, african: float, asian: float, caucasian: float, tall: float) -> dict[str, float]:
    return {
        f"{_MACRO}/african-{sex}-young": african,
        f"{_MACRO}/asian-{sex}-young": asian,
        f"{_MACRO}/caucasian-{sex}-young": caucasian,
        f"{_MACRO}/universal-{sex}-young-{_WEIGHT}": 1.0,
        f"{_MACRO}/height/{sex}-young-{_WEIGHT}-maxheight": tall,
        f"{_MACRO}/proportions/{sex}-young-{_WEIGHT}-idealproportions": 0.5,
    }


BUILDS: dict[str, dict[str, float]] = {
    "woman": {
        **_body("female", 0.10, 0.15, 0.75, 0.10),
        **_both("eyes/eye-scale-incr", 0.35),
        **_both("eyes/eye-trans-out", 0.45),
        **_both("eyes/eye-corner2-up", 0.2),
        **_both("cheek/cheek-bones-incr", 0.5),
        **_both("ears/ear-lobe-decr", 0.6),
        **_both("ears/ear-wing-decr", 0.4),
        **_both("ears/ear-scale-decr", 0.25),
        **_both("ears/ear-trans-up", 0.4),
        **_both("arms/upperarm-shoulder-muscle-decr", 0.5),
        "head/head-oval": 0.6,
        "head/head-fat-decr": 0.15,
        "head/head-scale-horiz-decr": 0.3,
        "head/head-scale-depth-decr": 0.3,
        "chin/chin-width-decr": 0.3,
        "chin/chin-prominent-incr": 0.2,
        "nose/nose-scale-horiz-decr": 0.35,
        "nose/nose-point-width-decr": 0.3,
        "nose/nose-scale-vert-decr": 0.25,
        "nose/nose-point-up": 0.15,
        "mouth/mouth-upperlip-volume-incr": 0.45,
        "mouth/mouth-lowerlip-volume-incr": 0.4,
        "mouth/mouth-upperlip-height-incr": 0.3,
        "mouth/mouth-lowerlip-height-incr": 0.25,
        "mouth/mouth-cupidsbow-incr": 0.3,
        "mouth/mouth-angles-up": 0.15,
        "neck/neck-scale-horiz-decr": 0.35,
        "neck/neck-scale-depth-decr": 0.2,
        "torso/measure-shoulder-dist-decr": 0.2,
        **_CLOSED_LIPS,
    },
    "second woman": {
        **_body("female", 0.80, 0.10, 0.10, 0.0),
        **_both("eyes/eye-scale-incr", 0.25),
        **_both("eyes/eye-trans-out", 0.2),
        **_both("cheek/cheek-bones-incr", 0.4),
        "head/head-oval": 0.4,
        "head/head-scale-depth-decr": 0.2,
        "chin/chin-width-decr": 0.2,
        "nose/nose-scale-horiz-decr": 0.15,
        "mouth/mouth-angles-up": 0.3,
        "neck/neck-scale-horiz-decr": 0.3,
        "neck/neck-scale-depth-decr": 0.15,
        **_CLOSED_LIPS,
    },
    "man": {
        **_body("male", 0.10, 0.35, 0.55, 0.05),
        **_both("eyes/eye-scale-incr", 0.2),
        **_both("eyes/eye-trans-out", 0.3),
        **_both("cheek/cheek-bones-incr", 0.3),
        **_both("arms/upperarm-shoulder-muscle-decr", 0.9),
        **_both("arms/upperarm-muscle-decr", 0.5),
        "head/head-square": 0.25,
        "torso/measure-shoulder-dist-decr": 1.2,
        "head/head-scale-depth-decr": 0.2,
        "head/head-scale-horiz-incr": 0.35,
        "chin/chin-prominent-incr": 0.2,
        "mouth/mouth-angles-up": 0.15,
        **_CLOSED_LIPS,
    },
}
