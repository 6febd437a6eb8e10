"""One request to its pictures, meters and checks, with everything kept that the next request can use."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.noseshadow import rehearsed_key_shadow
from sim.advice.checks.report import check_report, record_from_report
from sim.light.develop import denoised
from sim.light.stack import LightStack
from sim.metering.points import scene_probes, standard_probes
from sim.metering.report_points import report_probes
from sim.render import fingerprint
from sim.render.cache.disk import store_from_environment
from sim.render.cache.memory import LayerMemory
from sim.render.cache.stage import CachedStage
from sim.render.fingerprint import StageKeys
from sim.reports.preview.quality import QUALITIES
from sim.room.preview.frame import frame_from_layers
from sim.room.preview.job import Job, Replaced, Shown, guides_of, key_of_readings, kinds_of, rows_of, view_key
from sim.room.preview.live_pass import LivePass
from sim.room.preview.messages import (
    ChecksReady,
    MetersReady,
    PictureReady,
    PoseRequest,
    PreviewRequest,
    Progress,
    Result,
)
from sim.room.preview.upsample import Enlarger, Guides, repeated
from sim.scene.model import Scene
from sim.scene.read import scene_from_text
from sim.session import Rehearsal, require_light
from sim.studio.figure import Figure, Part, figure_from_sitter
from sim.studio.layout import Layout, layout_from_scene

if TYPE_CHECKING:
    from sim.render.live.ground import Ground
    from sim.render.stage.build import Stage
    from sim.render.stage.shape_cache import ShapeCache

DRAFT = QUALITIES["draft"]
# Rays of one launch for each thread: of the camera for every light and for few of them, of meters. On two quiet cores
# a launch takes less than a quarter of a second.
RAYS_A_THREAD = {"all": 96_000, "few": 240_000, "meters": 64_000}
THREADS_OF_A_GPU = 64
# So few lights are traced at full size for a first picture, which keeps the glints of a gown; more at half the size.
FEW_LIGHTS, FINE_SAMPLES, COARSE_SAMPLES = 2, 2, 4
WARM_UP_SIZE = (16, 16)


class IncrementalRenderer:
    """What is kept between requests; `answer` answers one.

    Arguments: `environ` says where the user keeps layers; see `sim.render.cache.disk.store_from_environment`.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._environ = environ
        self._threads = 0
        self.memory = LayerMemory(behind=store_from_environment(environ))
        self._shapes: ShapeCache | None = None
        self._stage: Stage | None = None
        self._stage_keys: StageKeys | None = None
        self._figure: tuple[str, Figure, str] | None = None
        self._shown: Shown | None = None
        self._live: LivePass | None = None
        self._last_job: Job | None = None
        self._compiled: set[tuple[str, frozenset[int] | None]] = set()

    def warm_up(self) -> None:
        """Start the renderer and load what the first request will need."""
        self._start()
        import pyoidn  # noqa: F401

        import sim.render.stage.build
        import sim.render.transport.render  # noqa: F401

    def _start(self) -> None:
        from sim.render.engine import start_engine

        if not self._threads:
            engine = start_engine()
            self._threads = THREADS_OF_A_GPU if engine.name == "cuda" else engine.threads

    def _at_once(self, kind: str) -> int:
        self._start()
        return RAYS_A_THREAD[kind] * self._threads

    def clear(self) -> None:
        """Let go of everything but the layers on disk."""
        self.__init__(self._environ)  # type: ignore[misc]

    def answer(self, request: PreviewRequest, send: Callable[[Result], None], has_newer: Callable[[], bool]) -> None:
        """Send every result of a request; raises Replaced when a newer one waits, HalfstopError for a bad scene."""

        def check() -> None:
            if has_newer():
                raise Replaced

        self._last_job = None
        # Tell at once that the request before has ended.
        send(Progress(request.serial, request.revision, "first", 0.0))
        job = self._job(request, send, check)
        require_light(job.rehearsal.layout)
        check()
        missing = tuple(name for name in job.names if self.memory.get(job.keys[name]) is None)
        if request.picture and missing and not self._followed(job):
            self._send_first(job, missing)
        stack = self._settled(job, missing)
        self.memory.write_behind(check)
        if request.analyse:
            key = self._meter(job)
            self._check_up(job, stack, key)
        self._last_job = job

    def follow_hand(self, pose: PoseRequest, send: Callable[[Result], None], has_newer: Callable[[], bool]) -> None:
        """Show what a hand moves where it is now, in the picture that was sent last; nothing where that cannot be."""
        if self._live is not None and self._shown is not None:
            posed = self._posed(pose.scene, pose.scene.file_path("."))
            self._live.follow_hand(pose, posed, self._shown, send, lambda: _turn_to(has_newer))

    def compile_ahead(self, has_newer: Callable[[], bool]) -> None:
        """Have kernels ready for all lights of the last request and for each alone; a first picture need not wait then.

        Raises Replaced when a request waits.
        """
        job, self._last_job = self._last_job, None
        if job is None:
            return
        from sim.render.transport.render import render

        if self._live is not None:
            self._live.prepare(lambda: _turn_to(has_newer))
        kinds = kinds_of(job.layout)
        for layers in (None, *(frozenset({row}) for row in range(len(job.names)))):
            _turn_to(has_newer)
            if (kinds, layers) not in self._compiled:
                render(self._staged(job, layers), size=WARM_UP_SIZE, samples=COARSE_SAMPLES, depth=0)
                self._compiled.add((kinds, layers))

    # -- steps -----------------------------------------------------------------------------------

    def _job(self, request: PreviewRequest, send: Callable[[Result], None], check: Callable[[], None]) -> Job:
        path = Path(request.path).absolute()
        scene = scene_from_text(request.text, path.name, path.parent)
        figure, figure_key = self._posed(scene, path.parent)
        layout = layout_from_scene(scene, path.parent, figure=figure)
        keys = fingerprint.of_stage(scene, layout, figure=figure_key)
        stage = CachedStage(scene, layout, self.memory, build=lambda: self._built(stage), keys=keys)
        layers = fingerprint.of_layers(
            keys, size=request.size, samples=request.samples, seed=request.seed, depth=scene.render.depth
        )
        return Job(request, Rehearsal(scene, layout=layout, store=self.memory, stage=stage), layers, send, check)

    def _posed(self, scene: Scene, folder: Path) -> tuple[Figure, str]:
        """The sitter in place with the key of its surfaces, kept where nothing of it changed."""
        key = fingerprint.of_sitter(scene)
        if self._figure is None or self._figure[0] != key:
            figure = figure_from_sitter(scene.sitter, scene.camera.place.position_m, folder)
            if self._figure is not None:
                figure = with_parts_kept(figure, self._figure[1])
            self._figure = key, figure, fingerprint.of_figure(figure)
        return self._figure[1:]

    def _built(self, wanted: CachedStage) -> Stage:
        """The renderer's stage of a request, built only where it differs from the last one."""
        if self._stage is None or self._stage_keys != wanted.keys:
            # Let go of the last stage first: kernels are recorded for all that is alive.
            self._stage, self._stage_keys = None, None
            self._stage = self._build(wanted.scene, wanted.layout)
            self._stage_keys = wanted.keys
        return self._stage

    def _build(self, scene: Scene, layout: Layout) -> Stage:
        self._start()
        from sim.render.stage.build import build
        from sim.render.stage.shape_cache import ShapeCache

        self._shapes = self._shapes or ShapeCache()
        return build(scene, layout, shapes=self._shapes)

    def _ground(self, scene: Scene, layout: Layout) -> Ground:
        self._start()
        from sim.render.live.ground import Ground

        return Ground(scene, layout, self._shapes)

    def _staged(self, job: Job, layers: frozenset[int] | None = None) -> Stage:
        """The stage of a request, tracing only these layers."""
        return dataclasses.replace(job.rehearsal.stage.built, wanted_layers=layers)

    def _followed(self, job: Job) -> bool:
        """Follow what moves as long as the hand does; False where it is not lights and all must be traced anew."""
        if self._live is None or self._shown is None:
            return False
        names = self._live.moved(job, self._shown)
        if names:
            self._live.follow(job, names)
        else:
            self._live.follow_view(job, self._shown)
        return bool(names)

    def _send_first(self, job: Job, missing: tuple[str, ...]) -> None:
        """Send a first picture where one can be had that is nearer to the settled one than what is shown."""
        shown = self._shown
        same_sight = shown is not None and shown.sight == job.sight
        if shown is not None and same_sight:
            moved = {name for name in job.names if shown.lights.get(name) != job.lights[name]}
            if not moved and set(shown.lights) == set(job.names) and shown.panels == job.panels:
                # Only finer than before.
                return
            new = {name for name in missing if name not in shown.view}
            asked = moved | new | set(job.request.look_first)
            wanted = missing if shown.panels != job.panels else tuple(name for name in missing if name in asked)
        else:
            wanted = missing
        if shown is not None and same_sight and not wanted:
            # A light was taken away: the others stay as they were for now.
            first = replace(shown, panels=job.panels, lights={}, view={}, raw={}, samples={})
        elif shown is not None and same_sight and len(wanted) <= FEW_LIGHTS:
            first = self._noisy(job, wanted, shown.guides)
        else:
            first = self._coarse(job, wanted, shown.guides if shown is not None and same_sight else None)
        for name in job.names:
            entry = self.memory.get(job.keys[name])
            if name in wanted:
                continue
            if entry is not None:
                seen = self.memory.get(view_key(job, name))
                first.raw[name] = entry["pixels"]
                first.view[name] = entry["pixels"] if seen is None else seen["pixels"]
                first.samples[name] = job.request.samples
                first.lights[name] = job.lights[name]
            elif shown is not None:
                first.raw[name], first.view[name] = shown.raw[name], shown.view[name]
                first.samples[name], first.lights[name] = shown.samples[name], shown.lights[name]
        kept_coarse = shown.coarse if shown is not None else frozenset()
        stale = frozenset(missing) - frozenset(wanted)
        first.coarse = frozenset(wanted) | (kept_coarse & stale)
        self._send(job, "first", first, wanted, tuple(name for name in job.names if name in stale))

    def _noisy(self, job: Job, wanted: tuple[str, ...], guides: Guides) -> Shown:
        """Layers of the wanted lights at full size from few rays, cleaned along the clean guides of before."""
        stack = self._traced_soon(job, wanted, job.request.size, FINE_SAMPLES, "few")
        guided = replace(stack, albedo=guides.albedo, normal=guides.normal)
        cleaned = self._cleaned(guided, [job.names.index(name) for name in wanted], job)
        view = dict(zip(wanted, cleaned, strict=True))
        return self._first_of(job, view, {name: stack.layer(name) for name in wanted}, stack.samples, guides)

    def _coarse(self, job: Job, wanted: tuple[str, ...], guides: Guides | None) -> Shown:
        """Layers of the wanted lights at half the size, cleaned and brought to full size."""
        width, height = job.request.size
        stack = self._traced_soon(job, wanted, ((width + 1) // 2, (height + 1) // 2), COARSE_SAMPLES, "all")
        if guides is None:
            from sim.render.transport.render import render

            seen = render(
                self._staged(job, frozenset()), size=job.request.size, samples=COARSE_SAMPLES, seed=job.request.seed,
                depth=0, on_progress=lambda part: job.check(), most_rays_at_once=self._at_once("all"),
            )  # fmt: skip
            guides = guides_of(seen)
        cleaned = self._cleaned(stack, [job.names.index(name) for name in wanted], job)
        enlarger = Enlarger(guides_of(stack), guides)
        view = {name: enlarger.enlarged(layer) for name, layer in zip(wanted, cleaned, strict=True)}
        raw = {name: repeated(stack.layer(name), job.request.size) for name in wanted}
        return self._first_of(job, view, raw, stack.samples, guides)

    def _traced_soon(
        self, job: Job, wanted: tuple[str, ...], size: tuple[int, int], samples: int, kind: str
    ) -> LightStack:
        from sim.render.transport.render import render

        stage = self._staged(job, self._soonest(job, wanted))
        job.check()
        stack = render(
            stage, size=size, samples=samples, seed=job.request.seed, depth=job.scene.render.depth,
            on_progress=lambda part: job.check(), most_rays_at_once=self._at_once(kind), least_groups=2, gather=False,
        )  # fmt: skip
        self._compiled.add((kinds_of(job.layout), stage.wanted_layers))
        return stack

    def _first_of(
        self, job: Job, view: dict[str, np.ndarray], raw: dict[str, np.ndarray], samples: int, guides: Guides
    ) -> Shown:
        return Shown(
            sight=job.sight,
            panels=job.panels,
            lights={name: job.lights[name] for name in view},
            view=view,
            raw=raw,
            samples=dict.fromkeys(view, samples),
            coarse=frozenset(view),
            guides=guides,
        )

    def _soonest(self, job: Job, wanted: tuple[str, ...]) -> frozenset[int] | None:
        """Which layers to trace so that the wanted ones are there soonest: these alone, or all with a known kernel."""
        alone = rows_of(job, wanted)
        kinds = kinds_of(job.layout)
        return alone if (kinds, alone) in self._compiled or (kinds, None) not in self._compiled else None

    def _settled(self, job: Job, missing: tuple[str, ...]) -> LightStack:
        """Trace what is missing, clean it, and send the picture."""
        request = job.request
        stack = job.rehearsal.stage.render(
            size=request.size, samples=request.samples, seed=request.seed, depth=job.scene.render.depth,
            on_progress=lambda part: job.tell("settled", 0.75 * part), most_rays_at_once=self._at_once("all"),
        )  # fmt: skip
        if missing:
            self._compiled.add((kinds_of(job.layout), rows_of(job, missing)))
        if not request.picture:
            return stack
        seen = {name: self.memory.get(view_key(job, name)) for name in job.names}
        rows = [row for row, name in enumerate(job.names) if seen[name] is None]
        for row, layer in zip(rows, self._cleaned(stack, rows, job), strict=True):
            name = job.names[row]
            seen[name] = {"pixels": layer}
            self.memory.put(view_key(job, name), {"pixels": layer}, only_here=True)
        settled = Shown(
            sight=job.sight,
            panels=job.panels,
            lights=dict(job.lights),
            view={name: entry["pixels"] for name, entry in seen.items() if entry is not None},
            raw=dict(zip(job.names, stack.pixels, strict=True)),
            samples=dict.fromkeys(job.names, stack.samples),
            coarse=frozenset(),
            guides=guides_of(stack),
        )
        self._send(job, "settled", settled, missing, ())
        self._live = self._live or LivePass(self._ground, is_gpu=self._threads == THREADS_OF_A_GPU)
        self._live.learn(job, settled)
        return stack

    def _cleaned(self, stack: LightStack, rows: list[int], job: Job) -> np.ndarray:
        """These layers of a stack cleaned for viewing, as in a draft."""
        if not rows:
            return stack.pixels[:0]
        part = replace(stack, pixels=stack.pixels[rows])
        cleaned = denoised(part, lambda part: job.check(), quality=DRAFT.denoiser).denoised
        assert cleaned is not None
        return cleaned

    def _send(self, job: Job, pass_name: str, shown: Shown, fresh: tuple[str, ...], stale: tuple[str, ...]) -> None:
        from sim.light.stack import REGIONS

        frame = frame_from_layers(
            serial=job.request.serial, revision=job.request.revision, pass_name=pass_name, names=job.names,
            is_flash=job.layout.is_flash, view=shown.view, raw=shown.raw, part=shown.guides.part,
            part_names=REGIONS, distance_m=shown.guides.distance_m.astype(np.float32), camera=job.layout.camera,
            samples=tuple(shown.samples[name] for name in job.names), fresh=fresh,
            coarse=tuple(name for name in job.names if name in shown.coarse), stale=stale,
        )  # fmt: skip
        job.check()
        job.send(PictureReady(job.request.serial, job.request.revision, frame))
        self._shown = shown

    def _meter(self, job: Job) -> str:
        """Send the meters; returns the name of the key."""
        job.tell("meters", 0.0)
        standard, own = standard_probes(job.layout), scene_probes(job.scene, job.layout)
        readings = job.rehearsal.stage.read_probes(
            [*standard, *own, *report_probes(job.scene, job.layout)], seed=job.request.seed,
            depth=job.scene.render.depth, target_stderr_stops=DRAFT.meter_stderr_stops, most_rays=DRAFT.meter_rays,
            on_launch=job.check, most_rays_at_once=self._at_once("meters"),
        )  # fmt: skip
        job.check()
        ready = MetersReady(job.request.serial, job.request.revision, readings, len(standard), len(own))
        key = key_of_readings(job, ready.report)
        job.send(replace(ready, nose_shadow=rehearsed_key_shadow(job.rehearsal, key)))
        if self._live is not None:
            self._live.learn_meters(job, ready.report)
        return key

    def _check_up(self, job: Job, stack: LightStack, key: str) -> None:
        job.tell("checks", 0.0)
        with job.rehearsal.answering("checks") as stage:
            report = check_report(
                job.scene, stage, stack, job.rehearsal.mix, key=key, on_step=job.check,
                most_rays_at_once=self._at_once("meters"),
            )  # fmt: skip
        findings = findings_from_report(report)
        job.send(ChecksReady(job.request.serial, job.request.revision, record_from_report(report), findings))


def with_parts_kept(figure: Figure, before: Figure) -> Figure:
    """A posed sitter whose parts that stayed as they were are those of before, the very objects."""
    known = {part.name: part for part in before.parts}
    parts = tuple(
        known[part.name] if part.name in known and is_same_part(part, known[part.name]) else part
        for part in figure.parts
    )
    return dataclasses.replace(figure, parts=parts)


def is_same_part(one: Part, other: Part) -> bool:
    """Whether two parts of a sitter are one surface: what a renderer would build of them is equal."""
    arrays = ("points_m", "triangles", "normals", "color_rgb", "uv")
    pairs = [(getattr(one, name), getattr(other, name)) for name in arrays]
    equal = all(a is b or (a is not None and b is not None and np.array_equal(a, b)) for a, b in pairs)
    return equal and (one.material, one.region) == (other.material, other.region)


def _turn_to(has_newer: Callable[[], bool]) -> None:
    if has_newer():
        raise Replaced
