"""Keys of what decides a result, and nothing else: of plain values, files, stages, emissions, layers and their makers.

A key is a digest in hex. One light's layer depends on all that stands in the set (every light's housing and face too),
the camera's place and lens, the size, samples, seed and depth, the light's own emission at full dial, and on who traced
it: the engine, the libraries, this package's own source. Dials, colours, gels, mutes, names, title, shutter and ISO
are applied later and are in no key of a layer.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import struct
import time
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Protocol

import numpy as np
from pydantic import BaseModel

from sim.quantities.assets import asset_names, asset_path
from sim.quantities.open_file import MOST_BYTES_OF_ANY, UnreadableFile, open_file
from sim.render.engine import engine_in_use
from sim.render.sources import closure_of, versions_of
from sim.scene.model import Scene
from sim.studio.figure import Figure
from sim.studio.gear.rig import BuiltLight
from sim.studio.layout import CameraView, Layout, PlacedPanel

DIGEST_BYTES = 32
# Computes layers and readings and keeps them: what it imports decides what they hold.
TRACER = "sim.render.cache.stage"
ASSETS = "sim.quantities.assets"
# A file changed so lately may change again within one tick of its clock.
SETTLED_S = 2.0


class _Digest(Protocol):
    def update(self, data: bytes | memoryview, /) -> None: ...


# -- values and files ----------------------------------------------------------------------------


def of(*values: object) -> str:
    """Key of plain data: numbers, text, arrays, tuples, mappings, dataclasses and blocks of the model.

    >>> of(1, "2") == of(1, "2"), of(1, 2) == of(12), of(1) == of(1.0)
    (True, False, False)
    """
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    _feed(digest, values)
    return digest.hexdigest()


def _feed(digest: _Digest, value: object) -> None:
    """Add a value with its type and length, so that no two differ in value and agree in bytes."""
    match value:
        case None | bool():
            digest.update(repr(value).encode())
        case int():
            digest.update(b"int %d " % value)
        case float():
            digest.update(b"float" + struct.pack("<d", value))
        case str() | bytes():
            data = value.encode() if isinstance(value, str) else value
            digest.update(b"%s %d " % (type(value).__name__.encode(), len(data)) + data)
        case np.ndarray():
            digest.update(f"array {value.dtype.str} {value.shape} ".encode())
            digest.update(np.ascontiguousarray(value).data)
        case np.generic():
            _feed(digest, value.item())
        case tuple() | list():
            digest.update(b"row %d " % len(value))
            for item in value:
                _feed(digest, item)
        case Mapping():
            digest.update(b"map %d " % len(value))
            for name in sorted(value):
                _feed(digest, (name, value[name]))
        case BaseModel():
            _feed(digest, (type(value).__name__, {name: getattr(value, name) for name in type(value).model_fields}))
        case _ if dataclasses.is_dataclass(value):
            _feed(digest, (type(value).__name__, _fields(value)))
        case _:
            raise TypeError(f"no key from a {type(value).__name__}")


def _fields(value: object, *without: str) -> dict[str, object]:
    assert dataclasses.is_dataclass(value)
    return {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.name not in without}


_OF_FILES: dict[Path, tuple[tuple[int, int, int], str]] = {}


def of_file(path: Path) -> str:
    """Key of a file's bytes, read again only when its time, size or inode changes.

    Does not: raise where it cannot be read; whoever opens it for its content says so.
    """
    path = path.absolute()
    try:
        facts = os.stat(path)
        stamp = facts.st_mtime_ns, facts.st_size, facts.st_ino
        remembered = _OF_FILES.get(path)
        if remembered is not None and remembered[0] == stamp:
            return remembered[1]
        with open_file(path, MOST_BYTES_OF_ANY) as stream:
            key = hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=DIGEST_BYTES)).hexdigest()
    except (OSError, UnreadableFile):
        return of("no file")
    if time.time() - facts.st_mtime > SETTLED_S:
        _OF_FILES[path] = stamp, key
    return key


# -- stages --------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class RigKeys:
    """`shape` what others' light meets of a rig: its housing and faces; `emission` what it sends out at full dial."""

    shape: str
    emission: str


@dataclasses.dataclass(frozen=True)
class StageKeys:
    """Keys of what decides a stage's light, part by part, so that what a change touched can be told.

    `ground` room, backdrop and sitter; `panels`; `shapes` (m,) each light's place, stand, housing and faces;
    `emissions` (k,) what each light and each even surround sends out, in layer order; `names`, `faces` (k,) of the
    layers: the name, and how many luminous faces come before it; `lens` the camera's place and lens.
    """

    ground: str
    panels: str
    shapes: tuple[str, ...]
    emissions: tuple[str, ...]
    names: tuple[str, ...]
    faces: tuple[int, ...]
    lens: str

    @property
    def surfaces(self) -> str:
        """Key of every surface that a path can meet."""
        return of(self.ground, self.panels, self.shapes, len(self.emissions) - len(self.shapes))

    @property
    def light(self) -> str:
        """Key of all light in the set: surfaces and emissions."""
        return of(self.surfaces, self.emissions)

    def own(self) -> dict[str, str]:
        """Key of each light's own light by its name: what it sends out, on the random numbers of its place."""
        return {n: of(f, e) for n, f, e in zip(self.names, self.faces, self.emissions, strict=True)}

    def lights(self) -> dict[str, str]:
        """Key of each light as it stands by its name: place, housing, and what it sends out."""
        shapes = (*self.shapes, *("" for _ in self.emissions[len(self.shapes) :]))
        return {n: of(s, e) for n, s, e in zip(self.names, shapes, self.emissions, strict=True)}


