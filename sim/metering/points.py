"""Meter readings: probes and layers to f-numbers and stops, per light and combined.

Incident: f-number that a meter of ISO 2720 shows at the scene's ISO, and the stops it lies over (+) or under (-) the
camera's own f-number. Reflected: stops of a part's mean luminance from middle grey in the picture (ISO 12232).
Every value is of raw samples; none is read from a denoised picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.light.stack import LightStack
from sim.quantities import color, photometry, phrases
from sim.quantities.errors import HalfstopError, quoted
from sim.scene.model import Camera, Heading, Point, Scene
from sim.studio.layout import Layout, unit

CONSTANT_C = photometry.INCIDENT_CONSTANT_C
# Held this far off the skin or cloth, as a hand would hold a meter.
RECEPTOR_GAP_M = 0.04
SAME_PLACE_M = 0.001
# Meter points of every scene: domes toward the camera.
FACE = ProbeId("dome", "face")
STANDARD_POINTS = (FACE, ProbeId("dome", "gown"), ProbeId("dome", "backdrop centre"))
# Names of the two amounts of light of a reading, flash and continuous, with their units: incident and reflected.
INCIDENT_AMOUNTS = ("exposure_lx_s", "illuminance_lx")
REFLECTED_AMOUNTS = ("exposure_cd_s_m2", "luminance_cd_m2")
UNITS = dict(zip(INCIDENT_AMOUNTS + REFLECTED_AMOUNTS, ("lx·s", "lx", "cd·s/m²", "cd/m²"), strict=True))


@dataclass(frozen=True)
class Reading:
    """One value of one light, or of all together.

    `exposure`: lx s (incident) or cd s/m2 (reflected) during the shutter's time. `f_number`: what an incident meter
    (dome, flat) or a spot meter shows, 0 in darkness. `over_camera_stops`: incident only, that f-number against the
    camera's. `from_grey_stops`: reflected only, how the part shows in the picture, 0 is middle grey. Where they do
    not apply they are None, in darkness -inf. `stderr_stops`: standard error, with what a limit of bounces leaves out.
    `share`: part of the combined light, 0..1. `flash`: what flash gives, lx s or cd s/m2; `continuous`: what continuous
    light gives however long the shutter is open, lx or cd/m2; None where there is no such light.
    """

    exposure: float
    f_number: float
    over_camera_stops: float | None
    from_grey_stops: float | None
    stderr_stops: float
    share: float
    flash: float | None = None
    continuous: float | None = None


@dataclass(frozen=True)
class PointReadings:
    """What one meter reads: `kind` of its receptor or "part", `by_light` in layer order, and `combined`."""

    id: ProbeId
    kind: str
    by_light: dict[str, Reading]
    combined: Reading


class HeldMeter(Protocol):
    """A meter as a scene or a list of readings says it is held; see `sim.scene.model.Meter`."""

    @property
    def at(self) -> Point | str: ...
    @property
    def kind(self) -> str: ...
    @property
    def facing(self) -> Point | Heading | tuple[float, float, float] | str: ...


def standard_probes(layout: Layout) -> list[Probe]:
    """Domes toward the camera at the standard points of every scene."""
    held = [point for point in STANDARD_POINTS if point.part in layout.anchors_m]
    return [probe_at(layout, point, layout.camera.position_m) for point in held]


def scene_probes(scene: Scene, layout: Layout) -> list[Probe]:
    """The probes of the scene file's own meter points."""
    return [probe_from_meter(layout, ProbeId("own", name), meter) for name, meter in scene.meters.items()]


def probe_from_meter(layout: Layout, id: ProbeId, meter: HeldMeter) -> Probe:
    """The probe of one meter point: held `at` a part or point, `facing` a light, panel or point, or some way.

    A spot meter looks from what it faces, for a direction from 1 m off. Raises `HalfstopError` where that is its own
    place.
    """
    at = meter.at if isinstance(meter.at, str) else np.array(meter.at.position_m)
    held_m = _held_m(layout, at, meter.kind)
    toward_m = _faced_m(layout, held_m, meter.facing)
    if float(np.linalg.norm(toward_m - held_m)) < SAME_PLACE_M:
        raise HalfstopError(f'meter {quoted(id.part)} faces its own place; write "facing: camera"')
    return probe_at(layout, id, toward_m, at=at, kind=meter.kind)


def _faced_m(
    layout: Layout, held_m: np.ndarray, facing: Point | Heading | tuple[float, float, float] | str
) -> np.ndarray:
    """What a meter held at a point (3,) faces, for a direction the point 1 m off."""
    ways = {"up": (0.0, 1.0, 0.0), "down": (0.0, -1.0, 0.0)}
    match facing:
        case Point():
            return np.array(facing.position_m)
        case "camera":
            return layout.camera.position_m
        case Heading():
            way = np.array(facing.direction)
        case str() if facing in ways:
            way = np.array(ways[facing])
        case str() if facing in layout.panel_names:
            return layout.panel_centre_m(facing)
        case str():
            return layout.light(facing).position_m
        case _:
            way = unit(np.array(facing))
    off_m: np.ndarray = held_m + way
    return off_m


