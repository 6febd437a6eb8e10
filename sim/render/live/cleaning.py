"""Noise smoothed along surfaces: an edge-avoiding wavelet filter whose weights are worked out once for a view.

Source: the "a trous" filter of [Dammertz:2010]; widths by trial.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.live.hits import FirstHits, neighbour
from sim.render.live.recordings import Recordings

# Steps in pixels between the taps of each pass; the last ones only in pictures of so many rows for each step.
STEPS = (1, 2, 4, 8)
ROWS_PER_STEP = 75
AROUND = tuple((x, y) for y in (-1, 0, 1) for x in (-1, 0, 1))
# A neighbour counts for less the farther it lies off the surface, in pixels' footprints times the step.
OFF_SURFACE = 2.0
NORMAL_POWER = 4
# What is left of a neighbour that faces another way, such as the next sequin.
LEAST_FACING = 0.2


@dataclass
class Smoothing:
    """Normalised weights of nine taps for each pass, [pass][tap], and the picture's `columns` and `rows`."""

    weights: list[list[Any]]
    columns: Any
    rows: Any


def smoothing_of(hits: FirstHits, rows: int, recordings: Recordings) -> Smoothing:
    """The filter for what a camera sees: it mixes pixels that lie side by side on one surface.

    Arguments: `rows` of the picture, which decide how far the filter reaches.
    """
    steps = tuple(step for step in STEPS if step == 1 or step * ROWS_PER_STEP <= rows)
    smoothing: Smoothing = recordings.of(("smoothing", steps), lambda hits: _smoothing(hits, steps))(hits)
    return smoothing


def _smoothing(hits: FirstHits, steps: tuple[int, ...]) -> Smoothing:
    pixel = dr.arange(mi.UInt32, dr.width(hits.part))
    passes = []
    for step in steps:
        weights = []
        for x, y in AROUND:
            near = (0.5 if x == 0 else 0.25) * (0.5 if y == 0 else 0.25)
            at = neighbour(pixel, x * step, y * step, hits.columns, hits.rows)
            weights.append(near * _alike(hits, at, step))
        total = sum(weights[1:], weights[0])
        passes.append([weight / total for weight in weights])
    return Smoothing(passes, hits.columns, hits.rows)


def _alike(hits: FirstHits, at: Any, step: int) -> Any:
    p, n = hits.si.p, hits.si.sh_frame.n
    other_p, other_n = dr.gather(mi.Point3f, p, at), dr.gather(mi.Normal3f, n, at)
    off = dr.abs(dr.dot(hits.si.n, other_p - p)) / (OFF_SURFACE * step * hits.footprint_m)
    facing = dr.maximum(dr.dot(n, other_n), 0) ** NORMAL_POWER
    same = dr.gather(mi.UInt32, hits.part, at) == hits.part
    alike = dr.exp(-dr.square(off)) * dr.maximum(facing, LEAST_FACING)
    own = at == dr.arange(mi.UInt32, dr.width(hits.part))
    return dr.select(own, 1, dr.select(same, alike, 0))


def smoothed(smoothing: Smoothing, channels: list[Any]) -> list[Any]:
    """Channels of a picture, each Float by pixel, after all passes of the filter."""
    for step, weights in zip(STEPS, smoothing.weights, strict=False):
        dr.eval(channels)
        pixel = dr.arange(mi.UInt32, dr.width(weights[0]))
        taps = [neighbour(pixel, x * step, y * step, smoothing.columns, smoothing.rows) for x, y in AROUND]
        channels = [
            sum((weight * dr.gather(mi.Float, channel, at) for weight, at in zip(weights, taps, strict=True)),
                mi.Float(0))
            for channel in channels
        ]  # fmt: skip
    return channels
