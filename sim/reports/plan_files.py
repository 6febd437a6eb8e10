"""From a scene file to the rig plan: a page, a PDF for each paper, and the drawings."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from sim.advice.checks.noseshadow import rehearsed_key_shadow
from sim.metering.lighting_ratio import ratio_from_probes, ratio_probes
from sim.quantities.errors import EngineError
from sim.reports.files import ResultFolder
from sim.reports.plan import plan_from_scene, plan_probes
from sim.reports.plan.page import html_from_plan
from sim.reports.plan.paper import svg_from_sheet
from sim.reports.plan.pdf import pdf_from_plan
from sim.reports.rig_view import rig_views
from sim.session import METER_RAYS, Progress, Rehearsal

PAPERS = ("A4", "Letter")
FILES = (
    "plan.html", *(f"plan-{paper}.pdf" for paper in PAPERS), *(f"{name}.svg" for name in ("plan", "elevation", "cards"))
)  # fmt: skip


def run_plan(
    scene_file: Path,
    out: Path,
    *,
    readings: bool = True,
    views: bool = True,
    rays: int = METER_RAYS,
    lux: bool = False,
    fresh: bool = False,
    on_progress: Progress | None = None,
) -> list[Path]:
    """Write the rig plan as `plan.html`, `plan-A4.pdf`, `plan-Letter.pdf` and its drawings as SVG.

    Arguments: `readings` whether expected readings are computed; `views` whether the rig is drawn in three dimensions;
    `rays` most on one probe; `lux` whether readings also tell lx and lx·s; `fresh` traces anew what is kept.
    """
    tell = on_progress or (lambda step, part: None)
    ResultFolder(out).require_usable(list(FILES))
    rehearsal = Rehearsal(scene_file, fresh=fresh)
    scene, layout, mix = rehearsal.scene, rehearsal.layout, rehearsal.mix
    measured, drawn = None, None
    if readings and layout.light_names:
        # A machine that cannot render still gets its drawings, lists and cautions; the page says what is missing.
        with suppress(EngineError):
            measured = rehearsal.readings(plan_probes(layout), most_rays=rays, on_progress=on_progress)
            if layout.lights and "left cheek" in layout.anchors_m:
                at_face = rehearsal.readings(ratio_probes(scene, layout), most_rays=rays)
                drawn = rehearsed_key_shadow(rehearsal, ratio_from_probes(scene, layout, at_face, mix).key)
    tell("files", 0.0)
    pictures, why = rig_views(scene_file) if views else ((), "The view in three dimensions was left out on request.")
    plan = plan_from_scene(
        scene, layout, mix, measured, source=scene_file.name, views=pictures, no_views=why, nose_shadow=drawn, lux=lux
    )
    with ResultFolder(out) as folder:
        folder.stage("plan.html").write_text(html_from_plan(plan), "utf-8")
        for paper in PAPERS:
            folder.stage(f"plan-{paper}.pdf").write_bytes(pdf_from_plan(plan, paper))
        for sheet in plan.sheets:
            folder.stage(f"{sheet.name}.svg").write_text(svg_from_sheet(sheet), "utf-8")
        tell("files", 1.0)
        return folder.commit()
