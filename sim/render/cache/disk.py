"""Layers kept from one run to the next: only what a change affects is traced again.

An entry is found by a key over everything that decides its content and nothing else. One light's layer depends on all
that stands in the set (every light's housing and face too), the camera's place and lens, the size, samples, seed and
depth, the renderer's version, this package's own source, and the light's own emission at full dial. Dials, colours,
gels, mutes, names, title, shutter and ISO are applied later, so changing them traces nothing; a lamp of another energy
or grid angle traces its own layer; whatever moves or changes a surface traces all.

Entries lie in a folder of the user's: HALFSTOP_CACHE=off keeps none, HALFSTOP_CACHE=PATH chooses the folder. Each file
is written beside its place and renamed, and holds its own checksum: one that fails it is removed and counts as missing.
Past two gibibytes the least recently used go.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.metadata
import io
import os
import struct
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from pydantic import BaseModel

from sim.light.readings import Probe, ProbeReadings
from sim.light.stack import LightStack
from sim.render.engine import engine_in_use
from sim.scene.model import Scene
from sim.studio.gear.rig import BuiltLight
from sim.studio.layout import CameraView, Layout, PlacedLight

LIMIT_BYTES = 2 << 30
DIGEST_BYTES = 32
SUFFIX = ".layer"
# What another process has not finished after so long was left behind by one that ended.
STALE_S = 3600.0
# Source that decides what a layer holds beyond the plain data of a layout.
SOURCES = (
    "render/stage", "render/transport", "studio/backdrop.py", "quantities/color.py", "studio/gear/emitter.py",
    "render/cache/disk.py", "light/stack.py",
)  # fmt: skip

Arrays = dict[str, np.ndarray]


class Store(Protocol):
    """Arrays by key: `LayerStore` on disk, or one that a process keeps for itself."""

    def get(self, key: str) -> Arrays | None: ...
    def put(self, key: str, arrays: Arrays) -> None: ...


def cached_render(
    scene: Scene,
    layout: Layout,
    *,
    size: tuple[int, int],
    samples: int,
    seed: int = 0,
    depth: int = 5,
    on_progress: Callable[[float], None] | None = None,
    stage: Callable[[], Any] | None = None,
    store: Store | None = None,
    most_rays_at_once: int | None = None,
) -> LightStack:
    """The stack that `sim.render.transport.render.render` would return, with only the layers traced that are not kept.

    Arguments: as those of `render`; `stage` gives the built stage when it is needed; `store` None traces all.
    Does not: start the renderer when everything is kept.
    """
    tell = on_progress or (lambda part: None)
    frame = frame_key(scene, layout, size=size, samples=samples, seed=seed, depth=depth)
    keys = [key_from(frame, "layer", own) for own in _emissions(layout)]
    guides_key = key_from(frame, "guides")
    kept = [store.get(key) if store else None for key in keys]
    guides = store.get(guides_key) if store else None
    missing = [index for index, entry in enumerate(kept) if entry is None]
    if guides is not None and not missing:
        tell(1.0)
        return _stack(layout, kept, guides, seed, depth)

    # Trace what is missing, on the random numbers it would have had beside the rest.
    built = (stage or (lambda: stage_from_scene(scene, layout)))()
    from sim.render.transport.render import render

    traced = render(
        dataclasses.replace(built, wanted_layers=frozenset(missing)),
        size=size, samples=samples, seed=seed, depth=depth, on_progress=tell, most_rays_at_once=most_rays_at_once,
    )  # fmt: skip
    for index in missing:
        kept[index] = entry = {"pixels": traced.pixels[index], "variance": traced.variance[index]}
        if traced.part_excess is not None:
            entry["part_excess"] = traced.part_excess[index]
        if store:
            store.put(keys[index], entry)
    if guides is None:
        guides = {
            "albedo": traced.albedo, "normal": traced.normal, "distance_m": traced.distance_m,
            "region": traced.region, "region_names": np.array(traced.region_names), "samples": np.array(traced.samples),
        }  # fmt: skip
        if store:
            store.put(guides_key, guides)
    return _stack(layout, kept, guides, seed, depth)


def cached_probes(
    scene: Scene,
    layout: Layout,
    probes: Sequence[Probe],
    *,
    seed: int = 0,
    depth: int = 5,
    target_stderr_stops: float = 0.03,
    most_rays: int = 1 << 19,
    stage: Callable[[], Any] | None = None,
    store: Store | None = None,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> ProbeReadings:
    """The readings that `render.transport.probe.read_probes` would return, kept ones if nothing that matters changed.

    Arguments: as those of `read_probes`; `stage`, `store` as in `cached_render`.
    Does not: keep one light's readings apart from the others', since they decide together when a probe is done.
    """
    meters = [(probe.kind, np.asarray(probe.position_m, float), np.asarray(probe.facing, float)) for probe in probes]
    limits = (seed, depth, target_stderr_stops, most_rays)
    key = key_from("probes", _maker(), _set_up(scene, layout), _emissions(layout), meters, limits)
    entry = store.get(key) if store else None
    if entry is None:
        built = (stage or (lambda: stage_from_scene(scene, layout)))()
        from sim.render.transport.probe import read_probes

        read = read_probes(
            built, probes, seed=seed, depth=depth, target_stderr_stops=target_stderr_stops, most_rays=most_rays,
            on_launch=on_launch, most_rays_at_once=most_rays_at_once,
        )  # fmt: skip
        if store:
            store.put(key, {"values": read.values, "stderr": read.stderr, "rays": np.array(read.rays)})
        return read
    return ProbeReadings(
        probes=tuple(probes),
        names=layout.light_names,
        is_flash=layout.is_flash,
        values=entry["values"],
        stderr=entry["stderr"],
        rays=tuple(int(count) for count in entry["rays"]),
    )


def stage_from_scene(scene: Scene, layout: Layout) -> Any:
    """Start the renderer and build the stage."""
    from sim.render.engine import start_engine

    start_engine()
    from sim.render.stage.build import build

    return build(scene, layout)


def _stack(layout: Layout, kept: Sequence[Arrays | None], guides: Arrays, seed: int, depth: int) -> LightStack:
    layers = [entry for entry in kept if entry is not None]
    return LightStack(
        names=layout.light_names,
        is_flash=layout.is_flash,
        pixels=np.stack([entry["pixels"] for entry in layers]),
        variance=np.stack([entry["variance"] for entry in layers]),
        part_excess=np.stack([entry["part_excess"] for entry in layers]) if "part_excess" in layers[0] else None,
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


# -- keys ----------------------------------------------------------------------------------------


def layer_keys(
    scene: Scene, layout: Layout, *, size: tuple[int, int], samples: int, seed: int = 0, depth: int = 5
) -> dict[str, str]:
    """Key of each light's layer by its name."""
    frame = frame_key(scene, layout, size=size, samples=samples, seed=seed, depth=depth)
    owned = zip(layout.light_names, _emissions(layout), strict=True)
    return {name: key_from(frame, "layer", own) for name, own in owned}


