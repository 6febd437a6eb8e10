"""One group's light: every light's every emission traced once, pictures and meters alike.

What one light gives does not depend on the others traced with it: pictures by the renderer's numbering of its random
numbers, meters because every point takes the same number of rays. So a variation reads the same whatever shares its
group, whichever worker makes it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

import numpy as np

from sim.light.develop import denoised
from sim.light.readings import Probe, ProbeReadings
from sim.light.stack import LightStack
from sim.metering.report_points import report_probes
from sim.quantities.errors import HalfstopError
from sim.render import fingerprint
from sim.render.cache.disk import Store, store_from_environment
from sim.render.cache.memory import ReadOnly
from sim.render.cache.stage import CachedStage
from sim.render.engine import start_engine
from sim.scene.model import Scene
from sim.session import Rehearsal
from sim.studio.figure import Figure, figure_from_sitter
from sim.studio.layout import Layout, layout_from_scene
from sim.sweep.setup import Group, GroupRequest, VariationJob
from sim.sweep.variations import maker, scene_of

if TYPE_CHECKING:
    from sim.advice.checks.intrusions import Intrusion
    from sim.advice.checks.sparkle import SequinLight
    from sim.render.stage.build import Stage
    from sim.render.stage.shape_cache import ShapeCache


class WrongMaker(HalfstopError):
    """A worker whose results would not match the others'."""


# Takes every ray that is allowed, however sure a reading is.
NEVER_SURE = -1.0
LENS_RAYS, DUTY_RAYS = 1 << 13, 1 << 13
FIGURES_KEPT = 4


@dataclass(frozen=True)
class Layer:
    """What one light gives with one emission, at full dial and white.

    `pixels`, `clean` (h, w, 3), `variance` (h, w) and `part_excess` (r, 4), None where no picture is wanted; `meters`
    (m, 3) and `meters_error` (m,) at the report's probes; `lens` its straight light and all of its light (4,) on it;
    `duties` (d, 3) and `duties_error` (d,) at the points that duties are told from, `sequins` what it sends by those in
    view, None without checks.
    """

    meters: np.ndarray
    meters_error: np.ndarray
    pixels: np.ndarray | None = None
    variance: np.ndarray | None = None
    part_excess: np.ndarray | None = None
    clean: np.ndarray | None = None
    lens: np.ndarray | None = None
    duties: np.ndarray | None = None
    duties_error: np.ndarray | None = None
    sequins: SequinLight | None = None


class Guides(TypedDict):
    """What the camera met, whatever light falls on it, and how it was traced: fields of a `LightStack`."""

    albedo: np.ndarray
    normal: np.ndarray
    distance_m: np.ndarray
    region: np.ndarray
    region_names: tuple[str, ...]
    samples: int
    engine: str


@dataclass(frozen=True)
class Traced:
    """One group's light: `layers` by place of the light and key of its emission.

    `guides` what the camera met, None where nothing is pictured; `intrusions` gear in the picture.
    """

    group: str
    probes: tuple[Probe, ...]
    layers: dict[tuple[int, str], Layer]
    guides: Guides | None = None
    duty_probes: tuple[Probe, ...] = ()
    intrusions: tuple[Intrusion, ...] = ()


def trace_group(request: GroupRequest, group: Group) -> Traced:
    """Trace all that the variations of a group share.

    Raises `WrongMaker` where this process is no match for the request.
    """
    require_maker(request)
    with scene_folder(group.files) as folder:
        members = [rehearsal_of(variation, group.file, folder) for variation in group.variations]
        first = members[0]
        layers: dict[tuple[int, str], Layer] = {}
        guides: Guides | None = None
        duty_probes: tuple[Probe, ...] = ()
        probes = tuple(report_probes(first.scene, first.layout))
        for turn in passes_of(group.variations, len(first.layout.light_names)):
            lit = _lit(group.key, members, turn)
            fresh = {light: key for light, (_, key) in turn.items()}
            traced, stack, duty_probes = _pass(request, first.scene, lit, probes, sorted(fresh))
            layers |= {(light, fresh[light]): layer for light, layer in traced.items()}
            guides = guides or _guides(stack)
        seen: tuple[Intrusion, ...] = ()
        if "checks" in request.keep:
            from sim.advice.checks.intrusions import intrusions

            seen = intrusions(stage_of(group.key, first))
    return Traced(group.key, probes, layers, guides, duty_probes, seen)


