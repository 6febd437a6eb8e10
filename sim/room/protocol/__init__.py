"""What the room and its page say to each other: one union of messages each way, told apart by their `type`.

`requests` holds what a page asks, models that refuse what they do not know. `messages` holds what the room tells its
pages, with `scene_view` for the scene as a page draws it and `scene_choices` for what a person may choose. A request is
answered by one message in its own tab, "done" or "refused"; what it changed is told to every tab before that. What the
start page shows is `Home`, in `sim.room.home.shelf`.
"""

from __future__ import annotations

from pydantic import ConfigDict, JsonValue, TypeAdapter

from sim.room.home.shelf import Home
from sim.room.protocol.messages import Message
from sim.room.protocol.requests import Request

MESSAGES: TypeAdapter[Message] = TypeAdapter(Message, config=ConfigDict(extra="forbid"))
HOME: TypeAdapter[Home] = TypeAdapter(Home)
REQUESTS: TypeAdapter[Request] = TypeAdapter(Request)


def schema() -> dict[str, JsonValue]:
    """JSON Schema of both directions: its $defs hold `Request`, `Message`, `Home` and all that they are made of."""
    refs, whole = TypeAdapter.json_schemas(
        [("Request", "validation", REQUESTS), ("Message", "serialization", MESSAGES), ("Home", "serialization", HOME)],
        title="The room and its page",
    )
    # A union has no definition of its own yet; `Home` has.
    unions: dict[str, JsonValue] = {str(key): dict(ref) for (key, _), ref in refs.items() if key not in whole["$defs"]}
    return {**whole, "$defs": {**whole["$defs"], **unions}}
