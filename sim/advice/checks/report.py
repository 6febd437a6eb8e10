"""All checks of a set-up together, as data and as plain lines."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from sim.advice.checks.catchlights import Catchlight, catchlights
from sim.advice.checks.duties import Duties, duties, duty_readings
from sim.advice.checks.flare import Flare, ShadingFlag, flares
from sim.advice.checks.focus import FocusCheck, focus_check
from sim.advice.checks.intrusions import Intrusion, intrusions
from sim.advice.checks.separation import WEAK_BELOW_STOPS, Separation, separation
from sim.advice.checks.sparkle import Sparkle, sparkle
from sim.advice.checks.spill import NEGLIGIBLE_STOPS, PLACES, Spill, spills
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.render.stage.build import Stage
from sim.scene.model import Scene

# A target that loses more than this to something in the way is worth a warning; common practice, no source.
BLOCKED_FROM = 0.1


@dataclass(frozen=True)
class CheckReport:
    """Every check of one set-up; `size`, `samples` and `seed` of the picture that some are read from."""

    focus: FocusCheck
    intrusions: tuple[Intrusion, ...]
    flares: tuple[Flare, ...]
    separation: Separation
    catchlights: tuple[Catchlight, ...]
    spills: tuple[Spill, ...]
    sparkle: Sparkle | None
    duties: Duties
    size: tuple[int, int]
    samples: int
    seed: int


def check_report(
    scene: Scene,
    stage: Stage,
    stack: LightStack,
    mix: Mix,
    *,
    on_step: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> CheckReport:
    """Run every check on a set-up.

    Arguments: `stage`, `stack` of the same scene, the stack as rendered: denoised layers are not read; `on_step` is
    called between steps and ends the work if it raises; `most_rays_at_once` as in
    `sim.render.transport.probe.read_probes`.
    Does not: render the picture or write files.
    """
    camera, layout = scene.camera, stage.layout
    step = on_step or (lambda: None)
    short: dict[str, Any] = {"seed": stack.seed, "on_launch": on_step, "most_rays_at_once": most_rays_at_once}
    parted = separation(stack, mix, camera)
    step()
    glints = sparkle(stack, mix, camera, layout.camera.horizontal_fov_deg)
    step()
    read = duty_readings(stage, **short)
    against_lens = flares(stage, mix, camera.shutter_s, seed=stack.seed)
    step()
    return CheckReport(
        focus=focus_check(scene, layout),
        intrusions=intrusions(stage),
        flares=against_lens,
        separation=parted,
        catchlights=catchlights(stage, mix, camera),
        spills=spills(stage, mix, **short),
        sparkle=glints,
        duties=duties(stack, layout, mix, camera, read, parted, glints),
        size=stack.size,
        samples=stack.samples,
        seed=stack.seed,
    )


def report_lines(report: CheckReport) -> list[tuple[str, list[str]]]:
    """The report in words: (heading, lines) in the order to read them."""
    return [
        ("What each light does", [f"{duty.light}: {duty.sentence}" for duty in report.duties.duties]),
        ("Separation", list(_separation_lines(report.separation))),
        ("Catchlights", list(_catchlight_lines(report.catchlights))),
        ("Focus", list(_focus_lines(report.focus))),
        ("In the picture", list(_intrusion_lines(report.intrusions))),
        ("Light into the lens", list(_flare_lines(report.flares))),
        ("Spill", list(_spill_lines(report.spills))),
        ("Sparkle", list(_sparkle_lines(report.sparkle))),
    ]


def record_from_report(report: CheckReport) -> dict[str, Any]:
    """The report as plain data for JSON: units in the names, infinities as None."""
    parted = report.separation
    return _plain({
        "picture": {"size_px": report.size, "samples": report.samples, "seed": report.seed},
        "duties": [asdict(duty) for duty in report.duties.duties],
        "halo": None if report.duties.halo is None else asdict(report.duties.halo),
        "shoulder_edges": [asdict(edge) for edge in report.duties.edges],
        "separation": {
            "median_stops": parted.median_stops, "weak_share": parted.weak_share, "weak_below_stops": WEAK_BELOW_STOPS,
            "stretches": [asdict(stretch) for stretch in parted.stretches],
            "loss_stops": parted.loss_stops, "provider": parted.provider,
        },
        "catchlights": [asdict(light) for light in report.catchlights],
        "focus": asdict(report.focus),
        "intrusions": [asdict(thing) for thing in report.intrusions],
        "flares": [asdict(flare) for flare in report.flares],
        "spills": [asdict(spill) for spill in report.spills],
        "sparkle": None if report.sparkle is None else asdict(report.sparkle),
    })  # fmt: skip


def _plain(value: Any) -> Any:
    """Arrays to lists, infinities and nan to None, so that any JSON reader takes it."""
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _separation_lines(found: Separation) -> Iterator[str]:
    if math.isnan(found.median_stops):
        yield "the sitter's outline is not in the picture"
        return
    yield (
        f"median contrast along the outline {found.median_stops:.1f} stops; {100 * found.weak_share:.0f} % of it is "
        f"under {WEAK_BELOW_STOPS:g} stop"
    )
    for stretch in found.stretches[:5]:
        yield (
            f"weak: {stretch.region}, {stretch.side}, {stretch.contrast_stops:.2f} ± {stretch.stderr_stops:.2f} stop "
            f"over {100 * stretch.length:.0f} % of the outline"
        )
    if found.provider is not None:
        yield f"{found.provider} gives most of it: {found.loss_stops[found.provider]:.1f} stop less without it"


def _catchlight_lines(found: tuple[Catchlight, ...]) -> Iterator[str]:
    if not found:
        yield "none in either eye"
    for light in found:
        where = f"at {light.clock} o'clock" if light.clock else "in the middle"
        part = "" if light.visible > 0.95 else f", {100 * light.visible:.0f} % of it shows"
        yield (
            f"{light.eye}: {light.light} {where}, {light.width_mm:.1f} x {light.height_mm:.1f} mm, "
            f"{100 * light.iris_share:.1f} % of the iris, {light.from_grey_stops:+.1f} stops from grey{part}"
        )


def _focus_lines(found: FocusCheck) -> Iterator[str]:
    far = "infinity" if math.isinf(found.far_m) else f"{found.far_m:.2f} m"
    yield (
        f"focus {found.focus_m:.2f} m; sharp from {found.near_m:.2f} m to {far}; hyperfocal {found.hyperfocal_m:.1f} m "
        f"(circle of confusion {1000 * found.circle_m:.3f} mm)"
    )
    for part, by_m in found.outside_m.items():
        yield f"{part} lies {abs(by_m) * 100:.0f} cm {'behind' if by_m > 0 else 'before'} what is sharp"
    if found.backdrop_blur is not None:
        blur = found.backdrop_blur
        share = f"{100 * blur.frame_share:.2f} % of the picture's width"
        yield f"a point of the backdrop spreads to {1000 * blur.there_m:.1f} mm there, {share}"
    if found.coverage is not None:
        edges = ", ".join(f"{side} {spare:+.2f} m" for side, spare in found.coverage.spare_m.items())
        yield (
            f"backdrop beyond the frame: {edges}"
            if found.coverage.fills
            else f"the frame sees past the backdrop: {edges}"
        )


def _intrusion_lines(found: tuple[Intrusion, ...]) -> Iterator[str]:
    if not found:
        yield "no light, stand or panel"
    for item in found:
        thing = "" if item.thing == "panel" else f"'s {item.thing}" if item.thing == "stand" else ""
        if not item.move_m:
            yield f"{item.name}{thing} shows"
            continue
        direction, distance_m = item.shortest
        word = "up" if direction == "up" else f"to camera {direction}"
        share = f"{100 * item.frame_share:.1f} % of the picture"
        yield f"{item.name}{thing} shows ({share}): move it {distance_m:.2f} m {word}"


def _flag_text(flag: ShadingFlag) -> str:
    x, y, z = (float(v) for v in flag.middle_m)
    return (
        f"{100 * flag.width_m:.0f} x {100 * flag.height_m:.0f} cm, {flag.from_lens_m:.2f} m from the lens, "
        f"middle at [{x:.2f} m, {y:.2f} m, {z:.2f} m]"
    )


def _flare_lines(found: tuple[Flare, ...]) -> Iterator[str]:
    if not found:
        yield "none shines straight into the lens"
    for flare in found:
        yield (
            f"{flare.name} shines into the lens from {flare.off_axis_deg:.0f}° off its axis: "
            f"{100 * flare.share:.0f} % of the light on the front of the lens"
        )
        if flare.in_frame:
            yield f"  {flare.name} is in the picture: no flag can hide it"
        elif flare.flag is not None:
            yield f"  smallest flag: {_flag_text(flare.flag)}"
            if flare.stand_flag is not None and flare.stand_flag.from_lens_m > flare.flag.from_lens_m + 0.05:
                yield f"  smallest on a stand: {_flag_text(flare.stand_flag)}"


def _spill_lines(found: tuple[Spill, ...]) -> Iterator[str]:
    for spill in found:
        if spill.blocked > BLOCKED_FROM:
            share = f"{100 * spill.blocked:.0f} % of its light"
            yield f"{spill.light}: {spill.blocker or 'something'} stands in {share} on the way to {spill.target}"
        others = []
        for places in PLACES.values():
            here = {place: spill.below_stops[place] for place in places if place in spill.below_stops}
            if not here:
                continue
            place = min(here, key=lambda name: here[name])
            if here[place] < NEGLIGIBLE_STOPS:
                below = here[place]
                others.append(f"{place} {below:.1f} stops {'below' if below >= 0 else 'above'}".replace(" -", " "))
        yield f"{spill.light}, aimed at {spill.target}: {', '.join(others) if others else 'keeps to its target'}"


def _sparkle_lines(found: Sparkle | None) -> Iterator[str]:
    if found is None:
        yield "no clothes in the picture"
        return
    yield f"{found.index:.2f} glints per cm² at this picture's {found.pixels_per_cm2:.1f} pixels per cm²"
    for light, index in found.by_light.items():
        if index > 0:
            yield f"{light} alone: {index:.2f}; without it {found.without[light]:.2f} are left"