def require_maker(request: GroupRequest) -> None:
    """Start the engine; refuse a worker of another version, whose results would not match the others'."""
    started = start_engine()
    ours = maker(started.variant)
    if ours != request.maker:
        differ = [f"{a} here, {b} asked for" for a, b in zip(ours, request.maker, strict=False) if a != b]
        raise WrongMaker(f"this worker runs other software ({'; '.join(differ)}); give all workers the same")


def passes_of(variations: Sequence[VariationJob], lights: int) -> Iterator[dict[int, tuple[int, str]]]:
    """Passes that trace every emission once: for each light still to trace, the variation that has it and its key.

    Light beyond those of the scene's lights, of windows and surroundings, has one emission in a group.
    """
    members: list[dict[str, int]] = []
    for light in range(lights):
        keys = [variation.emissions[light] if light < len(variation.emissions) else "" for variation in variations]
        members.append({key: keys.index(key) for key in dict.fromkeys(keys)})
    for turn in range(max(len(by_key) for by_key in members)):
        rows = {light: list(by_key.items())[turn] for light, by_key in enumerate(members) if turn < len(by_key)}
        yield {light: (member, key) for light, (key, member) in rows.items()}


def _lit(group: str, members: Sequence[Rehearsal], turn: dict[int, tuple[int, str]]) -> CachedStage:
    """The group's stage with one pass's emissions on its faces; what a preview has kept of it is not traced again."""
    first = members[0].layout
    placed = list(first.lights)
    for light, (member, _) in turn.items():
        if light < len(placed):
            placed[light] = members[member].layout.lights[light]
    layout = replace(first, lights=tuple(placed))

    def built() -> Stage:
        stage = stage_of(group, members[0])
        emitters = iter([emitter for light in layout.lights for emitter in light.rig.emitters])
        faces = tuple(replace(face, emitter=next(emitters)) for face in stage.faces)
        return replace(stage, layout=layout, faces=faces, wanted_layers=frozenset(turn))

    return CachedStage(members[0].scene, layout, members[0].store, build=built)


def _pass(
    request: GroupRequest, scene: Scene, stage: CachedStage, probes: tuple[Probe, ...], fresh: Sequence[int]
) -> tuple[dict[int, Layer], LightStack | None, tuple[Probe, ...]]:
    depth, keep = scene.render.depth, request.keep
    read = stage.read_probes(
        probes, seed=request.seed, depth=depth, target_stderr_stops=NEVER_SURE, most_rays=request.meter_rays
    )
    stack, clean, lens, duty, sequins = None, None, None, None, None
    if {"pictures", "layers", "checks"} & set(keep):
        stack = stage.render(
            size=request.size, samples=request.samples, seed=request.seed, depth=depth, wanted=frozenset(fresh)
        )
        if "pictures" in keep:
            clean = _cleaned(stack, fresh, request.denoiser)
    if "checks" in keep:
        from sim.advice.checks.duties import duty_readings
        from sim.advice.checks.flare import lens_light
        from sim.advice.checks.sparkle import sequin_light

        lens = lens_light(stage, seed=request.seed, target_stderr_stops=NEVER_SURE, most_rays=LENS_RAYS)
        duty = duty_readings(stage, seed=request.seed, target_stderr_stops=NEVER_SURE, most_rays=DUTY_RAYS)
        sequins = sequin_light(stage, seed=request.seed)
    layers = {
        light: Layer(
            meters=read.values[:, light],
            meters_error=read.stderr[:, light],
            pixels=None if stack is None else stack.pixels[light].copy(),
            variance=None if stack is None else stack.variance[light].copy(),
            part_excess=None if stack is None else stack.part_excess[light],
            clean=None if clean is None else clean[light],
            lens=None if lens is None else np.array([lens.straight[light], *lens.all_rgb[light]]),
            duties=None if duty is None else duty.values[:, light],
            duties_error=None if duty is None else duty.stderr[:, light],
            sequins=None if sequins is None else sequins.of_light(light),
        )
        for light in fresh
    }
    return layers, stack, () if duty is None else duty.probes


def _cleaned(stack: LightStack, lights: Sequence[int], quality: str) -> dict[int, np.ndarray]:
    """The traced layers cleaned for viewing, each on its own as a preview does."""
    chosen = list(lights)
    some = replace(
        stack, names=tuple(stack.names[i] for i in chosen), is_flash=tuple(stack.is_flash[i] for i in chosen),
        pixels=stack.pixels[chosen], variance=stack.variance[chosen],
    )  # fmt: skip
    clean = denoised(some, quality=quality).denoised
    assert clean is not None
    return {light: clean[place].copy() for place, light in enumerate(chosen)}


