"""The meter report: the trade's arithmetic, real probes, and a table that fits the page."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from sim.light import mix
from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering import report as meterreport
from sim.metering.points import probe_from_meter, readings_from_probes, standard_probes
from sim.metering.report import drop_stops, json_from_report, report_from_probes
from sim.metering.report_points import ALIASES, KEY_CHEEK, POINTS, SHADOW_CHEEK, point_from_text, report_probes
from sim.quantities.errors import HalfstopError
from sim.reports.meter_tables import tables_from_report
from sim.scene import edit as scene_edit
from sim.scene.model import Meter
from sim.scene.model.places import PARTS
from sim.scene.read import load_scene
from sim.session import Rehearsal
from sim.studio.layout import layout_from_scene

SCENES = Path(__file__).resolve().parents[2] / "scenes"
RECITAL = SCENES / "recital.yaml"


@pytest.fixture(scope="module")
def recital():
    source = scene_edit.scene_text_from_file(RECITAL).changed({("camera", "iso"): 100})
    return source, layout_from_scene(source.scene, RECITAL.parent)


@pytest.fixture(scope="module")
def stage(engine, recital):
    from sim.render.stage.build import build

    return build(recital[0].scene, recital[1])


@pytest.fixture(scope="module")
def measured(stage, recital):
    from sim.render.transport.probe import read_probes

    return read_probes(stage, report_probes(recital[0].scene, recital[1]), target_stderr_stops=0.05)


def _made_up(scene, layout, values_by_light) -> ProbeReadings:
    """Readings by hand: at full dial each light gives every probe a value, or one by the probe."""
    probes = report_probes(scene, layout)
    lights = layout.light_names
    values = np.zeros((len(probes), len(lights), 3))
    for row, probe in enumerate(probes):
        for column, light in enumerate(lights):
            given = values_by_light.get(light, 0.0)
            values[row, column] = given(probe.id) if callable(given) else given
    shape = values.shape[:2]
    return ProbeReadings(tuple(probes), lights, layout.is_flash, values, np.full(shape, 1e-6), (1,) * len(probes))


def _even(source, lights="fill"):
    """The scene with white lamps at full power."""
    values = {("lights", name, "power"): "full" for name in source.scene.lights}
    return source.changed(values).scene


@pytest.mark.parametrize(("factor", "diff"), [(2, 1.0), (3, 1.6), (4, 2.0), (8, 3.0), (9, 3.2)])
def test_ratios_in_the_trades_form(recital, factor, diff) -> None:
    # Stops of lighting ratios 2:1, 3:1, 4:1, 8:1, 9:1: handbook table, common practice, no source.
    scene, layout = _even(recital[0]), recital[1]

    def key(probe):
        return (factor - 1.0) * (probe.kind == "spot" or (probe.kind, probe.part) == ("flat", "left cheek"))

    report = report_from_probes(scene, layout, _made_up(scene, layout, {"key": key, "fill": 1.0}))
    assert (report.key.light, report.key.lit_cheek, report.key.alike) == ("key", "left cheek", False)
    # Nothing but the fill reaches the other cheek here, so ratio and contrast are one.
    assert report.ratio.factor == pytest.approx(factor, rel=1e-3)
    assert (report.ratio.key, report.ratio.fill) == ("key", "fill")
    assert report.contrast.factor == pytest.approx(factor, rel=1e-3)
    assert report.contrast.diff_stops == pytest.approx(diff, abs=0.05)
    assert report.dome_contrast.factor == pytest.approx(1.0)
    # A ratio knows no scale: in a thousandth of the light it is the same.
    dim = {"key": lambda probe: key(probe) / 1000, "fill": 0.001}
    dimmed = report_from_probes(scene, layout, _made_up(scene, layout, dim))
    assert (dimmed.ratio.factor, dimmed.contrast.factor) == (pytest.approx(factor, rel=1e-3),) * 2


def test_the_lighting_ratio_counts_the_fill_alone_where_the_key_wraps_round(recital) -> None:
    """By hand: a key 1.9 stops over the fill is 2^1.9 + 1 = 4.7 : 1, however much of it reaches the other cheek."""
    scene, layout = _even(recital[0]), recital[1]

    def key(probe):
        return 2**1.9 * (0.6 if probe.part == "right cheek" else 1.0)

    # A rim that gives the shadow side as much, and an accent on the face alone, are no fill.
    given = {"key": key, "fill": 1.0, "edge": 0.2, "accent": lambda probe: 1.5 * (probe.part != "gown")}
    report = report_from_probes(scene, layout, _made_up(scene, layout, given))
    assert (report.ratio.key, report.ratio.fill) == ("key", "fill")
    assert report.ratio.factor == pytest.approx(2**1.9 + 1, rel=1e-6)
    assert report.ratio.key_over_fill_stops == pytest.approx(1.9)
    said = " ".join(_printed(report, 100).split())
    assert "Lighting ratio: 4.7 : 1 (key + fill : fill; key 1.9 stops over fill)" in said
    assert "Contrast of the cheeks: 1.3 : 1" in said
    # Four stops and more under the key it fills nothing.
    weak = report_from_probes(scene, layout, _made_up(scene, layout, {"key": 1.0, "fill": 0.06}))
    assert weak.ratio.fill is None and weak.ratio.factor is None


def test_an_edge_from_behind_fills_nothing_however_strong_it_is(recital) -> None:
    """It strikes a receptor turned to it, but not the cheek that the camera sees; common practice, no source."""
    scene, layout = _even(recital[0]), recital[1]
    given = {"key": 1.0, "edge": lambda probe: 0.5 if probe.toward == "edge" else 0.001}
    report = report_from_probes(scene, layout, _made_up(scene, layout, given))
    assert report.ratio.fill is None and report.ratio.text == "no fill (key alone)"


def test_errors_of_a_contrast_are_bounded_whichever_way_its_two_readings_go_together(recital) -> None:
    """The worst of two errors of 3 and 4 % is their sum, 7 % (triangle inequality), not 5 % as of independent ones."""
    scene, layout = _even(recital[0]), recital[1]
    read = _made_up(scene, layout, {"key": 1.0, "fill": 0.5})
    cheek = [probe.id.part == "left cheek" for probe in read.probes]
    errors = np.zeros(read.stderr.shape)
    errors[:, read.names.index("key")] = 1.5 * np.where(cheek, 0.03, 0.04)
    report = report_from_probes(scene, layout, replace(read, stderr=errors))
    assert report.contrast.stderr_stops == pytest.approx(0.07 / np.log(2), rel=1e-3)


def test_a_lone_bulb_in_a_black_room_has_no_fill(engine) -> None:
    source = scene_edit.scene_text_from_file(SCENES / "classic_two.yaml")
    text = scene_edit.text_with_value(source.text, ("lights",), {"bulb": {
        "source": {"kind": "flash", "energy": "300 W·s"}, "modifier": {"kind": "bare", "bulb_diameter": "6 cm"},
        "place": {"bearing": "-45°", "distance": "1.6 m", "height": "2.2 m"}, "aim": "face"}})  # fmt: skip
    text = scene_edit.text_with_value(text, ("panels",), {})
    text = scene_edit.text_with_value(text, ("meters",), {})
    for part in ("walls", "ceiling", "floor"):
        text = scene_edit.text_with_value(text, ("room", part), 0)
    text = scene_edit.text_with_value(text, ("sitter", "figure"), "simple")
    scene = scene_edit.scene_from_text(text)
    report = meterreport.read_meter(scene, layout_from_scene(scene), Rehearsal(scene).stage, target_stderr_stops=0.2)
    assert report.ratio.text == "no fill (bulb alone)"


def test_no_light_on_the_shadow_side_is_said_and_is_valid_json(recital) -> None:
    scene, layout = _even(recital[0]), recital[1]

    def key(probe):
        return float(probe.kind == "spot" or (probe.kind, probe.part) == ("flat", "left cheek"))

    report = report_from_probes(scene, layout, _made_up(scene, layout, {"key": key}))
    assert report.contrast.factor is None and report.ratio.fill is None
    assert "without end" in _printed(report, 100) and "Lighting ratio: no fill (key alone)" in _printed(report, 100)
    json.dumps(json_from_report(report), allow_nan=False)


def test_the_key_can_be_named_and_an_even_key_is_said(recital) -> None:
    scene, layout = _even(recital[0]), recital[1]
    readings = _made_up(scene, layout, {"key": 1.0, "fill": 3.0})
    assert report_from_probes(scene, layout, readings).key.light == "fill"
    chosen = report_from_probes(scene, layout, readings, key="key").key
    assert (chosen.light, chosen.chosen_by_user, chosen.alike) == ("key", True, True)
    with pytest.raises(ValueError, match='there is no light "kicker"'):
        report_from_probes(scene, layout, readings, key="kicker")


def test_the_record_holds_every_reading_of_every_point(recital) -> None:
    scene, layout = _even(recital[0]), recital[1]
    report = report_from_probes(scene, layout, _made_up(scene, layout, {"key": 3.0, "fill": 1.0}), seed=7)
    record = json_from_report(report)
    assert set(record) == {
        "title", "camera", "lights", "muted", "key", "ratio", "contrast", "contrast_dome_to_camera", "points",
        "seed", "has_sitter", "depth", "precision_stops",
    }  # fmt: skip
    assert record["camera"] == {"f_number": 8.0, "shutter_s": 1 / 160, "iso": 100.0}
    assert (record["title"], record["seed"], record["muted"]) == (scene.title, 7, [])
    assert record["lights"] == list(layout.light_names) and record["key"]["light"] == "key"
    # (key + fill) : fill with three times the fill's light.
    assert record["ratio"]["factor"] == pytest.approx(4.0) and "4" in record["ratio"]["text"]
    assert record["contrast"]["factor"] == record["contrast_dome_to_camera"]["factor"] == 1.0
    assert all(len(record[name]["definition"]) > 20 for name in ("ratio", "contrast"))
    assert list(record["points"]) == [KEY_CHEEK, SHADOW_CHEEK, *POINTS, "key side", "lapel", "canvas corner"]
    face, corner = record["points"]["face"], record["points"]["canvas corner"]
    assert (face["part"], corner["part"]) == ("face", "backdrop top left")
    assert corner["incident"] is None and face["incident"]["kind"] == "dome" and face["reflected"]["kind"] == "spot"
    assert face["incident"]["by_light"]["key"]["share"] == pytest.approx(0.75, abs=1e-3)
    # Three quarters of the light gone are two stops; a quarter is 0.415.
    drops = {name: reading["drop_if_off_stops"] for name, reading in face["incident"]["by_light"].items()}
    assert drops == pytest.approx({"key": -2.0, "accent": 0, "halo": 0, "edge": 0, "fill": -0.415}, abs=2e-3)
    alone = report_from_probes(scene, layout, _made_up(scene, layout, {"key": 3.0}))
    assert drop_stops(alone.point("face").incident.by_light["key"]) == -np.inf


def test_one_reading_by_hand(recital) -> None:
    # ISO 2720: N^2 = H S / C, with C = 340 for a dome, and N^2 = L t S / K, with K = 12.5, for a spot; ISO 12232: the
    # picture's middle grey is q L t / N^2 = 10 / S, so L t = 640 / 0.65 / 100 at f/8.
    camera = recital[0].scene.camera
    lights = Mix(("key",), (0.0,), np.ones((1, 3)), (False,), (True,))
    grey = 640 / 0.65 / 100
    for kind, value, f_number, over, from_grey in (
        ("dome", 340 * 64 / 100, 8.0, 0.0, None),
        ("dome", 340 * 64 / 100 * 4, 16.0, 2.0, None),
        ("flat", 250 * 16 / 100, 4.0, -2.0, None),
        ("spot", 12.5 * 32 / 100, 32**0.5, None, np.log2(4 / grey)),
        ("spot", grey * 2, (grey * 2 * 100 / 12.5) ** 0.5, None, 1.0),
    ):
        probe = Probe(ProbeId(kind, "face"), kind, np.zeros(3), np.array([0.0, 0.0, 1.0]))
        values = np.full((1, 1, 3), value)
        read = ProbeReadings((probe,), ("key",), (True,), values, np.full((1, 1), value / 100), (1,))
        (found,) = readings_from_probes(read, lights, camera)
        assert (found.kind, found.id.part) == (kind, "face")
        assert found.combined.f_number == pytest.approx(f_number)
        assert found.combined.over_camera_stops == (None if over is None else pytest.approx(over, abs=1e-9))
        assert found.combined.from_grey_stops == (None if from_grey is None else pytest.approx(from_grey, abs=1e-9))
        # One per cent is 0.01 / ln 2 stops.
        assert found.combined.stderr_stops == pytest.approx(0.01 / np.log(2))
        assert found.by_light["key"] == found.combined and found.combined.share == 1.0


@pytest.mark.parametrize("part", ["face", "forehead", "chin", "left cheek", "right cheek"])
def test_the_key_is_what_gives_most_of_the_skin_that_the_camera_sees(recital, part) -> None:
    scene, layout = _even(recital[0]), recital[1]

    def fill(probe):
        return 0.99 + (probe.kind == "spot" and probe.part == part)

    assert report_from_probes(scene, layout, _made_up(scene, layout, {"key": 1.0, "fill": fill})).key.light == "fill"
    # Elsewhere than on the skin, or read in another way, it counts for nothing.
    elsewhere = {"key": 1.0, "fill": lambda probe: 0.99 + (probe.kind != "spot" or probe.part == "hair")}
    assert report_from_probes(scene, layout, _made_up(scene, layout, elsewhere)).key.light == "key"


def test_a_cheek_is_lit_alike_within_a_fifth_of_a_stop(recital) -> None:
    scene, layout = _even(recital[0]), recital[1]
    for stops, alike in ((0.0, True), (0.19, True), (0.21, False), (2.0, False)):
        for lit, other in (("left cheek", "right cheek"), ("right cheek", "left cheek")):

            def key(probe, lit=lit, stops=stops):
                return 2.0 ** (stops * (probe.part == lit and probe.kind == "flat"))

            found = report_from_probes(scene, layout, _made_up(scene, layout, {"key": key})).key
            assert found.alike == alike and (stops == 0 or (found.lit_cheek, found.shadow_cheek) == (lit, other))


def test_meters_are_held_as_they_are_said(recital) -> None:
    layout = recital[1]
    camera_m, face_m, normal = layout.camera.position_m, layout.anchors_m["face"], layout.anchor_normals["face"]
    standard = standard_probes(layout)
    assert [(p.kind, p.id.part) for p in standard] == [("dome", p) for p in ("face", "gown", "backdrop centre")]
    # A hand holds a receptor 4 cm off the skin.
    held_m = face_m + 0.04 * normal
    for meter, position_m, toward_m in (
        ({"at": "face", "kind": "dome"}, held_m, camera_m),
        ({"at": "face", "kind": "flat", "facing": "key"}, held_m, layout.light("key").position_m),
        ({"at": "face", "kind": "flat", "facing": "up"}, held_m, held_m + [0, 1, 0]),
        ({"at": "face", "kind": "flat", "facing": "down"}, held_m, held_m - [0, 1, 0]),
        ({"at": "face", "facing": "canvas flag"}, held_m, layout.panels[0].world_from_panel[:3, 3]),
        # 30° toward camera right and 45° up: x = cos 45° sin 30°, y = sin 45°, z = cos 45° cos 30°.
        (
            {"at": "face", "facing": {"bearing": "30°", "tilt": "45°"}},
            held_m,
            held_m + np.sqrt(0.5) * np.array([0.5, 1.0, np.sqrt(0.75)]),
        ),
        ({"at": "face", "facing": [3, 0, -4]}, held_m, held_m + [0.6, 0, -0.8]),
        # A spot meter stands 1 m off.
        ({"at": "face", "kind": "spot", "facing": {"bearing": "-90°"}}, face_m - [1, 0, 0], face_m),
        ({"at": "face", "facing": {"at": ["1 m", "1 m", "1 m"]}}, held_m, np.ones(3)),
        ({"at": {"at": ["0 m", "1 m", "2 m"]}, "facing": "up"}, np.array([0, 1, 2]), np.array([0, 2, 2])),
        # A spot meter looks at the part from where it is turned to.
        ({"at": "face", "kind": "spot"}, camera_m, face_m),
    ):
        probe = probe_from_meter(layout, ProbeId("own", "mine"), Meter.model_validate(meter))
        assert probe.kind == meter.get("kind", "dome") and probe.id == ProbeId("own", "mine")
        way = toward_m - position_m
        np.testing.assert_allclose(probe.position_m, position_m, atol=1e-12)
        np.testing.assert_allclose(probe.facing, way / np.linalg.norm(way), atol=1e-12)
    itself = Meter.model_validate({"at": "face", "facing": {"at": [f"{x:.9f} m" for x in held_m]}})
    with pytest.raises(HalfstopError, match='"mine" faces its own place'):
        probe_from_meter(layout, ProbeId("own", "mine"), itself)


def test_points_may_be_named_in_other_words() -> None:
    names = [KEY_CHEEK, SHADOW_CHEEK, "face", "backdrop centre", "upper gown", "my spot"]
    said = {"shadow_cheek": SHADOW_CHEEK, "Key-Cheek": KEY_CHEEK, "backdrop": "backdrop centre",
            "gown": "upper gown", "gown upper": "upper gown", "my_spot": "my spot",
            "key side cheek": KEY_CHEEK, "key side": KEY_CHEEK, "shadow cheek": SHADOW_CHEEK,
            "shadow side cheek": SHADOW_CHEEK, "shadow side": SHADOW_CHEEK, "gown lower": "lower gown",
            "backdrop center": "backdrop centre", "backdrop head": "backdrop behind head",
            "behind head": "backdrop behind head"}  # fmt: skip
    names += ["lower gown", "backdrop behind head"]
    assert {text: point_from_text(text, names) for text in said} == said
    assert point_from_text("gown", [*names, "gown"]) == "gown"
    with pytest.raises(ValueError, match='no meter point "nose"'):
        point_from_text("nose", names)


@pytest.mark.parametrize("path", sorted(SCENES.glob("*.yaml")), ids=lambda path: path.stem)
def test_no_light_of_a_shipped_scene_is_called_like_a_point(path: Path) -> None:
    scene = load_scene(path)
    points = {*POINTS, *POINTS.values(), *ALIASES, *PARTS, *scene.meters, KEY_CHEEK, SHADOW_CHEEK}
    assert not points & {*scene.lights, *(light.name for light in scene.ambient)}


def test_a_drop_is_what_muting_the_light_takes_away(recital, measured) -> None:
    source, layout = recital
    report = report_from_probes(source.scene, layout, measured)
    for name in source.scene.lights:
        without = source.changed({("lights", name, "mute"): True}).scene
        # Hold the key, for without it another light would be called so.
        less = report_from_probes(without, layout, measured, key=report.key.light)
        for point in report.points:
            before, after = point.incident or point.spot, less.point(point.name).incident or less.point(point.name).spot
            lost = np.log2(after.combined.exposure / before.combined.exposure)
            assert drop_stops(before.by_light[name]) == pytest.approx(lost, abs=1e-9)


def test_shares_sum_to_one_and_exposures_to_the_combined(recital, measured) -> None:
    report = report_from_probes(recital[0].scene, recital[1], measured)
    assert len(report.points) == 20
    for point in report.points:
        for readings in filter(None, (point.incident, point.spot)):
            assert sum(r.share for r in readings.by_light.values()) == pytest.approx(1.0)
            assert sum(r.exposure for r in readings.by_light.values()) == pytest.approx(readings.combined.exposure)


def test_incident_dome_follows_the_dial_by_iso_2720(recital, measured) -> None:
    # Source: ISO 2720:1974, N^2 = H S / C: one stop more of every light is one stop on the meter.
    source, layout = recital
    report = report_from_probes(source.scene, layout, measured)
    fainter = {("lights", name, "power"): f"{light.power_stops - 1} stops"
               for name, light in source.scene.lights.items()}  # fmt: skip
    other = report_from_probes(source.changed(fainter).scene, layout, measured)
    for point in report.points:
        if point.incident is not None:
            ratio = point.incident.combined.f_number / other.point(point.name).incident.combined.f_number
            assert ratio == pytest.approx(np.sqrt(2))


def test_the_spot_on_the_backdrop_sees_past_the_sitter(engine, recital, measured) -> None:
    """Without the sitter's body in the line of sight the same spot from the camera reads the canvas the same."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes

    source, layout = recital
    report = report_from_probes(source.scene, layout, measured)
    nobody = replace(layout, figure=replace(layout.figure, parts=(), strands=()))
    probes = [
        p for p in report_probes(source.scene, layout) if p.id.kind == "spot" and p.id.part.startswith("backdrop")
    ]
    seen = read_probes(build(source.scene, nobody), probes, target_stderr_stops=0.05)
    setting = mix.mix_from_scene(source.scene, layout)
    from sim.metering.points import readings_from_probes

    for reading in readings_from_probes(seen, setting, source.scene.camera):
        with_sitter = next(p for p in report.points if ProbeId("spot", p.part) == reading.id).spot.combined
        # The sitter herself shades and brightens the canvas a little: half a stop, no more.
        assert with_sitter.from_grey_stops == pytest.approx(reading.combined.from_grey_stops, abs=0.5)


def _printed(report, width: int) -> str:
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None).print(tables_from_report(report))
    return stream.getvalue()


def test_the_table_reads_at_100_columns_with_eight_lights(recital) -> None:
    source, _ = recital
    text = source.text
    for number in range(3):
        block = {"source": {"kind": "flash", "energy": "200 W·s"},
                 "place": {"bearing": f"{150 + 10 * number}°", "distance": "2 m", "height": "2 m"}}  # fmt: skip
        text = scene_edit.text_with_value(text, ("lights", f"long name of a kicker {number}"), block)
    scene = scene_edit.scene_from_text(text)
    layout = layout_from_scene(scene)
    report = report_from_probes(scene, layout, _made_up(scene, layout, dict.fromkeys(scene.lights, 5000.0)))
    lines = _printed(report, 100).splitlines()
    assert max(map(len, lines)) <= 100
    for point in report.points:
        assert any(line.strip().startswith(point.name) for line in lines), point.name
    assert not any("…" in line for line in lines)
