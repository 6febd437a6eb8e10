"""Depth of field, blur and what the frame sees of the backdrop: closed forms of a thin lens.

Source of the forms: [Greenleaf:1950], [Ray:2002]; the tests derive them from the blur of a thin lens:
H = f^2 / (N c) + f; near = s (H - f) / (H + s - 2 f); far = s (H - f) / (H - s).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.advice.checks.frame import SIDES, frame_from_camera
from sim.scene.model import Camera, Scene
from sim.studio.layout import Layout

# Circle of confusion 0.030 mm on a sensor of 24 x 36 mm, in proportion to the diagonal: common practice, no source.
CIRCLE_OF_DIAGONAL = 0.030 / math.hypot(24, 36)


@dataclass(frozen=True)
class Blur:
    """How large a point behind or before the focus is spread.

    `there_m` diameter measured where the point is; `sensor_m` on the sensor; `frame_share` of the picture's width.
    """

    there_m: float
    sensor_m: float
    frame_share: float


@dataclass(frozen=True)
class Coverage:
    """How far the backdrop reaches beyond the frame.

    `spare_m` by side of the picture, in the backdrop's plane, negative where the frame sees past its edge; `fills`
    whether it fills the picture; `frame_m` (width, height) of the frame there.
    """

    spare_m: dict[str, float]
    fills: bool
    frame_m: tuple[float, float]


@dataclass(frozen=True)
class FocusCheck:
    """Depth of field of the set-up, distances from the lens along its axis.

    `outside_m`: parts of the sitter outside the depth of field and by how far, negative before it. `backdrop_blur`,
    `coverage` are None without a backdrop.
    """

    focus_m: float
    near_m: float
    far_m: float
    hyperfocal_m: float
    circle_m: float
    outside_m: dict[str, float]
    backdrop_blur: Blur | None
    coverage: Coverage | None


def circle_of_confusion_m(camera: Camera) -> float:
    """Largest blur on the sensor that still looks sharp: 0.030 mm on 24 x 36 mm, in proportion to the diagonal.

    Does not: ask how large the picture is printed or how near it is seen.
    """
    return CIRCLE_OF_DIAGONAL * math.hypot(*camera.picture_m)


def hyperfocal_m(focal_length_m: float, f_number: float, circle_m: float) -> float:
    """Hyperfocal distance f^2 / (N c) + f in metres: focused there, all beyond half of it is sharp.

    >>> round(hyperfocal_m(0.050, 8.0, 0.00003), 3)
    10.467
    """
    return focal_length_m**2 / (f_number * circle_m) + focal_length_m


def near_limit_m(focus_m: float, focal_length_m: float, hyperfocal: float) -> float:
    """Nearest sharp distance in metres for a focus distance and a hyperfocal distance.

    >>> round(near_limit_m(10.467, 0.050, 10.467), 2)           # half the hyperfocal distance
    5.23
    """
    return focus_m * (hyperfocal - focal_length_m) / (hyperfocal + focus_m - 2 * focal_length_m)


def far_limit_m(focus_m: float, focal_length_m: float, hyperfocal: float) -> float:
    """Farthest sharp distance in metres, infinite from the hyperfocal distance on.

    >>> far_limit_m(10.5, 0.050, 10.467)
    inf
    """
    if focus_m >= hyperfocal:
        return math.inf
    return focus_m * (hyperfocal - focal_length_m) / (hyperfocal - focus_m)


def blur_at(distance_m: float, focus_m: float, camera: Camera) -> Blur:
    """Blur disc of a point at a distance while the lens is focused at another, metres along the axis.

    Geometry of the aperture's cone: where the point is, the cone of rays through the focus has grown to
    A |d - s| / s, with the aperture A = f / N; on the sensor it is f^2 |d - s| / (N d (s - f)).
    Does not: add diffraction or the lens's own errors.
    """
    f, aperture_m = camera.focal_length_m, camera.focal_length_m / camera.f_number
    there_m = aperture_m * abs(distance_m - focus_m) / focus_m
    sensor_m = f * aperture_m * abs(distance_m - focus_m) / (distance_m * (focus_m - f))
    return Blur(there_m, sensor_m, sensor_m / camera.picture_m[0])


def backdrop_coverage(scene: Scene, layout: Layout) -> Coverage | None:
    """How much backdrop is left beyond each edge of the picture, None without one.

    The frame meets the backdrop's plane in a four-cornered outline; the spare of a side is that of its worse corner.
    Does not: count what the sitter or the floor hides, or a lens's change of view as it focuses near.
    """
    plane = scene.backdrop_plane_m
    if plane is None:
        return None
    centre, width_m, height_m = np.array(plane[0]), plane[1], plane[2]
    corners = frame_from_camera(layout.camera).corners_at(np.array([0.0, 0.0, 1.0]), float(centre[2]))
    x, y = corners[:, 0] - centre[0], corners[:, 1] - centre[1]
    worst = {
        "left": width_m / 2 + x[[0, 2]].min(),
        "right": width_m / 2 - x[[1, 3]].max(),
        "top": height_m / 2 - y[[0, 1]].max(),
        "bottom": height_m / 2 + y[[2, 3]].min(),
    }
    spare = {side: float(value) if np.isfinite(value) else -math.inf for side, value in worst.items()}
    frame_m = float(np.nanmean([x[1] - x[0], x[3] - x[2]])), float(np.nanmean([y[0] - y[2], y[1] - y[3]]))
    return Coverage({side: spare[side] for side in SIDES}, all(v >= 0 for v in spare.values()), frame_m)


def focus_check(scene: Scene, layout: Layout) -> FocusCheck:
    """Depth of field at the camera's settings, the parts outside it, the backdrop's blur and reach."""
    camera, view = scene.camera, layout.camera
    circle_m = circle_of_confusion_m(camera)
    hyperfocal = hyperfocal_m(camera.focal_length_m, camera.f_number, circle_m)
    near = near_limit_m(view.focus_distance_m, camera.focal_length_m, hyperfocal)
    far = far_limit_m(view.focus_distance_m, camera.focal_length_m, hyperfocal)
    frame = frame_from_camera(view)
    outside = {}
    for name, point in layout.anchors_m.items():
        if name.startswith("backdrop") or not layout.has_sitter or not frame.holds(point[None])[0]:
            continue
        depth = float(frame.depth_m(point))
        if not near <= depth <= far:
            outside[name] = depth - far if depth > far else depth - near
    blur = None
    if scene.backdrop_plane_m is not None:
        behind = float(frame.depth_m(layout.anchors_m["backdrop head"]))
        blur = blur_at(behind, view.focus_distance_m, camera)
    return FocusCheck(
        view.focus_distance_m, near, far, hyperfocal, circle_m, outside, blur, backdrop_coverage(scene, layout)
    )
