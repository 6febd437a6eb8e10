"""What there is to say of a set-up while it is being worked on: at once from the layout, later from the light."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from sim.reports.plan.cautions import DEFER, cautions_from_scene
from sim.reports.plan.facts import facts_from_scene
from sim.reports.plan.kit import supports_from_scene
from sim.scene.model import Scene
from sim.studio.layout import Layout

LEVELS = ("note", "caution", "danger")
# Share of the outline that may stay under half a stop before it is worth a word; common practice, no source.
WEAK_SHARE = 0.25
BLOCKED_FROM = 0.1


def remark(level: str, text: str, light: str | None = None) -> dict[str, Any]:
    """One remark as the page shows it: `level` "note", "caution" or "danger"; `light` it is about, or None."""
    assert level in LEVELS
    return {"level": level, "text": text, "light": light}


def remarks_from_layout(scene: Scene, layout: Layout) -> list[dict[str, Any]]:
    """What can be said without light: what on the set cannot stand as it is or can hurt, the worst first.

    Does not: repeat the cautions that hold for every set; those are in the plan.
    """
    found = cautions_from_scene(scene, layout, facts_from_scene(scene, layout), supports_from_scene(scene, layout))
    return [
        remark("danger", f"{caution.heading}: {caution.found} {caution.do}", light_in(caution.found, scene.lights))
        for caution in found
        if caution.serious
    ]


def light_in(text: str, lights: Iterable[str]) -> str | None:
    """The first light that a sentence names, longest names first, or None."""
    for name in sorted(lights, key=len, reverse=True):
        if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", text):
            return name
    return None


def remarks_from_checks(
    record: dict[str, Any], lines: Sequence[tuple[str, Sequence[str]]], lights: Iterable[str]
) -> list[dict[str, Any]]:
    """What the checks found worth a warning; `record`, `lines` as from `sim.advice.checks.report`."""
    lights = list(lights)
    said = {heading: list(body) for heading, body in lines}
    found = []
    if record.get("intrusions"):
        found += [remark("caution", line, light_in(line, lights)) for line in said.get("In the picture", [])]
    if record.get("flares"):
        flares = [line for line in said.get("Light into the lens", []) if not line.startswith(" ")]
        found += [remark("caution", line, light_in(line, lights)) for line in flares]
    for spill in record.get("spills", []):
        if spill["blocked"] > BLOCKED_FROM:
            share = f"{100 * spill['blocked']:.0f} % of its light"
            blocker = spill["blocker"] or "something"
            text = f"{spill['light']}: {blocker} stands in {share} on the way to {spill['target']}"
            found.append(remark("caution", text, spill["light"]))
    focus = record.get("focus") or {}
    parts = focus.get("outside_m") or {}
    found += [
        remark("caution", f"{part} lies {abs(by_m) * 100:.0f} cm {'behind' if by_m > 0 else 'before'} what is sharp")
        for part, by_m in parts.items()
        if by_m is not None
    ]
    if any("past the backdrop" in line for line in said.get("Focus", [])):
        found.append(remark("caution", "the frame sees past the backdrop"))
    parted = record.get("separation") or {}
    weak = parted.get("weak_share")
    if weak is not None and weak > WEAK_SHARE:
        text = f"{100 * weak:.0f} % of the sitter's outline is under half a stop from what is behind it"
        found.append(remark("note", text))
    return found


def deferring() -> str:
    """The line under every list of cautions."""
    return DEFER
