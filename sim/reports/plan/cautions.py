"""What can hurt on this set, computed from the rig; every list ends by deferring to codes, makers and licensed people.

Does not: replace a risk assessment, the maker's instructions or a licensed electrician or rigger.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sim.quantities import photometry
from sim.render.stage.solids import STAND_LEG_M, mesh_from_body
from sim.reports.plan.facts import LightFacts, text_from_metres
from sim.reports.plan.holding import holding_from_light
from sim.reports.plan.kit import FABRIC, Support
from sim.scene import model
from sim.scene.model import Scene
from sim.studio.gear.direct import blocked
from sim.studio.gear.rig import axial_illuminance_lx
from sim.studio.layout import Layout, PlacedLight, PlacedPanel

DEFER = ("Follow local electrical codes, the maker's instructions and licensed practice; where they say more or "
         "otherwise, they hold.")  # fmt: skip
# Supply voltage, breaker, share that a lasting load may take of it: 0.8 is NFPA 70 (NEC) 210.20(A), from memory; the
# same margin is used for 230 V as common practice, no source.
SUPPLIES = ((230.0, 16.0, 0.8), (120.0, 20.0, 0.8))
GUESSED_W_PER_J = 2.0  # draw while recycling per stored energy where the scene gives none; common practice, no source
FLASHES_PER_S = 3.0  # WCAG 2.2, success criterion 2.3.1: no more than three flashes within one second
NEAR_EYE_M = 1.0  # common practice, no source
HOT_LAMP_W = 100.0  # common practice, no source
NEAR_CLOTH_M = 0.5  # common practice, no source
WALKWAY_M = 0.4  # common practice, no source


@dataclass(frozen=True)
class Caution:
    """One caution: a short heading, what the rig says, and what to do. `serious` ones need a change of the plan."""

    heading: str
    found: str
    do: str
    serious: bool = False


def cautions_from_scene(
    scene: Scene, layout: Layout, facts: Sequence[LightFacts], supports: Sequence[Support]
) -> tuple[Caution, ...]:
    """All cautions of a rig, the serious ones first within their order."""
    found = [
        mains_caution(scene),
        *_outside_the_room(layout),
        *_blocked(layout),
        *_collide(layout),
        *_ceiling(layout),
        *_supports(supports),
        *_overhead(layout),
        *_hot(scene, facts),
        *_near_cloth(layout, facts),
        _trips(layout, facts),
        *_eyes(scene, layout, facts),
        *_flash_rate(scene),
    ]
    return tuple(sorted(found, key=lambda c: not c.serious))


def draw_W_from_light(light: model.Light) -> tuple[float, bool]:
    """Most that a light draws from the mains, W, and whether it is a guess: recycling, or lamp, and modelling lamp."""
    source = light.source
    match source:
        case model.FlashSource():
            drawn = source.consumption_W
            guess = GUESSED_W_PER_J * source.energy_J
            return (guess if drawn is None else drawn) + source.modelling_lamp_W, drawn is None
        case model.ContinuousSource():
            if source.draw_W is not None:
                return source.draw_W, False
            return (source.flux_lm or 8000.0) / 80.0, True
        case _:
            drawn = getattr(source, "draw_W", None)
            return (500.0, True) if drawn is None else (drawn, False)


def circuits_from_loads(loads_W: dict[str, float], limit_W: float) -> list[list[str]]:
    """Lights shared out among circuits, the largest first into the first circuit with room.

    >>> circuits_from_loads({"a": 900.0, "b": 700.0, "c": 500.0}, 1500.0)
    [['a', 'c'], ['b']]
    """
    circuits: list[list[str]] = []
    for name in sorted(loads_W, key=lambda n: -loads_W[n]):
        for circuit in circuits:
            if sum(loads_W[n] for n in circuit) + loads_W[name] <= limit_W:
                circuit.append(name)
                break
        else:
            circuits.append([name])
    return circuits


def mains_caution(scene: Scene) -> Caution:
    """Total load, and how many circuits it takes at two usual supplies."""
    drawn = {name: draw_W_from_light(light) for name, light in scene.lights.items()}
    loads = {name: watts for name, (watts, _) in drawn.items()}
    total = sum(loads.values())
    told, over = [], False
    for volts, amperes, share in SUPPLIES:
        limit = volts * amperes * share
        circuits = circuits_from_loads(loads, limit)
        over |= any(loads[n] > limit for n in loads)
        groups = "; ".join(" + ".join(c) for c in circuits)
        several = "s" if len(circuits) > 1 else ""
        told.append(f"at {volts:g} V: {total / volts:.1f} A, {len(circuits)} circuit{several} of "
                    f"{amperes:g} A loaded to {share:.0%} ({groups})")  # fmt: skip
    guessed = [name for name, (_, guess) in drawn.items() if guess]
    note = f" The draw of {', '.join(guessed)} is not in the scene and is guessed." if guessed else ""
    return Caution(
        "Mains load",
        f"All heads together may draw {total:.0f} W ({'; '.join(told)}).{note}",
        "Share the heads among circuits as listed, unwind cable drums, use earthed and tested leads behind a residual "
        "current device, keep liquids away, and switch off and discharge heads before changing tubes or lamps.",
        over,
    )


def _outside_the_room(layout: Layout) -> list[Caution]:
    low, high = layout.room_low_m, layout.room_high_m
    found = []
    for light in layout.lights:
        holding = holding_from_light(light)
        if holding is None:
            continue
        foot = holding.foot_m
        beyond = max(low[0] - foot[0], foot[0] - high[0], low[2] - foot[2], foot[2] - high[2])
        if beyond > -STAND_LEG_M:
            where = f"{beyond:.2f} m beyond the wall" if beyond > 0 else f"{-beyond:.2f} m from the wall"
            found.append(Caution(
                f"No room for the stand of {light.name}",
                f"Straight behind the light, the foot of its {'boom' if holding.kind == 'boom' else ''} stand comes to "
                f"stand {where}; its legs need {STAND_LEG_M:.2f} m.".replace("  ", " "),
                "Swing the boom arm to the side, shorten it, or hang the light, and keep the head where it is drawn.",
                beyond > 0,
            ))  # fmt: skip
    return found


def _blocked(layout: Layout) -> list[Caution]:
    """Panels that stand on a light's aim line."""
    found = []
    for light in layout.lights:
        for panel in layout.panels:
            if panel.kind != "scrim" and crosses_panel(light.position_m, light.aim_m, panel):
                found.append(Caution(
                    f"{panel.name} shades {light.name}",
                    f"It stands on the straight line from {light.name} to its aim point.",
                    "Move one of them, unless the shadow is meant.", True,
                ))  # fmt: skip
    return found