def _guides(stack: LightStack | None) -> Guides | None:
    if stack is None:
        return None
    return Guides(
        albedo=stack.albedo, normal=stack.normal, distance_m=stack.distance_m, region=stack.region,
        region_names=stack.region_names, samples=stack.samples, engine=stack.engine,
    )  # fmt: skip


# -- scenes and stages of this process -----------------------------------------------------------


@contextmanager
def scene_folder(files: dict[str, bytes]) -> Iterator[Path]:
    """A folder with the files that a group's scenes name, for as long as they are read."""
    with tempfile.TemporaryDirectory(prefix="halfstop-sweep-") as name:
        for file, data in files.items():
            path = Path(name) / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        yield Path(name)


def rehearsal_of(variation: VariationJob, file: str, folder: Path) -> Rehearsal:
    """A variation's rehearsal; figures are kept from one variation to the next, layers of previews are only read."""
    scene = scene_of(variation.text, file, folder)
    figure = _figure(_Sitter(scene)) if isinstance(scene.sitter.figure, str) else None
    store = _previews()
    return Rehearsal(scene, layout=layout_from_scene(scene, folder, figure=figure), store=store, fresh=store is None)


def _previews() -> Store | None:
    # A sweep has a table of its own: its many layers would push a user's few out of the store.
    store = store_from_environment()
    return None if store is None else ReadOnly(store)


class _Sitter:
    """A scene's sitter, equal to another that is posed alike and looks to the same place."""

    def __init__(self, scene: Scene) -> None:
        self.sitter, self.camera_m = scene.sitter, scene.camera.place.position_m
        self.key = fingerprint.of_sitter(scene)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Sitter) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


@lru_cache(maxsize=FIGURES_KEPT)
def _figure(who: _Sitter) -> Figure:
    return figure_from_sitter(who.sitter, who.camera_m, Path())


_LAST: dict[str, Stage] = {}
_SHAPES: list[ShapeCache] = []


def stage_of(group: str, member: Rehearsal) -> Stage:
    """The built stage of a group, kept until this process builds another, which takes over what did not change."""
    if group not in _LAST:
        start_engine()
        from sim.render.stage.build import build
        from sim.render.stage.shape_cache import ShapeCache

        # Let go of the last before the next is built: kernels are recorded for whatever is alive.
        _LAST.clear()
        if not _SHAPES:
            _SHAPES.append(ShapeCache())
        _LAST[group] = build(member.scene, member.layout, shapes=_SHAPES[0])
    return _LAST[group]


def readings_of(traced: Traced, layout: Layout, variation: VariationJob) -> ProbeReadings:
    """Readings of the report's probes for one variation."""
    layers = layers_of(traced, layout, variation)
    return ProbeReadings(
        probes=traced.probes, names=layout.light_names, is_flash=layout.is_flash,
        values=np.stack([layer.meters for layer in layers], axis=1),
        stderr=np.stack([layer.meters_error for layer in layers], axis=1), rays=(0,) * len(traced.probes),
    )  # fmt: skip


def layers_of(traced: Traced, layout: Layout, variation: VariationJob) -> list[Layer]:
    """The layers of one variation, in the order of its lights."""
    keys = [*variation.emissions, *("" for _ in layout.light_names[len(variation.emissions) :])]
    return [traced.layers[place, key] for place, key in enumerate(keys)]


def stack_of(
    traced: Traced, layout: Layout, variation: VariationJob, request: GroupRequest, depth: int | None
) -> LightStack:
    """The light stack of one variation, with cleaned layers where pictures are wanted."""
    layers = layers_of(traced, layout, variation)
    assert traced.guides is not None
    stack = LightStack(
        names=layout.light_names, is_flash=layout.is_flash,
        pixels=np.stack([layer.pixels for layer in layers if layer.pixels is not None]),
        variance=np.stack([layer.variance for layer in layers if layer.variance is not None]),
        part_excess=np.stack([layer.part_excess for layer in layers if layer.part_excess is not None]),
        seed=request.seed, depth=depth, **traced.guides,
    )  # fmt: skip
    clean = [layer.clean for layer in layers if layer.clean is not None]
    return stack.with_denoised(np.stack(clean)) if clean else stack
