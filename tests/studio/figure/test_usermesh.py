"""A mesh of the user's own: mapped, scaled, grounded; and every way it can fail told on one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from sim.quantities.errors import SceneError
from sim.scene.model.sitter import Sitter
from sim.studio.figure import figure_from_sitter


def _doll() -> trimesh.Scene:
    """A doll 170 cm tall, its feet 20 cm under the origin: a gown, a head and hair."""
    gown = trimesh.creation.cylinder(radius=25, height=140)
    gown.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    gown.apply_translation([30, 50, 0])
    head = trimesh.creation.icosphere(subdivisions=3, radius=11)
    head.apply_translation([30, 131, 2])
    hair = trimesh.creation.icosphere(subdivisions=3, radius=12)
    hair.apply_translation([30, 138, -3])
    return trimesh.Scene({"dress": gown, "skin": head, "wig": hair})


def _sitter(file: Path, **figure: object) -> Sitter:
    return Sitter.model_validate({"figure": {"file": file.name, "unit": "cm", **figure}, "stature": "1.60 m"})


@pytest.mark.parametrize("ending", ["glb", "obj"])
def test_parts_are_mapped_scaled_and_grounded(tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"doll.{ending}"
    _doll().export(file)
    own = _sitter(file, parts={"skin": "face", "wig": "hair"})
    made = figure_from_sitter(own, folder=tmp_path)
    assert {(p.name, p.region) for p in made.parts} == {("dress", "gown"), ("skin", "face"), ("wig", "hair")}
    points = np.concatenate([p.points_m for p in made.parts])
    assert points[:, 1].min() == pytest.approx(0.0, abs=1e-5)
    assert points[:, 1].max() == pytest.approx(1.60, abs=1e-4)
    assert np.abs(points[:, [0, 2]].min(axis=0) + points[:, [0, 2]].max(axis=0)).max() < 1e-4
    assert {p.material.kind for p in made.parts} == {"skin", "hair", "matt"}
    assert made.anchors_m["face"][1] > 1.3 and made.anchor_normals["face"][2] > 0.5


def test_a_single_surface_serves_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "bust.ply"
    trimesh.creation.icosphere(subdivisions=4, radius=80).export(file)
    made = figure_from_sitter(_sitter(file), folder=tmp_path)
    assert [p.region for p in made.parts] == ["face"]


def _fault(tmp_path: Path, file: Path, **figure: object) -> str:
    with pytest.raises(SceneError) as caught:
        figure_from_sitter(_sitter(file, **figure), folder=tmp_path)
    text = str(caught.value)
    assert "\n" not in text and text.startswith(file.name)
    return text


def test_unusable_meshes_are_told_apart(tmp_path: Path) -> None:
    file = tmp_path / "doll.glb"
    _doll().export(file)
    assert "no object of this name" in _fault(tmp_path, file, parts={"hat": "hair"})
    assert "sitter.figure.unit: the mesh is 170 m tall in m" in _fault(tmp_path, file, unit="m")
    torn = tmp_path / "torn.glb"
    torn.write_bytes(file.read_bytes()[:200])
    assert "cannot be read as a mesh" in _fault(tmp_path, torn)
    empty = tmp_path / "empty.obj"
    empty.write_text("# nothing here\n", "utf-8")
    assert "sitter.figure.file" in _fault(tmp_path, empty)
    points = tmp_path / "points.ply"
    trimesh.PointCloud(np.random.default_rng(1).normal(size=(50, 3))).export(points)
    assert "no triangles" in _fault(tmp_path, points)
    holes = tmp_path / "holes.obj"
    holes.write_text("v 0 0 0\nv 0 nan 0\nv 100 0 0\nf 1 2 3\n", "utf-8")
    assert "sitter.figure.parts" in _fault(tmp_path, holes)
