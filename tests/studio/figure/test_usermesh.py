"""A mesh of the user's own: mapped, scaled, grounded; and every way it can fail told on one line."""

from __future__ import annotations

import json
import struct
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from peak_memory import grown_mb

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


# -- hostile files --------------------------------------------------------------------------------

# No answer may take longer.
AT_ONCE_S = 2.0


def _ply(body: bytes, points: int = 3, faces: int = 1, form: str = "ascii", extra: str = "") -> bytes:
    header = (
        f"ply\nformat {form} 1.0\n{extra}element vertex {points}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {faces}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    return header.encode() + body


def _glb(faces: list[int], points: np.ndarray, **changes: object) -> bytes:
    """One mesh as a GLB file; `changes` replace what stands at the top of its description."""
    indices, coordinates = np.array(faces, "<u4").tobytes(), points.astype("<f4").tobytes()
    document = {
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}], "nodes": [{"mesh": 0, "name": "n"}],
        "meshes": [{"name": "m", "primitives": [{"attributes": {"POSITION": 1}, "indices": 0}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5125, "count": len(faces), "type": "SCALAR"},
            {"bufferView": 1, "componentType": 5126, "count": len(points), "type": "VEC3"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(indices)},
            {"buffer": 0, "byteOffset": len(indices), "byteLength": len(coordinates)},
        ],
        "buffers": [{"byteLength": len(indices) + len(coordinates)}],
        **changes,
    }  # fmt: skip
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    body = indices + coordinates
    return b"".join(
        [b"glTF", struct.pack("<II", 2, 28 + len(text) + len(body)), struct.pack("<II", len(text), 0x4E4F534A), text,
         struct.pack("<II", len(body), 0x004E4942), body]
    )  # fmt: skip


