"""What can hurt on this set, computed from the rig as findings; `caution_words` puts them into sentences.

Does not: replace a risk assessment, the maker's instructions or a licensed electrician or rigger.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sim.advice.finding import Finding, Severity
from sim.quantities import photometry
from sim.render.stage.solids import STAND_LEG_M, mesh_from_body
from sim.reports.plan.facts import LightFacts
from sim.reports.plan.holding import holding_from_light
from sim.reports.plan.kit import FABRIC, Support
from sim.scene import model
from sim.scene.model import BACKDROP_PARTS, Scene
from sim.studio.gear.direct import blocked
from sim.studio.gear.rig import axial_illuminance_lx
from sim.studio.layout import Layout, PlacedLight, PlacedPanel

# Supply voltage, breaker, share that a lasting load may take of it: 0.8 is [NFPA70:2023] 210.20(A), from memory; the
# same margin is used for 230 V as common practice, no source.
SUPPLIES = ((230.0, 16.0, 0.8), (120.0, 20.0, 0.8))
GUESSED_W_PER_J = 2.0  # draw while recycling per stored energy where the scene gives none; common practice, no source
NEAR_EYE_M = 1.0  # common practice, no source
HOT_LAMP_W = 100.0  # common practice, no source
NEAR_CLOTH_M = 0.5  # common practice, no source
WALKWAY_M = 0.4  # common practice, no source
UNDER_CEILING_M = 0.15  # common practice, no source
OVER_SITTER_M = 0.8  # common practice, no source


def cautions_from_scene(
    scene: Scene, layout: Layout, facts: Sequence[LightFacts], supports: Sequence[Support]
) -> tuple[Finding, ...]:
    """All cautions of a rig, those that need a change of the plan first within their order."""
    cautions = [
        _mains(scene),
        *_outside_the_room(layout),
        *_shaded_by_panels(layout),
        *_collide(layout),
        *_ceiling(layout),
        *_booms(supports),
        *_tipping(supports),
        *_overhead(layout),
        *_hot(scene, facts),
        *_near_cloth(layout, facts),
        _trips(layout, facts),
        *_eyes(scene, layout, facts),
        *_flash_rate(scene),
        *_weather(scene),
    ]
    return tuple(sorted(cautions, key=is_minor))


def is_minor(caution: Finding) -> bool:
    """Whether a caution needs no change of the plan."""
    return caution.severity != Severity.DANGER


def _severity(serious: bool) -> Severity:
    return Severity.DANGER if serious else Severity.CAUTION


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


def _mains(scene: Scene) -> Finding:
    """What each head draws from the mains; one alone may be too much for a circuit."""
    least_W = min(volts * amperes * share for volts, amperes, share in SUPPLIES)
    heads = []
    for name, light in scene.lights.items():
        draw_W, guessed = draw_W_from_light(light)
        numbers = {"draw_W": draw_W, "guessed": float(guessed)}
        heads.append(Finding("head on the mains", _severity(draw_W > least_W), name, numbers))
    worst = any(not is_minor(head) for head in heads)
    return Finding("mains load", _severity(worst), parts=tuple(heads))


def _outside_the_room(layout: Layout) -> list[Finding]:
    low, high = layout.room_low_m, layout.room_high_m
    cautions: list[Finding] = []
    if layout.is_open:
        return cautions
    for light in layout.lights:
        holding = holding_from_light(light)
        if holding is None:
            continue
        foot = holding.foot_m
        beyond_m = float(max(low[0] - foot[0], foot[0] - high[0], low[2] - foot[2], foot[2] - high[2]))
        if beyond_m > -STAND_LEG_M:
            numbers = {"beyond_wall_m": beyond_m, "leg_m": STAND_LEG_M}
            words = {"stand": "boom stand" if holding.kind == "boom" else "stand"}
            cautions.append(Finding("no room for the stand", _severity(beyond_m > 0), light.name, numbers, words))
    return cautions


def _shaded_by_panels(layout: Layout) -> list[Finding]:
    """Panels that stand on a light's aim line."""
    return [
        Finding("shaded", Severity.DANGER, light.name, words={"by": panel.name})
        for light in layout.lights
        for panel in layout.panels
        if panel.kind != "scrim" and crosses_panel(light.position_m, light.aim_m, panel)
    ]


