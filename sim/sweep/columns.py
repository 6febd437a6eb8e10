"""Names of the table's columns: one rule for those who write them and those who read them.

Parts of a name are joined by dots; names of lights and points hold none.

    axis.NAME             value as written          value.NAME          the same as a number, in the field's unit
    incident.POINT.LIGHT  stops over the camera's   incident_error.POINT  standard error of all lights together
    spot.POINT.LIGHT      stops from middle grey    spot_error.POINT
    flat.CHEEK.LIGHT      as incident, by flat receptors: key-side cheek turned to the key, the other to the camera
    verdict.CHECK         "good" or "look"          check.CHECK         what it says, in words
    fact.NAME             a figure of the checks    wish.POINT          stops that a wish is missed by
LIGHT is "combined" for all lights together. Null in a row that is done: no light there at all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from sim.advice.checks.sentences import lines_from_finding
from sim.light.readings import ProbeId
from sim.metering.health import Health
from sim.metering.points import PointReadings, Reading
from sim.metering.report import MeterReport
from sim.metering.report_points import KEY_CHEEK, SHADOW_CHEEK, contrast_probes
from sim.scene.model import Scene
from sim.sweep.setup import Row

if TYPE_CHECKING:
    from sim.advice.checks.report import CheckReport

COMBINED = "combined"
GOOD, LOOK = "good", "look"
# Beyond these a check asks for a look; common practice, no source.
WEAK_OUTLINE_SHARE, CLIPPED_FACE_SHARE = 0.25, 0.005
EYES = ("near eye", "far eye", "face", "left eye", "right eye")
# Subjects of the checks that are put into words.
SUBJECTS = ("duties", "separation", "catchlights", "focus", "frame", "flare", "sparkle")
CHECKS = ("exposure", "separation", "catchlights", "focus", "frame", "flare", "duties")


def reading_columns(report: MeterReport, flats: Mapping[str, PointReadings]) -> Row:
    """Columns of every reading: arguments as from the report, and the cheeks' flat receptors by point."""
    row: Row = {
        "key_light": report.key.light,
        "key_side": report.key.lit_cheek,
        "fill_light": report.ratio.fill,
        "lighting_ratio": finite(report.ratio.factor),
        "lighting_ratio_error": finite(report.ratio.stderr_stops),
        "contrast_stops": finite(report.contrast.diff_stops),
        "contrast_error": finite(report.contrast.stderr_stops),
    }
    for point in report.points:
        row |= _point_columns("incident", point.name, point.incident)
        row |= _point_columns("spot", point.name, point.spot)
    for name, readings in flats.items():
        row |= _point_columns("flat", name, readings)
    return row


def flats_of(report: MeterReport, readings: Mapping[ProbeId, PointReadings]) -> dict[str, PointReadings]:
    """The cheeks' flat receptors, as the contrast of the cheeks reads them."""
    lit, shadow = contrast_probes(report.key)
    return {KEY_CHEEK: readings[lit], SHADOW_CHEEK: readings[shadow]}


def _point_columns(kind: str, point: str, readings: PointReadings | None) -> Row:
    if readings is None:
        return {}
    row: Row = {f"{kind}.{point}.{name}": _stops(reading) for name, reading in readings.by_light.items()}
    row[f"{kind}.{point}.{COMBINED}"] = _stops(readings.combined)
    row[f"{kind}_error.{point}"] = finite(readings.combined.stderr_stops)
    return row


def _stops(reading: Reading) -> float | None:
    stops = reading.over_camera_stops
    return finite(reading.from_grey_stops if stops is None else stops)


def scene_columns(scene: Scene) -> Row:
    """Columns of how the picture is exposed."""
    camera = scene.camera
    return {"f_number": camera.f_number, "shutter_s": camera.shutter_s, "iso": float(camera.iso)}