CORNERS = np.array([[0, 0, 0], [100, 0, 0], [0, 170, 0.0]])
_POINTS = "v 0 0 0\nv 100 0 0\nv 0 170 0\n"
HOSTILE: dict[str, tuple[str, bytes, str]] = {
    "obj, face beyond the points": ("a.obj", (_POINTS + "f 1 2 9\n").encode(), "point 8 of 3"),
    "obj, face far beyond": ("a.obj", (_POINTS + "f 1 2 99999999999\n").encode(), "names point 99999999999"),
    "obj, face of point 0": ("a.obj", (_POINTS + "f 0 1 2\n").encode(), "point 0 after 3"),
    "obj, face before the points": ("a.obj", (_POINTS + "f -1 -2 -9\n").encode(), "point -9 after 3"),
    "obj, no numbers": ("a.obj", (_POINTS + "f a b c\n").encode(), "cannot be read as a mesh"),
    "obj, 1e300": ("a.obj", (_POINTS.replace("170", "1e300") + "f 1 2 3\n").encode(), "coordinate of 1e+300"),
    "obj, nan": ("a.obj", (_POINTS.replace("170", "nan") + "f 1 2 3\n").encode(), "no numbers"),
    "obj, 1e30 wide": ("a.obj", (_POINTS.replace("100", "1e30") + "f 1 2 3\n").encode(), "coordinate of 1e+30"),
    "obj, 60 m wide": ("a.obj", (_POINTS.replace("100", "6000") + "f 1 2 3\n").encode(), "60 m across"),
    "obj, 20,000 objects": (
        "a.obj", (_POINTS + "".join(f"o part{i}\nf 1 2 3\n" for i in range(20_000))).encode(), "20000 objects",
    ),
    "obj, 20,000 groups": (
        "a.obj", (_POINTS + "".join(f"g part{i}\nf 1 2 3\n" for i in range(20_000))).encode(), "20000 objects",
    ),
    "obj, 5 million faces": ("a.obj", _POINTS.encode() + b"f 1 2 3\n" * 5_000_000, "5000000 triangles"),
    "obj, one polygon of all": ("a.obj", (_POINTS + "f" + " 1 2 3" * 5000 + "\n").encode(), "face of 15000 corners"),
    "obj, endless line": ("a.obj", b"v " + b"1 " * 1_000_000, "line goes on"),
    "ply, face beyond the points": ("a.ply", _ply(b"0 0 0\n100 0 0\n0 170 0\n3 0 1 7\n"), "point 7 of 3"),
    "ply, face below 0": ("a.ply", _ply(b"0 0 0\n100 0 0\n0 170 0\n3 0 1 -7\n"), "point -7 of 3"),
    "ply, 1e300": ("a.ply", _ply(b"0 0 0\n100 0 0\n0 1e300 0\n3 0 1 2\n"), "coordinate of 1e+300"),
    "ply, nan": ("a.ply", _ply(b"0 0 0\n100 0 0\n0 nan 0\n3 0 1 2\n"), "no numbers"),
    "ply, 5 million faces": ("a.ply", _ply(b"0 0 0\n" * 3, faces=5_000_000), "5000000 triangles"),
    "ply, a sea of points": ("a.ply", _ply(b"", points=10**12), "1000000000000 of vertex"),
    "ply, count without end": ("a.ply", _ply(b"", points=10**40), "header is damaged"),
    "ply, cut": ("a.ply", _ply(b"\0" * 40, points=9, form="binary_little_endian"), "ends too early"),
    "ply, no header": ("a.ply", b"plx\n", "no PLY header"),
    "ply, empty": ("a.ply", b"", "no PLY header"),
    "glb, face beyond the points": ("a.glb", _glb([0, 1, 9], CORNERS), "point 9 of 3"),
    "glb, nan": ("a.glb", _glb([0, 1, 2], CORNERS * [1, np.nan, 1]), "no numbers"),
    "glb, 1e30 wide": ("a.glb", _glb([0, 1, 2], CORNERS * [1e28, 1, 1]), "coordinate of 1e+30"),
    "glb, 20,000 places": (
        "a.glb", _glb([0, 1, 2], CORNERS, scenes=[{"nodes": list(range(20_000))}], nodes=[{"mesh": 0}] * 20_000),
        "20000 objects",
    ),
    "glb, a node in itself": ("a.glb", _glb([0, 1, 2], CORNERS, nodes=[{"mesh": 0, "children": [0]}]), "two places"),
    "glb, another file": (
        "a.glb", _glb([0, 1, 2], CORNERS, buffers=[{"byteLength": 48, "uri": "/etc/passwd"}]), "another file",
    ),
    "glb, deep description": ("a.glb", b"glTF" + struct.pack("<4I", 2, 0, 90_000, 0x4E4F534A) + b"[" * 90_000, "JSON"),
    "glb, no meshes": ("a.glb", _glb([0, 1, 2], CORNERS, meshes=7), "another form"),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_a_hostile_mesh_is_one_line_at_once(tmp_path: Path, case: str) -> None:
    name, data, words = HOSTILE[case]
    (tmp_path / name).write_bytes(data)
    start = time.process_time()
    message = _fault(tmp_path, tmp_path / name)
    assert time.process_time() - start < AT_ONCE_S
    assert words in message and "sitter.figure." in message and len(message) < 400


def test_a_texture_that_a_comment_names_stays_closed(tmp_path: Path) -> None:
    # Audited: whatever else the file names, only the mesh itself is opened.
    (tmp_path / "secret.png").write_bytes(b"secret")
    bust = trimesh.creation.icosphere(subdivisions=2, radius=80)
    rows = "".join(f"{x} {y} {z}\n" for x, y, z in bust.vertices)
    rows += "".join(f"3 {a} {b} {c}\n" for a, b, c in bust.faces)
    data = _ply(rows.encode(), len(bust.vertices), len(bust.faces), extra="comment TextureFile secret.png\n")
    (tmp_path / "bust.ply").write_bytes(data)
    opened: list[str] = []
    watching = True

    def watch(event: str, arguments: tuple[object, ...]) -> None:
        if watching and event == "open":
            opened.append(str(arguments[0]))

    sys.addaudithook(watch)
    figure_from_sitter(_sitter(tmp_path / "bust.ply"), folder=tmp_path)
    watching = False
    assert [name for name in opened if name.startswith(str(tmp_path))] == [str(tmp_path / "bust.ply")]


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_every_form_of_ply_gives_the_same_surface(tmp_path: Path, form: str) -> None:
    # Triangles and quads mixed, and columns that are passed over.
    order = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}[form]
    points = [(0, 0, 0, 1), (50, 0, 0, 2), (50, 170, 0, 3), (0, 170, 0, 4)]
    faces = [(9, (0, 1, 2, 3)), (8, (2, 1, 0))]
    header = (
        f"ply\nformat {form} 1.0\nelement vertex 4\nproperty double x\nproperty double y\nproperty double z\n"
        "property uchar red\nelement face 2\nproperty uchar flags\nproperty list uchar uint vertex_index\nend_header\n"
    )
    if order:
        body = b"".join(struct.pack(order + "dddB", *point) for point in points)
        body += b"".join(struct.pack(f"{order}BB{len(c)}I", flags, len(c), *c) for flags, c in faces)
    else:
        body = "".join(" ".join(map(str, point)) + "\n" for point in points).encode()
        body += "".join(f"{flags} {len(c)} " + " ".join(map(str, c)) + "\n" for flags, c in faces).encode()
    (tmp_path / "a.ply").write_bytes(header.encode() + body)
    part = figure_from_sitter(_sitter(tmp_path / "a.ply"), folder=tmp_path).parts[0]
    assert part.triangles.tolist() == [[0, 1, 2], [0, 2, 3], [2, 1, 0]]
    assert len(part.points_m) == 4 and part.points_m[2, 1] == pytest.approx(1.6)


