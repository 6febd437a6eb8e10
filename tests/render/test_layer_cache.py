"""Layers kept from run to run: a key changes exactly when the layer does, and entries survive misuse."""

from __future__ import annotations

import copy
import fcntl
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from PIL import Image

from sim.render import fingerprint
from sim.render.cache import disk
from sim.render.cache.disk import LayerStore, store_from_environment
from sim.render.cache.stage import CachedStage
from sim.scene.read import load_scene
from sim.studio import layout

SETTINGS: dict[str, Any] = {"size": (16, 24), "samples": 4, "seed": 0, "depth": 3}
SCENE = """\
halfstop: 1
title: Every key that matters
room: {size: {width: 5 m, height: 3 m, length: 8 m}, front: 5 m, walls: 0.4, ceiling: 0.7, floor: 0.2}
camera:
  place: {at: [0 m, 1.4 m, 3.5 m]}
  aim: chest
  focal_length: 60 mm
  sensor: {width: 36 mm, height: 24 mm}
  orientation: portrait
  aperture: f/8
  shutter: 1/160 s
  sync: 1/200 s
  iso: 100
  focus: near eye
  white_balance: 5600 K
sitter:
  figure: woman
  stature: 1.68 m
  step: [0 m, 0 m]
  turn: 20°
  head: {turn: 0°, nod: 0°, tilt: 0°}
  eyes: camera
  arms: at sides
  posture: standing
  prop: none
  skin: medium
  hair: {style: swept up, color: dark brown}
  clothing: {style: sequinned gown, color: "#241433"}
backdrop: {kind: canvas, size: {width: 3 m, height: 2.7 m}, distance: 1.5 m, bottom: 0 m, reflectance: 0.3,
           contrast: 0.45, patch: 35 cm, color: "#6b6560", seed: 7}
lights:
  key:
    source: {kind: flash, energy: 400 W·s, efficacy: 40 lm/W, dial: {range: 7 stops, step: 1/10 stop},
             consumption: 900 W, modelling_lamp: 150 W}
    power: 1/4
    modifier: {kind: softbox, width: 90 cm, height: 120 cm, recess: 5 cm, hot_spot: 0.3 stop, grid: 60°,
               efficiency: 0.5}
    place: {bearing: -40°, distance: 1.8 m, height: 1.9 m}
    aim: face
    color: 5600 K
    gels: [{mired: 60}, {nd: 1 stop}]
    stand: floor
    mute: false
  lamp:
    source: {kind: continuous, flux: 4000 lm}
    modifier: {kind: reflector, diameter: 18 cm, beam: 65°, barn_doors: {left: 40°, right: 40°, top: 40°, bottom: 40°}}
    place: {bearing: 60°, distance: 2 m, height: 1.8 m}
panels:
  bounce: {kind: reflector, surface: white, size: {width: 60 cm, height: 90 cm}, aim: face,
           place: {bearing: 90°, distance: 0.8 m, height: 1.2 m}}
ambient:
  - {name: window, kind: window, size: {width: 1 m, height: 1 m}, aim: face, illuminance: 300 lx, color: 6500 K,
     place: {bearing: 80°, distance: 2.3 m, height: 1.5 m}}
  - {name: sky, kind: uniform, illuminance: 20 lx, color: 6500 K}
meters:
  lapel: {at: chest, kind: flat, facing: key}
render: {depth: 3}
"""
KEY, LAMP, WINDOW, SKY = range(4)
ALL, NONE = {KEY, LAMP, WINDOW, SKY}, set()
# Key of the scene file -> another value, and the layers that then differ.
CHANGES: dict[str, tuple[Any, set[int]]] = {
    "title": ("Another title", NONE),
    "room.size.width": ("5.5 m", ALL),
    "room.size.height": ("3.4 m", ALL),
    "room.size.length": ("8.5 m", ALL),
    "room.front": ("4.6 m", ALL),
    "room.walls": (0.6, ALL),
    "room.ceiling": (0.5, ALL),
    "room.floor": (0.4, ALL),
    "camera.place.at": (["0.1 m", "1.4 m", "3.5 m"], ALL),
    "camera.aim": ("face", ALL),
    "camera.focal_length": ("85 mm", ALL),
    # Held upright, the long side decides the picture's size alone.
    "camera.sensor.width": ("40 mm", NONE),
    "camera.sensor.height": ("25 mm", ALL),
    "camera.orientation": ("landscape", ALL),
    "camera.aperture": ("f/2.8", ALL),
    "camera.shutter": ("1/100 s", NONE),
    "camera.sync": ("1/250 s", NONE),
    "camera.iso": (400, NONE),
    "camera.focus": ("2 m", ALL),
    "camera.white_balance": ("3200 K", NONE),
    "sitter.figure": ("simple", ALL),
    "sitter.stature": ("1.75 m", ALL),
    "sitter.step": (["0.1 m", "0 m"], ALL),
    "sitter.turn": ("-20°", ALL),
    "sitter.head.turn": ("10°", ALL),
    "sitter.head.nod": ("10°", ALL),
    "sitter.head.tilt": ("10°", ALL),
    "sitter.eyes": ("ahead", ALL),
    "sitter.arms": ("hand on hip", ALL),
    "sitter.posture": ("seated", ALL),
    "sitter.prop": ("viola", ALL),
    "sitter.skin": ("deep", ALL),
    "sitter.hair.style": ("short bob", ALL),
    "sitter.hair.color": ("blonde", ALL),
    "sitter.clothing.style": ("dark suit", ALL),
    "sitter.clothing.color": ("#883322", ALL),
    "backdrop.kind": ("paper", ALL),
    "backdrop.size.width": ("3.4 m", ALL),
    "backdrop.size.height": ("2.5 m", ALL),
    "backdrop.distance": ("1.7 m", ALL),
    "backdrop.bottom": ("0.1 m", ALL),
    "backdrop.reflectance": (0.5, ALL),
    "backdrop.contrast": (0.1, ALL),
    "backdrop.patch": ("20 cm", ALL),
    "backdrop.color": ("#606b65", ALL),
    "backdrop.seed": (8, ALL),
    "lights.key.source.energy": ("200 W·s", {KEY}),
    "lights.key.source.efficacy": ("30 lm/W", {KEY}),
    "lights.key.source.dial.range": ("8 stops", NONE),
    "lights.key.source.dial.step": ("1/3 stop", NONE),
    "lights.key.source.consumption": ("600 W", NONE),
    "lights.key.source.modelling_lamp": ("100 W", NONE),
    "lights.key.power": ("1/8", NONE),
    "lights.key.modifier.width": ("80 cm", ALL),
    "lights.key.modifier.height": ("100 cm", ALL),
    "lights.key.modifier.recess": ("15 cm", ALL),
    "lights.key.modifier.hot_spot": ("1 stop", {KEY}),
    "lights.key.modifier.grid": ("40°", {KEY}),
    "lights.key.modifier.efficiency": (0.6, {KEY}),
    "lights.key.place.bearing": ("-50°", ALL),
    "lights.key.place.distance": ("2 m", ALL),
    "lights.key.place.height": ("2.1 m", ALL),
    "lights.key.aim": ("chest", ALL),
    "lights.key.color": ("3200 K", NONE),
    "lights.key.gels": ([{"color": "#ff8800"}], NONE),
    "lights.key.stand": ("boom", ALL),
    "lights.key.mute": (True, NONE),
    "lights.lamp.source.flux": ("3000 lm", {LAMP}),
    "lights.lamp.modifier.diameter": ("25 cm", ALL),
    "lights.lamp.modifier.beam": ("40°", {LAMP}),
    "lights.lamp.modifier.barn_doors.left": ("20°", ALL),
    "lights.lamp.place.bearing": ("50°", ALL),
    "lights.lamp.place.distance": ("2.2 m", ALL),
    "lights.lamp.place.height": ("1.9 m", ALL),
    "panels.bounce.surface": ("silver", ALL),
    "panels.bounce.size.width": ("80 cm", ALL),
    "panels.bounce.size.height": ("70 cm", ALL),
    "panels.bounce.aim": ("chest", ALL),
    "panels.bounce.place.bearing": ("80°", ALL),
    "panels.bounce.place.distance": ("0.9 m", ALL),
    "panels.bounce.place.height": ("1.3 m", ALL),
    "ambient.0.name": ("pane", NONE),
    "ambient.0.size.width": ("1.2 m", ALL),
    "ambient.0.size.height": ("1.2 m", ALL),
    "ambient.0.aim": ("chest", ALL),
    "ambient.0.illuminance": ("200 lx", {WINDOW}),
    "ambient.0.color": ("5000 K", NONE),
    "ambient.0.place.bearing": ("75°", ALL),
    "ambient.0.place.distance": ("2.2 m", ALL),
    "ambient.0.place.height": ("1.6 m", ALL),
    "ambient.1.name": ("air", NONE),
    "ambient.1.illuminance": ("30 lx", {SKY}),
    "ambient.1.color": ("5000 K", NONE),
    "meters.lapel.at": ("face", NONE),
    "meters.lapel.kind": ("dome", NONE),
    "meters.lapel.facing": ("camera", NONE),
}
# Said once more elsewhere, or words that only their own file format knows.
NOT_CHANGED_HERE = {
    "halfstop", "render.depth", "lights.key.source.kind", "lights.key.modifier.kind", "lights.lamp.source.kind",
    "lights.lamp.modifier.kind", "lights.lamp.modifier.barn_doors.right", "lights.lamp.modifier.barn_doors.top",
    "lights.lamp.modifier.barn_doors.bottom", "panels.bounce.kind", "ambient.0.kind", "ambient.1.kind",
}  # fmt: skip


