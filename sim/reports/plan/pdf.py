"""The rig plan as a PDF, on A4 or Letter."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepTogether, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.checks.shadow_words import line_from_shadow
from sim.quantities import phrases
from sim.reports.faces import BOX, drawing
from sim.reports.plan import RigPlan
from sim.reports.plan.caution_words import DEFER, text_from_caution
from sim.reports.plan.kit import SUPPORT_FORMULAS
from sim.reports.plan.paper import INK, MM_IN_POINTS, Line, Sheet, SheetFlowable
from sim.reports.plan.type import BOLD_FONT, FONT, LinesOfType, draw_line, has

PAPERS = {"A4": A4, "Letter": LETTER}
MARGIN = 10 * MM_IN_POINTS
FACE_HEIGHT_MM = 18.0
SOFT, RULE = colors.HexColor("#4d5661"), colors.HexColor("#c9ced6")
SOFT_INK = (0x4D, 0x56, 0x61)
_BODY = ParagraphStyle("body", fontName=FONT, fontSize=8.8, leading=11.6, textColor=colors.HexColor(INK))
_NOTE = ParagraphStyle("note", _BODY, fontSize=8, leading=10.4, textColor=SOFT)
_BOLD = ParagraphStyle("bold", _BODY, fontName=BOLD_FONT)
_TITLE = ParagraphStyle("title", _BODY, fontName=BOLD_FONT, fontSize=17, leading=20)
_HEADING = ParagraphStyle("heading", _BODY, fontName=BOLD_FONT, fontSize=12, leading=15, spaceBefore=8, spaceAfter=4)


class _Tick(Flowable):
    """An empty box to tick, with its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Size in points; part of the page maker's interface."""
        return width, 13.0

    def draw(self) -> None:
        """Draw the box and the text; part of the page maker's interface."""
        self.canv.setLineWidth(0.8)
        self.canv.rect(0, 2, 8, 8)
        draw_line(self.canv, 13, 3, self.text, 8.8, (0, 0, 0))


def pdf_from_plan(plan: RigPlan, paper: str = "A4") -> bytes:
    """The PDF's bytes; the same plan gives the same bytes.

    Arguments: `paper` is `A4` or `Letter`.
    A sign that no font of this machine has is drawn as a box and noted in `sim.reports.fonts.missing`.
    """
    stream = io.BytesIO()
    size = PAPERS[paper]
    document = SimpleDocTemplate(
        stream, pagesize=size, leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=MARGIN + 12,
        title=f"{plan.title}: rig plan", author="halfstop", subject=plan.settings, invariant=1,
    )  # fmt: skip

    def foot(canvas: Canvas, _: SimpleDocTemplate) -> None:
        canvas.setFillColor(SOFT)
        draw_line(canvas, MARGIN, MARGIN, f"{plan.title} · rig plan · halfstop", 7.5, SOFT_INK)
        canvas.setFont(FONT, 7.5)
        canvas.drawRightString(size[0] - MARGIN, MARGIN, f"{canvas.getPageNumber()}")

    plan_sheet, elevation, cards = plan.sheets
    story: list[Flowable] = [_p(plan.title, _TITLE), _p(plan.settings, _NOTE)]
    if plan.to_change:
        story.append(_p(f"Change before you build (see Cautions): {'; '.join(plan.to_change)}.", _BOLD))
    story += [Spacer(1, 4), SheetFlowable(plan_sheet)]
    story += [PageBreak(), _h("From the side"), SheetFlowable(elevation), _h("Lights"), _lights(plan)]
    story += [PageBreak(), _h("Each light along its beam"), SheetFlowable(cards)]
    story += [KeepTogether([_h("The rig in the room"), *_views(plan)])]
    story += [PageBreak(), _h("Build-up"), *_steps(plan)]
    story += [PageBreak(), _h("Kit"), _kit(plan), _h("Stands and booms"), _supports(plan)]
    story += [_p(text, _NOTE) for text in SUPPORT_FORMULAS]
    story += [PageBreak(), _h("Cautions"), _p(DEFER, _BOLD), Spacer(1, 5), *_cautions(plan)]
    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return stream.getvalue()


def _p(text: str, style: ParagraphStyle = _BODY) -> Flowable:
    if not all(map(has, text)):
        return LinesOfType(text, style)
    plain = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return Paragraph(plain, style)


