"""Where things stand and where they look: coordinates, bearings around the sitter, named parts."""

import math
from dataclasses import dataclass
from typing import Annotated

from pydantic import Discriminator, Field, Tag

from sim.quantities.errors import UnitError, quoted
from sim.scene.model.block import Block
from sim.scene.model.fields import COORDINATE, Number, Row, angle, length
from sim.scene.model.words import Choice

SITTER_PARTS = (
    "face",
    "forehead",
    "chin",
    "left cheek",
    "right cheek",
    "near eye",
    "far eye",
    "neck",
    "chest",
    "left shoulder",
    "right shoulder",
    "gown",
    "hip",
    "hands",
    "hair",
    "feet",
)
BACKDROP_PARTS = (
    "backdrop centre",
    "backdrop head",
    "backdrop top left",
    "backdrop top right",
    "backdrop bottom left",
    "backdrop bottom right",
)
PARTS = SITTER_PARTS + BACKDROP_PARTS

PLACE_EXAMPLE = {"bearing": "-45°", "distance": "2 m", "height": "1.9 m"}
SIZE_EXAMPLE = {"width": "60 cm", "height": "90 cm"}

PartName = Annotated[str, Choice("a part of the sitter or backdrop", PARTS)]


_POINT = Row("three lengths [x, y, z]", COORDINATE, 3, "[0 m, 1.4 m, 4 m]")


class Point(Block):
    """A point in the room: x toward camera right, y up, z toward the camera, from the mark on the floor.

    Left and right in part names are the camera's.
    """

    at_m: Annotated[tuple[float, float, float], _POINT] = Field(
        alias="at",
        description="x (toward camera right), y (up from the floor), z (from the sitter toward the camera).",
        examples=[["0 m", "1.4 m", "4 m"]],
    )

    @property
    def position_m(self) -> tuple[float, float, float]:
        """The point itself, in metres."""
        return self.at_m


class Around(Block):
    """A place as a photographer says it: a bearing around the sitter, a floor distance, a height."""

    bearing_deg: Annotated[float, angle(-360.0, 360.0)] = Field(
        alias="bearing",
        description="0° toward the camera side, +90° camera right, -90° camera left, 180° behind.",
        examples=["-45°"],
    )
    distance_m: Annotated[float, length(0.0, 50.0)] = Field(
        alias="distance", description="Along the floor from the sitter's mark.", examples=["2 m"]
    )
    height_m: Annotated[float, length(0.0, 20.0)] = Field(
        alias="height",
        description="Height of the centre of the luminous face above the floor.",
        examples=["1.9 m"],
    )

    @property
    def position_m(self) -> tuple[float, float, float]:
        """The place as x, y, z in metres: x = d sin b, z = d cos b."""
        bearing = math.radians(self.bearing_deg)
        return (self.distance_m * math.sin(bearing), self.height_m, self.distance_m * math.cos(bearing))


class Heading(Block):
    """A direction as a photographer says it: a bearing as around the sitter, and how far above the level."""

    bearing_deg: Annotated[float, angle(-360.0, 360.0)] = Field(
        alias="bearing",
        description="0° toward the camera side, +90° camera right, -90° camera left, 180° behind.",
        examples=["40°"],
    )
    tilt_deg: Annotated[float, angle(-90.0, 90.0)] = Field(
        default=0.0, alias="tilt", description="Above the level; negative below it.", examples=["10°"]
    )

    @property
    def direction(self) -> tuple[float, float, float]:
        """The unit vector x, y, z.

        >>> [round(part, 6) for part in Heading(bearing="90°").direction]
        [1.0, 0.0, 0.0]
        """
        bearing, tilt = math.radians(self.bearing_deg), math.radians(self.tilt_deg)
        level = math.cos(tilt)
        return (level * math.sin(bearing), math.sin(tilt), level * math.cos(bearing))


@dataclass(frozen=True)
class Direction(Row):
    """Three numbers that point somewhere, of any length but none."""

    def read(self, value: object) -> tuple[object, ...]:
        row = super().read(value)
        if not any(row):
            raise UnitError(f"got {quoted(value)}", "a direction other than nothing", f"write {self.example}")
        return row


class Size(Block):
    """Width and height of a flat thing."""

    width_m: Annotated[float, length(0.01, 30.0)] = Field(
        alias="width", description="Width of the thing.", examples=["60 cm"]
    )
    height_m: Annotated[float, length(0.01, 30.0)] = Field(
        alias="height", description="Height of the thing.", examples=["90 cm"]
    )


def _place_kind(value: object) -> str:
    if isinstance(value, Point) or (isinstance(value, dict) and ("at" in value or "at_m" in value)):
        return "point"
    return "around"


def _target_kind(value: object) -> str:
    return "point" if isinstance(value, (dict, Point)) else "part"


DIRECTION = Direction("a direction [x, y, z]", Number("a part of a direction", -1000, 1000), 3, "[0, 1, 0]")
Place = Annotated[Annotated[Point, Tag("point")] | Annotated[Around, Tag("around")], Discriminator(_place_kind)]
Target = Annotated[Annotated[Point, Tag("point")] | Annotated[PartName, Tag("part")], Discriminator(_target_kind)]
