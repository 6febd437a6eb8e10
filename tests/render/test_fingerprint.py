"""Fingerprints: a key changes with every byte that decides a result, and with nothing else."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from sim.render import fingerprint, sources
from sim.render.fingerprint import TRACER, of_file, of_sitter, of_source, of_stage
from sim.render.sources import closure_of, read_module, versions_of
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

# Makers of what is kept or named by its content.
ROOTS = (TRACER, "sim.sweep.mixing", "sim.room.background.library")


@pytest.mark.parametrize("root", ROOTS)
def test_one_byte_of_any_module_in_the_closure_changes_the_key(root: str) -> None:
    as_it_is = cache(read_module)
    modules = closure_of(root, read=as_it_is).modules
    before = of_source(modules)
    for changed in modules:

        def read(name: str, changed: str = changed) -> bytes | None:
            source = as_it_is(name)
            return None if source is None else source + b"#" * (name == changed)

        # Walk the imports again, as a run would that finds the module changed.
        assert of_source(closure_of(root, read=read).modules) != before, changed


@pytest.mark.parametrize("root", ROOTS)
def test_a_module_outside_the_closure_changes_nothing(root: str) -> None:
    modules = closure_of(root).modules
    outside = {"sim.cli.app", "sim.room.app", "sim.reports.check_files"}
    assert not outside & set(modules)

    def read(name: str) -> bytes | None:
        source = read_module(name)
        return None if source is None else source + b"#" * (name in outside)

    assert of_source(closure_of(root, read=read).modules) == of_source(modules)


def test_the_closure_is_what_a_process_loads(tmp_path: Path) -> None:
    # Every module of ours that tracing brings into a process is in the closure.
    code = (
        "import sys\n"
        "from sim.render.engine import start_engine\n"
        "start_engine()\n"
        f"import {TRACER}, sim.render.transport.render, sim.render.transport.probe, sim.render.transport.sight\n"
        "print(*sorted(name for name in sys.modules if name.split('.')[0] == 'sim'))"
    )
    root = Path(__file__).resolve().parents[2]
    child = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert set(child.stdout.split()) <= set(closure_of(TRACER).modules)


def test_imports_inside_functions_count_and_those_for_the_type_checker_do_not() -> None:
    source = {
        "sim": b"",
        "sim.a": (
            b"from typing import TYPE_CHECKING\nimport numpy as np\nif TYPE_CHECKING:\n    import sim.never\n"
            b"else:\n    import sim.other\n"
            b"def f():\n    try:\n        with x:\n            from sim.b import g\n"
            b"    finally:\n        import scipy.stats\n"
            b"match 1:\n    case 1:\n        import sim.c\n"
        ),
        "sim.b": b"from . import d\n", "sim.c": b"", "sim.d": b"import os", "sim.never": b"", "sim.other": b"",
    }  # fmt: skip
    closure = closure_of("sim.a", read=source.get)
    assert set(closure.modules) == set(source) - {"sim.never"}
    assert closure.libraries == ("numpy", "scipy")


def test_every_library_that_shapes_a_result_is_in_it() -> None:
    def names(root: str) -> set[str]:
        return {version.rpartition(" ")[0].lower() for version in fingerprint.made_by(root)[:-1]}

    tracing = names(TRACER)
    assert tracing >= {"mitsuba", "drjit", "numpy", "scipy", "trimesh", "pillow", "openexr", "pydantic"}
    assert "pyoidn" not in tracing
    assert names("sim.sweep.mixing") >= tracing | {"pyoidn"}
    assert versions_of(("PIL",))[0].lower().startswith("pillow ")


def test_the_source_is_read_once_in_a_process(monkeypatch: pytest.MonkeyPatch) -> None:
    fingerprint.made_by(TRACER, "an engine")
    monkeypatch.setattr(sources, "read_module", lambda name: pytest.fail("read again"))
    monkeypatch.setattr(fingerprint, "closure_of", lambda *_: pytest.fail("walked again"))
    assert fingerprint.made_by(TRACER, "an engine")[-2] == "an engine"


def test_checking_a_scene_pays_for_no_fingerprint(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    code = (
        "import sys\nfrom sim.cli.app import run\n"
        "code = run(['check', 'scenes/recital.yaml'])\n"
        "sys.exit(code or int('sim.render.fingerprint' in sys.modules))"
    )
    child = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False)
    assert child.returncode == 0, child.stderr


def test_a_file_is_known_by_its_bytes_and_read_only_when_it_may_have_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, copy = tmp_path / "a", tmp_path / "b"
    path.write_bytes(b"one")
    copy.write_bytes(b"one")
    assert of_file(path) == of_file(copy) != of_file(tmp_path / "none")
    # Written again at once, of the same length: the clock may not have moved on.
    key = of_file(path)
    path.write_bytes(b"two")
    assert of_file(path) != key
    # Long settled: its bytes are not read a second time, and a change of its time is noticed.
    old = time.time() - 3600
    os.utime(path, (old, old))
    key = of_file(path)
    with monkeypatch.context() as patch:
        patch.setattr(fingerprint, "open_file", lambda *_: pytest.fail("read again"))
        assert of_file(path) == key
    path.write_bytes(b"six")
    os.utime(path, (old + 1, old + 1))
    assert of_file(path) != key


SCENE = """\
halfstop: 1
title: Invented demo data
room: {size: {width: 5 m, height: 3 m, length: 8 m}}
camera: {place: {at: [0 m, 1.4 m, 3.5 m]}, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s}
sitter: {figure: simple, eyes: camera}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    place: {bearing: -40°, distance: 1.8 m, height: 1.9 m}
"""


@pytest.mark.parametrize(
    ("sitter", "follows"),
    [
        ("{figure: simple, eyes: camera}", True),
        ("{figure: simple, eyes: ahead}", False),
        # A mesh of the user's own has eyes of its own.
        ("{figure: {file: her.obj}, eyes: camera}", False),
    ],
)
def test_a_sitter_depends_on_the_cameras_place_where_the_eyes_follow_it(
    sitter: str, follows: bool, tmp_path: Path
) -> None:
    (tmp_path / "her.obj").write_text("# nothing yet\n", "ascii")
    text = SCENE.replace("{figure: simple, eyes: camera}", sitter)
    here = scene_from_text(text, "set.yaml", tmp_path)
    there = scene_from_text(text.replace("1.4 m, 3.5 m", "1.5 m, 3.5 m"), "set.yaml", tmp_path)
    assert (of_sitter(here) != of_sitter(there)) == follows
    before = of_sitter(here)
    (tmp_path / "her.obj").write_text("# something else now\n", "ascii")
    assert (of_sitter(here) != before) == ("her.obj" in sitter)


def test_a_stage_is_known_by_its_figures_surface_unless_the_caller_has_a_key_of_it(tmp_path: Path) -> None:
    scene = scene_from_text(SCENE, "set.yaml", tmp_path)
    layout = layout_from_scene(scene, tmp_path)
    first, *others = layout.figure.parts
    taller = replace(first, points_m=first.points_m + 0.01)
    moved = replace(layout, figure=replace(layout.figure, parts=(taller, *others)))
    read, other = of_stage(scene, layout), of_stage(scene, moved)
    assert read.ground != other.ground and read.shapes == other.shapes and read.lens == other.lens
    given = [of_stage(scene, where, figure="posed so").ground for where in (layout, moved)]
    assert given[0] == given[1] != of_stage(scene, layout, figure="posed otherwise").ground
