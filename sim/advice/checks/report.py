"""All checks of a set-up together, and as plain data for a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

from sim.advice.checks.burnout import Burnout, burnouts
from sim.advice.checks.catchlights import Catchlight, catchlights
from sim.advice.checks.duties import Duties, duties, duty_readings
from sim.advice.checks.duty_words import sentence_from_tasks
from sim.advice.checks.flare import Flare, flares
from sim.advice.checks.focus import FocusCheck, focus_check
from sim.advice.checks.intrusions import Intrusion, intrusions
from sim.advice.checks.noseshadow import KeyShadow, key_shadow
from sim.advice.checks.separation import WEAK_BELOW_STOPS, Separation, separation
from sim.advice.checks.shadow_words import record_from_key_shadow
from sim.advice.checks.sparkle import Sparkle, sequin_light, sparkle
from sim.advice.checks.spill import Spill, spills
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities.plain import PlainDict, plain_dict
from sim.render.cache.queries import StageLike
from sim.scene.model import Scene


@dataclass(frozen=True)
class CheckReport:
    """Every check of one set-up.

    `nose_shadow` of the key, where it is known; `garment` that the sitter wears; `size`, `samples` and `seed` of the
    picture that some checks are read from.
    """

    focus: FocusCheck
    intrusions: tuple[Intrusion, ...]
    flares: tuple[Flare, ...]
    separation: Separation
    burnouts: tuple[Burnout, ...]
    catchlights: tuple[Catchlight, ...]
    spills: tuple[Spill, ...]
    sparkle: Sparkle | None
    duties: Duties
    garment: str
    size: tuple[int, int]
    samples: int
    seed: int
    nose_shadow: KeyShadow | None = None
    has_sitter: bool = True


def check_report(
    scene: Scene,
    stage: StageLike,
    stack: LightStack,
    mix: Mix,
    *,
    key: str | None = None,
    on_step: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> CheckReport:
    """Run every check on a set-up.

    Arguments: `stage`, `stack` of the same scene, the stack as rendered: denoised layers are not read; `key` the light
    whose nose shadow is named, None for none; `on_step` is called between steps and ends the work if it raises;
    `most_rays_at_once` as in `sim.render.transport.probe.read_probes`.
    Does not: render the picture or write files.
    """
    camera, layout = scene.camera, stage.layout
    step = on_step or (lambda: None)
    parted = separation(stack, mix, camera)
    step()
    sequins = sequin_light(stage, seed=stack.seed, on_launch=on_step, most_rays_at_once=most_rays_at_once)
    glints = sparkle(sequins, mix, camera)
    step()
    read = duty_readings(stage, seed=stack.seed, on_launch=on_step, most_rays_at_once=most_rays_at_once)
    against_lens = flares(stage, mix, camera.shutter_s, seed=stack.seed)
    step()
    return CheckReport(
        focus=focus_check(scene, layout),
        intrusions=intrusions(stage),
        flares=against_lens,
        separation=parted,
        burnouts=burnouts(stack, mix, camera, sequins=sequins is not None),
        catchlights=catchlights(stage, mix, camera) if layout.has_sitter else (),
        spills=spills(stage, mix, seed=stack.seed, on_launch=on_step, most_rays_at_once=most_rays_at_once),
        sparkle=glints,
        duties=duties(stack, layout, mix, camera, read, parted, glints),
        garment=scene.sitter.garment,
        size=stack.size,
        samples=stack.samples,
        seed=stack.seed,
        nose_shadow=None if key is None else key_shadow(stage, key),
        has_sitter=layout.has_sitter,
    )


def record_from_report(report: CheckReport) -> PlainDict:
    """The report as plain data for JSON: units in the names, infinities as None."""
    parted = report.separation
    return plain_dict({
        "has_sitter": report.has_sitter,
        "picture": {"size_px": report.size, "samples": report.samples, "seed": report.seed},
        "duties": [
            {"light": duty.light, "sentence": sentence_from_tasks(duty.tasks, report.garment), "idle": duty.idle,
             "lost_stops": duty.lost_stops}
            for duty in report.duties.duties
        ],
        "halo": None if report.duties.halo is None else asdict(report.duties.halo),
        "shoulder_edges": [asdict(edge) for edge in report.duties.edges],
        "separation": {
            "median_stops": parted.median_stops, "weak_share": parted.weak_share, "weak_below_stops": WEAK_BELOW_STOPS,
            "stretches": [asdict(stretch) for stretch in parted.stretches],
            "loss_stops": parted.loss_stops, "provider": parted.provider,
        },
        "nose_shadow": record_from_key_shadow(report.nose_shadow),
        "burnouts": [asdict(part) for part in report.burnouts],
        "catchlights": [asdict(light) for light in report.catchlights],
        "focus": asdict(report.focus),
        "intrusions": [asdict(thing) for thing in report.intrusions],
        "flares": [asdict(flare) for flare in report.flares],
        "spills": [asdict(spill) for spill in report.spills],
        "sparkle": None if report.sparkle is None else asdict(report.sparkle),
    })  # fmt: skip
