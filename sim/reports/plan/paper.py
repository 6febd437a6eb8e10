"""Drawings on paper: shapes in millimetres, y downward, written as SVG or onto a PDF page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape

import numpy as np
from reportlab.lib.colors import toColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable
from scipy.spatial import ConvexHull, QhullError

from sim.reports.plan.type import draw_line, line_width

INK = "#14181d"
SVG_FONT = "Helvetica, Arial, 'Liberation Sans', Arimo, sans-serif"
MM_IN_POINTS = 72 / 25.4
ASCENT, DESCENT, LEADING = 0.76, 0.24, 1.22  # of the type size; the font's own within 0.03


@dataclass(frozen=True, eq=False)
class Line:
    """A line or a filled outline: `points_mm` (n, 2); `role` and `data` say what it stands for."""

    points_mm: np.ndarray
    role: str
    closed: bool = False
    fill: str | None = None
    stroke: str | None = INK
    width_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()
    data: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Disc:
    """A circle of `radius_mm` around `centre_mm` (2,)."""

    centre_mm: np.ndarray
    radius_mm: float
    role: str
    fill: str | None = None
    stroke: str | None = INK
    width_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()
    data: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Words:
    """One line of type on its baseline at `at_mm` (2,); `anchor` is start, middle or end."""

    at_mm: np.ndarray
    text: str
    role: str
    size_mm: float = 2.4
    anchor: str = "start"
    bold: bool = False
    fill: str = INK
    data: Mapping[str, str] = field(default_factory=dict)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of the line of type."""
        width = width_mm(self.text, self.size_mm, self.bold)
        left = float(self.at_mm[0]) - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * width
        baseline = float(self.at_mm[1])
        return left, baseline - ASCENT * self.size_mm, left + width, baseline + DESCENT * self.size_mm


Shape = Line | Disc | Words


@dataclass(frozen=True, eq=False)
class Sheet:
    """A drawing: its size in mm, its shapes from the back to the front, and what it shows.

    `scale_mm_per_m` and `origin_mm` lead from the room to paper; `axes` says which way the paper's x and y go.
    """

    name: str
    title: str
    caption: str
    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]
    scale_mm_per_m: float
    origin_mm: tuple[float, float]
    axes: str


def width_mm(text: str, size_mm: float, bold: bool = False) -> float:
    """Width of a line of type in mm, by the metrics of the fonts in the PDF.

    >>> round(width_mm("key", 10.0), 2)
    15.56
    """
    return line_width(text, size_mm, bold)


