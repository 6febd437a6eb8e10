"""What a crew must know of each light: where it stands, where it looks, what is fitted, what is dialled in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from sim.quantities import units
from sim.scene import model
from sim.scene.model import Scene
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.rig import BuiltLight
from sim.studio.layout import Layout, PlacedLight

BEAM_STEP_DEG, WIDE_STEP = 0.5, 8  # fine steps, and how many of them one wide step takes
BEAM_FAR = 60.0  # distance in face sizes at which the beam is judged


@dataclass(frozen=True, eq=False)
class LightFacts:
    """One numbered light of the plan.

    `bearing_deg` and `distance_m` around the sitter's mark, along the floor; `height_m` of the luminous centre;
    `aim_distance_m` straight from there to the aim point; `tilt_deg` of the axis, negative looks down;
    `beam_across_deg`, `beam_up_deg` full angles to half intensity, 360 for a bulb that lights all round.
    """

    number: int
    name: str
    is_window: bool
    modifier: str
    gels: str
    stand: str
    aim: str
    bearing_deg: float
    distance_m: float
    height_m: float
    aim_distance_m: float
    tilt_deg: float
    azimuth_deg: float
    power_stops: float
    muted: bool
    beam_across_deg: float
    beam_up_deg: float
    placed: PlacedLight


def facts_from_scene(scene: Scene, layout: Layout) -> tuple[LightFacts, ...]:
    """Facts of every light and window in the scene's order, numbered from 1."""
    named = tuple(scene.lights.values())
    found = []
    for index, placed in enumerate(layout.lights):
        light = named[index] if index < len(named) else None
        window = None if light else next(a for a in scene.ambient if a.name == placed.name)
        position, axis = placed.position_m, placed.axis
        aim = light.aim if light else getattr(window, "aim", "face")
        across, up = beam_deg_from_rig(placed.rig)
        found.append(LightFacts(
            number=index + 1,
            name=placed.name,
            is_window=light is None,
            modifier=text_from_modifier(light.modifier) if light else "window",
            gels=", ".join(text_from_gel(gel) for gel in light.gels) if light else "",
            stand=placed.stand,
            aim=aim if isinstance(aim, str) else text_from_point(aim.position_m, scene.backdrop_plane_m),
            bearing_deg=bearing_deg_from_point(position),
            distance_m=math.hypot(position[0], position[2]),
            height_m=float(position[1]),
            aim_distance_m=float(np.linalg.norm(placed.aim_m - position)),
            tilt_deg=math.degrees(math.asin(max(-1.0, min(1.0, float(axis[1]))))),
            azimuth_deg=bearing_deg_from_point(axis),
            power_stops=light.power_stops if light else 0.0,
            muted=light.mute if light else False,
            beam_across_deg=across,
            beam_up_deg=up,
            placed=placed,
        ))  # fmt: skip
    return tuple(found)


def bearing_deg_from_point(point_m: np.ndarray) -> float:
    """Bearing of a point or direction around the vertical: 0 toward the camera side, positive toward camera right.

    >>> bearing_deg_from_point(np.array([2.0, 1.0, 0.0]))
    90.0
    """
    return math.degrees(math.atan2(float(point_m[0]), float(point_m[2])))


@lru_cache(maxsize=128)
def beam_deg_from_rig(rig: BuiltLight) -> tuple[float, float]:
    """Full angles (degrees) between the directions of half intensity, across and up, from the rig's own light.

    360 where the light never falls to half, as of a bare bulb.
    Does not: look at a rear lobe.
    """
    if any(e.surface == "sphere" for e in rig.emitters):
        return 360.0, 360.0
    far_m = BEAM_FAR * max(max(e.width_m, e.height_m) for e in rig.emitters)
    angles_deg = np.arange(0.0, 89.0, BEAM_STEP_DEG)

    def light(side: int, places: np.ndarray) -> np.ndarray:
        points = np.zeros((len(places), 3))
        points[:, side] = far_m * np.sin(np.radians(angles_deg[places]))
        points[:, 2] = far_m * np.cos(np.radians(angles_deg[places]))
        ahead = (e for e in rig.emitters if not e.axis_flip)
        return np.sum([illuminance_from_emitter(e, points, -points / far_m, n=16) for e in ahead], axis=0)

    found = []
    for side in (0, 1):
        # Find the first of some wide steps that is dark, then the first fine one within it.
        wide = np.arange(0, len(angles_deg), WIDE_STEP)
        lit = light(side, wide)
        dark = np.flatnonzero(lit < 0.5 * lit[0])
        start = wide[dark[0] - 1] + 1 if len(dark) else wide[-1] + 1
        near = np.arange(start, min(start + WIDE_STEP, len(angles_deg)))
        below = near[light(side, near) < 0.5 * lit[0]] if len(near) else near
        found.append(2 * float(angles_deg[below[0]]) if len(below) else 178.0)
    return found[0], found[1]


