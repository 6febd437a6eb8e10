"""What the checks have to say, as findings by subject; `sentences` puts them into words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from sim.advice.checks.burnout import Burnout
from sim.advice.checks.catchlights import Catchlight
from sim.advice.checks.duties import Duty
from sim.advice.checks.flare import Flare, ShadingFlag
from sim.advice.checks.focus import FocusCheck
from sim.advice.checks.intrusions import Intrusion
from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.report import CheckReport
from sim.advice.checks.separation import WEAK_BELOW_STOPS, Separation
from sim.advice.checks.sparkle import Sparkle
from sim.advice.checks.spill import NEGLIGIBLE_STOPS, PLACES, Spill
from sim.advice.finding import Finding, Severity
from sim.metering.report_points import point_of_part

# A target that loses more than this to something in the way is worth a warning; common practice, no source.
BLOCKED_FROM = 0.1
# Share of the outline that may stay under half a stop before it is worth a word; common practice, no source.
WEAK_SHARE = 0.25
MOST_STRETCHES = 5
# A flag on a stand is worth telling where it stands this much further from the lens than the smallest.
STAND_FLAG_FURTHER_M = 0.05
# What cannot be told where nobody is.
ON_SITTER = ("nose shadow", "separation", "burnout", "catchlights", "sparkle")
FACT, NOTE, CAUTION = Severity.FACT, Severity.NOTE, Severity.CAUTION


def findings_from_report(report: CheckReport) -> dict[str, tuple[Finding, ...]]:
    """All findings of a report by subject, in the order to read them."""
    found = {
        "duties": tuple(_from_duty(duty, report.garment) for duty in report.duties.duties),
        "nose shadow": tuple(_from_nose_shadow(report.nose_shadow)),
        "separation": tuple(_from_separation(report.separation)),
        "burnout": findings_from_burnouts(report.burnouts) or (Finding("nothing burns out", FACT),),
        "catchlights": tuple(_from_catchlight(light) for light in report.catchlights)
        or (Finding("no catchlight", FACT),),
        "focus": tuple(_from_focus(report.focus)),
        "frame": findings_from_intrusions(report.intrusions) or (Finding("nothing shows", FACT),),
        "flare": tuple(_from_flare(flare) for flare in report.flares) or (Finding("no flare", FACT),),
        "spill": tuple(finding for spill in report.spills for finding in _from_spill(spill, report.garment))
        or (Finding("no spill", FACT),),
        "sparkle": tuple(_from_sparkle(report.sparkle)),
    }
    if report.has_sitter:
        return found
    # Say once that there is nobody, in place of every check that needs a sitter.
    untold = [
        *ON_SITTER,
        *(["duties"] if not any(duty.lost_stops for duty in report.duties.duties) else []),
        *(["spill"] if not any(spill.below_stops for spill in report.spills) else []),
    ]
    rest = {subject: told for subject, told in found.items() if subject not in untold}
    return {"sitter": (Finding("no sitter", FACT),), **rest}


def _from_duty(duty: Duty, garment: str) -> Finding:
    return Finding("duty", FACT, duty.light, words={"garment": garment}, parts=duty.tasks)


def _from_nose_shadow(found: KeyShadow | None) -> Iterator[Finding]:
    if found is None:
        yield Finding("no nose shadow", FACT)
        return
    shadow = found.shadow
    words = {"pattern": shadow.pattern, "side": shadow.side, "lit_side": shadow.lit_side}
    yield Finding("nose shadow", FACT, found.light, words=words)


def _from_separation(separation: Separation) -> Iterator[Finding]:
    if math.isnan(separation.median_stops):
        yield Finding("no outline", FACT)
        return
    weak = separation.weak_share
    yield Finding(
        "outline", NOTE if weak > WEAK_SHARE else FACT,
        numbers={"median_stops": separation.median_stops, "weak_share": weak, "weak_below_stops": WEAK_BELOW_STOPS},
    )  # fmt: skip
    for stretch in separation.stretches[:MOST_STRETCHES]:
        numbers = {"contrast_stops": stretch.contrast_stops, "stderr_stops": stretch.stderr_stops,
                   "length": stretch.length}  # fmt: skip
        yield Finding("weak stretch", FACT, numbers=numbers, words={"part": stretch.region, "side": stretch.side})
    if separation.provider is not None:
        loss_stops = separation.loss_stops[separation.provider]
        yield Finding("sets off", FACT, separation.provider, {"loss_stops": loss_stops})


def findings_from_burnouts(burnouts: Iterable[Burnout]) -> tuple[Finding, ...]:
    """A caution for each part of the sitter that burns out, with the light that does it."""
    return tuple(_from_burnout(burnout) for burnout in burnouts)


def _from_burnout(burnout: Burnout) -> Finding:
    numbers = {"share": burnout.share, "over_stops": burnout.over_stops}
    if burnout.down_stops is not None:
        numbers["down_stops"] = burnout.down_stops
    return Finding("burns out", CAUTION, burnout.light, numbers, {"part": burnout.part})


def _from_catchlight(light: Catchlight) -> Finding:
    numbers = {
        "clock": light.clock, "width_mm": light.width_mm, "height_mm": light.height_mm,
        "iris_share": light.iris_share, "from_grey_stops": light.from_grey_stops, "visible": light.visible,
    }  # fmt: skip
    return Finding("catchlight", FACT, light.light, numbers, {"eye": light.eye})


def _from_focus(focus: FocusCheck) -> Iterator[Finding]:
    yield Finding("depth of field", FACT, numbers={
        "focus_m": focus.focus_m, "near_m": focus.near_m, "far_m": focus.far_m,
        "hyperfocal_m": focus.hyperfocal_m, "circle_m": focus.circle_m,
    })  # fmt: skip
    for part, behind_m in focus.outside_m.items():
        yield Finding("out of focus", CAUTION, numbers={"behind_m": behind_m}, words={"part": part})
    if focus.backdrop_blur is not None:
        blur = focus.backdrop_blur
        yield Finding("backdrop blur", FACT, numbers={"there_m": blur.there_m, "frame_share": blur.frame_share})
    if focus.coverage is not None:
        fills = focus.coverage.fills
        yield Finding(
            "backdrop fills" if fills else "past the backdrop", FACT if fills else CAUTION,
            numbers=dict(focus.coverage.spare_m),
        )  # fmt: skip


def findings_from_intrusions(items: Iterable[Intrusion]) -> tuple[Finding, ...]:
    """A caution for each thing of the gear that shows in the picture."""
    return tuple(_from_intrusion(item) for item in items)


def _from_intrusion(item: Intrusion) -> Finding:
    words = {"name": item.name, "thing": item.thing}
    numbers = {"frame_share": item.frame_share}
    if item.move_m:
        words["direction"], numbers["move_m"] = item.shortest
    return Finding("shows", CAUTION, None if item.thing == "panel" else item.name, numbers, words)


def _from_flare(flare: Flare) -> Finding:
    flags: list[Finding] = []
    if flare.in_frame:
        flags.append(Finding("no flag can hide it", FACT, flare.name))
    elif flare.flag is not None:
        flags.append(_from_flag("smallest flag", flare.name, flare.flag))
        further_m = flare.flag.from_lens_m + STAND_FLAG_FURTHER_M
        if flare.stand_flag is not None and flare.stand_flag.from_lens_m > further_m:
            flags.append(_from_flag("smallest flag on a stand", flare.name, flare.stand_flag))
    numbers = {"off_axis_deg": flare.off_axis_deg, "share": flare.share}
    return Finding("flare", CAUTION, flare.name, numbers, parts=tuple(flags))


def _from_flag(kind: str, light: str, flag: ShadingFlag) -> Finding:
    numbers = {"width_m": flag.width_m, "height_m": flag.height_m, "from_lens_m": flag.from_lens_m,
               "aside_m": flag.aside_m, "above_m": flag.above_m}  # fmt: skip
    return Finding(kind, FACT, light, numbers)


def _from_spill(spill: Spill, garment: str) -> Iterator[Finding]:
    if spill.blocked > BLOCKED_FROM:
        words = {"target": point_of_part(spill.target, garment), "blocker": spill.blocker}
        if spill.diffused:
            yield Finding("diffused", FACT, spill.light, words=words)
        else:
            yield Finding("blocked", CAUTION, spill.light, {"blocked": spill.blocked}, words)
    # Tell the place of each group that gets most.
    most: dict[str, float] = {}
    for places in PLACES.values():
        here = {place: spill.below_stops[place] for place in places if place in spill.below_stops}
        if here:
            place = min(here, key=lambda name: here[name])
            if here[place] < NEGLIGIBLE_STOPS:
                most[place] = here[place]
    yield Finding("spill", FACT, spill.light, most, {"target": spill.target, "garment": garment})


def _from_sparkle(sparkle: Sparkle | None) -> Iterator[Finding]:
    if sparkle is None:
        yield Finding("no sequins", FACT)
        return
    yield Finding("glints", FACT, numbers={"share": sparkle.share, "sequins": sparkle.sequins})
    for light, share in sparkle.by_light.items():
        # What a tenth of a percent would show as nothing is not told.
        if round(share, 3) > 0:
            yield Finding("glints of a light", FACT, light, {"share": share, "without": sparkle.without[light]})
