"""Set-day correction: the crew's meter readings against the model's, as a factor of light for each head.

A reading of several lights is the sum of theirs: H_i = sum over the lights k that are on of A_ik 2^(x_k), with A_ik the
modelled exposure at the scene's dials and x_k the head's correction in stops. The x_k are fitted by least squares of
the readings' error in stops, robustly: a reading far off what all the others agree on is set aside and named. So is
one that would put its head more than two stops off the scene, unless three readings of that head say so.
Whatever is wrong with a head, its tube, its modifier or its dial, ends up in its one factor.
Does not: correct places, aims or the light of the room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BeforeValidator, Field
from scipy.optimize import least_squares

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering.points import CONSTANT_C, probe_from_meter
from sim.quantities import color, photometry, phrases, units
from sim.quantities.errors import HalfstopError, SceneError, UnitError, quoted
from sim.scene import model
from sim.scene.edit import KeyPath
from sim.scene.model import Scene, Target
from sim.scene.model.block import Block
from sim.scene.model.fields import FilmSpeed, aperture
from sim.scene.model.lights import FACING_WORDS, Facing
from sim.scene.model.words import Choice
from sim.scene.read import Lines, block_from_file, key_text
from sim.studio.layout import Layout

METER_STOPS = 0.1  # a careful reading's standard deviation; common practice, no source
PRIOR_STOPS = 2.0  # how far off a head may be before its readings; keeps a head without readings where it is
GROSS_STOPS = 0.4  # a reading further off than this, and than 4 robust deviations, is set aside
GROSS_DEVIATIONS = 4.0
IMPLAUSIBLE_STOPS = 2.0  # a head is hardly further off than this; common practice, no source
AGREEING_READINGS = 3  # so many readings of a head are believed, however far off they say it is
UNSURE_STOPS = 0.2  # a correction less certain than this is not written
LEAST_CHANGE_STOPS = 0.02
ALL = "all"


def _light_names(value: object) -> tuple[str, ...]:
    items = (value,) if isinstance(value, str) else value
    if not isinstance(items, (list, tuple)) or not items or not all(isinstance(item, str) for item in items):
        raise UnitError(f"got {quoted(value)}", "names of lights, or all", "write [key, fill]")
    return tuple(" ".join(item.split()) for item in items)


class MeterReading(Block):
    """One reading: where the meter was, which lights were on, what it showed."""

    at: Target = Field(default="face", description="Part or point, or a meter point of the scene.", examples=["face"])
    kind: Annotated[str, Choice("a kind of receptor", ("dome", "flat"))] = Field(
        default="dome", description="The meter's receptor.", examples=["dome"]
    )
    facing: Facing = Field(
        default="camera", description="As of a meter in a scene: camera, a light, a bearing.", examples=["key"]
    )
    lights: Annotated[tuple[str, ...], BeforeValidator(_light_names)] = Field(
        description="Lights that were on, or all.", examples=["key"]
    )
    reads_f_number: Annotated[float, aperture(0.5, 128.0)] = Field(
        alias="reads", description="What the meter showed.", examples=["f/8"]
    )


class ReadingsFile(Block):
    """A file of the crew's readings."""

    iso: FilmSpeed | None = Field(default=None, description="The meter's film speed; the camera's if left out.")
    readings: tuple[MeterReading, ...] = Field(
        min_length=1, max_length=400, description="The readings.", examples=[[{"lights": "key", "reads": "f/8"}]]
    )


@dataclass(frozen=True, eq=False)
class Readings:
    """n readings: `on` (n, k) which lights, `f_number` (n,), where each stands in its file; `texts` in words.

    `lit`: the lights that were on, in words.
    """

    iso: float
    probes: tuple[Probe, ...]
    on: np.ndarray
    f_number: np.ndarray
    lines: tuple[int, ...]
    texts: tuple[str, ...]
    lit: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Calibration:
    """Correction of each light: `stops` (k,) above the scene's, `stderr_stops` (k,), inf where nothing tells it.

    `residual_stops` (n,): reading above the corrected model. `is_gross` (n,) readings that were set aside.
    """

    names: tuple[str, ...]
    stops: np.ndarray
    stderr_stops: np.ndarray
    residual_stops: np.ndarray
    is_gross: np.ndarray

    @property
    def is_sure(self) -> np.ndarray:
        """Which corrections (k,) are certain enough to be written."""
        return self.stderr_stops <= UNSURE_STOPS


