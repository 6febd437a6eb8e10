"""How clean a draft is: error of the combined picture, as traced and denoised, against samples and time."""

from __future__ import annotations

from typing import Any

from sim.light.develop import denoised
from sim.light.mix import mix_from_scene
from sim.light.stack import LightStack
from sim.scene.model import Scene
from sim.studio.layout import Layout
from tests.bench.clock import timed
from tests.bench.versus import REFERENCE_SEED, relative_errors

SAMPLES = (4, 8, 16)


def draft_errors(
    scene: Scene, layout: Layout, stage: Any, *, size: tuple[int, int], reference_samples: int, repeats: int
) -> list[dict[str, Any]]:
    """One row for each number of samples: errors against a long run, and the time of tracing and of denoising."""
    from sim.render.transport.render import render

    weights = mix_from_scene(scene, layout).weights_rgb(scene.camera.shutter_s)
    how: dict[str, Any] = {"size": size, "depth": scene.render.depth}
    reference = render(stage, samples=reference_samples, seed=REFERENCE_SEED, gather=False, **how).mixed(weights)
    rows = []
    for samples in SAMPLES:
        stacks: dict[int, LightStack] = {}

        def trace(run: int, samples: int = samples, stacks: dict[int, Any] = stacks) -> None:
            stacks[run] = render(stage, samples=samples, seed=100 + run, **how)

        tracing = timed(trace, repeats)
        row = {"samples": samples, "trace_process_s": tracing.process_s, "trace_wall_s": tracing.wall_s}
        row["error"], row["error_trimmed"] = relative_errors(stacks[0].mixed(weights), reference)
        for quality in ("fast", "high"):
            cleaned: dict[int, LightStack] = {}

            def clean(run: int, quality: str = quality, stacks: Any = stacks, cleaned: Any = cleaned) -> None:
                cleaned[run] = denoised(stacks[0], quality=quality)

            cleaning = timed(clean, repeats)
            found = relative_errors(cleaned[0].mixed(weights, for_viewing=True), reference)
            row |= {
                f"denoise_{quality}_process_s": cleaning.process_s, f"denoise_{quality}_wall_s": cleaning.wall_s,
                f"denoised_{quality}_error": found[0], f"denoised_{quality}_error_trimmed": found[1],
            }  # fmt: skip
        rows.append(row)
    return rows
