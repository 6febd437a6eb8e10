"""Catchlights: which lights are mirrored in the eyes, where on the clock, and how large.

The cornea is taken as a mirror ball of 7.8 mm radius behind each eye's anchor, seen through an iris of 11.7 mm, with
the refractive index 1.376. Source: the schematic eye of [AtchisonSmith:2000]; 0.2 mm more radius makes a
catchlight 3 % wider and moves no reading. A point of a light shows at the place of the ball whose normal halves the
angle between camera and light.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sim.advice.checks.frame import frame_from_camera
from sim.light.mix import Mix
from sim.quantities import color, photometry
from sim.render.cache.queries import StageLike, is_clear
from sim.scene.model import Camera
from sim.studio.gear.emitter import Emitter, relative_radiance
from sim.studio.layout import PlacedLight, unit

CORNEA_RADIUS_M = 7.8e-3
IRIS_DIAMETER_M = 11.7e-3
REFRACTIVE_INDEX = 1.376
EYES = ("left eye", "right eye")
# A line to a light starts this far off the mirror ball, clear of the figure's own eyeball.
OFF_EYE_M = 2.5e-3
# Points over a luminous face along each side.
ACROSS = 25
# A reflection this far under middle grey is lost in the iris; common practice, no source.
FAINTEST_STOPS = -3.0
# So little of a light that shows past lid or nose does not read as a catchlight; common practice, no source.
LEAST_VISIBLE = 0.02


@dataclass(frozen=True)
class Catchlight:
    """A light mirrored in an eye.

    `eye` "left eye" or "right eye" (camera left or right on an unturned sitter); `clock` hour 1..12 as the camera sees
    it, 0 within half a millimetre of the middle; `x_mm`, `y_mm` place of its middle from the pupil, right and up;
    `width_mm`, `height_mm` its extent; `iris_share` its area over the iris's, 0..1; `visible` share of the light that
    shows, 0..1; `from_grey_stops` brightness in the picture, 0 is middle grey; `outline_mm` corners (x, y) of what
    shows, from the pupil.
    """

    eye: str
    light: str
    clock: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    iris_share: float
    visible: float
    from_grey_stops: float
    outline_mm: tuple[tuple[float, float], ...]


def catchlights(stage: StageLike, mix: Mix, camera: Camera) -> tuple[Catchlight, ...]:
    """Every light that shows in an eye, brightest first in each eye.

    Does not: show lids closer than the figure's own, the tear film, or surfaces that are lit rather than luminous.
    """
    weights = color.luminance(mix.weights_rgb(camera.shutter_s))
    catchlights = []
    for eye in EYES:
        here = []
        for layer, light in enumerate(stage.layout.lights):
            seen = _mirrored(stage, light, eye, float(weights[layer]), camera)
            if seen is not None:
                here.append(seen)
        catchlights += sorted(here, key=lambda c: -c.from_grey_stops)
    return tuple(catchlights)


def mirror_points(centre_m: np.ndarray, radius_m: float, eye_m: np.ndarray, sources_m: np.ndarray) -> np.ndarray:
    """Unit normals (n, 3) of a mirror ball where an observer at `eye_m` sees the points `sources_m` (n, 3).

    Solved by repetition: halve the angle between the ways to observer and source, move to that place of the ball.
    Converges because the ball is small against the distances.
    """
    normal = np.broadcast_to(unit(eye_m - centre_m), sources_m.shape)
    for _ in range(12):
        place = centre_m + radius_m * normal
        halfway = _units(eye_m - place) + _units(sources_m - place)
        normal = _units(halfway)
    return normal


def fresnel_reflectance(cosine: np.ndarray, index: float = REFRACTIVE_INDEX) -> np.ndarray:
    """Share of unpolarised light that a clear surface mirrors, by the cosine of incidence (Fresnel).

    >>> round(float(fresnel_reflectance(np.array(1.0))), 4)
    0.025
    """
    inner = np.sqrt(1 - (1 - np.square(cosine)) / index**2)
    across = (cosine - index * inner) / (cosine + index * inner)
    along = (index * cosine - inner) / (index * cosine + inner)
    reflectance: np.ndarray = (np.square(across) + np.square(along)) / 2
    return reflectance


def face_points(emitter: Emitter, light: PlacedLight) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) over a luminous face in world metres, and the share of the face's area that each stands for."""
    g = (np.arange(ACROSS) + 0.5) / ACROSS * 2 - 1
    x, y = (axis.ravel() for axis in np.meshgrid(g, g))
    half_width = emitter.width_m / 2
    half_height = emitter.height_m / 2 if emitter.surface == "rectangle" else half_width
    keep = np.full(x.shape, True) if emitter.surface == "rectangle" else np.hypot(x, y) <= 1
    local = np.stack([x * half_width, y * half_height, np.zeros_like(x)], axis=-1)[keep]
    return local, np.full(len(local), 1 / max(len(local), 1))


