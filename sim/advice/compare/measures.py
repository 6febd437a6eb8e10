"""What a light does to a face: the edge of the nose's shadow, falloff; and the energy that a set-up takes."""

from __future__ import annotations

import numpy as np

from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities import color
from sim.render.cache.queries import StageLike, direct_light, first_hits
from sim.scene.model import Scene

# An edge runs from a tenth to nine tenths of the light: common practice, no source.
EDGE_FROM, EDGE_TO = 0.1, 0.9
EDGE_STEP_M, EDGE_REACH_M, EDGE_RAYS = 5e-4, 0.09, 512
FALLOFF_PARTS = ("left cheek", "right cheek", "forehead", "chin")


def key_of_face(stack: LightStack, mix: Mix, shutter_s: float) -> str:
    """The light that gives most of what the picture shows of the face."""
    if not stack.mask("face").any():
        return mix.names[int(np.argmax(np.where(mix.muted, -np.inf, mix.dial_stops)))]
    means, _ = stack.part_means("face")
    return mix.names[int(np.argmax(color.luminance(means * mix.weights_rgb(shutter_s))))]


def edge_width(distance_m: np.ndarray, lit: np.ndarray) -> float | None:
    """Width in metres of the first edge from shadow to light along a line, from 10 to 90 % of its rise.

    Arguments: `distance_m` (n,) rising along the surface; `lit` (n,) share of the light that arrives, 0..1.
    None where the line has no shadow that opens into light.
    """
    dark = np.flatnonzero(lit < 0.5)
    if not len(dark):
        return None
    after = np.flatnonzero(lit[dark[0] :] >= 0.5)
    if not len(after):
        return None
    middle = dark[0] + int(after[0])
    # The rise begins at the shadow's darkest point and ends where the light stops rising.
    low = float(lit[dark[0] : middle].min())
    bottom = dark[0] + int(np.flatnonzero(lit[dark[0] : middle] <= low + 0.02)[-1])
    high = float(lit[middle:].max())
    top = middle + int(np.flatnonzero(lit[middle:] >= high - 0.02)[0])
    rise = np.maximum.accumulate(lit[bottom : top + 1])
    levels = low + np.array([EDGE_FROM, EDGE_TO]) * (high - low)
    start, end = np.interp(levels, rise + 1e-9 * np.arange(len(rise)), distance_m[bottom : top + 1])
    return float(end - start)


def nose_edge_mm(stage: StageLike, light: str) -> float | None:
    """Width in mm of the edge of the nose's shadow of one light, on the skin, away from the light.

    The middle of five lines that run from the nose's tip within 20 degrees of straight away from the light, seen from
    ahead of the face; None where the shadow runs into the dark side of the face, or there is none.
    """
    from sim.advice.checks.faceframe import SURFACE_GAP_M, axes_from_layout

    layout, layer = stage.layout, stage.light_names.index(light)
    placed = next((item for item in layout.lights if item.name == light), None)
    if placed is None:
        return None
    axes = axes_from_layout(layout)
    toward = placed.position_m - axes.nose_m
    aside, above = -float(toward @ axes.right), -float(toward @ axes.up)
    if np.hypot(aside, above) < 1e-3 or toward @ axes.forward <= 0:
        return None
    heading = np.arctan2(above, aside)
    steps = np.arange(0.0, EDGE_REACH_M, EDGE_STEP_M)
    widths = []
    for lean_deg in (-20, -10, 0, 10, 20):
        angle = heading + np.radians(lean_deg)
        line = np.cos(angle) * axes.right + np.sin(angle) * axes.up
        starts = axes.nose_m + steps[:, None] * line + 0.3 * axes.forward
        hits = first_hits(stage, starts, np.broadcast_to(-axes.forward, starts.shape))
        on_face = hits.region == stage.region_names.index("face")
        # Follow the line as long as it stays on the face.
        count = len(steps) if on_face.all() else int(np.argmin(on_face))
        if count < 8:
            continue
        points = (starts - hits.distance_m[:, None] * axes.forward + SURFACE_GAP_M * hits.normal)[:count]
        light_there = direct_light(stage, points, hits.normal[:count], layers=[layer], samples=EDGE_RAYS)
        free = light_there.unblocked[:, layer]
        seen = free > 0.02 * free.max(initial=1e-30)
        lit = np.where(seen, light_there.reaching[:, layer], 0) / np.where(seen, free, 1)
        along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        widths.append(edge_width(along, lit))
    known = [width for width in widths if width is not None]
    return 1000 * float(np.median(known)) if len(known) > len(widths) / 2 else None


def falloff_stops(stage: StageLike, light: str) -> float:
    """Stops that one light loses across the face by distance and spread: strongest against weakest of four points.

    Points: both cheeks, forehead and chin, receptors turned to the light, with nothing in its way.
    """

    layer = stage.light_names.index(light)
    points = np.array([stage.layout.anchors_m[part] for part in FALLOFF_PARTS])
    strength = direct_light(stage, points, None, layers=[layer], samples=4096).unblocked[:, layer]
    low, high = float(strength.min()), float(strength.max())
    return float(np.log2(high / low)) if low > 0 else 0.0


def energy_for(scene: Scene, mix: Mix, more_stops: float) -> tuple[float | None, float | None]:
    """Energy of one firing (J) and power of lamps that stay on (W) with every dial moved by `more_stops`.

    None where a light that is on does not state it. Does not: stop at full power.
    """
    flash: float | None = 0.0
    steady: float | None = 0.0
    for name, light in scene.lights.items():
        place = mix.names.index(name)
        if mix.muted[place]:
            continue
        source = light.source
        share = 2.0 ** (mix.dial_stops[place] + more_stops)
        if light.is_flash:
            energy = getattr(source, "energy_J", None)
            flash = None if energy is None or flash is None else flash + share * energy
        else:
            draw = getattr(source, "draw_W", None)
            steady = None if draw is None or steady is None else steady + share * draw
    return flash, steady
