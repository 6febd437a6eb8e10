"""What there is to say of a set-up while it is being worked on: at once from the layout, later from the light."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from sim.advice.checks.sentences import HEADINGS, lines_from_finding, sentence_from_finding
from sim.advice.finding import Finding, Severity
from sim.reports.plan.caution_words import text_from_caution
from sim.reports.plan.cautions import cautions_from_scene, is_minor
from sim.reports.plan.facts import facts_from_scene
from sim.reports.plan.kit import supports_from_scene
from sim.room.protocol.messages import CheckLine
from sim.room.protocol.scene_view import RoomWarning
from sim.scene.model import Scene
from sim.studio.layout import Layout

# Subjects of the checks that warn, in the order of the list.
SUBJECTS = ("frame", "burnout", "flare", "spill", "focus", "separation")


def warnings_from_layout(scene: Scene, layout: Layout) -> list[RoomWarning]:
    """What can be said without light: what on the set cannot stand as it is or can hurt, the worst first.

    Does not: repeat the cautions that hold for every set; those are in the plan.
    """
    cautions = cautions_from_scene(scene, layout, facts_from_scene(scene, layout), supports_from_scene(scene, layout))
    names = layout.light_names
    return [
        warning_from_finding(caution, _caution_sentence(caution), names)
        for caution in cautions
        if not is_minor(caution)
    ]


def warnings_from_findings(findings: Mapping[str, Sequence[Finding]], names: Sequence[str]) -> list[RoomWarning]:
    """What the checks have to say that is worth a warning.

    Arguments: `findings` by subject, as from `sim.advice.checks`; `names` of the set's lights.
    """
    return [
        warning_from_finding(finding, SENTENCES.get(finding.kind, sentence_from_finding)(finding), names)
        for subject in SUBJECTS
        for finding in findings[subject]
        if finding.severity != Severity.FACT
    ]


def warning_from_finding(finding: Finding, text: str, names: Sequence[str]) -> RoomWarning:
    """A finding as the page shows it."""
    return {
        "level": finding.severity.value, "text": text, "warned": list(finding.lights),
        "lights": list(finding.named_lights(names)),
    }  # fmt: skip


def check_lines(findings: Mapping[str, Sequence[Finding]], names: Sequence[str]) -> list[tuple[str, list[CheckLine]]]:
    """All that the checks say by heading, each line with the lights that it names."""
    return [
        (
            HEADINGS[subject],
            [
                {"text": text, "lights": list(finding.named_lights(names))}
                for finding in of_subject
                for text in lines_from_finding(finding)
            ],
        )
        for subject, of_subject in findings.items()
    ]


def _caution_sentence(caution: Finding) -> str:
    text = text_from_caution(caution)
    return f"{text.heading}: {text.statement} {text.cure}"


# Kinds that a warning puts shorter than the list of the checks does.
SENTENCES: dict[str, Callable[[Finding], str]] = {
    "past the backdrop": lambda finding: "the frame sees past the backdrop",
    "outline": lambda finding: (
        f"{100 * finding.numbers['weak_share']:.0f} % of the sitter's outline is under half a stop from what is "
        "behind it"
    ),
}