def probe_at(layout: Layout, id: ProbeId, toward_m: np.ndarray, *, at: str | np.ndarray = "", kind: str = "") -> Probe:
    """A probe held at a part or point and turned toward `toward_m`; a spot meter looks from there at the part.

    Arguments: `at` a part's name (the receptor is held 4 cm off its surface) or a point (3,) in metres; `kind` of the
    receptor. Left out, both are as `id` says.
    """
    kind = kind or id.kind
    if isinstance(at, str):
        at = at or id.part
    held_m = _held_m(layout, at, kind)
    if kind == "spot":
        return Probe(id, kind, toward_m, unit(held_m - toward_m))
    return Probe(id, kind, held_m, unit(toward_m - held_m))


def _held_m(layout: Layout, at: str | np.ndarray, kind: str) -> np.ndarray:
    """Where a receptor is held, or what a spot meter looks at (3,)."""
    if not isinstance(at, str):
        return at
    gap_m = 0.0 if kind == "spot" else RECEPTOR_GAP_M
    held_m: np.ndarray = layout.anchors_m[at] + gap_m * layout.anchor_normals[at]
    return held_m


def readings_from_probes(measured: ProbeReadings, mix: Mix, camera: Camera) -> list[PointReadings]:
    """Meter readings of probes at a mix's dials, colours and mutes."""
    weights = mix.weights_rgb(camera.shutter_s)
    plain = color.luminance(weights)
    readings = []
    for index, probe in enumerate(measured.probes):
        exposures = color.luminance(measured.values[index] * weights)
        errors = measured.stderr[index] * plain
        readings.append(_point_readings(probe.id, probe.kind, mix, exposures, errors, camera))
    return readings


def readings_by_probe(measured: ProbeReadings, mix: Mix, camera: Camera) -> dict[ProbeId, PointReadings]:
    """The same, each under its probe."""
    return {reading.id: reading for reading in readings_from_probes(measured, mix, camera)}


def readings_from_regions(stack: LightStack, mix: Mix, camera: Camera, regions: Sequence[str]) -> list[PointReadings]:
    """Reflected readings of whole parts as the picture shows them: mean over the pixels of each region.

    Regions outside the frame are left out.
    """
    weights = mix.weights_rgb(camera.shutter_s)
    plain = color.luminance(weights)
    readings = []
    for region in regions:
        if not stack.mask(region).any():
            continue
        means, errors = stack.part_means(region)
        # What is estimated from few rays may fall below nothing.
        exposures = np.maximum(color.luminance(means * weights), 0)
        readings.append(_point_readings(ProbeId("part", region), "part", mix, exposures, errors * plain, camera))
    return readings


def amounts_from_reading(reading: Reading, kind: str) -> dict[str, float]:
    """What light there is, each amount under its name with its unit: of flash, of continuous light, or of both.

    Arguments: `kind` of the receptor, as in `PointReadings`.
    """
    names = INCIDENT_AMOUNTS if kind in CONSTANT_C else REFLECTED_AMOUNTS
    found = zip(names, (reading.flash, reading.continuous), strict=True)
    return {name: value for name, value in found if value is not None}


def amount_text(reading: Reading, kind: str) -> str:
    """The same in words, such as "312 lx·s", or "312 lx·s + 85 lx" where flash and continuous light meet."""
    amounts = amounts_from_reading(reading, kind)
    return " + ".join(phrases.amount(value, UNITS[name]) for name, value in amounts.items())


def _point_readings(
    id: ProbeId, kind: str, mix: Mix, exposures: np.ndarray, errors: np.ndarray, camera: Camera
) -> PointReadings:
    total, error = float(exposures.sum()), float(np.sqrt(np.square(errors).sum()))

    def read(lights: np.ndarray, exposure: float, stderr: float) -> Reading:
        flash, heard = np.array(mix.is_flash), lights & ~np.array(mix.muted)
        given = float(exposures[lights & flash].sum()) if (heard & flash).any() else None
        shone = float(exposures[lights & ~flash].sum()) / camera.shutter_s if (heard & ~flash).any() else None
        return replace(_reading(kind, exposure, stderr, total, camera), flash=given, continuous=shone)

    each = np.eye(len(mix.names), dtype=bool)
    by_light = {
        name: read(row, float(value), float(stderr))
        for name, row, value, stderr in zip(mix.names, each, exposures, errors, strict=True)
    }
    return PointReadings(id, kind, by_light, read(np.ones(len(each), dtype=bool), total, error))


def _reading(kind: str, exposure: float, stderr: float, total: float, camera: Camera) -> Reading:
    stderr_stops = stderr / exposure / np.log(2) if exposure > 0 else 0.0
    share = exposure / total if total > 0 else 0.0
    if kind in CONSTANT_C:
        f_number = float(photometry.f_number_from_exposure(exposure, camera.iso, CONSTANT_C[kind]))
        over = 2 * _log2(f_number / camera.f_number)
        return Reading(exposure, f_number, over, None, stderr_stops, share)
    f_number = float(photometry.f_number_from_luminous_exposure(exposure, camera.iso))
    shown = exposure * photometry.display_scale(camera.f_number, camera.iso)
    from_grey = _log2(shown / photometry.MIDDLE_GREY)
    return Reading(exposure, f_number, None, from_grey, stderr_stops, share)


def _log2(ratio: float) -> float:
    return float(np.log2(ratio)) if ratio > 0 else float("-inf")
