"""The order in which lights are set, and what the meter shall read after each step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering.points import (
    FACE,
    RECEPTOR_GAP_M,
    PointReadings,
    amount_text,
    probe_at,
    readings_by_probe,
    standard_probes,
)
from sim.quantities import phrases
from sim.reports.plan.facts import LightFacts
from sim.scene.model import Scene
from sim.studio.gear.rig import axial_illuminance_lx
from sim.studio.layout import Layout, unit

THIRD = 1 / 3
ROOM_NUDGE = "room light: screen it, or take it as it is"
FACE_ALONG_NOSE = ProbeId("dome", "face", "along the nose")


@dataclass(frozen=True)
class BuildStep:
    """One step of the build-up.

    `alone_f_number` this light only, at its own aim point, dome toward the light; `together_f_number` there with all
    lights set so far; `face_f_number` all set so far, at the face, dome toward the camera. None: not measured.
    `amounts` the same three as lx and lx·s in words.
    """

    light: str
    number: int
    power: str
    hold: str
    alone_f_number: float | None
    together_f_number: float | None
    face_f_number: float | None
    alone_lx: float | None
    nudge: str
    amounts: tuple[str, str, str] = ("", "", "")

    def ticks(self, *, is_first: bool, lux: bool) -> list[str]:
        """What is ticked off once the light stands: its readings, alone and with those before it.

        Arguments: `lux` whether each also tells lx of continuous light and lx·s of flash.
        """
        if self.alone_f_number is None:
            return ["set and checked"]
        steady = f" ({self.alone_lx:.0f} lx)" if self.alone_lx is not None else ""
        alone, together, face = (f" ({text})" for text in self.amounts) if lux else (steady, "", "")
        so_far = [] if is_first else [f"with the lights so far: {phrases.reading(self.together_f_number)}{together}"]
        return [
            f"alone: {phrases.reading(self.alone_f_number)}{alone}",
            *so_far,
            f"face, dome to camera, all so far: {phrases.reading(self.face_f_number)}{face}",
        ]


def plan_probes(layout: Layout) -> list[Probe]:
    """Probes of a plan: one per light at its aim point toward it, the face along its facing, the standard points."""
    probes = []
    for light in layout.lights:
        name = _aim_part(light.aim_m, layout)
        # A point in the open has no surface to hold the meter off: hold it a little toward the light.
        at = name if name is not None else light.aim_m + RECEPTOR_GAP_M * unit(light.position_m - light.aim_m)
        probes.append(probe_at(layout, _at_aim(light.name), light.position_m, at=at))
    b = math.radians(layout.figure.head_facing_deg)
    toward = layout.anchors_m["face"] + np.array([math.sin(b), 0.0, math.cos(b)])
    probes.append(probe_at(layout, FACE_ALONG_NOSE, toward))
    return probes + standard_probes(layout)


def _at_aim(light: str) -> ProbeId:
    """The dome at a light's aim point, turned to it."""
    return ProbeId("dome", "aim", light)


def _aim_part(point_m: np.ndarray, layout: Layout) -> str | None:
    near = (name for name, place in layout.anchors_m.items() if np.allclose(place, point_m, atol=1e-9))
    return next(near, None)


def order_from_readings(names: Sequence[str], is_flash: Sequence[bool], face: dict[str, float],
                        lights: Sequence[str]) -> list[str]:  # fmt: skip
    """Lights in the order to set them: the room's own first, then the one that gives the face the most, and so on.

    Arguments: `face` exposure of each light at the face; `lights` those that can be set.
    """
    room = [name for name in names if name not in lights]
    return [*room, *sorted(lights, key=lambda name: (-face[name], list(names).index(name)))]


def steps_from_readings(
    scene: Scene, layout: Layout, facts: Sequence[LightFacts], mix: Mix, measured: ProbeReadings | None
) -> tuple[BuildStep, ...]:
    """The build-up of a scene; without measured probes the steps keep the scene's order and hold no readings."""
    camera = scene.camera
    enabled = [name for name, muted in zip(mix.names, mix.muted, strict=True) if not muted]
    if measured is None:
        order, full = enabled, None
    else:
        full = readings_by_probe(measured, mix, camera)
        face = {name: full[FACE_ALONG_NOSE].by_light[name].exposure for name in enabled}
        lights = [name for name in enabled if name in scene.lights]
        order = order_from_readings(enabled, mix.is_flash, face, lights)
    by_name = {f.name: f for f in facts}
    steps = []
    for count, name in enumerate(order, 1):
        so_far: dict[ProbeId, PointReadings] = {}
        if measured is not None:
            so_far = readings_by_probe(measured, mix.only(order[:count]), camera)
        light = by_name.get(name)
        point = _at_aim(name) if light else FACE_ALONG_NOSE
        alone = full[point].by_light[name] if full else None
        steps.append(BuildStep(
            light=name,
            number=light.number if light else 0,
            power=_power(light),
            hold=f"at the {light.aim}, dome toward this light" if light else "at the face, dome along the nose",
            alone_f_number=alone.f_number if alone else None,
            together_f_number=so_far[point].combined.f_number if so_far else None,
            face_f_number=so_far[FACE].combined.f_number if so_far else None,
            alone_lx=None if alone is None else alone.continuous,
            nudge=nudge_text(scene, light) if light and not light.is_window else ROOM_NUDGE,
            amounts=("", "", "") if alone is None else (
                amount_text(alone, "dome"), amount_text(so_far[point].combined, "dome"),
                amount_text(so_far[FACE].combined, "dome"),
            ),
        ))  # fmt: skip
    return tuple(steps)


def _power(light: LightFacts | None) -> str:
    if light is None or light.is_window:
        return "as it is"
    return phrases.power(light.power_stops)


def nudge_text(scene: Scene, light: LightFacts) -> str:
    """What to change when a light reads a third of a stop too much or too little."""
    dial = scene.lights[light.name].source.dial
    power = []
    for change, what in ((-THIRD, "over"), (THIRD, "under")):
        # Name a setting that the dial has, if it has one near.
        wanted = light.power_stops + change
        setting = dial.step_stops * round(wanted / dial.step_stops)
        if -dial.range_stops - 1e-9 <= setting <= 1e-9 and abs(setting - wanted) < THIRD / 2:
            power.append(f"1/3 {what}: dial {phrases.power_short(setting)}")
    near, far = distance_for_stops(light, THIRD), distance_for_stops(light, -THIRD)
    moves = [
        f"{phrases.metres_and_feet(d)} for {sign}1/3"
        for d, sign in ((far, phrases.MINUS), (near, "+"))
        if d is not None
    ]
    text = "; ".join(power) if power else "the dial has no such setting"
    return f"{text}. Or move it along its aim line: {' or '.join(moves)}." if moves else f"{text}."


def distance_for_stops(light: LightFacts, stops: float) -> float | None:
    """Distance from the aim point at which the light gives so many stops more, on its axis, by its real size.

    None when that would be nearer than a quarter of the distance, or is not to be had.
    """
    rig, here_m = light.placed.rig, light.aim_distance_m
    wanted = axial_illuminance_lx(rig.emitters, rig.body, here_m) * 2.0**stops
    near, far = 0.25 * here_m, 4 * here_m
    if (
        not axial_illuminance_lx(rig.emitters, rig.body, far)
        < wanted
        < axial_illuminance_lx(rig.emitters, rig.body, near)
    ):
        return None
    for _ in range(16):
        middle = (near + far) / 2
        if axial_illuminance_lx(rig.emitters, rig.body, middle) > wanted:
            near = middle
        else:
            far = middle
    return (near + far) / 2
