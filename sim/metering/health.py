"""Exposure health: the f-number that suits a reference, what clips and what sinks, false tones in one-stop bands.

Limits are of the sensor: saturation as in ISO 12232, 2.96 stops over middle grey, and black a stated number of stops
below it. Clipping is judged on the layers as rendered, never on a denoised picture.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np

from sim.light.develop import SATURATION, exposed
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.metering.points import PointReadings
from sim.quantities import color, photometry, phrases, units
from sim.quantities.plain import PlainDict, plain_dict
from sim.scene.model import Camera

# Stops from saturation down to black that a sensor of today holds: common practice, no source.
RANGE_STOPS = 12.0
SATURATION_STOPS = math.log2(SATURATION / photometry.MIDDLE_GREY)
# A pixel counts as doubtful where its value is this near to a limit, in standard errors.
DOUBT_SIGMAS = 2.0
# Parts of the picture that are no subject.
LEFT_OUT = ("nothing", "light", "panel")
HISTOGRAM_STEP_STOPS = 0.25
HISTOGRAM_FROM_STOPS = -10.0
HISTOGRAM_BINS = 54


@dataclass(frozen=True)
class Band:
    """One band of the false tones: from `from_stops` over middle grey up to the next band, and its colour."""

    from_stops: float
    label: str
    color_hex: str


def bands(range_stops: float = RANGE_STOPS) -> tuple[Band, ...]:
    """Bands of one stop round middle grey, from black to clipped; the ends depend on the sensor's range in stops.

    One ramp of brown from dark to light, with two accents: blue is middle grey, magenta clips. Neighbours differ by 7
    or more (CIEDE2000), accents from all others by 15, also to viewers without red, green or blue cones.
    """
    black = min(SATURATION_STOPS - range_stops, -5.5)
    return (
        Band(float("-inf"), "black", "#000000"),
        Band(black, "-6 and less", "#330f03"),
        Band(-5.5, "-5", "#552115"),
        Band(-4.5, "-4", "#723927"),
        Band(-3.5, "-3", "#89503a"),
        Band(-2.5, "-2", "#9c674f"),
        Band(-1.5, "-1", "#ac7d66"),
        Band(-0.5, "middle grey", "#5a96ff"),
        Band(0.5, "+1", "#ccb1a2"),
        Band(1.5, "+2", "#dccdc3"),
        Band(2.5, "+2.5 and more", "#ebe8e7"),
        Band(SATURATION_STOPS, "clipped", "#fc1bb4"),
    )


@dataclass(frozen=True)
class PartHealth:
    """One part of the picture: `pixels` it covers; `clipped`, `crushed` shares 0..1 and how much of that is in doubt.

    `low_stops`, `median_stops`, `high_stops`: 5th, 50th and 95th percentile from middle grey. `histogram`: share of
    the part in each quarter of a stop from -10 on, the ends holding all beyond.
    """

    pixels: int
    clipped: float
    clipped_doubt: float
    crushed: float
    crushed_doubt: float
    low_stops: float
    median_stops: float
    high_stops: float
    histogram: tuple[float, ...]


@dataclass(frozen=True)
class Health:
    """Exposure health of a picture; `suggested_f_number` sets the reference point's incident reading on the camera.

    `change_stops`: light to gain (+) or lose (-) by going from the camera's own f-number to the suggested one.
    """

    reference: str
    suggested_f_number: float | None
    change_stops: float | None
    range_stops: float
    parts: dict[str, PartHealth]


def health_from_stack(
    stack: LightStack,
    mix: Mix,
    camera: Camera,
    reference: PointReadings | None,
    *,
    name: str = "",
    range_stops: float = RANGE_STOPS,
) -> Health:
    """Exposure health of a mix at the camera's settings.

    Arguments: `reference` incident reading of the chosen point (None: no suggestion), and its `name` if it
    goes by another than the meter's; `range_stops` from saturation down to black, 1 to 20.
    Does not: model a sensor's own colour channels; the picture's white-balanced channels stand for them.
    """
    if not 1 <= range_stops <= 20:
        raise ValueError(f"a sensor's range is 1 to 20 stops, got {range_stops}")
    linear = exposed(stack, mix, camera, for_viewing=False)
    error = _stderr(stack, mix, camera)
    parts = {}
    for part in stack.region_names:
        mask = stack.mask(part)
        if part not in LEFT_OUT and mask.any():
            parts[part] = _part_health(linear[mask], error[mask], range_stops)
    suggested = change = None
    if reference is not None and reference.combined.f_number > 0:
        suggested = reference.combined.f_number
        change = 2 * math.log2(camera.f_number / suggested)
    return Health(name or (reference.id.part if reference else ""), suggested, change, range_stops, parts)


def _stderr(stack: LightStack, mix: Mix, camera: Camera) -> np.ndarray:
    """Standard error (h, w) of the exposed picture's luminance."""
    weights = color.luminance(mix.weights_rgb(camera.shutter_s))
    scale = photometry.display_scale(camera.f_number, camera.iso)
    stderr: np.ndarray = np.sqrt(np.einsum("khw,k->hw", stack.variance.astype(float), np.square(weights))) * scale
    return stderr


