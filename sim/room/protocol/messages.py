"""What the room tells its pages: plain dicts, each of a type that says its keys."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, JsonValue
from typing_extensions import TypedDict

from sim.metering.lighting_ratio import AloneAtFace
from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.room.protocol.requests import PaneName, PaneSize, RequestId
from sim.room.protocol.scene_view import Exposure, RoomWarning, Row, State

# -- answers ----------------------------------------------------------------------------------


class Done(TypedDict):
    """A request was done."""

    type: Literal["done"]
    id: RequestId


class Refused(TypedDict):
    """A request was refused and changed nothing: the `key` in the scene it is about, the fault, and how to mend it."""

    type: Literal["refused"]
    id: RequestId
    key: str
    what: str
    expected: str
    cure: str


def refusal(id: RequestId, error: HalfstopError) -> Refused:
    """The answer that refuses a request for a fault."""
    match error:
        case SceneError():
            key, what, expected, cure = error.key, error.what, error.expected, error.cure
        case UnitError():
            key, what, expected, cure = "", error.what, error.expected, error.cure
        case _:
            key, what, expected, cure = "", str(error), "", ""
    return {"type": "refused", "id": id, "key": key, "what": what, "expected": expected, "cure": cure}


# -- picture ----------------------------------------------------------------------------------


class Painting(TypedDict):
    """How far the picture is: `pass_name` "first", "settled", "meters", "checks" or "failed", `part` of it 0 to 1."""

    type: Literal["painting"]
    serial: int
    revision: int
    pass_name: str
    part: float
    done: bool


class LayerScales(TypedDict):
    """What the stored layers have to be multiplied by, in layer order."""

    view: list[float]
    raw: list[float]


class Sight(TypedDict):
    """The camera that a frame was seen through: axes, and half of the picture at distance 1."""

    position_m: Row
    right: Row
    up: Row
    forward: Row
    half_width: float
    half_height: float


class Frame(TypedDict):
    """A picture to fetch, see `sim.room.preview.frame`: `serial` for its addresses, `request` that of the request."""

    type: Literal["frame"]
    serial: int
    request: int
    revision: int
    geometry: int
    pass_name: str
    width: int
    height: int
    names: list[str]
    is_flash: list[bool]
    scale: LayerScales
    fresh: list[str]
    coarse: list[str]
    stale: list[str]
    regions: list[str]
    samples: list[int]
    camera: Sight


class Live(TypedDict):
    """Layers of moved lights while a hand drags: they take the place of those in the last picture.

    Sent as bytes with the layers behind it, see `Packed`. `serial` to answer by once it is drawn; `frame` the picture
    that they go with; `is_rough` whether the bounce is that of before.
    """

    type: Literal["live"]
    serial: int
    frame: int
    revision: int
    geometry: int
    width: int
    height: int
    names: list[str]
    scale: list[float]
    is_rough: bool


@dataclass(frozen=True)
class Packed:
    """Layers on their way to a page: what they are, and float16 little-endian, row by row from the top, RGB."""

    told: Live
    layers: bytes = field(repr=False)

    def packed(self) -> bytes:
        """One message: length of the JSON (uint32, little-endian), the JSON with spaces to a whole of four, layers."""
        head = json.dumps(self.told, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")
        head += b" " * (-len(head) % 4)
        return b"".join((len(head).to_bytes(4, "little"), head, self.layers))


class Hand(TypedDict):
    """Whether the set can stand as a hand holds it: the line that the edit would be refused with, or an empty text.

    Told when it changes.
    """

    type: Literal["hand"]
    what: str
    cure: str


class Failed(TypedDict):
    """The picture could not be made: the line that says why."""

    type: Literal["failed"]
    serial: int
    revision: int
    text: str


# -- readings ---------------------------------------------------------------------------------


class MeterPoint(TypedDict):
    """A point that is read, with what each light alone gives there at full dial; `spot` what a spot meter reads."""

    name: str
    label: str
    part: str
    kind: str
    own: bool
    standard: bool
    constant: float
    at_m: Row
    per_light: dict[str, Row]
    stderr: dict[str, float]
    spot: dict[str, Row] | None


class Key(TypedDict):
    """Which light is the key, and the cheeks as it sees them."""

    light: str
    lit_cheek: str
    shadow_cheek: str
    alike: bool
    chosen_by_user: bool


class NoseShadowView(TypedDict):
    """What the key draws on the face, in the words of `sim.advice.checks.shadow_words`; `side` may be empty."""

    light: str
    pattern: str
    side: str
    lit_side: str
    name: str


class Meters(TypedDict):
    """What the meters read; `is_rough` while a hand drags: from few rays, with what is not known in the errors.

    `nose_shadow` of the key, None where there is none, or a hand drags.
    """

    type: Literal["meters"]
    revision: int
    geometry: int
    points: list[MeterPoint]
    key: Key
    alone: dict[str, AloneAtFace]
    nose_shadow: NoseShadowView | None
    is_rough: bool


class CheckLine(TypedDict):
    """A line of the checks, and the lights that it names."""

    text: str
    lights: list[str]


class Checks(TypedDict):
    """What the checks of the picture say of the set-up with this `checked_by`; they hold while the state has it too."""

    type: Literal["checks"]
    revision: int
    checked_by: str
    warnings: list[RoomWarning]
    lines: list[tuple[str, list[CheckLine]]]


class TargetOutcome(TypedDict):
    """What becomes of one target with the dials that were found."""

    point: str
    wanted: str
    reads: str
    f_number: float
    off_stops: float | None
    before_stops: float | None
    stderr_stops: float | None
    met: bool
    reasons: list[str]


class DialMove(TypedDict):
    """How far one dial turns; `fixed` why it may not."""

    light: str
    before_stops: float
    after_stops: float
    change_stops: float
    before_text: str
    after_text: str
    fixed: str


class DialsFound(TypedDict):
    """The dials that come nearest to the targets."""

    reference: str
    reference_text: str
    outcomes: list[TargetOutcome]
    moves: list[DialMove]
    feasible: bool
    text: list[str]
    definition: str


class Targets(DialsFound):
    """The same, as the answer to a request."""

    type: Literal["wishes"]
    id: RequestId
    revision: int


# -- versions, library, exports ---------------------------------------------------------------


class VersionFacts(TypedDict):
    """What a page mixes a kept version by."""

    revision: int
    geometry: int
    weights: dict[str, Row]
    muted: list[str]
    exposure: Exposure


class KeptVersion(VersionFacts):
    """A kept version; without a picture where that is lost."""

    id: int
    title: str
    serial: int | None
    frame: Frame | None


class Versions(TypedDict):
    """All kept versions."""

    type: Literal["versions"]
    versions: list[KeptVersion]
    most: int


class LibraryEntry(TypedDict):
    """A modifier of the library."""

    id: str
    group: str
    title: str
    text: str
    block: dict[str, JsonValue]
    ready: bool
    url: str


class Library(TypedDict):
    """The library of modifiers."""

    type: Literal["library"]
    modifiers: list[LibraryEntry]


class Thumbnail(TypedDict):
    """The picture of a modifier is there."""

    type: Literal["thumbnail"]
    modifier: str
    url: str


class ExportFile(TypedDict):
    """A file that was exported."""

    name: str
    url: str


class Export(TypedDict):
    """How far an export is; in the end its files or the line that ended it."""

    type: Literal["export"]
    id: int
    what: str
    title: str
    step: str
    part: float
    folder: str
    error: str | None
    done: bool
    files: list[ExportFile]


class Table(TypedDict):
    """How the panes were left: the folded ones, and sizes that were set by hand."""

    type: Literal["table"]
    folded: list[PaneName]
    sizes: dict[PaneSize, float]


# -- the file ---------------------------------------------------------------------------------


class Saved(TypedDict):
    """The file was written."""

    type: Literal["saved"]
    path: str


class Disk(TypedDict):
    """How the file on disk stands: "same", "changed", "gone" or "bad", and a line for people."""

    type: Literal["disk"]
    what: str
    text: str


class Recovered(TypedDict):
    """Changes of an earlier session that never reached the file: the question to ask."""

    type: Literal["recovered"]
    text: str


_Message: TypeAlias = (
    State | Painting | Frame | Live | Hand | Failed | Meters | Checks | Targets | Versions | Library | Thumbnail
    | Export | Table | Saved | Disk | Recovered | Done | Refused
)  # fmt: skip
Message: TypeAlias = Annotated[_Message, Field(discriminator="type")]
