"""The study file's form: its blocks, their keys and what each of them takes."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import Discriminator, Field, Tag

from sim.quantities.errors import UnitError, quoted
from sim.reports.preview import QUALITIES
from sim.reports.preview.quality import LEAST_SAMPLES, MOST_SAMPLES, MOST_SEED, SHORTEST_PX
from sim.scene.model.block import Block
from sim.scene.model.fields import Number, Value
from sim.scene.model.words import Choice, FileName, Text

KEEPS = ("pictures", "layers", "readings", "checks")
MOST_AXES, MOST_VALUES = 12, 1000


@dataclass(frozen=True)
class _Plain(Value):
    """A value of a scene file, whichever: text, number, switch, list or block."""

    def read(self, value: object) -> object:
        return value


@dataclass(frozen=True)
class _Values(Value):
    """The values of an axis: a list with at least one."""

    def read(self, value: object) -> tuple[object, ...]:
        if not isinstance(value, list):
            raise UnitError(f"got {quoted(value)}", "a list of values", "write [1.4 m, 1.8 m]")
        if not 1 <= len(value) <= MOST_VALUES:
            raise UnitError(f"got {len(value)} values", f"1 to {MOST_VALUES}", "write [1.4 m, 1.8 m]")
        return tuple(value)


SceneValue = Annotated[object, _Plain()]


class RangeBlock(Block):
    """Values at even distances."""

    start: SceneValue = Field(alias="from", description="The first value, with its unit.", examples=["1.4 m"])
    end: SceneValue = Field(alias="to", description="The last value, with its unit.", examples=["2.4 m"])
    step: SceneValue = Field(default=None, description="From one to the next.", examples=["20 cm"])
    count: Annotated[int, Number("how many values", 2, MOST_VALUES, True, "5")] | None = Field(
        default=None, description="How many values, in place of a step.", examples=[5]
    )


class AxisBlock(Block):
    """What is varied: a key of the scene and its values."""

    key: Annotated[str, Text("a key path")] = Field(
        description="Key path in the scene; a light's name may stand for lights.", examples=["key.modifier"]
    )
    name: Annotated[str, Text("a name", 40)] | None = Field(
        default=None, description="What the table calls it; default: the key.", examples=["key box"]
    )
    values: Annotated[tuple[object, ...], _Values()] | None = Field(
        default=None, description="The values.", examples=[["1/4", "1/8"]]
    )
    range: RangeBlock | None = Field(default=None, description="Values at even distances, in place of a list.")


class TogetherBlock(Block):
    """Axes that go through their values together, the first with the first, and so on."""

    together: tuple[AxisBlock, ...] = Field(
        max_length=MOST_AXES, description="Two or more axes of as many values each."
    )


def _axis_kind(value: object) -> str:
    is_group = isinstance(value, TogetherBlock) or (isinstance(value, dict) and "together" in value)
    return "together" if is_group else "axis"


AxisOrGroup = Annotated[
    Annotated[AxisBlock, Tag("axis")] | Annotated[TogetherBlock, Tag("together")], Discriminator(_axis_kind)
]


class WantedBlock(Block):
    """What the variations are ranked by: wishes as in a balance."""

    reference: Annotated[str, Text("a meter point")] = Field(
        default="face", description='The point that stops are counted from, or "camera".', examples=["face"]
    )
    wishes: tuple[Annotated[str, Text("a wish")], ...] = Field(
        max_length=32, description="Wanted readings.", examples=[["face=f/8", "backdrop=-3"]]
    )


class StudyBlock(Block):
    """A study file."""

    halfstop_study: Annotated[int, Number("the version of the format", 1, 1, True, "1")] = Field(
        description="Version of this format: 1.", examples=[1]
    )
    title: Annotated[str, Text("a title")] = Field(description="A line for the tables.", examples=["Which box"])
    scene: Annotated[str, FileName((".yaml", ".yml"))] = Field(
        description="The base scene, from this file's folder.", examples=["../recital.yaml"]
    )
    axes: tuple[AxisOrGroup, ...] = Field(
        max_length=MOST_AXES, description="What is varied; axes are crossed.",
        examples=[[{"key": "key.power", "values": ["1/4", "1/8"]}]],
    )  # fmt: skip
    only: tuple[Annotated[str, Text("a condition")], ...] = Field(
        default=(), max_length=50, description="Conditions that must all hold.", examples=[["head turn >= 0°"]]
    )
    skip: tuple[Annotated[str, Text("a condition")], ...] = Field(
        default=(), max_length=50, description="Conditions of which none may hold.", examples=[["distance > 2 m"]]
    )
    keep: tuple[Annotated[str, Choice("what to keep", KEEPS)], ...] = Field(
        default=("pictures", "readings", "checks"), max_length=4, description="What is kept.",
        examples=[["pictures", "readings"]],
    )  # fmt: skip
    quality: Annotated[str, Choice("a quality", tuple(QUALITIES))] = Field(
        default="draft", description="How fine the pictures and meters are.", examples=["draft"]
    )
    size_px: Annotated[int, Number("the long side in pixels", SHORTEST_PX, 4000, True, "600")] | None = Field(
        default=None, alias="size", description="Long side of the pictures; default: the quality's.", examples=[600]
    )
    samples: Annotated[int, Number("rays per pixel", LEAST_SAMPLES, MOST_SAMPLES, True, "8")] | None = Field(
        default=None, description="Rays per pixel; default: the quality's.", examples=[16]
    )
    seed: Annotated[int, Number("the seed", 0, MOST_SEED, True, "0")] = Field(
        default=0, description="The same seed gives the same results.", examples=[0]
    )
    wanted: WantedBlock | None = Field(default=None, description="What the variations are ranked by.")
