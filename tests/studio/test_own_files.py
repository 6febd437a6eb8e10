"""A check reads the files that a scene names, and finds what a preview would refuse."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from sim.quantities.errors import HalfstopError
from sim.scene.model import Scene
from sim.scene.read import load_scene
from sim.studio.own_files import require_own_files

LAMP = "IESNA:LM-63-2002\nTILT=NONE\n1 -1 1 3 1 1 2 0 0 0\n1 1 60\n0 45 90\n0\n100 80 0\n"
MESH = "v 0 0 0\nv 100 0 0\nv 0 170 0\nf 1 2 3\n"


def _scene(folder: Path) -> Path:
    """A scene that names a mesh, a picture and a photometric file, all good."""
    (folder / "lamp.ies").write_text(LAMP, "utf-8")
    (folder / "doll.obj").write_text(MESH, "utf-8")
    Image.new("RGB", (40, 40), (90, 90, 90)).save(folder / "art.png")
    path = folder / "scene.yaml"
    path.write_text(
        """halfstop: 1
title: own files
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}}
camera: {place: {at: [0 m, 1.4 m, 4 m]}, aim: chest, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s}
sitter: {figure: {file: doll.obj, unit: cm}}
lights:
  lamp:
    source: {kind: ies, file: lamp.ies}
    place: {bearing: 30°, distance: 2 m, height: 2 m}
backdrop: {kind: image, file: art.png, size: {width: 2 m, height: 2 m}, distance: 2 m}
""",
        "utf-8",
    )
    return path


def test_good_files_pass(tmp_path: Path) -> None:
    require_own_files(load_scene(_scene(tmp_path)))


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("doll.obj", b"f 1 2 3", b"f 1 2 9", "point 8 of 3"),
        ("lamp.ies", b"100 80 0", b"0 0 0", "all candelas are 0"),
        ("art.png", b"IDAT", b"IXXX", "not a readable picture"),
    ],
)
def test_check_finds_what_a_preview_would_refuse(tmp_path: Path, name: str, old: bytes, new: bytes, words: str) -> None:
    from sim.cli.app import app

    path = _scene(tmp_path)
    good = CliRunner().invoke(app, ["check", str(path)])
    assert good.exit_code == 0, good.output
    data = (tmp_path / name).read_bytes()
    assert old in data
    (tmp_path / name).write_bytes(data.replace(old, new))
    with pytest.raises(HalfstopError, match=words):
        require_own_files(load_scene(path))
    bad = CliRunner().invoke(app, ["check", str(path)])
    assert bad.exit_code == 2
    assert isinstance(load_scene(path), Scene)


@pytest.mark.parametrize(("side", "refused"), [("99", True), ("4.9", True), ("3", False)])
def test_an_opening_larger_than_the_room_is_one_line_from_check_and_preview(
    tmp_path: Path, side: str, refused: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    from sim.cli.app import run

    # The room is 3 m by 2.4 m: by Pythagoras nothing wider than 3.84 m can be in it, however it is turned.
    path = _scene(tmp_path)
    text = path.read_text("utf-8").replace("width: 6 m, height: 3.2 m", "width: 3 m, height: 2.4 m")
    path.write_text(text, "utf-8")
    (tmp_path / "lamp.ies").write_text(LAMP.replace("1 1 2 0 0 0", f"1 1 2 {side} {side} 0"), "utf-8")
    if not refused:
        assert run(["check", str(path)]) == 0
        return
    for command in (["check", str(path)], ["preview", str(path), "--out", str(tmp_path / "out")]):
        assert run(command) == 2
        told = capsys.readouterr().err.strip()
        assert "opening" in told and "unit of length" in told and "\n" not in told, told
    assert not (tmp_path / "out").exists()
