"""The checks' findings in words, one function for each kind of finding; no other place makes their sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from sim.advice.checks.duty_words import sentence_from_tasks
from sim.advice.finding import Finding

# Subjects of the findings, with their headings.
HEADINGS = {
    "duties": "What each light does", "separation": "Separation", "catchlights": "Catchlights", "focus": "Focus",
    "frame": "In the picture", "flare": "Light into the lens", "spill": "Spill", "sparkle": "Sparkle",
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
    return f"{finding.light}: {sentence_from_tasks(finding.parts)}"


def _outline(finding: Finding) -> str:
    return (
        f"median contrast along the outline {finding.numbers['median_stops']:.1f} stops; "
        f"{100 * finding.numbers['weak_share']:.0f} % of it is under {finding.numbers['weak_below_stops']:g} stop"
    )


def _weak_stretch(finding: Finding) -> str:
    n, words = finding.numbers, finding.words
    return (
        f"weak: {words['part']}, {words['side']}, {n['contrast_stops']:.2f} ± {n['stderr_stops']:.2f} stop over "
        f"{100 * n['length']:.0f} % of the outline"
    )


def _sets_off(finding: Finding) -> str:
    return f"{finding.light} gives most of it: {finding.numbers['loss_stops']:.1f} stop less without it"


def _catchlight(finding: Finding) -> str:
    n = finding.numbers
    where = f"at {n['clock']:g} o'clock" if n["clock"] else "in the middle"
    shown = "" if n["visible"] > 0.95 else f", {100 * n['visible']:.0f} % of it shows"
    return (
        f"{finding.words['eye']}: {finding.light} {where}, {n['width_mm']:.1f} x {n['height_mm']:.1f} mm, "
        f"{100 * n['iris_share']:.1f} % of the iris, {n['from_grey_stops']:+.1f} stops from grey{shown}"
    )


def _depth_of_field(finding: Finding) -> str:
    n = finding.numbers
    far = "infinity" if math.isinf(n["far_m"]) else f"{n['far_m']:.2f} m"
    return (
        f"focus {n['focus_m']:.2f} m; sharp from {n['near_m']:.2f} m to {far}; hyperfocal {n['hyperfocal_m']:.1f} m "
        f"(circle of confusion {1000 * n['circle_m']:.3f} mm)"
    )


def _out_of_focus(finding: Finding) -> str:
    behind_m = finding.numbers["behind_m"]
    side = "behind" if behind_m > 0 else "before"
    return f"{finding.words['part']} lies {abs(behind_m) * 100:.0f} cm {side} what is sharp"


def _backdrop_blur(finding: Finding) -> str:
    n = finding.numbers
    return (
        f"a point of the backdrop spreads to {1000 * n['there_m']:.1f} mm there, {100 * n['frame_share']:.2f} % of "
        "the picture's width"
    )


def _edges(finding: Finding) -> str:
    return ", ".join(f"{side} {spare_m:+.2f} m" for side, spare_m in finding.numbers.items())


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
        f"{100 * finding.numbers['share']:.0f} % of the light on the front of the lens"
    )


def _flag(finding: Finding) -> str:
    n = finding.numbers
    return (
        f"{100 * n['width_m']:.0f} x {100 * n['height_m']:.0f} cm, {n['from_lens_m']:.2f} m from the lens, "
        f"middle at [{n['x_m']:.2f} m, {n['y_m']:.2f} m, {n['z_m']:.2f} m]"
    )


def _blocked(finding: Finding) -> str:
    share = f"{100 * finding.numbers['blocked']:.0f} % of its light"
    blocker = finding.words["blocker"] or "something"
    return f"{finding.light}: {blocker} stands in {share} on the way to {finding.words['target']}"


def _spill(finding: Finding) -> str:
    places = [
        f"{place} {below:.1f} stops {'below' if below >= 0 else 'above'}".replace(" -", " ")
        for place, below in finding.numbers.items()
    ]
    return f"{finding.light}, aimed at {finding.words['target']}: {', '.join(places) or 'keeps to its target'}"


def _glints(finding: Finding) -> str:
    n = finding.numbers
    return f"{n['per_cm2']:.2f} glints per cm² at this picture's {n['pixels_per_cm2']:.1f} pixels per cm²"


def _glints_of_a_light(finding: Finding) -> str:
    n = finding.numbers
    return f"{finding.light} alone: {n['per_cm2']:.2f}; without it {n['without']:.2f} are left"


SENTENCES: dict[str, Callable[[Finding], str]] = {
    "duty": _duty,
    "no outline": lambda finding: "the sitter's outline is not in the picture",
    "outline": _outline,
    "weak stretch": _weak_stretch,
    "sets off": _sets_off,
    "no catchlight": lambda finding: "none in either eye",
    "catchlight": _catchlight,
    "depth of field": _depth_of_field,
    "out of focus": _out_of_focus,
    "backdrop blur": _backdrop_blur,
    "backdrop fills": lambda finding: f"backdrop beyond the frame: {_edges(finding)}",
    "past the backdrop": lambda finding: f"the frame sees past the backdrop: {_edges(finding)}",
    "nothing shows": lambda finding: "no light, stand or panel",
    "shows": _shows,
    "no flare": lambda finding: "none shines straight into the lens",
    "flare": _flare,
    "no flag can hide it": lambda finding: f"{finding.light} is in the picture: no flag can hide it",
    "smallest flag": lambda finding: f"smallest flag: {_flag(finding)}",
    "smallest flag on a stand": lambda finding: f"smallest on a stand: {_flag(finding)}",
    "blocked": _blocked,
    "spill": _spill,
    "no clothes": lambda finding: "no clothes in the picture",
    "glints": _glints,
    "glints of a light": _glints_of_a_light,
}