def check_columns(report: CheckReport, health: Health) -> Row:
    """Columns of the checks: verdicts, what they say in words, and figures."""
    from sim.advice.checks.findings import findings_from_report

    findings = findings_from_report(report)
    row: Row = {
        f"check.{name}": "; ".join(line.strip() for finding in findings[name] for line in lines_from_finding(finding))
        for name in SUBJECTS
    }
    clipped = [(name, part.clipped) for name, part in health.parts.items() if part.clipped >= CLIPPED_FACE_SHARE]
    row["check.exposure"] = (
        "; ".join(f"{100 * share:.1f} % of the {name} clips" for name, share in clipped) or "nothing clips"
    )
    face = health.parts.get("face")
    parted, focus = report.separation, report.focus
    looks = {
        "exposure": face is not None and face.clipped > CLIPPED_FACE_SHARE,
        "separation": not parted.weak_share <= WEAK_OUTLINE_SHARE or math.isnan(parted.median_stops),
        "catchlights": not report.catchlights,
        "focus": any(part in focus.outside_m for part in EYES)
        or (focus.coverage is not None and not focus.coverage.fills),
        "frame": bool(report.intrusions),
        "flare": bool(report.flares),
        "duties": any(duty.idle for duty in report.duties.duties),
    }
    row |= {f"verdict.{name}": LOOK if looks[name] else GOOD for name in CHECKS}
    row |= {
        "fact.looks": sum(looks.values()),
        "fact.separation_median_stops": finite(parted.median_stops),
        "fact.separation_weak_share": finite(parted.weak_share),
        "fact.face_clipped_share": None if face is None else finite(face.clipped),
        "fact.face_median_stops": None if face is None else finite(face.median_stops),
        "fact.catchlights": len(report.catchlights),
        "fact.sparkling_share": None if report.sparkle is None else finite(report.sparkle.share),
    }
    return row


def finite(value: float | None) -> float | None:
    """A finite number, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def about(name: str) -> str:
    """What a column holds, in words, for its field in the table."""
    head, *rest = name.split(".")
    whole = {
        "variation": "number in the study", "id": "name of the content", "status": "done, failed or waiting",
        "reason": "why it failed", "score": "root mean square of the wishes' misses", "rank": "1 is best",
        "picture": "file, from the folder", "picture_sha256": "its checksum", "layers": "file, from the folder",
        "layers_sha256": "its checksum", "key_light": "light that models the face",
        "key_side": "cheek on its side, left and right as the camera sees them",
        "fill_light": "light that opens the shadow side; none where nothing does",
        "lighting_ratio": "(key + fill) : fill at the face, as a factor",
        "lighting_ratio_error": "its standard error at most, in stops of key over fill",
        "contrast_stops": "key-side cheek over shadow-side cheek, all lights",
        "contrast_error": "its standard error", "f_number": "camera",
        "shutter_s": "camera", "iso": "camera",
    }.get(head)  # fmt: skip
    if whole is not None:
        return whole
    light = "all lights together" if rest[-1] == COMBINED else f"{rest[-1]} alone"
    place = " ".join(rest[:-1]) if len(rest) > 1 else rest[0]
    return {
        "axis": f"{rest[0]} as written", "value": f"{rest[0]} as a number",
        "incident": f"incident at {place}, over (+) or under (-) the camera's f-number, {light}",
        "incident_error": f"standard error of incident at {rest[0]}, all lights together",
        "spot": f"{place} in the picture, from middle grey, {light}",
        "spot_error": f"standard error of spot at {rest[0]}, all lights together",
        "flat": f"incident by flat receptor on the {place}, over (+) or under (-) the camera's f-number, {light}",
        "flat_error": f"standard error of flat on the {rest[0]}, all lights together",
        "verdict": f"{rest[0]}: good, or look", "check": f"{rest[0]}: what it says",
        "fact": rest[0].replace("_", " "),
        "wish": f"{rest[0]}: stops over (+) or under (-) what is wished",
    }.get(head, name)  # fmt: skip


def unit_of(name: str) -> str:
    """Unit of a column's numbers; axes have their own."""
    head = name.split(".")[0]
    if head in ("incident", "incident_error", "spot", "spot_error", "flat", "flat_error", "wish", "score") or name in (
        "lighting_ratio_error", "contrast_stops", "contrast_error", "fact.separation_median_stops",
        "fact.face_median_stops",
    ):  # fmt: skip
        return "stops"
    return {"shutter_s": "s", "f_number": "f/"}.get(name, "")


def ordered(names: Iterable[str]) -> list[str]:
    """Column names in the order of the table: who, what, score, exposure, checks, readings."""
    heads = (
        "variation", "id", "status", "reason", "rank", "score", "wish", "axis", "value", "picture", "layers",
        "picture_sha256", "layers_sha256", "key_light", "key_side", "fill_light", "lighting_ratio",
        "lighting_ratio_error", "contrast_stops", "contrast_error", "f_number", "shutter_s", "iso",
        "verdict", "fact", "check", "flat", "flat_error", "incident", "incident_error", "spot",
        "spot_error",
    )  # fmt: skip
    place = {head: index for index, head in enumerate(heads)}
    return sorted(dict.fromkeys(names), key=lambda name: place.get(name.split(".")[0], len(heads)))
