"""What a page may ask of the room, each request a model; what is malformed is refused in one plain line."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Annotated, Literal, TypeAlias

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    TypeAdapter,
    ValidationError,
)

from sim.quantities.errors import HalfstopError, UnitError, quoted
from sim.room.document.edits import (
    MOST_EDITS,
    AddLight,
    Aim,
    CopyLight,
    Edit,
    Move,
    RenameLight,
    SetValue,
    Unset,
    edits_from_data,
)
from sim.room.document.poses import Pose

MOST_TARGETS = 24
# Things that a hand holds at once.
MOST_POSES = 16
# Bounds of a picture's long side as a page may ask for it: a thumb's width, and what still settles in a minute or so.
LEAST_PICTURE_PX, MOST_PICTURE_PX = 60, 1600
MOST_PANE_PX = 4000

TaggedEdit: TypeAlias = Annotated[Edit, Field(discriminator="op")]
TaggedPose: TypeAlias = Annotated[Pose, Field(discriminator="op")]
Edits: TypeAlias = Annotated[
    tuple[TaggedEdit, ...], BeforeValidator(edits_from_data), Field(min_length=1, max_length=MOST_EDITS)
]
RequestId: TypeAlias = StrictInt | StrictStr | None


class _Request(BaseModel):
    """`id` comes back with the answer."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: RequestId = None


class EditScene(_Request):
    """Change the scene by edits, all or none, as one step of undo; those of one gesture `merge` into one step."""

    type: Literal["edit"]
    edits: Annotated[
        tuple[TaggedEdit, ...], BeforeValidator(edits_from_data), Field(min_length=1, max_length=MOST_EDITS)
    ]
    merge: StrictStr | StrictInt | None = None


class FollowHand(_Request):
    """Show things where a hand holds them, and change nothing: the newest of these counts, and none is answered."""

    type: Literal["hand"]
    poses: Annotated[tuple[TaggedPose, ...], Field(min_length=1, max_length=MOST_POSES)]


class LetGo(_Request):
    """The hand has let go and changed nothing: show the set as it stands. Not answered."""

    type: Literal["let_go"]


class Drawn(_Request):
    """The live picture with this serial has been drawn: another may come. Not answered."""

    type: Literal["drawn"]
    serial: StrictInt


class Undo(_Request):
    """Take the last step back."""

    type: Literal["undo"]


class Redo(_Request):
    """Do the last step that was taken back once more."""

    type: Literal["redo"]


class Save(_Request):
    """Write the file; `force` over what another program wrote."""

    type: Literal["save"]
    force: StrictBool = False


class SaveAs(_Request):
    """Write another file and go on with it; `force` over one that is there."""

    type: Literal["save_as"]
    path: StrictStr
    force: StrictBool = False


class Reload(_Request):
    """Take the file as it is on disk."""

    type: Literal["reload"]