def _h(text: str) -> Flowable:
    return _p(text, _HEADING)


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]], widths_mm: tuple[float, ...]) -> Table:
    cells = [[_p(h, _NOTE) for h in heads]]
    cells += [[_p(text, _BOLD if column == 0 else _BODY) for column, text in enumerate(row)] for row in rows]
    table = Table(cells, colWidths=[w * MM_IN_POINTS for w in widths_mm], repeatRows=1, hAlign="LEFT")
    table.setStyle([
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2.2), ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ])  # fmt: skip
    return table


def _lights(plan: RigPlan) -> Table:
    rows = [
        (f"{f.number} {f.name}" + (" (off)" if f.muted else ""), f.modifier + (f"; {f.gels}" if f.gels else ""),
         "daylight" if f.is_window else phrases.power(f.power_stops),
         f"{phrases.angle(round(f.bearing_deg))}, {phrases.metres_and_feet(f.distance_m)}",
         phrases.metres_and_feet(f.height_m),
         f"{f.aim}, {phrases.metres_and_feet(f.aim_distance_m)}", phrases.tilt(f.tilt_deg))
        for f in plan.facts
    ]  # fmt: skip
    heads = ("light", "fitted", "power", "bearing, from the mark", "height of centre", "aim, distance", "tilt")
    return _table(heads, rows, (22, 38, 26, 30, 25, 33, 16))


def _views(plan: RigPlan) -> list[Flowable]:
    if not plan.views:
        return [_p(plan.no_views or "Not drawn.", _NOTE)]
    pictures = []
    for caption, data in plan.views:
        width, height = ImageReader(io.BytesIO(data)).getSize()
        shown = 92 * MM_IN_POINTS
        pictures.append([Image(io.BytesIO(data), shown, shown * height / width), _p(caption, _NOTE)])
    return [Table([pictures], hAlign="LEFT", colWidths=[95 * MM_IN_POINTS] * len(pictures))]


def _steps(plan: RigPlan) -> list[Flowable]:
    how = ("Room light first, then the light that gives the face the most, then in falling order. Readings are at the "
           "camera's ISO and shutter time, to a tenth of a stop.")  # fmt: skip
    if not plan.is_measured:
        how = "Expected readings are left out: the renderer did not run. The order is that of the scene."
    story: list[Flowable] = [_p(how, _NOTE), Spacer(1, 4)]
    if plan.nose_shadow is not None:
        story += [SheetFlowable(_face(plan.nose_shadow)), _p(f"{line_from_shadow(plan.nose_shadow)}."), Spacer(1, 6)]
    for count, s in enumerate(plan.steps, 1):
        ticks = s.ticks(is_first=count == 1, lux=plan.lux)
        number = f" ({s.number})" if s.number else ""
        story.append(KeepTogether([
            _p(f"{count}. {s.light}{number}, {s.power}", _BOLD), _p(f"Meter {s.hold}.", _NOTE),
            *(_Tick(text) for text in ticks), _p(f"Off by a third? {s.nudge}", _NOTE), Spacer(1, 7),
        ]))  # fmt: skip
    return story


def _face(drawn: KeyShadow) -> Sheet:
    """The small drawing of what the key draws on the face."""
    scale = FACE_HEIGHT_MM / BOX[1]
    shapes = tuple(
        Line(scale * s.points, "face", s.closed, s.fill, s.stroke, scale * s.width)
        for s in drawing(drawn.shadow.pattern, drawn.shadow.lit_side)
    )
    return Sheet("face", "Nose shadow", "", scale * BOX[0], FACE_HEIGHT_MM, shapes, 1.0, (0.0, 0.0), "")


def _kit(plan: RigPlan) -> Table:
    return _table(("", "item", "for"), [(f"{k.count} x", k.item, k.of) for k in plan.kit], (14, 90, 86))


def _supports(plan: RigPlan) -> Table:
    rows = [
        (s.light, f"{s.load_kg:.1f} kg", phrases.metres_and_feet(s.height_m),
         f"{s.arm_m:.2f} m arm, {s.moment_N_m:.0f} N·m, counterweight {s.counterweight_kg:.1f} kg" if s.arm_m else "-",
         f"{s.bags} x 5 kg ({s.bag_kg:.1f} kg)")
        for s in plan.supports
    ]  # fmt: skip
    return _table(("light", "load", "head or pivot height", "boom", "sandbags"), rows, (30, 20, 36, 66, 38))


def _cautions(plan: RigPlan) -> list[Flowable]:
    story: list[Flowable] = []
    for c in map(text_from_caution, plan.cautions):
        heading = f"Change this: {c.heading}" if c.serious else c.heading
        story.append(KeepTogether([_p(heading, _BOLD), _p(c.statement), _p(c.cure), Spacer(1, 7)]))
    return story
