"""Lights, gels, panels, the light of the room, and the meter's points."""

import re
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from sim.quantities import units
from sim.quantities.errors import UnitError, quoted
from sim.scene.model.block import Block, BlockFault, kind_check
from sim.scene.model.fields import Dial, Kelvin, Number, Reflectance, Share, angle, positive, stops
from sim.scene.model.modifiers import AnyModifier, BareBulb
from sim.scene.model.places import DIRECTION, PLACE_EXAMPLE, SIZE_EXAMPLE, Heading, Place, Point, Size, Target
from sim.scene.model.sources import Source
from sim.scene.model.words import Choice, Hex, Name, Switch

LightName = Annotated[str, Name("the name of a light")]
PanelName = Annotated[str, Name("the name of a panel")]
MeterName = Annotated[str, Name("the name of a meter point")]
Stand = Annotated[str, Choice("what holds the light", ("floor", "boom", "none"))]


class MiredGel(Block):
    """A correction gel by its shift; positive is warmer."""

    mired: Annotated[float, Number("a shift in mired", -400, 400, example="60")] = Field(
        description="Shift in mired: positive warmer, negative cooler.", examples=[60, -80]
    )
    transmission: Share | None = Field(default=None, description="Luminous transmission, if known.", examples=[0.7])


class ColorGel(Block):
    """A colour gel by the colour that it gives white light."""

    color: Hex = Field(description="Colour of white light through the gel.", examples=["#ff8800"])
    transmission: Share | None = Field(default=None, description="Luminous transmission.", examples=[0.4])


class NeutralGel(Block):
    """A neutral density gel."""

    nd_stops: Annotated[float, stops(0.0, 10.0)] = Field(alias="nd", description="Loss in stops.", examples=["1 stop"])


def _gel_kind(value: object) -> str:
    if isinstance(value, (MiredGel, ColorGel, NeutralGel)):
        return {MiredGel: "mired gel", ColorGel: "color gel", NeutralGel: "nd gel"}[type(value)]
    keys = value if isinstance(value, dict) else {}
    return "nd gel" if "nd" in keys or "nd_stops" in keys else "color gel" if "color" in keys else "mired gel"


def _require_one_effect(value: object) -> object:
    if isinstance(value, Block):
        return value
    expected = "a gel: a block with one of mired, color, nd"
    if not isinstance(value, dict):
        said = value.lower().split(maxsplit=1) if isinstance(value, str) else []
        loss = f"{{nd: {said[1]}}}" if len(said) == 2 and said[0] == "nd" else ""
        raise UnitError(f"got {quoted(value)}", expected, f'write "{loss or "{mired: 60}"}"')
    effects = [key for key in value if key in ("mired", "color", "nd", "nd_stops")]
    if len(effects) > 1:
        raise BlockFault((effects[1],), "two gels in one block", expected, "write them as two items of the list")
    if not effects:
        raise BlockFault((), "this gel has no effect", expected, 'add "mired: 60"')
    return value


Gel = Annotated[
    Annotated[MiredGel, Tag("mired gel")]
    | Annotated[ColorGel, Tag("color gel")]
    | Annotated[NeutralGel, Tag("nd gel")],
    Discriminator(_gel_kind),
    BeforeValidator(_require_one_effect),
]


def _color_kind(value: object) -> str:
    return "hex" if isinstance(value, str) and value.strip().startswith("#") else "kelvin"


# What people call the colour of a lamp, by its usual temperature; common practice, no source.
_TEMPERATURES = {"tungsten": "3200 K", "halogen": "3200 K", "daylight": "5600 K", "flash": "5600 K"}


def _require_a_number(value: object) -> object:
    word = value.strip().lower() if isinstance(value, str) else ""
    if word in _TEMPERATURES:
        expected = 'a colour temperature such as 5600 K, or "#rrggbb"'
        raise UnitError(f"got {quoted(value)}", expected, f'write "{_TEMPERATURES[word]}"')
    return value


LightColor = Annotated[
    Annotated[Kelvin, Tag("kelvin")] | Annotated[Hex, Tag("hex")],
    Discriminator(_color_kind),
    BeforeValidator(_require_a_number),
]