def load_readings(path: str | Path, scene: Scene, layout: Layout) -> Readings:
    """The readings of a file, ready to be modelled; raises `SceneError` with the line of a fault."""
    parsed, lines = block_from_file(ReadingsFile, path, "a file of readings")
    names = layout.light_names
    probes, on, numbers, texts, lit_words = [], [], [], [], []
    for index, reading in enumerate(parsed.readings):
        where: KeyPath = ("readings", index)
        for name in reading.lights:
            if name != ALL and name not in names:
                _refuse(path, lines, (*where, "lights"), f"there is no light {quoted(name)}", names)
        facing, faced = reading.facing, (*FACING_WORDS, *(light.name for light in layout.lights), *layout.panel_names)
        if isinstance(facing, str) and facing not in faced:
            _refuse(path, lines, (*where, "facing"), f"there is no light or panel {quoted(facing)}", faced)
        probes.append(probe_from_meter(layout, ProbeId("own", f"reading {index + 1}"), reading))
        # What the room gives cannot be switched off.
        lit = [n for n in names if n in reading.lights or reading.lights == (ALL,) or n not in scene.lights]
        on.append([n in lit for n in names])
        numbers.append(reading.reads_f_number)
        at = reading.at if isinstance(reading.at, str) else "a point"
        shown = units.text_from_f_number_in_tenths(reading.reads_f_number)
        lit_words.append("all lights" if reading.lights == (ALL,) else " + ".join(reading.lights))
        texts.append(f"{at}, {reading.kind}, {lit_words[-1]}: {shown}")
    numbered = tuple(lines.of(("readings", i)) for i in range(len(probes)))
    iso = parsed.iso or scene.camera.iso
    return Readings(iso, tuple(probes), np.array(on), np.array(numbers), numbered, tuple(texts), tuple(lit_words))


def _refuse(path: str | Path, lines: Lines, where: KeyPath, what: str, names: Sequence[str]) -> None:
    cure = f'write "{names[0]}"'
    raise SceneError(str(path), lines.of(where), key_text(where), what, f"one of {', '.join(names)}", cure)


def calibration_from_probes(
    readings: Readings, measured: ProbeReadings, mix: Mix, scene: Scene, layout: Layout
) -> Calibration:
    """Fit every head to the readings, given what the model measures at their probes."""
    weights = mix.only(mix.names).weights_rgb(scene.camera.shutter_s)
    exposures = np.array([color.luminance(value * weights) for value in measured.values])
    constants = np.array([CONSTANT_C[probe.kind] for probe in readings.probes])
    read = np.array([
        photometry.exposure_from_f_number(n, readings.iso, c)
        for n, c in zip(readings.f_number, constants, strict=True)
    ])  # fmt: skip
    free = np.array([name in scene.lights for name in mix.names])
    return fit(mix.names, exposures, readings.on, read, free)


def fit(
    names: Sequence[str], exposures: np.ndarray, on: np.ndarray, read: np.ndarray, free: np.ndarray | None = None
) -> Calibration:
    """Correction of each light in stops from readings of sums of lights.

    Arguments: `exposures` (n, k) modelled, `on` (n, k) bool, `read` (n,) measured, lx s, > 0; `free` (k,) lights that
    may be corrected.
    """
    on = np.asarray(on, bool)
    free = np.ones(len(names), bool) if free is None else free
    part = np.where(on, exposures, 0.0)
    if (part.sum(axis=1) <= 0).any():
        place = int(np.flatnonzero(part.sum(axis=1) <= 0)[0]) + 1
        raise HalfstopError(
            f"reading {place}: the model finds no light there with these lights on; check which lights were on, "
            "where the meter was and where it faced"
        )
    target = np.log2(read)
    aside = np.zeros(len(target), bool)
    while True:
        found, keep = _fitted(part, target, free, aside)
        suspect = _implausible(part, found, keep)
        if not suspect.any():
            break
        aside = aside | suspect
    residual = target - _modelled(part, found)
    return Calibration(tuple(names), found, _stderr_stops(part, found, residual, keep, free), residual, ~keep)


def _modelled(part: np.ndarray, stops: np.ndarray) -> np.ndarray:
    """log2 of what the model reads (n,) with each head's correction (k,)."""
    modelled: np.ndarray = np.log2(part @ np.exp2(stops))
    return modelled


