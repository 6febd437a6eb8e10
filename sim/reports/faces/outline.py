"""The head of the small drawings, seen from ahead and turned to camera left: shapes without any light on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Width and height of a drawing in its own units.
BOX = (120.0, 132.0)
SKIN, SHADE, HAIR, LINE, WHITE, LAMP = "#f6e4c8", "#75604f", "#a39a90", "#2b2320", "#fffdf8", "#f0a92c"
SPLINE_STEPS = 5

Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Shape:
    """A smooth outline: `points` (n, 2), filled, drawn, or both; colours as #rrggbb."""

    points: np.ndarray
    fill: str | None = None
    stroke: str | None = None
    width: float = 1.6
    closed: bool = True


def smooth(points: Sequence[Point], *, closed: bool = True) -> np.ndarray:
    """A curve (n, 2) through points; the tangent at each is half of the way between its neighbours (Catmull-Rom)."""
    p = np.asarray(points, float)
    ends = (p[-1:], p[:2]) if closed else (p[:1], p[-1:])
    padded = np.vstack([ends[0], p, ends[1]])
    t = np.linspace(0, 1, SPLINE_STEPS, endpoint=False)[:, None]
    pieces = []
    for a, b, c, d in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        pieces.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - 3 * c + d - a) * t**3))
    curve = np.vstack(pieces)
    return curve if closed else np.vstack([curve, p[-1:]])


def ellipse(x: float, y: float, across: float, down: float) -> np.ndarray:
    """An ellipse (n, 2) around a point by its half axes."""
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return np.stack([x + across * np.cos(angle), y + down * np.sin(angle)], axis=-1)


def mirrored(points: np.ndarray) -> np.ndarray:
    """The same on the other side of the drawing."""
    return np.stack([BOX[0] - points[:, 0], points[:, 1]], axis=-1)


# -- from ahead -----------------------------------------------------------------------------------

MIDDLE = BOX[0] / 2
# Half the width of the face at heights from the hairline down to the chin.
HALF_WIDTHS = ((22.0, 0.0), (24.0, 12.0), (30.0, 22.5), (42.0, 30.0), (56.0, 32.0), (72.0, 31.0), (88.0, 27.0),
               (101.0, 20.0), (110.0, 12.0), (114.0, 4.0), (114.6, 0.0))  # fmt: skip


def half_width(y: float) -> float:
    """Half of the face's width at a height."""
    heights, widths = zip(*HALF_WIDTHS, strict=True)
    return float(np.interp(y, heights, widths))


def edge(top: float, bottom: float) -> list[Point]:
    """Points of the face's left edge from a height down to another."""
    heights = [top, *(y for y, _ in HALF_WIDTHS if top < y < bottom), bottom]
    return [(MIDDLE - half_width(y), y) for y in heights]


def head() -> list[Shape]:
    """Hair, ears and the bare oval of the face."""
    left = [(MIDDLE - w, y) for y, w in HALF_WIDTHS]
    right = [(MIDDLE + w, y) for y, w in reversed(HALF_WIDTHS[1:-1])]
    ear = ellipse(MIDDLE - 33, 66, 4.5, 9)
    return [
        Shape(smooth([(60, 10), (34, 18), (22, 40), (25, 66), (95, 66), (98, 40), (86, 18)]), HAIR, LINE),
        Shape(ear, SKIN, LINE),
        Shape(mirrored(ear), SKIN, LINE),
        Shape(smooth([*left, *right]), SKIN),
    ]


def features(*, dark_left: bool = False, dark_right: bool = False) -> list[Shape]:
    """Eyes, brows, nose and mouth over the shadows, and the oval's line; lines in the dark are drawn light."""
    left = [(MIDDLE - w, y) for y, w in HALF_WIDTHS]
    right = [(MIDDLE + w, y) for y, w in reversed(HALF_WIDTHS[1:-1])]
    shapes = [Shape(smooth([*left, *right]), None, LINE, 1.8)]
    for turn, dark in ((lambda p: p, dark_left), (mirrored, dark_right)):
        ink = HAIR if dark else LINE
        shapes += [
            Shape(turn(smooth([(36, 59), (42, 55.4), (49, 57), (52, 60), (45, 62.2), (39, 61.5)])), WHITE, ink, 1.3),
            Shape(turn(ellipse(44.5, 58.9, 2.9, 3.0)), LINE),
            Shape(turn(smooth([(34, 51), (41, 47), (52, 49)], closed=False)), None, ink, 2.2, closed=False),
        ]
    nose = smooth([(52, 79), (51, 84), (55, 85.4), (60, 87), (65, 85.4), (69, 84), (68, 79)], closed=False)
    shapes.append(Shape(nose, None, LINE, 1.8, closed=False))
    mouth = smooth([(48, 98.5), (55, 97), (60, 98), (65, 97), (72, 98.5), (65, 102.5), (55, 102.5)])
    return [*shapes, Shape(mouth, "#b5604f", LINE, 1.1)]


# -- turned to camera left ------------------------------------------------------------------------

TURNED = ((37.0, 25.0), (31.0, 33.0), (28.5, 44.0), (27.5, 52.0), (29.5, 58.0), (27.5, 66.0), (28.5, 78.0),
          (32.0, 92.0), (37.0, 105.0), (45.0, 113.0), (53.0, 114.5), (64.0, 110.0), (77.0, 100.0), (84.0, 86.0),
          (87.0, 68.0), (87.0, 50.0), (82.0, 35.0), (70.0, 26.0), (52.0, 22.0))  # fmt: skip


def turned_head() -> list[Shape]:
    """Hair, the near ear and the bare face of a head turned to camera left."""
    hair = [(54, 10), (34, 17), (27, 34), (30, 50), (84, 86), (93, 80), (101, 62), (101, 38), (86, 17)]
    return [Shape(smooth(hair), HAIR, LINE), Shape(smooth(TURNED), SKIN)]


def turned_features(*, dark_far: bool, dark_near: bool) -> list[Shape]:
    """Its features: the far side is the narrow one at the left, the near side the wide one with the ear."""
    far, near = (HAIR if dark else LINE for dark in (dark_far, dark_near))
    ear = smooth([(84, 60), (88, 55), (93, 58), (93, 68), (88, 77), (84, 74)])
    return [
        Shape(smooth(TURNED), None, LINE, 1.8),
        Shape(ear, SHADE if dark_near else SKIN, LINE),
        Shape(smooth([(31, 59.5), (34, 56), (38, 57.5), (39, 60), (36, 62), (32.5, 61.8)]), WHITE, far, 1.3),
        Shape(ellipse(34, 59, 2.2, 2.9), LINE),
        Shape(smooth([(30, 50), (34, 47.5), (40, 49)], closed=False), None, far, 2.2, closed=False),
        Shape(smooth([(50, 59), (56, 55.4), (63, 57), (66, 60), (59, 62.2), (53, 61.5)]), WHITE, near, 1.3),
        Shape(ellipse(56, 58.9, 2.9, 3.0), LINE),
        Shape(smooth([(48, 49), (57, 46.5), (67, 51)], closed=False), None, near, 2.2, closed=False),
        Shape(smooth([(42, 58), (38, 70), (34, 80), (35, 84.5), (41, 86), (49, 84.5), (49, 79)], closed=False), None,
              LINE, 1.8, closed=False),
        Shape(smooth([(36, 98.5), (41, 97), (45, 98), (51, 97), (60, 98.5), (51, 102.5), (42, 102.5)]), "#b5604f",
              LINE, 1.1),
    ]  # fmt: skip
