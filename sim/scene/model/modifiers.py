"""What is fitted to a light: parameters of each modifier; the physics of each lives in `sim.studio.gear`."""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from sim.scene.model.block import Block, kind_check
from sim.scene.model.fields import Reflectance, Share, angle, length, stops
from sim.scene.model.modifier_text import modifier_from_text
from sim.scene.model.words import Choice, Switch

GridAngle = Annotated[float, angle(3.0, 90.0)]
_GRID = "Honeycomb or fabric grid: its nominal full angle."
_EFFICIENCY = "Light that leaves modifier and head over light of the bare lamp; left out, the default of its kind."
Diameter = Annotated[float, length(0.01, 5.0)]
Side = Annotated[float, length(0.05, 6.0)]
Recess = Annotated[float, length(0.0, 0.5)]
HotSpot = Annotated[float, stops(0.0, 3.0)]
LeafAngle = Annotated[float, angle(0.0, 90.0)]


class Modifier(Block):
    """What every modifier takes."""

    efficiency: Share | None = Field(default=None, description=_EFFICIENCY, examples=[0.7])


class BarnDoors(Block):
    """Four leaves on the rim, each by the angle it is opened: 0° straight forward, 90° out of the way."""

    left_deg: LeafAngle = Field(default=90.0, alias="left", description="Leaf at the light's left.", examples=["30°"])
    right_deg: LeafAngle = Field(
        default=90.0, alias="right", description="Leaf at the light's right.", examples=["30°"]
    )
    top_deg: LeafAngle = Field(default=90.0, alias="top", description="Upper leaf.", examples=["30°"])
    bottom_deg: LeafAngle = Field(default=90.0, alias="bottom", description="Lower leaf.", examples=["30°"])


class BareBulb(Modifier):
    """No modifier: a bulb that lights all round, or past its head."""

    kind: Literal["bare"] = Field(description="No modifier: a bulb that lights all round.")
    bulb_diameter_m: Annotated[float, length(0.005, 0.3)] = Field(
        default=0.06,
        alias="bulb_diameter",
        description="Diameter of the glowing bulb or dome.",
        examples=["6 cm"],
    )
    head_m: Annotated[float, length(0.02, 0.5)] | None = Field(
        default=None,
        alias="head",
        description="Diameter of a head right behind the bulb: nothing goes back into its shade, and the lumens are "
        "those that leave bulb and head. Left out, the bulb stands on a thin rod and lights all round.",
        examples=["13 cm"],
    )


class Reflector(Modifier):
    """An open metal reflector."""

    kind: Literal["reflector"] = Field(description="An open metal reflector.")
    diameter_m: Diameter = Field(
        default=0.18, alias="diameter", description="Diameter of the opening.", examples=["18 cm"]
    )
    beam_deg: Annotated[float, angle(10.0, 150.0)] = Field(
        default=65.0,
        alias="beam",
        description="Full angle between the directions of half intensity.",
        examples=["65°"],
    )
    grid_deg: GridAngle | None = Field(default=None, alias="grid", description=_GRID, examples=["10°"])
    barn_doors: BarnDoors | None = Field(default=None, description="Leaves on the rim.")


class Snoot(Modifier):
    """A tube in front of the bulb."""

    kind: Literal["snoot"] = Field(description="A tube in front of the bulb.")
    length_m: Annotated[float, length(0.02, 1.0)] = Field(
        default=0.20, alias="length", description="Length of the tube.", examples=["20 cm"]
    )
    diameter_m: Annotated[float, length(0.01, 0.5)] = Field(
        default=0.07, alias="diameter", description="Diameter of its opening.", examples=["7 cm"]
    )
    grid_deg: GridAngle | None = Field(default=None, alias="grid", description=_GRID, examples=["20°"])


class BeautyDish(Modifier):
    """A shallow white dish with a centre deflector."""

    kind: Literal["beauty dish"] = Field(description="A shallow white dish with a centre deflector.")
    diameter_m: Diameter = Field(
        default=0.55, alias="diameter", description="Diameter of the opening.", examples=["55 cm"]
    )
    grid_deg: GridAngle | None = Field(default=None, alias="grid", description=_GRID, examples=["25°"])
    sock: Annotated[bool, Switch()] = Field(
        default=False, description="Diffusion cloth over the opening.", examples=[False]
    )