class TargetRow(BaseModel):
    """What one point should read: stops from the reference or an f-number, as a number or in words."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    point: StrictStr
    stops: float | StrictStr | None = None
    f_number: float | StrictStr | None = None
    reference: StrictStr | None = None


class FindDials(_Request):
    """Find the dials that come nearest to the targets; lights in `locked` keep theirs."""

    type: Literal["wish"]
    wishes: Annotated[tuple[TargetRow, ...], Field(min_length=1, max_length=MOST_TARGETS)]
    reference: StrictStr | None = None
    locked: tuple[StrictStr, ...] = ()


class TakeDials(_Request):
    """Set the dials that were found last."""

    type: Literal["take_wishes"]


class KeepVersion(_Request):
    """Keep the scene as it stands, to compare with."""

    type: Literal["keep_version"]
    title: StrictStr | None = None


class NameVersion(_Request):
    """Give a kept version another title."""

    type: Literal["name_version"]
    version: StrictInt
    title: StrictStr


class DropVersion(_Request):
    """Let a kept version go."""

    type: Literal["drop_version"]
    version: StrictInt


class RestoreVersion(_Request):
    """Go back to a kept version, as one step of undo."""

    type: Literal["restore_version"]
    version: StrictInt


class BeginExport(_Request):
    """Write an export of the scene as it stands; `size_px` the long side, `samples` rays per pixel."""

    type: Literal["export"]
    what: StrictStr
    draft: StrictBool = False
    size_px: Annotated[StrictInt, Field(ge=64, le=4000)] | None = None
    samples: StrictInt | None = None


class CancelExport(_Request):
    """End an export that is under way."""

    type: Literal["cancel_export"]
    export: StrictInt


class TakeRecovery(_Request):
    """Bring back what an earlier session left."""

    type: Literal["take_recovery"]


class DiscardRecovery(_Request):
    """Let go of what an earlier session left."""

    type: Literal["discard_recovery"]


class ShowLibrary(_Request):
    """Send the library of modifiers, and make its pictures now."""

    type: Literal["library"]


class LookAt(_Request):
    """Trace this light first from now on; None for no one of them."""

    type: Literal["look"]
    light: StrictStr | None = None


class TraceFiner(_Request):
    """Trace the same picture finer."""

    type: Literal["settle"]


class PictureSize(_Request):
    """Trace the picture as large as this tab shows it: its long side in pixels of the screen."""

    type: Literal["picture_size"]
    long_side_px: Annotated[StrictInt, Field(ge=LEAST_PICTURE_PX, le=MOST_PICTURE_PX)]


PaneName: TypeAlias = Literal["plan", "side", "lights", "slip", "readings"]
# Widths of the columns beside the picture, the height of the readings, and the plan's share of its column.
PaneSize: TypeAlias = Literal["left_px", "right_px", "readings_px", "plan_part"]
PaneSizes: TypeAlias = dict[PaneSize, Annotated[float, Field(ge=0, le=MOST_PANE_PX)]]


class KeepTable(_Request):
    """Keep how the table is laid for the next time: the panes that are folded, and the sizes that were set by hand."""

    type: Literal["keep_table"]
    folded: tuple[PaneName, ...]
    sizes: PaneSizes


class EndTour(_Request):
    """Do not offer the tour again."""

    type: Literal["tour_done"]


_Requests: TypeAlias = (
    EditScene | FollowHand | LetGo | Drawn
    | Undo | Redo | Save | SaveAs | Reload | FindDials | TakeDials | KeepVersion | NameVersion | DropVersion
    | RestoreVersion | BeginExport | CancelExport | TakeRecovery | DiscardRecovery | ShowLibrary | LookAt
    | TraceFiner | PictureSize | KeepTable | EndTour
)  # fmt: skip
Request: TypeAlias = Annotated[_Requests, Field(discriminator="type")]
UNANSWERED = (FollowHand, LetGo, Drawn)
_READ: TypeAdapter[Request] = TypeAdapter(Request)
# What each field of a request should have been, for who sees the page alone.
EXPECTED = {
    "wishes": f"1 to {MOST_TARGETS} points, each with stops or an f-number",
    "path": 'a name for the file, such as "my-portrait.yaml"',
    "size_px": "a long side of 64 to 4000 pixels",
    "samples": "a number of rays per pixel",
    "long_side_px": f"a long side of {LEAST_PICTURE_PX} to {MOST_PICTURE_PX} pixels",
    "folded": "names of panes",
    "sizes": f"sizes of panes, 0 to {MOST_PANE_PX}",
    "version": "the number of a kept version",
    "export": "the number of an export",
    "what": "the name of an export",
}


def request_from_text(text: str) -> Request:
    """The request of a message of JSON; raises `RequestError` for what is none."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise RequestError(None, UnitError("this is no message", "an object of JSON", "load the page again"))
    number = data.get("id")
    # What cannot be written as text cannot be sent back either.
    if not isinstance(number, (int, str)) or isinstance(number, bool) or not str(number).isprintable():
        number = None
    try:
        return _READ.validate_python({**data, "id": number})
    except HalfstopError as error:
        raise RequestError(number, error) from None
    except ValidationError as error:
        raise RequestError(number, _fault(error)) from None
    except RecursionError:
        fault = UnitError("this is nested too deeply", "plain values", "write it simpler")
        raise RequestError(number, fault) from None


class RequestError(HalfstopError):
    """A message that is no request: the `id` to answer it by, and its `fault`."""

    def __init__(self, id: RequestId, fault: HalfstopError) -> None:
        super().__init__(str(fault))
        self.id, self.fault = id, fault


def _fault(error: ValidationError) -> UnitError:
    first = error.errors(include_url=False)[0]
    if first["type"] in ("union_tag_invalid", "union_tag_not_found"):
        what = "this page asks for something the room does not know"
        return UnitError(what, cure="load the page again")
    # Lead with the request's own field: the rest tells which of its forms failed.
    _, name, *_ = (*map(str, first["loc"]), "", "")
    if first["type"] == "extra_forbidden":
        return UnitError(f"this page says {quoted(name)}, which the room does not know", cure="load the page again")
    got = "nothing" if first["type"] == "missing" else quoted(first["input"])
    return UnitError(f"got {got} for {name.replace('_', ' ')}", EXPECTED.get(name, "another value"), "do it again")


def gesture_from_request(request: EditScene, tab_number: int) -> str | None:
    """Name of the gesture that edits belong to, or None; two tabs' gestures stay apart."""
    return None if request.merge in (None, "") else f"{tab_number}:{request.merge}"


def lights_from_edits(edits: Sequence[Edit | Pose]) -> tuple[str, ...]:
    """Names of the lights that edits touch, each once."""
    names: list[str] = []
    for edit in edits:
        match edit:
            case SetValue(path=("lights", name, *_)) | Unset(path=("lights", name, *_)):
                names.append(str(name))
            case Move(what=("light", name)) | Aim(what=("light", name)) | AddLight(name=name):
                names.append(name)
            case CopyLight(copy_name=name) | RenameLight(to=name):
                names.append(name)
    return tuple(dict.fromkeys(names))
