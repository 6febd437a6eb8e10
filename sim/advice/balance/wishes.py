"""What the user wants, in words and numbers, and the probes that read it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sim.advice.balance.problem import BalanceProblem, LightDial
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.metering.points import CONSTANT_C, readings_by_probe
from sim.metering.report_points import (
    KEY_CHEEK,
    SHADOW_CHEEK,
    contrast_probes,
    key_side_from_readings,
    lights_to_model,
    parts_by_name,
    point_from_text,
)
from sim.quantities import color, photometry, phrases, units
from sim.quantities.errors import UnitError, quoted
from sim.scene.model import Camera, Scene
from sim.studio.layout import Layout

WISH_FORM = 'write "face=f/5.6", or stops such as "backdrop=-3"'


@dataclass(frozen=True)
class Wish:
    """A wanted reading at a point: `f_number`, or `stops` against the reference; one of them."""

    point: str
    f_number: float | None = None
    stops: float | None = None

    @property
    def wanted(self) -> str:
        """What the point should read, in words."""
        if self.f_number is not None:
            return phrases.reading_short(self.f_number)
        return phrases.change(self.stops or 0.0)

    @property
    def text(self) -> str:
        """The wish in words."""
        if self.f_number is not None:
            return f"{self.point} {units.text_from_f_number_in_thirds(self.f_number)}"
        return f"{self.point} {phrases.change(self.stops or 0.0)}"


def wish_from_text(text: str, points: Sequence[str]) -> Wish:
    """A wish from `face=f/5.6`, `shadow_cheek=-2` or `backdrop=-3 stops`.

    Arguments: `points` names that there are.
    """
    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not name or not value:
        raise UnitError(f"got the wish {quoted(text)}", "a point, =, and what it should read", WISH_FORM)
    point = point_from_text(name, points)
    if value.lower().startswith("f"):
        return Wish(point, f_number=units.f_number_from_text(value))
    plain = units.clean(value)
    number = re.fullmatch(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+|[0-9]+/[0-9]+)", plain)
    try:
        stops = units.stops_from_text(f"{plain} stops" if number else plain)
    except UnitError:
        expected = "an f-number or a number of stops"
        raise UnitError(f"got {quoted(value)} for {quoted(name)}", expected, WISH_FORM) from None
    if abs(stops) > 20:
        raise UnitError(f"got {quoted(value)} for {quoted(name)}", "at most 20 stops", WISH_FORM)
    return Wish(point, stops=stops)


def wishes_from_texts(texts: Sequence[str], points: Sequence[str], reference: str) -> list[Wish]:
    """Wishes of a balance; no point twice, and none that compares the reference with itself."""
    wishes = [wish_from_text(text, points) for text in texts]
    for index, wish in enumerate(wishes):
        if wish.point in [other.point for other in wishes[:index]]:
            raise UnitError(f"{quoted(wish.point)} is wished for twice", "one wish for a point", "remove one of them")
        if wish.stops is not None and wish.point == reference:
            what = f"{quoted(wish.point)} is the reference that stops are counted from"
            raise UnitError(what, "an f-number for it", f'write "{wish.point}=f/5.6", or choose another --reference')
    if not wishes:
        raise UnitError("nothing is wished for", "one or more wishes", 'add --want "face=f/5.6"')
    return wishes


def want_points(scene: Scene, layout: Layout, measured: ProbeReadings, key: str | None = None) -> dict[str, ProbeId]:
    """Probe that reads each point a wish may name.

    The report's points by dome, the cheeks by flat receptors as in their contrast, and the scene's own meters.
    """
    readings = readings_by_probe(measured, mix_from_scene(scene, layout), scene.camera)
    side = key_side_from_readings(readings, lights_to_model(layout), key)
    points = {name: ProbeId("dome", part) for name, part in parts_by_name(side, scene, layout).items()}
    points[KEY_CHEEK], points[SHADOW_CHEEK] = contrast_probes(side)
    return points | {name: ProbeId("own", name) for name in scene.meters}


def problem_from_readings(
    scene: Scene, layout: Layout, measured: ProbeReadings, wishes: Sequence[Wish], *, points: Mapping[str, ProbeId],
    reference: str = "face", locked: Sequence[str] = (),
) -> BalanceProblem:  # fmt: skip
    """Put the numbers of a balance together from probes at full dial.

    Arguments: `points` as from `want_points`; `reference` a point or "camera"; `locked` names of lights to leave.
    """
    camera, mix = scene.camera, mix_from_scene(scene, layout)
    names = list(scene.lights)
    for name in locked:
        if name not in names:
            raise UnitError(f"there is no light {quoted(name)} to lock", f"one of {', '.join(names)}", "correct it")
    dials = tuple(
        LightDial(
            name, light.power_stops, -light.source.dial.range_stops, light.source.dial.step_stops,
            free=not light.mute and name not in locked,
        )
        for name, light in scene.lights.items()
    )  # fmt: skip
    full = mix.faded({name: -dial for name, dial in zip(mix.names, mix.dial_stops, strict=True)})
    # Squared f-numbers add as light does: one factor from exposure to what the meter shows.
    weights = full.weights_rgb(camera.shutter_s)
    rows = {probe.id: index for index, probe in enumerate(measured.probes)}

    def squared(probe: ProbeId) -> np.ndarray:
        row = rows[probe]
        return color.luminance(measured.values[row] * weights) * _squared_f_per_exposure(
            measured.probes[row].kind, camera
        )

    table = np.array([squared(points[wish.point]) for wish in wishes]).reshape(len(wishes), len(mix.names))
    lamps = len(names)
    against = np.zeros(len(mix.names)) if reference == "camera" else squared(points[reference])
    return BalanceProblem(
        dials=dials,
        gain=table[:, :lamps],
        base=table[:, lamps:].sum(axis=1),
        reference_gain=against[:lamps],
        reference_base=camera.f_number**2 if reference == "camera" else float(against[lamps:].sum()),
        target=np.array([2 * math.log2(w.f_number) if w.f_number is not None else float(w.stops or 0) for w in wishes]),
        relative=np.array([w.f_number is None for w in wishes], bool),
    )


def _squared_f_per_exposure(kind: str, camera: Camera) -> float:
    constant = CONSTANT_C.get(kind, photometry.REFLECTED_CONSTANT_K)
    return camera.iso / constant
