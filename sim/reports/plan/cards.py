"""A card for each light, cut along its own beam: there height, distance and tilt show in their true size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sim.quantities import phrases
from sim.reports.plan import outlines
from sim.reports.plan.facts import LightFacts
from sim.reports.plan.holding import Holding, holding_from_light
from sim.reports.plan.outlines import View, data_from_facts
from sim.reports.plan.paper import INK, Disc, Line, Shape, Sheet, Words
from sim.studio.layout import Layout

CARD_MM = (60.0, 54.0)
DRAWN_MM = (56.0, 31.0)
ACROSS = 3


def light_cards(layout: Layout, facts: Sequence[LightFacts]) -> Sheet:
    """One small side view per light in the upright plane of its beam."""
    rows = -(-len(facts) // ACROSS)
    page = (ACROSS * CARD_MM[0] + 4, rows * CARD_MM[1] + 2)
    shapes: list[Shape] = []
    for index, light in enumerate(facts):
        corner = np.array([2 + (index % ACROSS) * CARD_MM[0], 1 + (index // ACROSS) * CARD_MM[1]])
        shapes += _card(layout, light, corner)
    caption = " ".join(f"{f.name}: {f.aim_distance_m:.2f} m to the {f.aim}, {phrases.tilt(f.tilt_deg)}." for f in facts)
    return Sheet("cards", "Each light along its beam", caption, page[0], page[1], tuple(shapes), 0.0, (0.0, 0.0), "u-y")


def _card(layout: Layout, light: LightFacts, corner: np.ndarray) -> list[Shape]:
    placed = light.placed
    holding = holding_from_light(placed)
    # Choose the upright plane through the light and its aim point.
    along = placed.axis * np.array([1.0, 0.0, 1.0])
    length = float(np.linalg.norm(along))
    along = along / length if length > 1e-3 else np.array([0.0, 0.0, 1.0])
    foot = placed.position_m * np.array([1.0, 0.0, 1.0])
    reach = float((placed.aim_m - placed.position_m) @ along)
    left, right = _span(placed, along, holding), max(reach + 0.45, 0.7)
    top = max(float(placed.position_m[1]), 1.8) + 0.75
    scale = min(DRAWN_MM[0] / (right + left), DRAWN_MM[1] / top, 25.0)
    origin = (corner[0] + 2 + left * scale, corner[1] + 7 + DRAWN_MM[1])
    view = View("u-y", scale, (float(origin[0]), float(origin[1])), tuple(foot), tuple(along))
    data = {**data_from_facts(light), "mm-per-m": f"{scale:.4f}"}

    shapes: list[Shape] = []
    frame = corner + np.array([[0.6, 0.6], [CARD_MM[0] - 1, 0.6], [CARD_MM[0] - 1, CARD_MM[1] - 1.4],
                               [0.6, CARD_MM[1] - 1.4]])  # fmt: skip
    shapes.append(Line(frame, "card", True, "#ffffff", "#b9bfc6", 0.2))
    floor = np.array([[corner[0] + 2, origin[1]], [corner[0] + 2 + DRAWN_MM[0], origin[1]]])
    beam = outlines.beam_shapes(light, view, data, upright=True)
    shapes += [_clipped(shape, corner) if isinstance(shape, Line) else shape for shape in beam]
    on_sitter = not light.aim.startswith(("backdrop", "point"))
    if on_sitter:
        shapes += outlines.sitter_shapes_from_side(layout, view)
    else:
        wall = np.array([view(placed.aim_m) + [0.6, -6], view(placed.aim_m) + [0.6, 6]])
        shapes.append(Line(_within(wall, corner), "aim-surface", width_mm=0.9))
    shapes.append(Line(floor, "floor", width_mm=0.4))
    shapes += _stand(holding, view)
    shapes += outlines.body_shapes(placed, view, data)
    ends = np.array([placed.position_m, placed.aim_m])
    shapes.append(Line(view(ends), "aim", width_mm=0.25, dash_mm=(2.0, 0.8, 0.3, 0.8), data=data))
    shapes.append(Line(view(outlines.face_line_m(placed, upright=True)), "face", stroke="#c58a00", width_mm=0.7,
                       data=data))  # fmt: skip
    # Show the level line from which the tilt counts.
    level = np.array([placed.position_m, placed.position_m + min(0.8, max(reach, 0.3)) * along])
    shapes.append(Line(view(level), "level", width_mm=0.15, stroke="#6f7780", dash_mm=(0.8, 0.8)))
    shapes.append(Disc(view(placed.aim_m), 0.6, "aim-point", INK, None))
    title = f"{light.number}  {light.name}"
    shapes.append(Words(corner + [2.2, 4.6], title, "card-title", 2.9, bold=True))
    rows = (
        f"centre {phrases.metres_and_feet(light.height_m)} above the floor",
        f"{phrases.metres_and_feet(light.aim_distance_m)} to the {light.aim}",
        f"tilt {phrases.tilt(light.tilt_deg)} · stands {phrases.metres_and_feet(light.distance_m)} off",
        f"{light.modifier}",
    )
    for index, row in enumerate(rows):
        size = 2.25
        shapes.append(Words(corner + [2.2, 41.6 + 3.0 * index], _shortened(row, 62), "card-text", size))
    return shapes


def _stand(holding: Holding | None, view: View) -> list[Shape]:
    return outlines.stand_shapes(holding, view, from_above=False)


def _span(placed: object, along: np.ndarray, holding: Holding | None) -> float:
    """Metres that the light and its stand reach behind the luminous face along the card."""
    behind = 0.4
    if holding is not None:
        behind = max(behind, 0.5 - float((holding.foot_m - placed.position_m) @ along))  # type: ignore[attr-defined]
    return behind


def _clipped(shape: Line, corner: np.ndarray) -> Line:
    return Line(_within(shape.points_mm, corner), shape.role, shape.closed, shape.fill, shape.stroke, shape.width_mm,
                shape.dash_mm, shape.data)  # fmt: skip


def _within(points: np.ndarray, corner: np.ndarray) -> np.ndarray:
    low, high = corner + [1.2, 5.8], corner + [CARD_MM[0] - 1.6, 7 + DRAWN_MM[1]]
    inside: np.ndarray = np.clip(points, low, high)
    return inside


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3].rstrip(" ,") + "..."
