"""The JSON Schema for editors takes the good scenes, refuses bad ones and tells about every key."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from sim.scene.model import scene_schema

ROOT = Path(__file__).parents[2]
GOOD = [*sorted((ROOT / "scenes").glob("*.yaml")), ROOT / "tests" / "scene" / "malformed" / "base.yaml"]
BASE = GOOD[-1].read_text(encoding="utf-8")
SCHEMA = scene_schema()
CHECK = jsonschema.Draft202012Validator(SCHEMA)


def test_schema_is_itself_valid() -> None:
    # Judged by the meta-schema of JSON Schema draft 2020-12 that the reference library holds.
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_good_scenes_pass(path: Path) -> None:
    assert [error.message for error in CHECK.iter_errors(yaml.safe_load(path.read_text(encoding="utf-8")))] == []


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("front: 6 m", "front: 6", "$.room"),
        ("front: 6 m", "front: 6 kg", "$.room"),
        ("walls: 0.5", "walls: 1.2", "$.room"),
        ("aperture: f/8", "aperture: 8", "$.camera.aperture"),
        ("aperture: f/8", "apperture: f/8", "$.camera"),
        ("1/160 s", "1/160", "$.camera.shutter"),
        ("turn: -25°", "turn: -25", "$.sitter.turn"),
        ("kind: softbox", "kind: softbocks", "$.lights.key.modifier"),
        ("power: 1/4", "power: 0.25", "$.lights.key.power"),
        ("  hair light:", "  Hair:", "$.lights"),
        ("title: Base for the malformed scenes", "title: 2026", "$.title"),
        ("halfstop: 1\n", "", "$"),
        ("aim: chest", "aim: tummy", "$.camera.aim"),
        ('"#6b6560"', "6b6560", "$.backdrop"),
        ("[0 m, 1.4 m, 4 m]", "[0 m, 1.4 m]", "$.camera.place"),
        ("mute: false", 'mute: "off"', "$['lights']['hair light']['mute']"),
        ("depth: 5", "depth: 5.5", "$.render.depth"),
    ],
)
def test_bad_scenes_are_refused(old: str, new: str, place: str) -> None:
    assert old in BASE
    errors = [error.json_path for error in CHECK.iter_errors(yaml.safe_load(BASE.replace(old, new, 1)))]
    plain = place.replace("['", ".").replace("']", "")
    assert any(path.replace("['", ".").replace("']", "") == plain for path in errors), errors


def properties(part: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(part, dict):
        yield from part.get("properties", {}).items()
        for value in part.values():
            yield from properties(value)
    elif isinstance(part, list):
        for value in part:
            yield from properties(value)


def test_every_key_has_a_title_and_a_description() -> None:
    told = list(properties(SCHEMA))
    assert len(told) > 100
    for name, entry in told:
        assert len(entry.get("description", "")) > 5, name
        assert entry.get("title") or "$ref" in entry, name


def test_every_plain_value_has_an_example_or_a_choice() -> None:
    for name, entry in properties(SCHEMA):
        if entry.get("type") in ("string", "number", "integer"):
            assert {"examples", "enum", "const"} & set(entry), name


def test_examples_and_defaults_fit_their_own_schema() -> None:
    count = 0
    for name, entry in properties(SCHEMA):
        whole = {**entry, "$defs": SCHEMA["$defs"]}
        values = [*entry.get("examples", []), *([entry["default"]] if "default" in entry else [])]
        for value in values:
            faults = [fault.message for fault in jsonschema.Draft202012Validator(whole).iter_errors(value)]
            assert not faults, (name, value, faults)
            count += 1
    assert count > 150


def test_schema_holds_no_null_and_is_plain_json() -> None:
    assert '"null"' not in json.dumps(SCHEMA) and json.loads(json.dumps(SCHEMA)) == SCHEMA
