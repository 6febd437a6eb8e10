"""Comparing alternatives: what is traced again, what is measured, and the commands on the light."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from PIL import Image

from sim.advice.compare import Alternative, alternatives_from_swaps, compare
from sim.advice.compare.figures import rows_from_figures
from sim.advice.compare.measures import edge_width, energy_for, falloff_stops, nose_edge_mm
from sim.advice.compare.retrace import changed_lights
from sim.cli.app import run
from sim.light.mix import mix_from_scene
from sim.metering.lighting_ratio import NO_FILL_STOPS
from sim.quantities.errors import HalfstopError
from sim.render.cache.stage import CachedStage
from sim.reports import compare_files
from sim.reports.sheets.alternatives import DRAWING_PX, Column, alternatives_sheet
from sim.scene import edit as scene_edit
from sim.studio.layout import layout_from_scene
from tests.physics import closed_forms

SIZE = (48, 72)


def _source(lights: dict) -> scene_edit.SceneText:
    path = Path(__file__).resolve().parents[2] / "scenes" / "recital.yaml"
    text = path.read_text("utf-8")
    changes = {("sitter", "figure"): "simple", ("sitter", "turn"): "0°", ("sitter", "head"): {"turn": "0°"},
               ("sitter", "clothing"): {"style": "sequinned gown"}, ("panels",): {}, ("meters",): {},
               ("camera", "aim"): "face", ("camera", "focal_length"): "150 mm", ("lights",): lights}  # fmt: skip
    for where, value in changes.items():
        text = scene_edit.text_with_value(text, where, value)
    return scene_edit.SceneText(path, text, scene_edit.scene_from_text(text))


def _light(modifier: str, bearing: int, height: float, distance: float = 1.8, power: str = "1/2") -> dict:
    return {
        "source": {"kind": "flash", "energy": "400 W·s", "dial": {"range": "7 stops"}},
        "power": power,
        "modifier": scene_edit.modifier_from_text(modifier),
        "place": {"bearing": f"{bearing}°", "distance": f"{distance} m", "height": f"{height} m"},
        "stand": "none",
    }


TWO = {"key": _light("softbox 60x90 cm", -40, 2.2), "fill": _light("octabox 120 cm", 15, 1.7, 3.0, "1/8")}


def _stage(scene) -> CachedStage:
    return CachedStage(scene, layout_from_scene(scene))


def _alternatives(source, *swaps) -> list[Alternative]:
    return [Alternative(label, text.scene, layout_from_scene(text.scene))
            for label, text in alternatives_from_swaps(source, swaps, "as it is")]  # fmt: skip


# -- what is traced again -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("swap", "traced"),
    [
        ("key.power=1/8", ()),
        ("key.color=3200 K; fill.mute=true", ()),
        ("key.gels=[{nd: 1 stop}]", ()),
        ("camera.iso=400", ()),
        ("key.modifier=octabox 90 cm", ("key",)),
        ("key.place.distance=2 m; fill.aim=chest", ("key", "fill")),
        ("sitter.turn=10°", None),
        ("camera.aperture=f/4", None),
        ("room.walls=0.1", None),
    ],
)
def test_only_what_changed_is_traced(swap: str, traced) -> None:
    source = _source(TWO)
    (_, first), (_, other) = alternatives_from_swaps(source, [swap], "as it is")
    assert changed_lights(_stage(first.scene), _stage(other.scene)) == traced


def test_added_and_removed_lights() -> None:
    one, two = _stage(_source({"key": TWO["key"]}).scene), _stage(_source(TWO).scene)
    assert changed_lights(one, two) == ("fill",)
    assert changed_lights(two, one) == ()


def test_a_layer_traced_alone_is_the_layer_traced_with_the_others(engine) -> None:
    """Same light, same bodies, other random numbers: means of parts agree within their standard errors."""
    from sim.render.stage.build import build
    from sim.render.transport.render import render

    source = _source(TWO)
    stage = build(source.scene, layout_from_scene(source.scene))
    alone = replace(stage, wanted_layers=frozenset({stage.light_names.index("fill")}))
    whole = render(stage, size=SIZE, samples=64, seed=1)
    part = render(alone, size=SIZE, samples=64, seed=2)
    assert not part.layer("key").any()
    for region in ("face", "hair", "backdrop"):
        means, errors = [], []
        for stack in (whole, part):
            mask, layer = stack.mask(region), stack.names.index("fill")
            means.append(stack.layer("fill")[mask].mean())
            errors.append(math.sqrt(stack.variance[layer][mask].sum()) / mask.sum())
        # Five standard errors: one false alarm in a million.
        assert abs(means[0] - means[1]) < 5 * math.hypot(*errors), region


def test_the_shortcut_agrees_with_tracing_everything(engine) -> None:
    """A swapped modifier by the shortcut against the other scene traced whole, with the new housing before the fill."""
    source = _source(TWO)
    items = _alternatives(source, "key.modifier=octabox 90 cm")
    short = compare(items, size=SIZE, samples=64)[1]
    # A nudged wall forces all lights to be traced.
    moved = source.changed({("lights", "key", "modifier"): scene_edit.modifier_from_text("octabox 90 cm"),
                            ("room", "walls"): 0.5001})  # fmt: skip
    whole = compare([items[0], Alternative("whole", moved.scene, layout_from_scene(moved.scene))], size=SIZE,
                    samples=64)[1]  # fmt: skip
    assert (short.traced, whole.traced) == (("key",), ("key", "fill"))
    assert short.cost_stops == pytest.approx(whole.cost_stops, abs=0.05)
    for part, stops in short.part_stops.items():
        assert stops == pytest.approx(whole.part_stops[part], abs=0.06), part


# -- what is measured ---------------------------------------------------------------------------


def test_a_fill_of_two_stops_less_raises_the_lighting_ratio_by_the_closed_form(engine) -> None:
    """(key + fill) : fill = 2^s + 1 with the key s stops over the fill, and s + 2 with the fill two stops down."""
    first, less = compare(_alternatives(_source(TWO), "fill.power=1/32"), size=SIZE, samples=4)
    over = math.log2(first.ratio.factor - 1)
    assert (first.ratio.key, first.ratio.fill) == ("key", "fill") and less.traced == ()
    told = {dict(rows_from_figures(figures, first))["lighting ratio"] for figures in (first, less)}
    if over + 2 > NO_FILL_STOPS:
        assert told == {first.ratio.text, "no fill (key alone)"}
    else:
        assert less.ratio.factor == pytest.approx(2 ** (over + 2) + 1, rel=1e-6)
        assert told == {first.ratio.text, less.ratio.text}


def test_a_stop_less_power_of_the_only_light_costs_a_stop_and_changes_nothing_else(engine) -> None:
    first, less = compare(_alternatives(_source({"key": TWO["key"]}), "key.power=1/4"), size=SIZE, samples=8)
    assert less.traced == () and less.cost_stops == pytest.approx(1.0)
    assert all(stops == pytest.approx(0, abs=1e-6) for stops in less.part_stops.values())
    assert less.flash_J == pytest.approx(first.flash_J) == pytest.approx(200.0)
    assert less.edge_mm == first.edge_mm and less.over_full == {}
    assert np.abs(less.picture - first.picture).max() < 1e-3 * first.picture.max()


@pytest.mark.parametrize("side_m", [0.05, 0.3, 0.8])
def test_edge_width_of_a_half_blocked_square(side_m: float) -> None:
    # Penumbra by corner rectangles ([Howell:2010] B-3); of a far square the middle 80 % is 0.8 of the whole.
    distance, edge = 3.0, 2.5
    x = np.linspace(-0.3, 0.3, 3001)
    profile = [closed_forms.half_blocked_rectangle_lx(side_m, side_m, distance, edge, float(v), 1.0) for v in x]
    whole = closed_forms.penumbra_width_m(side_m, edge, distance - edge)
    assert edge_width(x, np.array(profile) / max(profile)) == pytest.approx(0.8 * whole, rel=0.02, abs=3e-4)


def test_edge_width_where_there_is_no_edge() -> None:
    x = np.linspace(0, 0.1, 101)
    assert edge_width(x, np.ones(101)) is None
    assert edge_width(x, np.zeros(101)) is None
    assert edge_width(x, np.linspace(1, 0, 101)) is None


def test_the_nose_shadows_edge_grows_as_the_source(engine) -> None:
    """Half-shadow by similar triangles: its width is proportional to the source's, on the same face and place."""
    from sim.render.stage.build import build

    widths = {}
    for side_cm in (10, 20, 40):
        source = _source({"key": _light(f"softbox {side_cm}x{side_cm} cm hot spot 0 stops", -35, 2.3)})
        layout = layout_from_scene(source.scene)
        widths[side_cm] = nose_edge_mm(build(source.scene, layout), "key")
    assert None not in widths.values(), widths
    assert widths[20] / widths[10] == pytest.approx(2, rel=0.3)
    assert widths[40] / widths[20] == pytest.approx(2, rel=0.3)


