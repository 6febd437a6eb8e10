"""The rig drawn to scale: from above, from the side, and each light along its own beam."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sim.quantities import phrases
from sim.reports.plan import outlines
from sim.reports.plan.extent import busy_part, with_stands
from sim.reports.plan.facts import (
    LightFacts,
    bearing_deg_from_point,
)
from sim.reports.plan.holding import holding_from_light
from sim.reports.plan.labels import Box, Label, overlap, place_labels, shapes_from_label
from sim.reports.plan.outlines import View, arrow, data_from_facts
from sim.reports.plan.paper import INK, Disc, Line, Shape, Sheet, Words
from sim.scene.model import Scene
from sim.studio.layout import Layout

PAGE_MM = (190.0, 226.0)  # fits the margins of A4 and of Letter
SCALES_MM_PER_M = (50.0, 40.0, 100 / 3, 25.0, 20.0, 16.0, 12.5, 10.0, 8.0, 5.0, 4.0, 2.5, 2.0, 1.0)
MARGIN_MM = (26.0, 11.0)
BADGE_MM = 2.3
GREY = "#6f7780"
WALL = "#2b3138"
COMPASS_M = 0.62
FACE_LINE = "#c58a00"


class _Pen:
    """Shapes of one sheet as they are drawn, and what labels must keep off."""

    def __init__(self, view: View, page_mm: tuple[float, float]) -> None:
        self.view, self.page_mm = view, page_mm
        self.shapes: list[Shape] = []
        self.blocked: list[Box] = []
        self.gear: list[Box] = []
        self.lines: list[np.ndarray] = []
        self.labels: list[Label] = []
        self.badges: list[Box] = []

    def add(self, shapes: Sequence[Shape], *, keep_off: bool = False, cross: bool = False) -> None:
        self.shapes += shapes
        for shape in shapes:
            if isinstance(shape, Words):
                self.blocked.append(shape.box_mm)
            elif keep_off:
                self.gear.append(box_of(shape))
            elif cross and isinstance(shape, Line):
                self.lines.append(shape.points_mm)

    def badge(self, facts: LightFacts, behind_mm: np.ndarray) -> np.ndarray:
        """A numbered disc near the back of a light, moved on until it keeps off what is there."""
        centre = behind_mm
        way = behind_mm - self.view(facts.placed.position_m)
        way = way / max(float(np.linalg.norm(way)), 1e-9)
        for step in range(24):
            turn = np.radians(((step + 1) // 2) * 30 * (-1) ** step)
            rotated = np.array([way[0] * math.cos(turn) - way[1] * math.sin(turn),
                                way[0] * math.sin(turn) + way[1] * math.cos(turn)])  # fmt: skip
            centre = behind_mm + rotated * (BADGE_MM + 0.4 + 2.5 * (step // 12))
            box = (*(centre - BADGE_MM), *(centre + BADGE_MM))
            if not any(overlap(box, other, 0.3) for other in [*self.badges, *self.words]):
                break
        data = data_from_facts(facts)
        self.shapes += [
            Disc(centre, BADGE_MM, "badge", "#ffffff", INK, 0.45, data=data),
            Words(centre + [0, 0.98], str(facts.number), "number", 2.7, "middle", bold=True, data=data),
        ]
        self.blocked.append((*(centre - BADGE_MM), *(centre + BADGE_MM)))
        self.badges.append(self.blocked[-1])
        return centre

    @property
    def words(self) -> list[Box]:
        return [shape.box_mm for shape in self.shapes if isinstance(shape, Words) and shape.role != "number"]

    def finish(self) -> tuple[Shape, ...]:
        """All shapes, with the labels in free places."""
        page = (0.5, 0.5, self.page_mm[0] - 0.5, self.page_mm[1] - 0.5)
        for label, box in zip(
            self.labels, place_labels(self.labels, self.blocked, self.gear, self.lines, page), strict=True
        ):
            self.shapes += shapes_from_label(label, box)
        return tuple(self.shapes)


def box_of(shape: Shape) -> Box:
    """Left, top, right, bottom of a shape on paper."""
    if isinstance(shape, Words):
        return shape.box_mm
    if isinstance(shape, Disc):
        low, high = shape.centre_mm - shape.radius_mm, shape.centre_mm + shape.radius_mm
    else:
        low, high = shape.points_mm.min(axis=0), shape.points_mm.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def plan_view(scene: Scene, layout: Layout, facts: Sequence[LightFacts]) -> Sheet:
    """The set from above, camera at the foot of the page, to scale."""
    low, high = layout.room_low_m, layout.room_high_m
    far_low, far_high = with_stands(layout, low, high)
    scale = _scale(far_low, far_high, low, high)
    if scale < 16.0 or layout.is_open:
        low, high = busy_part(layout)
        far_low, far_high = low, high
        scale = _scale(far_low, far_high, low, high)
    # Leave the margins for labels around the room, and more where a stand reaches through its wall.
    left, right = (max(MARGIN_MM[0], d * scale + 2) for d in (low[0] - far_low[0], far_high[0] - high[0]))
    top, foot = (max(MARGIN_MM[1], d * scale + 2) for d in (low[2] - far_low[2], far_high[2] - high[2]))
    page = ((high[0] - low[0]) * scale + left + right, (high[2] - low[2]) * scale + top + foot + 9)
    view = View("x-z", scale, (left - low[0] * scale, top - low[2] * scale))
    pen = _Pen(view, page)
    _draw_room_from_above(pen, layout, low, high)
    _draw_field_of_view(pen, layout, float(layout.camera.horizontal_fov_deg), low, high)
    for light in facts:
        pen.add(outlines.beam_shapes(light, view, data_from_facts(light), upright=False), cross=True)
    _draw_backdrop(pen, scene)
    pen.add(outlines.sitter_shapes_from_above(layout, view), keep_off=True)
    _draw_facing(pen, layout)
    _draw_compass(pen)
    for light in facts:
        _draw_light(pen, light, from_above=True)
    for panel in layout.panels:
        pen.add(outlines.panel_shapes(panel, view, from_above=True), keep_off=True)
    for light in facts:
        _draw_badge(pen, light)
    for name in dict.fromkeys(p.name for p in layout.panels):
        wings = [p for p in layout.panels if p.name == name]
        centre = np.mean([p.world_from_panel[:3, 3] for p in wings], axis=0)
        size = f"{wings[0].width_m * 100:.0f} x {wings[0].height_m * 100:.0f} cm"
        pen.labels.append(Label(
            (name, f"{wings[0].kind}, {size}", f"centre {centre[1]:.2f} m up"), view(centre), name, 2.0,
        ))  # fmt: skip
    _draw_camera_from_above(pen, layout)
    for light in facts:
        start = light.number, light.name + (" (off)" if light.muted else "")
        pen.labels.append(Label(
            (f"{start[0]}  {start[1]}",
             phrases.power(light.power_stops) if not light.is_window else "daylight",
             f"{light.distance_m:.2f} m · {phrases.feet(light.distance_m, 1)}",
             f"bearing {phrases.angle(round(light.bearing_deg))} · h {light.height_m:.2f} m"),
            view(light.placed.position_m), light.name, gap_mm=4.5,
        ))  # fmt: skip
    _draw_scale_bar(pen, page)
    shapes = pen.finish()
    caption = f"Seen from above, camera at the foot. {_missing(layout, facts)}{_listed(facts)}"
    return Sheet("plan", "Plan view", caption, page[0], page[1], shapes, scale, view.origin_mm, "x-z")


def side_elevation(scene: Scene, layout: Layout, facts: Sequence[LightFacts]) -> Sheet:
    """The set from camera right: camera on the left of the page, backdrop on the right, heights above the floor."""
    low, high = layout.room_low_m, layout.room_high_m
    if high[2] - low[2] > 9.0 or layout.is_open:
        low, high = busy_part(layout)
    scale = next(s for s in SCALES_MM_PER_M if (high[2] - low[2]) * s + 10 <= PAGE_MM[0])
    page = ((high[2] - low[2]) * scale + 10, (high[1] - low[1]) * scale + 32)
    view = View("z-y", scale, (7 + high[2] * scale, 14 + high[1] * scale))
    pen = _Pen(view, page)
    corners = np.array([[0, low[1], high[2]], [0, low[1], low[2]], [0, high[1], low[2]], [0, high[1], high[2]]])
    # Outdoors there is the ground alone.
    outline = Line(view(corners[:2]), "ground-line", False, None, WALL, 0.5)
    pen.add([outline if layout.is_open else Line(view(corners), "room", True, None, WALL, 0.5)], cross=True)
    for metre in range(1, math.ceil(high[1])):
        line = view(np.array([[0, metre, high[2]], [0, metre, low[2]]]))
        pen.add([Line(line, "level", width_mm=0.1, stroke="#b9bfc6", dash_mm=(0.6, 1.2)),
                 Words(line[0] + [-1.0, 0.8], f"{metre} m", "axis", 2.0, "end", fill=GREY)])  # fmt: skip
    camera = layout.camera
    vertical_deg = 2 * math.degrees(math.atan(math.tan(math.radians(camera.horizontal_fov_deg) / 2) / camera.aspect))
    _draw_field_of_view(pen, layout, vertical_deg, low, high, upright=True)
    for light in facts:
        pen.add(outlines.beam_shapes(light, view, data_from_facts(light), upright=True), cross=True)
    if scene.backdrop_plane_m is not None:
        (_, y, z), _, height = scene.backdrop_plane_m
        line = view(np.array([[0, y - height / 2, z], [0, y + height / 2, z]]))
        pen.add([Line(line, "backdrop", width_mm=1.2, stroke=WALL)], keep_off=True)
    # Draw what is farther from the viewer, who looks from camera right, before the sitter.
    sitter_x = float(layout.anchors_m["chest"][0])
    for light in sorted(facts, key=lambda f: float(f.placed.position_m[0])):
        if light.placed.position_m[0] < sitter_x:
            _draw_light(pen, light, from_above=False)
    pen.add(outlines.sitter_shapes_from_side(layout, view), keep_off=True)
    for panel in layout.panels:
        pen.add(outlines.panel_shapes(panel, view, from_above=False), keep_off=True)
    for light in sorted(facts, key=lambda f: float(f.placed.position_m[0])):
        if light.placed.position_m[0] >= sitter_x:
            _draw_light(pen, light, from_above=False)
    for light in facts:
        _draw_badge(pen, light)
    at = view(camera.position_m)
    body = at + np.array([[-2.6, -1.6], [1.0, -1.6], [1.0, 1.6], [-2.6, 1.6]])
    pen.add([Line(body, "camera", True, "#ffffff", INK, 0.4), Disc(at + [2.0, 0], 1.0, "lens", "#ffffff")],
            keep_off=True)  # fmt: skip
    pen.labels.append(Label(("camera", f"h {camera.position_m[1]:.2f} m"), at, "camera", 2.0, 4.0))
    for light in facts:
        pen.labels.append(Label(
            (f"{light.number}  {light.name}", f"h {light.height_m:.2f} m · {phrases.feet(light.height_m, 1)}",
             phrases.tilt(light.tilt_deg)),
            view(light.placed.position_m), light.name, 2.1, 4.5,
        ))  # fmt: skip
    _draw_scale_bar(pen, page)
    caption = f"Seen from camera right: camera left, backdrop right. {_missing(layout, facts)}{_listed(facts)}"
    return Sheet("elevation", "Side elevation", caption, page[0], page[1], pen.finish(), scale, view.origin_mm, "z-y")


def _draw_light(pen: _Pen, light: LightFacts, *, from_above: bool) -> None:
    view, data = pen.view, data_from_facts(light)
    holding = holding_from_light(light.placed)
    pen.add(outlines.stand_shapes(holding, view, from_above=from_above), cross=True)
    position, aim = light.placed.position_m, light.placed.aim_m
    line = view(np.array([position, aim]))
    pen.add([Line(line, "aim", width_mm=0.2, stroke=INK, dash_mm=(2.0, 0.8, 0.3, 0.8), data=data)], cross=True)
    pen.add([Disc(line[1], 0.55, "aim-point", INK, None, data=data)])
    pen.add(outlines.body_shapes(light.placed, view, data), keep_off=True)
    face = view(outlines.face_line_m(light.placed, upright=not from_above))
    pen.add([Line(face, "face", width_mm=0.7, stroke=FACE_LINE, data=data),
             Disc(line[0], 0.45, "centre", INK, None, data=data)])  # fmt: skip


def _draw_badge(pen: _Pen, light: LightFacts) -> None:
    holding = holding_from_light(light.placed)
    pen.badge(light, pen.view(holding.spigot_m if holding is not None else light.placed.position_m))


def _draw_room_from_above(pen: _Pen, layout: Layout, low: np.ndarray, high: np.ndarray) -> None:
    view = pen.view
    corners = np.array([[low[0], 0, low[2]], [high[0], 0, low[2]], [high[0], 0, high[2]], [low[0], 0, high[2]]])
    whole = not layout.is_open and bool(np.allclose(low, layout.room_low_m) and np.allclose(high, layout.room_high_m))
    role = "room" if whole else "ground-drawn" if layout.is_open else "part-of-room"
    pen.add([Line(view(corners), role, True, None, WALL, 0.9 if whole else 0.3,
                  () if whole else (2.0, 1.0))])  # fmt: skip
    # Keep labels off the walls, on either side of them.
    outline = view(corners)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        pen.gear.append(box_of(Line(np.array([a, b]), "wall")))
    text = _size_text(layout, low, high)
    if not whole and not layout.is_open:
        text = "part of the " + text
    pen.add(_grounded(Words(view(corners[3]) + [0, 4.0], text, "room-size", 2.3, fill=GREY)))
    # Tick every metre from the mark along two walls.
    for axis, place in ((0, low[2]), (2, low[0])):
        for metre in range(math.ceil(low[axis]), math.floor(high[axis]) + 1):
            point = np.array([metre, 0, place]) if axis == 0 else np.array([place, 0, metre])
            start = view(point)
            inward = np.array([0, 1.2]) if axis == 0 else np.array([1.2, 0])
            pen.add([Line(np.array([start, start + inward]), "tick", width_mm=0.2, stroke=GREY)])


def _size_text(layout: Layout, low: np.ndarray, high: np.ndarray) -> str:
    """The room's measures; outdoors those of the ground that is drawn."""
    if layout.is_open:
        across, deep = (float(high[axis] - low[axis]) for axis in (0, 2))
        drawn = f"{across:.2f} x {deep:.2f} m of the ground · {phrases.feet(across, 1)} x {phrases.feet(deep, 1)}"
        return f"outdoors, no walls: {drawn}"
    size = layout.room_high_m - layout.room_low_m
    return (
        f"room {size[0]:.2f} x {size[2]:.2f} x {size[1]:.2f} m high"
        f" · {phrases.feet(size[0], 1)} x {phrases.feet(size[2], 1)} x {phrases.feet(size[1], 1)}"
    )


