"""The comparison: every alternative traced as far as need be, and measured against the first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from sim.advice.checks.noseshadow import KeyShadow, key_shadow
from sim.advice.checks.shadow_words import record_from_key_shadow
from sim.advice.compare.measures import energy_for, falloff_stops, key_of_face, nose_edge_mm
from sim.advice.compare.retrace import changed_lights, merged_stack, reused_stack, rows_of
from sim.advice.compare.swaps import Alternative
from sim.light.develop import denoised, exposed
from sim.light.mix import Mix, mix_from_scene
from sim.light.stack import LightStack
from sim.metering.lighting_ratio import LightingRatio, ratio_from_probes, ratio_probes
from sim.metering.points import readings_from_regions
from sim.quantities import phrases
from sim.quantities.errors import HalfstopError
from sim.quantities.plain import Plain, plain_from
from sim.render.cache.disk import Store
from sim.render.cache.stage import CachedStage
from sim.scene.model import Scene

# Parts that are told apart, as far as the picture shows them.
PARTS = ("face", "hair", "neck", "chest", "arms", "gown", "suit", "backdrop")

RATIO_STDERR_STOPS, RATIO_RAYS = 0.1, 1 << 13

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Figures:
    """What one alternative shows.

    `picture` (h, w, 3) linear at the first alternative's face exposure. `cost_stops`: more light (+) than the first
    needs for the same face. `part_stops`: each part's mean against the same part of the first, after that, with
    `part_stderr_stops`. `key` the light that gives the first one's face most; its `edge_mm` (10 to 90 % across the edge
    of the nose's shadow, None without one), `falloff_stops` across the face and `nose_shadow`, the pattern that it
    draws; None where the alternative has no such light. `ratio` at the face.
    `over_full`: lights that would have to go over full power, and by how many stops. `flash_J`, `continuous_W`:
    electrical energy of a firing and power of lamps that stay on, for the same face; None where a lamp does not state
    it.
    `traced`: lights whose layers were traced for it.
    """

    label: str
    picture: np.ndarray
    cost_stops: float
    cost_stderr_stops: float
    part_stops: dict[str, float]
    part_stderr_stops: dict[str, float]
    key: str
    edge_mm: float | None
    falloff_stops: float | None
    nose_shadow: KeyShadow | None
    ratio: LightingRatio
    over_full: dict[str, float]
    flash_J: float | None
    continuous_W: float | None
    traced: tuple[str, ...]


def compare(
    alternatives: Sequence[Alternative], *, size: tuple[int, int], samples: int, seed: int = 0,
    key: str | None = None, store: Store | None = None, on_progress: Progress | None = None,
) -> list[Figures]:  # fmt: skip
    """Trace the first alternative and of every other only what changed, then measure all against the first.

    Arguments: `size` (width, height) in pixels, `samples` rays per pixel; `key` the light whose shadow edge and
    falloff are measured, None for the one that gives the first alternative's face most; `store` of kept layers, None
    traces all that is needed.
    """
    if key is not None and key not in alternatives[0].layout.light_names:
        names = ", ".join(alternatives[0].layout.light_names)
        raise HalfstopError(f'--key: there is no light "{key}" in the first scene; it has {names}')
    tell = on_progress or (lambda step, part: None)
    stacks: list[LightStack] = []
    stages: list[CachedStage] = []
    traced_names: list[tuple[str, ...]] = []
    for index, item in enumerate(alternatives):
        stage = CachedStage(item.scene, item.layout, store)
        # Trace nothing twice: the first scene whole, another only where its lights differ.
        wanted = changed_lights(stages[0], stage) if index else None

        def note(part: float, index: int = index) -> None:
            tell("trace", (index + part) / len(alternatives))

        how = Tracing(size, samples, seed, note)
        if wanted == ():
            stage, stack = stages[0], reused_stack(stacks[0], stage.light_names, stage.is_flash)
        else:
            stack = _traced(stage, stacks, wanted, how)
        note(1.0)
        stacks.append(stack)
        stages.append(stage)
        traced_names.append(item.layout.light_names if wanted is None else wanted)
    figures: list[Figures] = []
    camera = alternatives[0].scene.camera
    key = key or key_of_face(stacks[0], mix_from_scene(alternatives[0].scene, alternatives[0].layout), camera.shutter_s)
    for index in range(len(alternatives)):
        figures.append(_figures(alternatives, index, stacks, stages[index], key, traced_names[index]))
        tell("measure", (index + 1) / len(alternatives))
    return figures


@dataclass(frozen=True)
class Tracing:
    """How every alternative is traced; see `sim.render.transport.render.render`."""

    size: tuple[int, int]
    samples: int
    seed: int
    on_progress: Callable[[float], None]


def _traced(
    stage: CachedStage, stacks: Sequence[LightStack], wanted: tuple[str, ...] | None, how: Tracing
) -> LightStack:
    """Trace a scene's lights, all of them or the wanted beside the first's; kept layers are taken from the store."""
    stack = stage.render(
        size=how.size, samples=how.samples, seed=how.seed, depth=stage.scene.render.depth, on_progress=how.on_progress,
        wanted=None if wanted is None else rows_of(stage, wanted),
    )  # fmt: skip
    return stack if wanted is None else merged_stack(stacks[0], stack, wanted)


def _figures(
    alternatives: Sequence[Alternative], index: int, stacks: Sequence[LightStack], stage: CachedStage, key: str,
    traced: tuple[str, ...],
) -> Figures:  # fmt: skip
    item, stack = alternatives[index], stacks[index]
    mix = mix_from_scene(item.scene, item.layout)
    first_mix = mix_from_scene(alternatives[0].scene, alternatives[0].layout)
    ours = _parts(stack, mix, item.scene)
    theirs = _parts(stacks[0], first_mix, alternatives[0].scene)
    if "face" not in ours or "face" not in theirs:
        raise HalfstopError(f'"{item.label}": the picture shows no lit face to bring to the same exposure')
    # Bring the face to the first alternative's exposure, then compare the rest.
    cost = theirs["face"][0] - ours["face"][0]
    cost_error = 0.0 if index == 0 else float(np.hypot(theirs["face"][1], ours["face"][1]))
    both = [part for part in ours if part in theirs]
    flash, steady = energy_for(item.scene, mix, cost)
    # A stage of which nothing was traced anew is the first one's, with the first one's lights.
    has_key = key in item.layout.light_names
    return Figures(
        label=item.label,
        picture=_viewed(stack, mix, item.scene, cost),
        cost_stops=cost,
        cost_stderr_stops=cost_error,
        part_stops={part: ours[part][0] + cost - theirs[part][0] for part in both},
        part_stderr_stops={
            part: 0.0 if index == 0 else float(np.hypot(ours[part][1], theirs[part][1])) for part in both
        },
        key=key,
        edge_mm=nose_edge_mm(stage, key) if has_key else None,
        falloff_stops=falloff_stops(stage, key) if has_key else None,
        nose_shadow=key_shadow(stage, key) if has_key else None,
        ratio=_ratio(item, stage, mix),
        over_full={
            name: dial + cost
            for name, dial, muted in zip(mix.names, mix.dial_stops, mix.muted, strict=True)
            if name in item.scene.lights and not muted and dial + cost > 0.05
        },
        flash_J=flash,
        continuous_W=steady,
        traced=traced,
    )


def _parts(stack: LightStack, mix: Mix, scene: Scene) -> dict[str, tuple[float, float]]:
    """Stops from middle grey and standard error of each part that is seen and lit."""
    readings = readings_from_regions(stack, mix, scene.camera, PARTS)
    return {
        reading.id.part: (reading.combined.from_grey_stops, reading.combined.stderr_stops)
        for reading in readings
        if reading.combined.from_grey_stops is not None and np.isfinite(reading.combined.from_grey_stops)
    }


def _ratio(item: Alternative, stage: CachedStage, mix: Mix) -> LightingRatio:
    """The lighting ratio of an alternative; a few rays tell it well enough to compare."""
    read = stage.read_probes(
        ratio_probes(item.scene, item.layout), depth=item.scene.render.depth, target_stderr_stops=RATIO_STDERR_STOPS,
        most_rays=RATIO_RAYS,
    )  # fmt: skip
    return ratio_from_probes(item.scene, item.layout, read, mix)


def _viewed(stack: LightStack, mix: Mix, scene: Scene, more_stops: float) -> np.ndarray:
    """The combined picture, denoised once as a whole, brightened by `more_stops`."""
    weights = mix.weights_rgb(scene.camera.shutter_s)
    mixed = stack.mixed(weights)
    whole = replace(stack, names=("combined",), is_flash=(True,), pixels=mixed[None], variance=stack.variance[:1])
    clean = denoised(whole)
    even = Mix(("combined",), (0.0,), np.ones((1, 3)), (False,), (True,))
    return exposed(clean, even, scene.camera, exposure_stops=more_stops)


def record_from_figures(alternatives: Sequence[Figures]) -> list[Plain]:
    """The alternatives' figures as plain data, without the pictures."""
    return [_record(figures) for figures in alternatives]


