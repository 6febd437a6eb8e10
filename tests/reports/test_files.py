"""Files written whole or not at all, PNG by its specification, EXR layers read back."""

from __future__ import annotations

import json
import os
import signal
import struct
import zlib
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from sim.light.mix import Mix
from sim.light.stack import LightStack, no_excess
from sim.quantities.errors import HalfstopError
from sim.reports.files import (
    MANIFEST,
    ResultFolder,
    exr_layer_names,
    folder_lock,
    png_bytes,
    write_layers,
    write_one_file,
)
from sim.reports.files.folder import CLAIM, READY, STAGING_PREFIX, is_plain_name, listed_files
from sim.reports.files.folder_lock import LOCK, claim


def put(folder: Path, **files: str) -> None:
    """Write files of one run, named without their ending."""
    with ResultFolder(folder) as result:
        for name, text in files.items():
            result.stage(f"{name}.txt").write_text(text)
        result.commit()


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_commit_puts_all_files_in_place_and_lists_them(tmp_path: Path) -> None:
    put(tmp_path / "a" / "b", key="1", fill="2")
    assert names(tmp_path / "a" / "b") == {"key.txt", "fill.txt", MANIFEST}
    assert listed_files(tmp_path / "a" / "b") == ["fill.txt", "key.txt"]
    assert (tmp_path / "a" / "b" / "key.txt").stat().st_mode & 0o777 == 0o666 & ~_umask()


def test_next_run_removes_its_own_stale_files_and_no_others(tmp_path: Path) -> None:
    put(tmp_path, key="1", fill="2")
    (tmp_path / "notes.txt").write_text("mine")
    put(tmp_path, key="3")
    assert names(tmp_path) == {"key.txt", "notes.txt", MANIFEST}
    assert (tmp_path / "key.txt").read_text() == "3"


def test_a_file_of_the_users_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "key.txt").write_text("mine")
    with pytest.raises(HalfstopError, match="did not make; nothing was written"):
        put(tmp_path, fill="2", key="1")
    assert names(tmp_path) == {"key.txt"} and (tmp_path / "key.txt").read_text() == "mine"


def test_a_folder_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "key.txt").mkdir()
    with pytest.raises(HalfstopError, match="there is a folder of this name"):
        put(tmp_path, key="1")


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_leaving_early_takes_everything_away(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error), ResultFolder(tmp_path / "new" / "deep") as result:
        result.stage("key.txt").write_text("1")
        raise error
    assert names(tmp_path) == set()


def test_a_full_disk_is_one_line_and_leaves_the_old_files(tmp_path: Path) -> None:
    put(tmp_path, key="old")
    with pytest.raises(HalfstopError, match="no space left") as caught, ResultFolder(tmp_path) as result:
        result.stage("key.txt").write_text("new")
        raise OSError(28, os.strerror(28))
    assert "\n" not in str(caught.value)
    assert (tmp_path / "key.txt").read_text() == "old" and names(tmp_path) == {"key.txt", MANIFEST}


def test_ctrl_c_waits_for_the_renames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(tmp_path, key="old", fill="old")
    rename = os.replace

    def interrupted(source: Path, target: Path) -> None:
        rename(source, target)
        if Path(target).name == "key.txt":
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        put(tmp_path, key="new", fill="new")
    assert (tmp_path / "key.txt").read_text() == (tmp_path / "fill.txt").read_text() == "new"
    assert names(tmp_path) == {"key.txt", "fill.txt", MANIFEST}


def test_what_a_killed_run_left_is_swept_but_not_a_running_ones(tmp_path: Path) -> None:
    dead, alive = tmp_path / f"{STAGING_PREFIX}dead", tmp_path / f"{STAGING_PREFIX}alive"
    for folder in (dead, alive):
        folder.mkdir()
        (folder / "key.txt").write_text("half")
    half = tmp_path / f"{STAGING_PREFIX}half-a-file"
    half.write_text("half")
    (tmp_path / LOCK).touch()
    handle = claim(alive / CLAIM)
    put(tmp_path, key="1")
    assert names(tmp_path) == {"key.txt", MANIFEST, alive.name}
    # Its end, however it comes, frees what it holds.
    os.close(handle)
    put(tmp_path, key="1")
    assert names(tmp_path) == {"key.txt", MANIFEST}


def test_two_runs_wait_for_each_other(tmp_path: Path) -> None:
    def run(number: int) -> None:
        for turn in range(20):
            put(tmp_path / "new", **{f"{number}-{part}-{turn % 3}": str(number) for part in range(4)})

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(run, range(6)))
    present = names(tmp_path / "new") - {MANIFEST}
    assert present == set(listed_files(tmp_path / "new")) and len({name[0] for name in present}) == 1
    assert len(present) == 4


def test_a_folder_that_another_run_holds_too_long_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_lock, "WAIT_S", 0.05)
    with folder_lock.folder_lock(tmp_path), pytest.raises(HalfstopError, match="another run is writing there"):
        put(tmp_path, key="1")
    assert names(tmp_path) == set()