def _draw_backdrop(pen: _Pen, scene: Scene) -> None:
    if scene.backdrop_plane_m is None:
        return
    (x, _, z), width, height = scene.backdrop_plane_m
    line = pen.view(np.array([[x - width / 2, 0, z], [x + width / 2, 0, z]]))
    pen.add([Line(line, "backdrop", width_mm=1.4, stroke=WALL)], keep_off=True)
    kind = "painted wall" if scene.backdrop.kind == "wall" else f"{scene.backdrop.kind} backdrop"
    text = f"{kind} {width:.2f} x {height:.2f} m, {-z:.2f} m ({phrases.feet(-z, 1)}) behind the mark"
    pen.add(_grounded(Words(line.mean(axis=0) - [0, 2.0], text, "backdrop-text", 2.2, "middle")))


def _grounded(words: Words) -> list[Shape]:
    """A line of type on a white ground."""
    left, top, right, bottom = words.box_mm
    ground = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return [Line(ground, "ground", True, "#ffffff", None, 0.0), words]


def _draw_field_of_view(
    pen: _Pen, layout: Layout, full_deg: float, low: np.ndarray, high: np.ndarray, *, upright: bool = False
) -> None:
    """The two edges of what the lens sees, from the camera to the far end of the drawing."""
    camera, view = layout.camera, pen.view
    start, ahead = view(camera.position_m), view(camera.position_m + camera.forward) - view(camera.position_m)
    ahead = ahead / np.linalg.norm(ahead)
    frame = np.array([view(low), view(high)])
    for sign in (-1, 1):
        turn = sign * math.radians(full_deg) / 2
        way = np.array([ahead[0] * math.cos(turn) - ahead[1] * math.sin(turn),
                        ahead[0] * math.sin(turn) + ahead[1] * math.cos(turn)])  # fmt: skip
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.nanmin(np.where(way > 0, (frame.max(axis=0) - start) / way, (frame.min(axis=0) - start) / way))
        data = {"fov-deg": f"{full_deg:.3f}", "direction": "vertical" if upright else "horizontal"}
        pen.add([Line(np.array([start, start + way * reach]), "field-of-view", stroke=GREY, width_mm=0.2,
                      dash_mm=(3.0, 1.2), data=data)], cross=True)  # fmt: skip


