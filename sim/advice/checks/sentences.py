"""The checks' findings in words, one function for each kind of finding; no other place makes their sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from sim.advice.checks.duty_words import percent_of_sequins, sentence_from_tasks
from sim.advice.checks.shadow_words import SIDED, name_from_pattern
from sim.advice.finding import Finding
from sim.metering.report_points import point_of_part
from sim.quantities import phrases

# A catchlight smaller than this is a point to who looks at a portrait; common practice, no source.
PINPOINT_MM = 0.25
# Subjects of the findings, with their headings.
HEADINGS = {
    "sitter": "Sitter", "duties": "What each light does", "nose shadow": "Nose shadow", "separation": "Separation",
    "burnout": "Burnt out", "catchlights": "Catchlights", "focus": "Focus", "frame": "In the picture",
    "flare": "Light into the lens", "spill": "Spill", "sparkle": "Sparkle",
}  # fmt: skip


def lines_from_findings(findings: Mapping[str, Sequence[Finding]]) -> list[tuple[str, list[str]]]:
    """The findings of a report in words: (heading, lines) in the order to read them."""
    return [
        (HEADINGS[subject], [line for finding in of_subject for line in lines_from_finding(finding)])
        for subject, of_subject in findings.items()
    ]


def lines_from_finding(finding: Finding) -> list[str]:
    """A finding's sentence, and those of its parts below it, set in; a duty's tasks are one sentence."""
    if finding.kind == "duty":
        return [sentence_from_finding(finding)]
    return [sentence_from_finding(finding), *(f"  {sentence_from_finding(part)}" for part in finding.parts)]


def sentence_from_finding(finding: Finding) -> str:
    """What a finding of the checks says, its parts left out."""
    return SENTENCES[finding.kind](finding)


def _duty(finding: Finding) -> str:
    return f"{finding.light}: {sentence_from_tasks(finding.parts, finding.words['garment'])}"


def _nose_shadow(finding: Finding) -> str:
    pattern, side = finding.words["pattern"], finding.words["side"]
    told = f"{finding.light}: {name_from_pattern(pattern, side)}"
    return f"{told}; the face is lit from camera {finding.words['lit_side']}" if pattern in SIDED else told


def _outline(finding: Finding) -> str:
    return (
        f"median contrast along the outline {phrases.stops(finding.numbers['median_stops'], 1)}; "
        f"{_percent(finding.numbers['weak_share'])} of it is under {phrases.stops(finding.numbers['weak_below_stops'])}"
    )


def _weak_stretch(finding: Finding) -> str:
    n, words = finding.numbers, finding.words
    return (
        f"weak: {words['part']}, {words['side']}, {n['contrast_stops']:.2f} ± {n['stderr_stops']:.2f} stops over "
        f"{_percent(n['length'])} of the outline"
    )


def _sets_off(finding: Finding) -> str:
    return f"{finding.light} gives most of it: {phrases.stops(finding.numbers['loss_stops'], 1)} less without it"


def _burnt_out(finding: Finding) -> str:
    n, light = finding.numbers, finding.light
    told = (
        f"{light} burns out {_percent(n['share'])} of the {finding.words['part']}, up to "
        f"{phrases.stops(n['over_stops'], 1)} over what the sensor holds"
    )
    if "down_stops" not in n:
        return f"{told}, and it would without {light}: close the aperture by {phrases.stops(n['over_stops'], 1)}"
    farther = phrases.number(2 ** (n["down_stops"] / 2), 1)
    return f"{told}: take {light} down {phrases.stops(n['down_stops'], 1)}, or stand it {farther} times as far away"


def _catchlight(finding: Finding) -> str:
    n = finding.numbers
    where = f"at {n['clock']:g} o'clock" if n["clock"] else "in the middle"
    shown = "" if n["visible"] > 0.95 else f", {_percent(n['visible'])} of it shows"
    iris = f"{100 * n['iris_share']:.1f} %" if n["iris_share"] >= 0.0005 else "under 0.1 %"
    across = f"{n['width_mm']:.1f} x {n['height_mm']:.1f} mm"
    if max(n["width_mm"], n["height_mm"]) < PINPOINT_MM:
        across = f"a pinpoint of {max(n['width_mm'], n['height_mm']):.2f} mm"
    tone = phrases.signed_stops(n["from_grey_stops"])
    grey = "middle grey" if tone == "0.0" else f"{tone} stops from middle grey"
    return f"{finding.words['eye']}: {finding.light} {where}, {across}, {iris} of the iris, {grey}{shown}"


def _depth_of_field(finding: Finding) -> str:
    n = finding.numbers
    far = "infinity" if math.isinf(n["far_m"]) else f"{n['far_m']:.2f} m"
    return (
        f"focus at {n['focus_m']:.2f} m; sharp from {n['near_m']:.2f} m to {far}; hyperfocal {n['hyperfocal_m']:.1f} m "
        f"(circle of confusion {1000 * n['circle_m']:.3f} mm)"
    )


def _out_of_focus(finding: Finding) -> str:
    behind_m = finding.numbers["behind_m"]
    side = "behind" if behind_m > 0 else "before"
    return f"{finding.words['part']} lies {max(abs(behind_m) * 100, 1):.0f} cm {side} what is sharp"


def _backdrop_blur(finding: Finding) -> str:
    n = finding.numbers
    return (
        f"a point of the backdrop spreads to {1000 * n['there_m']:.1f} mm there, {100 * n['frame_share']:.2f} % of "
        "the picture's width"
    )


def _edges(finding: Finding) -> str:
    return ", ".join(
        f"{side} {phrases.metres(abs(spare_m))} {'to spare' if spare_m >= 0 else 'short'}"
        for side, spare_m in finding.numbers.items()
    )


def _shows(finding: Finding) -> str:
    words = finding.words
    thing = f"{words['name']}'s stand" if words["thing"] == "stand" else words["name"]
    if "direction" not in words:
        return f"{thing} shows"
    way = "up" if words["direction"] == "up" else f"to camera {words['direction']}"
    share = f"{100 * finding.numbers['frame_share']:.1f} % of the picture"
    return f"{thing} shows ({share}): move it {finding.numbers['move_m']:.2f} m {way}"


def _flare(finding: Finding) -> str:
    return (
        f"{finding.light} shines into the lens from {finding.numbers['off_axis_deg']:.0f}° off its axis: "
        f"{_percent(finding.numbers['share'])} of the light on the front of the lens"
    )


def _flag(finding: Finding) -> str:
    n = finding.numbers
    return (
        f"{_cm(n['width_m'])} x {_cm(n['height_m'])} cm, {_cm(n['from_lens_m'])} cm from the lens, its middle "
        f"{_cm(abs(n['aside_m']))} cm to camera {'right' if n['aside_m'] > 0 else 'left'} of the lens and "
        f"{_cm(abs(n['above_m']))} cm {'above' if n['above_m'] > 0 else 'below'} it"
    )


def _cm(length_m: float) -> str:
    return f"{100 * length_m:.0f}" if length_m >= 0.01 else "under 1"


def _blocked(finding: Finding) -> str:
    share = f"{100 * finding.numbers['blocked']:.0f} % of its light"
    blocker = finding.words["blocker"] or "something"
    return f"{finding.light}: {blocker} stands in {share} on the way to {finding.words['target']}"


def _spill(finding: Finding) -> str:
    garment = finding.words["garment"]
    places = [f"{point_of_part(place, garment)} {_below(stops)}" for place, stops in finding.numbers.items()]
    target = point_of_part(finding.words["target"], garment)
    return f"{finding.light}, aimed at {target}: {', '.join(places) or 'keeps to its target'}"


def _below(below_stops: float) -> str:
    if round(abs(below_stops), 1) == 0:
        return "just as bright"
    return f"{phrases.stops(below_stops, 1)} {'below' if below_stops > 0 else 'above'}"


def _percent(share: float) -> str:
    """A share in whole percent, never 0 for what is there."""
    return f"{100 * share:.0f} %" if share >= 0.005 or share <= 0 else "under 1 %"


def _glints(finding: Finding) -> str:
    n = finding.numbers
    return f"{percent_of_sequins(n['share'])} of the {n['sequins']:,.0f} sequins in view glint"


def _glints_of_a_light(finding: Finding) -> str:
    n = finding.numbers
    alone, left = percent_of_sequins(n["share"]), percent_of_sequins(n["without"])
    return f"{finding.light} alone: {alone}; without it {left} are left"


SENTENCES: dict[str, Callable[[Finding], str]] = {
    "duty": _duty,
    "nose shadow": _nose_shadow,
    "no nose shadow": lambda finding: "no key, or no face that it could fall on",
    "no spill": lambda finding: "no light that is on has a place and an aim",
    "no sitter": lambda finding: "there is none: no face, outline, eyes or clothes to look at",
    "no outline": lambda finding: "the sitter's outline is not in the picture",
    "outline": _outline,
    "weak stretch": _weak_stretch,
    "sets off": _sets_off,
    "nothing burns out": lambda finding: "neither skin nor hair nor plain cloth",
    "burns out": _burnt_out,
    "no catchlight": lambda finding: "none in either eye",
    "catchlight": _catchlight,
    "depth of field": _depth_of_field,
    "out of focus": _out_of_focus,
    "backdrop blur": _backdrop_blur,
    "backdrop fills": lambda finding: f"the backdrop fills the frame: {_edges(finding)}",
    "past the backdrop": lambda finding: f"the frame sees past the backdrop: {_edges(finding)}",
    "nothing shows": lambda finding: "no light, stand or panel",
    "shows": _shows,
    "no flare": lambda finding: "none shines straight into the lens",
    "flare": _flare,
    "no flag can hide it": lambda finding: f"{finding.light} is in the picture: no flag can hide it",
    "smallest flag": lambda finding: f"smallest flag: {_flag(finding)}",
    "smallest flag on a stand": lambda finding: f"smallest on a stand: {_flag(finding)}",
    "blocked": _blocked,
    "diffused": lambda finding: (
        f"{finding.light}: reaches {finding.words['target']} through {finding.words['blocker']}, which diffuses it"
    ),
    "spill": _spill,
    "no sequins": lambda finding: "no sequins in the picture",
    "glints": _glints,
    "glints of a light": _glints_of_a_light,
}
