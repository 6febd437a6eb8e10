"""The handout's page: the scene's layers, readings and plan poured into the template."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict

import numpy as np
from markupsafe import Markup
from PIL import Image

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import PATTERN_WORDS, SIDE_WORDS, line_from_shadow
from sim.light import finish
from sim.light.develop import SATURATION, SHOULDER_FROM, encoded, picture_scale_rgb
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.metering.lighting_ratio import AloneAtFace, LightingRatio
from sim.metering.points import CONSTANT_C, PointReadings, amount_text
from sim.quantities import color, photometry, phrases, units
from sim.reports.faces import svg_from_drawing, svg_from_shadow
from sim.reports.handout.layers import POWER, packed_to_fit
from sim.reports.plan import RigPlan
from sim.reports.plan.caution_words import DEFER
from sim.reports.plan.page import lights_table
from sim.reports.plan.paper import svg_from_sheet
from sim.scene.model import Camera
from sim.web.one_file import live_html_from_template

FOLDER = Path(__file__).parent / "page"
BALANCE_FIRST_K, BALANCE_LAST_K, BALANCE_STEP_K = 2500, 10000, 100
FADER_STOPS = (-4, 4)
MOST_PACKED_BYTES = 4_000_000  # of all layers; base64 makes a third more of it
MOST_LIGHTS = 24  # a scene's 16 lights and 8 lights of the room
FILTER_WORDS = {
    "luminance": "black and white, as the eye", "film": "black and white film, no filter",
    "yellow": "black and white film, yellow filter", "orange": "black and white film, orange filter",
    "red": "black and white film, red filter", "green": "black and white film, green filter",
}  # fmt: skip
NOTE = "Faders reweight light that was rendered once per light; readings come from undenoised samples."


class AloneWords(TypedDict):
    """A light's own picture: address and size in pixels."""

    url: str
    width: int
    height: int


class LightWords(TypedDict):
    """A light in the page's words."""

    name: str
    number: int
    is_on_plan: bool
    is_muted: bool
    fitted: str
    power: str
    duty: str
    alone: AloneWords


class PointWords(TypedDict):
    """A meter point's row in the page's words, shares in the lights' order."""

    name: str
    reads: str
    stops: str
    amount: str
    shares: list[str]


@dataclass(frozen=True, eq=False)
class Handout:
    """What a handout shows.

    `duties` a sentence per light by name; `order` names of the build-up; `points` readings of the scene's mix by what
    their points are called, `full_points` the same with no light muted; `ratio` the lighting ratio;
    `alone` what each light gives the face at full dial, or nothing where the ratio is not to follow the faders;
    `nose_shadow` what the key draws on the face; `lux` whether the readings also tell lx and lx·s;
    `build_strip`, `without_strip` pictures with what they show in words.
    """

    plan: RigPlan
    stack: LightStack
    mix: Mix
    camera: Camera
    points: Mapping[str, PointReadings]
    full_points: Mapping[str, PointReadings]
    duties: Mapping[str, str]
    order: Sequence[str]
    build_strip: Image.Image
    without_strip: Image.Image
    ratio: LightingRatio
    nose_shadow: KeyShadow | None = None
    lux: bool = False
    alone: Mapping[str, AloneAtFace] = field(default_factory=dict)


def nominal_layers(stack: LightStack, mix: Mix, camera: Camera) -> np.ndarray:
    """Every light's own part of the linear picture (k, h, w, 3) at the scene's settings, muted lights included."""
    heard = mix.only(mix.names)
    weights = heard.weights_rgb(camera.shutter_s) * picture_scale_rgb(camera)
    source = stack.denoised if stack.denoised is not None else stack.pixels
    layers: np.ndarray = np.maximum(source.astype(float) * weights[:, None, None, :], 0.0)
    return layers


def balance_gain(white_balance_K: float, camera: Camera) -> np.ndarray:
    """Factor (3,) that turns a picture balanced as the scene says into one balanced for another temperature."""
    return color.white_balance_weights(white_balance_K) / color.white_balance_weights(camera.white_balance_K)


def mixed_codes(
    layers: np.ndarray,
    faders_stops: Sequence[float],
    heard: Sequence[bool] | np.ndarray,
    *,
    gain_rgb: Sequence[float] = (1.0, 1.0, 1.0),
    grey_rgb: Sequence[float] | None = None,
) -> np.ndarray:
    """The picture (..., 3) uint8 that the page shows: the reference for its own mixing.

    Arguments: `layers` (k, ..., 3) as of `nominal_layers`; `gain_rgb` exposure and white balance; `grey_rgb` channel
    mix of black and white, or None.
    """
    weights = np.exp2(np.asarray(faders_stops, float)) * np.asarray(heard, float)
    linear = np.tensordot(weights, layers, 1) * np.asarray(gain_rgb)
    if grey_rgb is not None:
        linear = np.repeat((linear @ np.asarray(grey_rgb))[..., None], 3, axis=-1)
    return encoded(linear)