def _draw_facing(pen: _Pen, layout: Layout) -> None:
    """An arrow for the chest and a shorter one for the face, where there is a sitter, and the mark."""
    view, figure = pen.view, layout.figure
    neck = layout.anchors_m["hair"] * np.array([1.0, 0.0, 1.0])
    for role, bearing, reach, width in (("body-facing", figure.facing_deg, 0.62, 0.5),
                                        ("head-facing", figure.head_facing_deg, 0.4, 0.3)):  # fmt: skip
        b = math.radians(bearing)
        end = neck + reach * np.array([math.sin(b), 0.0, math.cos(b)])
        if layout.has_sitter:
            pen.add(arrow(view(neck), view(end), role, {"facing-deg": f"{bearing:.3f}"}, width), cross=True)
    pen.add([Line(view(np.array([[-0.08, 0, 0], [0.08, 0, 0]])), "mark", width_mm=0.35),
             Line(view(np.array([[0, 0, -0.08], [0, 0, 0.08]])), "mark", width_mm=0.35)])  # fmt: skip


def _draw_compass(pen: _Pen) -> None:
    """Bearings around the mark, every 30 degrees."""
    view = pen.view
    centre = view(np.zeros(3))
    pen.add([Disc(centre, COMPASS_M * view.scale_mm_per_m, "compass", None, "#9aa2ab", 0.15, (0.5, 0.9))])
    for bearing in range(-150, 181, 30):
        b = math.radians(bearing)
        way = np.array([math.sin(b), math.cos(b)])
        long = bearing % 90 == 0
        ends = COMPASS_M * view.scale_mm_per_m + np.array([[-0.8], [1.6 if long else 0.8]])
        pen.add([Line(centre + ends * way, "compass-tick", width_mm=0.2, stroke=GREY)])
        if long:
            place = centre + (ends[1] + 2.2) * way + [0, 0.6]
            pen.add([Words(place, phrases.angle(bearing), "compass-text", 1.8, "middle", fill=GREY)])


