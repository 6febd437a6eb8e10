"""The kit that a scene asks for: what to pack, how much it weighs on a boom, how many bags hold it down.

Masses, the push a stand must bear and the boom's rear arm are estimates: common practice, no source. Weigh the real
kit and put its numbers in the formulas, which are shown with the list.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sim.quantities import phrases, units
from sim.render.stage.solids import BOOM_REACH_M, STAND_LEG_M
from sim.reports.plan.facts import LightFacts
from sim.reports.plan.holding import Holding, holding_from_light
from sim.scene import model
from sim.scene.light_words import gel_words, grid_words, thing_words
from sim.scene.model import Scene
from sim.studio.layout import Layout

HEAD_BASE_KG, HEAD_KG_PER_J, LAMP_KG_PER_W = 1.5, 0.004, 0.006
CLOTH_BASE_KG, CLOTH_KG_PER_M2 = 0.6, 1.1
STAND_KG, ARM_KG = 2.5, 2.0
REAR_ARM_M = 0.6
PUSH_N = 20.0
BAG_KG = 5.0
GRAVITY_M_S2 = 9.81
FABRIC = ("softbox", "strip", "octabox", "umbrella", "shoot-through", "covered umbrella")


@dataclass(frozen=True)
class KitLine:
    """One line of the packing list: how many, of what, for which lights."""

    count: int
    item: str
    of: str


@dataclass(frozen=True)
class Support:
    """What holds one light: load at its head, side push it must bear, boom moment and bags; masses in kg, N m."""

    light: str
    kind: str
    load_kg: float
    height_m: float
    arm_m: float
    moment_N_m: float
    counterweight_kg: float
    bag_kg: float

    @property
    def bags(self) -> int:
        """Bags of 5 kg on the stand's foot."""
        return math.ceil(self.bag_kg / BAG_KG)


def load_kg_from_light(light: model.Light) -> float:
    """Mass of head and modifier in kg, an estimate from energy or watts and the modifier's size."""
    source = light.source
    match source:
        case model.FlashSource():
            head = HEAD_BASE_KG + HEAD_KG_PER_J * source.energy_J
        case _:
            watts = getattr(source, "draw_W", None) or 150.0
            head = HEAD_BASE_KG + LAMP_KG_PER_W * watts
    m = light.modifier
    match m:
        case model.Softbox() | model.Strip():
            fitted = CLOTH_BASE_KG + CLOTH_KG_PER_M2 * m.width_m * m.height_m
        case model.Octabox() | model.Umbrella() | model.CoveredUmbrella() | model.ShootThrough():
            fitted = CLOTH_BASE_KG + CLOTH_KG_PER_M2 * math.pi / 4 * m.diameter_m**2
        case model.BeautyDish():
            fitted = 1.3
        case model.Spot():
            fitted = 2.5
        case model.BareBulb():
            fitted = 0.0
        case _:
            fitted = 0.5
    return head + fitted


def support_from_load(light: str, load_kg: float, holding: Holding) -> Support:
    """Counterweight of a boom and the bags that keep a stand up against a side push.

    Boom: moment = (load x arm + arm's own mass x its centre) x g; counterweight = that over g and the rear arm.
    Stand: it tips over the line between two of its legs, half a leg's reach from the tube (three legs):
    bags = push x height / (g x reach / 2) - everything that already weighs on it.
    """
    height = float(holding.pivot_m[1])
    arm = moment = weight = 0.0
    if holding.kind == "boom":
        arm = math.hypot(*(holding.spigot_m - holding.pivot_m)[[0, 2]])
        # The arm's own centre lies between the middle of its front and its rear part.
        own = ARM_KG * (arm - REAR_ARM_M) / 2
        moment = GRAVITY_M_S2 * (load_kg * arm + own)
        weight = moment / (GRAVITY_M_S2 * REAR_ARM_M)
    resting = load_kg + STAND_KG + (ARM_KG + weight if holding.kind == "boom" else 0.0)
    bag = max(0.0, PUSH_N * height / (GRAVITY_M_S2 * STAND_LEG_M / 2) - resting)
    return Support(light, holding.kind, load_kg, height, arm, moment, weight, bag)


def supports_from_scene(scene: Scene, layout: Layout) -> tuple[Support, ...]:
    """What holds each light of the scene, in its order; lights without a stand are left out."""
    supports = []
    for name, light in scene.lights.items():
        holding = holding_from_light(layout.light(name))
        if holding is not None:
            supports.append(support_from_load(name, load_kg_from_light(light), holding))
    return tuple(supports)


