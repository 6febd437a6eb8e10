"""Lights that shine straight into the lens, and the smallest flag that keeps them out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim.advice.checks.frame import ImageFrame, frame_from_camera
from sim.advice.checks.intrusions import face_mesh
from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId
from sim.quantities import color
from sim.render.cache.queries import StageLike, direct_light, read_probes
from sim.studio.layout import CameraView, PlacedLight, axes_from_direction, unit

# Points on the lens opening that a flag must shade: its rim and its middle.
RIM_POINTS = 16
# Distances from the lens at which a flag may stand, as shares of the way to the light.
PLACES = np.linspace(0.01, 0.95, 400)
# Where a flag on a stand keeps out of the photographer's way; common practice, no source.
STAND_FROM_LENS_M = 0.5
# Less straight light than this share of all the light on the lens is no risk worth a flag; common practice, no source.
LEAST_SHARE = 0.001


@dataclass(frozen=True)
class ShadingFlag:
    """A flag square to the line from lens to light: its size, its middle, and how far from the lens it stands.

    `aside_m` of its middle from the lens's axis toward camera right, `above_m` of it over the lens, both as seen along
    the axis.
    """

    width_m: float
    height_m: float
    middle_m: np.ndarray
    right: np.ndarray
    up: np.ndarray
    from_lens_m: float
    aside_m: float = 0.0
    above_m: float = 0.0


@dataclass(frozen=True)
class Flare:
    """A light that strikes the lens.

    `share` of all the light on the front of the lens (a flat receptor there, facing as the lens does) that comes
    straight from this light, 0..1; `stops_below_rest` of that light under all the rest, positive when weaker;
    `off_axis_deg` of its middle; `in_frame` whether its face shows in the picture; `flag` the smallest that shades it,
    `stand_flag` the smallest at half a metre or more from the lens, None where none can stand outside the picture.
    """

    name: str
    share: float
    stops_below_rest: float
    off_axis_deg: float
    in_frame: bool
    flag: ShadingFlag | None
    stand_flag: ShadingFlag | None


@dataclass(frozen=True)
class LensLight:
    """Light on the front of the lens of k lights at full dial and white, lx (flash: lx s).

    `straight` (k,): straight from each light; `all_rgb` (k, 3): all of it.
    """

    straight: np.ndarray
    all_rgb: np.ndarray


def lens_light(
    stage: StageLike, *, seed: int = 0, target_stderr_stops: float = 0.1, most_rays: int = 1 << 15
) -> LensLight:
    """Read the light on the lens, whatever the dials; arguments as in `sim.render.transport.probe.read_probes`."""
    camera = stage.layout.camera
    frame = frame_from_camera(camera)
    opening = lens_points(camera, frame)
    facing = np.broadcast_to(frame.forward, opening.shape)
    straight = direct_light(stage, opening, facing, samples=256, seed=seed).reaching.mean(axis=0)
    probe = Probe(ProbeId("flat", "lens", "ahead"), "flat", camera.position_m, frame.forward)
    read = read_probes(stage, [probe], seed=seed, target_stderr_stops=target_stderr_stops, most_rays=most_rays)
    return LensLight(straight, read.values[0])


def flares(
    stage: StageLike, mix: Mix, shutter_s: float, *, seed: int = 0, light: LensLight | None = None,
    flag_of: Callable[..., ShadingFlag | None] | None = None,
) -> tuple[Flare, ...]:  # fmt: skip
    """Every light with a clear line from its luminous face to the lens opening and emission along it.

    Arguments: `light` on the lens, where it was read before; `flag_of` stands in for `smallest_flag`, for one who
    keeps flags.
    Does not: know the lens's coatings, its hood or how it spreads stray light; it compares light, not veils.
    """
    camera = stage.layout.camera
    frame = frame_from_camera(camera)
    weights = color.luminance(mix.weights_rgb(shutter_s))
    on_lens, flag = light or lens_light(stage, seed=seed), flag_of or smallest_flag
    straight = on_lens.straight * weights
    everything = float((color.luminance(on_lens.all_rgb) * weights).sum())
    flares = []
    for layer, placed in enumerate(stage.layout.lights):
        total = max(everything, float(straight.sum()))
        share = float(straight[layer]) / total if total > 0 else 0.0
        if share < LEAST_SHARE:
            continue
        rest = total - float(straight[layer])
        points = np.vstack([face_mesh(emitter, placed).vertices for emitter in placed.rig.emitters])
        flares.append(Flare(
            name=placed.name,
            share=share,
            stops_below_rest=math.log2(rest / straight[layer]) if rest > 0 else -math.inf,
            off_axis_deg=_angle_deg(placed.position_m - frame.tip_m, frame.forward),
            in_frame=bool(frame.holds(points).any()),
            flag=flag(camera, frame, placed),
            stand_flag=flag(camera, frame, placed, least_m=STAND_FROM_LENS_M),
        ))  # fmt: skip
    return tuple(flares)


def lens_points(camera: CameraView, frame: ImageFrame) -> np.ndarray:
    """Points on the rim and in the middle of the lens opening, (n, 3)."""
    angle = np.linspace(0, 2 * np.pi, RIM_POINTS, endpoint=False)[:, None]
    rim = np.cos(angle) * frame.right + np.sin(angle) * frame.up
    points_m: np.ndarray = camera.position_m + np.vstack([np.zeros(3), camera.lens_radius_m * rim])
    return points_m


def smallest_flag(
    camera: CameraView, frame: ImageFrame, light: PlacedLight, *, least_m: float = 0.0
) -> ShadingFlag | None:
    """The smallest rectangle, outside the picture, that shades the whole lens opening from a light's luminous faces.

    At the share t of the way from lens to light the bundle of lines between opening and face is the opening shrunk to
    1 - t plus the face shrunk to t; the flag is its bounding rectangle there, sides level and upright, square to the
    line. It must keep out of the bundle that draws the picture: beyond one side of the frame by the opening's radius.
    Of all t that do, the one with the least area is taken.
    Arguments: `least_m` nearest distance from the lens, metres.
    Does not: leave a margin (add one), or hide a light that shows in the picture.
    """
    source = np.vstack([face_mesh(emitter, light).vertices for emitter in light.rig.emitters])
    middle = (source.min(axis=0) + source.max(axis=0)) / 2
    way = middle - camera.position_m
    right, up, axis = axes_from_direction(unit(way))
    lens = lens_points(camera, frame)
    # Take from each side's margin what the opening's own breadth adds to the picture's bundle.
    breadth = camera.lens_radius_m * np.hypot(frame.inward @ frame.right, frame.inward @ frame.up)
    best: ShadingFlag | None = None
    for t in PLACES:
        if t * np.linalg.norm(way) < least_m:
            continue
        plane_m = camera.position_m + t * way
        low, high = _bundle(lens, source, plane_m, axis, right, up)
        corners = plane_m + np.array([
            x * right + y * up for x in (low[0], high[0]) for y in (low[1], high[1])
        ])  # fmt: skip
        clear = (frame.margins_m(corners) + breadth <= 0).all(axis=0).any()
        size = high - low
        if clear and (best is None or size.prod() < best.width_m * best.height_m):
            centre = plane_m + (low[0] + high[0]) / 2 * right + (low[1] + high[1]) / 2 * up
            away = centre - camera.position_m
            best = ShadingFlag(
                float(size[0]), float(size[1]), centre, right, up, float(np.linalg.norm(away)),
                float(away @ frame.right), float(away @ frame.up),
            )  # fmt: skip
    return best


def _bundle(
    lens: np.ndarray, source: np.ndarray, plane_m: np.ndarray, axis: np.ndarray, right: np.ndarray, up: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Corners (2,), (2,) of the rectangle that all lines from lens points to source points cross in a plane."""
    start, end = lens[:, None, :], source[None, :, :]
    run = (end - start) @ axis
    t = ((plane_m - start) @ axis) / np.where(np.abs(run) > 1e-9, run, np.nan)
    crossing = start + t[..., None] * (end - start) - plane_m
    x, y = crossing @ right, crossing @ up
    return np.array([np.nanmin(x), np.nanmin(y)]), np.array([np.nanmax(x), np.nanmax(y)])


def _angle_deg(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arccos(np.clip(unit(a) @ unit(b), -1, 1))))