class _Lamp(Block):
    color: LightColor = Field(
        default=5600.0,
        description='Colour temperature, or "#rrggbb" of the light itself.',
        examples=["5600 K", "#ffd0a0"],
    )
    number: Annotated[int, Number("the number of a light", 1, 999, whole=True, example="3")] | None = Field(
        default=None, description="On plan and sheets; the lowest free one where it is left out.", examples=[3]
    )

    @property
    def temperature_K(self) -> float | None:
        """Colour temperature, or None when the colour is given as hex."""
        return self.color if isinstance(self.color, float) else None

    @property
    def color_hex(self) -> str | None:
        """Colour as `#rrggbb`, or None when it is given as a temperature."""
        return self.color if isinstance(self.color, str) else None


class Light(_Lamp):
    """One light: source, power, modifier, place, aim, colour, gels and what holds it."""

    source: Source = Field(description="Where the light comes from.", examples=[{"kind": "flash", "energy": "400 W·s"}])
    power_stops: Dial = Field(
        default=0.0,
        alias="power",
        description="Part of full, stops under full, or a number of a head's own scale such as 7 of 10, one full "
        "number being one stop.",
        examples=["1/4", "-2 stops", "7 of 10"],
    )
    modifier: AnyModifier = Field(default=BareBulb(kind="bare"), description="What is fitted to the light.")
    place: Place = Field(description="Centre of the luminous face.", examples=[PLACE_EXAMPLE])
    aim: Target = Field(default="face", description="Part or point that the light looks at.", examples=["face"])
    gels: tuple[Gel, ...] = Field(default=(), max_length=6, description="Gels in front of the light.")
    stand: Stand = Field(default="floor", description="What holds the light.", examples=["boom"])
    mute: Annotated[bool, Switch()] = Field(default=False, description="True: left out of pictures and readings.")

    @property
    def is_flash(self) -> bool:
        """Whether the light fires for an instant (lm·s) or stays on (lm)."""
        return self.source.is_flash


class _Panel(Block):
    size: Size = Field(description="Width and height; of one wing for a v-flat.", examples=[SIZE_EXAMPLE])
    place: Place = Field(description="Its centre; for a v-flat the middle of the hinge.", examples=[PLACE_EXAMPLE])
    aim: Target = Field(default="face", description="Part or point that its front looks at.", examples=["face"])
    roll_deg: Annotated[float, angle(-180.0, 180.0)] = Field(
        default=0.0,
        alias="roll",
        description="Turned about its aim, clockwise as seen from there; at 90° what stood upright lies on its side.",
        examples=["90°"],
    )


class _Board(_Panel):
    reflectance: Reflectance | None = Field(
        default=None,
        description="Share of the light that its front sends back; default: as its surface is.",
        examples=[0.4],
    )


class Flag(_Board):
    """A black flag that keeps light away."""

    kind: Literal["flag"] = Field(description="A black flag.")


class BouncePanel(_Board):
    """A reflector panel."""

    kind: Literal["reflector"] = Field(description="A reflector panel.")
    surface: Annotated[str, Choice("a reflector surface", ("white", "silver", "gold"))] = Field(
        default="white", description="Front of the panel.", examples=["white"]
    )


class Scrim(_Panel):
    """A diffusion panel."""

    kind: Literal["scrim"] = Field(description="A diffusion panel.")
    transmission: Share = Field(default=0.6, description="Share of the light that passes, diffused.", examples=[0.6])


class VFlat(_Board):
    """Two boards hinged along an upright edge."""

    kind: Literal["v-flat"] = Field(description="Two boards hinged along an upright edge.")
    surface: Annotated[str, Choice("a v-flat surface", ("black", "white"))] = Field(
        default="white", description="Inside of the boards.", examples=["black"]
    )
    angle_deg: Annotated[float, angle(20.0, 180.0)] = Field(
        default=90.0, alias="angle", description="Between the two boards.", examples=["90°"]
    )


Panel = Annotated[
    Flag | BouncePanel | Scrim | VFlat,
    Field(discriminator="kind"),
    BeforeValidator(kind_check("a panel", Flag, BouncePanel, Scrim, VFlat)),
]