def _collide(layout: Layout) -> list[Finding]:
    """Lights whose housings are in the same place, and lights that stand on another's aim line."""
    cautions = []
    for light in layout.lights:
        for other in layout.lights:
            if other.name == light.name or not other.rig.body:
                continue
            into = np.linalg.inv(other.world_from_light)
            start, end = (into[:3, :3] @ point + into[:3, 3] for point in (light.position_m, light.aim_m))
            if _touch(light, other) or _touch(other, light):
                if light.name > other.name:
                    continue
                both = tuple(Finding("housing", Severity.DANGER, name) for name in (light.name, other.name))
                cautions.append(Finding("in the same place", Severity.DANGER, parts=both))
            elif blocked(other.rig.body, start[None], end).any():
                cautions.append(Finding("shaded", Severity.DANGER, light.name, words={"by": other.name}))
    return cautions


def _touch(light: PlacedLight, other: PlacedLight) -> bool:
    """Whether lines along the housing of one light run through a solid of another's."""
    into = np.linalg.inv(other.world_from_light) @ light.world_from_light
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


def _ceiling(layout: Layout) -> list[Finding]:
    cautions: list[Finding] = []
    if layout.is_open:
        return cautions
    for light in layout.lights:
        tops = [mesh_from_body(b, light.world_from_light).vertices[:, 1].max() for b in light.rig.body]
        below_m = float(layout.room_high_m[1] - max(tops, default=0.0))
        if below_m < UNDER_CEILING_M:
            numbers = {"below_ceiling_m": below_m}
            cautions.append(Finding("under the ceiling", _severity(below_m < 0), light.name, numbers))
    return cautions


def _booms(supports: Sequence[Support]) -> list[Finding]:
    return [
        Finding("boom", Severity.CAUTION, s.light, {
            "load_kg": s.load_kg, "arm_m": s.arm_m, "moment_N_m": s.moment_N_m,
            "counterweight_kg": s.counterweight_kg, "bags": s.bags,
        })
        for s in supports if s.kind == "boom"
    ]  # fmt: skip


def _tipping(supports: Sequence[Support]) -> list[Finding]:
    bags = tuple(Finding("bags", Severity.CAUTION, s.light, {"bags": s.bags}) for s in supports if s.bags)
    return [Finding("stands that tip", Severity.CAUTION, parts=bags)] if bags else []


def _overhead(layout: Layout) -> list[Finding]:
    head = layout.anchors_m["hair"]
    cautions: list[Finding] = []
    if not layout.has_sitter:
        return cautions
    for light in layout.lights:
        reach_m = float(np.hypot(*(light.position_m - head)[[0, 2]]))
        if light.position_m[1] > head[1] and reach_m < OVER_SITTER_M and light.rig.body:
            cautions.append(Finding("over the sitter", Severity.DANGER, light.name, {"from_head_m": reach_m}))
    return cautions


def _hot(scene: Scene, facts: Sequence[LightFacts]) -> list[Finding]:
    lamps = []
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
            lamps.append(Finding("hot lamp", Severity.CAUTION, light.name, {"lamp_W": lamp_W}, {"near": near}))
    return [Finding("hot lamps", Severity.CAUTION, parts=tuple(lamps))] if lamps else []


