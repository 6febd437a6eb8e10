"""The meter report: every point of the set-up by light and combined, in the terms of a hand-held meter."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.metering import points as metering
from sim.metering.lighting_ratio import DEFINITION, LightingRatio, lighting_ratio
from sim.metering.points import PointReadings, Reading
from sim.metering.report_points import (
    KeySide,
    contrast_probes,
    held_text,
    key_side_from_readings,
    lights_to_model,
    parts_by_name,
    report_probes,
)
from sim.quantities.plain import PlainDict, plain_dict
from sim.render.cache.queries import StageLike, read_probes
from sim.scene.model import Scene
from sim.studio.layout import Layout

TARGET_STDERR_STOPS = 0.03
# Common practice, no source.
CONTRAST_DEFINITION = (
    "all light on the key-side cheek, flat receptor turned to the key : all light on the shadow-side cheek, flat "
    "receptor turned to the camera"
)


@dataclass(frozen=True)
class PointReport:
    """One point: `incident` by dome or the user's own receptor, `spot` from the camera; either may be missing.

    `held` says of the user's own meter how it is held, "" where that is a dome toward the camera.
    """

    name: str
    part: str
    incident: PointReadings | None
    spot: PointReadings | None
    held: str = ""

    @property
    def label(self) -> str:
        """Its name, and how the meter is held where that is no dome toward the camera."""
        return f"{self.name}, {self.held}" if self.held else self.name


@dataclass(frozen=True)
class Contrast:
    """Key-side cheek to shadow-side cheek: `factor` (None where one is dark), `diff_stops`.

    `stderr_stops` of that is at most so much: all probes share their random numbers, so the errors of the two readings
    go together in a way that is not kept, and by the triangle inequality they differ by no more than both add up to.
    """

    factor: float | None
    diff_stops: float | None
    stderr_stops: float


@dataclass(frozen=True)
class MeterReport:
    """Readings of a set-up; `ratio` (key + fill) : fill, `contrast` of the cheeks as defined in `CONTRAST_DEFINITION`.

    `dome_contrast` of the same cheeks with domes toward the camera. `depth` limit of bounces, None for none;
    `precision_stops` standard error that was aimed at; `has_sitter` False: incident readings in the air, where the
    parts of one who stands there would be, and no contrast to speak of.
    """

    title: str
    camera: dict[str, float]
    lights: tuple[str, ...]
    muted: tuple[str, ...]
    key: KeySide
    points: tuple[PointReport, ...]
    ratio: LightingRatio
    contrast: Contrast
    dome_contrast: Contrast
    seed: int
    depth: int | None = None
    precision_stops: float = TARGET_STDERR_STOPS
    has_sitter: bool = True

    def point(self, name: str) -> PointReport:
        """The point called `name`."""
        return next(point for point in self.points if point.name == name)


def read_meter(
    scene: Scene, layout: Layout, stage: StageLike, *, key: str | None = None, seed: int = 0,
    target_stderr_stops: float = TARGET_STDERR_STOPS,
) -> MeterReport:  # fmt: skip
    """Trace the probes of a report in one go and put the report together.

    Arguments: `stage` the built stage, or a rehearsal's; `key` the light to take for the key, otherwise it is found.
    """
    measured = read_probes(
        stage, report_probes(scene, layout), seed=seed, depth=scene.render.depth,
        target_stderr_stops=target_stderr_stops,
    )  # fmt: skip
    return report_from_probes(scene, layout, measured, key=key, seed=seed)


def report_from_probes(
    scene: Scene, layout: Layout, measured: ProbeReadings, *, key: str | None = None, seed: int = 0,
    mix: Mix | None = None,
) -> MeterReport:  # fmt: skip
    """Report from probes that were already traced, at a mix of the lights; by default the scene's own.

    Arguments: `measured` those of `report_probes`, at least those of its ratio and of the cheeks: points that none
    reads are left out.
    """
    mix = mix or mix_from_scene(scene, layout)
    readings = metering.readings_by_probe(measured, mix, scene.camera)
    side = key_side_from_readings(readings, lights_to_model(layout), key)
    points = [
        PointReport(name, part, readings.get(ProbeId("dome", part)), readings.get(ProbeId("spot", part)))
        for name, part in parts_by_name(side, scene, layout).items()
    ]
    for name, meter in scene.meters.items():
        reading = readings.get(ProbeId("own", name))
        at = meter.at if isinstance(meter.at, str) else "a point"
        spot = meter.kind == "spot"
        held = held_text(meter.kind, meter.facing)
        points.append(PointReport(name, at, None if spot else reading, reading if spot else None, held))
    camera = scene.camera
    return MeterReport(
        title=scene.title,
        camera={"f_number": camera.f_number, "shutter_s": camera.shutter_s, "iso": camera.iso},
        lights=mix.names,
        muted=tuple(name for name, muted in zip(mix.names, mix.muted, strict=True) if muted),
        key=side,
        points=tuple(point for point in points if point.incident or point.spot),
        ratio=lighting_ratio(readings, side),
        contrast=_contrast(*(readings[probe] for probe in contrast_probes(side))),
        dome_contrast=_contrast(*(readings[ProbeId("dome", cheek)] for cheek in (side.lit_cheek, side.shadow_cheek))),
        seed=seed,
        depth=scene.render.depth,
        has_sitter=layout.has_sitter,
    )


def _contrast(lit: PointReadings, shadow: PointReadings) -> Contrast:
    high, low = lit.combined, shadow.combined
    stderr = high.stderr_stops + low.stderr_stops
    if low.exposure <= 0 or high.exposure <= 0:
        return Contrast(None, None, stderr)
    factor = high.exposure / low.exposure
    return Contrast(factor, float(np.log2(factor)), stderr)


def drop_stops(reading: Reading) -> float:
    """Stops that a point loses when this light is off, 0 or less; -inf where it is the only light."""
    left = 1 - reading.share
    return float(np.log2(left)) if left > 1e-9 else float("-inf")


# -- for machines -------------------------------------------------------------------------------


def json_from_report(report: MeterReport) -> PlainDict:
    """The whole report as plain data; what is dark or endless is null."""
    return plain_dict({
        "title": report.title,
        "camera": report.camera,
        "lights": report.lights,
        "muted": report.muted,
        "key": asdict(report.key),
        "ratio": {"definition": DEFINITION, "text": report.ratio.text, **asdict(report.ratio)},
        "contrast": {"definition": CONTRAST_DEFINITION, **asdict(report.contrast)},
        "contrast_dome_to_camera": asdict(report.dome_contrast),
        "points": {
            point.name: {
                "part": point.part,
                "held": point.held,
                "incident": _record_from_readings(point.incident),
                "reflected": _record_from_readings(point.spot),
            }
            for point in report.points
        },
        "seed": report.seed,
        "depth": report.depth,
        "precision_stops": report.precision_stops,
        "has_sitter": report.has_sitter,
    })  # fmt: skip


def _record_from_readings(readings: PointReadings | None) -> dict[str, object] | None:
    if readings is None:
        return None
    return {
        "kind": readings.kind,
        "combined": _record_from_reading(readings.combined, readings.kind),
        "by_light": {
            name: {**_record_from_reading(reading, readings.kind), "drop_if_off_stops": drop_stops(reading)}
            for name, reading in readings.by_light.items()
        },
    }


def _record_from_reading(reading: Reading, kind: str) -> dict[str, object]:
    """A reading as plain data; `light` has what there is of flash and of continuous light, under names with units."""
    record = {key: value for key, value in asdict(reading).items() if key not in ("flash", "continuous")}
    return {**record, "light": metering.amounts_from_reading(reading, kind)}