def svg_from_sheet(sheet: Sheet) -> str:
    """The drawing as an SVG element whose unit is 1 mm of paper."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="sheet" role="img" aria-labelledby="{sheet.name}-t '
        f'{sheet.name}-d" viewBox="0 0 {_n(sheet.width_mm)} {_n(sheet.height_mm)}" data-sheet="{sheet.name}" '
        f'data-mm-per-m="{_n(sheet.scale_mm_per_m)}" data-origin-x="{_n(sheet.origin_mm[0])}" '
        f'data-origin-y="{_n(sheet.origin_mm[1])}" data-axes="{sheet.axes}" font-family="{escape(SVG_FONT)}">'
    )
    body = "\n".join(_svg_from_shape(shape) for shape in sheet.shapes)
    return (
        f'{head}\n<title id="{sheet.name}-t">{escape(sheet.title)}</title>'
        f'<desc id="{sheet.name}-d">{escape(sheet.caption)}</desc>\n{body}\n</svg>'
    )


def _svg_from_shape(shape: Shape) -> str:
    data = "".join(f' data-{key}="{escape(str(value))}"' for key, value in shape.data.items())
    role = f' data-role="{shape.role}"'
    if isinstance(shape, Words):
        length = width_mm(shape.text, shape.size_mm, shape.bold)
        return (
            f'<text x="{_n(shape.at_mm[0])}" y="{_n(shape.at_mm[1])}" font-size="{_n(shape.size_mm)}" '
            f'text-anchor="{shape.anchor}"{" font-weight=" + chr(34) + "700" + chr(34) if shape.bold else ""} '
            f'textLength="{_n(length)}" lengthAdjust="spacingAndGlyphs" fill="{shape.fill}"{role}{data}>'
            f"{escape(shape.text)}</text>"
        )
    paint = f' fill="{shape.fill or "none"}" stroke="{shape.stroke or "none"}" stroke-width="{_n(shape.width_mm)}"'
    if shape.dash_mm:
        paint += f' stroke-dasharray="{" ".join(_n(v) for v in shape.dash_mm)}"'
    if isinstance(shape, Disc):
        x, y = shape.centre_mm
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(shape.radius_mm)}"{paint}{role}{data}/>'
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points_mm)
    tag = "polygon" if shape.closed else "polyline"
    return f'<{tag} points="{points}"{paint} stroke-linejoin="round" stroke-linecap="round"{role}{data}/>'


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


class SheetFlowable(Flowable):
    """A drawing on a PDF page, at its own size or shrunk to the room there is."""

    def __init__(self, sheet: Sheet) -> None:
        super().__init__()
        self.sheet = sheet
        self.factor = 1.0

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Size in points on the page; part of the page maker's interface."""
        natural = self.sheet.width_mm * MM_IN_POINTS, self.sheet.height_mm * MM_IN_POINTS
        self.factor = min(1.0, width / natural[0], height / natural[1])
        self.hAlign = "CENTER"
        return natural[0] * self.factor, natural[1] * self.factor

    def draw(self) -> None:
        """Put every shape on the page; part of the page maker's interface."""
        canvas: Canvas = self.canv
        unit = MM_IN_POINTS * self.factor
        canvas.saveState()
        canvas.translate(0, self.sheet.height_mm * unit)
        canvas.scale(unit, unit)
        canvas.setLineJoin(1)
        canvas.setLineCap(1)
        for shape in self.sheet.shapes:
            _draw_on_canvas(canvas, shape)
        canvas.restoreState()


def _draw_on_canvas(canvas: Canvas, shape: Shape) -> None:
    if isinstance(shape, Words):
        canvas.setFillColor(shape.fill)
        color = toColor(shape.fill)
        ink = round(255 * color.red), round(255 * color.green), round(255 * color.blue)
        align = {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor]
        x, y = float(shape.at_mm[0]), -float(shape.at_mm[1])
        draw_line(canvas, x, y, shape.text, shape.size_mm, ink, shape.bold, align)
        return
    canvas.setLineWidth(shape.width_mm)
    canvas.setDash(*((list(shape.dash_mm), 0) if shape.dash_mm else ([], 0)))
    if shape.fill:
        canvas.setFillColor(shape.fill)
    if shape.stroke:
        canvas.setStrokeColor(shape.stroke)
    paint = {"stroke": int(bool(shape.stroke)), "fill": int(bool(shape.fill))}
    if isinstance(shape, Disc):
        canvas.circle(float(shape.centre_mm[0]), -float(shape.centre_mm[1]), shape.radius_mm, **paint)
        return
    path = canvas.beginPath()
    for index, (x, y) in enumerate(shape.points_mm):
        (path.lineTo if index else path.moveTo)(float(x), -float(y))
    if shape.closed:
        path.close()
    canvas.drawPath(path, **paint)


def hull_from_points(points: np.ndarray) -> np.ndarray:
    """Convex outline (m, 2) of points (n, 2) from the leftmost on; of points in a line, its two ends.

    >>> hull_from_points(np.array([[0, 0], [1, 0], [0.5, 0.2], [1, 1], [0, 1]])).tolist()
    [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]
    """
    cloud = np.asarray(points, float)
    try:
        outline = cloud[ConvexHull(cloud).vertices]
    except (QhullError, ValueError):
        middle = cloud - cloud.mean(axis=0)
        along = cloud @ np.linalg.svd(middle, full_matrices=False)[2][0]
        outline = cloud[[along.argmin(), along.argmax()]]
    return np.roll(outline, -int(np.lexsort(outline.T[::-1])[0]), axis=0)
