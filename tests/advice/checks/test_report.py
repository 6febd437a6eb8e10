"""The whole report and the two commands: what they write, and that their data is plain."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sim.advice.checks.findings import findings_from_report
from sim.advice.checks.report import check_report, record_from_report
from sim.advice.checks.sentences import lines_from_findings
from sim.cli.app import run
from sim.light.mix import mix_from_scene
from tests.advice.checks.setups import light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

ROOT = Path(__file__).resolve().parents[3]
PAPER = {"kind": "paper", "size": {"width": "3 m", "height": "3 m"}, "distance": "2 m"}


def test_the_report_holds_every_check_in_words_and_as_plain_data() -> None:
    from sim.render.transport.render import render

    rim = light(150, 20, modifier={"kind": "bare", "bulb_diameter": "6 cm"})
    shown = light(0, 0, place={"at": ["0.3 m", "1.6 m", "-1 m"]}, aim="hair", power="-5 stops")
    scene = scene_of({"key": light(35, 30), "rim": rim, "shown": shown}, backdrop=PAPER)
    stage = staged(scene)
    stack = render(stage, size=(80, 120), samples=8, depth=2)
    report = check_report(scene, stage, stack, mix_from_scene(scene, stage.layout), key="key")
    told = dict(lines_from_findings(findings_from_report(report)))
    assert all(told.values())
    assert len(told["What each light does"]) == 3
    assert any("shown shows" in line and "move it" in line for line in told["In the picture"])
    assert any("rim shines into the lens" in line for line in told["Light into the lens"])
    assert any("smallest flag" in line for line in told["Light into the lens"])
    assert any("the backdrop fills the frame" in line for line in told["Focus"])
    # The camera looks straight at a key 35 degrees to its right and 30 high: common practice, no source.
    assert told["Nose shadow"] == ["key: loop; the face is lit from camera right"]
    record = record_from_report(report)
    again = json.loads(json.dumps(record, allow_nan=False))
    assert set(again) == {
        "picture", "duties", "halo", "shoulder_edges", "nose_shadow", "separation", "burnouts", "catchlights", "focus",
        "intrusions", "flares", "spills", "sparkle", "has_sitter",
    }  # fmt: skip
    assert [duty["light"] for duty in again["duties"]] == ["key", "rim", "shown"]


def test_checks_writes_report_picture_and_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = str(ROOT / "scenes" / "classic_two.yaml")
    out = tmp_path / "checks"
    assert run(["checks", scene, "--size", "120", "--samples", "4", "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "What each light does" in printed and "separation.png" in printed
    assert sorted(p.name for p in out.iterdir() if not p.name.startswith(".")) == [
        "checks.json", "checks.txt", "eyes.png", "separation.png",
    ]  # fmt: skip
    assert json.loads((out / "checks.json").read_text("utf-8"))["separation"]["median_stops"] > 0
    # The meters of the same set find the same key.
    assert json.loads((out / "checks.json").read_text("utf-8"))["nose_shadow"]["light"] == "key"
    assert (out / "separation.png").read_bytes()[:4] == b"\x89PNG"


def test_latitude_draws_its_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from PIL import Image

    from sim.advice.checks import latitude
    from sim.reports import latitude_files

    # Few steps and rays: what is tested is the page and its data.
    moves = tuple(
        latitude.SitterMove(m.name, m.unit, (m.offsets[0], 0.0, m.offsets[-1]), abs(m.offsets[0]), m.low, m.high)
        for m in (latitude.MOVES[0], latitude.MOVES[4])
    )
    scene = tmp_path / "plain.yaml"
    text = (ROOT / "scenes" / "classic_two.yaml").read_text("utf-8")
    scene.write_text(text.replace("figure: woman", "figure: simple"), "utf-8")
    monkeypatch.setattr(latitude.latitude, "__kwdefaults__", {**latitude.latitude.__kwdefaults__, "moves": moves})
    monkeypatch.setattr(latitude_files, "PICTURE_SCALE", 0.25)
    monkeypatch.setattr(latitude_files, "PICTURE_SAMPLES", 4)
    out = tmp_path / "latitude"
    assert run(["latitude", str(scene), "--out", str(out)]) == 0
    record = json.loads((out / "latitude.json").read_text("utf-8"))
    assert record["key"] == "key" and [m["move"] for m in record["moves"]] == ["head turn", "step in depth"]
    assert {limit["what"] for limit in record["moves"][0]["limits"]} >= {"face reading", "nose shadow"}
    assert "head turn" in (out / "latitude.txt").read_text("utf-8")
    with Image.open(out / "latitude.png") as page:
        assert page.width > 1500 and page.height > 600
        assert len(page.getcolors(1 << 24)) > 100


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["latitude", "nowhere.yaml"], "nowhere.yaml"),
        (["checks", "nowhere.yaml"], "nowhere.yaml"),
        (["latitude", str(ROOT / "scenes" / "classic_two.yaml"), "--key", "sun"], "there is no light"),
        (["checks", str(ROOT / "scenes" / "classic_two.yaml"), "--size", "7"], "size"),
    ],
)
def test_a_mistake_is_one_line_and_code_2(
    arguments: list[str], told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    error = capsys.readouterr().err.strip()
    assert told in error and "\n" not in error
    assert not list(tmp_path.iterdir())
