"""The rig plan for the crew: drawings to scale, kit, power, build-up, cautions; as one HTML page and one PDF.

facts     what there is to know of each light        holding   stands and booms
paper     shapes on paper, SVG and PDF               labels    labels that keep off each other
outlines  things as outlines                         drawing   plan view and side elevation
cards     each light along its beam                  kit       packing list, masses, bags
buildup   order, expected readings, nudges           cautions  what can hurt
caution_words  their sentences
page      HTML                                       pdf       PDF, A4 and Letter
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.finding import Finding
from sim.light.mix import Mix
from sim.light.readings import ProbeReadings
from sim.quantities import units
from sim.reports.plan.buildup import BuildStep, plan_probes, steps_from_readings
from sim.reports.plan.cards import light_cards
from sim.reports.plan.caution_words import text_from_caution
from sim.reports.plan.cautions import cautions_from_scene, is_minor
from sim.reports.plan.drawing import plan_view, side_elevation
from sim.reports.plan.facts import LightFacts, facts_from_scene
from sim.reports.plan.kit import KitLine, Support, kit_list, supports_from_scene
from sim.reports.plan.paper import Sheet
from sim.scene.light_words import even_light_words
from sim.scene.model import Scene
from sim.scene.numbers import numbers_from_scene
from sim.studio.layout import Layout

__all__ = ["RigPlan", "plan_from_scene", "plan_probes"]


@dataclass(frozen=True, eq=False)
class RigPlan:
    """Everything that stands on the plan.

    `numbers` of all lights by name, those of the room too; `even_light` an even ambient light in words; `views` PNG
    pictures of the rig by their captions, or `no_views` why not; `nose_shadow` what the key draws on the face; `lux`
    whether readings also tell lx and lx·s.
    """

    title: str
    source: str
    settings: str
    sheets: tuple[Sheet, ...]
    facts: tuple[LightFacts, ...]
    numbers: Mapping[str, int]
    even_light: str
    kit: tuple[KitLine, ...]
    supports: tuple[Support, ...]
    steps: tuple[BuildStep, ...]
    cautions: tuple[Finding, ...]
    views: tuple[tuple[str, bytes], ...] = ()
    no_views: str = ""
    nose_shadow: KeyShadow | None = None
    lux: bool = False

    @property
    def to_change(self) -> tuple[str, ...]:
        """Headings of the cautions that need a change of the plan before anything is built."""
        return tuple(text_from_caution(caution).heading for caution in self.cautions if not is_minor(caution))

    @property
    def is_measured(self) -> bool:
        """Whether the build-up holds readings."""
        return any(step.alone_f_number is not None for step in self.steps)


def plan_from_scene(
    scene: Scene,
    layout: Layout,
    mix: Mix,
    measured: ProbeReadings | None = None,
    *,
    source: str = "",
    views: tuple[tuple[str, bytes], ...] = (),
    no_views: str = "",
    nose_shadow: KeyShadow | None = None,
    lux: bool = False,
) -> RigPlan:
    """The rig plan of a scene.

    Arguments: `measured` readings of `plan_probes`; without them the build-up holds no numbers. `source` the scene
    file's name. `views`, `no_views`, `nose_shadow`, `lux` as in `RigPlan`.
    Does not: render or write files.
    """
    facts = facts_from_scene(scene, layout)
    supports = supports_from_scene(scene, layout)
    return RigPlan(
        title=scene.title,
        source=source,
        settings=settings_text(scene),
        sheets=(plan_view(scene, layout, facts), side_elevation(scene, layout, facts), light_cards(layout, facts)),
        facts=facts,
        numbers=numbers_from_scene(scene),
        even_light=even_light_words(scene),
        kit=kit_list(scene, layout, facts, supports),
        supports=supports,
        steps=steps_from_readings(scene, layout, facts, mix, measured),
        cautions=cautions_from_scene(scene, layout, facts, supports),
        views=views,
        no_views=no_views,
        nose_shadow=nose_shadow,
        lux=lux,
    )


def settings_text(scene: Scene) -> str:
    """Camera settings on one line."""
    camera = scene.camera
    return (
        f"{units.text_from_f_number_in_thirds(camera.f_number)} · {units.text_from_time_s(camera.shutter_s)} · "
        f"ISO {camera.iso:g} · {camera.focal_length_m * 1000:g} mm on {camera.sensor.width_m * 1000:g} x "
        f"{camera.sensor.height_m * 1000:g} mm · white balance {camera.white_balance_K:g} K"
    )
