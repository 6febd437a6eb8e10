"""The rig plan as one HTML page that needs nothing else, for a screen, a phone or a printer."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape

from sim.quantities import phrases
from sim.reports.plan import RigPlan
from sim.reports.plan.caution_words import DEFER, text_from_caution
from sim.reports.plan.kit import SUPPORT_FORMULAS
from sim.reports.plan.paper import svg_from_sheet

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
HEADINGS = {
    "plan": "From above", "elevation": "From the side", "cards": "Each light along its beam",
    "rig": "The rig in the room", "lights": "Lights", "kit": "Kit", "stands": "Stands and booms",
    "build-up": "Build-up", "cautions": "Cautions",
}  # fmt: skip

STYLE = """
:root{--ink:#14181d;--soft:#4d5661;--line:#c9ced6;--ground:#fff;--warm:#8a5a00;--wash:#f4f2ec}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;color:var(--ink);background:var(--wash);font:16px/1.5 "Segoe UI",Roboto,"Liberation Sans",Arimo,
 "Helvetica Neue",Arial,sans-serif}
header,main,footer{max-width:1060px;margin:0 auto;padding:0 20px}
header{padding-top:28px}
h1{font-size:1.9rem;line-height:1.15;margin:0 0 6px;letter-spacing:-.01em}
h2{font-size:1.25rem;margin:0 0 12px}
p{margin:.3em 0 .8em}
.settings{color:var(--soft);margin:0}
.alert{border-left:4px solid #a11;background:#fff;padding:8px 14px;margin:14px 0 0}
.alert a{color:#a11;font-weight:700}
nav{display:flex;flex-wrap:wrap;gap:6px 18px;margin:16px 0 4px;padding:0;font-size:.95rem}
nav a{color:var(--warm)}
section{background:var(--ground);border:1px solid var(--line);border-radius:6px;padding:18px 20px;margin:18px 0}
.drawing{overflow-x:auto}
.sheet{display:block;width:100%;height:auto;max-width:920px;margin:0 auto}
.scroll{display:none;color:var(--soft);font-size:.9rem}
table{border-collapse:collapse;width:100%;font-size:.95rem}
th,td{text-align:left;vertical-align:top;padding:7px 12px 7px 0;border-bottom:1px solid var(--line)}
th{font-size:.82rem;color:var(--soft);font-weight:600}
td.n{font-weight:700;white-space:nowrap}
.count{font-variant-numeric:tabular-nums;text-align:right;width:3em}
ol,ul{padding-left:1.2em}
.views{display:grid;grid-template-columns:1fr 1fr;gap:14px}
.views img{width:100%;height:auto;display:block;border:1px solid var(--line)}
figure{margin:0}figcaption{color:var(--soft);font-size:.9rem;margin-top:4px}
.steps{list-style:none;margin:0;padding:0}
.steps li{border-top:1px solid var(--line);padding:12px 0;display:grid;grid-template-columns:2.2em 1fr;gap:0 10px}
.steps li:first-child{border-top:0}
.steps b{font-size:1.05rem}
.ticks{display:flex;flex-wrap:wrap;gap:4px 26px;margin:6px 0}
label{display:inline-flex;align-items:center;gap:9px;min-height:32px}
input[type=checkbox]{width:20px;height:20px;margin:0;accent-color:var(--warm);flex:none}
.badge{display:inline-block;width:1.75em;height:1.75em;border:2px solid var(--ink);border-radius:50%;text-align:center;
 line-height:1.55em;font-weight:700}
.note{color:var(--soft);font-size:.93rem}
.caution{border-left:4px solid var(--line);padding:2px 0 2px 14px;margin:0 0 16px}
.caution.serious{border-left-color:#a11}
.caution h3{font-size:1rem;margin:0}
.caution p{margin:.15em 0}
.serious h3::before{content:"Change this: ";color:#a11}
.defer{font-weight:600}
footer{color:var(--soft);font-size:.9rem;padding-bottom:30px}
:focus-visible{outline:3px solid var(--warm);outline-offset:2px}
@media(max-width:720px){
 header,main,footer{padding:0 12px}header{padding-top:18px}section{padding:14px 12px}
 .sheet{min-width:680px}.scroll{display:block}.views{grid-template-columns:1fr}
 table,tbody,tr,td{display:block}thead{position:absolute;left:-9999px}
 tr{border-bottom:1px solid var(--line);padding:8px 0}td{border:0;padding:1px 0;width:auto;text-align:left}
 td.count{text-align:left;width:auto;display:inline}td.count+td{display:inline;font-weight:600;padding-left:.5em}
 td[data-of]::before{content:attr(data-of) ": ";color:var(--soft)}
}
@media print{
 body{background:#fff;font-size:10.5pt}section{border:0;padding:0;break-inside:avoid}nav,.scroll{display:none}
 header,main,footer{max-width:none;padding:0}.sheet{max-width:100%;max-height:235mm}}
@page{margin:12mm}
"""


def html_from_plan(plan: RigPlan) -> str:
    """The page: drawings first, then lists, build-up with tick boxes, cautions."""
    parts: list[tuple[str, str]] = []
    for sheet in plan.sheets:
        about = _PURPOSE.get(sheet.name, "")
        body = (f'<p class="note">{about}</p><p class="scroll">Swipe sideways to see all of it.</p>'
                f'<div class="drawing" tabindex="0" role="group" aria-label="{escape(sheet.title)}">'
                f"{svg_from_sheet(sheet)}</div>")  # fmt: skip
        parts.append((sheet.name, body))
    parts += [
        ("rig", _views(plan)),
        ("lights", lights_table(plan)),
        ("build-up", _steps(plan)),
        ("kit", _kit(plan)),
        ("stands", _supports(plan)),
        ("cautions", _cautions(plan)),
    ]
    links = "".join(f'<a href="#{name}">{HEADINGS[name]}</a>' for name, _ in parts)
    sections = "\n".join(
        f'<section id="{name}" aria-labelledby="{name}-h"><h2 id="{name}-h">{HEADINGS[name]}</h2>{body}</section>'
        for name, body in parts
    )
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<title>{escape(plan.title)}: rig plan</title><style>{STYLE}</style></head>
<body><header><h1>{escape(plan.title)}</h1><p class="settings">Rig plan · {escape(plan.settings)}</p>
{_alert(plan)}<nav aria-label="Sections">{links}</nav></header>
<main>
{sections}
</main>
<footer><p>Made by halfstop{f" from {escape(plan.source)}" if plan.source else ""}. Numbers come from the model of the
scene; the meter on the set has the last word.</p></footer>
</body></html>
"""


def _alert(plan: RigPlan) -> str:
    if not plan.to_change:
        return ""
    changes = escape("; ".join(plan.to_change))
    return f'<p class="alert"><a href="#cautions">Change before you build</a>: {changes}.</p>'


_PURPOSE = {
    "plan": "Distances run along the floor from the cross on the sitter's mark to the middle of each light's front. "
    "Bearings: 0° toward the camera, + camera right, - camera left.",
    "elevation": "Seen from camera right. Heights are of the middle of each light's front.",
    "cards": "Each cut along its own beam: height, distance and tilt in their true size.",
}


def lights_table(plan: RigPlan) -> str:
    """Every light's place, aim and setting as a table."""
    rows = []
    for f in plan.facts:
        cells = (
            ("", f'<span class="badge">{f.number}</span> {escape(f.name)}{" (off)" if f.muted else ""}', "n"),
            ("fitted", escape(f.modifier + (f"; {f.gels}" if f.gels else "")), ""),
            ("power", escape("daylight" if f.is_window else phrases.power(f.power_stops)), ""),
            ("bearing", f"{f.bearing_deg:.0f}°", ""),
            ("from the mark", phrases.metres_and_feet(f.distance_m), ""),
            ("height", phrases.metres_and_feet(f.height_m), ""),
            ("aim", f"{escape(f.aim)}, {phrases.metres_and_feet(f.aim_distance_m)}", ""),
            ("tilt", phrases.tilt(f.tilt_deg), ""),
        )
        rows.append("<tr>" + "".join(_cell(*cell) for cell in cells) + "</tr>")
    heads = ("light", "fitted", "power", "bearing", "from the mark", "height of centre", "aim and distance", "tilt")
    return _table(heads, rows)


def _cell(of: str, text: str, kind: str) -> str:
    return f"<td{f' class={kind}' if kind else ''}{f' data-of={chr(34)}{of}{chr(34)}' if of else ''}>{text}</td>"


def _table(heads: Iterable[str], rows: Iterable[str]) -> str:
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _views(plan: RigPlan) -> str:
    if not plan.views:
        return f'<p class="note">{escape(plan.no_views or "Not drawn.")}</p>'
    figures = "".join(
        f'<figure><img alt="{escape(caption)}" src="data:image/png;base64,{base64.b64encode(data).decode()}">'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
        for caption, data in plan.views
    )
    return f'<div class="views">{figures}</div>'


def _kit(plan: RigPlan) -> str:
    rows = (
        f'<tr><td class="count">{line.count} x</td><td>{escape(line.item)}</td>'
        f'<td data-of="for">{escape(line.of)}</td></tr>'
        for line in plan.kit
    )
    return _table(("", "item", "for"), rows)


def _supports(plan: RigPlan) -> str:
    rows = []
    for s in plan.supports:
        boom = (
            f"{s.arm_m:.2f} m arm, {s.moment_N_m:.0f} N·m, counterweight {s.counterweight_kg:.1f} kg"
            if s.arm_m
            else "-"
        )
        rows.append(
            f'<tr><td class="n">{escape(s.light)}</td><td data-of="load">{s.load_kg:.1f} kg</td>'
            f'<td data-of="height">{phrases.metres_and_feet(s.height_m)}</td><td data-of="boom">{boom}</td>'
            f'<td data-of="bags">{s.bags} x 5 kg ({s.bag_kg:.1f} kg)</td></tr>'
        )
    notes = "".join(f'<li class="note">{escape(text)}</li>' for text in SUPPORT_FORMULAS)
    return _table(("light", "load", "head or pivot height", "boom", "sandbags"), rows) + f"<ul>{notes}</ul>"


def _steps(plan: RigPlan) -> str:
    if not plan.steps:
        return '<p class="note">All lights are muted.</p>'
    items = []
    for count, s in enumerate(plan.steps, 1):
        ticks = []
        if s.alone_f_number is not None:
            lux = f" ({s.alone_lx:.0f} lx)" if s.alone_lx is not None else ""
            ticks.append(f"alone: {phrases.reading(s.alone_f_number)}{lux}")
            if count > 1:
                ticks.append(f"with the lights so far: {phrases.reading(s.together_f_number)}")
            ticks.append(f"face, dome to camera, all so far: {phrases.reading(s.face_f_number)}")
        else:
            ticks.append("set and checked")
        boxes = "".join(f'<label><input type="checkbox"><span>{escape(t)}</span></label>' for t in ticks)
        badge = f'<span class="badge">{s.number}</span>' if s.number else ""
        items.append(
            f"<li><div>{count}.</div><div><b>{badge} {escape(s.light)}</b>, {escape(s.power)}"
            f'<div class="note">Meter {escape(s.hold)}.</div><div class="ticks">{boxes}</div>'
            f'<div class="note">Off by a third? {escape(s.nudge)}</div></div></li>'
        )
    how = ("Room light first, then the light that gives the face the most, then in falling order. Readings are at the "
           "camera's ISO and shutter time, to a tenth of a stop.")  # fmt: skip
    if not plan.is_measured:
        how = "Expected readings are left out: the renderer did not run. The order is that of the scene."
    return f'<p class="note">{how}</p><ol class="steps">{"".join(items)}</ol>'


def _cautions(plan: RigPlan) -> str:
    blocks = "".join(
        f'<div class="caution{" serious" if c.serious else ""}"><h3>{escape(c.heading)}</h3>'
        f"<p>{escape(c.statement)}</p><p>{escape(c.cure)}</p></div>"
        for c in map(text_from_caution, plan.cautions)
    )
    return f'<p class="defer">{escape(DEFER)}</p>{blocks}'
