"""The sitter and the backdrop."""

import math
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag

from sim.scene.model.block import Block, kind_check
from sim.scene.model.fields import COORDINATE, REFLECTANCE, Number, Reflectance, Row, angle, length
from sim.scene.model.places import Point, Size
from sim.scene.model.words import Choice, FileName, Hex, Text

NOBODY = "none"
FIGURES = ("simple", "woman", "second woman", "man", "mannequin", NOBODY)
POSES = ("at sides", "hand on hip", "playing")
SKIN_TONES = ("very light", "light", "medium", "tan", "brown", "deep")
HAIR_STYLES = ("swept up", "short bob", "cropped", "none")
HAIR_COLORS = ("black", "dark brown", "brown", "auburn", "blonde", "grey")
CLOTHES = ("sequinned gown", "velvet gown", "satin gown", "dark suit")
REGIONS = ("face", "hair", "neck", "chest", "arms", "hands", "gown", "suit", "legs", "eyes", "prop")
USUAL_STATURE_M = 1.68
MESH_ENDINGS = (".glb", ".obj", ".ply")
IMAGE_ENDINGS = (".png", ".jpg", ".jpeg", ".exr")

Turn = Annotated[float, angle(-180.0, 180.0)]


def _text_or_block(value: object) -> str:
    return "block" if isinstance(value, (dict, Block)) else "word"


def _word_or_hex(value: object) -> str:
    return "hex" if isinstance(value, str) and value.strip().startswith("#") else "word"


class FigureFile(Block):
    """The user's own mesh in place of the built-in stand-in."""

    file: Annotated[str, FileName(MESH_ENDINGS)] = Field(
        description="Mesh file, beside the scene file.", examples=["my.glb"]
    )
    unit: Annotated[str, Choice("the unit of the file", ("m", "cm", "mm", "ft", "in"))] = Field(
        default="m", description="Unit of its coordinates.", examples=["cm"]
    )
    parts: dict[
        Annotated[str, Text("the name of an object in the mesh", 80)],
        Annotated[str, Choice("a region", REGIONS)],
    ] = Field(
        default_factory=dict,
        description="Object name in the file: region of the sitter.",
        examples=[{"skin": "face", "dress": "gown"}],
    )


class SkinReflectance(Block):
    """Skin by its linear RGB reflectance."""

    reflectance: Annotated[
        tuple[float, float, float],
        Row("three reflectances [red, green, blue]", REFLECTANCE, 3, "[0.5, 0.33, 0.26]"),
    ] = Field(description="Linear red, green and blue reflectance.", examples=[[0.5, 0.33, 0.26]])


class Head(Block):
    """How the head is held relative to the body."""

    turn_deg: Annotated[float, angle(-90.0, 90.0)] = Field(
        default=0.0,
        alias="turn",
        description="Relative to the body; positive toward camera right.",
        examples=["-15°"],
    )
    nod_deg: Annotated[float, angle(-45.0, 45.0)] = Field(
        default=0.0, alias="nod", description="Positive lowers the chin.", examples=["5°"]
    )
    tilt_deg: Annotated[float, angle(-45.0, 45.0)] = Field(
        default=0.0,
        alias="tilt",
        description="Positive leans the top of the head to camera right.",
        examples=["5°"],
    )


class Hair(Block):
    """Hair by style and colour."""

    style: Annotated[str, Choice("a hair style", HAIR_STYLES)] = Field(
        default="swept up", description="How it is worn or cut.", examples=["swept up"]
    )
    color: Annotated[
        Annotated[str, Choice("#rrggbb, or a hair colour", HAIR_COLORS), Tag("word")] | Annotated[Hex, Tag("hex")],
        Discriminator(_word_or_hex),
    ] = Field(default="dark brown", description='A named colour or "#rrggbb".', examples=["dark brown"])


class Clothing(Block):
    """Clothing by style and colour."""

    style: Annotated[str, Choice("a style of clothing", CLOTHES)] = Field(
        default="sequinned gown", description="Cut and cloth.", examples=["sequinned gown"]
    )
    color: Hex = Field(default="#241433", description='"#rrggbb".', examples=["#241433"])


class Sitter(Block):
    """Who is in front of the camera and how they stand.

    Does not: pose or dress the simple figure, a dress form with its arms at its sides; it follows turn, head,
    skin and colours only.
    """

    figure: Annotated[
        Annotated[str, Choice("a block with file, or a built-in figure", FIGURES), Tag("word")]
        | Annotated[FigureFile, Tag("block")],
        Discriminator(_text_or_block),
    ] = Field(
        default="simple",
        description="A built-in figure, a mesh file of your own, or none: nobody is there, and the names of parts "
        "stand for the places where those of one who stands there would be.",
        examples=["simple"],
    )
    stature_m: Annotated[float, length(1.0, 2.3)] | None = Field(
        default=None,
        alias="stature",
        description="Standing height without shoes; default: that of the figure.",
        examples=["1.68 m"],
    )
    step_m: Annotated[tuple[float, float], Row("two lengths [x, z]", COORDINATE, 2, "[0 m, 0.1 m]")] = Field(
        default=(0.0, 0.0),
        alias="step",
        description="Off the mark: x toward camera right, z toward the camera.",
        examples=[["0 m", "0.1 m"]],
    )
    turn_deg: Turn = Field(
        default=0.0,
        alias="turn",
        description="Bearing that the chest faces; positive toward camera right.",
        examples=["25°"],
    )
    head: Head = Field(default=Head(), description="How the head is held.")
    eyes: Annotated[
        Annotated[str, Choice("where the eyes look", ("camera", "ahead")), Tag("word")]
        | Annotated[Point, Tag("block")],
        Discriminator(_text_or_block),
    ] = Field(default="camera", description="Where the eyes look.", examples=["camera"])
    arms: Annotated[str, Choice("a pose of the arms", POSES)] = Field(
        default="at sides", description="Pose of the arms.", examples=["at sides"]
    )
    posture: Annotated[str, Choice("a posture", ("standing", "seated"))] = Field(
        default="standing", description="Standing or seated.", examples=["standing"]
    )
    prop: Annotated[str, Choice("a prop", ("none", "viola"))] = Field(
        default="none", description="Thing in the hands.", examples=["viola"]
    )
    skin: Annotated[
        Annotated[str, Choice("a block with reflectance, or a skin tone", SKIN_TONES), Tag("word")]
        | Annotated[SkinReflectance, Tag("block")],
        Discriminator(_text_or_block),
    ] = Field(default="medium", description="A named tone or a reflectance.", examples=["medium"])
    hair: Hair = Field(default=Hair(), description="Style and colour of the hair.")
    clothing: Clothing = Field(default=Clothing(), description="Style and colour of the clothes.")

    @property
    def is_there(self) -> bool:
        """Whether there is a sitter at all."""
        return self.figure != NOBODY

    @property
    def garment(self) -> str:
        """What the sitter wears, in one word: gown or suit."""
        if isinstance(self.figure, FigureFile):
            return "suit" if "suit" in (worn := self.figure.parts.values()) and "gown" not in worn else "gown"
        return "suit" if self.figure != "simple" and self.clothing.style == "dark suit" else "gown"