def test_falloff_of_a_small_source_is_the_inverse_square(engine) -> None:
    # Inverse square law, [CIE18:2019].
    from sim.render.stage.build import build

    source = _source({"key": _light("bare 2 cm", -80, 1.55, 0.8)})
    layout = layout_from_scene(source.scene)
    anchors = [layout.anchors_m[part] for part in ("left cheek", "right cheek", "forehead", "chin")]
    away = [float(np.linalg.norm(point - layout.lights[0].position_m)) for point in anchors]
    expected = 2 * math.log2(max(away) / min(away))
    assert expected > 0.25
    assert falloff_stops(build(source.scene, layout), "key") == pytest.approx(expected, abs=0.02)


def test_energy_is_that_of_the_dials() -> None:
    lights = {**TWO, "lamp": {**_light("bare", 60, 1.8),
                              "source": {"kind": "continuous", "draw": "300 W", "efficacy": "80 lm/W"}}}  # fmt: skip
    scene = _source(lights).scene
    mix = mix_from_scene(scene, layout_from_scene(scene))
    # 400 W·s at 1/2 and 1/8, a lamp of 300 W at 1/2; all a stop up.
    assert energy_for(scene, mix, 0.0) == (pytest.approx(250.0), pytest.approx(150.0))
    assert energy_for(scene, mix, 1.0) == (pytest.approx(500.0), pytest.approx(300.0))
    lights["lamp"]["source"] = {"kind": "measured", "reads": "f/8", "at": "2 m"}
    scene = _source(lights).scene
    assert energy_for(scene, mix_from_scene(scene, layout_from_scene(scene)), 0.0) == (None, 0.0)


