"""How far the sitter may turn, nod or step before the light on the face is no longer the one that was set.

The lights, panels and camera stay where they are; the sitter moves. Limits to each side:
    face reading   the mean of five incident domes toward the camera, before nose, forehead, chin and both cheeks, all
                   lights: within 1/3 stop of the reading as placed (1/3 stop: common practice, no source). Five,
                   because a light from behind that just clears the cheek would make a single point jump
    nose shadow    the pattern that the key draws on the face keeps its name (see `noseshadow`), and broad does not
                   become short or short broad
    spot           of the face points inside a tight light's beam as placed, at least half are still inside; the beam is
                   where the light is at least half as strong as on its axis at its aim (the trade's beam angle)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sim.advice.checks.faceframe import FaceGrid, face_grid
from sim.advice.checks.noseshadow import NoseShadow, nose_shadow
from sim.advice.checks.shadow_words import name_from_shadow
from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import ProbeId
from sim.metering.points import probe_at
from sim.quantities import color
from sim.render.cache.queries import StageLike, direct_light, read_probes
from sim.render.cache.stage import CachedStage
from sim.scene.model import PaperBackdrop, Scene, Sitter
from sim.studio.layout import Layout, layout_from_scene

READING_WITHIN_STOPS = 1 / 3
BEAM_EDGE = 0.5
SPOT_KEEPS = 0.5
# A light is tight where a ring of this radius around its aim gets under a tenth of what the aim gets.
TIGHT_RING_M, TIGHT_BELOW = 0.25, 0.1
# As far from the face as a light aimed at the head may be aimed.
HEAD_RADIUS_M = 0.22
GRID_STEP = 0.05
PROBE_RAYS = 1 << 13
FACE_POINTS = ("face", "forehead", "chin", "left cheek", "right cheek")


@dataclass(frozen=True)
class SitterMove:
    """A way the sitter may move: offsets from the pose as placed, degrees or metres, and the finest step asked for."""

    name: str
    unit: str
    offsets: tuple[float, ...]
    finest: float
    low: str
    high: str


def _steps(limit: float, count: int) -> tuple[float, ...]:
    return tuple(float(v) for v in np.linspace(-limit, limit, 2 * count + 1))


MOVES = (
    SitterMove("head turn", "deg", _steps(40, 8), 0.5, "toward camera left", "toward camera right"),
    SitterMove("nod", "deg", _steps(24, 6), 0.5, "chin up", "chin down"),
    SitterMove("body turn", "deg", _steps(40, 8), 0.5, "toward camera left", "toward camera right"),
    SitterMove("step aside", "m", _steps(0.5, 5), 0.005, "toward camera left", "toward camera right"),
    SitterMove("step in depth", "m", _steps(0.5, 5), 0.005, "away from the camera", "toward the camera"),
)


@dataclass(frozen=True)
class Sample:
    """What one pose gives: `face_stops` against the pose as placed, its standard error, the key's pattern, and the
    share of the face inside each tight light's beam, in tight-light order."""

    offset: float
    face_stops: float
    stderr_stops: float
    shadow: NoseShadow
    spot_shares: tuple[float, ...]


@dataclass(frozen=True)
class Limit:
    """Where one thing gives way on one side.

    `what` "face reading", "nose shadow" or the tight light's name; `side` -1 or +1; `offset` in the move's unit, None
    if it holds as far as was looked; `uncertain` plus or minus, same unit; `becomes` what is found beyond.
    """

    what: str
    side: int
    offset: float | None
    uncertain: float
    becomes: str


@dataclass(frozen=True)
class MoveSweep:
    """One move: its samples in order of offset and the limits found."""

    move: SitterMove
    samples: tuple[Sample, ...]
    limits: tuple[Limit, ...]


@dataclass(frozen=True)
class Latitude:
    """All sweeps of a set-up; `key` draws the shadow, `tight` lights are aimed at the head; `placed` as it stands."""

    key: str
    tight: tuple[str, ...]
    placed: Sample
    sweeps: tuple[MoveSweep, ...]


def moved_sitter(sitter: Sitter, move: str, offset: float) -> Sitter:
    """The sitter moved by an offset (degrees or metres) of one of `MOVES`."""
    head, step = sitter.head, sitter.step_m
    match move:
        case "head turn":
            return sitter.model_copy(update={"head": head.model_copy(update={"turn_deg": head.turn_deg + offset})})
        case "nod":
            return sitter.model_copy(update={"head": head.model_copy(update={"nod_deg": head.nod_deg + offset})})
        case "body turn":
            return sitter.model_copy(update={"turn_deg": sitter.turn_deg + offset})
        case "step aside":
            return sitter.model_copy(update={"step_m": (step[0] + offset, step[1])})
        case "step in depth":
            return sitter.model_copy(update={"step_m": (step[0], step[1] + offset)})
    raise ValueError(f"no move is called {move!r}")


