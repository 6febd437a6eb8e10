"""Room, camera and the whole scene."""

import math
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, PrivateAttr, Tag, model_validator

from sim.quantities.errors import UnitError, quoted
from sim.scene.model.block import Block, BlockFault
from sim.scene.model.fields import FilmSpeed, Kelvin, Number, Reflectance, aperture, length, shutter
from sim.scene.model.lights import Ambient, Light, LightName, Meter, MeterName, Panel, PanelName
from sim.scene.model.places import PARTS, Place, Target
from sim.scene.model.sitter import NOBODY, Backdrop, NoBackdrop, Sitter, WallBackdrop
from sim.scene.model.words import Choice, Text

ROOM_EXAMPLE = {"width": "6 m", "height": "3 m", "length": "9 m"}


class RoomSize(Block):
    """Inside measures of the room."""

    width_m: Annotated[float, length(2.0, 60.0)] = Field(alias="width", description="Along x.", examples=["6 m"])
    height_m: Annotated[float, length(2.0, 20.0)] = Field(alias="height", description="Upward.", examples=["3.2 m"])
    length_m: Annotated[float, length(2.0, 90.0)] = Field(alias="length", description="Along z.", examples=["9 m"])


def _default_front(data: dict[str, object]) -> float:
    size = data.get("size")
    return max(size.length_m - 3.0, 0.5 * size.length_m) if isinstance(size, RoomSize) else 6.0


class Room(Block):
    """The studio: a box, centred on the mark from side to side."""

    size: RoomSize = Field(description="Inside measures.", examples=[ROOM_EXAMPLE])
    front_m: Annotated[float, length(0.5, 90.0)] = Field(
        default_factory=_default_front,
        alias="front",
        examples=["6 m"],
        description="From the mark to the wall behind the camera; default: all but 3 m of the length.",
    )
    walls: Reflectance = Field(default=0.5, description="Diffuse reflectance.", examples=[0.5])
    ceiling: Reflectance = Field(default=0.7, description="Diffuse reflectance.", examples=[0.7])
    floor: Reflectance = Field(default=0.2, description="Diffuse reflectance.", examples=[0.2])

    @property
    def is_open(self) -> bool:
        """Whether there are no walls and no ceiling."""
        return False

    @property
    def low_corner_m(self) -> tuple[float, float, float]:
        """Corner with the smallest x, y, z."""
        return (-self.size.width_m / 2, 0.0, self.front_m - self.size.length_m)

    @property
    def high_corner_m(self) -> tuple[float, float, float]:
        """Corner with the largest x, y, z."""
        return (self.size.width_m / 2, self.size.height_m, self.front_m)

    def holds(self, width_m: float, height_m: float) -> bool:
        """Whether something flat of these sides could be in the room, turned and tilted as it may be.

        >>> Room.model_validate({"size": {"width": "3 m", "height": "2.4 m", "length": "9 m"}}).holds(4.9, 4.9)
        False
        """
        shortest, middle, longest = sorted((self.size.width_m, self.size.height_m, self.size.length_m))
        slant_m = math.hypot(shortest, middle)
        return min(width_m, height_m) <= slant_m and max(width_m, height_m) <= math.hypot(slant_m, longest)


class Outdoors(Block):
    """No room: level ground under an open sky, dark unless an ambient light is even.

    Does not: reach further than a set does. What stands there lies within 30 m to either side of the mark, 45 m before
    and behind it and 20 m above it, where the ground ends too.
    """

    kind: Literal["outdoors"] = Field(description="No walls and no ceiling.", examples=["outdoors"])
    ground: Reflectance = Field(
        default=0.2,
        description="Diffuse reflectance of the ground: grass and tarmac about 0.2, dry sand 0.4.",
        examples=[0.2],
    )

    @property
    def is_open(self) -> bool:
        """Whether there are no walls and no ceiling."""
        return True

    @property
    def low_corner_m(self) -> tuple[float, float, float]:
        """Corner with the smallest x, y, z that something may stand at."""
        return (-30.0, 0.0, -45.0)

    @property
    def high_corner_m(self) -> tuple[float, float, float]:
        """Corner with the largest x, y, z that something may stand at."""
        return (30.0, 20.0, 45.0)

    def holds(self, width_m: float, height_m: float) -> bool:
        """Whether something flat of these sides has a place: there is always room."""
        return True