def _draw_camera_from_above(pen: _Pen, layout: Layout) -> None:
    camera, view = layout.camera, pen.view
    at = view(camera.position_m)
    ahead = view(camera.position_m + camera.forward) - at
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
    side = np.array([-ahead[1], ahead[0]])
    body = np.array([at + a * ahead + b * side for a, b in ((-3.4, -2.4), (-0.8, -2.4), (-0.8, 2.4), (-3.4, 2.4))])
    barrel = np.array([at + a * ahead + b * side for a, b in ((-0.8, -1.2), (0.0, -1.2), (0.0, 1.2), (-0.8, 1.2))])
    data = {"bearing-deg": f"{bearing_deg_from_point(camera.position_m):.3f}",
            "height-m": f"{camera.position_m[1]:.4f}"}  # fmt: skip
    pen.add([Line(body, "camera-body", True, "#ffffff", INK, 0.45), Line(barrel, "camera-lens", True, INK, INK, 0.3),
             Disc(at, 0.3, "camera", INK, None, data=data)], keep_off=True)  # fmt: skip
    away = math.hypot(camera.position_m[0], camera.position_m[2])
    pen.labels.append(Label(
        ("camera", f"{away:.2f} m · {phrases.feet(away, 1)}",
         f"lens h {camera.position_m[1]:.2f} m · sees {camera.horizontal_fov_deg:.0f}°"),
        at - 1.5 * ahead, "camera", 2.1, 5.0,
    ))  # fmt: skip


