"""Sound files to begin with, each with the ways to damage it."""

from __future__ import annotations

import io
import json
import random
import struct
import tempfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
import yaml
from PIL import Image, ImageCms

from tests.fuzz.mutate import Damage, bytes_damaged, tree_damaged, words_damaged

ROOT = Path(__file__).resolve().parents[2]
Seed = tuple[str, bytes, tuple[Damage, ...]]


def mesh_seeds() -> list[Seed]:
    """A doll of three objects as OBJ, GLB and PLY, and a small PLY of triangles and quads in two forms."""
    parts = {}
    for name, height, radius in (("dress", 60.0, 30.0), ("skin", 131.0, 11.0), ("wig", 150.0, 10.0)):
        parts[name] = trimesh.creation.icosphere(subdivisions=1, radius=radius)
        parts[name].apply_translation([5, height, 0])
    doll = trimesh.Scene(parts)
    whole = trimesh.util.concatenate(list(parts.values()))
    ascii_ply = whole.export(file_type="ply", encoding="ascii")
    text = doll.export(file_type="obj")
    header = (
        "ply\nformat {} 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
        "element face 2\nproperty list uchar int vertex_indices\nend_header\n"
    )
    points = np.array([[0, 0, 0], [60, 0, 0], [60, 170, 0], [0, 170, 9]], "<f4")
    mixed = header.format("binary_little_endian").encode() + points.tobytes()
    mixed += struct.pack("<B4iB3i", 4, 0, 1, 2, 3, 3, 2, 1, 0)
    return [
        ("doll.obj", text if isinstance(text, bytes) else text.encode(), (bytes_damaged, words_damaged, words_damaged)),
        ("doll.glb", doll.export(file_type="glb"), (bytes_damaged, _glb_damaged, _glb_damaged)),
        ("whole.ply", whole.export(file_type="ply"), (bytes_damaged, _ply_damaged)),
        ("whole.ply", ascii_ply, (bytes_damaged, words_damaged)),
        ("mixed.ply", mixed, (bytes_damaged, _ply_damaged)),
    ]


def _glb_damaged(data: bytes, rng: random.Random) -> bytes:
    """The description changed, in a file that is whole otherwise."""
    size = struct.unpack_from("<I", data, 12)[0]
    text = json.dumps(tree_damaged(json.loads(data[20 : 20 + size]), rng)).encode()
    text += b" " * (-len(text) % 4)
    rest = data[20 + size :]
    return data[:8] + struct.pack("<III", 20 + len(text) + len(rest), len(text), 0x4E4F534A) + text + rest


def _ply_damaged(data: bytes, rng: random.Random) -> bytes:
    """The header's words changed, in a file that is whole otherwise."""
    end = data.index(b"end_header\n")
    return words_damaged(data[:end], rng) + data[end:]


def picture_seeds() -> list[Seed]:
    """Small pictures in every form that is read, with a profile and an orientation."""
    rng = np.random.default_rng(1)
    grain = Image.fromarray(rng.integers(0, 255, (20, 16, 3), dtype=np.uint8))
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    exif = Image.Exif()
    exif[0x0112] = 6
    deep = Image.fromarray(rng.integers(0, 65535, (20, 16), dtype=np.uint16))
    seeds: list[Seed] = []
    for ending, form, picture, extra in (
        ("png", "PNG", grain, {"icc_profile": srgb, "exif": exif}),
        ("png", "PNG", grain.quantize(8), {}),
        ("png", "PNG", grain.convert("LA"), {}),
        ("png", "PNG", deep, {}),
        ("jpg", "JPEG", grain, {"icc_profile": srgb, "exif": exif}),
        ("jpg", "JPEG", grain.convert("CMYK"), {"progressive": True}),
    ):
        stream = io.BytesIO()
        picture.save(stream, form, **extra)
        ways: tuple[Damage, ...] = (bytes_damaged, _png_damaged) if form == "PNG" else (bytes_damaged,)
        seeds.append((f"art.{ending}", stream.getvalue(), ways))
    seeds += [("art.exr", data, (bytes_damaged,)) for data in _exr_files()]
    return seeds


