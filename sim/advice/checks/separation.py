"""Separation: how far the sitter stands out from what is behind, along the outline, in stops, and who sees to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sim.advice.checks.outline import Outline, outline_of
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.scene.model import Camera

# Under this contrast an edge is weak; common practice, no source.
WEAK_BELOW_STOPS = 0.5
# A weak stretch shorter than this share of the picture's height is left out.
SHORTEST_STRETCH = 0.02
# Light under this share of the lighter side counts as this share, so that black stays finite.
FLOOR_SHARE = 2.0**-10
# Most colours of the outline and picture of the marks: contrast from weak to strong.
WEAK_RGB, STRONG_RGB = (230, 97, 1), (94, 160, 220)


@dataclass(frozen=True)
class Stretch:
    """A weak stretch of the outline: its part, the side of the sitter, contrast and where it lies in the picture.

    `contrast_stops` mean of the size of the contrast, `stderr_stops` its standard error; `length` share of the whole
    outline, 0..1; `place` its middle (x, y), 0..1.
    """

    region: str
    side: str
    contrast_stops: float
    stderr_stops: float
    length: float
    place: tuple[float, float]


@dataclass(frozen=True)
class Separation:
    """Contrast along the outline.

    `outline`; `contrast_stops`, `stderr_stops` (p,): sitter over what is behind, positive where the sitter is lighter;
    `median_stops` of its size; `weak_share` of the outline under half a stop; `stretches` weakest first; `loss_stops`
    by light: how much the mean size of the contrast falls without it (negative: it rises); `provider` the light with
    the most, None if none adds a tenth of a stop.
    """

    outline: Outline
    contrast_stops: np.ndarray
    stderr_stops: np.ndarray
    median_stops: float
    weak_share: float
    stretches: tuple[Stretch, ...]
    loss_stops: dict[str, float]
    provider: str | None


def separation(stack: LightStack, mix: Mix, camera: Camera) -> Separation:
    """Measure the contrast between the sitter and what is behind, along the outline, from raw layers.

    Definition: log2 of the mean exposure just inside over just outside the outline.
    Does not: judge colour contrast.
    """
    outline = outline_of(stack, mix, camera.shutter_s)
    total_in, total_out = outline.inside.sum(axis=1), outline.outside.sum(axis=1)
    contrast = contrast_stops(total_in, total_out)
    error = np.hypot(
        outline.inside_error / np.maximum(total_in, 1e-12), outline.outside_error / np.maximum(total_out, 1e-12)
    ) / np.log(2)
    size = np.abs(contrast)
    loss = {
        name: float(
            (size - np.abs(contrast_stops(total_in - outline.inside[:, k], total_out - outline.outside[:, k]))).mean()
        )
        if len(size)
        else 0.0
        for k, name in enumerate(mix.names)
    }
    best = max(loss, key=lambda name: loss[name])
    return Separation(
        outline=outline,
        contrast_stops=contrast,
        stderr_stops=error,
        median_stops=float(np.median(size)) if len(size) else float("nan"),
        weak_share=float((size < WEAK_BELOW_STOPS).mean()) if len(size) else 0.0,
        stretches=_stretches(stack, outline, contrast, error),
        loss_stops=loss,
        provider=best if loss[best] > 0.1 else None,
    )


def contrast_stops(inside: np.ndarray, outside: np.ndarray) -> np.ndarray:
    """log2 of inside over outside, black held at ten stops under the lighter side, 0 where both are black."""
    lighter = np.maximum(np.maximum(inside, outside), 1e-30)
    floor = FLOOR_SHARE * lighter
    stops: np.ndarray = np.log2(np.maximum(inside, floor) / np.maximum(outside, floor))
    return stops


def marked(picture: np.ndarray, separation: Separation) -> np.ndarray:
    """The picture (h, w, 3) uint8 with the outline on it: thick orange where weak, thin blue from 2 stops on."""
    shown = picture.copy()
    size = np.abs(separation.contrast_stops)
    strength = np.clip(size / 2.0, 0, 1)[:, None]
    ink = np.round((1 - strength) * np.array(WEAK_RGB) + strength * np.array(STRONG_RGB)).astype(np.uint8)
    shown[separation.outline.rows, separation.outline.columns] = ink
    weak = np.zeros(picture.shape[:2], bool)
    keep = size < WEAK_BELOW_STOPS
    weak[separation.outline.rows[keep], separation.outline.columns[keep]] = True
    reach = max(1, round(picture.shape[0] / 300))
    shown[ndimage.binary_dilation(weak, iterations=reach)] = WEAK_RGB
    return shown


def _stretches(stack: LightStack, outline: Outline, contrast: np.ndarray, error: np.ndarray) -> tuple[Stretch, ...]:
    """Weak pixels joined into stretches of one part of the sitter, weakest first."""
    width, height = stack.size
    stretches = []
    middle = float(outline.columns.mean()) if len(outline.columns) else 0.0
    for region in np.unique(outline.region):
        here = (outline.region == region) & (np.abs(contrast) < WEAK_BELOW_STOPS)
        table = np.full((height, width), -1)
        table[outline.rows[here], outline.columns[here]] = np.flatnonzero(here)
        label, count = ndimage.label(ndimage.binary_dilation(table >= 0, iterations=2))
        for index in range(1, count + 1):
            members = table[(label == index) & (table >= 0)]
            if len(members) < SHORTEST_STRETCH * height:
                continue
            column, row = outline.columns[members].mean(), outline.rows[members].mean()
            stretches.append(Stretch(
                region=stack.region_names[int(region)],
                side="camera left" if column < middle else "camera right",
                contrast_stops=float(np.abs(contrast[members]).mean()),
                stderr_stops=float(np.sqrt(np.square(error[members]).mean())),
                length=len(members) / len(contrast),
                place=(float(column) / width, float(row) / height),
            ))  # fmt: skip
    return tuple(sorted(stretches, key=lambda s: s.contrast_stops))