def test_a_users_file_that_came_after_a_crash_is_left_alone(tmp_path: Path) -> None:
    put(tmp_path, key="old")
    ready = tmp_path / READY
    ready.mkdir()
    (ready / "key.txt").write_text("new")
    (ready / "fill.txt").write_text("new")
    (ready / MANIFEST).write_text(json.dumps({"files": ["fill.txt", "key.txt"]}))
    (tmp_path / "fill.txt").write_text("mine")
    with pytest.raises(HalfstopError, match=r"fill\.txt: there is a file of this name that halfstop did not make"):
        put(tmp_path, key="newer")
    assert (tmp_path / "fill.txt").read_text() == "mine" and (tmp_path / "key.txt").read_text() == "old"
    (tmp_path / "fill.txt").unlink()
    ResultFolder(tmp_path).require_usable(["key.txt"])
    assert names(tmp_path) == {"key.txt", "fill.txt", MANIFEST} and (tmp_path / "fill.txt").read_text() == "new"


def test_a_place_that_takes_no_files_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    for name in ("file", "pipe", "loop", "file/deep", "loop/deep", "x" * 300):
        with pytest.raises(HalfstopError, match="choose another place with --out") as caught:
            put(tmp_path / name, key="1")
        assert "\n" not in str(caught.value)
    for name in ("pipe", "loop", "file/deep", "x" * 300):
        with pytest.raises(HalfstopError, match="choose another place with --out"):
            write_one_file(tmp_path / name, b"{}")
    with pytest.raises(HalfstopError, match="no plain file"):
        write_one_file(Path(os.devnull), b"{}")
    assert names(tmp_path) == {"file", "pipe", "loop"} and (tmp_path / "pipe").is_fifo()


@pytest.mark.parametrize("name", [MANIFEST, READY, LOCK])
def test_what_stands_under_our_hidden_names_does_no_harm(tmp_path: Path, name: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "key.txt").write_text("mine")
    (outside / MANIFEST).write_text(json.dumps({"files": ["key.txt"]}))
    for number, make in enumerate((os.mkfifo, lambda path: path.symlink_to(outside), lambda path: path.mkdir())):
        folder = tmp_path / str(number)
        folder.mkdir()
        make(folder / name)
        with suppress(HalfstopError):
            put(folder, fill="1")
    assert (outside / "key.txt").read_text() == "mine"


def test_a_forged_manifest_does_not_reach_out_of_its_folder(tmp_path: Path) -> None:
    outside = tmp_path / "precious.txt"
    outside.write_text("mine")
    inside = tmp_path / "out"
    inside.mkdir()
    (inside / MANIFEST).write_text(json.dumps({"files": ["../precious.txt", str(outside), 3, ".hidden"]}))
    put(inside, key="1")
    assert outside.read_text() == "mine" and listed_files(inside) == ["key.txt"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"files": 3}', '{"files"', "\x00"])
def test_a_damaged_manifest_lists_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / MANIFEST).write_text(text)
    assert listed_files(tmp_path) == []


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "/a", ".a", "a\0b"])
def test_only_bare_names_are_names(name: str) -> None:
    assert not is_plain_name(name)


def test_one_file_is_whole_or_absent(tmp_path: Path) -> None:
    write_one_file(tmp_path / "a.json", b"{}")
    assert (tmp_path / "a.json").read_bytes() == b"{}"
    with pytest.raises(HalfstopError, match=r"cannot write .* choose another place with --out"):
        write_one_file(tmp_path / "a.json" / "b.json", b"{}")
    (tmp_path / "folder").mkdir()
    with pytest.raises(HalfstopError):
        write_one_file(tmp_path / "folder", b"{}")
    assert names(tmp_path) == {"a.json", "folder"}


def chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """Chunks of a PNG by its specification (W3C, third edition, section 5): length, type, data, CRC."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    found, at = [], 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        (crc,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        assert crc == zlib.crc32(kind + body)
        found.append((kind, body))
        at += 12 + length
    return found


def test_png_holds_its_text_and_its_colour_space_before_the_picture() -> None:
    picture = np.arange(6 * 4 * 3, dtype=np.uint8).reshape(6, 4, 3)
    data = png_bytes(picture, {"Title": "Café", "Comment": "日本"})
    found = chunks(data)
    order = [kind for kind, _ in found]
    assert order[0] == b"IHDR" and order[-1] == b"IEND"
    assert order.index(b"sRGB") < order.index(b"IDAT")
    assert (b"tEXt", b"Title\0" + "Café".encode("latin-1")) in found
    # An iTXt chunk: keyword, compression flag and method, language, translated keyword, then UTF-8 text.
    assert (b"iTXt", b"Comment\0\0\0\0\0" + "日本".encode()) in found
    # The scanlines come back as they went in, whatever filters were chosen: decode with another library.
    import imageio.v3

    assert np.array_equal(imageio.v3.imread(data, extension=".png"), picture)
    assert png_bytes(picture, {"Title": "Café", "Comment": "日本"}) == data


def stack_and_mix() -> tuple[LightStack, Mix]:
    rng = np.random.default_rng(5)
    h, w = 7, 5
    pixels = rng.gamma(1.0, 30.0, (3, h, w, 3)).astype(np.float32)
    # A bare flash tube in the picture is brighter than half floats reach.
    pixels[2, 3, 2] = 400_000.0
    stack = LightStack(
        names=("key", "rim light", "depth"),
        is_flash=(True, False, True),
        pixels=pixels,
        variance=np.zeros((3, h, w), np.float32),
        albedo=rng.random((h, w, 3), np.float32),
        normal=rng.uniform(-1, 1, (h, w, 3)).astype(np.float32),
        distance_m=rng.uniform(3, 6, (h, w)).astype(np.float32),
        region=rng.integers(0, 3, (h, w)).astype(np.uint8),
        region_names=("nothing", "face", "gown"),
        samples=16,
        seed=1,
        depth=5,
        engine="llvm_ad_rgb",
        part_excess=no_excess(3, 3),
    )
    color = np.array([[1.0, 1.0, 1.0], [1.4, 0.9, 0.6], [1.0, 1.0, 1.0]])
    return stack, Mix(stack.names, (-2.0, -1.0, 0.0), color, (False, False, True), stack.is_flash)


def write_exr(path: Path) -> tuple[LightStack, Mix]:
    stack, mix = stack_and_mix()
    write_layers(
        path, stack, mix, combined=stack.mixed(mix.weights_rgb(1 / 160)), picture_scale_rgb=np.array([0.1, 0.2, 0.3]),
        shutter_s=1 / 160, notes={"title": "A test"},
    )  # fmt: skip
    return stack, mix


def test_exr_layers_come_back(tmp_path: Path) -> None:
    import OpenEXR

    stack, mix = write_exr(tmp_path / "layers.exr")
    # The first four bytes of every OpenEXR file (OpenEXR file layout, "Magic number").
    assert (tmp_path / "layers.exr").read_bytes()[:4] == bytes((0x76, 0x2F, 0x31, 0x01))
    file = OpenEXR.File(str(tmp_path / "layers.exr"), separate_channels=True)
    channels, header = {name: np.array(c.pixels) for name, c in file.channels().items()}, file.header()
    layers = exr_layer_names(stack.names)
    assert layers == ["key", "rim_light", "depth_2"]
    for index, layer in enumerate(layers):
        read = np.stack([channels[f"{layer}.{c}"] for c in "RGB"], axis=-1).astype(float)
        # Half floats (IEEE 754 binary16) hold 11 significant bits, in steps of 2^-24 below 2^-14: allow half a step.
        assert np.allclose(read, stack.pixels[index], rtol=2**-11, atol=2**-25)
        assert header[f"halfstop.{layer}.light"] == stack.names[index]
        assert np.allclose(header[f"halfstop.{layer}.weight_rgb"], mix.weights_rgb(1 / 160)[index], rtol=1e-6)
    assert channels["key.R"].dtype == np.float16 and channels["depth_2.R"].dtype == np.float32
    assert np.array_equal(channels["depth.Z"], stack.distance_m)
    assert np.array_equal(channels["part.id"], stack.region)
    assert header["halfstop.rim_light.unit"] == "cd/m2" and header["halfstop.key.unit"] == "cd s/m2"
    assert header["halfstop.depth_2.muted"] == 1 and header["halfstop.title"] == "A test"
    # The picture is the sum of layers times the weights in the file: whoever reads it can mix anew.
    total = sum(
        np.stack([channels[f"{layer}.{c}"] for c in "RGB"], axis=-1).astype(float)
        * header[f"halfstop.{layer}.weight_rgb"]
        for layer in layers
    )
    assert np.allclose(total, np.stack([channels[c] for c in "RGB"], axis=-1), rtol=2**-9)


def test_exr_is_read_by_another_reader(tmp_path: Path, engine: object) -> None:
    import mitsuba as mi

    stack, _ = write_exr(tmp_path / "layers.exr")
    bitmap = mi.Bitmap(str(tmp_path / "layers.exr"))
    named = {field.name: i for i, field in enumerate(bitmap.struct_())}
    read = np.array(bitmap, np.float32)
    assert np.allclose(read[..., named["key.G"]], stack.pixels[0, ..., 1], rtol=2**-11, atol=2**-25)


def test_same_layers_same_bytes(tmp_path: Path) -> None:
    for name in ("a.exr", "b.exr"):
        write_exr(tmp_path / name)
    assert (tmp_path / "a.exr").read_bytes() == (tmp_path / "b.exr").read_bytes()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