def moved_layout(scene: Scene, layout: Layout, move: str, offset: float) -> Layout:
    """The layout with the sitter moved and everything else, aims included, where it was."""
    moved = scene.model_copy(update={"sitter": moved_sitter(scene.sitter, move, offset)})
    after = layout_from_scene(moved, scene.file_path("."))
    return replace(
        after, lights=layout.lights, even_ambients=layout.even_ambients, panels=layout.panels, camera=layout.camera
    )


def key_light(stage: StageLike, mix: Mix, shutter_s: float, grid: FaceGrid | None = None) -> str:
    """The light that gives the face most of its straight light at the mix's settings.

    Does not: go by names.
    """
    grid = grid or face_grid(stage, GRID_STEP)
    reaching = direct_light(stage, grid.points_m[grid.on_face], grid.normals[grid.on_face]).reaching.mean(axis=0)
    return mix.names[int(np.argmax(reaching * color.luminance(mix.weights_rgb(shutter_s))))]


def tight_lights(stage: StageLike, mix: Mix) -> tuple[str, ...]:
    """Lights aimed at the head whose light falls to a tenth within 25 cm of the aim; muted ones are left out."""
    tight = []
    face_m = stage.layout.anchors_m["face"]
    for layer, light in enumerate(stage.layout.lights):
        if mix.muted[layer] or np.linalg.norm(light.aim_m - face_m) > HEAD_RADIUS_M:
            continue
        angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)[:, None]
        ring = np.cos(angle) * light.world_from_light[:3, 0] + np.sin(angle) * light.world_from_light[:3, 1]
        points = np.vstack([light.aim_m, light.aim_m + TIGHT_RING_M * ring])
        strength = direct_light(stage, points, layers=[layer], samples=256).unblocked[:, layer]
        if strength[0] > 0 and strength[1:].mean() < TIGHT_BELOW * strength[0]:
            tight.append(light.name)
    return tuple(tight)


class _Bench:
    """One set-up kept ready: builds a pose's stage and takes its readings."""

    def __init__(self, scene: Scene, layout: Layout | None, key: str | None, around: CachedStage | None) -> None:
        # Leave out the painting of the backdrop, which the face does not see.
        backdrop = scene.backdrop
        if backdrop.kind in ("canvas", "image"):
            plain = PaperBackdrop.model_validate({
                "kind": "paper",
                "size": backdrop.size,
                "distance_m": f"{backdrop.distance_m} m",
                # A millimetre off the floor it hangs straight and does not sweep forward.
                "bottom_m": f"{max(backdrop.bottom_m, 0.001)} m",
                "reflectance": getattr(backdrop, "reflectance", 0.2),
            })  # fmt: skip
            scene = scene.model_copy(update={"backdrop": plain})
        # Sew the gown without its sequins, whose many facets the face hardly notices.
        clothing = scene.sitter.clothing
        if clothing.style == "sequinned gown":
            plain_cloth = clothing.model_copy(update={"style": "velvet gown"})
            scene = scene.model_copy(update={"sitter": scene.sitter.model_copy(update={"clothing": plain_cloth})})
        self.scene, self.camera = scene, scene.camera
        self.layout = layout or layout_from_scene(scene, scene.file_path("."))
        self.mix = mix_from_scene(scene, self.layout)
        self._around = around or CachedStage(scene, self.layout)
        stage = self._around.changed(scene, self.layout)
        self.grid = face_grid(stage, GRID_STEP)
        self.key = key or key_light(stage, self.mix, self.camera.shutter_s, self.grid)
        self.key_layer = self.mix.names.index(self.key)
        self.tight = tight_lights(stage, self.mix)
        self.beam_edges = []
        for name in self.tight:
            layer = self.mix.names.index(name)
            aim = self.layout.light(name).aim_m[None]
            strength = direct_light(stage, aim, layers=[layer], samples=1024).unblocked[0, layer]
            self.beam_edges.append(BEAM_EDGE * strength)
        self.exposure, _ = self._face(stage)
        self.placed = self._sample(stage, 0.0)

    def stage(self, move: str, offset: float) -> CachedStage:
        return self._around.changed(self.scene, moved_layout(self.scene, self.layout, move, offset))

    def sample(self, move: str, offset: float) -> Sample:
        return self.placed if offset == 0 else self._sample(self.stage(move, offset), offset)

    def shadow(self, move: str, offset: float) -> NoseShadow:
        return nose_shadow(self.stage(move, offset), self.key_layer)

    def _sample(self, stage: StageLike, offset: float) -> Sample:
        exposure, stderr = self._face(stage)
        stops = math.log2(exposure / self.exposure) if exposure > 0 and self.exposure > 0 else -math.inf
        return Sample(offset, stops, stderr, nose_shadow(stage, self.key_layer), self._shares(stage))

    def _face(self, stage: StageLike) -> tuple[float, float]:
        """Mean exposure (lx s) of domes at the face toward the camera, and its standard error in stops."""
        toward = stage.layout.camera.position_m
        probes = [probe_at(stage.layout, ProbeId("dome", point), toward) for point in FACE_POINTS]
        read = read_probes(stage, probes, depth=self.scene.render.depth, most_rays=PROBE_RAYS)
        weights = self.mix.weights_rgb(self.camera.shutter_s)
        exposure = float(color.luminance(read.values * weights).sum(axis=1).mean())
        error = float(np.sqrt(np.square(read.stderr * color.luminance(weights)).sum())) / len(probes)
        return exposure, error / exposure / math.log(2) if exposure > 0 else 0.0

    def _shares(self, stage: StageLike) -> tuple[float, ...]:
        if not self.tight:
            return ()
        grid = face_grid(stage, 0.1)
        points = grid.points_m[grid.on_face]
        shares = []
        for name, edge in zip(self.tight, self.beam_edges, strict=True):
            layer = self.mix.names.index(name)
            strength = direct_light(stage, points, layers=[layer], samples=64).unblocked[:, layer]
            shares.append(float((strength >= edge).mean()))
        return tuple(shares)