def test_a_placed_and_repeated_mesh_is_read_where_it_stands(tmp_path: Path) -> None:
    # glTF 2.0, 3.5: rotation about y by a quarter carries +x to -z; the parent's shift comes after.
    half = float(np.sqrt(0.5))
    nodes = [
        {"translation": [10, 0, 0], "children": [1, 2]}, {"mesh": 0, "name": "left"},
        {"mesh": 0, "name": "right", "rotation": [0, half, 0, half], "scale": [1, 0.5, 1]},
    ]  # fmt: skip
    (tmp_path / "a.glb").write_bytes(_glb([0, 1, 2], CORNERS, nodes=nodes))
    own = Sitter.model_validate({"figure": {"file": "a.glb", "unit": "cm", "parts": {"right": "hair"}}})
    made = figure_from_sitter(own, folder=tmp_path)
    assert [(part.name, part.region) for part in made.parts] == [("m", "gown"), ("right", "hair")]
    left, right = (part.points_m.astype(float) for part in made.parts)
    assert right - left[0] == pytest.approx(np.array([[0, 0, 0], [0, 0, -1], [0, 0.85, 0]]), abs=1e-6)


def test_hard_edges_of_an_obj_stay_hard(tmp_path: Path) -> None:
    text = _POINTS + "v 0 0 90\nvn 0 0 1\nvn -1 0 0\nf 1//1 2//1 3//1\nf 1//2 3//2 4//2\n"
    (tmp_path / "a.obj").write_text(text, "utf-8")
    part = figure_from_sitter(_sitter(tmp_path / "a.obj"), folder=tmp_path).parts[0]
    assert len(part.points_m) == 6
    assert np.abs(part.normals).max(axis=1) == pytest.approx(1.0, abs=1e-6)


def _large_ply(path: Path) -> None:
    """A bust of 2 million triangles, 1 million points: 38 MB."""
    side = 1001
    v, u = np.mgrid[0:side, 0:side] / (side - 1)
    points = np.stack([60 * u, 170 * v, 20 * np.sin(6 * u)], -1).reshape(-1, 3).astype("<f4")
    at = np.arange(side * side).reshape(side, side)
    a, b, c, d = (part.ravel() for part in (at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]))
    rows = np.zeros(2 * len(a), np.dtype([("n", "u1"), ("c", "<i4", (3,))]))
    rows["n"] = 3
    rows["c"] = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)])
    path.write_bytes(_ply(points.tobytes() + rows.tobytes(), side * side, len(rows), "binary_little_endian"))


def _large_obj(path: Path) -> None:
    """A bust of 320,000 triangles with normals, as text."""
    bust = trimesh.creation.icosphere(subdivisions=7, radius=80)
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}\nvn {x:.6f} {y:.6f} {z:.6f}" for x, y, z in bust.vertices]
    lines += [f"f {a}//{a} {b}//{b} {c}//{c}" for a, b, c in bust.faces + 1]
    path.write_text("\n".join(lines) + "\n", "utf-8")


def _large_glb(path: Path) -> None:
    bust = trimesh.creation.icosphere(subdivisions=8, radius=80)
    path.write_bytes(_glb(bust.faces.ravel().tolist(), bust.vertices))


@pytest.mark.parametrize(("ending", "write"), [("ply", _large_ply), ("obj", _large_obj), ("glb", _large_glb)])
def test_memory_stays_near_the_size_of_the_file(tmp_path: Path, ending: str, write: Callable[[Path], None]) -> None:
    # Required: at most 4 times the file plus 200 MB, over what the program takes before.
    path = tmp_path / f"large.{ending}"
    write(path)
    imports = "from sim.scene.model.sitter import Sitter; from sim.studio.figure import figure_from_sitter"
    work = (
        "own = Sitter.model_validate({'figure': {'file': sys.argv[1], 'unit': 'cm'}, 'stature': '1.6 m'})\n"
        "figure_from_sitter(own, folder=Path(sys.argv[2]))"
    )
    grown, file_mb = grown_mb(imports, work, path.name, str(tmp_path)), path.stat().st_size / 1e6
    print(f"{ending}: file {file_mb:.0f} MB, memory {grown:.0f} MB")
    assert grown < 4 * file_mb + 200
