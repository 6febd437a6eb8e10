"""What a crew must know of each light: where it stands, where it looks, what is fitted, what is dialled in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sim.scene.light_words import gel_words, modifier_details
from sim.scene.model import Scene
from sim.scene.numbers import numbers_from_scene
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.rig import BuiltLight
from sim.studio.layout import Layout, PlacedLight

Point = tuple[float, float, float]

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
    """Facts of every light and window in the scene's order."""
    named = tuple(scene.lights.values())
    numbers = numbers_from_scene(scene)
    facts = []
    for index, placed in enumerate(layout.lights):
        light = named[index] if index < len(named) else None
        window = None if light else next(a for a in scene.ambient if a.name == placed.name)
        position, axis = placed.position_m, placed.axis
        aim = light.aim if light else getattr(window, "aim", "face")
        across, up = beam_deg_from_rig(placed.rig)
        facts.append(LightFacts(
            number=numbers[placed.name],
            name=placed.name,
            is_window=light is None,
            modifier=modifier_details(light) if light else "window",
            gels=", ".join(map(gel_words, light.gels)) if light else "",
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
    return tuple(facts)


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
        total: np.ndarray = np.sum([illuminance_from_emitter(e, points, -points / far_m, n=16) for e in ahead], axis=0)
        return total

    angles = []
    for side in (0, 1):
        # Find the first of some wide steps that is dark, then the first fine one within it.
        wide = np.arange(0, len(angles_deg), WIDE_STEP)
        lit = light(side, wide)
        dark = np.flatnonzero(lit < 0.5 * lit[0])
        start = wide[dark[0] - 1] + 1 if len(dark) else wide[-1] + 1
        near = np.arange(start, min(start + WIDE_STEP, len(angles_deg)))
        below = near[light(side, near) < 0.5 * lit[0]] if len(near) else near
        angles.append(2 * float(angles_deg[below[0]]) if len(below) else 178.0)
    return angles[0], angles[1]


def text_from_point(point_m: Point, plane: tuple[Point, float, float] | None = None) -> str:
    """A point of the room as three lengths, or as a place on the backdrop where it lies on that.

    >>> text_from_point((0.4, 1.8, -2.0), ((0.0, 1.5, -2.0), 3.0, 3.0))
    'backdrop 0.40 m right, 1.80 m up'
    """
    if plane is not None and abs(point_m[2] - plane[0][2]) < 0.05:
        side = "right" if point_m[0] >= 0 else "left"
        return f"backdrop {abs(point_m[0]):.2f} m {side}, {point_m[1]:.2f} m up"
    return "point " + ", ".join(f"{v:.2f}" for v in point_m) + " m"
