"""A preview from scene file to folder: what is written, what it says, and that it can be repeated."""

from __future__ import annotations

import hashlib
import json
import math
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from sim.quantities.errors import HalfstopError
from sim.reports.files import MANIFEST
from sim.reports.preview import QUALITIES, PreviewOrder, mix_of_lights, pipeline, run_preview, size_from_text
from sim.reports.preview.writing import PICTURES, Preview, picture_names
from sim.session import Rehearsal, size_from_long_side

ROOT = Path(__file__).resolve().parents[2]
SCENE = """\
halfstop: 1
title: Two lights and a lamp
room: {size: {width: 5 m, height: 3 m, length: 8 m}, walls: 0.4}
camera:
  place: {at: [0 m, 1.4 m, 3.5 m]}
  aim: chest
  focal_length: 85 mm
  aperture: f/8
  shutter: SHUTTER
  iso: 100
sitter: {figure: simple, turn: 20°}
backdrop: {kind: paper, size: {width: 3 m, height: 3 m}, distance: 1.5 m, reflectance: 0.4}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    power: POWER
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {bearing: -40°, distance: 1.8 m, height: 1.9 m}
  rim light:
    source: {kind: flash, energy: 400 W·s}
    power: 1/8
    modifier: {kind: reflector, diameter: 18 cm}
    place: {bearing: 140°, distance: 1.3 m, height: 2.2 m}
    MUTE
  lamp:
    source: {kind: continuous, flux: 4000 lm}
    modifier: {kind: octabox, diameter: 90 cm}
    place: {bearing: 30°, distance: 2 m, height: 1.8 m}
meters:
  lapel: {at: chest, kind: flat, facing: key}
  canvas: {at: backdrop top left, kind: spot}
"""


