"""Duties: one plain sentence for each light, of what it does in this set-up, from what is lost without it.

    points    stops lost at meter points: domes toward the camera on the sitter, flat receptors on the backdrop
    halo      backdrop within 30 cm of the place behind the head over backdrop beyond 90 cm, in stops
    edge      light on the shoulders' outline, of lights that put at least twice as much there as further in
    sparkle   highlights of the clothes (see `sparkle`)
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
WORDS = {
    "gown": "the upper gown", "gown lower": "the lower gown", "backdrop head": "the backdrop behind the head",
    "backdrop centre": "the middle of the backdrop",
}  # fmt: skip
# A point that loses so much has nearly all its light from there. The sentence names this many points or groups.
WHOLE_STOPS = 4.0
MOST_TOLD = 5
# Points that lose nearly the same are told as one.
ALIKE_STOPS = 0.3


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

    `sentence`; `idle`; `lost_stops` by meter point: how far the point falls without the light.
    """

    light: str
    sentence: str
    idle: bool
    lost_stops: dict[str, float]


@dataclass(frozen=True)
class Duties:
    """A duty for each light in layer order, the halo, and the edge of each shoulder in the picture."""

    duties: tuple[Duty, ...]
    halo: Halo | None
    edges: tuple[ShoulderEdge, ...]

    def of(self, light: str) -> Duty:
        """The duty of one light."""
        return next(duty for duty in self.duties if duty.light == light)


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
            if name not in layout.anchors_m:
                continue
            if group == "backdrop":
                outward_m = layout.anchors_m[name] + layout.anchor_normals[name]
                probes.append(probe_at(layout, ProbeId("flat", name, "outward"), outward_m))
            else:
                probes.append(probe_at(layout, ProbeId("dome", name), layout.camera.position_m))
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

    Does not: know the lights' names from their duties; the sentences hold measured losses only.
    """
    exposures = color.luminance(read.values * mix.weights_rgb(camera.shutter_s))
    halo = halo_of(stack, layout, mix, camera)
    edges = shoulder_edges(stack, layout, mix, camera)
    names = [probe.id.part for probe in read.probes]
    duties = []
    for k, light in enumerate(mix.names):
        lost = {name: loss_stops(float(row.sum()), float(row[k])) for name, row in zip(names, exposures, strict=True)}
        tasks = [_points_text(lost)]
        if halo is not None and halo.maker == light:
            tasks.append(f"makes the halo behind the head ({_stops(halo.loss_stops[light])} less without it)")
        for edge in edges:
            if edge.maker == light:
                tasks.append(f"draws the edge of the {edge.shoulder} ({_stops(edge.loss_stops[light])} of it)")
        if glints is not None and glints.maker == light:
            tasks.append(
                f"makes the sparkle ({glints.index:.2f} glints per cm², {glints.without[light]:.2f} without it)"
            )
        sparkles = (
            glints is not None and glints.index > 0 and abs(1 - glints.without[light] / glints.index) > IDLE_STOPS
        )
        if parted.provider == light:
            tasks.append(
                f"sets the sitter off from what is behind ({_stops(parted.loss_stops[light])} of the contrast)"
            )
        tasks = [text for text in tasks if text]
        idle = not tasks and not sparkles and abs(parted.loss_stops[light]) <= IDLE_STOPS
        if not tasks and not idle:
            tasks = ["changes only the outline or the sparkle a little"]
        if tasks and not lost_over(lost):
            tasks[-1] += "; no meter point changes by more than 1/10 stop"
        sentence = f"{'; '.join(tasks)}." if tasks else "idle: without it nothing changes by more than 1/10 stop."
        if mix.muted[k]:
            sentence, idle = "muted.", True
        duties.append(Duty(light, sentence, idle, lost))
    return Duties(tuple(duties), halo, edges)


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


def _points_text(lost: dict[str, float]) -> str:
    """What is lost at the points, most first, points that agree told as their group."""
    losses: list[tuple[float, str]] = []
    for group, names in GROUPS.items():
        values = {name: lost[name] for name in names if name in lost}
        if not values:
            continue
        low, high = min(values.values()), max(values.values())
        if len(values) > 1 and low > IDLE_STOPS and high - low <= ALIKE_STOPS:
            losses.append(
                (
                    float(np.mean(list(values.values()))),
                    f"the whole {group}" if group != "shoulders" else "both shoulders",
                )
            )
            continue
        losses += [(value, WORDS.get(name, f"the {name}")) for name, value in values.items() if value > IDLE_STOPS]
    if not losses:
        return ""
    losses.sort(key=lambda item: -item[0])
    whole = [place for value, place in losses if value >= WHOLE_STOPS]
    partial = [(value, place) for value, place in losses if value < WHOLE_STOPS]
    texts = []
    if whole:
        texts.append(f"gives nearly all the light on {_listed(whole[:MOST_TOLD])}")
    if partial:
        first, *others = partial[: max(MOST_TOLD - len(whole), 1)]
        text = f"adds {_stops(first[0])} to {first[1]}"
        texts.append(text + "".join(f", {value:.1f} to {place}" for value, place in others))
    left = len(losses) - min(len(whole), MOST_TOLD) - min(len(partial), max(MOST_TOLD - len(whole), 1))
    text = "; ".join(texts)
    if left > 0:
        return f"{text}, less to {left} other point{'' if left == 1 else 's'}"
    everywhere = sum(value > IDLE_STOPS for value in lost.values()) == len(lost)
    return text if everywhere else f"{text}, nothing elsewhere"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _stops(value: float) -> str:
    if value >= LARGEST_STOPS:
        return f"over {LARGEST_STOPS:.0f} stops"
    return f"{value:.1f} stop{'' if value < 1.05 else 's'}"


def halo_of(stack: LightStack, layout: Layout, mix: Mix, camera: Camera) -> Halo | None:
    """How much lighter the backdrop is about the head than far from it, and which light sees to that.

    None where the picture shows no backdrop of one of the two kinds. The maker is the light whose loss takes most of
    the halo, if the halo is over a third of a stop and the loss over a tenth.
    """
    backdrop = stack.mask("backdrop")
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
