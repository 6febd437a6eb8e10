"""What each pattern leaves dark on the small face, lit from camera right, and where its lamp stands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sim.reports.faces.outline import LAMP, LINE, MIDDLE, SHADE, SKIN, Point, Shape, edge, ellipse, mirrored, smooth

RAYS, RAY_FROM, RAY_TO, LAMP_RADIUS = 8, 8.0, 11.5, 5.2

# Middle of the lamp in each drawing; none where it stands at the camera.
LAMPS: dict[str, Point] = {
    "butterfly": (60, 12), "loop": (98, 24), "triangle": (106, 34), "split": (108, 66), "from below": (60, 120),
    "none": (98, 36), "broad": (104, 28), "short": (14, 28),
}  # fmt: skip


def lamp(at: Point) -> list[Shape]:
    """A lamp: a disc with rays."""
    shapes = [Shape(ellipse(*at, LAMP_RADIUS, LAMP_RADIUS), LAMP, LINE, 1.3)]
    for angle in np.linspace(0, 2 * np.pi, RAYS, endpoint=False):
        way = np.array([np.cos(angle), np.sin(angle)])
        shapes.append(Shape(np.array(at) + np.outer([RAY_FROM, RAY_TO], way), None, LAMP, 2.0, closed=False))
    return shapes


def _dark(points: Sequence[Point], back: Sequence[Point]) -> Shape:
    """A dark field between the face's edge and a line that leads back up."""
    along = smooth(back, closed=False)
    return Shape(np.vstack([np.array(points), along]), SHADE)


def _nose(points: Sequence[Point]) -> Shape:
    return Shape(smooth(points), SHADE)


def shadows(pattern: str) -> list[Shape]:
    """The dark fields of a pattern on the face from ahead, the light coming from camera right."""
    match pattern:
        case "flat":
            return []
        case "butterfly":
            # Both cheeks fall off below alike, and the nose's shadow spreads its wings over the lip.
            low = _dark(edge(62, 112), [(52, 112.8), (43, 102), (39, 90), (33, 76), (29.5, 66)])
            other = Shape(mirrored(low.points), SHADE)
            wings = [(60, 88), (54, 86), (49.5, 84.5), (50, 89), (53.5, 93.5), (57.5, 95.2), (60, 93), (62.5, 95.2),
                     (66.5, 93.5), (70, 89), (70.5, 84.5), (66, 86)]  # fmt: skip
            return [low, other, _nose(wings)]
        case "loop":
            cheek = _dark(edge(36, 112), [(51, 112.6), (42, 101), (37, 88), (35, 70), (33, 50)])
            return [cheek, _nose([(58, 86.5), (52, 83), (47, 86), (42, 91), (42, 95), (47, 95), (53, 91)])]
        case "triangle":
            cheek = _dark(edge(24, 114.5), [(58, 114), (55, 104), (53, 95), (57, 88), (52, 80), (55, 66), (53, 55),
                                            (47, 40), (46, 26)])  # fmt: skip
            patch = Shape(np.array([(33.5, 66.0), (51.0, 65.5), (47.5, 76.0), (42.5, 86.5), (37.5, 77.0)]), SKIN)
            return [cheek, patch]
        case "split":
            return [_dark(edge(22, 114.6), [(60, 114.6), (60, 96), (61, 87), (64, 80), (61, 66), (60, 50), (60, 22)])]
        case "from below":
            top = _dark(edge(22, 44), [(31, 42), (34, 45), (42, 41), (52, 43), (52, 34), (60, 33)])
            other = Shape(mirrored(top.points), SHADE)
            bridge = _nose([(60, 77), (56.5, 75), (56.5, 66), (55, 54), (52, 44), (52, 34), (60, 31), (68, 34),
                            (68, 44), (65, 54), (63.5, 66), (63.5, 75)])  # fmt: skip
            return [top, other, bridge]
        case "none":
            left = edge(22, 114.6)
            right = [(2 * MIDDLE - x - _rim(y), y) for x, y in reversed(left)]
            return [Shape(np.array([*left, *right]), SHADE)]
    raise ValueError(f"no pattern is called {pattern!r}")


def _rim(y: float) -> float:
    """Width of the edge that a lamp behind the head still lights."""
    return 3.6 * float(np.clip((y - 24) / 8, 0, 1) * np.clip((88 - y) / 28, 0, 1))


def turned_shadows(side: str) -> list[Shape]:
    """The dark fields on a head turned to camera left, its wide side lit ("broad") or its narrow one ("short")."""
    if side == "broad":
        far = [(37, 25), (31, 33), (28.5, 44), (27.5, 52), (29.5, 58), (27.5, 66), (28.5, 78), (32, 92), (37, 105),
               (45, 113)]  # fmt: skip
        border = [(47, 113.5), (43, 104), (40, 94), (40, 87), (36, 84), (35, 80), (38.5, 70), (42, 58), (41, 44),
                  (40, 25)]  # fmt: skip
        return [_dark(far, border)]
    near = [(53, 114.5), (64, 110), (77, 100), (84, 86), (87, 68), (87, 50), (82, 35), (70, 26), (58, 23)]
    border = [(57, 26), (56, 42), (51, 52), (45, 64), (43, 78), (47, 86), (50, 94), (49, 104), (50, 114)]
    patch = Shape(np.array([(52.0, 66.0), (70.0, 65.5), (66.0, 76.0), (61.0, 87.0), (56.0, 77.0)]), SKIN)
    return [_dark(near, border), patch]