def text_from_modifier(modifier: model.Modifier) -> str:
    """What is fitted, with the sizes that a crew picks it by."""
    m = modifier
    size = units.text_from_length_m
    match m:
        case model.BareBulb():
            text = "bare bulb"
        case model.Reflector():
            text = f"reflector {size(m.diameter_m)}, {m.beam_deg:g}°"
        case model.Snoot():
            text = f"snoot {size(m.length_m)} x {size(m.diameter_m)}"
        case model.BeautyDish():
            text = f"beauty dish {size(m.diameter_m)}" + (" with sock" if m.sock else "")
        case model.Softbox() | model.Strip():
            text = f"{m.kind} {m.width_m * 100:g} x {m.height_m * 100:g} cm"
        case model.Octabox():
            text = f"octabox {size(m.diameter_m)}"
        case model.Umbrella() | model.CoveredUmbrella():
            text = f"{m.surface} {m.kind} {size(m.diameter_m)}"
        case model.ShootThrough():
            text = f"shoot-through umbrella {size(m.diameter_m)}"
        case model.Spot():
            text = f"focusing spot, lens {size(m.lens_m)}, {m.beam_deg:g}°"
        case _:
            text = "modifier"
    if getattr(m, "grid_deg", None):
        text += f", grid {m.grid_deg:g}°"  # type: ignore[attr-defined]
    doors = getattr(m, "barn_doors", None)
    if doors:
        leaves = (("left", doors.left_deg), ("right", doors.right_deg), ("top", doors.top_deg),
                  ("bottom", doors.bottom_deg))  # fmt: skip
        text += ", barn doors " + " ".join(f"{name} {angle:g}°" for name, angle in leaves if angle < 90)
    return text.rstrip()


def text_from_gel(gel: model.Gel) -> str:
    """A gel as it is asked for."""
    match gel:
        case model.MiredGel():
            return f"{gel.mired:+g} mired ({'warmer' if gel.mired > 0 else 'cooler'})"
        case model.ColorGel():
            return f"colour {gel.color}"
        case _:
            return f"ND {gel.nd_stops:g} stop" + ("s" if gel.nd_stops != 1 else "")


def text_from_point(point_m: tuple[float, float, float], plane: tuple[Any, float, float] | None = None) -> str:
    """A point of the room as three lengths, or as a place on the backdrop where it lies on that.

    >>> text_from_point((0.4, 1.8, -2.0), ((0.0, 1.5, -2.0), 3.0, 3.0))
    'backdrop 0.40 m right, 1.80 m up'
    """
    if plane is not None and abs(point_m[2] - plane[0][2]) < 0.05:
        side = "right" if point_m[0] >= 0 else "left"
        return f"backdrop {abs(point_m[0]):.2f} m {side}, {point_m[1]:.2f} m up"
    return "point " + ", ".join(f"{v:.2f}" for v in point_m) + " m"


def text_from_power(power_stops: float) -> str:
    """A power setting both as the nearest simple fraction and in stops.

    >>> text_from_power(-2.0), text_from_power(-3.5), text_from_power(0.0)
    ('1/4 (-2 stops)', '1/8 less 0.5 (-3.5 stops)', '1/1 (full)')
    """
    if power_stops > -0.05:
        return "1/1 (full)"
    # Count whole stops toward zero, and what is left in tenths.
    whole = int(-power_stops + 0.05)
    rest = round(-power_stops - whole, 1)
    fraction = f"1/{2**whole}" + (f" less {rest:g}" if rest else "")
    return f"{fraction} (-{units.shortest(round(-power_stops, 2))} stop{'' if abs(power_stops + 1) < 0.01 else 's'})"


def text_from_metres(length_m: float) -> str:
    """A length in metres to the centimetre, and in feet and inches to the half inch.

    >>> text_from_metres(1.7)
    '1.70 m (5 ft 7 in)'
    """
    return f"{length_m:.2f} m ({text_from_feet(length_m)})"


def text_from_feet(length_m: float, inch_parts: int = 2) -> str:
    """A length in feet and inches, rounded to a part of an inch.

    >>> text_from_feet(1.8), text_from_feet(1.524), text_from_feet(1.8, 1)
    ('5 ft 11 in', '5 ft', '5 ft 11 in')
    """
    whole, parts = divmod(round(abs(length_m) / units.INCH_M * inch_parts), 12 * inch_parts)
    inches = units.shortest(parts / inch_parts)
    sign = "-" if length_m < 0 and (whole or parts) else ""
    if not whole:
        return f"{sign}{inches} in"
    return f"{sign}{whole} ft" + (f" {inches} in" if parts else "")


def text_from_tilt(tilt_deg: float) -> str:
    """A tilt as a direction and an angle.

    >>> text_from_tilt(-12.34), text_from_tilt(0.2)
    ('12° down', 'level')
    """
    if abs(tilt_deg) < 0.5:
        return "level"
    return f"{abs(tilt_deg):.0f}° {'up' if tilt_deg > 0 else 'down'}"