def _part_health(linear: np.ndarray, error: np.ndarray, range_stops: float) -> PartHealth:
    # The first channel to saturate clips the pixel; black is judged on luminance.
    highest, grey = linear.max(axis=-1), color.luminance(linear)
    black = SATURATION / 2.0**range_stops
    clipped, crushed = highest >= SATURATION, grey < black
    reach = DOUBT_SIGMAS * error
    stops = stops_from_grey(grey)
    low, median, high = np.percentile(stops, [5, 50, 95])
    return PartHealth(
        pixels=len(grey),
        clipped=float(clipped.mean()),
        clipped_doubt=float((np.abs(highest - SATURATION) < reach).mean()),
        crushed=float(crushed.mean()),
        crushed_doubt=float((np.abs(grey - black) < reach).mean()),
        low_stops=float(low),
        median_stops=float(median),
        high_stops=float(high),
        histogram=tuple(float(share) for share in _histogram(stops)),
    )


def _histogram(stops: np.ndarray) -> np.ndarray:
    place = np.floor((stops - HISTOGRAM_FROM_STOPS) / HISTOGRAM_STEP_STOPS)
    index = np.clip(place, 0, HISTOGRAM_BINS - 1).astype(int)
    return np.bincount(index, minlength=HISTOGRAM_BINS) / len(stops)


def stops_from_grey(luminance: np.ndarray) -> np.ndarray:
    """Stops over middle grey of linear picture values; what is dark becomes -30.

    >>> stops_from_grey(np.array([0.18, 0.72, 0.0])).tolist()
    [0.0, 2.0, -30.0]
    """
    stops: np.ndarray = np.log2(np.maximum(luminance, photometry.MIDDLE_GREY * 2.0**-30) / photometry.MIDDLE_GREY)
    return stops


def band_index(linear: np.ndarray, range_stops: float = RANGE_STOPS) -> np.ndarray:
    """Index (h, w) into `bands` of a linear picture (h, w, 3): by luminance, but clipped as soon as a channel is."""
    edges = np.array([band.from_stops for band in bands(range_stops)[1:-1]])
    index = np.digitize(stops_from_grey(color.luminance(linear)), edges)
    return np.where(linear.max(axis=-1) >= SATURATION, len(edges) + 1, index)


def false_tones(linear: np.ndarray, range_stops: float = RANGE_STOPS) -> np.ndarray:
    """Picture (h, w, 3) uint8 in which every band of one stop has a colour of its own."""
    table = [[int(band.color_hex[i : i + 2], 16) for i in (1, 3, 5)] for band in bands(range_stops)]
    picture: np.ndarray = np.array(table, np.uint8)[band_index(linear, range_stops)]
    return picture


def record_from_health(health: Health) -> PlainDict:
    """The health as plain data for a file of readings."""
    return plain_dict({
        **{name: value for name, value in asdict(health).items() if name != "parts"},
        "saturation_stops": SATURATION_STOPS,
        "histogram_from_stops": HISTOGRAM_FROM_STOPS,
        "histogram_step_stops": HISTOGRAM_STEP_STOPS,
        "parts": {name: asdict(part) for name, part in health.parts.items()},
    })  # fmt: skip


def _share_text(part: str, share: float, doubt: float) -> str:
    """How much of a part clips or sinks; "" where that may be none of it.

    >>> _share_text("gown", 0.024, 0.017), _share_text("backdrop", 0.755, 0.095), _share_text("chest", 0.002, 0.039)
    ('2.4 % of the gown (± 1.7)', '76 % of the backdrop (± 10)', '')
    """
    if share < 0.0005 or share < doubt:
        return ""
    places = 1 if share < 0.095 else 0
    error = f" (± {100 * doubt:.{places}f})" if round(100 * doubt, places) else ""
    return f"{100 * share:.{places}f} % of the {part}{error}"


def health_lines(health: Health, camera: Camera) -> list[str]:
    """What to tell the photographer, a plain line each."""
    lines = []
    if health.suggested_f_number is not None and health.change_stops is not None:
        thirds = units.text_from_f_number_in_thirds(health.suggested_f_number)
        change = health.change_stops
        how = "as the camera is set" if abs(change) < 1 / 6 else (
            f"{'open' if change > 0 else 'close'} by {phrases.stops(change, 1)} from "
            f"{units.text_from_f_number(camera.f_number)}"
        )  # fmt: skip
        lines.append(f"For the {health.reference}: {thirds} ({how}).")
    for what, words in (("clipped", "Clipped"), ("crushed", "In black")):
        shares = [
            told for name, part in health.parts.items()
            if (told := _share_text(name, getattr(part, what), getattr(part, f"{what}_doubt")))
        ]  # fmt: skip
        lines.append(f"{words}: {', '.join(shares) or 'nothing'}.")
    lines.append(
        f"Sensor: saturation {SATURATION_STOPS:.1f} stops over middle grey (ISO 12232), black "
        f"{health.range_stops:g} stops below it (assumed; your camera's may differ)."
    )
    return lines
