"""The handout's page: the scene's layers, readings and plan poured into the template."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from typing import Any

import numpy as np
from PIL import Image

from sim.light import finish
from sim.light.develop import SATURATION, SHOULDER_FROM, encoded, picture_scale_rgb
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.metering.points import CONSTANT_C, PointReadings
from sim.quantities import color, photometry, phrases, units
from sim.reports.handout.layers import POWER, packed_to_fit
from sim.reports.plan import RigPlan
from sim.reports.plan.caution_words import DEFER
from sim.reports.plan.page import lights_table
from sim.reports.plan.paper import svg_from_sheet
from sim.scene.model import Camera

BALANCE_FIRST_K, BALANCE_LAST_K, BALANCE_STEP_K = 2500, 10000, 100
FADER_STOPS = (-4.0, 4.0)
MOST_PACKED_BYTES = 4_000_000  # of all layers; base64 makes a third more of it
MOST_LIGHTS = 24  # a scene's 16 lights and 8 lights of the room
FILTER_WORDS = {
    "luminance": "black and white, as the eye", "film": "black and white film, no filter",
    "yellow": "black and white film, yellow filter", "orange": "black and white film, orange filter",
    "red": "black and white film, red filter", "green": "black and white film, green filter",
}  # fmt: skip
NOTE = "Faders reweight light that was rendered once per light; readings come from undenoised samples."


@dataclass(frozen=True, eq=False)
class Handout:
    """What a handout shows.

    `duties` a sentence per light by name; `order` names of the build-up; `points` readings of the scene's mix,
    `full_points` the same with no light muted; `build_strip`, `without_strip` pictures with what they show in words.
    """

    plan: RigPlan
    stack: LightStack
    mix: Mix
    camera: Camera
    points: Sequence[PointReadings]
    full_points: Sequence[PointReadings]
    duties: Mapping[str, str]
    order: Sequence[str]
    build_strip: Image.Image
    without_strip: Image.Image


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
    data = json.dumps(_set(h, zipped, k), ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")
    script = _resource("mixer.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )
    strips = {"build_strip": h.build_strip, "without_strip": h.without_strip}
    fields = {
        "policy": policy,
        "title": escape(h.plan.title),
        "settings": escape(h.plan.settings),
        "style": _resource("page.css"),
        "width": str(width),
        "height": str(height),
        "still": _picture_url(Image.fromarray(still)),
        "faders": "".join(_fader(h, index) for index in range(len(heard))),
        "balance_first": str(BALANCE_FIRST_K),
        "balance_last": str(BALANCE_LAST_K),
        "balance_at": str(_balance_at(h.camera)),
        "filters": "".join(f'<option value="{name}">{escape(words)}</option>' for name, words in FILTER_WORDS.items()),
        "duties": _duties(h, layers),
        "iso": f"{h.camera.iso:g}",
        "aperture": escape(units.text_from_f_number_in_thirds(h.camera.f_number)),
        "readings": _readings(h),
        "build_told": escape(f"The picture as lights are added: {', '.join(h.order)}."),
        "without_told": escape(f"The picture with all lights, then without each of {', '.join(h.order)}."),
        "plan": svg_from_sheet(h.plan.sheets[0]),
        "table": lights_table(h.plan),
        "defer": escape(DEFER),
        "note": escape(NOTE),
        "source": escape(f" from {h.plan.source}") if h.plan.source else "",
        "set": data,
        "script": script,
        **{name: _picture_url(image) for name, image in strips.items()},
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda m: fields[m[1]], _resource("page.html"))


def _resource(name: str) -> str:
    return files("sim.reports.handout").joinpath(name).read_text("utf-8")


def _balance_at(camera: Camera) -> int:
    """The slider's place for the scene's white balance: the nearest step."""
    nearest = round(camera.white_balance_K / BALANCE_STEP_K) * BALANCE_STEP_K
    return int(min(max(nearest, BALANCE_FIRST_K), BALANCE_LAST_K))


def _set(h: Handout, zipped: Sequence[bytes], k: float) -> dict[str, Any]:
    """Everything that the script needs to know."""
    width, height = h.stack.size
    facts = {f.name: f for f in h.plan.facts}
    at = _balance_at(h.camera)
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
                "dial": None if name not in facts or facts[name].is_window else h.mix.dial_stops[i],
                "layer": base64.b64encode(zipped[i]).decode("ascii"),
            }
            for i, name in enumerate(h.mix.names)
        ],
        "order": [h.mix.names.index(name) for name in h.order],
        "luminance": list(color.LUMINANCE_WEIGHTS),
        "curve": {"shoulder": SHOULDER_FROM, "saturation": SATURATION, "grey": photometry.MIDDLE_GREY},
        "camera": {
            "fNumber": h.camera.f_number,
            "iso": h.camera.iso,
            "scale": photometry.display_scale(h.camera.f_number, h.camera.iso),
        },
        "balance": {"at": at, "first": BALANCE_FIRST_K, "step": BALANCE_STEP_K, "rgb": table},
        "filters": {name: list(finish.channel_mix(name)) for name in FILTER_WORDS},
        "marks": [units.mark_from_full_stop(stop) for stop in range(0, 19)],
        "points": [
            {
                "name": p.point,
                "spot": p.kind not in CONSTANT_C,
                "constant": CONSTANT_C.get(p.kind, photometry.REFLECTED_CONSTANT_K),
                "exposures": [p.by_light[name].exposure for name in h.mix.names],
            }
            for p in h.full_points
        ],
    }


def _fader(h: Handout, index: int) -> str:
    name = h.mix.names[index]
    facts = next((f for f in h.plan.facts if f.name == name), None)
    number = facts.number if facts else index + 1
    muted = str(bool(h.mix.muted[index])).lower()
    shown = escape(name)
    low, high = FADER_STOPS
    button = 'class="small" type="button"'
    return (
        f'<li id="light-{index}"><span class="badge" aria-hidden="true">{number}</span>'
        f'<span class="name">{shown}<span class="dial" id="dial-{index}"></span></span>'
        f'<button {button} id="solo-{index}" aria-pressed="false" aria-label="Solo {shown}">Solo</button>'
        f'<button {button} id="mute-{index}" aria-pressed="{muted}" aria-label="Mute {shown}">Mute</button>'
        f'<span class="fader"><input type="range" id="fader-{index}" min="{low:g}" max="{high:g}" step="0.1" value="0" '
        f'aria-label="{shown}, stops"><output id="out-{index}" for="fader-{index}"></output></span></li>'
    )


def _duties(h: Handout, layers: np.ndarray) -> str:
    items = []
    for index, name in enumerate(h.mix.names):
        facts = next((f for f in h.plan.facts if f.name == name), None)
        badge = f'<span class="badge">{facts.number}</span> ' if facts else ""
        fitted = escape(facts.modifier) if facts else "even light of the room"
        power = f", {escape(phrases.power(facts.power_stops))}" if facts and not facts.is_window else ""
        thumb = Image.fromarray(encoded(layers[index]))
        thumb.thumbnail((300, 300))
        size = f'width="{thumb.width}" height="{thumb.height}"'
        alone = f'<img src="{_picture_url(thumb)}" {size} alt="{escape(name)} alone">'
        duty = escape(h.duties.get(name, ""))
        items.append(f"<li>{alone}<b>{badge}{escape(name)}</b>, {fitted}{power}<br>{duty}</li>")
    return f'<ul class="duties">{"".join(items)}</ul>'


def _readings(h: Handout) -> str:
    heads = "".join(f'<th scope="col">{escape(name)}</th>' for name in h.mix.names)
    rows = []
    for index, p in enumerate(h.points):
        stops = p.combined.over_camera_stops if p.combined.over_camera_stops is not None else p.combined.from_grey_stops
        shown = "dark" if stops is None or not np.isfinite(stops) else f"{stops + 0.0:+.1f}".replace("-", "\u2212")
        reads = units.text_from_f_number_in_tenths(p.combined.f_number) if p.combined.f_number >= 0.7 else "under f/0.7"
        muted = dict(zip(h.mix.names, h.mix.muted, strict=True))
        shares = "".join(
            f"<td data-share>{'–' if muted[name] else f'{100 * r.share:.0f} %'}</td>" for name, r in p.by_light.items()
        )
        kind = "" if p.kind == "dome" else f" ({p.kind})"
        rows.append(
            f'<tr id="point-{index}"><th scope="row">{escape(p.point)}{kind}</th><td data-reads>{escape(reads)}</td>'
            f"<td data-stops>{shown}</td>{shares}</tr>"
        )
    head = f'<tr><th scope="col">point</th><th scope="col">meter reads</th><th scope="col">stops</th>{heads}</tr>'
    return f"<table><thead>{head}</thead><tbody>{''.join(rows)}</tbody></table>"


def _picture_url(image: Image.Image, quality: int = 86) -> str:
    stream = io.BytesIO()
    image.save(stream, "WEBP", quality=quality, method=4)
    return f"data:image/webp;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"