OUTDOORS = "outdoors"


def _block_from_word(value: object) -> object:
    if isinstance(value, str):
        if value.strip().lower() == OUTDOORS:
            return {"kind": OUTDOORS}
        raise UnitError(f"got {quoted(value)}", f"a block with size, or {OUTDOORS}", f'write "{OUTDOORS}"')
    if isinstance(value, dict) and value.get("kind", OUTDOORS) != OUTDOORS:
        raise BlockFault(("kind",), f"got {quoted(value['kind'])}", f"{OUTDOORS}, or no kind and a size", "remove it")
    return value


def _room_kind(value: object) -> str:
    return OUTDOORS if isinstance(value, Outdoors) or (isinstance(value, dict) and "kind" in value) else "room"


AnyRoom = Annotated[
    Annotated[Room, Tag("room")] | Annotated[Outdoors, Tag(OUTDOORS)],
    Discriminator(_room_kind),
    BeforeValidator(_block_from_word, json_schema_input_type=Room | Outdoors | Literal["outdoors"]),
]


class Sensor(Block):
    """The sensor as its long side lies."""

    width_m: Annotated[float, length(0.003, 0.3)] = Field(
        default=0.036, alias="width", description="Long side.", examples=["36 mm"]
    )
    height_m: Annotated[float, length(0.003, 0.3)] = Field(
        default=0.024, alias="height", description="Short side.", examples=["24 mm"]
    )


def _focus_kind(value: object) -> str:
    text = value.strip() if isinstance(value, str) else value
    return "part" if isinstance(text, str) and not text[:1].isdigit() and text[:1] not in "+-.−" else "distance"


Focus = Annotated[
    Annotated[str, Choice("a distance, or a part to focus on", PARTS), Tag("part")]
    | Annotated[float, length(0.1, 100.0), Tag("distance")],
    Discriminator(_focus_kind),
]
SHUTTER = shutter(1 / 32000, 60.0)


class Camera(Block):
    """The camera: where it stands, what it sees, how it exposes."""

    place: Place = Field(description="Centre of the lens.", examples=[{"at": ["0 m", "1.4 m", "4 m"]}])
    aim: Target = Field(default="face", description="Part or point in the middle of the picture.", examples=["chest"])
    focal_length_m: Annotated[float, length(0.008, 1.0)] = Field(
        alias="focal_length", description="Focal length of the lens.", examples=["85 mm"]
    )
    sensor: Sensor = Field(default=Sensor(), description="The sensor, its long side lying.")
    orientation: Annotated[str, Choice("an orientation", ("portrait", "landscape"))] = Field(
        default="portrait", description="portrait turns the sensor upright.", examples=["portrait"]
    )
    f_number: Annotated[float, aperture(0.7, 128.0)] = Field(
        alias="aperture", description="Aperture.", examples=["f/8", "f/5.6 1/3"]
    )
    shutter_s: Annotated[float, SHUTTER] = Field(alias="shutter", description="Exposure time.", examples=["1/160 s"])
    sync_s: Annotated[float, SHUTTER] = Field(
        default=1 / 200,
        alias="sync",
        description="Shortest time at which flash lights the whole frame.",
        examples=["1/200 s"],
    )
    iso: FilmSpeed = Field(default=100.0, description="Exposure index.", examples=[100])
    focus: Focus = Field(
        default="near eye", description="Part, or a distance from the lens.", examples=["near eye", "4.2 m"]
    )
    white_balance_K: Kelvin = Field(
        default=5600.0, alias="white_balance", description="White balance.", examples=["5600 K"]
    )

    @property
    def picture_m(self) -> tuple[float, float]:
        """Width and height (m) of the sensor as it is turned."""
        long, short = (
            max(self.sensor.width_m, self.sensor.height_m),
            min(self.sensor.width_m, self.sensor.height_m),
        )
        return (short, long) if self.orientation == "portrait" else (long, short)

    @property
    def focus_part(self) -> str | None:
        """Part that is focused on, or None."""
        return self.focus if isinstance(self.focus, str) else None

    @property
    def focus_distance_m(self) -> float | None:
        """Distance of focus from the lens, or None when a part is named."""
        return self.focus if isinstance(self.focus, float) else None


