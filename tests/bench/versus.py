"""All layers in one go against the renderer's own path tracer, light by light and with all lights on.

Both solve the same problem on the same geometry: the demo with its emitters made Lambertian (the stock tracer knows no
profiles) and without housings or stands (ours leaves a light off its own housing). The yardstick is time times squared
error, which for independent samples does not depend on how many are taken. Errors are found on a small picture and
times on a large one with the same samples per pixel, since an error per pixel does not know the size of the picture
and a small one's time is mostly spent on starting the kernels.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from sim.quantities.color import luminance
from sim.scene.model import Scene
from sim.studio.gear.emitter import Profile
from sim.studio.layout import Layout, PlacedLight
from tests.bench.clock import timed

# Share of pixels left out of the trimmed error: glints on sequins give a few pixels most of the plain one.
TRIMMED = 0.01
# Pixels darker than this part of the picture's mean count as if they were that bright.
DARK = 0.02
REFERENCE_SEED = 777_000


def lambertian(layout: Layout) -> Layout:
    """The layout with emitters that shine alike in all directions, and nothing of a light but its faces."""

    def bared(light: PlacedLight) -> PlacedLight:
        faces = tuple(
            replace(emitter, profile=Profile(theta_max_rad=math.pi if emitter.surface == "sphere" else math.pi / 2))
            for emitter in light.rig.emitters
        )
        return replace(light, rig=replace(light.rig, emitters=faces, body=()), stand="none")

    return replace(layout, lights=tuple(bared(light) for light in layout.lights), even_ambients=())


def relative_errors(picture: np.ndarray, reference: np.ndarray) -> tuple[float, float]:
    """Mean over pixels of the squared relative error of luminance: of all pixels, and without the worst hundredth.

    Arguments: linear pictures (h, w, 3), not all black.
    """
    seen, truth = luminance(picture).astype(float), luminance(reference).astype(float)
    squared = np.square((seen - truth) / np.maximum(truth, DARK * truth.mean())).ravel()
    return float(squared.mean()), float(np.sort(squared)[: math.ceil((1 - TRIMMED) * squared.size)].mean())


def versus_stock(
    scene: Scene, layout: Layout, *, size: tuple[int, int], time_size: tuple[int, int], samples: int,
    reference_samples: int, repeats: int,
) -> dict[str, Any]:  # fmt: skip
    """Time times squared error of ours over the stock tracer's, for each light and for all at once.

    Arguments: `size` of the pictures whose errors are taken, `time_size` of those that are timed.
    """
    from sim.render.stage.build import build
    from sim.render.transport.render import render
    from tests.bench.stock import stock_picture

    layout, depth = lambertian(layout), scene.render.depth
    stage = build(scene, layout)
    how: dict[str, Any] = {"samples": samples, "depth": depth}
    # Hold both against paths followed to the end.
    long: dict[str, Any] = {"samples": reference_samples, "depth": depth, "gather": False}
    reference = render(stage, size=size, seed=REFERENCE_SEED, **long).pixels
    ours = [render(stage, size=size, seed=100 + run, gather=True, **how).pixels for run in range(repeats)]
    our_time = timed(
        lambda run: render(stage, size=time_size, seed=200 + run, gather=True, **how), repeats, warm_up=False
    )

    def stock(glowing: frozenset[int]) -> tuple[list[np.ndarray], float]:
        lit = build(scene, layout, glowing=glowing)
        pictures = [stock_picture(lit, size=size, seed=500 + run, **how) for run in range(repeats)]
        time = timed(lambda run: stock_picture(lit, size=time_size, seed=600 + run, **how), repeats, warm_up=False)
        return pictures, time.process_s

    names = layout.light_names
    rows = []
    for index, name in enumerate(names):
        theirs, time = stock(frozenset({index}))
        rows.append(
            {"light": name}
            | _side_by_side([p[index] for p in ours], theirs, reference[index], our_time.process_s / len(names), time)
        )
    theirs, time = stock(frozenset(range(len(names))))
    together = _side_by_side([p.sum(axis=0) for p in ours], theirs, reference.sum(axis=0), our_time.process_s, time)
    return {
        "problem": "the demo with Lambertian emitters, without housings and stands",
        "size": list(size), "time_size": list(time_size), "samples": samples,
        "reference_samples": reference_samples, "repeats": repeats,
        "depth": depth, "our_process_s": our_time.process_s, "our_wall_s": our_time.wall_s,
        "lights": rows,
        "geometric_mean": _geometric_mean(row["ratio"] for row in rows),
        "geometric_mean_trimmed": _geometric_mean(row["ratio_trimmed"] for row in rows),
        "all_on": together,
        "our_time_over_all_on_per_sample": our_time.process_s / time,
    }  # fmt: skip


def _side_by_side(
    ours: list[np.ndarray], theirs: list[np.ndarray], reference: np.ndarray, our_s: float, stock_s: float
) -> dict[str, float]:
    our_error, our_trimmed = np.mean([relative_errors(p, reference) for p in ours], axis=0)
    stock_error, stock_trimmed = np.mean([relative_errors(p, reference) for p in theirs], axis=0)
    return {
        "our_s": our_s, "stock_s": stock_s,
        "our_error": float(our_error), "stock_error": float(stock_error),
        "our_error_trimmed": float(our_trimmed), "stock_error_trimmed": float(stock_trimmed),
        "ratio": float(our_s * our_error / (stock_s * stock_error)),
        "ratio_trimmed": float(our_s * our_trimmed / (stock_s * stock_trimmed)),
    }  # fmt: skip


def _geometric_mean(ratios: Any) -> float:
    return float(np.exp(np.mean(np.log(list(ratios)))))