SUPPORT_FORMULAS = (
    f"Boom: moment = g x (load x arm + {ARM_KG:g} kg x ({BOOM_REACH_M:g} m - {REAR_ARM_M:g} m) / 2); counterweight = "
    f"moment / (g x {REAR_ARM_M:g} m rear arm). g = {GRAVITY_M_S2:g} m/s².",
    f"Bags: a push of {PUSH_N:g} N at the height of the head or pivot must not tip the stand over the line between two "
    f"legs, {STAND_LEG_M / 2:g} m from the tube: bags = push x height / (g x {STAND_LEG_M / 2:g} m) - load - stand "
    f"({STAND_KG:g} kg) - boom and counterweight, in bags of {BAG_KG:g} kg.",
    "Loads are estimates by energy, watts and cloth area; weigh the real kit and use its numbers.",
)


def kit_list(
    scene: Scene, layout: Layout, facts: Sequence[LightFacts], supports: Sequence[Support]
) -> tuple[KitLine, ...]:
    """Everything to pack: heads, modifiers, grids, gels, stands, booms, bags, panels, backdrop, meter."""
    lines: list[KitLine] = []
    numbers = {f.name: f.number for f in facts}

    def gather(pairs: list[tuple[str, str]]) -> None:
        for item in dict.fromkeys(item for item, _ in pairs):
            owners = [name for other, name in pairs if other == item]
            lines.append(KitLine(len(owners), item, ", ".join(f"{numbers[n]} {n}" for n in dict.fromkeys(owners))))

    lights = scene.lights.items()
    gather([(_head(light), name) for name, light in lights])
    gather([(thing_words(light.modifier), name) for name, light in lights
            if not isinstance(light.modifier, model.BareBulb)])  # fmt: skip
    gather([(grid, name) for name, light in lights if (grid := grid_words(light.modifier))])
    gather([("barn doors", name) for name, light in lights if getattr(light.modifier, "barn_doors", None)])
    gather([(gel_words(gel), name) for name, light in lights for gel in light.gels])
    gather([("light stand", s.light) for s in supports])
    gather([("boom arm with counterweight", s.light) for s in supports if s.kind == "boom"])
    bags = sum(s.bags for s in supports)
    if bags:
        lines.append(KitLine(bags, f"sandbag of {BAG_KG:g} kg", "see the table of stands and booms"))
    for item, count in Counter(_board(panel) for panel in scene.panels.values()).items():
        lines.append(KitLine(count, item, "with a stand and an arm, and a bag each"))
    if scene.backdrop.kind in ("canvas", "paper", "image"):
        _, width, height = scene.backdrop_plane_m or ((0, 0, 0), 0.0, 0.0)
        size = f"{units.text_from_length_m(width)} x {units.text_from_length_m(height)}"
        lines.append(KitLine(1, f"{scene.backdrop.kind} backdrop {size}", "with its stand or hangers"))
    lines.append(KitLine(1, "incident meter with dome and flat receptor", "readings of the build-up"))
    lines.append(KitLine(1, "tape measure, floor tape, cable tape or ramps, safety bonds", "the set"))
    return tuple(lines)


def text_size(panel: model.Panel) -> str:
    """Width and height of a panel."""
    return phrases.size_across(panel.size.width_m, panel.size.height_m)


def _board(panel: model.Panel) -> str:
    """A panel with its front: the surface, and the share that it sends back where the scene gives its own."""
    words = [f"{panel.kind} {text_size(panel)}"]
    if isinstance(panel, (model.BouncePanel, model.VFlat)):
        words.append(panel.surface)
    if not isinstance(panel, model.Scrim) and panel.reflectance is not None:
        words.append(f"sends back {phrases.number(100 * panel.reflectance, 1)} %")
    return ", ".join(words)


def _head(light: model.Light) -> str:
    source = light.source
    match source:
        case model.FlashSource():
            lamp = f" with {source.modelling_lamp_W:g} W modelling lamp" if source.modelling_lamp_W else ""
            return f"flash head {source.energy_J:g} W·s{lamp}"
        case model.MeasuredSource():
            reads = units.text_from_f_number(source.reads_f_number)
            at = units.text_from_length_m(source.at_m)
            held = f"{source.receptor} toward the {source.facing}"
            return f"flash head that reads {reads} at {at} ({held}), ISO {source.iso:g}"
        case model.GuideNumberSource():
            return f"flash, guide number {source.guide_number_m:g} m at ISO {source.iso:g}"
        case model.IesSource():
            return f"{'flash' if source.flash else 'lamp'} of the file {source.file}"
        case _:
            if source.flux_lm is not None:
                return f"continuous lamp {source.flux_lm:g} lm"
            if source.efficacy_lm_W is not None:
                return f"continuous lamp {source.draw_W:g} W, {source.efficacy_lm_W:g} lm/W"
            return f"continuous lamp, {source.illuminance_lx:g} lx at {source.at_m:g} m as fitted"
