"""Every scene from its file to plan, PDF and handout in a browser; calibration and finish from end to end."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import opened_page
from PIL import Image

from sim.light import finish
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId
from sim.metering.points import probe_at
from sim.quantities.errors import EngineError, HalfstopError, SceneError
from sim.quantities.units import text_from_f_number_in_tenths
from sim.render.engine import Engine
from sim.reports import rig_view as rigview
from sim.reports.calibrated_scene import run_calibrate
from sim.reports.finish_files import run_finish
from sim.reports.handout_files import run_handout
from sim.reports.plan_files import run_plan
from sim.reports.rig_view import eye_matrix, place_px, rig_views
from sim.scene.read import load_scene
from sim.session import METER_RAYS, Rehearsal
from sim.studio.layout import layout_from_scene

ROOT = Path(__file__).resolve().parents[2]
SCENES = sorted((ROOT / "scenes").glob("*.yaml"))
MB = 1_000_000


@pytest.mark.parametrize(
    "path",
    [path if path.stem == "recital" else pytest.param(path, marks=pytest.mark.slow) for path in SCENES],
    ids=lambda p: p.stem,
)
def test_plan_pdf_and_handout_of_every_scene(path: Path, tmp_path: Path, engine: Engine) -> None:
    plan = run_plan(path, tmp_path / "plan", views=False, rays=1 << 13)
    assert {f.name for f in plan} == {"plan.html", "plan-A4.pdf", "plan-Letter.pdf", "plan.svg", "elevation.svg",
                                      "cards.svg"}  # fmt: skip
    scene = load_scene(path)
    size = (60, 90) if scene.camera.orientation == "portrait" else (90, 60)
    files = {f.name: f for f in run_handout(path, tmp_path / "handout", size=size, samples=4, rays=1 << 13)}
    assert set(files) == {"handout.html", "build-up.png", "build-up.webp", "leave-one-out.png", "leave-one-out.webp"}
    assert files["handout.html"].stat().st_size < MB
    with opened_page(tmp_path / "plan" / "plan.html") as page:
        text = page.inner_text("body")
        assert all(name in text for name in scene.lights) and "alone:" in text and "1/3" in text
    with opened_page(files["handout.html"]) as page:
        page.wait_for_selector("body.mixing")
        text = page.inner_text("body")
        assert all(name in text for name in scene.lights)
        # Every light has a duty in words.
        assert page.locator(".duties li").count() == len(
            mix_from_scene(scene, layout_from_scene(scene, path.parent)).names
        )
    for name in ("plan-A4.pdf", "plan-Letter.pdf"):
        assert (tmp_path / "plan" / name).read_bytes().startswith(b"%PDF-")
    with opened_page(tmp_path / "plan" / "plan-A4.pdf", 900, 1200) as page:
        assert_sheet_is_shown(page)


def assert_sheet_is_shown(page: Any) -> None:
    """The browser's viewer shows a white sheet with ink on it, within a minute."""
    for _ in range(240):
        seen = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("L"))[60:, 310:]
        if (seen > 250).mean() > 0.5 and (seen < 80).mean() > 0.01:
            return
        page.wait_for_timeout(250)
    pytest.fail("the browser shows no printed sheet")


def test_planted_head_errors_come_back_through_a_file_of_readings(tmp_path: Path, engine: Engine) -> None:
    path = ROOT / "scenes" / "classic_two.yaml"
    made = Rehearsal(path)
    camera = made.scene.camera
    errors = {"key": 0.6, "fill": -0.5}
    points = [("face", "key"), ("chest", "key"), ("left cheek", "camera"), ("chin", "fill"), ("neck", "fill")]
    lines = ["# Invented demo data.", "readings:"]
    toward = {"camera": made.layout.camera.position_m,
              **{light.name: light.position_m for light in made.layout.lights}}  # fmt: skip
    probes = [probe_at(made.layout, ProbeId("dome", at), toward[facing]) for at, facing in points]
    measured = made.readings(probes, most_rays=METER_RAYS)
    weights = made.mix.weights_rgb(camera.shutter_s)
    for index, (at, facing) in enumerate(points):
        lit = (measured.values[index] * weights) @ np.array([0.2126390059, 0.7151686788, 0.0721923154])
        for on in (("key",), ("fill",), ("key", "fill")):
            true = sum(lit[made.mix.names.index(n)] * 2 ** errors[n] for n in on)
            # ISO 2720: N^2 = H S / C with the dome's C = 340; read to a tenth of a stop, as meters show it.
            shown = text_from_f_number_in_tenths(float(np.sqrt(true * camera.iso / 340)))
            lines.append(f"  - {{at: {at}, facing: {facing}, lights: [{', '.join(on)}], reads: {shown}}}")
    lines.append("  - {at: face, facing: key, lights: key, reads: f/2}")  # a slip of the pen, stops off
    file = tmp_path / "readings.yaml"
    file.write_text("\n".join(lines) + "\n", "utf-8")
    told = run_calibrate(path, file, tmp_path / "corrected.yaml")
    corrected = load_scene(tmp_path / "corrected.yaml")
    for name, stops in errors.items():
        ratio = corrected.lights[name].source.efficacy_lm_W / made.scene.lights[name].source.efficacy_lm_W
        assert np.log2(ratio) == pytest.approx(stops, abs=0.1)
    assert any("check that reading" in line and f"line {len(lines)}:" in line for line in told), told
    assert (tmp_path / "corrected.yaml").read_text("utf-8").count("#") == path.read_text("utf-8").count("#")
    with pytest.raises(HalfstopError, match="there is a file of this name"):
        run_calibrate(path, file, tmp_path / "corrected.yaml")


