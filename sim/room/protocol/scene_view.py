"""The scene as a page draws it: every place, outline, number and word. Lengths are metres, angles degrees."""

from __future__ import annotations

from typing import Literal, NotRequired, TypeAlias

from pydantic import JsonValue
from typing_extensions import TypedDict

from sim.room.protocol.scene_choices import SceneChoices
from sim.room.way_back import Back

Row: TypeAlias = list[float]
Points: TypeAlias = list[list[float]]
Outlines: TypeAlias = list[Points] | tuple[Points, ...]
# A block in the form of the scene file.
JsonBlock: TypeAlias = dict[str, JsonValue]


class RoomWarning(TypedDict):
    """One warning: `level` "note", "caution" or "danger"; lights that are `warned` of, and all `lights` it names."""

    level: str
    text: str
    warned: list[str]
    lights: list[str]


# -- camera -----------------------------------------------------------------------------------


class Curve(TypedDict):
    """The curve that a picture is developed with."""

    shoulder: float
    saturation: float
    grey: float


class FilterChoice(TypedDict):
    """A filter over the whole picture, as weights of its channels."""

    name: str
    title: str
    rgb: Row


class Band(TypedDict):
    """One band of the map of exposure; the lowest has no lower end."""

    from_stops: float | None
    label: str
    colour: str


class BalanceTable(TypedDict):
    """White balance weights from `first_K` in steps of `step_K`."""

    first_K: int
    step_K: int
    rgb: list[Row]


class Developing(TypedDict):
    """What of developing no scene changes."""

    luminance: Row
    curve: Curve
    filters: list[FilterChoice]
    bands: list[Band]
    balance: BalanceTable
    constants: dict[str, float]


class Exposure(Developing):
    """The camera's exposure as text (aperture, shutter, iso) and as numbers; `grey_scale` with the white balance."""

    aperture: str
    shutter: str
    iso: str
    f_number: float
    shutter_s: float
    iso_value: float
    white_balance_K: float
    stops_from_file: float
    display_scale: float
    white_balance_rgb: Row
    grey_scale: Row


class CameraTexts(TypedDict):
    """The camera in words."""

    lens: str
    place: str
    focus: str


class CameraView(TypedDict):
    """The camera; `around` whether its place is said as a bearing."""

    position_m: Row
    aim_m: Row
    aim: str | Row
    around: bool
    up: Row
    focal_length_mm: float
    sensor_mm: Row
    orientation: str
    fov_deg: Row
    aspect: float
    focus_m: Row
    focus_distance_m: float
    f_number: float
    block: JsonBlock
    texts: CameraTexts
    movable: bool


# -- room, backdrop, sitter -------------------------------------------------------------------


class RoomView(TypedDict):
    """The room by two corners; `open`: outdoors, where they are those of the ground that is drawn."""

    low_m: Row
    high_m: Row
    open: bool
    block: JsonBlock


class BackdropView(TypedDict):
    """The backdrop."""

    kind: str
    z_m: float
    centre_m: Row
    width_m: float
    height_m: float
    color: str | None
    text: str
    block: JsonBlock
    movable: bool
    hint: str


class SitterTexts(TypedDict):
    """The sitter in words."""

    figure: str


class SitterView(TypedDict):
    """The sitter; `outline_names` of the outlines from above; `parts` places by name."""

    step_m: Row
    turn_deg: float
    head_turn_deg: float
    head_nod_deg: float
    head_tilt_deg: float
    stature_m: float | None
    posture: str
    outline_top: list[Points]
    outline_names: list[str]
    outline_side: list[Points]
    outline_front: list[Points]
    parts: dict[str, Row]
    block: JsonBlock
    texts: SitterTexts
    movable: bool


# -- lights, panels, meters -------------------------------------------------------------------


class Dial(TypedDict):
    """How far a light's dial turns."""

    lowest_stops: float
    step_stops: float


class LightWords(TypedDict):
    """A light in words."""

    source: str
    modifier: str
    place: str
    power: str
    gels: NotRequired[str]


class LightFields(TypedDict):
    """What every light has, an even light of the room too; its picture holds while the number `layer` stays."""

    name: str
    number: int
    colour: str
    is_room: bool
    is_flash: bool
    muted: bool
    power_stops: float
    power_text: str
    weight_rgb: Row
    layer: int
    block: JsonBlock


class LampFields(TypedDict):
    """What a lamp and its modifier are."""

    source: JsonBlock
    modifier: JsonBlock
    grid: JsonValue
    gels: list[JsonBlock]
    dial: Dial | None


class PlaceFields(TypedDict):
    """Where a light stands, None where it has no place.

    `shape_top` holds x and z, `shape_side` z and y, `shape_front` x and y around `position_m` with the light turned as
    it stands; the last outline is a luminous face. `beam_deg` across and up.
    """

    stand: str
    position_m: Row | None
    aim_m: Row | None
    aim: str | Row | None
    movable: bool
    hint: str
    around: NotRequired[bool]
    bearing_deg: NotRequired[float]
    distance_m: NotRequired[float]
    height_m: NotRequired[float]
    aim_distance_m: NotRequired[float]
    tilt_deg: NotRequired[float]
    azimuth_deg: NotRequired[float]
    beam_deg: NotRequired[Row]
    size_m: NotRequired[Row]
    shape_top: NotRequired[Outlines]
    shape_side: NotRequired[Outlines]
    shape_front: NotRequired[Outlines]


class LightView(LightFields, LampFields, PlaceFields):
    """A light."""

    words: LightWords


class PanelWords(TypedDict):
    """A panel in words."""

    kind: str
    place: str


class PanelView(TypedDict):
    """A panel; its shapes as a light's."""

    name: str
    index: int
    kind: str
    surface: str
    transmission: float | None
    angle_deg: float | None
    position_m: Row
    aim_m: Row
    aim: str | Row
    around: bool
    width_m: float
    height_m: float
    shape_top: Outlines
    shape_side: Outlines
    shape_front: Outlines
    words: PanelWords
    block: JsonBlock
    movable: bool


class MeterView(TypedDict):
    """A meter point of the scene: `at` the part's name or "point"."""

    name: str
    kind: str
    at: str
    at_m: Row
    block: JsonBlock


class DocumentView(TypedDict):
    """The open document; `trouble` a line where changes cannot be kept; `safety` the line of every set."""

    type: Literal["state"]
    revision: int
    geometry: int
    file: str
    title: str
    saved: bool
    can_undo: bool
    can_redo: bool
    undo_text: str
    redo_text: str
    trouble: str
    tour: bool
    safety: str
    exposure: Exposure
    camera: CameraView
    room: RoomView
    backdrop: BackdropView | None
    sitter: SitterView
    lights: list[LightView]
    panels: list[PanelView]
    meters: list[MeterView]
    choices: SceneChoices
    warnings: list[RoomWarning]


class State(DocumentView):
    """The scene as it stands, and where it is open: `example` whether the file comes with the program, `set` an id of
    this set as long as it is open, `back` how a page that loses its server finds the next one.

    `checked_by` what the checks depend on, to tell whether those that came hold; `looked_over` whether the warnings
    of this set-up are in it, or those of the one before, less what spoke of a light that is gone.
    """

    checked_by: str
    looked_over: bool

    address: str
    set: str
    back: Back
    example: bool
