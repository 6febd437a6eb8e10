"""The rehearsal: the one way from a scene file to its layout, mix, stage, layers and readings.

Each is made when it is first asked for, and what was traced before is taken from the store of kept layers. Nothing
starts the renderer until a ray must be traced.

    rehearsal = Rehearsal("scenes/recital.yaml")
    stack = rehearsal.stack(size=(400, 600), samples=4)
    readings = rehearsal.readings(standard_probes(rehearsal.layout))
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path

from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import Probe, ProbeReadings
from sim.light.stack import LightStack
from sim.quantities.errors import HalfstopError
from sim.render import fingerprint
from sim.render.cache.disk import Store, store_from_environment
from sim.render.cache.memory import Bundle
from sim.render.cache.stage import CachedStage
from sim.scene.model import Scene
from sim.scene.read import load_scene
from sim.studio.layout import Layout, layout_from_scene

# Most rays on one probe of a report on paper.
METER_RAYS = 1 << 17

# Told what is being done ("trace", "meters", "denoise", "files") and the finished part of it, 0..1.
Progress = Callable[[str, float], None]


class Rehearsal:
    """A scene and all that follows from it, each made once and when it is needed.

    Arguments: `scene` a scene file, or a scene that was read; `store` of kept layers, by default the user's (see
    `sim.render.cache.disk.store_from_environment`); `fresh` traces everything anew and keeps nothing; `layout`,
    `stage` of the scene where they are known.
    Raises `SceneError` from whatever needs the scene, where its file cannot be used.
    """

    def __init__(
        self,
        scene: str | Path | Scene,
        *,
        store: Store | None = None,
        fresh: bool = False,
        layout: Layout | None = None,
        stage: CachedStage | None = None,
    ) -> None:
        self.file = None if isinstance(scene, Scene) else Path(scene)
        self._scene = scene if isinstance(scene, Scene) else None
        self._layout, self._stage = layout, stage
        self.store = store or store_unless(fresh)

    @cached_property
    def scene(self) -> Scene:
        """What the file says."""
        return self._scene or load_scene(self.file or "")

    @property
    def name(self) -> str:
        """Name of the scene file, without its folder; empty where there is none."""
        return "" if self.file is None else self.file.name

    @cached_property
    def layout(self) -> Layout:
        """Where everything stands."""
        folder = None if self.file is None else self.file.parent
        return self._layout or layout_from_scene(self.scene, folder)

    @cached_property
    def mix(self) -> Mix:
        """Dials, colours and mutes of the scene's lights."""
        return mix_from_scene(self.scene, self.layout)

    @property
    def enabled(self) -> tuple[str, ...]:
        """Names of the lights that are not muted, in layer order."""
        return enabled_lights(self.mix)

    @cached_property
    def stage(self) -> CachedStage:
        """The set, built when the first ray must be traced."""
        return self._stage or CachedStage(self.scene, self.layout, self.store)

    def stack(
        self, *, size: tuple[int, int], samples: int, seed: int = 0, on_progress: Progress | None = None
    ) -> LightStack:
        """One linear layer per light; what is kept of them is not traced again.

        Arguments: as those of `sim.render`, at the scene's depth.
        """
        tell = on_progress or (lambda step, part: None)
        require_light(self.layout)
        tell("trace", 0.0)
        return self.stage.render(
            size=size, samples=samples, seed=seed, depth=self.scene.render.depth,
            on_progress=lambda part: tell("trace", part),
        )  # fmt: skip

    def readings(
        self,
        probes: Sequence[Probe],
        *,
        seed: int = 0,
        target_stderr_stops: float = 0.03,
        most_rays: int = 1 << 19,
        on_progress: Progress | None = None,
    ) -> ProbeReadings:
        """What probes read of each light, light by light and without a picture; kept readings are not traced again.

        Arguments: as those of `sim.render.transport.probe.read_probes`, at the scene's depth.
        """
        tell = on_progress or (lambda step, part: None)
        require_light(self.layout)
        tell("meters", 0.0)
        read = self.stage.read_probes(
            probes, seed=seed, depth=self.scene.render.depth, target_stderr_stops=target_stderr_stops,
            most_rays=most_rays,
        )  # fmt: skip
        tell("meters", 1.0)
        return read

    @contextmanager
    def answering(self, report: str) -> Iterator[CachedStage]:
        """The stage, its many small answers to a report kept together as one entry when the block ends well.

        Arguments: `report` its name: one set has one bundle for each.
        """
        if self.store is None:
            yield self.stage
            return
        keys = self.stage.keys
        bundle = Bundle(fingerprint.of(report, fingerprint.of_tracer(), keys.light), self.store)
        yield CachedStage(
            self.scene, self.layout, self.store, answers=bundle, build=lambda: self.stage.built, keys=keys
        )  # fmt: skip
        bundle.write()

    @property
    def aspect(self) -> float:
        """Width over height of the camera's picture."""
        width_m, height_m = self.scene.camera.picture_m
        return width_m / height_m

    def picture_size(self, long_side_px: int) -> tuple[int, int]:
        """Width and height in pixels of a picture with this long side."""
        return size_from_long_side(long_side_px, self.aspect)


def require_light(layout: Layout) -> None:
    """Refuse what needs light on a set that has none yet."""
    if not layout.light_names:
        raise HalfstopError(
            "there is no light on this set, so there is no picture and no reading; add one below lights:"
        )


def require_sitter(layout: Layout) -> None:
    """Refuse what needs a sitter where nobody is."""
    if not layout.has_sitter:
        raise HalfstopError(
            'there is no sitter whose light could be followed; write "figure: simple", or another, below sitter:'
        )


def store_unless(fresh: bool) -> Store | None:
    """The user's store of kept layers; None where all is to be traced anew."""
    return None if fresh else store_from_environment()


def enabled_lights(mix: Mix) -> tuple[str, ...]:
    """Names of the lights that are not muted, in layer order."""
    return tuple(name for name, muted in zip(mix.names, mix.muted, strict=True) if not muted)


def size_from_long_side(long_side_px: int, aspect: float) -> tuple[int, int]:
    """Return (width, height) in pixels of a picture of the given aspect whose longer side is given.

    >>> size_from_long_side(600, 1.5)
    (600, 400)
    """
    if aspect < 1:
        return max(1, round(long_side_px * aspect)), long_side_px
    return long_side_px, max(1, round(long_side_px / aspect))