def _changed(place: str, value: Any) -> dict[str, Any]:
    data = copy.deepcopy(yaml.safe_load(SCENE))
    block: Any = data
    *way, last = place.split(".")
    for name in way:
        block = block[int(name) if isinstance(block, list) else name]
    assert block[last] != value
    block[last] = value
    if place == "backdrop.kind":
        for name in ("contrast", "patch", "seed"):
            del block[name]
    return data


def _staged(data: dict[str, Any], folder: Path) -> tuple[Any, Any]:
    path = folder / "set.yaml"
    path.write_text(yaml.safe_dump(data, allow_unicode=True, sort_keys=False), "utf-8")
    scene = load_scene(path)
    return scene, layout.layout_from_scene(scene)


def _keys(data: dict[str, Any], folder: Path, **settings: Any) -> list[str]:
    keys = fingerprint.of_stage(*_staged(data, folder))
    return list(fingerprint.of_layers(keys, **{**SETTINGS, **settings}).values())


@pytest.fixture(scope="module", autouse=True)
def posed_once() -> Iterator[None]:
    """Pose each sitter once: most changes here leave it alone."""
    pose, posed = layout.figure_from_sitter, {}

    def once(sitter: Any, camera_m: Any, folder: Path) -> Any:
        key = (sitter.model_dump_json(), camera_m)
        if key not in posed:
            posed[key] = pose(sitter, camera_m, folder)
        return posed[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(layout, "figure_from_sitter", once)
        yield


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    return _keys(yaml.safe_load(SCENE), tmp_path_factory.mktemp("base"))


@pytest.fixture(scope="module")
def base_layers(engine: object, tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    return CachedStage(*_staged(yaml.safe_load(SCENE), tmp_path_factory.mktemp("base"))).render(**SETTINGS).pixels


def _leaves(block: Any, way: str = "") -> list[str]:
    if isinstance(block, dict):
        return [leaf for name, value in block.items() for leaf in _leaves(value, f"{way}{name}.")]
    if isinstance(block, list) and block and isinstance(block[0], dict) and "name" in block[0]:
        return [leaf for index, value in enumerate(block) for leaf in _leaves(value, f"{way}{index}.")]
    return [way[:-1]]


def test_no_key_of_the_scene_is_left_out() -> None:
    assert set(_leaves(yaml.safe_load(SCENE))) == set(CHANGES) | NOT_CHANGED_HERE


@pytest.mark.parametrize("place", CHANGES)
def test_key_changes_for_the_layers_that_do(base: list[str], tmp_path: Path, place: str) -> None:
    value, affected = CHANGES[place]
    keys = _keys(_changed(place, value), tmp_path)
    assert {index for index, key in enumerate(keys) if key != base[index]} == affected


# One of each kind is rendered always, all of them with the slow tests.
RENDERED = ("camera.iso", "lights.key.power", "lights.key.modifier.grid", "ambient.1.illuminance", "sitter.turn")


@pytest.mark.parametrize("place", [p if p in RENDERED else pytest.param(p, marks=pytest.mark.slow) for p in CHANGES])
def test_layers_change_where_their_keys_do(base_layers: np.ndarray, tmp_path: Path, place: str) -> None:
    value, affected = CHANGES[place]
    layers = CachedStage(*_staged(_changed(place, value), tmp_path)).render(**SETTINGS).pixels
    differing = {index for index in ALL if not np.array_equal(layers[index], base_layers[index])}
    assert differing <= affected, "a kept layer would be out of date"
    assert bool(differing) == bool(affected), "a layer would be traced again for nothing"


def test_render_settings_change_every_key(base: list[str], tmp_path: Path) -> None:
    data = yaml.safe_load(SCENE)
    for change in ({"size": (18, 27)}, {"samples": 8}, {"seed": 1}, {"depth": 4}):
        assert not set(_keys(data, tmp_path, **change)) & set(base)


def test_a_light_before_others_changes_their_random_numbers_and_keys(base: list[str], tmp_path: Path) -> None:
    data = yaml.safe_load(SCENE)
    data["lights"] = dict(reversed(data["lights"].items()))
    assert not set(_keys(data, tmp_path)) & set(base)


def test_other_source_or_renderer_changes_every_key(
    base: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = yaml.safe_load(SCENE)
    tracer = fingerprint.of_tracer()
    for name in tracer:
        others = tuple(x if x != name else x + "+" for x in tracer)
        with monkeypatch.context() as patch:
            patch.setattr(fingerprint, "of_tracer", lambda others=others: others)
            assert not set(_keys(data, tmp_path)) & set(base)


def test_a_picture_painted_anew_under_its_old_name_is_noticed(tmp_path: Path) -> None:
    data = yaml.safe_load(SCENE)
    data["backdrop"] = {"kind": "image", "file": "art.png", "distance": "1.5 m", "size": data["backdrop"]["size"]}
    keys = []
    for grey in (60, 90):
        Image.new("RGB", (8, 8), (grey, grey, grey)).save(tmp_path / "art.png")
        keys.append(_keys(data, tmp_path))
    assert not set(keys[0]) & set(keys[1])


def test_keys_tell_kinds_and_lengths_apart() -> None:
    values = [1, 1.0, True, "1", b"1", None, (1,), ((1,),), [], {}, np.ones(1), np.ones((1, 1)), np.ones(1, np.float32)]
    assert len({fingerprint.of(value) for value in values}) == len(values)
    assert fingerprint.of("a", "bc") != fingerprint.of("ab", "c")
    with pytest.raises(TypeError, match="no key from a set"):
        fingerprint.of({1})


# -- what is kept --------------------------------------------------------------------------------


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch, engine: object) -> list[Any]:
    """Layers asked of the renderer, one entry for each render, and "probes" for each reading of meters."""
    import sim.render.transport.probe
    import sim.render.transport.render

    asked: list[Any] = []
    render, read = sim.render.transport.render.render, sim.render.transport.probe.read_probes

    def watched_render(stage: Any, **how: Any) -> Any:
        asked.append(stage.wanted_layers)
        return render(stage, **how)

    def watched_read(*args: Any, **how: Any) -> Any:
        asked.append("probes")
        return read(*args, **how)

    monkeypatch.setattr(sim.render.transport.render, "render", watched_render)
    monkeypatch.setattr(sim.render.transport.probe, "read_probes", watched_read)
    return asked


def _same(a: Any, b: Any) -> bool:
    fields = ("pixels", "variance", "albedo", "normal", "distance_m", "region")
    plain = ("names", "is_flash", "region_names", "samples", "seed", "depth", "engine")
    return all(np.array_equal(getattr(a, f), getattr(b, f)) for f in fields) and all(
        getattr(a, f) == getattr(b, f) for f in plain
    )


def test_only_what_changed_is_traced_and_every_byte_is_as_fresh(watched: list[Any], tmp_path: Path) -> None:
    store = LayerStore(tmp_path / "kept")
    told: list[float] = []
    data = yaml.safe_load(SCENE)
    CachedStage(*_staged(data, tmp_path), store).render(**SETTINGS)
    CachedStage(*_staged(data, tmp_path), store).render(**SETTINGS, on_progress=told.append)
    assert watched == [frozenset(ALL)] and told == [1.0]
    for place, traced in (
        ("lights.key.power", None), ("lights.key.modifier.grid", {KEY}), ("ambient.1.illuminance", {SKY}),
        ("sitter.turn", ALL),
    ):  # fmt: skip
        watched.clear()
        scene, placed = _staged(_changed(place, CHANGES[place][0]), tmp_path)
        kept = CachedStage(scene, placed, store).render(**SETTINGS)
        assert watched == ([] if traced is None else [frozenset(traced)])
        assert _same(kept, CachedStage(scene, placed).render(**SETTINGS)), place


def test_probe_readings_are_kept_until_a_light_changes(watched: list[Any], tmp_path: Path) -> None:
    from sim.metering.points import standard_probes

    store = LayerStore(tmp_path / "kept")

    def read(data: dict[str, Any], **changes: Any) -> Any:
        scene, placed = _staged(data, tmp_path)
        stage = CachedStage(scene, placed, store)
        return stage.read_probes(standard_probes(placed)[:2], most_rays=1 << 13, **{"depth": 2, **changes})

    first = read(yaml.safe_load(SCENE))
    again = read(_changed("lights.key.power", "1/8"))
    assert watched == ["probes"]
    assert np.array_equal(first.values, again.values) and np.array_equal(first.stderr, again.stderr)
    assert (first.rays, first.names, first.is_flash) == (again.rays, again.names, again.is_flash)
    for count, (data, changes) in enumerate(
        [
            (_changed("lights.key.source.energy", "200 W·s"), {}), (_changed("room.walls", 0.6), {}),
            (yaml.safe_load(SCENE), {"seed": 1}), (yaml.safe_load(SCENE), {"target_stderr_stops": 0.5}),
        ]
    ):  # fmt: skip
        read(data, **changes)
        assert len(watched) == count + 2


def _entry(store: LayerStore, number: int, floats: int = 250) -> str:
    key = fingerprint.of("entry", number)
    store.put(key, {"pixels": np.full(floats, number, np.float32)})
    return key


def test_round_trip_keeps_type_and_shape(tmp_path: Path) -> None:
    store = LayerStore(tmp_path / "deep" / "kept")
    arrays = {"a": np.arange(6, dtype=np.uint8).reshape(2, 3), "b": np.array(["x", "yz"]), "c": np.array(7)}
    store.put(fingerprint.of(1), arrays)
    got = store.get(fingerprint.of(1))
    assert got is not None and set(got) == set(arrays)
    assert all(np.array_equal(got[n], arrays[n]) and got[n].dtype == arrays[n].dtype for n in arrays)
    assert store.get(fingerprint.of(2)) is None


@pytest.mark.parametrize("harm", ["cut", "empty", "flip first", "flip middle", "flip last", "other's"])
def test_a_damaged_entry_counts_as_missing_and_goes(tmp_path: Path, harm: str) -> None:
    store = LayerStore(tmp_path)
    key = _entry(store, 1)
    path = next(tmp_path.iterdir())
    data = bytearray(path.read_bytes())
    if harm == "cut":
        data = data[: len(data) // 2]
    elif harm == "empty":
        data = bytearray()
    elif harm == "other's":
        other = _entry(store, 2)
        data = bytearray((tmp_path / f"{other}{disk.SUFFIX}").read_bytes())
    else:
        data[{"flip first": 0, "flip middle": len(data) // 2, "flip last": -1}[harm]] ^= 1
    path.write_bytes(data)
    assert store.get(key) is None
    assert not path.exists()


def test_least_recently_used_go_first(tmp_path: Path) -> None:
    store = LayerStore(tmp_path)
    keys = [_entry(store, number) for number in range(4)]
    for age, key in enumerate(keys):
        os.utime(tmp_path / f"{key}{disk.SUFFIX}", (1000 + age, 1000 + age))
    assert store.get(keys[0]) is not None
    size = next(tmp_path.iterdir()).stat().st_size
    keys.append(_entry(LayerStore(tmp_path, limit_bytes=3 * size), 4))
    assert [store.get(key) is not None for key in keys] == [True, False, False, True, True]
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 3 * size


def test_what_a_dead_run_left_is_swept_but_not_another_run_s_work(tmp_path: Path) -> None:
    store = LayerStore(tmp_path)
    old, new = tmp_path / ".new-old", tmp_path / ".new-now"
    for path in (old, new):
        path.write_bytes(b"half")
    # Whatever the clock says: another run's work is what another run holds.
    os.utime(new, (1000, 1000))
    with new.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        _entry(store, 1)
    assert not old.exists() and new.exists()


def test_an_entry_that_cannot_go_does_not_stop_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = LayerStore(tmp_path)
    keys = [_entry(store, number) for number in range(4)]
    for age, key in enumerate(keys):
        os.utime(tmp_path / f"{key}{disk.SUFFIX}", (1000 + age, 1000 + age))
    size = next(tmp_path.iterdir()).stat().st_size
    unlink = os.unlink

    def stubborn(path: str) -> None:
        if keys[0] in str(path):
            raise PermissionError(1, "Operation not permitted")
        unlink(path)

    monkeypatch.setattr(disk.os, "unlink", stubborn)
    keys.append(_entry(LayerStore(tmp_path, limit_bytes=3 * size), 4))
    assert [store.get(key) is not None for key in keys] == [True, False, False, True, True]
    gone, stayed = store.clear()
    assert (len(gone), len(stayed)) == (2, 1)


def test_a_clock_set_back_keeps_what_is_used_and_lets_the_oldest_go(tmp_path: Path) -> None:
    store = LayerStore(tmp_path)
    keys = [_entry(store, number) for number in range(3)]
    size = next(tmp_path.iterdir()).stat().st_size
    # A year ahead: so they look to a clock that was set back by a year.
    for age, key in enumerate(keys):
        os.utime(tmp_path / f"{key}{disk.SUFFIX}", (time.time() + 3e7 + age,) * 2)
    full = LayerStore(tmp_path, limit_bytes=3 * size)
    keys += [_entry(full, 3), _entry(full, 4)]
    assert [(tmp_path / f"{key}{disk.SUFFIX}").exists() for key in keys] == [False, False, True, True, True]
    assert all(path.stat().st_mtime < time.time() + 60 for path in tmp_path.iterdir())


def test_a_folder_that_cannot_be_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    store = LayerStore(tmp_path / "file" / "kept")
    assert store.get(_entry(store, 1)) is None


WRITER = """
import sys
import numpy as np
from pathlib import Path
from sim.render.cache.disk import LayerStore
from sim.render.fingerprint import of
store, wrong = LayerStore(Path(sys.argv[1]), limit_bytes=40_000), 0
for turn in range(150):
    number = turn % 7
    store.put(of(number), {"a": np.full(2000, number, np.float32)})
    got = store.get(of((number + 3) % 7))
    wrong += got is not None and not (got["a"] == (number + 3) % 7).all()
sys.exit(wrong)
"""


def test_concurrent_runs_share_a_folder(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    command = [sys.executable, "-c", WRITER, str(tmp_path)]
    runs = [subprocess.Popen(command, cwd=root, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    for run in runs:
        _, told = run.communicate(timeout=120)
        assert run.returncode == 0, told
    names = [path.name for path in tmp_path.iterdir()]
    assert names and all(name.endswith(disk.SUFFIX) for name in names)
    assert all(LayerStore(tmp_path).get(name.removesuffix(disk.SUFFIX)) is not None for name in names)


def test_where_layers_are_kept(tmp_path: Path) -> None:
    def folder(**environ: str) -> Path | None:
        store = store_from_environment(environ)
        return store and store.folder

    assert folder(HALFSTOP_CACHE="off", HOME=str(tmp_path)) is None
    assert folder(HALFSTOP_CACHE=str(tmp_path / "mine"), XDG_CACHE_HOME="/x") == tmp_path / "mine"
    assert folder(XDG_CACHE_HOME=str(tmp_path), HOME="/y") == tmp_path / "halfstop" / "layers"
    assert folder(HOME=str(tmp_path)) == tmp_path / ".cache" / "halfstop" / "layers"


def test_preview_from_kept_layers_is_the_same_to_the_byte(
    watched: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sim.reports.preview import QUALITIES, PreviewOrder, run_preview

    monkeypatch.setenv("HALFSTOP_CACHE", str(tmp_path / "kept"))
    path = tmp_path / "set.yaml"
    path.write_text(SCENE, "utf-8")

    def made(name: str, **changes: Any) -> dict[str, bytes]:
        order = PreviewOrder(QUALITIES["draft"], tmp_path / name, "24", 4, **changes)
        run_preview(path, order)
        return {file.name: file.read_bytes() for file in (tmp_path / name).iterdir()}

    first, kept = made("first"), made("kept run")
    assert watched == [frozenset(ALL), "probes"]
    fresh = made("fresh", fresh=True)
    assert len(watched) == 4
    assert first == kept == fresh
