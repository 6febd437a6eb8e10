"""The study file: what it accepts, what it refuses and how, and which variations come of it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_faults import SCENE, distances, write_study

from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.render.engine import engine_in_use
from sim.scene.read import scene_from_text
from sim.sweep import variations as sweep_variations
from sim.sweep.amounts import amount_from_value, values_of_range
from sim.sweep.axes import Axis, axis_value, count_of_combinations
from sim.sweep.conditions import condition_from_text
from sim.sweep.groups import groups_of
from sim.sweep.run import request_for
from sim.sweep.study import Study, load_study
from sim.sweep.variations import Variation, files_of_scene, maker, variations_of

ROOT = Path(__file__).resolve().parents[2]


def _planned(path: Path) -> tuple[Study, list[Variation]]:
    study = load_study(path)
    return study, variations_of(study, request_for(study, maker(engine_in_use().variant)))


def test_our_own_study_makes_two_hundred_variations_of_forty_set_ups() -> None:
    study, variations = _planned(ROOT / "scenes" / "studies" / "modifiers.yaml")
    groups = groups_of(variations, request_for(study, ("any",)), "recital.yaml")
    assert len(variations) == count_of_combinations(study.groups) == 200
    assert len({variation.id for variation in variations}) == 200
    assert len(groups) == 40 and all(len(group.variations) == 5 for group in groups)
    assert [group.cost_s for group in groups] == sorted((group.cost_s for group in groups), reverse=True)


@given(st.integers(-300, 300), st.integers(1, 60), st.integers(1, 12), st.sampled_from(["cm", "mm", "m", "°", "stops"]))
def test_a_range_has_the_exact_values_of_its_decimals(start: int, step: int, count: int, unit: str) -> None:
    gap = "" if unit == "°" else " "
    values = values_of_range(f"{start / 10:g}{gap}{unit}", f"{(start + step * count) / 10:g}{gap}{unit}",
                             f"{step / 10:g}{gap}{unit}", None)  # fmt: skip
    got = [Fraction(value.removesuffix("stops").removesuffix("stop").removesuffix(unit).strip()) for value in values]
    assert got == [Fraction(start + step * index, 10) for index in range(count + 1)]


@pytest.mark.parametrize(
    ("start", "end", "step", "count", "values"),
    [
        # Engraved series: common practice, no source.
        ("f/4", "f/8", "1/3 stop", None, ["f/4", "f/4.5", "f/5", "f/5.6", "f/6.3", "f/7.1", "f/8"]),
        ("1/125 s", "1/500 s", None, 3, ["1/125 s", "1/250 s", "1/500 s"]),
        ("1/8", "1/1", "1 stop", None, ["1/8", "1/4", "1/2", "1/1"]),
        (100, 400, 100, None, [100, 200, 300, 400]),
        ("0.1 m", "0.35 m", "10 cm", None, ["0.1 m", "0.2 m", "0.3 m"]),
        ("30°", "-30°", "30°", None, ["30°", "0°", "-30°"]),
    ],
)
def test_ranges(start: object, end: object, step: object, count: int | None, values: list[object]) -> None:
    assert values_of_range(start, end, step, count) == values


def test_amounts_are_told_apart_by_their_units() -> None:
    texts = ["150 cm", "6 ft 2 in", "f/8", "1/4", "25 %", "1/160 s", "-25°", "5600 K", "400 W·s", "full", "octa", True]
    found = [amount_from_value(text) for text in texts]
    assert [amount.unit if amount else None for amount in found] == [
        "m", "m", "f/", "stops", "stops", "s", "°", "K", "W·s", "stops", None, None,
    ]  # fmt: skip
    assert found[0] is not None and found[0].number == 1.5


def _axes() -> list[Axis]:
    far, box = ("lights", "key", "place", "distance"), ("lights", "key", "modifier")
    return [
        Axis("far", far, tuple(axis_value(far, text, ()) for text in ("1 m", "150 cm", "2 m")), ()),
        Axis("box", box, tuple(axis_value(box, text, ()) for text in ("octa 120 cm", "bare")), ()),
    ]


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("far < 1.5 m", {("1 m", "octa 120 cm"), ("1 m", "bare")}),
        ("far = 1500 mm and box = bare", {("150 cm", "bare")}),
        ("far >= 2 m or box is not bare and far != 1 m",
         {("2 m", "octa 120 cm"), ("2 m", "bare"), ("150 cm", "octa 120 cm")}),
        ("lights.key.place.distance > 150 cm and box is Octa 120 cm", {("2 m", "octa 120 cm")}),
    ],
)  # fmt: skip
def test_conditions(text: str, kept: set[tuple[str, str]]) -> None:
    axes = _axes()
    condition = condition_from_text(text, axes, ())
    rows = [(far, box) for far in axes[0].values for box in axes[1].values]
    assert {(a.text, b.text) for a, b in rows if condition.holds({"far": a, "box": b})} == kept


@pytest.mark.parametrize("text", ["far < 2°", "far < octa", "box < 2 m", "near = 1 m", "box = snoot", "far", "far = "])
def test_conditions_that_say_nothing_are_refused(text: str) -> None:
    with pytest.raises(UnitError):
        condition_from_text(text, _axes(), ())


FAULTS = [
    # axes, further keys, line, key path, part of the message
    ("  - {key: key.powr, values: [1/4]}\n", "", 7, "axes[0].values[0]", 'unknown key "powr"'),
    ("  - {key: kee.power, values: [1/4]}\n", "", 7, "axes[0].key", 'there is no "kee" in the scene'),
    ("  - {key: key.power, values: [1/4, 3/0]}\n", "", 7, "axes[0].values[1]", "a part of full power"),
    ("  - {key: key.place.distance, values: [1.5 m, 2]}\n", "", 7, "axes[0].values[1]", 'write "2 m"'),
    ("  - {key: key.modifier, values: [softbax 60 cm]}\n", "", 7, "axes[0].values[0]", "a modifier in few words"),
    ("  - {key: key.power, value: [1/4]}\n", "", 7, "axes[0].value", 'write "values"'),
    ("  - {key: key.power}\n", "", 7, "axes[0]", "has no values"),
    ("  - {key: key.power, values: []}\n", "", 7, "axes[0].values", "1 to 1000"),
    ("  - {key: key.power, values: [1/4, 1/4]}\n", "", 7, "axes[0].values[1]", "twice"),
    ("  - {key: key.power, range: {from: 1/8, to: 1/1}}\n", "", 7, "axes[0].range", "no step"),
    ("  - {key: key.power, range: {from: 1/8, to: 2 m, count: 3}}\n", "", 7, "axes[0].range", "of two kinds"),
    ("  - {key: key.place.distance, range: {from: 1 m, to: 2 m, step: 5°}}\n", "", 7, "axes[0].range", "a step in m"),
    ("  - {key: title, values: [a]}\n", "", 7, "axes[0].key", "changes no light"),
    ("  - {key: key.power, name: Power!, values: [1/4]}\n", "", 7, "axes[0].name", "small letters"),
    ("  - together:\n    - {key: key.power, values: [1/4]}\n    - {key: rim.power, values: [1/4, 1/2]}\n", "", 7,
     "axes[0].together", "key.power has 1, rim.power has 2"),
    ("  []\n", "", 6, "axes", "one or more"),
    ("  - together:\n    - {key: key.power, values: [1/4]}\n", "", 7, "axes[0].together", "one axis alone"),
    (distances(2), "skip: [farr = 1.5 m]\n", 6, "skip[0]", 'no axis "farr"'),
    (distances(2), "skip: [far > power]\n", 6, "skip[0]", "cannot be compared"),
    (distances(2), "only: [far > 3 m]\n", 6, "only", "leave no variation"),
    (distances(2), "keep: [pictures, film]\n", 6, "keep[1]", "what to keep"),
    (distances(2), "wanted: {wishes: [face=5]}\n", 6, "wanted.wishes[0]", "is the reference"),
    (distances(2), "wanted: {wishes: [nose=-2]}\n", 6, "wanted.wishes[0]", "no meter point"),
    (distances(2), "wanted: {wishes: [face=f/8]}\nkeep: [pictures]\n", 7, "keep", "ranked by readings"),
    (distances(2), "seeds: 3\n", 6, "seeds", 'write "seed"'),
    ("  - {key: key.place.distance, values: [4 m, 4.1 m]}\n", "", 6, "axes", "no variation can stand"),
]  # fmt: skip


@pytest.mark.parametrize(("axes", "more", "line", "key", "told"), FAULTS, ids=[f"{f[3]} {f[4]}" for f in FAULTS])
def test_faults_name_file_line_key_and_cure(
    tmp_path: Path, axes: str, more: str, line: int, key: str, told: str
) -> None:
    path = write_study(tmp_path, axes, more)
    with pytest.raises(SceneError) as caught:
        _planned(path)
    text = str(caught.value)
    assert text.startswith(f"{path}:{line}: {key}: ") and told in text and "\n" not in text
    assert caught.value.cure


def test_a_missing_study_and_a_missing_scene_are_told(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match="there is no such file"):
        load_study(tmp_path / "none.yaml")
    (tmp_path / "empty.yaml").write_text("# nothing\n", "utf-8")
    with pytest.raises(SceneError, match=r'empty\.yaml:1: the file is empty; .*"halfstop_study: 1"'):
        load_study(tmp_path / "empty.yaml")
    path = write_study(tmp_path, distances(2))
    (tmp_path / "set.yaml").unlink()
    with pytest.raises(SceneError, match=r'scene: there is no file "set\.yaml"'):
        load_study(path)


def test_what_cannot_stand_together_is_told_and_stops_no_other(tmp_path: Path) -> None:
    axes = "  - {key: key.place.distance, values: [1.5 m, 4 m]}\n  - {key: key.power, values: [1/4, 1/8]}\n"
    _, variations = _planned(write_study(tmp_path, axes))
    assert [bool(variation.refused) for variation in variations] == [False, False, True, True]
    assert 'the light "key" is in or behind the wall on camera left' in variations[2].refused


def test_a_value_that_needs_another_axis_is_no_fault(tmp_path: Path) -> None:
    # A lens belongs to a spot only: alone on the base scene it is an unknown key.
    axes = (
        "  - {key: key.modifier, name: box, values: [spot 8 cm 30°, bare]}\n"
        "  - {key: key.modifier.lens, name: lens, values: [6 cm, 10 cm]}\n"
    )
    _, variations = _planned(write_study(tmp_path, axes))
    assert [bool(variation.refused) for variation in variations] == [False, False, True, True]
    # In the other order it is the last combination that can hold it.
    _, variations = _planned(write_study(tmp_path, axes.replace("[spot 8 cm 30°, bare]", "[bare, spot 8 cm 30°]")))
    assert [bool(variation.refused) for variation in variations] == [True, True, False, False]


def test_a_value_that_no_axis_cures_is_told_after_some_tries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lengths = "  - {key: key.modifier, name: box, values: [bare]}\n  - {key: key.modifier.lens, values: [6 cm]}\n"
    many = "  - {key: key.place.bearing, range: {from: -50°, to: -30°, count: 400}}\n"
    tried: list[object] = []
    fault_of = sweep_variations._fault_of
    monkeypatch.setattr(sweep_variations, "_fault_of", lambda *given: tried.append(0) or fault_of(*given))
    with pytest.raises(SceneError, match=r"axes\[1\]\.values\[0\]"):
        _planned(write_study(tmp_path, lengths + many))
    assert len(tried) < 60


def test_what_a_lamp_file_refuses_is_told_and_stops_no_other(tmp_path: Path) -> None:
    path = write_study(tmp_path, "  - {key: rim.source.file, values: [good.ies, flat.ies]}\n")
    flash = "source: {kind: flash, energy: 400 W·s}\n    modifier: {kind: bare}"
    (tmp_path / "set.yaml").write_text(SCENE.replace(flash, "source: {kind: ies, file: good.ies}"), "utf-8")
    # The second lamp is a flat face that sends all its light along itself.
    head = "IESNA:LM-63-2002\n[TEST] none, invented\nTILT=NONE\n1 -1 1 3 1 1 2 0.3 0.3 0\n1 1 0\n"
    (tmp_path / "good.ies").write_text(f"{head}0 45 90\n0\n1000 700 0\n", "ascii")
    (tmp_path / "flat.ies").write_text(f"{head}0 89.999 90\n0\n0 0 1000\n", "ascii")
    _, (good, flat) = _planned(path)
    assert not good.refused and good.files == (("good.ies", (tmp_path / "good.ies").read_bytes()),)
    assert "in its lamp's own plane alone" in flat.refused and flat.id != good.id and not flat.text


def test_every_file_that_a_scene_names_travels_with_it(tmp_path: Path) -> None:
    named = (
        SCENE.replace("figure: simple", "figure: {file: her.obj, unit: m}")
        .replace(
            "{kind: paper, size: {width: 2.7 m, height: 2.9 m}",
            "{kind: image, file: wall.png, size: {width: 2.7 m, height: 2.9 m}",
        )
        .replace(
            "source: {kind: flash, energy: 400 W·s}\n    modifier: {kind: bare}", "source: {kind: ies, file: rim.ies}"
        )
    )
    for name in ("her.obj", "wall.png", "rim.ies"):
        (tmp_path / name).write_text(f"bytes of {name}", "ascii")
    scene = scene_from_text(named, "set.yaml", tmp_path)
    assert files_of_scene(scene) == tuple(
        (name, f"bytes of {name}".encode()) for name in ("her.obj", "wall.png", "rim.ies")
    )


def test_dials_colours_and_exposure_share_what_is_traced_and_emission_shares_geometry(tmp_path: Path) -> None:
    axes = (
        "  - {key: key.power, values: [1/1, 1/4]}\n"
        '  - {key: rim.color, values: [5600 K, "#ff8800"]}\n'
        "  - {key: camera.iso, values: [100, 200]}\n"
        "  - {key: key.modifier.grid, values: [20°, 40°]}\n"
        "  - {key: camera.aperture, values: [f/8, f/11]}\n"
    )
    _, variations = _planned(write_study(tmp_path, axes))
    # The aperture changes what is in focus, so it is geometry.
    assert len(variations) == 32 and len({variation.group for variation in variations}) == 2
    assert len({variation.emissions for variation in variations}) == 2
    assert len({variation.emissions[0] for variation in variations}) == 2
    assert len({variation.emissions[1] for variation in variations}) == 1
    assert len({variation.id for variation in variations}) == 32


def test_the_same_content_has_one_name_however_it_is_written(tmp_path: Path) -> None:
    _, by_part = _planned(write_study(tmp_path, "  - {key: key.power, values: [1/2, 1/4]}\n"))
    _, by_stops = _planned(write_study(tmp_path, "  - {key: key.power, name: dial, values: [-1 stop, -2 stops]}\n"))
    assert [variation.id for variation in by_part] == [variation.id for variation in by_stops]
    _, longer = _planned(write_study(tmp_path, "  - {key: key.power, values: [1/1, 1/4, 1/2]}\n"))
    assert {variation.id for variation in by_part} < {variation.id for variation in longer}


def test_too_many_variations_are_refused_before_they_are_laid_out(tmp_path: Path) -> None:
    many = "".join(
        f"  - {{key: key.place.{key}, range: {{from: {low}, to: {high}, count: 999}}}}\n"
        for key, low, high in (("distance", "1 m", "2 m"), ("bearing", "0°", "90°"))
    )
    with pytest.raises(HalfstopError, match="998001 variations; expected at most 10000"):
        _planned(write_study(tmp_path, many))
    # Few enough to be counted after the conditions, and too many then.
    fewer = many.replace("999", "101")
    with pytest.raises(HalfstopError, match="10201 variations; expected at most 10000"):
        _planned(write_study(tmp_path, fewer))


def test_progress_is_told_variation_by_variation(tmp_path: Path) -> None:
    study = load_study(write_study(tmp_path, distances(2)))
    told: list[float] = []
    variations_of(study, request_for(study, ("any",)), told.append)
    assert told == [0.25, 0.5, 0.75, 1.0]