def _units(vectors: np.ndarray) -> np.ndarray:
    units: np.ndarray = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    return units


def _emitters(light: PlacedLight) -> Iterator[tuple[Emitter, np.ndarray]]:
    for emitter in light.rig.emitters:
        frame = np.eye(4)
        if emitter.axis_flip:
            frame[0, 0] = frame[2, 2] = -1
        frame[:3, 3] = emitter.offset_m
        yield emitter, light.world_from_light @ frame


def _mirrored(stage: StageLike, light: PlacedLight, eye: str, weight: float, camera: Camera) -> Catchlight | None:
    layout = stage.layout
    gaze = layout.anchor_normals[eye]
    centre = layout.anchors_m[eye] - CORNEA_RADIUS_M * gaze
    lens = layout.camera.position_m
    places, brightness, count = [], [], 0
    for emitter, world in _emitters(light):
        local, _ = face_points(emitter, light)
        if emitter.surface == "sphere":
            # A bulb shows the half of its glass that it turns to the eye.
            toward = unit(centre - world[:3, 3])
            side = unit(np.cross(toward, [0.3, 1.0, 0.2]))
            bulge = np.sqrt(np.maximum(emitter.width_m**2 / 4 - np.square(local[:, :2]).sum(axis=1), 0))[:, None]
            points = world[:3, 3] + local[:, :1] * side + local[:, 1:2] * np.cross(side, toward) + bulge * toward
        else:
            points = local @ world[:3, :3].T + world[:3, 3]
        normal = mirror_points(centre, CORNEA_RADIUS_M, lens, points)
        place = centre + CORNEA_RADIUS_M * normal
        count += len(points)
        # Keep what lies on the clear part of the cornea, turned to camera and light.
        to_lens, to_light = _units(lens - place), _units(points - place)
        cosine = (normal * to_light).sum(axis=1)
        on_iris = normal @ gaze > math.sqrt(1 - (IRIS_DIAMETER_M / 2 / CORNEA_RADIUS_M) ** 2)
        direction = -to_light @ world[:3, :3]
        level = emitter.radiance() * relative_radiance(emitter.profile, local[:, 0], local[:, 1], direction)
        good = on_iris & (cosine > 0) & (level > 0)
        if not good.any():
            continue
        start = place[good] + OFF_EYE_M * normal[good]
        clear = is_clear(stage, start, points[good] + 2e-3 * -to_light[good])
        clear &= is_clear(stage, start + OFF_EYE_M * to_lens[good], lens)
        places.append(place[good][clear])
        brightness.append((level * fresnel_reflectance(np.clip(cosine, 0, 1)))[good][clear])
    if weight <= 0 or sum(len(p) for p in places) <= LEAST_VISIBLE * count:
        return None
    seen, levels = np.concatenate(places), np.concatenate(brightness)
    shown = float(levels.mean()) * weight * photometry.display_scale(camera.f_number, camera.iso)
    from_grey = math.log2(shown / photometry.MIDDLE_GREY)
    if from_grey < FAINTEST_STOPS:
        return None
    frame = frame_from_camera(layout.camera)
    offset_mm = 1000 * (seen - layout.anchors_m[eye])
    x, y = offset_mm @ frame.right, offset_mm @ frame.up
    # Count the half cell that each point stands for at both ends.
    width, height = (float(np.ptp(v)) * ACROSS / (ACROSS - 1) for v in (x, y))
    middle = float(x.mean()), float(y.mean())
    area_mm2, outline_mm = _hull(np.stack([x, y], axis=1))
    return Catchlight(
        eye=eye,
        light=light.name,
        clock=clock_from_offset(*middle),
        x_mm=middle[0],
        y_mm=middle[1],
        width_mm=width,
        height_mm=height,
        iris_share=area_mm2 / (math.pi / 4 * (1000 * IRIS_DIAMETER_M) ** 2),
        visible=len(seen) / count,
        from_grey_stops=from_grey,
        outline_mm=outline_mm,
    )


def clock_from_offset(x_mm: float, y_mm: float) -> int:
    """Hour on the clock face that a place right and up of the middle lies at; 0 within half a millimetre of it.

    >>> clock_from_offset(0.0, 2.0), clock_from_offset(-1.0, 1.7), clock_from_offset(0.1, 0)
    (12, 11, 0)
    """
    if math.hypot(x_mm, y_mm) < 0.5:
        return 0
    hour = round(math.degrees(math.atan2(x_mm, y_mm)) / 30) % 12
    return hour or 12


def _hull(points: np.ndarray) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Area of the outline about points (n, 2) with the half cell added on each side, and its corners."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(points)
    except (QhullError, ValueError):
        return 0.0, tuple((float(px), float(py)) for px, py in points)
    corners = tuple((float(px), float(py)) for px, py in points[hull.vertices])
    return float(hull.volume) * (ACROSS / (ACROSS - 1)) ** 2, corners