class _Box(Modifier):
    recess_m: Recess = Field(
        default=0.0,
        alias="recess",
        description="Depth of the front fabric behind the rim.",
        examples=["5 cm"],
    )
    hot_spot_stops: HotSpot = Field(
        default=0.3,
        alias="hot_spot",
        description="How much brighter the centre is than the edge.",
        examples=["0.3 stop"],
    )
    grid_deg: GridAngle | None = Field(default=None, alias="grid", description=_GRID, examples=["40°"])
    front_reflectance: Reflectance = Field(
        default=0.5, description="Share of other lights' light that the front fabric sends back.", examples=[0.5]
    )


class Softbox(_Box):
    """A rectangular box with a fabric front."""

    kind: Literal["softbox"] = Field(description="A rectangular box with a fabric front.")
    width_m: Side = Field(alias="width", description="Width of the front.", examples=["90 cm"])
    height_m: Side = Field(alias="height", description="Height of the front.", examples=["120 cm"])


class Strip(_Box):
    """A long narrow softbox."""

    kind: Literal["strip"] = Field(description="A long narrow softbox.")
    width_m: Side = Field(alias="width", description="Width of the front.", examples=["30 cm"])
    height_m: Side = Field(alias="height", description="Height of the front.", examples=["120 cm"])


class Octabox(_Box):
    """An eight-sided softbox."""

    kind: Literal["octabox"] = Field(description="An eight-sided softbox.")
    diameter_m: Diameter = Field(alias="diameter", description="Across the flats.", examples=["120 cm"])


class Umbrella(Modifier):
    """A reflecting umbrella: the head looks away from the sitter into it."""

    kind: Literal["umbrella"] = Field(description="A reflecting umbrella.")
    diameter_m: Diameter = Field(alias="diameter", description="Across the rim.", examples=["105 cm"])
    surface: Annotated[str, Choice("an umbrella surface", ("white", "silver"))] = Field(
        default="white", description="Inside of the umbrella.", examples=["white"]
    )


class ShootThrough(Modifier):
    """A translucent umbrella between head and sitter."""

    kind: Literal["shoot-through"] = Field(description="A translucent umbrella.")
    diameter_m: Diameter = Field(alias="diameter", description="Across the rim.", examples=["105 cm"])


class CoveredUmbrella(Modifier):
    """A reflecting umbrella closed by a diffusion cover."""

    kind: Literal["covered umbrella"] = Field(description="A reflecting umbrella closed by a diffusion cover.")
    diameter_m: Diameter = Field(alias="diameter", description="Across the rim.", examples=["150 cm"])
    surface: Annotated[str, Choice("an umbrella surface", ("white", "silver"))] = Field(
        default="white", description="Inside of the umbrella.", examples=["white"]
    )


class Spot(Modifier):
    """A focusing spot with a lens."""

    kind: Literal["spot"] = Field(description="A focusing spot with a lens.")
    lens_m: Annotated[float, length(0.02, 0.6)] = Field(
        default=0.15, alias="lens", description="Diameter of the lens.", examples=["15 cm"]
    )
    beam_deg: Annotated[float, angle(3.0, 90.0)] = Field(
        default=12.0,
        alias="beam",
        description="Full angle between the directions of half intensity.",
        examples=["12°"],
    )
    barn_doors: BarnDoors | None = Field(default=None, description="Leaves on the rim.")


AnyModifier = Annotated[
    BareBulb
    | Reflector
    | Snoot
    | BeautyDish
    | Softbox
    | Strip
    | Octabox
    | Umbrella
    | ShootThrough
    | CoveredUmbrella
    | Spot,
    Field(discriminator="kind"),
    BeforeValidator(
        kind_check(
            "a modifier",
            BareBulb,
            Reflector,
            Snoot,
            BeautyDish,
            Softbox,
            Strip,
            Octabox,
            Umbrella,
            ShootThrough,
            CoveredUmbrella,
            Spot,
            block_of=modifier_from_text,
        )
    ),
]
