"""Cautions in words: a heading, what the rig says, and what to do; one function for each kind of finding."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sim.advice.finding import Finding
from sim.quantities import phrases
from sim.reports.plan.cautions import NEAR_EYE_M, SUPPLIES, circuits_from_loads, is_minor

DEFER = ("Follow local electrical codes, the maker's instructions and licensed practice; where they say more or "
         "otherwise, they hold.")  # fmt: skip
FLASHES_PER_S = 3.0  # WCAG 2.2, success criterion 2.3.1: no more than three flashes within one second
MOST_HEADS_NEAR_EYES = 3


@dataclass(frozen=True)
class CautionText:
    """One caution: a short heading, what the rig says, and what to do. `serious` ones need a change of the plan."""

    heading: str
    statement: str
    cure: str
    serious: bool


def text_from_caution(caution: Finding) -> CautionText:
    """A caution in words."""
    return CautionText(*WORDS[caution.kind](caution), serious=not is_minor(caution))


Words = tuple[str, str, str]


def _mains_load(caution: Finding) -> Words:
    loads_W = {head.light or "": head.numbers["draw_W"] for head in caution.parts}
    total_W = sum(loads_W.values())
    supplies = []
    for volts, amperes, share in SUPPLIES:
        circuits = circuits_from_loads(loads_W, volts * amperes * share)
        groups = "; ".join(" + ".join(circuit) for circuit in circuits)
        several = "s" if len(circuits) > 1 else ""
        supplies.append(f"at {volts:g} V: {total_W / volts:.1f} A, {len(circuits)} circuit{several} of "
                        f"{amperes:g} A loaded to {share:.0%} ({groups})")  # fmt: skip
    guessed = [head.light or "" for head in caution.parts if head.numbers["guessed"]]
    note = f" The draw of {', '.join(guessed)} is not in the scene and is guessed." if guessed else ""
    return (
        "Mains load",
        f"All heads together may draw {total_W:.0f} W ({'; '.join(supplies)}).{note}",
        "Share the heads among circuits as listed, unwind cable drums, use earthed and tested leads behind a residual "
        "current device, keep liquids away, and switch off and discharge heads before changing tubes or lamps.",
    )


def _no_room(caution: Finding) -> Words:
    beyond_m = caution.numbers["beyond_wall_m"]
    where = f"{beyond_m:.2f} m beyond the wall" if beyond_m > 0 else f"{-beyond_m:.2f} m from the wall"
    return (
        f"No room for the stand of {caution.light}",
        f"Straight behind the light, the foot of its {caution.words['stand']} comes to stand {where}; its legs need "
        f"{caution.numbers['leg_m']:.2f} m.",
        "Swing the boom arm to the side, shorten it, or hang the light, and keep the head where it is drawn.",
    )


def _shaded(caution: Finding) -> Words:
    return (
        f"{caution.words['by']} shades {caution.light}",
        f"It stands on the straight line from {caution.light} to its aim point.",
        "Move one of them, unless the shadow is meant.",
    )


def _same_place(caution: Finding) -> Words:
    return (
        f"{' and '.join(caution.lights)} are in the same place",
        "As placed, their housings run into each other.",
        "Move one of them.",
    )


def _under_ceiling(caution: Finding) -> Words:
    below_cm = 100 * caution.numbers["below_ceiling_m"]
    reach = f"is {below_cm:.0f} cm below" if below_cm >= 0.5 else f"comes to {abs(below_cm):.0f} cm above"
    reach = "touches" if abs(below_cm) < 0.5 else reach
    lower = "" if below_cm >= -0.5 else "Lower the light, or tilt it: as placed, it does not fit. "
    return (
        f"{caution.light} under the ceiling",
        f"Its highest edge {reach} the ceiling.",
        lower + "Look for sprinklers, lamps and cables there, and keep hot heads clear of them.",
    )


def _boom(caution: Finding) -> Words:
    n = caution.numbers
    bags = f", and {n['bags']:g} bag{'s' if n['bags'] > 1 else ''} on the stand." if n["bags"] else "."
    return (
        f"Boom of {caution.light}",
        f"{n['load_kg']:.1f} kg at {n['arm_m']:.2f} m make a moment of {n['moment_N_m']:.0f} N·m: counterweight "
        f"{n['counterweight_kg']:.1f} kg on the rear arm{bags}",
        "Counterweight first, then the head; one leg under the arm; check the rated load of arm and stand; safety "
        "bond on head and modifier; nobody walks under it while it is set.",
    )


def _tipping(caution: Finding) -> Words:
    bags = [f"{stand.light} {stand.numbers['bags']:g}" for stand in caution.parts]
    return (
        "Stands that tip",
        f"Bags of 5 kg by the formula of the kit list: {', '.join(bags)}.",
        "Spread the legs fully, one leg toward the load, bags on the legs and off the floor, no extended centre "
        "tube outdoors or in a draught.",
    )


def _over_sitter(caution: Finding) -> Words:
    return (
        f"{caution.light} hangs over the sitter",
        f"{phrases.metres_and_feet(caution.numbers['from_head_m'])} from the sitter's head, seen from above.",
        "Two fixings, each of which bears it alone: clamp and steel bond. The sitter comes in last.",
    )


def _hot_lamps(caution: Finding) -> Words:
    lamps = [f"{lamp.light} ({lamp.numbers['lamp_W']:g} W near {lamp.words['near']})" for lamp in caution.parts]
    return (
        "Hot lamps",
        f"{', '.join(lamps)}. Tungsten and halogen lamps ignite fabric and melt gels; LED lamps run cooler.",
        "Keep to the modifier's rated watts, keep vents open, gels on a frame away from the lamp, dim or switch off "
        "modelling lamps between takes, let heads cool before touching, extinguisher at hand.",
    )


def _close_to_cloth(caution: Finding) -> Words:
    return (
        f"{caution.light} is close to {caution.words['thing']}",
        f"{phrases.metres_and_feet(caution.numbers['distance_m'])} from its luminous face.",
        "Keep hair, gown and cloth clear of lamps; black flags take up heat fastest.",
    )


def _trip_runs(caution: Finding) -> Words:
    lengths = [f"{cable.light} {cable.numbers['cable_m']:.1f} m" for cable in caution.parts]
    lane = [cable.light or "" for cable in caution.parts if cable.numbers["in_lane"]]
    way = "floor to the nearest wall" if caution.numbers.get("to_wall", 1.0) else "ground, and on to the supply"
    statement = f"Cable from head to {way}: {', '.join(lengths) or 'none'}."
    if lane:
        statement += f" In the lane between camera and sitter stand the legs of: {', '.join(lane)}."
    return (
        "Trip runs",
        statement,
        "Run cables along the walls and behind the lights, a loop at each foot, tape or ramp where people cross, keep "
        "the lane between sitter and camera and the way out free.",
    )


def _flash_and_eyes(caution: Finding) -> Words:
    heads = [
        f"{head.light} {head.numbers['distance_m']:.2f} m (up to {head.numbers['now_lx_s']:.0f} lx·s a flash on its "
        f"axis, {head.numbers['full_lx_s']:.0f} at full power)"
        for head in caution.parts[:MOST_HEADS_NEAR_EYES]
    ]
    near = (
        f" Nearer than {NEAR_EYE_M:g} m: {', '.join(caution.lights)}. Move back or turn down what is so near "
        "while it is set."
    )
    return (
        "Flash and eyes",
        f"Nearest to the sitter's eyes: {'; '.join(heads)}.",
        "Say it before every test flash, no looking into bare bulbs, snoots and spots, never fire a head at full power "
        "close to a face, and ask about eye surgery or light sensitivity." + ("" if is_minor(caution) else near),
    )


def _weather(caution: Finding) -> Words:
    return (
        "Wind and wet",
        "Wind takes hold of boxes, umbrellas, panels and backdrops, and a stand then tips at far less than a push.",
        "Weight every stand, have somebody hold what catches the wind, take it down before gusts and rain; outdoors "
        "only heads, leads and connectors made for it, off the ground, behind a residual current device.",
    )


def _flash_rate(caution: Finding) -> Words:
    statement = "Flash heads can recycle faster than people can bear to look at."
    if caution.light is not None:
        rate = caution.numbers["flashes_per_s"]
        statement = f"{caution.light} can recycle {rate:.1f} times a second at its setting" + (
            ", above the three flashes a second of WCAG 2.2 (2.3.1) for screens." if rate > FLASHES_PER_S else "."
        )
    return (
        "Flash rate and photosensitivity",
        statement,
        "Keep well under three flashes a second, no bursts or strobing modes, ask sitter and crew about photosensitive "
        "epilepsy and migraine, let anyone leave, and stop at once when someone feels unwell.",
    )


WORDS: dict[str, Callable[[Finding], Words]] = {
    "mains load": _mains_load,
    "no room for the stand": _no_room,
    "shaded": _shaded,
    "in the same place": _same_place,
    "under the ceiling": _under_ceiling,
    "boom": _boom,
    "stands that tip": _tipping,
    "over the sitter": _over_sitter,
    "hot lamps": _hot_lamps,
    "close to cloth": _close_to_cloth,
    "trip runs": _trip_runs,
    "flash and eyes": _flash_and_eyes,
    "flash rate": _flash_rate,
    "weather": _weather,
}