def test_the_finished_picture_is_written_with_its_set_up(tmp_path: Path, engine: Engine) -> None:
    import tifffile

    path = ROOT / "scenes" / "classic_two.yaml"
    how = finish.Finish("film", "red", 0.7, "4:5")
    files = {f.name: f for f in run_finish(path, tmp_path, how, size=(60, 90), samples=4)}
    with tifffile.TiffFile(files["finished.tif"]) as file:
        deep = file.pages[0].asarray()
        assert "octabox" in file.pages[0].description and "film curve" in file.pages[0].description
    with Image.open(files["finished.png"]) as image:
        shallow = np.asarray(image).astype(float)
        assert "octabox" in image.text["Lights"]
    assert deep.dtype == np.uint16 and deep.shape == (75, 60, 3) == shallow.shape
    assert np.abs(deep / 257.0 - shallow).max() <= 0.51 + 1e-6
    assert "A2" in files["print-sizes.txt"].read_text("utf-8")


def test_the_rig_is_drawn_or_the_page_says_why_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = ROOT / "scenes" / "classic_two.yaml"
    pictures, why = rig_views(path)
    assert bool(pictures) != bool(why)
    for _, data in pictures:
        picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
        assert picture.shape == (*rigview.SIZE_PX[::-1], 3) and picture.std() > 10
    # A driver that hangs or is missing costs the pictures and nothing else.
    monkeypatch.setattr(rigview, "PLATFORMS", ("egl",))
    none, told = rig_views(path, limit_s=0.01)
    assert none == () and "left out" in told and "no answer" in told


def test_numbers_stand_where_the_lights_are() -> None:
    pose = eye_matrix(np.array([3.0, 2.0, 4.0]), np.array([0.0, 1.0, 0.0]))
    width, height = rigview.SIZE_PX
    assert np.allclose(place_px(pose, np.array([0.0, 1.0, 0.0])), [width / 2, height / 2])
    assert place_px(pose, np.array([0.0, 1.5, 0.0]))[1] < height / 2
    assert np.allclose(pose[:3, :3].T @ pose[:3, :3], np.eye(3))


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["calibrate", "scenes/classic_two.yaml", "nowhere.yaml"], "nowhere.yaml:1: cannot be read"),
        (["plan", "nowhere.yaml"], "nowhere.yaml:1: there is no such file"),
        (["finish", "scenes/classic_two.yaml", "--crop", "3:7"], "--crop 3:7: expected one of"),
        (["finish", "scenes/classic_two.yaml", "--burn", "nan"], "--burn nan: expected up to 4 stops"),
        (["handout", "scenes/classic_two.yaml", "--size", "x"], '--size "x": expected'),
        (["handout", "scenes/classic_two.yaml", "--samples", "1"], "--samples 1: expected"),
    ],
)
def test_mistakes_are_one_line_and_exit_2(arguments: list[str], told: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sim", *arguments, "--out", str(tmp_path / "out")], cwd=ROOT, capture_output=True,
        text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert told in done.stderr and "Traceback" not in done.stderr and len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_machine_that_cannot_render_still_gets_the_drawings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_engine() -> None:
        raise EngineError("no engine here")

    monkeypatch.setattr("sim.render.cache.stage.start_engine", no_engine)
    files = {f.name: f for f in run_plan(ROOT / "scenes" / "classic_two.yaml", tmp_path, views=False)}
    text = files["plan.html"].read_text("utf-8")
    assert "the renderer did not run" in text and "Follow local electrical codes" in text and "alone:" not in text


def test_a_file_that_is_not_ours_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "plan.html").write_text("mine", "utf-8")
    with pytest.raises(HalfstopError, match="did not make"):
        run_plan(ROOT / "scenes" / "classic_two.yaml", tmp_path, readings=False, views=False)
    assert (tmp_path / "plan.html").read_text("utf-8") == "mine"
    with pytest.raises(SceneError):
        run_plan(tmp_path / "none.yaml", tmp_path / "out")
