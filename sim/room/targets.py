"""Readings for the page, and targets met from them: no ray is traced here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from sim.advice.balance import Balance, Wish, balance_from_readings, definition, want_points
from sim.advice.balance.outcome import dial_text
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.metering.points import CONSTANT_C, readings_by_probe
from sim.metering.report_points import (
    KEY_CHEEK,
    SHADOW_CHEEK,
    KeySide,
    held_text,
    key_side_from_readings,
    lights_to_model,
    parts_by_name,
    point_from_text,
    points_of_set,
)
from sim.quantities import photometry, phrases, units
from sim.quantities.errors import HalfstopError, UnitError, quoted
from sim.room.document.edits import Edit, SetValue
from sim.room.protocol.messages import DialMove, DialsFound, MeterPoint, TargetOutcome
from sim.room.protocol.requests import FindDials, TargetRow
from sim.scene.model import Scene
from sim.scene.text import data_from_text
from sim.studio.layout import Layout

MOST_STOPS = 20.0
Metres = npt.NDArray[np.float64]


def points_from_readings(scene: Scene, layout: Layout, report: ProbeReadings) -> list[MeterPoint]:
    """Every point that a target may name, with what each light alone gives there at full dial.

    Arguments: `report` readings of `sim.metering.report_points.report_probes`, of the same scene.
    """
    rows = {probe.id: index for index, probe in enumerate(report.probes)}
    parts = parts_by_name(key_side(scene, layout, report), scene, layout)
    points: list[MeterPoint] = []
    for name, probe_id in want_points(scene, layout, report).items():
        probe = report.probes[rows[probe_id]]
        part = parts.get(name, "")
        spot = rows.get(ProbeId("spot", part))
        own = name in scene.meters
        # Name the place that is read: for a spot meter what it looks at, not where it stands.
        at_m = _place_m(scene, layout, name, part, probe.position_m)
        label = label_from_point(scene, name, probe_id)
        points.append({
            "name": name, "label": label, "part": part, "kind": probe.kind, "own": own, "standard": not own,
            "constant": CONSTANT_C.get(probe.kind, photometry.REFLECTED_CONSTANT_K),
            "at_m": [round(float(x), 4) for x in at_m],
            "per_light": _per_light(report, rows[probe_id]), "stderr": _stderr(report, rows[probe_id]),
            "spot": None if spot is None or own else _per_light(report, spot),
        })  # fmt: skip
    return points


def label_from_point(scene: Scene, name: str, probe: ProbeId) -> str:
    """A point's name, and how its meter is held where that is no dome toward the camera."""
    meter = scene.meters.get(name)
    held = held_text(meter.kind, meter.facing) if meter else held_text(probe.kind, probe.toward)
    return f"{name}, {held}" if held else name


def key_side(scene: Scene, layout: Layout, report: ProbeReadings) -> KeySide:
    """Which light is the key, and the cheeks as it sees them."""
    readings = readings_by_probe(report, mix_from_scene(scene, layout), scene.camera)
    return key_side_from_readings(readings, lights_to_model(layout))


def _place_m(scene: Scene, layout: Layout, name: str, part: str, receptor_m: Metres) -> Metres:
    if name not in scene.meters:
        return layout.anchors_m[part]
    at = scene.meters[name].at
    if scene.meters[name].kind != "spot":
        return receptor_m
    return layout.anchors_m[at] if isinstance(at, str) else np.array(at.position_m)


def _per_light(report: ProbeReadings, row: int) -> dict[str, list[float]]:
    return {name: [float(x) for x in report.values[row, k]] for k, name in enumerate(report.names)}


def _stderr(report: ProbeReadings, row: int) -> dict[str, float]:
    return {name: float(report.stderr[row, k]) for k, name in enumerate(report.names)}


def point_names(scene: Scene, layout: Layout) -> list[str]:
    """Names of the points that a target may name."""
    return [KEY_CHEEK, SHADOW_CHEEK, *points_of_set(scene, layout), *scene.meters]


def targets_from_request(scene: Scene, layout: Layout, request: FindDials) -> tuple[list[Wish], str, tuple[str, ...]]:
    """Targets, reference and locked lights of a tab's request; raises one plain line for what cannot be meant."""
    names = point_names(scene, layout)
    reference = _reference(request, names)
    targets: list[Wish] = []
    for row in request.wishes:
        target = _target(point_from_text(row.point, names), row)
        if target.point in [other.point for other in targets]:
            what = f"{quoted(target.point)} is wished for twice"
            raise UnitError(what, "one wish for a point", "remove one of them")
        if target.stops is not None and target.point == reference:
            what = f"{quoted(target.point)} is the point that stops are counted from"
            raise UnitError(what, "an f-number for it", "write f/8, or count stops from another point")
        targets.append(target)
    for name in request.locked:
        if name not in scene.lights:
            raise HalfstopError(f"there is no light {quoted(name)} to lock; the scene has {', '.join(scene.lights)}")
    return targets, reference, request.locked