def of_stage(
    scene: Scene,
    layout: Layout,
    *,
    figure: str | None = None,
    rig_keys: Callable[[BuiltLight], RigKeys] | None = None,
) -> StageKeys:
    """Keys of a stage.

    Arguments: `figure` key of the posed sitter where the caller has one, else all its surfaces are read; `rig_keys` as
    `of_rig`, for those who keep them.
    """
    rigs = [(rig_keys or of_rig)(light.rig) for light in layout.lights]
    counts = [len(light.rig.emitters) for light in layout.lights]
    before = [sum(counts[:place]) for place in range(len(counts))]
    return StageKeys(
        ground=of(
            scene.room, layout.room_low_m, layout.room_high_m, of_backdrop(scene), figure or of_figure(layout.figure)
        ),
        panels=of_panels(layout.panels),
        shapes=tuple(
            of(light.world_from_light, light.stand, rig.shape)
            for light, rig in zip(layout.lights, rigs, strict=True)
        ),
        emissions=(*(rig.emission for rig in rigs), *(of("even", e.luminance_cd_m2) for e in layout.even_ambients)),
        names=layout.light_names,
        faces=(*before, *(-1 for _ in layout.even_ambients)),
        lens=of_lens(layout.camera),
    )  # fmt: skip


def of_rig(rig: BuiltLight) -> RigKeys:
    """Keys of a light without its place."""
    return RigKeys(of_shape(rig), of_emission(rig))


def of_shape(rig: BuiltLight) -> str:
    """Key of what others' light meets of a rig: its housing, and the shape of its faces."""
    return of(rig.body, [_fields(emitter, "amount", "profile") for emitter in rig.emitters])


def of_emission(rig: BuiltLight) -> str:
    """Key of what a light sends out at full dial."""
    return of([(emitter.amount, emitter.profile) for emitter in rig.emitters])


def of_sitter(scene: Scene) -> str:
    """Key of what decides the posed sitter, with no surface of it read: its words, and the file of a mesh."""
    sitter = scene.sitter
    follows = sitter.eyes == "camera" and isinstance(sitter.figure, str)
    file = None if isinstance(sitter.figure, str) else of_file(scene.file_path(sitter.figure.file))
    return of(sitter, scene.camera.place.position_m if follows else None, file)


def of_figure(figure: Figure) -> str:
    """Key of every surface of a posed sitter."""
    return of([_fields(part, "name") for part in figure.parts], [_fields(s, "name") for s in figure.strands])


def of_backdrop(scene: Scene) -> str:
    """Key of how the backdrop looks and where it hangs, its picture file's bytes included."""
    file = getattr(scene.backdrop, "file", None)
    return of(scene.backdrop, scene.backdrop_plane_m, None if file is None else of_file(scene.file_path(file)))


def of_panels(panels: tuple[PlacedPanel, ...]) -> str:
    """Key of the panels, whatever they are called."""
    return of([_fields(panel, "name", "kind") for panel in panels])


def of_lens(camera: CameraView) -> str:
    """Key of the camera's place and lens; the picture's shape comes from its size, the focus from its distance."""
    return of(_fields(camera, "aspect", "focus_m"))


# -- makers --------------------------------------------------------------------------------------


def of_picture(keys: StageKeys, *, size: tuple[int, int], samples: int, seed: int, depth: int | None) -> str:
    """Key over all that the layers of a picture share: the set, the camera, how it is traced and by whom."""
    return of(of_tracer(), keys.surfaces, keys.lens, tuple(size), samples, seed, depth)


def of_layers(
    keys: StageKeys, *, size: tuple[int, int], samples: int, seed: int = 0, depth: int | None = None
) -> dict[str, str]:
    """Key of each light's layer by its name."""
    picture = of_picture(keys, size=size, samples=samples, seed=seed, depth=depth)
    return {name: of(picture, "layer", own) for name, own in keys.own().items()}


def of_tracer() -> tuple[str, ...]:
    """Who traces layers and readings in this process: libraries, engine, source."""
    engine = engine_in_use()
    return (*made_by(TRACER, engine.variant), str(engine.library or ""))


@cache
def made_by(root: str, engine: str = "") -> tuple[str, ...]:
    """Who makes what a module computes: every library with its version, the engine's variant, and the source's key.

    Arguments: `root` dotted name of the module; what it imports, directly or not, is read once in a process. `engine`
    is left out where none is named.
    """
    closure = closure_of(root)
    return (*versions_of(closure.libraries), *filter(None, [engine]), of_source(closure.modules))


def of_source(modules: Mapping[str, bytes]) -> str:
    """Key of modules' source, and of the shipped meshes where a module reads them."""
    shipped = [of_file(asset_path(name)) for name in asset_names("meshes")] if ASSETS in modules else []
    return of(modules, shipped)[:16]