def frame_key(
    scene: Scene, layout: Layout, *, size: tuple[int, int], samples: int, seed: int = 0, depth: int = 5
) -> str:
    """Key over all that the layers of a picture share: the set, the camera, and how it is traced."""
    return key_from(_maker(), _set_up(scene, layout), _lens(layout.camera), tuple(size), samples, seed, depth)


def stage_keys(
    scene: Scene, layout: Layout, sitter: str, keys_of: Callable[[BuiltLight], tuple[str, str]] | None = None
) -> tuple[str, dict[str, str]]:
    """Key of all that the layers share, and of each light's own light by its name, with no surface of the sitter read.

    Arguments: `sitter` a key of the posed figure and of the backdrop's picture; `keys_of` as `rig_keys`, kept by the
    caller.
    Does not: cover how layers are traced: two stages are compared by it, nothing is stored under it.
    """
    rigs = [(keys_of or rig_keys)(light.rig) for light in layout.lights]
    shared = key_from(
        scene.room,
        layout.room_low_m,
        layout.room_high_m,
        scene.backdrop,
        scene.backdrop_plane_m,
        sitter,
        [_fields(panel, "name", "kind") for panel in layout.panels],
        [(light.world_from_light, light.stand, rig[0]) for light, rig in zip(layout.lights, rigs, strict=True)],
        len(layout.even_ambients),
        _lens(layout.camera),
    )
    # A layer is traced on random numbers by its place among the lights' faces.
    own: list[Any] = []
    faces = 0
    for light, rig in zip(layout.lights, rigs, strict=True):
        own.append((faces, rig[1]))
        faces += len(light.rig.emitters)
    own += [("even", even.luminance_cd_m2) for even in layout.even_ambients]
    return shared, {name: key_from(shared, key) for name, key in zip(layout.light_names, own, strict=True)}


def rig_keys(rig: BuiltLight) -> tuple[str, str]:
    """Key of what others' light meets of a rig, and of what it sends out itself at full dial."""
    faces = [_fields(emitter, "flux_lm", "profile") for emitter in rig.emitters]
    return key_from(rig.body, faces), key_from([(emitter.flux_lm, emitter.profile) for emitter in rig.emitters])


def key_from(*values: Any) -> str:
    """Digest of plain data: numbers, text, arrays, tuples, mappings, dataclasses and blocks of the model.

    >>> key_from(1, "2") == key_from(1, "2"), key_from(1, 2) == key_from(12), key_from(1) == key_from(1.0)
    (True, False, False)
    """
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    _feed(digest, values)
    return digest.hexdigest()


def _feed(digest: Any, value: Any) -> None:
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


def _fields(value: Any, *without: str) -> dict[str, Any]:
    return {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.name not in without}


def _set_up(scene: Scene, layout: Layout) -> tuple[Any, ...]:
    """Every surface that a path can meet: room, backdrop, sitter, panels, and each light's housing and face."""
    figure = layout.figure
    file = getattr(scene.backdrop, "file", None)
    return (
        scene.room,
        layout.room_low_m,
        layout.room_high_m,
        scene.backdrop,
        scene.backdrop_plane_m,
        None if file is None else scene.file_path(file).read_bytes(),
        [_fields(part, "name") for part in figure.parts],
        [_fields(strands, "name") for strands in figure.strands],
        [_fields(panel, "name", "kind") for panel in layout.panels],
        [_standing(light) for light in layout.lights],
        len(layout.even_ambients),
    )


