"""readings.json: what was rendered, how, and every reading of it.

The file is one JSON object; every number is finite, and a value in darkness is null. Keys:

    format     1
    program    name and version
    scene      file, title, sha256 of what the scene says
    render     engine, width, height, samples per pixel, seed, depth (limit of bounces, null for none)
    camera     f_number, shutter_s, iso, white_balance_K
    lights     one per layer, in order: name, kind (flash or continuous), dial_stops from full, color_rgb (linear, with
               gels), heard (whether it is in the pictures and readings), picture (file or null), exr_layer
    incident   meter points with a dome or flat receptor, each: point, kind, position_m, facing, by_light, combined
    reflected  spot meter points (position_m and facing are the eye of the meter) and whole parts as the picture shows
               them (kind "part"): the same keys
    warnings   plain lines
    health     suggested f-number for the face, and by part what clips and sinks into black (see sim.metering.health)
    nose_shadow  what the key draws on the face, null where there is none: light, pattern and side by their names in
               sim.advice.checks.noseshadow, name as people say it, lit_side, lean_deg, lit shares of the cheeks
    meter      the report of `halfstop meter`: cheeks, forehead, chin, hair, shoulders, gown, hip, backdrop, own points
               by the same names, `held` as said of those that are no dome toward the camera;
               lighting ratio and contrast of the cheeks with their definitions (see sim.metering.lighting_ratio)

`by_light` has a reading for each heard light by name, `combined` the one of all together. A reading has:

    exposure            lx s (incident) or cd s/m2 (reflected) during the shutter's time
    light               what there is, under names with units: exposure_lx_s of flash and illuminance_lx of continuous
                        light, however long the shutter is open; reflected: exposure_cd_s_m2 and luminance_cd_m2
    f_number, meter     what a meter at the scene's ISO shows, as a number and as text; null in darkness
    over_camera_stops   incident: stops over (+) or under (-) the camera's f-number; null in darkness, absent otherwise
    from_grey_stops     reflected: stops from middle grey in the picture; null in darkness, absent otherwise
    stderr_stops        standard error, with what a limit of bounces leaves out; null in darkness
    share               part of the combined light, 0 to 1
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence

from sim.light.mix import Mix
from sim.light.readings import Probe
from sim.light.stack import LightStack
from sim.metering.points import PointReadings, Reading, amounts_from_reading
from sim.metering.report_points import name_from_probe
from sim.quantities import phrases
from sim.scene.model import Camera

FORMAT = 1
DIGITS = 6


def record_from_preview(
    *,
    program: str,
    scene: dict[str, str],
    camera: Camera,
    stack: LightStack,
    mix: Mix,
    probes: Sequence[Probe],
    points: Sequence[PointReadings],
    parts: Sequence[PointReadings],
    pictures: dict[str, str],
    layers: Sequence[str],
    warnings: Sequence[str],
    garment: str = "gown",
) -> dict[str, object]:
    """Return the record as plain data in the order of this module's description.

    Arguments: `probes` and `points` in the same order; `pictures` file names by light; `layers` names in the EXR file;
    `garment` that the sitter wears.
    """
    width, height = stack.size
    heard = [name for name, muted in zip(mix.names, mix.muted, strict=True) if not muted]
    metered = [
        {
            "point": name_from_probe(p.id, garment),
            "kind": p.kind,
            "position_m": _row(probe.position_m),
            "facing": _row(probe.facing),
        }
        | _readings(p, heard)
        for probe, p in zip(probes, points, strict=True)
    ]
    shown = [{"point": p.id.part, "kind": p.kind} | _readings(p, heard) for p in parts]
    return {
        "format": FORMAT,
        "program": program,
        "scene": scene,
        "render": {
            "engine": stack.engine,
            "width": width,
            "height": height,
            "samples": stack.samples,
            "seed": stack.seed,
            "depth": stack.depth,
        },
        "camera": {
            "f_number": _number(camera.f_number),
            "shutter_s": _number(camera.shutter_s),
            "iso": _number(camera.iso),
            "white_balance_K": _number(camera.white_balance_K),
        },
        "lights": [
            {
                "name": name,
                "kind": "flash" if mix.is_flash[i] else "continuous",
                "dial_stops": _number(mix.dial_stops[i]),
                "color_rgb": _row(mix.color_rgb[i]),
                "heard": not mix.muted[i],
                "picture": pictures.get(name),
                "exr_layer": layers[i],
            }
            for i, name in enumerate(mix.names)
        ],
        "incident": [entry for entry in metered if entry["kind"] != "spot"],
        "reflected": [entry for entry in metered if entry["kind"] == "spot"] + shown,
        "warnings": list(warnings),
    }


def json_bytes(record: dict[str, object]) -> bytes:
    """Return the record as JSON text; refuses NaN and infinity."""
    return (json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _readings(point: PointReadings, heard: Iterable[str]) -> dict[str, object]:
    by_light = {name: _reading(point.by_light[name], point.kind) for name in heard}
    return {"by_light": by_light, "combined": _reading(point.combined, point.kind)}


def _reading(reading: Reading, kind: str) -> dict[str, object]:
    lit = reading.exposure > 0
    stops = (
        {"over_camera_stops": _number(reading.over_camera_stops)}
        if kind in ("dome", "flat")
        else {"from_grey_stops": _number(reading.from_grey_stops)}
    )
    return {
        "exposure": _number(reading.exposure),
        "light": {name: _number(value) for name, value in amounts_from_reading(reading, kind).items()},
        "f_number": _number(reading.f_number) if lit else None,
        "meter": phrases.reading(reading.f_number) if lit else None,
        **stops,
        "stderr_stops": _number(reading.stderr_stops) if lit else None,
        "share": _number(reading.share),
    }


def _number(value: float | None) -> float | None:
    """A finite number in six significant digits, or null."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{float(value):.{DIGITS}g}") + 0.0


def _row(values: Iterable[float]) -> list[float | None]:
    return [_number(float(value)) for value in values]