class WindowPanel(_Lamp):
    """A bright rectangle such as a window, by its light on the mark or by its luminance."""

    kind: Literal["window"] = Field(description="A bright rectangle such as a window.")
    name: LightName = Field(description="Its name.", examples=["window"])
    size: Size = Field(description="Width and height of the opening.", examples=[SIZE_EXAMPLE])
    place: Place = Field(description="Its centre.", examples=[PLACE_EXAMPLE])
    aim: Target = Field(default="face", description="Part or point that it faces.", examples=["face"])
    illuminance_lx: Annotated[float, positive(units.ILLUMINANCE, 200_000.0)] | None = Field(
        default=None,
        alias="illuminance",
        description="At its aim point, on a flat meter that faces it, direct light only.",
        examples=["300 lx"],
    )
    luminance_cd_m2: Annotated[float, positive(units.LUMINANCE, 100_000.0)] | None = Field(
        default=None, alias="luminance", description="Luminance of the opening.", examples=["2000 cd/m²"]
    )

    @model_validator(mode="after")
    def _one_measure_of_light(self) -> "WindowPanel":
        expected = "one of: illuminance, luminance"
        if self.illuminance_lx is None and self.luminance_cd_m2 is None:
            raise BlockFault((), "no key says how bright it is", expected, 'add "illuminance: 300 lx"')
        if self.illuminance_lx is not None and self.luminance_cd_m2 is not None:
            raise BlockFault(
                ("luminance",),
                '"luminance" and "illuminance" both say how bright it is',
                expected,
                'remove "luminance"',
            )
        return self


class UniformAmbient(_Lamp):
    """Even light from all directions, as an open sky or a bright room gives."""

    kind: Literal["uniform"] = Field(description="Even light from all directions.")
    name: LightName = Field(description="Its name.", examples=["sky"])
    illuminance_lx: Annotated[float, positive(units.ILLUMINANCE, 200_000.0)] = Field(
        alias="illuminance", description="On a flat meter in the open.", examples=["20 lx"]
    )


Ambient = Annotated[
    WindowPanel | UniformAmbient,
    Field(discriminator="kind"),
    BeforeValidator(kind_check("a light of the room", WindowPanel, UniformAmbient)),
]

FACING_WORDS = ("camera", "up", "down")


def _facing_kind(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return "direction"
    if isinstance(value, Heading) or (isinstance(value, dict) and not value.keys().isdisjoint(("bearing", "tilt"))):
        return "heading"
    return "point" if isinstance(value, (dict, Point)) else "name"


def _require_a_block_for_a_bearing(value: object) -> object:
    said = (
        re.fullmatch(r"(?:bearing\s*)?([-+−]?[0-9.]+)\s*(?:°|deg(?:rees)?)?", value) if isinstance(value, str) else None
    )
    if said:
        expected = "a light, a panel, a point, a bearing or a direction"
        raise UnitError(f"got {quoted(value)}", expected, f'write "{{bearing: {said[1]}°}}"')
    return value


Facing = Annotated[
    Annotated[Point, Tag("point")]
    | Annotated[Heading, Tag("heading")]
    | Annotated[tuple[float, float, float], DIRECTION, Tag("direction")]
    | Annotated[LightName, Tag("name")],
    Discriminator(_facing_kind),
    BeforeValidator(_require_a_block_for_a_bearing),
]


class Meter(Block):
    """A point where the meter is held, which receptor it has and where that looks."""

    at: Target = Field(
        description="Part or point where the meter is held, or that a spot meter reads.", examples=["chest"]
    )
    kind: Annotated[str, Choice("a kind of meter", ("dome", "flat", "spot"))] = Field(
        default="dome",
        description="dome and flat: incident light; spot: light that comes back from the part.",
        examples=["dome"],
    )
    facing: Facing = Field(
        default="camera",
        description='"camera", "up", "down", a light or panel by its name, a point, a bearing or a direction [x, y, z];'
        " a spot meter reads from there, for a direction from 1 m off.",
        examples=["camera", "key", {"bearing": "40°"}],
    )