def _collide(layout: Layout) -> list[Caution]:
    """Lights whose housings are in the same place, and lights that stand on another's aim line."""
    found = []
    for light in layout.lights:
        for other in layout.lights:
            if other.name == light.name or not other.rig.body:
                continue
            into = np.linalg.inv(other.world_from_light)
            start, end = (into[:3, :3] @ point + into[:3, 3] for point in (light.position_m, light.aim_m))
            if light.name < other.name and _touch(light, other, into):
                found.append(Caution(
                    f"{light.name} and {other.name} are in the same place",
                    "As placed, their housings run into each other.", "Move one of them.", True,
                ))  # fmt: skip
            elif blocked(other.rig.body, start[None], end).any():
                found.append(Caution(
                    f"{other.name} shades {light.name}",
                    f"It stands on the straight line from {light.name} to its aim point.",
                    "Move one of them, unless the shadow is meant.", True,
                ))  # fmt: skip
    return found


def _touch(light: PlacedLight, other: PlacedLight, into_other: np.ndarray) -> bool:
    """Whether lines along the housing of one light run through a solid of another's."""
    into = into_other @ light.world_from_light
    for body in light.rig.body:
        if body.shape not in ("box", "cylinder", "cone"):
            continue
        # Take the axis and four lines along the wall from front to back.
        half = np.array([*body.sizes_m[:2], 0.0])[:2] / 2 if body.shape == "box" else np.full(2, body.sizes_m[0] / 2)
        signs = np.array([[0, 0], [-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        for x, y in signs:
            ends = np.array([[x, y, -0.5], [x, y, 0.5]]) * [1, 1, body.sizes_m[-1]] + body.offset_m
            start, end = ends @ into[:3, :3].T + into[:3, 3]
            if blocked(other.rig.body, start[None], end).any():
                return True
    return False


def crosses_panel(start_m: np.ndarray, end_m: np.ndarray, panel: PlacedPanel) -> bool:
    """Whether the segment between two points (3,) passes through a panel's rectangle."""
    frame = panel.world_from_panel
    a, b = ((point - frame[:3, 3]) @ frame[:3, :3] for point in (start_m, end_m))
    if a[2] * b[2] >= 0:
        return False
    hit = a + a[2] / (a[2] - b[2]) * (b - a)
    return bool(abs(hit[0]) <= panel.width_m / 2 and abs(hit[1]) <= panel.height_m / 2)


def _ceiling(layout: Layout) -> list[Caution]:
    found = []
    for light in layout.lights:
        tops = [mesh_from_body(b, light.world_from_light).vertices[:, 1].max() for b in light.rig.body]
        room = float(layout.room_high_m[1]) - max(tops, default=0.0)
        if room < 0.15:
            found.append(Caution(
                f"{light.name} under the ceiling",
                f"Its highest edge is {max(room, 0) * 100:.0f} cm below the ceiling.",
                "Look for sprinklers, lamps and cables there, and keep hot heads clear of them.", room < 0,
            ))  # fmt: skip
    return found


def _supports(supports: Sequence[Support]) -> list[Caution]:
    booms = [s for s in supports if s.kind == "boom"]
    found = [
        Caution(
            f"Boom of {s.light}",
            f"{s.load_kg:.1f} kg at {s.arm_m:.2f} m make a moment of {s.moment_N_m:.0f} N·m: counterweight "
            f"{s.counterweight_kg:.1f} kg on the rear arm"
            + (f", and {s.bags} bag{'s' if s.bags > 1 else ''} on the stand." if s.bags else "."),
            "Counterweight first, then the head; one leg under the arm; check the rated load of arm and stand; safety "
            "bond on head and modifier; nobody walks under it while it is set.",
        )
        for s in booms
    ]
    bags = [f"{s.light} {s.bags}" for s in supports if s.bags]
    if bags:
        found.append(Caution(
            "Stands that tip",
            f"Bags of 5 kg by the formula of the kit list: {', '.join(bags)}.",
            "Spread the legs fully, one leg toward the load, bags on the legs and off the floor, no extended centre "
            "tube outdoors or in a draught.",
        ))  # fmt: skip
    return found


def _overhead(layout: Layout) -> list[Caution]:
    head = layout.anchors_m["hair"]
    found = []
    for light in layout.lights:
        reach = float(np.hypot(*(light.position_m - head)[[0, 2]]))
        if light.position_m[1] > head[1] and reach < 0.8 and light.rig.body:
            found.append(Caution(
                f"{light.name} hangs over the sitter",
                f"{text_from_metres(reach)} from the sitter's head, seen from above.",
                "Two fixings, each of which bears it alone: clamp and steel bond. The sitter comes in last.", True,
            ))  # fmt: skip
    return found


def _hot(scene: Scene, facts: Sequence[LightFacts]) -> list[Caution]:
    told = []
    for light in facts:
        if light.is_window:
            continue
        item = scene.lights[light.name]
        source = item.source
        lamp_W = getattr(source, "modelling_lamp_W", 0.0)
        if isinstance(source, model.ContinuousSource):
            lamp_W = source.draw_W or 0.0
        cloth = item.modifier.kind in FABRIC or getattr(item.modifier, "sock", False)
        if lamp_W >= HOT_LAMP_W and (cloth or item.gels or item.modifier.kind in ("snoot", "spot")):
            near = "fabric" if cloth else "gels" if item.gels else f"a closed {item.modifier.kind}"
            told.append(f"{light.name} ({lamp_W:g} W near {near})")
    if not told:
        return []
    return [Caution(
        "Hot lamps",
        f"{', '.join(told)}. Tungsten and halogen lamps ignite fabric and melt gels; LED lamps run cooler.",
        "Keep to the modifier's rated watts, keep vents open, gels on a frame away from the lamp, dim or switch off "
        "modelling lamps between takes, let heads cool before touching, extinguisher at hand.",
    )]  # fmt: skip


def _near_cloth(layout: Layout, facts: Sequence[LightFacts]) -> list[Caution]:
    found = []
    points = np.array(list(layout.anchors_m.values()))
    panels = [(p.name, p.world_from_panel[:3, 3]) for p in layout.panels]
    for light in facts:
        if light.is_window:
            continue
        things = [("the sitter or the backdrop", float(np.linalg.norm(points - light.placed.position_m, axis=1).min()))]
        things += [(name, float(np.linalg.norm(place - light.placed.position_m))) for name, place in panels]
        for name, away in things:
            if away < NEAR_CLOTH_M:
                found.append(Caution(
                    f"{light.name} is close to {name}", f"{text_from_metres(away)} from its luminous face.",
                    "Keep hair, gown and cloth clear of lamps; black flags take up heat fastest.",
                ))  # fmt: skip
    return found


def _trips(layout: Layout, facts: Sequence[LightFacts]) -> Caution:
    low, high = layout.room_low_m, layout.room_high_m
    lengths, lane = [], []
    camera = layout.camera.position_m * np.array([1.0, 0.0, 1.0])
    for light in facts:
        holding = holding_from_light(light.placed)
        if holding is None:
            continue
        foot = np.clip(holding.foot_m, low, high)
        run = min(foot[0] - low[0], high[0] - foot[0], foot[2] - low[2], high[2] - foot[2]) + holding.pivot_m[1]
        lengths.append(f"{light.name} {run:.1f} m")
        away = _distance_to_segment(foot, np.zeros(3), camera)
        if away < STAND_LEG_M + WALKWAY_M:
            lane.append(light.name)
    found = f"Cable from head to floor to the nearest wall: {', '.join(lengths) or 'none'}."
    if lane:
        found += f" In the lane between camera and sitter stand the legs of: {', '.join(lane)}."
    return Caution(
        "Trip runs", found,
        "Run cables along the walls and behind the lights, a loop at each foot, tape or ramp where people cross, keep "
        "the lane between sitter and camera and the way out free.",
    )  # fmt: skip


def _distance_to_segment(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> float:
    along = b - a
    share = np.clip((point - a) @ along / max(float(along @ along), 1e-12), 0, 1)
    return float(np.linalg.norm(point - a - share * along))


def _eyes(scene: Scene, layout: Layout, facts: Sequence[LightFacts]) -> list[Caution]:
    eyes = [layout.anchors_m[name] for name in ("near eye", "far eye")]
    told, close = [], False
    for light in facts:
        if light.is_window or not scene.lights[light.name].is_flash:
            continue
        rig = light.placed.rig
        away = min(float(np.linalg.norm(eye - light.placed.position_m)) for eye in eyes)
        at_full = axial_illuminance_lx(rig.emitters, rig.body, max(away, 0.05))
        told.append((away, f"{light.name} {away:.2f} m (up to {at_full * 2.0**light.power_stops:.0f} lx·s a flash on "
                           f"its axis, {at_full:.0f} at full power)"))  # fmt: skip
        close |= away < NEAR_EYE_M
    if not told:
        return []
    nearest = "; ".join(text for _, text in sorted(told)[:3])
    return [Caution(
        "Flash and eyes",
        f"Nearest to the sitter's eyes: {nearest}.",
        "Say it before every test flash, no looking into bare bulbs, snoots and spots, never fire a head at full power "
        "close to a face, and ask about eye surgery or light sensitivity." +
        (" A head stands nearer than 1 m: move it back or turn it down while it is set." if close else ""),
        close,
    )]  # fmt: skip


def _flash_rate(scene: Scene) -> list[Caution]:
    rates = []
    for name, light in scene.lights.items():
        source = light.source
        if isinstance(source, model.FlashSource) and source.consumption_W:
            cycle = photometry.recycling_s(source.energy_J * 2.0**light.power_stops, source.consumption_W)
            rates.append((1 / cycle, name))
    flashes = any(light.is_flash for light in scene.lights.values())
    if not flashes:
        return []
    text = "Flash heads can recycle faster than people can bear to look at."
    if rates:
        rate, name = max(rates)
        text = f"{name} can recycle {rate:.1f} times a second at its setting" + (
            ", above the three flashes a second of WCAG 2.2 (2.3.1) for screens." if rate > FLASHES_PER_S else "."
        )
    return [Caution(
        "Flash rate and photosensitivity", text,
        "Keep well under three flashes a second, no bursts or strobing modes, ask sitter and crew about photosensitive "
        "epilepsy and migraine, let anyone leave, and stop at once when someone feels unwell.",
    )]  # fmt: skip


def least_recycling_s(scene: Scene) -> float:
    """Longest recycling time of the set's flash heads at their settings, s; 0 where the scene tells no draw."""
    times = [
        photometry.recycling_s(light.source.energy_J * 2.0**light.power_stops, light.source.consumption_W)
        for light in scene.lights.values()
        if isinstance(light.source, model.FlashSource) and light.source.consumption_W
    ]
    return max((t for t in times if math.isfinite(t)), default=0.0)