# -- the commands -------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path_factory.mktemp("kept")
    monkeypatch.setenv("HALFSTOP_CACHE", str(folder))
    return folder


@pytest.fixture
def scene_file(tmp_path: Path) -> Path:
    path = tmp_path / "mine.yaml"
    path.write_text(_source(TWO).text, "utf-8")
    return path


def test_compare_writes_a_sheet_and_figures(
    engine, scene_file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = scene_file.parent / "alternatives"
    drawn: list[Column] = []

    def kept(title: str, columns: Sequence[Column], *notes: str) -> Image.Image:
        drawn.extend(columns)
        return alternatives_sheet(title, columns, *notes)

    monkeypatch.setattr(compare_files, "alternatives_sheet", kept)
    options = ["--size", "64", "--samples", "4", "--out", str(out)]
    # A key straight ahead and high draws butterfly, one at the side splits the face: common practice, no source.
    ahead = "key.place.bearing=0°; key.place.height=2.6 m; key.modifier=bare"
    aside = "key.place.bearing=-95°; key.place.height=1.5 m"
    swaps = [word for swap in (ahead, aside, "key.power=1/8") for word in ("--swap", swap)]
    assert run(["compare", str(scene_file), *swaps, *options]) == 0
    record = json.loads((out / "alternatives.json").read_text("utf-8"))
    assert [item["traced"] for item in record["alternatives"]] == [["key", "fill"], ["key"], ["key"], []]
    told = capsys.readouterr().out
    assert "traced: nothing" in told

    # The pattern of the key in the text, the data and on the sheet.
    found = [item["nose_shadow"] for item in record["alternatives"]]
    assert [item["pattern"] for item in found[1:3]] == ["butterfly", "split"]
    assert found[3] == found[0] and found[2]["lit_side"] == "left"
    lines = [line.strip() for line in told.splitlines() if "Nose shadow of key:" in line]
    assert [line.partition(": ")[2].partition(" (")[0] for line in lines] == [item["name"] for item in found]
    assert [column.nose_shadow.shadow.pattern for column in drawn] == [item["pattern"] for item in found]
    with Image.open(out / "alternatives.png") as sheet:
        bare = alternatives_sheet("", [replace(column, nose_shadow=None) for column in drawn], "", "")
        assert sheet.height == bare.height + DRAWING_PX + 16


def test_compare_takes_the_layers_that_a_preview_kept(
    engine, scene_file: Path, own_cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sim.render.transport import render as tracing

    out, options = scene_file.parent / "o", ["--size", "64x96", "--samples", "4"]
    assert run(["preview", str(scene_file), "--draft", *options, "--out", str(out)]) == 0
    wanted = []

    def counted(stage, **arguments):
        wanted.append(stage.wanted_layers)
        return plain(stage, **arguments)

    plain = tracing.render
    monkeypatch.setattr(tracing, "render", counted)
    swap = ["--swap", "key.modifier=bare", "--out", str(scene_file.parent / "c")]
    assert run(["compare", str(scene_file), *swap, "--size", "96", "--samples", "4"]) == 0
    assert wanted == [frozenset({0})]


def test_meter_prints_a_table_and_json(engine, scene_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["meter", str(scene_file)]) == 0
    text = capsys.readouterr().out
    assert "key-side cheek" in text and text.isascii()
    assert max(map(len, text.split("For the face")[0].splitlines())) <= 104
    assert run(["meter", str(scene_file), "--json", "--key", "fill", "--out", str(scene_file.parent / "m")]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["key"]["light"] == "fill" and record["health"]["reference"] == "face"
    assert {path.name for path in (scene_file.parent / "m").glob("*.*") if not path.name.startswith(".")} == {
        "meter.json", "false-tones.png", "tones-by-part.png",
    }  # fmt: skip


def test_balance_writes_a_new_scene_beside_the_old(
    engine, scene_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = scene_file.read_bytes()
    assert run(["balance", str(scene_file), "--want", "face=f/5.6"]) == 0
    new = scene_file.with_name("mine-balanced.yaml")
    assert scene_file.read_bytes() == before
    assert "Every wish is met" in capsys.readouterr().out
    old_data, new_data = (yaml.load(path.read_text("utf-8"), yaml.BaseLoader) for path in (scene_file, new))
    for data in (old_data, new_data):
        for light in data["lights"].values():
            del light["power"]
    assert old_data == new_data
    # A second run refuses to replace it; in place it changes the scene itself.
    assert run(["balance", str(scene_file), "--want", "face=f/5.6"]) == 2
    assert run(["balance", str(scene_file), "--want", "face=f/5.6", "--in-place"]) == 0
    assert scene_file.read_bytes() == new.read_bytes()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["compare", "{}"], "one scene has no alternative"),
        (["compare", "{}", "--swap", "key.modifier=lantern"], "a modifier in few words"),
        (["compare", "{}", "--swap", "rim.power=1/2"], 'there is no "rim" in the scene'),
        (["compare", "{}", "--swap", "key.power=2"], "lights.key.power"),
        (["compare", "{}", "--swap", "camera.orientation=landscape"], "its picture has another shape"),
        (["compare", "{}", "{}", "--swap", "key.power=1/2"], "--swap changes one scene"),
        (["compare", "{}", "{}", "--key", "rim"], 'there is no light "rim"'),
        (["meter", "{}", "--key", "rim"], "there is no such light"),
        (["meter", "{}", "--reference", "nose"], 'there is no meter point "nose"'),
        (["meter", "{}", "--range", "30"], "expected 1 to 20 stops"),
        (["balance", "{}"], "nothing is wished for"),
        (["balance", "{}", "--want", "nose=f/8"], 'there is no meter point "nose"'),
        (["balance", "{}", "--want", "face=f/8", "--lock", "rim"], 'there is no light "rim"'),
        (["balance", "{}", "--want", "face=f/8", "--out", "{}"], "add --in-place"),
    ],
)
def test_mistakes_are_one_line_and_write_nothing(
    scene_file: Path, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(scene_file.parent.iterdir()), scene_file.read_bytes()
    assert run([item.format(scene_file) for item in arguments]) == 2
    error = capsys.readouterr().err.splitlines()
    lines = [line for line in error if line.startswith("halfstop:")]
    assert len(lines) == 1 and told in lines[0], error
    assert (sorted(scene_file.parent.iterdir()), scene_file.read_bytes()) == before


def test_a_swap_without_a_value_is_refused() -> None:
    with pytest.raises(HalfstopError, match=r'expected key path = value; write "key.modifier=octabox 120 cm"'):
        alternatives_from_swaps(_source(TWO), ["key.power"], "as it is")