def _exr_files() -> list[bytes]:
    import OpenEXR

    files = []
    pixels = np.random.default_rng(2).random((20, 16, 3)).astype(np.float16)
    for compression in (OpenEXR.ZIP_COMPRESSION, OpenEXR.NO_COMPRESSION):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "a.exr"
            header = {"type": OpenEXR.scanlineimage, "compression": compression}
            OpenEXR.File(header, {"RGB": pixels}).write(str(path))
            files.append(path.read_bytes())
    return files


def _png_damaged(data: bytes, rng: random.Random) -> bytes:
    """A chunk's content changed, lost or repeated, with a sum that fits, so that the damage is looked at."""
    chunks, at = [], 8
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        chunks.append((kind, data[at + 8 : at + 8 + size]))
        at += 12 + size
    place = rng.randrange(len(chunks))
    kind, content = chunks[place]
    match rng.randrange(4):
        case 0:
            del chunks[place]
        case 1:
            chunks.insert(place, chunks[place])
        case _:
            chunks[place] = kind, bytes_damaged(content, rng)
    out = data[:8]
    for kind, content in chunks:
        out += struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
    return out


def _yaml_damaged(data: bytes, rng: random.Random) -> bytes:
    tree = tree_damaged(yaml.load(data, yaml.CSafeLoader), rng)
    return _yaml_text(tree)


def _yaml_text(tree: Any) -> bytes:
    return yaml.dump(tree, Dumper=yaml.CSafeDumper, allow_unicode=True, sort_keys=False).encode("utf-8", "replace")


_YAML: tuple[Damage, ...] = (bytes_damaged, words_damaged, words_damaged, _yaml_damaged, _yaml_damaged)


def scene_seeds() -> list[Seed]:
    """The shipped scenes, and one with the keys that none of them has."""
    texts = [path.read_bytes() for path in sorted((ROOT / "scenes").glob("*.yaml"))]
    empty = _SCENE[: _SCENE.index("lights:")] + "sitter: {figure: none}\nlights: {}\n"
    texts += [empty.encode(), _SCENE.encode(), _SCENE.replace(_ROOM, "room: {kind: outdoors, ground: 0.3}").encode()]
    return [("scene.yaml", text, _YAML) for text in texts]


_ROOM = "room: {size: {width: 6 m, height: 3 m, length: 9 m}}"
_SCENE = """halfstop: 1
title: Fuzz
room: {size: {width: 6 m, height: 3 m, length: 9 m}}
camera: {place: {at: [0 m, 1.4 m, 4 m]}, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s}
backdrop: {kind: paper, size: {width: 2.7 m, height: 2.9 m}, distance: 2 m, bands: 0.01}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm, front_reflectance: 0.4}
    place: {bearing: -60°, distance: 1.5 m, height: 1.9 m}
panels:
  board:
    {kind: reflector, surface: silver, reflectance: 0.4, roll: 90°, size: {width: 60 cm, height: 1.8 m},
     place: {bearing: 60°, distance: 1 m, height: 1 m}}
meters:
  lapel: {at: chest, kind: flat, facing: {bearing: 40°, tilt: 10°}}
  hand: {at: {at: [0 m, 1 m, 1 m]}, facing: [0, 1, 0.5]}
  board: {at: face, kind: spot, facing: board}
"""


def study_seeds() -> list[Seed]:
    """A study of our own and those that are shipped, about scenes whose sitter is the simple one."""
    texts = [_STUDY] + [path.read_text("utf-8") for path in sorted((ROOT / "scenes" / "studies").glob("*.yaml"))]
    return [("study.yaml", text.replace("scene: ../", "scene: ").encode(), _YAML) for text in texts]


_STUDY = """halfstop_study: 1
title: Fuzz
scene: classic_two.yaml
axes:
  - key: key.power
    values: [1/4, 1/8]
  - together:
      - {key: sitter.head.turn, name: head turn, values: [0°, 20°]}
      - key: key.place.distance
        name: distance
        range: {from: 1.4 m, to: 2.4 m, count: 2}
only: [distance < 2 m]
keep: [readings]
size: 200
wanted: {reference: face, wishes: [backdrop=-3]}
"""


def base_scenes(folder: Path) -> None:
    """Write the scenes that the studies name, each sitter made simple, which is quick to pose."""
    for path in (ROOT / "scenes").glob("*.yaml"):
        tree = yaml.load(path.read_bytes(), yaml.CSafeLoader)
        tree["sitter"] = {"figure": "simple"}
        (folder / path.name).write_bytes(_yaml_text(tree))