def _reference(request: FindDials, names: list[str]) -> str:
    # A page may name the reference once, or beside each target.
    named = [request.reference, *(row.reference for row in request.wishes)]
    references = list(dict.fromkeys(name for name in named if name))
    if len(references) > 1:
        raise HalfstopError(f"wishes count their stops from {' and '.join(map(quoted, references))}; keep one of them")
    reference = references[0] if references else "face"
    return reference if reference == "camera" else point_from_text(reference, names)


def _target(point: str, row: TargetRow) -> Wish:
    stops, f_number = row.stops, row.f_number
    if isinstance(f_number, str):
        f_number = units.f_number_from_text(f_number)
    if isinstance(stops, str):
        stops = units.stops_from_text(stops)
    if (stops is None) == (f_number is None):
        raise UnitError(f"got no plain wish for {quoted(point)}", "stops or an f-number", "write -2 or f/5.6")
    for value, low, high in ((stops, -MOST_STOPS, MOST_STOPS), (f_number, 0.1, 1000.0)):
        if value is not None and not low <= value <= high:
            expected = f"at most {MOST_STOPS:g} stops, or an f-number such as f/5.6"
            raise UnitError(f"got {quoted(value)} for {quoted(point)}", expected, "write -2 or f/5.6")
    return Wish(point, f_number, stops)


def balanced(
    scene: Scene, layout: Layout, report: ProbeReadings, targets: Sequence[Wish], reference: str, locked: Sequence[str]
) -> Balance:
    """The dials that come nearest to the targets, as `halfstop balance` finds them."""
    points = want_points(scene, layout, report)
    return balance_from_readings(
        scene, layout, report, targets, points=points, reference=reference, locked=locked, seed=0
    )


def dials_from_balance(result: Balance) -> DialsFound:
    """A balance as the page is told it."""
    outcomes: list[TargetOutcome] = [
        {
            "point": o.wish.point,
            "wanted": o.wish.wanted,
            "reads": phrases.reading_short(o.f_number), "f_number": o.f_number, "off_stops": _finite(o.residual_stops),
            "before_stops": _finite(o.before_stops), "stderr_stops": _finite(o.stderr_stops), "met": o.met,
            "reasons": list(o.reasons),
        }
        for o in result.wishes
    ]  # fmt: skip
    moves: list[DialMove] = [
        {
            "light": move.light, "before_stops": move.before_stops, "after_stops": move.after_stops,
            "change_stops": move.change_stops, "before_text": phrases.power_short(move.before_stops),
            "after_text": phrases.power_short(move.after_stops), "fixed": move.why_fixed,
        }
        for move in result.moves
    ]  # fmt: skip
    return {
        "reference": result.reference, "reference_text": phrases.reading_short(result.reference_f_number),
        "outcomes": outcomes, "moves": moves,
        "feasible": result.met, "text": _lines(result), "definition": definition(result.reference),
    }  # fmt: skip


def edits_from_balance(result: Balance, text: str) -> list[Edit]:
    """The edits that set the dials of a balance, each on the scale that the scene's `text` had it on."""
    lights = data_from_text(text)["lights"]
    return [
        SetValue(
            path=("lights", move.light, "power"),
            value=dial_text(move.after_stops, move.step_stops, lights[move.light].get("power")),
        )
        for move in result.moves
        if abs(move.change_stops) > 1e-9
    ]


def _lines(result: Balance) -> list[str]:
    turned = [move for move in result.moves if abs(move.change_stops) > 1e-9]
    lines = [f"{move.light}: {phrases.change(move.change_stops)}, to "
             f"{phrases.power(move.after_stops)}" for move in turned]  # fmt: skip
    unmet = [f"Not met: {o.wish.text}: {'; '.join(o.reasons)}." for o in result.wishes if not o.met]
    if not unmet:
        lines.append("Every wish is met within a tenth of a stop.")
    if not turned:
        lines.append("No dial has to move." if not unmet else "No dial that may move brings it nearer.")
    return [*lines, *unmet]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
