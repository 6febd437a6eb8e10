"""Burnt-out skin, hair and cloth: whose light goes past what the sensor holds, how far, and how much less would do."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.light.develop import SATURATION, picture_scale_rgb
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities import color
from sim.scene.model import Camera

PARTS = ("face", "neck", "chest", "arms", "hands", "hair", "gown", "suit")
# Cloth whose glints are meant to clip.
SPARKLING = "gown"
# So much of a part may clip before a word: a gleam on lip or hair is no fault. Common practice, no source.
BURNT_SHARE = 0.02
# A pixel counts where it clips by so many standard errors.
SURE_ERRORS = 2.0
# Brightest pixels of what clips, as a percentile: a single one is noise.
HIGH_PERCENTILE = 95.0
# A light turned down by more than this has not burnt the part out by itself.
MOST_DOWN_STOPS = 5.0


@dataclass(frozen=True)
class Burnout:
    """A part of the sitter that clips, and the light that gives most of what clips there.

    `share` of the part that clips, 0..1; `over_stops` how far its brightest twentieth goes past the sensor's
    saturation; `down_stops` by which the light must come down for less than a fiftieth of the part to clip, None where
    it would still clip without that light.
    """

    part: str
    light: str
    share: float
    over_stops: float
    down_stops: float | None


def burnouts(stack: LightStack, mix: Mix, camera: Camera, *, sequins: bool) -> tuple[Burnout, ...]:
    """Parts of the sitter of which at least a fiftieth clips, worst first.

    A pixel clips as soon as one channel reaches the sensor's saturation ([ISO12232:2019]); read from layers as
    rendered. Arguments: `sequins` whether the gown wears them, whose glints may clip.
    Does not: count the backdrop, eyes or instrument.
    """
    found = (
        _burnout(stack, mix, camera, part) for part in PARTS if not (sequins and part == SPARKLING)
    )  # fmt: skip
    return tuple(sorted((b for b in found if b is not None), key=lambda b: -b.share))


def _burnout(stack: LightStack, mix: Mix, camera: Camera, part: str) -> Burnout | None:
    mask = stack.mask(part)
    if not mask.any():
        return None
    weights = mix.weights_rgb(camera.shutter_s) * picture_scale_rgb(camera)
    layers = stack.pixels[:, mask].astype(float) * weights[:, None, :]
    variance = stack.variance[:, mask].astype(float) * np.square(weights.max(axis=1))[:, None]
    total = layers.sum(axis=0)
    highest = total.max(axis=1)
    clips = highest - SURE_ERRORS * np.sqrt(variance.sum(axis=0)) >= SATURATION
    share = float(clips.mean())
    if share < BURNT_SHARE:
        return None
    maker = int(color.luminance(layers[:, clips]).sum(axis=1).argmax())
    return Burnout(
        part=part,
        light=mix.names[maker],
        share=share,
        over_stops=math.log2(float(np.percentile(highest[clips], HIGH_PERCENTILE)) / SATURATION),
        down_stops=_down_stops(layers[maker], total - layers[maker], clips),
    )


def _down_stops(own: np.ndarray, others: np.ndarray, clips: np.ndarray) -> float | None:
    """Stops down of one light (n, 3) beside the others' (n, 3) until less than a fiftieth of the part clips."""
    # Of each pixel that clips, find the share of the light that its first channel would bear.
    room = np.maximum(SATURATION - others[clips], 0) / np.maximum(own[clips], 1e-12)
    bears = np.sort(np.minimum(room.min(axis=1), 1))
    # Leave so many burnt as go without a word.
    left = max(math.ceil(BURNT_SHARE * len(clips)) - 1, 0)
    share = float(bears[min(left, len(bears) - 1)])
    if share < 2**-MOST_DOWN_STOPS:
        return None
    # Round up to the next tenth of a stop.
    return math.ceil(-10 * math.log2(share) - 1e-6) / 10
