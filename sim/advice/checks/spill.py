"""Spill: how much of each light lands where it is not aimed, in stops below what its target gets."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId
from sim.metering.points import RECEPTOR_GAP_M
from sim.quantities import color
from sim.render.cache.queries import StageLike, direct_light, first_hits, read_probes
from sim.studio.layout import Layout, PlacedLight, unit

# Places that are looked at, by what they belong to.
PLACES = {
    "head": ("face", "hair"),
    "body": ("chest", "left shoulder", "right shoulder", "gown", "hip", "gown lower"),
    "backdrop": (
        "backdrop head", "backdrop centre", "backdrop top left", "backdrop top right", "backdrop bottom left",
        "backdrop bottom right",
    ),
}  # fmt: skip
# A light this much under its target is no spill to speak of; common practice, no source.
NEGLIGIBLE_STOPS = 6.0
TARGET = "target"


@dataclass(frozen=True)
class Spill:
    """Where else a light lands.

    `target` in words; `target_group` head, body or backdrop; `blocked` share of the straight light on its way to the
    target that something stands in, 0..1, and `blocker` what (a light, panel or part; "" for nothing); `below_stops` by
    place of the other groups: stops under the target (negative: more than the target gets), inf for none;
    `stderr_stops` by place; `diffused` whether the blocker is a scrim, which passes the light on.
    """

    light: str
    target: str
    target_group: str
    blocked: float
    blocker: str
    below_stops: dict[str, float]
    stderr_stops: dict[str, float]
    diffused: bool = False


def spills(
    stage: StageLike,
    mix: Mix,
    *,
    seed: int = 0,
    most_rays: int = 1 << 14,
    depth: int = 4,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> tuple[Spill, ...]:
    """Each light's own light at its target and everywhere else, on a flat receptor turned to the light.

    The receptor is held 4 cm off the place; light that came back from room and set counts. Muted lights are left out.
    Does not: say whether the spill is wanted, as a key's on the gown often is.
    """
    layout = stage.layout
    spills = []
    for layer, light in enumerate(layout.lights):
        if mix.muted[layer]:
            continue
        places = [PLACES[group] for group in PLACES if layout.has_sitter or group == "backdrop"]
        names = [name for group in places for name in group if name in layout.anchors_m]
        target, group = nearest_place(layout, light.aim_m)
        probes = [_probe(ProbeId("flat", TARGET, light.name), light.aim_m, light.position_m)]
        for name in names:
            off = layout.anchors_m[name] + RECEPTOR_GAP_M * layout.anchor_normals[name]
            probes.append(_probe(ProbeId("flat", name, light.name), off, light.position_m))
        read = read_probes(
            stage, probes, seed=seed, depth=depth, most_rays=most_rays,
            on_launch=on_launch, most_rays_at_once=most_rays_at_once,
        )  # fmt: skip
        strength = color.luminance(read.values[:, layer])
        relative = read.stderr[:, layer] / np.maximum(strength, 1e-30) / math.log(2)
        below, error = {}, {}
        for index, name in enumerate(names, start=1):
            if name not in PLACES[group]:
                below[name] = _stops_below(float(strength[0]), float(strength[index]))
                error[name] = float(np.hypot(relative[0], relative[index]))
        toward = unit(light.position_m - light.aim_m)
        way = direct_light(stage, (light.aim_m + RECEPTOR_GAP_M * toward)[None], layers=[layer], samples=256, seed=seed)
        free = float(way.unblocked[0, layer])
        blocked = 1 - float(way.reaching[0, layer]) / free if free > 0 else 1.0
        blocker = _first_in_the_way(stage, light.aim_m + RECEPTOR_GAP_M * toward, light) if blocked > 0 else ""
        diffused = blocker in {panel.name for panel in layout.panels if panel.kind == "scrim"}
        spills.append(Spill(light.name, target, group, blocked, blocker, below, error, diffused))
    return tuple(spills)


def nearest_place(layout: Layout, aim_m: np.ndarray) -> tuple[str, str]:
    """The named place nearest to an aim, and the group it belongs to."""
    distance = {
        (name, group): float(np.linalg.norm(layout.anchors_m[name] - aim_m))
        for group, names in PLACES.items()
        for name in names
        if name in layout.anchors_m
    }
    return min(distance, key=lambda key: distance[key])


def _first_in_the_way(stage: StageLike, start_m: np.ndarray, light: PlacedLight) -> str:
    """Name of the first thing on the way from a point to the middle of a light's face, "" where none is."""
    toward = unit(light.position_m - start_m)
    hits = first_hits(stage, start_m, toward[None])
    if hits.distance_m[0] >= np.linalg.norm(light.position_m - start_m) - 0.02:
        return ""
    if hits.layer[0] >= 0:
        return stage.light_names[int(hits.layer[0])]
    region = stage.region_names[int(hits.region[0])]
    place = start_m + hits.distance_m[0] * toward
    for panel in stage.layout.panels if region == "panel" else ():
        local = panel.world_from_panel[:3, :3].T @ (place - panel.world_from_panel[:3, 3])
        if abs(local[2]) < 0.01 and abs(local[0]) <= panel.width_m / 2 and abs(local[1]) <= panel.height_m / 2:
            return panel.name
    return region


def _probe(id: ProbeId, point_m: np.ndarray, light_m: np.ndarray) -> Probe:
    toward = unit(light_m - point_m)
    # The target itself is read as far off as the others.
    return Probe(id, "flat", point_m + (RECEPTOR_GAP_M * toward if id.part == TARGET else 0), toward)


def _stops_below(target: float, here: float) -> float:
    if here <= 0:
        return math.inf
    return math.log2(target / here) if target > 0 else -math.inf
