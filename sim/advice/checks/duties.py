"""Duties: what each light does in this set-up, from what is lost without it; `duty_words` says it in a sentence.

    points    stops lost at meter points: domes toward the camera on the sitter, flat receptors on the backdrop
    halo      backdrop within 30 cm of the place behind the head over backdrop beyond 90 cm, in stops
    edge      light on the shoulders' outline, of lights that put at least twice as much there as further in
    sparkle   sequins that glint (see `sparkle`)
    outline   separation along the whole outline (see `separation`)
A light that changes nothing of these by more than a tenth (of a stop; of the sparkle) is idle.
Thresholds: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sim.advice.checks.frame import frame_from_camera
from sim.advice.checks.outline import sitter_mask
from sim.advice.checks.separation import Separation
from sim.advice.checks.sparkle import Sparkle
from sim.advice.finding import Finding, Severity
from sim.light.mix import Mix
from sim.light.readings import ProbeId, ProbeReadings
from sim.light.stack import LightStack
from sim.metering.points import probe_at
from sim.quantities import color
from sim.render.cache.queries import StageLike, read_probes
from sim.scene.model import Camera
from sim.studio.layout import Layout

IDLE_STOPS = 0.1
LARGEST_STOPS = 9.9
HALO_NEAR_M, HALO_FAR_M = 0.3, 0.9
SHOULDER_REACH_M = 0.22
EDGE_OVER_INNER_STOPS = 1.0
EDGE_BAND_OF_HEIGHT = 0.012
# Meter points by what they are part of; the first word of a group stands for all when they agree.
GROUPS = {
    "face": ("left cheek", "right cheek", "forehead", "chin"),
    "hair": ("hair",),
    "shoulders": ("left shoulder", "right shoulder"),
    "gown": ("gown", "hip", "gown lower"),
    "backdrop": (
        "backdrop head", "backdrop centre", "backdrop top left", "backdrop top right", "backdrop bottom left",
        "backdrop bottom right",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Halo:
    """`stops` backdrop about the head over backdrop far from it; `loss_stops` by light; `maker` or None."""

    stops: float
    loss_stops: dict[str, float]
    maker: str | None


@dataclass(frozen=True)
class ShoulderEdge:
    """The drawn edge of one shoulder: `loss_stops` by light, 0 for lights that do not draw it; `maker` or None."""

    shoulder: str
    loss_stops: dict[str, float]
    maker: str | None


@dataclass(frozen=True)
class Duty:
    """What one light does.

    `idle`; `lost_stops` by meter point: how far the point falls without the light; `tasks` one by one.
    """

    light: str
    idle: bool
    lost_stops: dict[str, float]
    tasks: tuple[Finding, ...]


@dataclass(frozen=True)
class Duties:
    """A duty for each light in layer order, the halo, and the edge of each shoulder in the picture."""

    duties: tuple[Duty, ...]
    halo: Halo | None
    edges: tuple[ShoulderEdge, ...]


def duty_readings(
    stage: StageLike,
    *,
    seed: int = 0,
    most_rays: int = 1 << 14,
    target_stderr_stops: float = 0.03,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> ProbeReadings:
    """Read the meter points that duties are told from; limits as in `sim.render.transport.probe.read_probes`."""
    layout = stage.layout
    probes = []
    for group, names in GROUPS.items():
        for name in names:
            if name not in layout.anchors_m or not (layout.has_sitter or group == "backdrop"):
                continue
            if group == "backdrop":
                outward_m = layout.anchors_m[name] + layout.anchor_normals[name]
                probes.append(probe_at(layout, ProbeId("flat", name, "outward"), outward_m))
            else:
                probes.append(probe_at(layout, ProbeId("dome", name), layout.camera.position_m))
    if not probes:
        lights = len(stage.light_names)
        return ProbeReadings((), stage.light_names, stage.is_flash, np.zeros((0, lights, 3)), np.zeros((0, lights)), ())
    return read_probes(
        stage, probes, seed=seed, most_rays=most_rays, target_stderr_stops=target_stderr_stops, on_launch=on_launch,
        most_rays_at_once=most_rays_at_once,
    )  # fmt: skip


def duties(
    stack: LightStack,
    layout: Layout,
    mix: Mix,
    camera: Camera,
    read: ProbeReadings,
    parted: Separation,
    glints: Sparkle | None,
) -> Duties:
    """Tell what each light does from readings, layers, separation and sparkle of the same set-up.

    Does not: know the lights' names from their duties; the tasks hold measured losses only.
    """
    exposures = color.luminance(read.values * mix.weights_rgb(camera.shutter_s))
    halo = halo_of(stack, layout, mix, camera)
    edges = shoulder_edges(stack, layout, mix, camera)
    names = [probe.id.part for probe in read.probes]
    losses = [
        {name: loss_stops(float(row.sum()), float(row[k])) for name, row in zip(names, exposures, strict=True)}
        for k in range(len(mix.names))
    ]
    tellings = [
        Duty(light, True, lost_stops, (Finding("muted", Severity.FACT, light),)) if muted
        else _duty(light, lost_stops, halo, edges, parted, glints)
        for light, lost_stops, muted in zip(mix.names, losses, mix.muted, strict=True)
    ]  # fmt: skip
    return Duties(tuple(tellings), halo, edges)


def _duty(
    light: str,
    lost_stops: dict[str, float],
    halo: Halo | None,
    edges: tuple[ShoulderEdge, ...],
    parted: Separation,
    glints: Sparkle | None,
) -> Duty:
    """What one light does that is not muted."""
    tasks = []
    if lost_over(lost_stops):
        tasks.append(Finding("lights points", Severity.FACT, light, lost_stops))
    if halo is not None and halo.maker == light:
        tasks.append(Finding("makes the halo", Severity.FACT, light, {"loss_stops": halo.loss_stops[light]}))
    for edge in edges:
        if edge.maker == light:
            numbers = {"loss_stops": edge.loss_stops[light]}
            tasks.append(Finding("draws the edge", Severity.FACT, light, numbers, {"shoulder": edge.shoulder}))
    if glints is not None and glints.maker == light:
        numbers = {"share": glints.share, "without": glints.without[light]}
        tasks.append(Finding("makes the sparkle", Severity.FACT, light, numbers))
    if parted.provider == light:
        numbers = {"loss_stops": parted.loss_stops[light]}
        tasks.append(Finding("parts the sitter", Severity.FACT, light, numbers))
    sparkles = glints is not None and glints.share > 0 and abs(1 - glints.without[light] / glints.share) > IDLE_STOPS
    idle = not tasks and not sparkles and abs(parted.loss_stops[light]) <= IDLE_STOPS
    if idle:
        tasks.append(Finding("idle", Severity.FACT, light))
    elif not tasks:
        tasks.append(Finding("changes little", Severity.FACT, light))
    return Duty(light, idle, lost_stops, tuple(tasks))


def loss_stops(total: float, part: float) -> float:
    """How many stops a point falls without a part of its light, at most 9.9; 0 in darkness.

    >>> loss_stops(4.0, 3.0)
    2.0
    """
    if total <= 0 or part <= 0:
        return 0.0
    rest = total - part
    return min(math.log2(total / rest), LARGEST_STOPS) if rest > 0 else LARGEST_STOPS


def lost_over(lost: dict[str, float]) -> bool:
    """Whether any point loses more than a tenth of a stop."""
    return any(value > IDLE_STOPS for value in lost.values())


def halo_of(stack: LightStack, layout: Layout, mix: Mix, camera: Camera) -> Halo | None:
    """How much lighter the backdrop is about the head than far from it, and which light sees to that.

    None where the picture shows no backdrop of one of the two kinds. The maker is the light whose loss takes most of
    the halo, if the halo is over a third of a stop and the loss over a tenth.
    """
    backdrop = stack.mask("backdrop")
    if not backdrop.any():
        return None
    frame = frame_from_camera(layout.camera)
    width, height = stack.size
    centre = layout.anchors_m["backdrop head"]
    # Place each pixel on the backdrop's plane.
    x = (2 * (np.arange(width) + 0.5) / width - 1) * frame.half_width
    y = (1 - 2 * (np.arange(height) + 0.5) / height) * frame.half_height
    rays = frame.forward + x[None, :, None] * frame.right + y[:, None, None] * frame.up
    reach = (centre[2] - frame.tip_m[2]) / np.where(np.abs(rays[..., 2]) > 1e-9, rays[..., 2], np.nan)
    away = np.linalg.norm((frame.tip_m + reach[..., None] * rays - centre)[..., :2], axis=-1)
    near, far = backdrop & (away < HALO_NEAR_M), backdrop & (away > HALO_FAR_M)
    if near.sum() < 10 or far.sum() < 10:
        return None
    weights = mix.weights_rgb(camera.shutter_s)
    levels = color.luminance(np.stack([stack.pixels[:, m].mean(axis=1, dtype=float) for m in (near, far)]) * weights)
    total = levels.sum(axis=1)

    def halo_stops(levels_of: np.ndarray) -> float:
        return float(np.log2(max(levels_of[0], 1e-30) / max(levels_of[1], 1e-30)))

    stops = halo_stops(total)
    loss = {name: stops - halo_stops(total - levels[:, k]) for k, name in enumerate(mix.names)}
    best = max(loss, key=lambda name: loss[name])
    return Halo(stops, loss, best if stops > 1 / 3 and loss[best] > IDLE_STOPS else None)


def shoulder_edges(stack: LightStack, layout: Layout, mix: Mix, camera: Camera) -> tuple[ShoulderEdge, ...]:
    """Which light draws the edge of each shoulder: its light on the outline there at least doubles that further in.

    The edge is the sitter's outer band, 1.2 % of the picture's height wide, within 22 cm of the shoulder's point;
    further in are the next four widths. The maker is the light whose loss dims the edge most, if by over a tenth of a
    stop. Shoulders whose outline is not in the picture are left out.
    """
    sitter = sitter_mask(stack)
    frame = frame_from_camera(layout.camera)
    width, height = stack.size
    depth_px = ndimage.distance_transform_edt(np.pad(sitter, 1, mode="edge"))[1:-1, 1:-1]
    band = max(2.0, EDGE_BAND_OF_HEIGHT * height)
    rows, columns = np.mgrid[0:height, 0:width]
    weights = mix.weights_rgb(camera.shutter_s)
    edges = []
    for name in ("left shoulder", "right shoulder"):
        point = layout.anchors_m[name]
        place = frame.place(point[None])[0]
        reach_px = SHOULDER_REACH_M / float(frame.depth_m(point)) / frame.half_width * width / 2
        close = np.hypot(columns - place[0] * width, rows - place[1] * height) < reach_px
        edge, inner = sitter & close & (depth_px <= band), sitter & close & (depth_px > band) & (depth_px <= 5 * band)
        if edge.sum() < 10 or inner.sum() < 10:
            continue
        on_edge, further_in = (
            color.luminance(stack.pixels[:, mask].mean(axis=1, dtype=float) * weights) for mask in (edge, inner)
        )
        draws = on_edge > 2**EDGE_OVER_INNER_STOPS * further_in
        total = float(on_edge.sum())
        loss = {light: loss_stops(total, float(on_edge[k])) if draws[k] else 0.0 for k, light in enumerate(mix.names)}
        best = max(loss, key=lambda light: loss[light])
        edges.append(ShoulderEdge(name, loss, best if loss[best] > IDLE_STOPS else None))
    return tuple(edges)