def _draw_scale_bar(pen: _Pen, page: tuple[float, float]) -> None:
    """One metre and one foot, drawn to scale."""
    scale = pen.view.scale_mm_per_m
    metres = 2 if scale < 16 else 1
    x, y = 10.0, page[1] - 5.0
    foot = 0.3048 * (5 if scale < 16 else 3)
    for length, name, offset in ((metres, f"{metres} m", 0.0), (foot, f"{round(foot / 0.3048)} ft", 1.0)):
        left = x + offset * (metres * scale + 16)
        for part in range(2):
            start, end = left + part * length * scale / 2, left + (part + 1) * length * scale / 2
            box = np.array([[start, y], [end, y], [end, y + 1.2], [start, y + 1.2]])
            pen.add([Line(box, "scale-bar", True, INK if part == 0 else "#ffffff", INK, 0.2,
                          data={"metres": f"{length:.4f}"})], keep_off=True)  # fmt: skip
        pen.add([Words(np.array([left + length * scale + 1.2, y + 1.3]), name, "scale-text", 2.2)])
    pen.add([Words(np.array([page[0] - 10, y + 1.3]), f"1:{1000 / scale:.4g} at full size", "scale-text", 2.2, "end",
                   fill=GREY)])  # fmt: skip


def _scale(far_low: np.ndarray, far_high: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    """The largest scale at which the room with its margins, and all that reaches beyond it, fits the page."""
    for scale in SCALES_MM_PER_M:
        spans = [
            (high[axis] - low[axis]) * scale
            + max(MARGIN_MM[i], (low[axis] - far_low[axis]) * scale + 2)
            + max(MARGIN_MM[i], (far_high[axis] - high[axis]) * scale + 2)
            for i, axis in enumerate((0, 2))
        ]
        if spans[0] <= PAGE_MM[0] and spans[1] + 9 <= PAGE_MM[1]:
            return scale
    return SCALES_MM_PER_M[-1]


def _missing(layout: Layout, facts: Sequence[LightFacts]) -> str:
    """That there is no sitter, or no light, as sentences."""
    return ("" if layout.has_sitter else "No sitter. ") + ("" if facts else "No lights yet. ")


def _listed(facts: Sequence[LightFacts]) -> str:
    return " ".join(
        f"Light {f.number}, {f.name}: {f.distance_m:.2f} m at bearing {phrases.angle(round(f.bearing_deg))}, "
        f"{f.height_m:.2f} m high, "
        f"aimed at the {f.aim}, {phrases.tilt(f.tilt_deg)}."
        for f in facts
    )