class RenderDefaults(Block):
    """Defaults of the render; the command line goes before them."""

    depth: Annotated[int, Number("the number of bounces", 1, 64, True, "1")] | None = Field(
        default=None,
        description="Most surfaces that light touches on its way to camera or meter, to see what the bounces add; "
        "default: no limit.",
        examples=[1],
    )


def _block_of_nobody(value: object) -> object:
    if value == NOBODY:
        raise UnitError(f"got {quoted(value)}", "a block of keys", f'write "{{figure: {NOBODY}}}"')
    return value


class Scene(Block):
    """One set-up: everything that is in the scene file."""

    halfstop: Annotated[int, Number("the version of the format", 1, 1, True, "1")] = Field(
        description="Version of this format: 1.", examples=[1]
    )
    title: Annotated[str, Text("a title")] = Field(description="A line for the sheets.", examples=["Season poster"])
    room: AnyRoom = Field(
        description='The studio; or "outdoors", where there is none.', examples=[{"size": ROOM_EXAMPLE}, OUTDOORS]
    )
    camera: Camera = Field(description="The camera.")
    sitter: Annotated[Sitter, BeforeValidator(_block_of_nobody)] = Field(
        default=Sitter(), description="Who is in front of the camera."
    )
    backdrop: Backdrop = Field(default=NoBackdrop(kind="none"), description="What is behind the sitter.")
    lights: dict[LightName, Light] = Field(
        default_factory=dict,
        max_length=16,
        description="The lights by name, 16 at most, in the order of the sheets; none while a set is still empty.",
    )
    panels: dict[PanelName, Panel] = Field(
        default_factory=dict, max_length=32, description="Flags, reflectors, scrims and v-flats by name."
    )
    ambient: tuple[Ambient, ...] = Field(default=(), max_length=8, description="Continuous light of the room.")
    meters: dict[MeterName, Meter] = Field(
        default_factory=dict, max_length=64, description="Meter points besides the standard ones."
    )
    render: RenderDefaults = Field(default=RenderDefaults(), description="Defaults of the render.")

    _folder: Path = PrivateAttr(Path())

    @model_validator(mode="after")
    def _check_between_blocks(self) -> "Scene":
        from sim.scene.model.checks import check_scene

        check_scene(self)
        return self

    def remember_folder(self, folder: Path) -> None:
        """Keep the folder of the scene file, from which the files that the scene names are found."""
        self._folder = folder

    def file_path(self, file: str) -> Path:
        """Return the path of a file that the scene names, beside the scene file."""
        return self._folder / file

    @property
    def backdrop_plane_m(self) -> tuple[tuple[float, float, float], float, float] | None:
        """Centre, width and height of the upright backdrop in metres, facing +Z; None without one."""
        if isinstance(self.backdrop, NoBackdrop):
            return None
        if isinstance(self.backdrop, WallBackdrop):
            low, high = self.room.low_corner_m, self.room.high_corner_m
            return (0.0, high[1] / 2, low[2]), high[0] - low[0], high[1]
        width_m, height_m = self.backdrop.size.width_m, self.backdrop.size.height_m
        centre_m = (0.0, self.backdrop.bottom_m + height_m / 2, -self.backdrop.distance_m)
        return centre_m, width_m, height_m