def _standing(light: PlacedLight) -> tuple[Any, ...]:
    """What others' light meets of a light: its place, housing and the shape of its faces."""
    faces = [_fields(emitter, "flux_lm", "profile") for emitter in light.rig.emitters]
    return light.world_from_light, light.stand, light.rig.body, faces


def _lens(camera: CameraView) -> dict[str, Any]:
    # The picture's shape comes from its size, and the focus from its distance.
    return _fields(camera, "aspect", "focus_m")


def _emissions(layout: Layout) -> list[tuple[Any, ...]]:
    """What each light alone sends out, in layer order, with the places of its faces among the random numbers."""
    own: list[tuple[Any, ...]] = []
    faces = 0
    for light in layout.lights:
        own.append((faces, [(emitter.flux_lm, emitter.profile) for emitter in light.rig.emitters]))
        faces += len(light.rig.emitters)
    return own + [("even", even.luminance_cd_m2) for even in layout.even_ambients]


@cache
def _maker() -> tuple[str, ...]:
    """Renderer, its version and engine, and the source that turns a layout into layers."""
    engine = engine_in_use()
    versions = [f"{name} {importlib.metadata.version(name)}" for name in ("mitsuba", "drjit", "numpy")]
    return (*versions, engine.variant, str(engine.library or ""), _source_hash())


def _source_hash() -> str:
    home = Path(__file__).resolve().parents[2]
    files = [path for name in SOURCES for path in (home.glob(f"{name}/*.py") if "." not in name else [home / name])]
    return key_from({path.relative_to(home).as_posix(): path.read_bytes() for path in files})


# -- the store -----------------------------------------------------------------------------------


def store_from_environment(environ: Mapping[str, str] = os.environ) -> LayerStore | None:
    """The user's store, or None where HALFSTOP_CACHE=off or there is no folder to keep it in."""
    asked = environ.get("HALFSTOP_CACHE", "").strip()
    if asked.lower() in ("off", "no", "0"):
        return None
    if asked:
        return LayerStore(Path(asked).expanduser())
    cache_home, home = environ.get("XDG_CACHE_HOME", ""), environ.get("HOME", "")
    if cache_home:
        return LayerStore(Path(cache_home) / "halfstop" / "layers")
    if home and os.access(home, os.W_OK):
        return LayerStore(Path(home) / ".cache" / "halfstop" / "layers")
    return LayerStore(Path(sys.prefix) / "halfstop-layers") if sys.prefix != sys.base_prefix else None


class LayerStore:
    """Arrays by key, one file each, in a folder that several runs may share.

    Arguments: `folder` made when first written; `limit_bytes` of all entries together, at least 0.
    Does not: fail when the folder cannot be written or read; it only keeps nothing then.
    """

    def __init__(self, folder: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key, or None; a damaged entry is removed."""
        path = self._path(key)
        try:
            data = path.read_bytes()
        except OSError:
            return None
        told, body = data[:DIGEST_BYTES], memoryview(data)[DIGEST_BYTES:]
        if told != _checksum(key, body):
            with suppress(OSError):
                path.unlink()
            return None
        # Mark the entry as used now.
        with suppress(OSError):
            os.utime(path)
        with np.load(io.BytesIO(body), allow_pickle=False) as entry:
            return {name: entry[name] for name in entry.files}

    def put(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under a key, then let the least recently used entries go until all fit the limit."""
        stream = io.BytesIO()
        np.savez(stream, allow_pickle=False, **arrays)
        body = stream.getbuffer()
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            handle, temporary = tempfile.mkstemp(dir=self.folder, prefix=".new-")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(_checksum(key, body))
                    file.write(body)
                os.replace(temporary, self._path(key))
            except BaseException:
                with suppress(OSError):
                    os.unlink(temporary)
                raise
            self._trim()

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}{SUFFIX}"

    def _trim(self) -> None:
        entries: list[tuple[float, int, str]] = []
        with os.scandir(self.folder) as found:
            for item in found:
                # Another run may take a file away at any moment.
                with suppress(FileNotFoundError):
                    facts = item.stat(follow_symlinks=False)
                    if item.name.startswith(".new-") and facts.st_mtime < time.time() - STALE_S:
                        os.unlink(item.path)
                    elif item.name.endswith(SUFFIX):
                        entries.append((facts.st_mtime_ns, facts.st_size, item.path))
        excess = sum(size for _, size, _ in entries) - self.limit_bytes
        for _, size, path in sorted(entries):
            if excess <= 0:
                break
            with suppress(FileNotFoundError):
                os.unlink(path)
            excess -= size


def _checksum(key: str, body: Any) -> bytes:
    # Bind the content to its key, so that a file under a wrong name fails too.
    return hashlib.blake2b(body, digest_size=DIGEST_BYTES, key=bytes.fromhex(key)[:64]).digest()