def _record(figures: Figures) -> Plain:
    record = asdict(replace(figures, picture=np.zeros(0)))
    del record["picture"]
    return plain_from({**record, "nose_shadow": record_from_key_shadow(figures.nose_shadow)})


def rows_from_figures(figures: Figures, first: Figures) -> tuple[tuple[str, str], ...]:
    """Labels and figures of one alternative for a sheet or a table; an empty label is a rule."""
    is_first = figures is first
    rows = [("cost for the same face", "as it is" if is_first else phrases.signed_stops(figures.cost_stops) + " stops")]
    energies = (("flash energy", "W·s", figures.flash_J), ("lamps that stay on", "W", figures.continuous_W))
    for what, unit, value in energies:
        if value != 0:
            rows.append((what, "not stated" if value is None else f"{value:.0f} {unit}"))
    rows += [(f"{name} over full power by", phrases.stops(over, 1)) for name, over in figures.over_full.items()]
    rows.append(("lighting ratio", figures.ratio.text))
    edge = "no open edge" if figures.edge_mm is None else f"{figures.edge_mm:.1f} mm"
    rows.append((f"nose shadow's edge, {figures.key}", edge))
    if figures.falloff_stops is not None:
        rows.append((f"falloff on the face, {figures.key}", phrases.stops(figures.falloff_stops)))
    if not is_first:
        rows.append(("", ""))
        rows += [
            (part, f"{phrases.signed_stops(stops)} stops ± {figures.part_stderr_stops[part]:.2f}")
            for part, stops in figures.part_stops.items()
            if part != "face"
        ]
    return tuple(rows)
