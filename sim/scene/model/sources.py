"""Sources by the numbers their owners know: energy, lumens, a meter reading, a guide number, an IES file."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from sim.quantities import units
from sim.quantities.errors import UnitError, quoted
from sim.scene.model.block import Block, BlockFault, kind_check
from sim.scene.model.fields import FilmSpeed, Measured, angle, aperture, between, length, positive, stops
from sim.scene.model.places import PARTS
from sim.scene.model.words import Choice, FileName, Switch

Watts = Annotated[float, between(units.POWER, 0.0, 50_000.0)]


@dataclass(frozen=True)
class _MeterDistance(Measured):
    """A distance from the light; a part or point of the set is refused with what to write instead."""

    def read(self, value: object) -> float:
        if isinstance(value, dict) or (isinstance(value, str) and value.strip() in PARTS):
            cure = f'write the distance from the light\'s front to it: "at: {self.quantity.example}"'
            raise UnitError(f"got {quoted(value)}", "a distance: a light that is moved keeps its strength", cure)
        return super().read(value)


METER_DISTANCE = _MeterDistance(
    units.LENGTH, units.length_m_from_text, units.exact_text_from_length_m, low=0.1, high=50.0
)


class DialRange(Block):
    """How far a light can be turned down from full power, and in which steps."""

    range_stops: Annotated[float, stops(0.0, 14.0)] = Field(
        default=7.0,
        alias="range",
        description="Stops from full power to the lowest setting.",
        examples=["7 stops"],
    )
    step_stops: Annotated[float, stops(0.0, 1.0, above_low=True)] = Field(
        default=0.1, alias="step", description="Finest step of the dial.", examples=["1/10 stop", "1/3 stop"]
    )


class FlashSource(Block):
    """A studio flash by its stored energy; light per firing at full dial = energy x efficacy, in lm·s.

    Does not: model flash duration, colour shift with power, or recycling droop.
    """

    kind: Literal["flash"] = Field(description="A studio flash by its stored energy.")
    energy_J: Annotated[float, positive(units.ENERGY, 20_000.0)] = Field(
        alias="energy", description="Stored energy at full power.", examples=["400 W·s"]
    )
    efficacy_lm_W: Annotated[float, positive(units.EFFICACY, 200.0)] = Field(
        default=40.0,
        alias="efficacy",
        description="Light per stored energy, of the bare tube.",
        examples=["40 lm/W"],
    )
    dial: DialRange = Field(default=DialRange(), description="Range and step of the power dial.")
    consumption_W: Watts | None = Field(
        default=None, alias="consumption", description="Mains draw while recycling.", examples=["900 W"]
    )
    modelling_lamp_W: Watts = Field(
        default=0.0, alias="modelling_lamp", description="Modelling lamp.", examples=["150 W"]
    )

    @property
    def is_flash(self) -> bool:
        """True when the light fires for an instant, so that shutter time does not matter."""
        return True


class ContinuousSource(Block):
    """A lamp that stays on, by lumens, by electrical power and efficacy, or by its lux at a distance."""

    kind: Literal["continuous"] = Field(description="A lamp that stays on.")
    flux_lm: Annotated[float, positive(units.FLUX, 5_000_000.0)] | None = Field(
        default=None, alias="flux", description="Lumens of the bare lamp at full dial.", examples=["8000 lm"]
    )
    draw_W: Annotated[float, positive(units.POWER, 50_000.0)] | None = Field(
        default=None, alias="draw", description="Electrical power at full dial.", examples=["300 W"]
    )
    efficacy_lm_W: Annotated[float, positive(units.EFFICACY, 250.0)] | None = Field(
        default=None,
        alias="efficacy",
        description="Lumens per watt; with `draw` it gives the flux.",
        examples=["80 lm/W"],
    )
    illuminance_lx: Annotated[float, positive(units.ILLUMINANCE, 10_000_000.0)] | None = Field(
        default=None,
        alias="illuminance",
        description="On the axis at the distance `at`, with its modifier, at full dial.",
        examples=["1200 lx"],
    )
    at_m: Annotated[float, length(0.1, 50.0)] | None = Field(
        default=None, alias="at", description="Distance of the illuminance reading.", examples=["1 m"]
    )
    dial: DialRange = Field(
        default=DialRange.model_validate({"range": "10 stops"}), description="Range and step of the dimmer."
    )

    @model_validator(mode="after")
    def _one_measure_of_light(self) -> "ContinuousSource":
        given = [
            key
            for key, value in (
                ("flux", self.flux_lm),
                ("efficacy", self.efficacy_lm_W),
                ("illuminance", self.illuminance_lx),
            )
            if value is not None
        ]
        expected = "one of: flux; draw with efficacy; illuminance with at"
        if not given:
            raise BlockFault((), "no key says how much light comes out", expected, 'add "flux: 8000 lm"')
        if len(given) > 1:
            raise BlockFault(
                (given[1],),
                f'"{given[1]}" and "{given[0]}" both say how much light comes out',
                expected,
                f'remove "{given[1]}"',
            )
        if self.efficacy_lm_W is not None and self.draw_W is None:
            raise BlockFault(("efficacy",), '"efficacy" stands without "draw"', expected, 'add "draw: 300 W"')
        if self.illuminance_lx is not None and self.at_m is None:
            raise BlockFault(("illuminance",), '"illuminance" stands without its distance', expected, 'add "at: 1 m"')
        if self.at_m is not None and self.illuminance_lx is None:
            raise BlockFault(("at",), '"at" stands without "illuminance"', expected, 'add "illuminance: 1200 lx"')
        return self

    @property
    def is_flash(self) -> bool:
        """False: exposure grows with shutter time."""
        return False


class MeasuredSource(Block):
    """A flash by what its owner's meter read, with its modifier, at full dial: a dome turned to it, unless it says so.

    All is said from the light, so that a light that is moved keeps its strength. Only the lamp's own light counts: what
    a room sends back comes on top.
    """

    kind: Literal["measured"] = Field(description="A flash by a meter reading with its modifier.")
    reads_f_number: Annotated[float, aperture(0.5, 128.0)] = Field(
        alias="reads",
        description="Incident reading at full power, away from pale walls: the room's light is added to it.",
        examples=["f/8"],
    )
    at_m: Annotated[float, METER_DISTANCE] = Field(
        alias="at",
        description="Distance of the meter from the centre of the light's front.",
        examples=["2 m"],
    )
    off_axis_deg: Annotated[float, angle(0.0, 80.0)] = Field(
        default=0.0,
        alias="off_axis",
        description="How far aside of the light's aim the meter stood: the angle at the light.",
        examples=["0°", "20°"],
    )
    receptor: Annotated[str, Choice("a receptor", ("dome", "flat"))] = Field(
        default="dome", description="What the meter wore: its dome, or the flat disc.", examples=["dome"]
    )
    facing: Annotated[str, Choice("where the receptor looked", ("light", "camera"))] = Field(
        default="light",
        description="Where the receptor looked: at the light, or at the camera.",
        examples=["light"],
    )
    camera_angle_deg: Annotated[float, angle(0.0, 180.0)] | None = Field(
        default=None,
        alias="camera_angle",
        description="For a receptor that looked at the camera: the angle at the meter between light and camera.",
        examples=["45°"],
    )
    iso: FilmSpeed = Field(default=100.0, description="Film speed of the reading.", examples=[100])
    draw_W: Watts | None = Field(
        default=None, alias="draw", description="Mains draw while recycling.", examples=["900 W"]
    )
    dial: DialRange = Field(default=DialRange(), description="Range and step of the power dial.")

    @model_validator(mode="after")
    def _receptor_sees_the_light(self) -> "MeasuredSource":
        angle_deg, key = self.camera_angle_deg, ("camera_angle",)
        if self.facing == "camera" and angle_deg is None:
            cure = 'add "camera_angle: 45°", or write "facing: light"'
            raise BlockFault(key, "a receptor that looked at the camera", "the angle between light and camera", cure)
        if self.facing == "light" and angle_deg is not None:
            cure = 'write "facing: camera", or remove "camera_angle"'
            raise BlockFault(key, "the receptor looked at the light", "no angle to the camera", cure)
        most_deg = {"flat": 80.0, "dome": 150.0}[self.receptor]
        if angle_deg is not None and angle_deg > most_deg:
            what = f"a {self.receptor} receptor turned {angle_deg:g}° from the light tells too little of it"
            raise BlockFault(key, what, f"{most_deg:g}° at most", 'read it again with "facing: light"')
        return self

    @property
    def turned_deg(self) -> float:
        """How far the receptor was turned away from the light."""
        return self.camera_angle_deg or 0.0

    @property
    def is_flash(self) -> bool:
        """True: a reading without a shutter time."""
        return True


class GuideNumberSource(Block):
    """A flash by its guide number: f-number times distance at the stated film speed, as fitted."""

    kind: Literal["guide number"] = Field(description="A flash by its guide number.")
    guide_number_m: Annotated[float, length(0.5, 500.0)] = Field(
        alias="guide_number",
        description="f-number x distance, as fitted, at full power.",
        examples=["58 m", "190 ft"],
    )
    iso: FilmSpeed = Field(default=100.0, description="Film speed of the guide number.", examples=[100])
    draw_W: Watts | None = Field(
        default=None, alias="draw", description="Mains draw while recycling.", examples=["900 W"]
    )
    dial: DialRange = Field(default=DialRange(), description="Range and step of the power dial.")

    @property
    def is_flash(self) -> bool:
        """True: guide numbers are for flash."""
        return True


class IesSource(Block):
    """A lamp by its photometric file (IES LM-63), with the file's lumens unless they are replaced here."""

    kind: Literal["ies"] = Field(description="A lamp by its LM-63 photometric file.")
    file: Annotated[str, FileName((".ies",))] = Field(
        description="Photometric file, beside the scene file.", examples=["lamp.ies"]
    )
    flux_lm: Annotated[float, positive(units.FLUX, 5_000_000.0)] | None = Field(
        default=None,
        alias="flux",
        description="Replaces the lumens of the file; continuous light only.",
        examples=["8000 lm"],
    )
    flash: Annotated[bool, Switch()] = Field(
        default=False,
        description="True: the candelas of the file are read as cd·s of one firing.",
        examples=[False],
    )
    light_lm_s: Annotated[float, positive(units.LIGHT, 1_000_000.0)] | None = Field(
        default=None,
        alias="light",
        description="Replaces the lumen seconds of the file; flash only.",
        examples=["16000 lm·s"],
    )
    draw_W: Watts | None = Field(default=None, alias="draw", description="Electrical power.", examples=["300 W"])
    dial: DialRange = Field(
        default=DialRange.model_validate({"range": "10 stops"}), description="Range and step of the dial."
    )

    @model_validator(mode="after")
    def _flux_of_its_kind(self) -> "IesSource":
        if self.flash and self.flux_lm is not None:
            raise BlockFault(("flux",), "a flash has no steady flux", "light in lm·s", 'write "light: 16000 lm·s"')
        if not self.flash and self.light_lm_s is not None:
            raise BlockFault(("light",), "lm·s belong to a flash", "flux in lm, or flash: true", 'add "flash: true"')
        return self

    @property
    def is_flash(self) -> bool:
        """Whether the file describes a flash."""
        return self.flash


Source = Annotated[
    FlashSource | ContinuousSource | MeasuredSource | GuideNumberSource | IesSource,
    Field(discriminator="kind"),
    BeforeValidator(
        kind_check("a source of light", FlashSource, ContinuousSource, MeasuredSource, GuideNumberSource, IesSource)
    ),
]