class _Hung(Block):
    size: Size = Field(description="Width and height that hang free.", examples=[{"width": "2.7 m", "height": "3 m"}])
    distance_m: Annotated[float, length(0.3, 50.0)] = Field(
        alias="distance", description="Behind the mark.", examples=["1.9 m"]
    )
    bottom_m: Annotated[float, length(0.0, 5.0)] = Field(
        default=0.0, alias="bottom", description="Height of the lower edge above the floor.", examples=["0 m"]
    )


class CanvasBackdrop(_Hung):
    """A hand-painted, mottled canvas."""

    kind: Literal["canvas"] = Field(description="A hand-painted, mottled canvas.")
    reflectance: Reflectance = Field(default=0.12, description="Mean reflectance.", examples=[0.12])
    contrast: Annotated[float, Number("the mottling", 0, 1)] = Field(
        default=0.45, description="Contrast of the mottling.", examples=[0.45]
    )
    patch_m: Annotated[float, length(0.02, 3.0)] = Field(
        default=0.35, alias="patch", description="Size of a patch of the mottling.", examples=["35 cm"]
    )
    color: Hex = Field(default="#6b6560", description="Hue, scaled to the mean reflectance.", examples=["#6b6560"])
    seed: Annotated[int, Number("a seed", 0, 2**31 - 1, True, "7")] = Field(
        default=7, description="Another seed gives another mottling.", examples=[7]
    )


class PaperBackdrop(_Hung):
    """Seamless paper that sweeps onto the floor."""

    kind: Literal["paper"] = Field(description="Seamless paper that sweeps onto the floor.")
    reflectance: Reflectance = Field(default=0.5, description="Mean reflectance.", examples=[0.5])
    color: Hex = Field(default="#808080", description="Hue, scaled to the mean reflectance.", examples=["#808080"])
    bands: Annotated[float, Number("the bands of the roll", 0, 0.2, example="0.01")] = Field(
        default=0.0, description="How far the bands of a roll that has hung long reach from its mean.", examples=[0.01]
    )

    @property
    def sweeps(self) -> bool:
        """Whether the paper reaches the floor and bends onto it; else it hangs flat."""
        return self.bottom_m == 0


class WallBackdrop(Block):
    """The wall of the room behind the sitter."""

    kind: Literal["wall"] = Field(description="The wall of the room behind the sitter.")
    reflectance: Reflectance | None = Field(default=None, description="Default: that of the walls.", examples=[0.5])
    color: Hex = Field(default="#808080", description="Hue, scaled to the mean reflectance.", examples=["#808080"])


class ImageBackdrop(_Hung):
    """A printed picture."""

    kind: Literal["image"] = Field(description="A printed picture.")
    file: Annotated[str, FileName(IMAGE_ENDINGS)] = Field(
        description="Picture file, beside the scene file.", examples=["art.png"]
    )
    reflectance: Reflectance | None = Field(
        default=None, description="Mean reflectance; default: as the picture is.", examples=[0.2]
    )


class NoBackdrop(Block):
    """No backdrop: the room is seen."""

    kind: Literal["none"] = Field(description="No backdrop: the room is seen.")


Backdrop = Annotated[
    CanvasBackdrop | PaperBackdrop | WallBackdrop | ImageBackdrop | NoBackdrop,
    Field(discriminator="kind"),
    BeforeValidator(kind_check("a backdrop", CanvasBackdrop, PaperBackdrop, WallBackdrop, ImageBackdrop, NoBackdrop)),
]


def sitter_capsule(sitter: Sitter) -> tuple[float, float, float, float]:
    """Return x, z, radius and top (m) of the upright capsule that stands for the sitter's body.

    Seated, the top is a sitting height of 0.52 of the stature above a seat of 0.44 m, as in `figure/placing.py`.
    """
    x, z = sitter.step_m
    stature_m = sitter.stature_m or USUAL_STATURE_M
    top = stature_m if sitter.posture == "standing" else 0.52 * stature_m + 0.44
    return x, z, 0.25, top


def capsule_distance_m(point: tuple[float, float, float], capsule: tuple[float, float, float, float]) -> float:
    """Return how far a point is outside an upright capsule that stands on the floor; negative inside."""
    x, z, radius, top = capsule
    y = min(max(point[1], 0.0), top - radius)
    return math.dist(point, (x, y, z)) - radius