def _near_cloth(layout: Layout, facts: Sequence[LightFacts]) -> list[Finding]:
    cautions = []
    held = {name: at for name, at in layout.anchors_m.items() if layout.has_sitter or name in BACKDROP_PARTS}
    points = np.array(list(held.values())).reshape(-1, 3)
    panels = [(p.name, p.world_from_panel[:3, 3]) for p in layout.panels]
    for light in facts:
        if light.is_window:
            continue
        away_m = np.linalg.norm(points - light.placed.position_m, axis=1)
        thing = "the sitter or the backdrop" if layout.has_sitter else "the backdrop"
        things = [(thing, float(away_m.min()))] if len(away_m) else []
        things += [(name, float(np.linalg.norm(place - light.placed.position_m))) for name, place in panels]
        cautions += [
            Finding("close to cloth", Severity.CAUTION, light.name, {"distance_m": distance_m}, {"thing": thing})
            for thing, distance_m in things
            if distance_m < NEAR_CLOTH_M
        ]
    return cautions


def _trips(layout: Layout, facts: Sequence[LightFacts]) -> Finding:
    low, high = layout.room_low_m, layout.room_high_m
    cables = []
    camera = layout.camera.position_m * np.array([1.0, 0.0, 1.0])
    for light in facts:
        holding = holding_from_light(light.placed)
        if holding is None:
            continue
        foot = np.clip(holding.foot_m, low, high)
        to_wall_m = min(foot[0] - low[0], high[0] - foot[0], foot[2] - low[2], high[2] - foot[2])
        run_m = holding.pivot_m[1] + (0.0 if layout.is_open else to_wall_m)
        away_m = _distance_to_segment(foot, np.zeros(3), camera)
        numbers = {"cable_m": float(run_m), "in_lane": float(away_m < STAND_LEG_M + WALKWAY_M)}
        cables.append(Finding("cable", Severity.CAUTION, light.name, numbers))
    return Finding("trip runs", Severity.CAUTION, numbers={"to_wall": float(not layout.is_open)}, parts=tuple(cables))


def _distance_to_segment(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> float:
    along = b - a
    share = np.clip((point - a) @ along / max(float(along @ along), 1e-12), 0, 1)
    return float(np.linalg.norm(point - a - share * along))


def _eyes(scene: Scene, layout: Layout, facts: Sequence[LightFacts]) -> list[Finding]:
    """Flash heads by their distance from the sitter's eyes, the nearest first."""
    eyes = [layout.anchors_m[name] for name in ("near eye", "far eye")]
    heads: list[Finding] = []
    for light in facts if layout.has_sitter else ():
        if light.is_window or not scene.lights[light.name].is_flash:
            continue
        rig = light.placed.rig
        away_m = min(float(np.linalg.norm(eye - light.placed.position_m)) for eye in eyes)
        full_lx_s = axial_illuminance_lx(rig.emitters, rig.body, max(away_m, 0.05))
        numbers = {"distance_m": away_m, "now_lx_s": full_lx_s * 2.0**light.power_stops, "full_lx_s": full_lx_s}
        heads.append(Finding("flash near eyes", _severity(away_m < NEAR_EYE_M), light.name, numbers))
    if not heads:
        return []
    heads.sort(key=lambda head: (head.numbers["distance_m"], head.light or ""))
    return [Finding("flash and eyes", heads[0].severity, parts=tuple(heads))]


def _weather(scene: Scene) -> list[Finding]:
    """Outdoors: wind on cloth and boards, and wet on the mains."""
    return [Finding("weather", Severity.CAUTION)] if scene.room.is_open and (scene.lights or scene.panels) else []


def _flash_rate(scene: Scene) -> list[Finding]:
    """The head that can fire fastest at its dial, where the scene tells any head's draw."""
    if not any(light.is_flash for light in scene.lights.values()):
        return []
    rates = []
    for name, light in scene.lights.items():
        source = light.source
        if isinstance(source, model.FlashSource) and source.consumption_W:
            cycle_s = photometry.recycling_s(source.energy_J * 2.0**light.power_stops, source.consumption_W)
            rates.append((1 / cycle_s, name))
    if not rates:
        return [Finding("flash rate", Severity.CAUTION)]
    rate, name = max(rates)
    return [Finding("flash rate", Severity.CAUTION, name, {"flashes_per_s": rate})]
