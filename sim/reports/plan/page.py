"""The rig plan as one HTML page that needs nothing else, for a screen, a phone or a printer."""

from __future__ import annotations

import base64
from pathlib import Path

from markupsafe import Markup

from sim.advice.checks.shadow_words import line_from_shadow
from sim.quantities import phrases
from sim.reports.faces import svg_from_shadow
from sim.reports.plan import RigPlan
from sim.reports.plan.caution_words import DEFER, text_from_caution
from sim.reports.plan.kit import SUPPORT_FORMULAS
from sim.reports.plan.paper import svg_from_sheet
from sim.web.one_file import html_from_template

FOLDER = Path(__file__).parent / "page"
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
HEADINGS = {
    "plan": "From above", "elevation": "From the side", "cards": "Each light along its beam",
    "rig": "The rig in the room", "lights": "Lights", "kit": "Kit", "stands": "Stands and booms",
    "build-up": "Build-up", "cautions": "Cautions",
}  # fmt: skip

PURPOSES = {
    "plan": "Distances run along the floor from the cross on the sitter's mark to the middle of each light's front. "
    "Bearings: 0° toward the camera, + camera right, − camera left.",
    "elevation": "Seen from camera right. Heights are of the middle of each light's front.",
    "cards": "Each cut along its own beam: height, distance and tilt in their true size.",
}
HOW = (
    "Room light first, then the light that gives the face the most, then in falling order. Readings are at the "
    "camera's ISO and shutter time, to a tenth of a stop."
)
HOW_UNMEASURED = "Expected readings are left out: the renderer did not run. The order is that of the scene."


def html_from_plan(plan: RigPlan) -> str:
    """The page: drawings first, then lists, build-up with tick boxes, cautions."""
    return html_from_template(
        FOLDER,
        "plan.html",
        policy=Markup(POLICY),
        style=Markup((FOLDER / "plan.css").read_text("utf-8")),
        plan=plan,
        headings=HEADINGS,
        purposes=PURPOSES,
        phrases=phrases,
        svg_from_sheet=lambda sheet: Markup(svg_from_sheet(sheet)),
        views=[(words, f"data:image/png;base64,{base64.b64encode(png).decode()}") for words, png in plan.views],
        how=HOW if plan.is_measured else HOW_UNMEASURED,
        ticks=[step.ticks(is_first=index == 0, lux=plan.lux) for index, step in enumerate(plan.steps)],
        formulas=SUPPORT_FORMULAS,
        nose_shadow=None if plan.nose_shadow is None else line_from_shadow(plan.nose_shadow),
        face=None if plan.nose_shadow is None else Markup(svg_from_shadow(plan.nose_shadow.shadow)),
        cautions=[text_from_caution(caution) for caution in plan.cautions],
        defer=DEFER,
    )


def lights_table(plan: RigPlan) -> str:
    """Every light's place, aim and setting as a table."""
    return html_from_template(FOLDER, "lights.html", facts=plan.facts, phrases=phrases)