def scene_file(folder: Path, *, power: str = "1/4", shutter: str = "1/160 s", mute: str = "") -> Path:
    """The scene of these tests in a file of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "set.yaml"
    path.write_text(SCENE.replace("POWER", power).replace("SHUTTER", shutter).replace("MUTE", mute), "utf-8")
    return path


def order(out: Path, **changes: Any) -> PreviewOrder:
    return PreviewOrder(**{"quality": QUALITIES["draft"], "out": out, "size_text": "40x60", "samples": 4, **changes})


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def picture(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path))


def strict_json(path: Path) -> dict[str, Any]:
    """JSON by RFC 8259, section 6: NaN and infinity are not numbers there."""

    def refuse(text: str) -> float:
        raise AssertionError(f"{text} is not JSON")

    return json.loads(path.read_text("utf-8"), parse_constant=refuse)


@dataclass(frozen=True)
class Run:
    """One finished preview and its folder."""

    made: Preview
    out: Path
    record: dict[str, Any]


@pytest.fixture(scope="module")
def run(engine: object, tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("preview")
    made = run_preview(scene_file(folder), order(folder / "out"))
    return Run(made, folder / "out", strict_json(folder / "out" / "readings.json"))


def test_folder_holds_what_was_promised(run: Run) -> None:
    assert {path.name for path in run.out.iterdir()} == {
        "combined.png", "key.png", "rim-light.png", "lamp.png", "levelled.png", "contact-sheet.png",
        "black-and-white.png", "false-tones.png", "tones-by-part.png", "layers.exr", "readings.json", MANIFEST,
    }  # fmt: skip
    assert {path.name for path in run.made.files} == {path.name for path in run.out.iterdir()} - {MANIFEST}
    for name in ("combined", "key", "rim-light", "lamp"):
        assert picture(run.out / f"{name}.png").shape == (60, 40, 3)
    assert picture(run.out / "black-and-white.png").shape == (60, 40)


def test_pictures_carry_title_and_settings(run: Run) -> None:
    with Image.open(run.out / "key.png") as image:
        assert image.text["Title"] == "Two lights and a lamp: key"
        settings = "f/8 · 1/160 s · ISO 100 · 85 mm"
        assert image.text["Description"] == f"{settings}; softbox 90 x 120 cm; 2 stops below full (1/4)"
        assert "seed 0" in image.text["Comment"]


def test_combined_picture_is_the_sum_of_the_lights(run: Run) -> None:
    from sim.light.develop import exposed

    camera, mix, stack = run.made.scene.camera, run.made.mix, run.made.stack
    alone = sum(exposed(stack, mix.only([name]), camera) for name in run.made.enabled)
    assert np.allclose(alone, exposed(stack, mix, camera), rtol=1e-4, atol=1e-6)


def test_readings_are_whole_and_agree_with_the_result(run: Run) -> None:
    record = run.record
    assert [light["name"] for light in record["lights"]] == ["key", "rim light", "lamp"]
    assert [light["kind"] for light in record["lights"]] == ["flash", "flash", "continuous"]
    assert [light["picture"] for light in record["lights"]] == ["key.png", "rim-light.png", "lamp.png"]
    assert record["render"] | {"engine": ""} == {
        "engine": "", "width": 40, "height": 60, "samples": 4, "seed": 0, "depth": None,
    }  # fmt: skip
    assert len(record["scene"]["sha256"]) == 64
    # The face is turned 20 degrees away from a key at 40 on the other side: 60 from its nose, lit on the camera's side.
    drawn = record["nose_shadow"]
    assert (drawn["light"], drawn["side"], drawn["lit_side"]) == (record["meter"]["key"]["light"], "broad", "left")
    assert drawn["pattern"] in ("triangle", "split") and drawn["name"].endswith(", broad lighting")
    assert [p["point"] for p in record["incident"]] == ["face", "upper gown", "backdrop centre", "lapel"]
    assert [(p["point"], p["kind"]) for p in record["reflected"]] == [
        ("canvas", "spot"), ("face", "part"), ("gown", "part"), ("backdrop", "part"),
    ]  # fmt: skip
    for point in record["incident"]:
        shares = [reading["share"] for reading in point["by_light"].values()]
        assert list(point["by_light"]) == ["key", "rim light", "lamp"]
        assert math.isclose(sum(shares), 1, abs_tol=1e-4)
        # Exposures add; stops do not.
        total = sum(reading["exposure"] for reading in point["by_light"].values())
        assert math.isclose(total, point["combined"]["exposure"], rel_tol=1e-4)


def test_incident_reading_follows_the_standard(run: Run) -> None:
    # [ISO2720:1974]: N^2 = H S / C, C = 340 for a dome, and stops are 2 log2 of a ratio of f-numbers.
    face = run.record["incident"][0]["combined"]
    assert face["f_number"] == pytest.approx(math.sqrt(face["exposure"] * 100 / 340), rel=1e-4)
    assert face["over_camera_stops"] == pytest.approx(2 * math.log2(face["f_number"] / 8), abs=1e-3)


def test_same_seed_same_bytes(run: Run, tmp_path: Path) -> None:
    run_preview(scene_file(tmp_path), order(tmp_path / "out"))
    assert digests(tmp_path / "out") == digests(run.out)
    # Running again over the same folder changes nothing either.
    run_preview(scene_file(tmp_path), order(tmp_path / "out"))
    assert digests(tmp_path / "out") == digests(run.out)


def test_another_seed_gives_other_grain_and_the_same_light(run: Run, tmp_path: Path) -> None:
    other = run_preview(scene_file(tmp_path), order(tmp_path / "out", seed=1))
    assert digests(tmp_path / "out")["combined.png"] != digests(run.out)["combined.png"]
    for first, second in zip(run.made.points, other.points, strict=True):
        spread = math.hypot(first.combined.stderr_stops, second.combined.stderr_stops)
        gap = abs(math.log2(first.combined.exposure / second.combined.exposure))
        # Five standard errors: one chance in a million for each of five points.
        assert gap < 5 * spread


def test_doubling_a_power_is_exactly_one_stop(run: Run, tmp_path: Path) -> None:
    import OpenEXR

    brighter = run_preview(scene_file(tmp_path, power="1/2"), order(tmp_path / "out"))
    for kind in ("points", "parts"):
        for low, high in zip(getattr(run.made, kind), getattr(brighter, kind), strict=True):
            assert math.log2(high.by_light["key"].exposure / low.by_light["key"].exposure) == pytest.approx(
                1, abs=1e-12
            )
            for name in ("rim light", "lamp"):
                assert high.by_light[name].exposure == low.by_light[name].exposure
    # The layers are the same pixels; only the weight beside them has doubled.
    files = [OpenEXR.File(str(folder / "layers.exr")) for folder in (run.out, tmp_path / "out")]
    layers = [np.array(file.channels()["key"].pixels) for file in files]
    weights = [file.header()["halfstop.key.weight_rgb"] for file in files]
    assert np.array_equal(layers[0], layers[1])
    assert np.array_equal(2 * weights[0], weights[1])
    record = strict_json(tmp_path / "out" / "readings.json")
    stops = [r["incident"][0]["by_light"]["key"]["over_camera_stops"] for r in (run.record, record)]
    # Six digits are written.
    assert stops[1] - stops[0] == pytest.approx(1, abs=2e-5)


def test_a_longer_shutter_brings_up_the_lamp_and_not_the_flash(run: Run, tmp_path: Path) -> None:
    slower = run_preview(scene_file(tmp_path, shutter="1/80 s"), order(tmp_path / "out"))
    for fast, slow in zip(run.made.points, slower.points, strict=True):
        assert slow.by_light["lamp"].exposure / fast.by_light["lamp"].exposure == pytest.approx(2, rel=1e-12)
        assert slow.by_light["key"].exposure == fast.by_light["key"].exposure


def test_chosen_lights_are_heard_alone_and_older_pictures_go(tmp_path: Path, engine: object) -> None:
    path, out = scene_file(tmp_path, mute="mute: true"), tmp_path / "out"
    everything = run_preview(path, order(out))
    assert everything.enabled == ("key", "lamp") and not (out / "rim-light.png").exists()
    (out / "notes.txt").write_text("mine")
    # A light that the scene mutes is heard when it is asked for.
    chosen = run_preview(path, order(out, lights=("rim light",)))
    assert chosen.enabled == ("rim light",)
    assert (out / "notes.txt").read_text() == "mine"
    assert not (out / "key.png").exists() and not (out / "lamp.png").exists()
    assert np.array_equal(picture(out / "combined.png"), picture(out / "rim-light.png"))
    record = strict_json(out / "readings.json")
    assert [light["heard"] for light in record["lights"]] == [False, True, False]
    assert all(list(point["by_light"]) == ["rim light"] for point in record["incident"])
    # The set is the same: the muted lights' bodies still stand in it.
    assert np.array_equal(chosen.stack.pixels, everything.stack.pixels)


def test_readings_take_nothing_from_the_denoiser(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def blank(stack, tell, quality=""):
        return stack.with_denoised(np.zeros_like(stack.pixels))

    monkeypatch.setattr(pipeline, "denoised", blank)
    run_preview(scene_file(tmp_path), order(tmp_path / "out"))
    changed = {name for name, digest in digests(run.out).items() if digests(tmp_path / "out")[name] != digest}
    assert "combined.png" in changed
    assert changed.isdisjoint({"readings.json", "layers.exr"})
    assert not picture(tmp_path / "out" / "combined.png").any()


@pytest.mark.parametrize("step", ["trace", "meters", "denoise", "files"])
def test_a_run_ended_at_any_step_leaves_nothing(tmp_path: Path, engine: object, step: str) -> None:
    def end(now: str, part: float) -> None:
        if now == step and part > 0:
            raise KeyboardInterrupt

    path = scene_file(tmp_path)
    with pytest.raises(KeyboardInterrupt):
        run_preview(path, order(tmp_path / "new" / "out"), end)
    assert list(tmp_path.iterdir()) == [path]


def test_a_run_ended_late_leaves_the_older_files_whole(tmp_path: Path, engine: object) -> None:
    path, out = scene_file(tmp_path), tmp_path / "out"
    run_preview(path, order(out))
    before = digests(out)

    def end(now: str, part: float) -> None:
        if now == "files" and part > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_preview(path, order(out, seed=3), end)
    assert digests(out) == before


def test_progress_rises_to_the_end_of_every_step(tmp_path: Path, engine: object) -> None:
    told: dict[str, list[float]] = {}
    run_preview(
        scene_file(tmp_path), order(tmp_path / "out"), lambda step, part: told.setdefault(step, []).append(part)
    )
    assert list(told) == ["trace", "meters", "denoise", "files"]
    for parts in told.values():
        assert parts == sorted(parts) and parts[-1] == pytest.approx(1)


def test_a_file_in_the_way_is_found_before_the_render(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "combined.png").write_text("mine")
    told: list[str] = []
    with pytest.raises(HalfstopError, match=r"combined\.png: there is a file of this name that halfstop did not make"):
        run_preview(scene_file(tmp_path), order(out), lambda step, part: told.append(step))
    assert not told and (out / "combined.png").read_text() == "mine"


def test_warning_where_the_shutter_cuts_the_flash(tmp_path: Path, engine: object) -> None:
    made = run_preview(scene_file(tmp_path, shutter="1/500 s"), order(tmp_path / "out"))
    assert len(made.warnings) == 1 and "faster than the flash sync" in made.warnings[0]
    assert strict_json(tmp_path / "out" / "readings.json")["warnings"] == list(made.warnings)
    lamp_only = run_preview(scene_file(tmp_path, shutter="1/500 s"), order(tmp_path / "out", lights=("lamp",)))
    assert lamp_only.warnings == ()


def test_the_record_holds_the_whole_meter_report(run: Run) -> None:
    record = run.record["meter"]
    assert {"key-side cheek", "shadow-side cheek", "forehead", "hip", "backdrop behind head"} <= set(record["points"])
    assert record["key"]["light"] in run.made.enabled


def test_darkness_is_null_in_the_record(run: Run) -> None:
    from sim.metering.points import Reading
    from sim.reports.preview.record import _reading, json_bytes

    dark = _reading(Reading(0.0, 0.0, float("-inf"), None, 0.0, 0.0), "dome")
    assert dark["f_number"] is dark["meter"] is dark["over_camera_stops"] is dark["stderr_stops"] is None
    assert dark["share"] == 0
    with pytest.raises(ValueError, match="JSON compliant"):
        json_bytes({"a": math.nan})


def test_unknown_and_silent_lights_are_refused(run: Run) -> None:
    with pytest.raises(HalfstopError, match='no light "kye" in the scene; did you mean "key"'):
        mix_of_lights(run.made.mix, ["kye"])
    muted = mix_of_lights(run.made.mix, None).only([])
    with pytest.raises(HalfstopError, match="no light is on"):
        mix_of_lights(muted, None)


def test_every_light_has_a_picture_of_its_own_name() -> None:
    lights = ["combined", "levelled", "contact sheet", "contact-sheet", "a b", "a-b", "a_b"]
    names = picture_names(lights)
    assert len(set(names.values())) == len(lights)
    assert set(names.values()).isdisjoint({f"{name}.png" for name in PICTURES})


@given(st.integers(16, 4000), st.sampled_from([2 / 3, 3 / 2, 1.0, 3 / 4, 4 / 5, 16 / 9]))
def test_a_long_side_and_its_full_size_agree(long_side_px: int, aspect: float) -> None:
    size = size_from_long_side(long_side_px, aspect)
    assert max(size) == long_side_px
    if min(size) >= 16:
        assert size_from_text(f"{size[0]}x{size[1]}", aspect) == size == size_from_text(str(long_side_px), aspect)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("600x400", 'the camera\'s picture is upright, 2:3; write "400x600"'),
        ("400x601", 'write "401x601"'),
        ("big", 'expected width x height in pixels; write "400x600"'),
        ("-600", "expected width x height"),
        ("400x", "expected width x height"),
        ("0", "sides from 16 to 8000"),
        ("999999999", "sides from 16 to 8000"),
        ("400x600x3", "expected width x height"),
        ("", "expected width x height"),
    ],
)
def test_a_wrong_size_is_refused_with_a_cure(text: str, told: str) -> None:
    with pytest.raises(HalfstopError) as caught:
        size_from_text(text, 2 / 3)
    assert told in str(caught.value)


def test_contact_sheet_is_a_png_of_stated_size(run: Run) -> None:
    # Width and height stand in the IHDR chunk (PNG specification, 11.2.1).
    width, height = struct.unpack(">II", (run.out / "contact-sheet.png").read_bytes()[16:24])
    assert picture(run.out / "contact-sheet.png").shape == (height, width, 3)
    assert width > 1000 and height > 800


def test_every_thing_in_the_picture_is_a_warning(tmp_path: Path, engine: object) -> None:
    board = "size: {width: 10 cm, height: 10 cm}"
    path = scene_file(tmp_path)
    path.write_text(SCENE.replace("POWER", "1/4").replace("SHUTTER", "1/160 s").replace("MUTE", "") + f"""\
panels:
  flag: {{kind: flag, {board}, place: {{at: [0.2 m, 1.4 m, 1 m]}}, aim: {{at: [0.2 m, 1.4 m, 2 m]}}}}
  card: {{kind: reflector, {board}, place: {{at: [-0.2 m, 1.4 m, 1 m]}}, aim: {{at: [-0.2 m, 1.4 m, 2 m]}}}}
""", "utf-8")  # fmt: skip
    told = pipeline.intrusion_warnings(Rehearsal(path))
    assert [line.split(" shows")[0] for line in told] == ["in the picture: flag", "in the picture: card"]
    # A board of 10 x 10 cm at 2.5 m: the frame there is 0.71 x 1.06 m.
    assert all("(1.3 % of the picture): move it" in line for line in told)
