"""What the page is told of a scene, held against the scene, the layout, the mix and the layers' own keys."""

from __future__ import annotations

import json
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edit_script import applied

from sim.light.develop import encoded, picture_scale_rgb
from sim.light.mix import mix_from_scene
from sim.quantities import color
from sim.render.engine import Engine
from sim.render.fingerprint import of_layers, of_sitter, of_stage
from sim.reports.handout.page import mixed_codes
from sim.reports.plan import plan_from_scene
from sim.reports.plan.facts import BEAM_FAR, beam_deg_from_rig, facts_from_scene
from sim.room.document.scene_document import SceneDocument
from sim.room.snapshot.choices import choices
from sim.room.snapshot.light_view import INKS, ROOM_INK
from sim.room.snapshot.placement_cache import Placed, PlacementCache
from sim.room.snapshot.view import view_from_document
from sim.scene.model import Light, Scene
from sim.scene.read import load_scene, scene_from_text
from sim.scene.text import text_with_value
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.rig import rig_from_light
from sim.studio.layout import layout_from_scene

ROOT = Path(__file__).resolve().parents[2]
SCENES = sorted((ROOT / "scenes").glob("*.yaml"))
DEMO = ROOT / "scenes" / "recital.yaml"


def test_numbers_and_colours_stay_with_their_lights_on_page_and_plan(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_bytes(DEMO.read_bytes())
    document = SceneDocument.open(path, tmp_path / "state")
    placements = PlacementCache()

    def shown_now() -> dict[str, tuple[int, str]]:
        placed = placements.placed(document.scene)
        view = view_from_document(document, placed)
        plan = plan_from_scene(document.scene, placed.layout, placed.mix)
        assert {light["name"]: light["number"] for light in view["lights"]} == dict(plan.numbers)
        assert {fact.name: fact.number for fact in plan.facts} == dict(plan.numbers)
        return {light["name"]: (light["number"], light["colour"]) for light in view["lights"]}

    try:
        before = shown_now()
        first, second, *others = before
        applied(document, [{"op": "remove_light", "name": second}])
        without = {name: before[name] for name in (first, *others)}
        assert shown_now() == without
        applied(document, [{"op": "rename_light", "name": first, "to": "main"}])
        assert shown_now() == {"main": before[first], **{name: before[name] for name in others}}
        applied(document, [{"op": "add_light", "name": "rim"}])
        assert shown_now()["rim"] == before[second] and shown_now()["main"] == before[first]
        for _ in range(3):
            document.undo()
        assert shown_now() == before and document.text == DEMO.read_text("utf-8")
        document.redo()
        assert shown_now() == without
    finally:
        document.close()


@pytest.fixture(scope="module", params=SCENES, ids=lambda path: path.stem)
def shown(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Placed]:
    document = SceneDocument.open(request.param, tmp_path_factory.mktemp("state"))
    placed = PlacementCache().placed(document.scene)
    view = view_from_document(document, placed)
    document.close()
    return json.loads(json.dumps(view, allow_nan=False)), placed


def _changed(edit: dict[str, Any], folder: Path) -> Scene:
    """The demo's scene after an edit."""
    path = folder / "set.yaml"
    path.write_bytes(DEMO.read_bytes())
    document = SceneDocument.open(path, folder / "state")
    try:
        applied(document, [edit])
        return document.scene
    finally:
        document.close()


def test_every_light_is_where_the_layout_has_it(shown: tuple[dict[str, Any], Placed]) -> None:
    view, placed = shown
    layout = layout_from_scene(placed.scene)
    mix = mix_from_scene(placed.scene, layout)
    assert [light["name"] for light in view["lights"]] == list(layout.light_names)
    weights = mix.only(mix.names).weights_rgb(placed.scene.camera.shutter_s)
    facts = {fact.name: fact for fact in facts_from_scene(placed.scene, layout)}
    for index, light in enumerate(view["lights"]):
        assert light["number"] == index + 1 and light["weight_rgb"] == weights[index].tolist()
        assert light["muted"] is mix.muted[index]
        if light["position_m"] is None:
            assert not light["movable"] and light["hint"]
            continue
        fact = facts[light["name"]]
        assert np.allclose(light["position_m"], fact.placed.position_m, atol=1e-5)
        assert np.allclose(light["aim_m"], fact.placed.aim_m, atol=1e-5)
        b, d = math.radians(light["bearing_deg"]), light["distance_m"]
        # x = d sin b, z = d cos b, to the rounding of both.
        assert np.allclose([d * math.sin(b), d * math.cos(b)], np.array(light["position_m"])[[0, 2]], atol=3e-4)
        reach = np.linalg.norm(np.subtract(light["aim_m"], light["position_m"]))
        assert light["aim_distance_m"] == pytest.approx(reach, abs=1e-4)
        assert light["beam_deg"] == [round(fact.beam_across_deg, 2), round(fact.beam_up_deg, 2)]


def test_outlines_hold_the_solids_that_the_renderer_sees(shown: tuple[dict[str, Any], Placed]) -> None:
    from sim.render.stage.solids import mesh_from_body

    view, placed = shown
    lights = {light["name"]: light for light in view["lights"]}
    for at in placed.layout.lights:
        shape = lights[at.name]
        assert len(shape["shape_top"]) == len(shape["shape_side"]) == len(shape["shape_front"])
        for index, body in enumerate(at.rig.body):
            points = mesh_from_body(body, at.world_from_light).vertices - at.position_m
            for key, axes in (("shape_top", [0, 2]), ("shape_side", [2, 1]), ("shape_front", [0, 1])):
                drawn = np.array(shape[key][index])
                assert np.allclose(drawn.min(axis=0), points[:, axes].min(axis=0), atol=1e-4)
                assert np.allclose(drawn.max(axis=0), points[:, axes].max(axis=0), atol=1e-4)


def test_the_sitter_is_drawn_as_wide_and_high_as_the_figure(shown: tuple[dict[str, Any], Placed]) -> None:
    view, placed = shown
    sitter, figure = view["sitter"], placed.layout.figure
    points = np.concatenate([part.points_m for part in figure.parts if part.name != "sequins"])
    top = np.concatenate([np.array(outline) for outline in sitter["outline_top"]])
    side, front = np.array(sitter["outline_side"][0]), np.array(sitter["outline_front"][0])
    # A few thousand of the points are drawn: a centimetre is more than they can miss.
    for drawn, axes in ((top, [0, 2]), (side, [2, 1]), (front, [0, 1])):
        assert np.allclose(drawn.min(axis=0), points[:, axes].min(axis=0), atol=0.01)
        assert np.allclose(drawn.max(axis=0), points[:, axes].max(axis=0), atol=0.01)
    assert sitter["outline_names"] == ["skirt", "shoulders", "head"][: len(sitter["outline_names"])]
    for name in ("face", "chest", "near eye", "backdrop head"):
        assert np.allclose(sitter["parts"][name], placed.layout.anchors_m[name], atol=1e-5)


def test_camera_and_room_are_those_of_the_scene(shown: tuple[dict[str, Any], Placed]) -> None:
    view, placed = shown
    camera, seen = view["camera"], placed.layout.camera
    assert camera["fov_deg"][0] == pytest.approx(seen.horizontal_fov_deg, abs=1e-3)
    ratio = math.tan(math.radians(camera["fov_deg"][0] / 2)) / math.tan(math.radians(camera["fov_deg"][1] / 2))
    assert ratio == pytest.approx(camera["aspect"], rel=1e-4)
    up, forward = np.array(camera["up"]), seen.forward
    assert abs(up @ forward) < 1e-4 and np.linalg.norm(up) == pytest.approx(1, abs=1e-4) and up[1] > 0
    assert view["room"]["low_m"] == [round(v, 4) for v in placed.scene.room.low_corner_m]
    for panel in view["panels"]:
        # A board seen from the front is at most as high as it is, and as wide as its diagonal.
        wide, high = np.ptp(np.array(panel["shape_front"][0]), axis=0)
        assert high <= math.hypot(panel["height_m"], panel["width_m"]) and wide <= panel["width_m"] + 1e-3
    for meter in view["meters"]:
        assert len(meter["at_m"]) == 3 and meter["kind"] in ("dome", "flat", "spot")


def test_blocks_are_in_the_form_of_the_file(shown: tuple[dict[str, Any], Placed]) -> None:
    # What the page is told of a block can be written back as it is, and means the same.
    view, placed = shown
    text = (ROOT / "scenes" / Path(view["file"]).name).read_text("utf-8")
    for key in ("camera", "sitter", "room"):
        text = text_with_value(text, (key,), view[key]["block"])
    for light in view["lights"]:
        if not light["is_room"]:
            text = text_with_value(text, ("lights", light["name"], "source"), light["source"])
            text = text_with_value(text, ("lights", light["name"], "modifier"), light["modifier"])
            text = text_with_value(text, ("lights", light["name"], "gels"), light["gels"])
    assert scene_from_text(text).model_dump() == placed.scene.model_dump()


def test_the_mix_of_the_view_is_the_picture_of_the_program(shown: tuple[dict[str, Any], Placed]) -> None:
    view, placed = shown
    camera = placed.scene.camera
    layers = np.random.default_rng(1).gamma(1.0, 8.0, (len(view["lights"]), 4, 5, 3))
    # As the page does it: layer x weight x heard x gain, curve and code.
    heard = [not light["muted"] for light in view["lights"]]
    exposure = view["exposure"]
    gain = np.array(exposure["white_balance_rgb"]) * exposure["display_scale"]
    assert gain == pytest.approx(exposure["grey_scale"])
    weights = np.array([light["weight_rgb"] for light in view["lights"]]) * np.array(heard)[:, None]
    page = encoded(np.einsum("khwc,kc->hwc", layers, weights) * gain)
    # As the handout's reference has it, from the scene.
    mix = placed.mix.only(placed.mix.names).weights_rgb(camera.shutter_s) * picture_scale_rgb(camera)
    assert np.abs(page.astype(int) - mixed_codes(layers * mix[:, None, None, :], [0.0] * len(heard), heard)).max() <= 1
    assert 30 < page.mean() < 225


@pytest.mark.parametrize("modifier", [
    {"kind": "softbox", "width": "60 cm", "height": "90 cm", "grid": "40°"}, {"kind": "snoot"},
    {"kind": "reflector", "beam": "100°", "grid": "5°"}, {"kind": "umbrella", "diameter": "1 m"}, {"kind": "spot"},
], ids=lambda block: block["kind"])  # fmt: skip
def test_a_beam_found_in_few_steps_is_that_of_every_step(modifier: dict[str, Any]) -> None:
    light = {"source": {"kind": "flash", "energy": "400 W·s"}, "modifier": modifier, "place": {"at": ["0 m"] * 3}}
    rig = rig_from_light(Light.model_validate(light), ROOT)
    angles = np.radians(np.arange(0, 89, 0.5))
    far_m = BEAM_FAR * max(max(e.width_m, e.height_m) for e in rig.emitters)
    for side, told_deg in enumerate(beam_deg_from_rig(rig)):
        points = np.zeros((len(angles), 3))
        points[:, side], points[:, 2] = far_m * np.sin(angles), far_m * np.cos(angles)
        lit = sum(illuminance_from_emitter(e, points, -points / far_m, n=16) for e in rig.emitters if not e.axis_flip)
        dark = np.flatnonzero(lit < lit[0] / 2)
        assert told_deg == pytest.approx(2 * np.degrees(angles[dark[0]]) if len(dark) else 178.0)


# -- what must be traced anew -----------------------------------------------------------------

EDITS: list[tuple[dict[str, Any], str]] = [
    ({"op": "dials", "stops": {"key": -3}}, "none"),
    ({"op": "set", "path": ["lights", "key", "color"], "value": "3200 K"}, "none"),
    ({"op": "set", "path": ["lights", "key", "gels"], "value": [{"mired": 60}]}, "none"),
    ({"op": "set", "path": ["lights", "key", "mute"], "value": True}, "none"),
    ({"op": "set", "path": ["camera", "iso"], "value": 400}, "none"),
    ({"op": "set", "path": ["camera", "white_balance"], "value": "4000 K"}, "none"),
    ({"op": "set", "path": ["title"], "value": "Another"}, "none"),
    ({"op": "pin", "name": None, "at_m": [0, 1, 0.4], "kind": "dome"}, "none"),
    ({"op": "rename_light", "name": "edge", "to": "rim"}, "none"),
    ({"op": "set", "path": ["lights", "accent", "modifier", "grid"], "value": "10°"}, "accent"),
    ({"op": "set", "path": ["lights", "key", "source", "energy"], "value": "600 W·s"}, "key"),
    ({"op": "move", "what": ["light", "halo"], "to_m": [-1.5, 2.8, -1.2]}, "all"),
    ({"op": "aim", "what": ["light", "key"], "at": "chest"}, "all"),
    ({"op": "turn", "what": ["sitter"], "deg": -35}, "all"),
    ({"op": "set", "path": ["sitter", "skin"], "value": "deep"}, "all"),
    ({"op": "move", "what": ["camera"], "to_m": [0.1, 1.2, 3]}, "all"),
    ({"op": "set", "path": ["camera", "aperture"], "value": "f/4"}, "all"),
    ({"op": "set", "path": ["backdrop", "seed"], "value": 8}, "all"),
    ({"op": "set", "path": ["room", "walls"], "value": 0.3}, "all"),
    ({"op": "move", "what": ["panel", 0], "to_m": [1.3, 2.15, -1.1]}, "all"),
    ({"op": "remove_light", "name": "fill"}, "all"),
]


def test_layers_hold_exactly_where_the_renderers_keys_agree(engine: Engine, tmp_path: Path) -> None:
    placements = PlacementCache()
    start = placements.placed(load_scene(DEMO))
    how = {"size": (4, 6), "samples": 1}
    before = of_layers(of_stage(start.scene, layout_from_scene(start.scene)), **how)
    for number, (edit, said) in enumerate(EDITS):
        folder = tmp_path / str(number)
        folder.mkdir()
        scene = _changed(edit, folder)
        placed = placements.placed(scene)
        after = of_layers(of_stage(scene, layout_from_scene(scene)), **how)
        names = {"rim": "edge"}
        same = {name for name, key in after.items() if before.get(names.get(name, name)) == key}
        held = {name for name, key in placed.layers.items() if start.layers.get(names.get(name, name)) == key}
        assert held == same, edit
        lost = set(after) - same
        assert lost == {"none": set(), "all": set(after)}.get(said, {said}), edit
        assert (placed.geometry == start.geometry) == (not lost and set(after) == set(before)), edit
        if "rim" not in after:
            assert {name for name, key in placed.layers.items() if start.layers.get(name) == key} == same
    # Back where it was, it has its number again.
    assert placements.placed(start.scene).geometry == start.geometry


def test_a_stage_kept_from_before_is_the_same_as_one_made_anew(tmp_path: Path) -> None:
    placements = PlacementCache()
    placements.placed(load_scene(DEMO))
    for number, (edit, _) in enumerate(EDITS):
        folder = tmp_path / str(number)
        folder.mkdir()
        scene = _changed(edit, folder)
        kept = placements.placed(scene)
        plain = layout_from_scene(scene)
        for name, point in plain.anchors_m.items():
            assert np.array_equal(kept.layout.anchors_m[name], point)
        for one, two in zip(kept.layout.lights, plain.lights, strict=True):
            assert (
                np.array_equal(one.world_from_light, two.world_from_light)
                and one.rig.output.amount == two.rig.output.amount
            )
        if number % 5 == 0:
            fresh, sitter_key = PlacementCache(), of_sitter(scene)
            anew = fresh.placed(scene)
            assert placements._keys(scene, kept.layout, sitter_key) == fresh._keys(scene, anew.layout, sitter_key)
            assert kept.light_shapes["key"].top == anew.light_shapes["key"].top


# -- colours, words, choices ------------------------------------------------------------------


def test_inks_can_be_read_on_the_sheet() -> None:
    # Contrast ratio of WCAG 2.2, relative luminance of sRGB; 4.5 : 1 is asked of small text (1.4.3).
    def luminance(ink: str) -> float:
        return float(color.luminance(color.rgb_from_hex(ink)))

    sheet = (ROOT / "sim" / "room" / "page" / "room.css").read_text("utf-8").split("--paper: ")[1][:7]
    for ink in (*INKS, ROOM_INK):
        assert (luminance(sheet) + 0.05) / (luminance(ink) + 0.05) >= 4.5, ink
    assert len(INKS) == 12


def test_twelve_lights_can_be_told_apart_by_every_eye() -> None:
    """CIEDE2000 of at least 11 between any two inks, the room's own included; simulation of Machado and others 2009.

    Both from the library colour-science. Lines, bars and rings wear these inks; numbers stand beside them all the same.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
        from colour.blindness import matrix_cvd_Machado2009

        blind = [matrix_cvd_Machado2009(f"{kind}anomaly", 1.0) for kind in ("Prot", "Deuter", "Trit")]
    linear = np.array([color.rgb_from_hex(ink) for ink in (*INKS, ROOM_INK)])
    first, second = np.triu_indices(len(linear), 1)
    for sight in (np.eye(3), *blind):
        lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(np.clip(linear @ sight.T, 0, 1), apply_cctf_decoding=False))
        assert colour.delta_E(lab[first], lab[second], method="CIE 2000").min() >= 11


def test_words_are_a_photographers(shown: tuple[dict[str, Any], Placed]) -> None:
    view, _ = shown
    for light in view["lights"]:
        assert light["words"]["modifier"] and light["words"]["source"]
        assert not light["movable"] or "from the mark" in light["words"]["place"]
    if Path(view["file"]).stem == "recital":
        key = view["lights"][0]
        assert (
            key["words"]["modifier"] == "softbox 100 x 140 cm, 40° grid" and key["words"]["source"] == "flash, 400 W·s"
        )
        assert key["words"]["place"] == "112° to camera left, 1.5 m from the mark, 1.85 m high"
        assert key["dial"] == {"lowest_stops": -7.0, "step_stops": 0.1} and key["aim"] == "face"
        assert view["backdrop"]["text"] == "canvas 3 m x 3.4 m, 2.3 m behind the mark"
        assert view["saved"] and not view["can_undo"] and view["safety"].startswith("Follow local electrical codes")


def test_a_warning_of_the_scene_is_told(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_bytes(DEMO.read_bytes())
    document = SceneDocument.open(path, tmp_path / "state")
    applied(document, [{"op": "set", "path": ["camera", "shutter"], "value": "1/1000 s"},
                    {"op": "set", "path": ["camera", "aperture"], "value": "f/4"}])  # fmt: skip
    view = view_from_document(document, PlacementCache().placed(document.scene))
    assert len(view["warnings"]) == 1 and "sync" in view["warnings"][0]["text"]
    # Two stops more light through the lens than the file says; time does not count for flash.
    assert view["exposure"]["stops_from_file"] == pytest.approx(2.0, abs=1e-6)
    document.close()


def test_every_choice_offered_can_be_set(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_bytes(DEMO.read_bytes())
    document = SceneDocument.open(path, tmp_path / "state")
    plain = {"softbox": {"width": "60 cm", "height": "90 cm"}, "strip": {"width": "30 cm", "height": "90 cm"},
             "octabox": {"diameter": "1 m"}, "umbrella": {"diameter": "1 m"}, "shoot-through": {"diameter": "1 m"},
             "covered umbrella": {"diameter": "1 m"}}  # fmt: skip
    tried = 0
    for kind in choices()["modifier_kinds"]:
        block = {"kind": kind["kind"], **plain.get(kind["kind"], {})}
        applied(document, [{"op": "set", "path": ["lights", "key", "modifier"], "value": block}])
        for field in kind["fields"]:
            for value in [field["example"], *field.get("choices", ())]:
                if value is not None:
                    path_in = ["lights", "key", "modifier", *field["key"].split(".")]
                    applied(document, [{"op": "set", "path": path_in, "value": value}])
                    tried += 1
    for gel in choices()["gels"]:
        applied(document, [{"op": "set", "path": ["lights", "key", "gels"], "value": [gel["gel"]]}])
    for part in choices()["aim_parts"]:
        applied(document, [{"op": "aim", "what": ["light", "key"], "at": part}])
    for key in ("apertures", "shutters", "film_speeds"):
        name = {"apertures": "aperture", "shutters": "shutter", "film_speeds": "iso"}[key]
        for value in choices()[key]:
            applied(document, [{"op": "set", "path": ["camera", name], "value": value}])
    for field in (*choices()["camera"], *choices()["sitter"]):
        for value in [field["example"], *field.get("choices", ())]:
            if value is not None and not field["key"].startswith("sensor"):
                home = "camera" if field in choices()["camera"] else "sitter"
                applied(document, [{"op": "set", "path": [home, *field["key"].split(".")], "value": value}])
                tried += 1
    assert tried > 120
    document.close()


def test_an_empty_set_in_the_open_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "open.yaml"
    path.write_text(
        "halfstop: 1\ntitle: Empty\nroom: outdoors\nsitter: {figure: none}\n"
        "camera: {place: {at: [0 m, 1.4 m, 4 m]}, focal_length: 50 mm, aperture: f/8, shutter: 1/125 s}\n",
        "utf-8",
    )
    document = SceneDocument.open(path, tmp_path / "state")
    try:
        view = view_from_document(document, PlacementCache().placed(document.scene))
    finally:
        document.close()
    json.dumps(view, allow_nan=False)
    assert view["lights"] == [] and view["room"]["open"] and view["room"]["block"]["kind"] == "outdoors"
    # Ground is drawn around mark and camera, not to where it ends.
    assert view["room"]["low_m"][2] > -5 and 5 < view["room"]["high_m"][2] < 8
    assert [field["key"] for field in view["choices"]["room"]] == ["ground"]
    assert "none" in next(field for field in view["choices"]["sitter"] if field["key"] == "figure")["choices"]