def handout_html(handout: Handout) -> str:
    """The whole page as text."""
    h = handout
    width, height = h.stack.size
    if len(h.mix.names) > MOST_LIGHTS:
        raise ValueError(f"a handout holds at most {MOST_LIGHTS} lights, got {len(h.mix.names)}")
    layers = nominal_layers(h.stack, h.mix, h.camera)
    zipped, k = packed_to_fit(layers, MOST_PACKED_BYTES)
    heard = np.logical_not(h.mix.muted)
    still = mixed_codes(layers, [0.0] * len(heard), heard)
    return live_html_from_template(
        FOLDER,
        images="data: blob:",
        data=_set(h, zipped, k),
        title=h.plan.title,
        settings=h.plan.settings,
        width=width,
        height=height,
        still=_picture_url(Image.fromarray(still)),
        lights=[_light(h, index, layer) for index, layer in enumerate(layers)],
        fader_stops=FADER_STOPS,
        balance_first=BALANCE_FIRST_K,
        balance_last=BALANCE_LAST_K,
        balance_at=_balance_at(h.camera),
        filters=FILTER_WORDS,
        iso=f"{h.camera.iso:g}",
        aperture=units.text_from_f_number_in_thirds(h.camera.f_number),
        points=[_point(h, name, point) for name, point in h.points.items()],
        ratio=h.ratio.text,
        lux=h.lux,
        nose_shadow=None if h.nose_shadow is None else line_from_shadow(h.nose_shadow),
        face=None if h.nose_shadow is None else Markup(svg_from_shadow(h.nose_shadow.shadow)),
        patterns=[(Markup(svg_from_drawing(name)), words) for name, words in {**PATTERN_WORDS, **SIDE_WORDS}.items()],
        order=", ".join(h.order),
        build_strip=_picture_url(h.build_strip),
        without_strip=_picture_url(h.without_strip),
        plan=Markup(svg_from_sheet(h.plan.sheets[0])),
        table=Markup(lights_table(h.plan)),
        defer=DEFER,
        note=NOTE,
        source=h.plan.source,
    )


def _balance_at(camera: Camera) -> int:
    """The slider's place for the scene's white balance: the nearest step."""
    nearest = round(camera.white_balance_K / BALANCE_STEP_K) * BALANCE_STEP_K
    return int(min(max(nearest, BALANCE_FIRST_K), BALANCE_LAST_K))


def _set(h: Handout, zipped: Sequence[bytes], k: float) -> dict[str, object]:
    """Everything that the script needs to know."""
    width, height = h.stack.size
    facts = {f.name: f for f in h.plan.facts}
    at, heard = _balance_at(h.camera), h.mix.only(h.mix.names)
    table = []
    for temperature in range(BALANCE_FIRST_K, BALANCE_LAST_K + 1, BALANCE_STEP_K):
        # The step nearest to the scene's own balance stands for it exactly.
        gain = np.ones(3) if temperature == at else balance_gain(float(temperature), h.camera)
        table.append([float(v) for v in gain])
    return {
        "width": width,
        "height": height,
        "k": k,
        "power": POWER,
        "file": re.sub(r"[^a-z0-9]+", "-", h.plan.title.lower()).strip("-") or "picture",
        "lights": [
            {
                "name": name,
                "muted": bool(h.mix.muted[i]),
                "flash": bool(h.mix.is_flash[i]),
                "dial": None if name not in facts or facts[name].is_window else h.mix.dial_stops[i],
                "layer": base64.b64encode(zipped[i]).decode("ascii"),
            }
            for i, name in enumerate(h.mix.names)
        ],
        "order": [h.mix.names.index(name) for name in h.order],
        "luminance": list(color.LUMINANCE_WEIGHTS),
        "ratio": {
            "key": h.ratio.key,
            "alone": h.alone,
            "weights": dict(zip(h.mix.names, heard.weights_rgb(h.camera.shutter_s).tolist(), strict=True)),
        },
        "curve": {"shoulder": SHOULDER_FROM, "saturation": SATURATION, "grey": photometry.MIDDLE_GREY},
        "camera": {
            "fNumber": h.camera.f_number,
            "iso": h.camera.iso,
            "scale": photometry.display_scale(h.camera.f_number, h.camera.iso),
            "shutter_s": h.camera.shutter_s,
        },
        "balance": {"at": at, "first": BALANCE_FIRST_K, "step": BALANCE_STEP_K, "rgb": table},
        "filters": {name: list(finish.channel_mix(name)) for name in FILTER_WORDS},
        "points": [
            {
                "name": name,
                "spot": p.kind not in CONSTANT_C,
                "constant": CONSTANT_C.get(p.kind, photometry.REFLECTED_CONSTANT_K),
                "exposures": [p.by_light[light].exposure for light in h.mix.names],
            }
            for name, p in h.full_points.items()
        ],
    }


def _light(h: Handout, index: int, layer: np.ndarray) -> LightWords:
    """A light as the page shows it: its fader, and its own picture with what it does."""
    name = h.mix.names[index]
    facts = next((f for f in h.plan.facts if f.name == name), None)
    alone = Image.fromarray(encoded(layer))
    alone.thumbnail((300, 300))
    return {
        "name": name,
        "number": h.plan.numbers[name],
        "is_on_plan": facts is not None,
        "is_muted": bool(h.mix.muted[index]),
        "fitted": facts.modifier if facts else h.plan.even_light,
        "power": phrases.power(facts.power_stops) if facts and not facts.is_window else "",
        "duty": h.duties.get(name, ""),
        "alone": {"url": _picture_url(alone), "width": alone.width, "height": alone.height},
    }


def _point(h: Handout, name: str, point: PointReadings) -> PointWords:
    """A row of the table of readings, as planned."""
    together = point.combined
    stops = together.over_camera_stops if together.over_camera_stops is not None else together.from_grey_stops
    muted = dict(zip(h.mix.names, h.mix.muted, strict=True))
    return {
        "name": name,
        "reads": phrases.reading(together.f_number),
        "stops": "dark" if stops is None else phrases.signed_stops(stops),
        "amount": amount_text(together, point.kind),
        "shares": ["–" if muted[light] else f"{100 * read.share:.0f} %" for light, read in point.by_light.items()],
    }


def _picture_url(image: Image.Image, quality: int = 86) -> str:
    stream = io.BytesIO()
    image.save(stream, "WEBP", quality=quality, method=4)
    return f"data:image/webp;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"
