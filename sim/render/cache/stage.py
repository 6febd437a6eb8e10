"""A set whose light is traced only where it is not kept: layers, probe readings, and lines of sight.

What an answer depends on is its key (`sim.render.fingerprint`); the renderer starts and the stage is built when the
first ray must be traced, not before.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

from sim.light.readings import DirectLight, FloatArray, Hits, Probe, ProbeReadings
from sim.light.stack import REGIONS, LightStack, no_excess
from sim.render import fingerprint
from sim.render.cache.disk import Arrays, Store
from sim.render.engine import engine_in_use, start_engine
from sim.render.fingerprint import StageKeys
from sim.scene.model import Scene
from sim.studio.layout import Layout

if TYPE_CHECKING:
    from sim.render.stage.build import Stage

FIRST_HITS, IS_CLEAR, DIRECT_LIGHT, RADIANCE = "first hits", "is clear", "direct light", "radiance"


def built_stage(scene: Scene, layout: Layout) -> Stage:
    """Start the renderer and build the stage."""
    start_engine()
    from sim.render.stage.build import build

    return build(scene, layout)


class CachedStage:
    """The stage of a scene with a store of what was traced in it before.

    Arguments: `store` of layers, None traces all; `answers` of readings and lines of sight, by default the same;
    `build` gives the built stage when it is needed; `keys` of the stage where they are known.
    Does not: keep one light's readings apart from the others', since they decide together when a probe is done.
    """

    region_names = REGIONS

    def __init__(
        self,
        scene: Scene,
        layout: Layout,
        store: Store | None = None,
        *,
        answers: Store | None = None,
        build: Callable[[], Stage] | None = None,
        keys: StageKeys | None = None,
    ) -> None:
        self.scene, self.layout = scene, layout
        self._store, self._answers = store, answers or store
        # Whoever says how to build keeps what is built, and lets go of it.
        self._build = build or cache(lambda: built_stage(scene, layout))
        self._keys = keys

    @property
    def light_names(self) -> tuple[str, ...]:
        """Every light's name in layer order."""
        return self.layout.light_names

    @property
    def is_flash(self) -> tuple[bool, ...]:
        """Whether each layer's light is flash."""
        return self.layout.is_flash

    @property
    def built(self) -> Stage:
        """The renderer's stage, built now if need be."""
        return self._build()

    @cached_property
    def keys(self) -> StageKeys:
        """Keys of what decides the stage's light."""
        return self._keys or fingerprint.of_stage(self.scene, self.layout)

    def changed(self, scene: Scene, layout: Layout) -> CachedStage:
        """The stage of another scene with the same stores."""
        return CachedStage(scene, layout, self._store, answers=self._answers)

    # -- layers ----------------------------------------------------------------------------------

    def render(
        self,
        *,
        size: tuple[int, int],
        samples: int,
        seed: int = 0,
        depth: int | None = None,
        on_progress: Callable[[float], None] | None = None,
        most_rays_at_once: int | None = None,
        wanted: frozenset[int] | None = None,
    ) -> LightStack:
        """The stack that `sim.render.transport.render.render` would return, traced only where it is not kept.

        Arguments: as those of `render`; `wanted` layers, None for all: the others stay dark.
        """
        tell = on_progress or (lambda part: None)
        rows = sorted(range(len(self.light_names)) if wanted is None else wanted)
        layer_keys, guides_key = self._picture_keys(size, samples, seed, depth) if self._store else ([], "")
        kept = {row: entry for row in rows if self._store and (entry := self._store.get(layer_keys[row])) is not None}
        guides = self._store.get(guides_key) if self._store else None
        missing = [row for row in rows if row not in kept]
        if guides is not None and not missing:
            tell(1.0)
            return self._stack(kept, guides, seed, depth)

        # Trace what is missing, on the random numbers it would have had beside the rest.
        lit = dataclasses.replace(self.built, wanted_layers=frozenset(missing))
        from sim.render.transport.render import render

        traced = render(
            lit, size=size, samples=samples, seed=seed, depth=depth, on_progress=tell,
            most_rays_at_once=most_rays_at_once,
        )  # fmt: skip
        for row in missing:
            kept[row] = _layer_entry(traced, row)
            if self._store:
                self._store.put(layer_keys[row], kept[row])
        if guides is None:
            guides = _guides_entry(traced)
            if self._store:
                self._store.put(guides_key, guides)
        return self._stack(kept, guides, seed, depth)

    def _picture_keys(self, size: tuple[int, int], samples: int, seed: int, depth: int | None) -> tuple[list[str], str]:
        layers = fingerprint.of_layers(self.keys, size=size, samples=samples, seed=seed, depth=depth)
        picture = fingerprint.of_picture(self.keys, size=size, samples=samples, seed=seed, depth=depth)
        return list(layers.values()), fingerprint.of(picture, "guides")

    def _stack(self, kept: dict[int, Arrays], guides: Arrays, seed: int, depth: int | None) -> LightStack:
        some = next(iter(kept.values()), None)
        dark: Arrays = {} if some is None else {name: np.zeros_like(array) for name, array in some.items()}
        if some is None:
            shape = guides["region"].shape
            dark = {
                "pixels": np.zeros((*shape, 3), np.float32),
                "variance": np.zeros(shape, np.float32),
                "part_excess": no_excess(1, len(guides["region_names"]))[0],
            }
        layers = [kept.get(row, dark) for row in range(len(self.light_names))]
        return LightStack(
            names=self.light_names,
            is_flash=self.is_flash,
            pixels=np.stack([entry["pixels"] for entry in layers]),
            variance=np.stack([entry["variance"] for entry in layers]),
            part_excess=np.stack([entry["part_excess"] for entry in layers]),
            albedo=guides["albedo"],
            normal=guides["normal"],
            distance_m=guides["distance_m"],
            region=guides["region"],
            region_names=tuple(str(name) for name in guides["region_names"]),
            samples=int(guides["samples"]),
            seed=seed,
            depth=depth,
            engine=engine_in_use().variant,
        )

    # -- readings and lines of sight -------------------------------------------------------------

    def read_probes(
        self,
        probes: Sequence[Probe],
        *,
        seed: int = 0,
        depth: int | None = None,
        target_stderr_stops: float = 0.03,
        most_rays: int = 1 << 19,
        on_launch: Callable[[], None] | None = None,
        most_rays_at_once: int | None = None,
    ) -> ProbeReadings:
        """The readings of `sim.render.transport.probe.read_probes`, kept ones if nothing that matters changed."""

        def read() -> Arrays:
            stage = self.built
            from sim.render.transport.probe import read_probes

            new = read_probes(
                stage, probes, seed=seed, depth=depth, target_stderr_stops=target_stderr_stops, most_rays=most_rays,
                on_launch=on_launch, most_rays_at_once=most_rays_at_once,
            )  # fmt: skip
            return {"values": new.values, "stderr": new.stderr, "rays": np.array(new.rays)}

        meters = [(p.kind, np.asarray(p.position_m, float), np.asarray(p.facing, float)) for p in probes]
        entry = self._answer(read, "probes", meters, seed, depth, target_stderr_stops, most_rays)
        return ProbeReadings(
            probes=tuple(probes),
            names=self.light_names,
            is_flash=self.is_flash,
            values=entry["values"],
            stderr=entry["stderr"],
            rays=tuple(int(count) for count in entry["rays"]),
        )

    def first_hits(self, origins_m: FloatArray, directions: FloatArray) -> Hits:
        """What rays meet first, as `sim.render.transport.sight.first_hits`."""

        def look() -> Arrays:
            stage = self.built
            from sim.render.transport.sight import first_hits

            return dict(vars(first_hits(stage, origins_m, directions)))

        entry = self._answer(look, FIRST_HITS, origins_m, directions)
        return Hits(entry["distance_m"], entry["region"], entry["layer"], entry["normal"])

    def is_clear(self, starts_m: FloatArray, ends_m: FloatArray) -> np.ndarray:
        """Whether nothing stands between pairs of points, as `sim.render.transport.sight.is_clear`."""

        def look() -> Arrays:
            stage = self.built
            from sim.render.transport.sight import is_clear

            return {"clear": is_clear(stage, starts_m, ends_m)}

        return self._answer(look, IS_CLEAR, starts_m, ends_m)["clear"]

    def direct_light(
        self,
        points_m: FloatArray,
        normals: FloatArray | None = None,
        *,
        layers: Sequence[int] | None = None,
        samples: int = 16,
        seed: int = 0,
    ) -> DirectLight:
        """Light that comes straight from each light, as `sim.render.transport.sight.direct_light`."""

        def look() -> Arrays:
            stage = self.built
            from sim.render.transport.sight import direct_light

            return dict(vars(direct_light(stage, points_m, normals, layers=layers, samples=samples, seed=seed)))

        chosen = None if layers is None else list(layers)
        entry = self._answer(look, DIRECT_LIGHT, points_m, normals, chosen, samples, seed)
        return DirectLight(entry["reaching"], entry["unblocked"])

    def radiance_along(
        self,
        origin_m: FloatArray,
        directions: FloatArray,
        *,
        samples: int = 32,
        seed: int = 0,
        on_launch: Callable[[], None] | None = None,
        most_rays_at_once: int | None = None,
    ) -> np.ndarray:
        """Light of every light along rays, as `sim.render.transport.rays.radiance_along`."""

        def look() -> Arrays:
            stage = self.built
            from sim.render.transport.rays import radiance_along

            return {"values": radiance_along(
                stage, origin_m, directions, samples=samples, seed=seed, on_launch=on_launch,
                most_rays_at_once=most_rays_at_once,
            )}  # fmt: skip

        return self._answer(look, RADIANCE, origin_m, directions, samples, seed)["values"]

    def _answer(self, make: Callable[[], Arrays], kind: str, *question: object) -> Arrays:
        """What is kept of a question asked of this stage, or what `make` finds now."""
        if self._answers is None:
            return make()
        key = fingerprint.of(kind, fingerprint.of_tracer(), self.keys.light, question)
        entry = self._answers.get(key)
        if entry is None:
            entry = make()
            self._answers.put(key, entry)
        return entry


def _layer_entry(stack: LightStack, row: int) -> Arrays:
    return {"pixels": stack.pixels[row], "variance": stack.variance[row], "part_excess": stack.part_excess[row]}


def _guides_entry(stack: LightStack) -> Arrays:
    return {
        "albedo": stack.albedo, "normal": stack.normal, "distance_m": stack.distance_m, "region": stack.region,
        "region_names": np.array(stack.region_names), "samples": np.array(stack.samples),
    }  # fmt: skip
