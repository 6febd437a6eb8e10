"""What the room and its page say to each other: every request has its handler, and what is no request is refused."""

from __future__ import annotations

import json
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.room.document.edits import Edit
from sim.room.handlers import HANDLERS
from sim.room.protocol import MESSAGES, requests, schema
from sim.room.protocol.messages import Message, refusal
from sim.room.protocol.requests import RequestError, lights_from_edits, request_from_text


def test_every_request_has_its_handler() -> None:
    assert set(HANDLERS) == set(get_args(get_args(requests.Request)[0]))


def test_the_schema_holds_both_directions() -> None:
    whole = json.loads(json.dumps(schema()))
    Draft202012Validator.check_schema(whole)
    definitions = whole["$defs"]
    for name, union in (("Request", requests.Request), ("Message", Message)):
        assert len(definitions[name]["discriminator"]["mapping"]) == len(get_args(get_args(union)[0]))
        for ref in definitions[name]["discriminator"]["mapping"].values():
            own = definitions[ref.removeprefix("#/$defs/")]
            # What is not written down is not said.
            assert own["additionalProperties"] is False and own["properties"]["type"]["const"], ref
    edits = definitions["EditScene"]["properties"]["edits"]["items"]
    assert len(edits["discriminator"]["mapping"]) == len(get_args(Edit))


@pytest.mark.parametrize(
    ("text", "number", "part"),
    [
        ("[", None, "this is no message; expected an object of JSON"),
        ('{"type": "fly", "id": 7}', 7, "something the room does not know; load the page again"),
        ('{"type": "save", "id": "a", "quickly": true}', "a", 'this page says "quickly"'),
        ('{"type": "save", "force": 1}', None, 'got "1" for force'),
        ('{"type": "undo", "id": true, "twice": 1}', None, 'this page says "twice"'),
        ('{"type": "export", "id": 1, "what": "plan", "size_px": 63}', 1, "expected a long side of 64 to 4000 pixels"),
        ('{"type": "drop_version", "id": 1}', 1, "got nothing for version; expected the number of a kept version"),
        ('{"type": "edit", "id": 3, "edits": [{"op": "fly"}]}', 3, 'there is no change "fly"'),
    ],
)
def test_what_is_no_request_is_refused_in_one_line(text: str, number: object, part: str) -> None:
    with pytest.raises(RequestError) as caught:
        request_from_text(text)
    assert caught.value.id == number and part in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("error", "fields"),
    [
        (SceneError("a.yaml", 3, "camera.iso", 'got "x"', "a number", "write 100"),
         ("camera.iso", 'got "x"', "a number", "write 100")),
        (UnitError('got "x"', "stops", "write -1"), ("", 'got "x"', "stops", "write -1")),
        (HalfstopError("there is nothing to undo"), ("", "there is nothing to undo", "", "")),
    ],
)  # fmt: skip
def test_a_refusal_keeps_what_was_wrong_apart_from_its_cure(error: HalfstopError, fields: tuple[str, ...]) -> None:
    message = refusal(4, error)
    assert tuple(message[key] for key in ("key", "what", "expected", "cure")) == fields
    assert MESSAGES.validate_python(message) == message


def test_the_lights_of_edits_are_traced_first() -> None:
    edits: list[dict[str, Any]] = [
        {"op": "set", "path": ["lights", "key", "power"], "value": "1/2"},
        {"op": "set", "path": ["camera", "iso"], "value": 100},
        {"op": "move", "what": ["light", "fill"], "to_m": [0, 1, 2]},
        {"op": "copy_light", "name": "key", "as": "rim"},
        {"op": "unset", "path": ["lights", "key", "gels"]},
    ]
    request = request_from_text(json.dumps({"type": "edit", "edits": edits}))
    assert isinstance(request, requests.EditScene)
    assert lights_from_edits(request.edits) == ("key", "fill", "rim")