def _slopes(part: np.ndarray, stops: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Stops of each reading per stop of each free head, in the meter's deviations."""
    light = part * np.exp2(stops)
    slopes: np.ndarray = light[:, free] / light.sum(axis=1, keepdims=True) / METER_STOPS
    return slopes


def _fitted(part: np.ndarray, target: np.ndarray, free: np.ndarray, aside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corrections (k,) that fit the bulk of the readings, and which of them (n,) are kept; `aside` ones are not."""

    def corrected(x: np.ndarray) -> np.ndarray:
        stops = np.zeros(len(free))
        stops[free] = x
        return stops

    def miss(x: np.ndarray, keep: np.ndarray) -> np.ndarray:
        error = (target - _modelled(part, corrected(x))) / METER_STOPS
        return np.concatenate([error[keep], x / PRIOR_STOPS])

    def slope(x: np.ndarray, keep: np.ndarray) -> np.ndarray:
        return np.vstack([-_slopes(part, corrected(x), free)[keep], np.eye(len(x)) / PRIOR_STOPS])

    # Find the bulk of the readings first, then fit it plainly.
    keep = ~aside
    x = least_squares(miss, np.zeros(int(free.sum())), slope, loss="cauchy", args=(keep,)).x
    for _ in range(10):
        residual = np.abs(target - _modelled(part, corrected(x)))
        # Normal distribution: standard deviation over median deviation.
        spread = 1.4826 * float(np.median(residual[keep])) if keep.any() else 0.0
        keeping = ~aside & (residual <= max(GROSS_STOPS, GROSS_DEVIATIONS * max(spread, METER_STOPS)))
        x = least_squares(miss, x, slope, args=(keeping,)).x
        if (keeping == keep).all():
            break
        keep = keeping
    return corrected(x), keep


def _implausible(part: np.ndarray, stops: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Kept readings (n,) that alone hold a head further off than heads are: the fewer than three that it leads in."""
    light = part * np.exp2(stops)
    suspect = np.zeros(len(keep), bool)
    for head in np.flatnonzero(np.abs(stops) > IMPLAUSIBLE_STOPS):
        leads = keep & (light[:, head] >= light.sum(axis=1) / 2)
        if leads.sum() < AGREEING_READINGS:
            suspect |= leads
    return suspect


def _stderr_stops(
    part: np.ndarray, stops: np.ndarray, residual: np.ndarray, keep: np.ndarray, free: np.ndarray
) -> np.ndarray:
    """Each head's certainty (k,), judged by the readings alone, at the spread they show."""
    slopes = _slopes(part, stops, free)[keep]
    spare = max(int(keep.sum()) - int(free.sum()), 1)
    noise = max(1.0, float(np.sum(residual[keep] ** 2)) / METER_STOPS**2 / spare)
    stderr = np.full(len(free), np.inf)
    curvature = slopes.T @ slopes + np.eye(int(free.sum())) / PRIOR_STOPS**2
    stderr[free] = np.sqrt(noise * np.diag(np.linalg.inv(curvature)))
    return stderr


def changes_from_calibration(scene: Scene, layout: Layout, calibration: Calibration) -> dict[KeyPath, str]:
    """New values of the scene file by key path: the number that says how much light each corrected head gives."""
    changes: dict[KeyPath, str] = {}
    for name, stops, sure in zip(calibration.names, calibration.stops, calibration.is_sure, strict=True):
        if name in scene.lights and sure and abs(stops) >= LEAST_CHANGE_STOPS:
            key, text = _corrected(scene.lights[name].source, layout.light(name).rig.output.amount, float(2.0**stops))
            changes["lights", name, "source", key] = text
    return changes


def _corrected(source: model.Source, amount: float, factor: float) -> tuple[str, str]:
    """Key and new value of a source that gives `factor` times the light."""
    match source:
        case model.FlashSource():
            return "efficacy", _text(source.efficacy_lm_W * factor, units.EFFICACY)
        case model.ContinuousSource():
            if source.efficacy_lm_W is not None:
                return "efficacy", _text(source.efficacy_lm_W * factor, units.EFFICACY)
            if source.flux_lm is not None:
                return "flux", _text(source.flux_lm * factor, units.FLUX)
            return "illuminance", _text((source.illuminance_lx or 0.0) * factor, units.ILLUMINANCE)
        case model.MeasuredSource():
            return "reads", f"f/{source.reads_f_number * factor**0.5:.4g}"
        case model.GuideNumberSource():
            return "guide_number", _text(source.guide_number_m * factor**0.5, units.LENGTH)
        case _ if source.flash:
            return "light", _text((source.light_lm_s or amount) * factor, units.LIGHT)
        case _:
            return "flux", _text((source.flux_lm or amount) * factor, units.FLUX)


def _text(value: float, quantity: units.Quantity) -> str:
    return units.text_from_measure(float(f"{value:.4g}"), quantity)


def report_lines(
    readings: Readings, calibration: Calibration, scene: Scene, refused: Mapping[str, str] | None = None
) -> list[str]:
    """What the fit found, as lines for the terminal: readings to check, each head, what is left.

    Arguments: `refused` by light: why its correction was not written.
    """
    gross = calibration.is_gross
    count = len(readings.f_number)
    lines = [f"{count} reading{'' if count == 1 else 's'}, {int(gross.sum()) or 'none'} set aside"]
    for index in np.flatnonzero(gross):
        off = calibration.residual_stops[index]
        lines.append(
            f"{readings.lit[index]} reads {phrases.stops(off, 1)} {'over' if off > 0 else 'under'}: check that reading "
            f"(line {readings.lines[index]}: {readings.texts[index]})"
        )
    for name, stops, stderr in zip(calibration.names, calibration.stops, calibration.stderr_stops, strict=True):
        if name not in scene.lights:
            continue
        if refused and name in refused:
            lines.append(
                f"{name}: {phrases.signed_stops(stops, 2)} stops would need more than a scene may say "
                f"({refused[name]}); left as it is"
            )
        elif stderr > UNSURE_STOPS:
            alone = any(gross[i] and readings.lit[i] == name for i in range(len(gross)))
            lines.append(
                f"{name}: {'its reading is set aside' if alone else 'not enough readings to tell'}; left as it is"
            )
        else:
            lines.append(
                f"{name}: {phrases.signed_stops(stops, 2)} stops ± {stderr:.2f} against the scene, "
                f"{2**stops:.2f} times its light"
            )
    if not gross.all():
        rms = float(np.sqrt(np.mean(calibration.residual_stops[~gross] ** 2)))
        lines.append(f"the readings that were kept differ from the corrected scene typically by {rms:.2f} stops")
    return lines