def latitude(
    scene: Scene,
    *,
    layout: Layout | None = None,
    key: str | None = None,
    stage: CachedStage | None = None,
    moves: Sequence[SitterMove] = MOVES,
    on_progress: Callable[[float], None] | None = None,
) -> Latitude:
    """Sweep every move and find where face reading, nose shadow and tight lights give way.

    Arguments: `key` the light whose shadow is named (default: the one that gives the face most); `stage` one
    whose stores the poses' stages take; `moves` to sweep.
    Does not: let two moves happen at once, or let the camera follow.
    """
    bench = _Bench(scene, layout, key, stage)
    total, done = sum(len(move.offsets) for move in moves), 0
    sweeps = []
    for move in moves:
        samples = []
        for offset in move.offsets:
            samples.append(bench.sample(move.name, offset))
            done += 1
            if on_progress is not None:
                on_progress(done / total)
        limits = [limit for side in (-1, 1) for limit in _limits(bench, move, samples, side)]
        sweeps.append(MoveSweep(move, tuple(samples), tuple(limits)))
    return Latitude(bench.key, bench.tight, bench.placed, tuple(sweeps))


def same_pattern(a: NoseShadow, b: NoseShadow) -> bool:
    """Whether two shadows have the same name; square to the camera goes with both broad and short."""
    return a.pattern == b.pattern and (a.side == b.side or not a.side or not b.side)


def _limits(bench: _Bench, move: SitterMove, samples: Sequence[Sample], side: int) -> list[Limit]:
    outward = sorted((s for s in samples if s.offset * side >= 0), key=lambda s: abs(s.offset))
    limits = [reading_limit(outward, side), _shadow_limit(bench, move, outward, side)]
    for index, name in enumerate(bench.tight):
        limits.append(spot_limit(outward, index, name, side))
    return limits


def reading_limit(outward: Sequence[Sample], side: int) -> Limit:
    """Where the face reading leaves a third of a stop, by a straight line between the samples about it.

    Arguments: `outward` samples from the pose as placed outward on one side.
    """
    for before, after in pairwise(outward):
        if abs(after.face_stops) <= READING_WITHIN_STOPS:
            continue
        bound = math.copysign(READING_WITHIN_STOPS, after.face_stops)
        becomes = f"{'over' if bound > 0 else 'under'} by more than 1/3 stop"
        if not math.isfinite(after.face_stops):
            return Limit("face reading", side, before.offset, abs(after.offset - before.offset), becomes)
        slope = (after.face_stops - before.face_stops) / (after.offset - before.offset)
        offset = before.offset + (bound - before.face_stops) / slope
        return Limit(
            "face reading", side, offset, math.hypot(before.stderr_stops, after.stderr_stops) / abs(slope), becomes
        )
    return Limit("face reading", side, None, 0.0, "")


def spot_limit(outward: Sequence[Sample], index: int, name: str, side: int) -> Limit:
    """Where fewer than half of the face points that a tight light's beam held as placed are left in it."""
    least = SPOT_KEEPS * outward[0].spot_shares[index]
    for before, after in pairwise(outward):
        if after.spot_shares[index] < least:
            part = (before.spot_shares[index] - least) / (before.spot_shares[index] - after.spot_shares[index])
            offset = before.offset + part * (after.offset - before.offset)
            return Limit(name, side, offset, 0.02 * abs(after.offset - before.offset), "the beam leaves the face")
    return Limit(name, side, None, 0.0, "")


def _shadow_limit(bench: _Bench, move: SitterMove, outward: Sequence[Sample], side: int) -> Limit:
    """Where the nose shadow loses its name, by halving the step in which it does.

    What it becomes is the next sample's, as chart and data show it, not what a sliver of a degree on the way draws.
    """
    placed = outward[0].shadow
    for before, after in pairwise(outward):
        if same_pattern(after.shadow, placed):
            continue
        low, high = before.offset, after.offset
        while abs(high - low) > move.finest:
            middle = (low + high) / 2
            if same_pattern(bench.shadow(move.name, middle), placed):
                low = middle
            else:
                high = middle
        return Limit("nose shadow", side, (low + high) / 2, abs(high - low) / 2, name_from_shadow(after.shadow))
    return Limit("nose shadow", side, None, 0.0, "")
