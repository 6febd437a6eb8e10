"""Labels that keep off each other: each is tried around its thing, nearest first, and the best free place is taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sim.reports.plan.paper import ASCENT, DESCENT, INK, LEADING, Line, Shape, Words, width_mm

PAD_MM = 0.9
Box = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Label:
    """Lines of type that belong to the point `to_mm` (2,); the first line is bold; `gap_mm` is kept from the point."""

    lines: tuple[str, ...]
    to_mm: np.ndarray
    owner: str
    size_mm: float = 2.3
    gap_mm: float = 4.0

    @property
    def size_of_box_mm(self) -> tuple[float, float]:
        """Width and height of the block of type."""
        width = max(width_mm(line, self.size_mm, i == 0) for i, line in enumerate(self.lines))
        return width, self.size_mm * (ASCENT + DESCENT + LEADING * (len(self.lines) - 1))


def overlap(a: Box, b: Box, pad_mm: float = 0.0) -> bool:
    """Whether two boxes (left, top, right, bottom) come closer than `pad_mm` in both directions.

    >>> overlap((0, 0, 2, 2), (3, 0, 4, 2)), overlap((0, 0, 2, 2), (3, 0, 4, 2), 1.5)
    (False, True)
    """
    return a[0] < b[2] + pad_mm and b[0] < a[2] + pad_mm and a[1] < b[3] + pad_mm and b[1] < a[3] + pad_mm


def place_labels(
    labels: Sequence[Label], blocked: Sequence[Box], gear: Sequence[Box], lines_mm: Sequence[np.ndarray], page: Box
) -> list[Box]:
    """Box of each label, in the order given: none overlaps another, a blocked box or the page's edge.

    Arguments: `blocked` boxes of type and badges, `gear` boxes of things, both kept free; on a crowded page a label
    may stand on gear, and at worst on a badge. `lines_mm` polylines (n, 2) that labels rather keep off.
    Raises `ValueError` when the page is full of labels.
    """
    crossed = np.concatenate([_along(line) for line in lines_mm]) if lines_mm else np.empty((0, 2))
    options = [_candidates(label, [*blocked, *gear], crossed, page) for label in labels]
    placed: dict[int, Box] = {}
    # Give the most hemmed-in label its choice first.
    for index in sorted(range(len(labels)), key=lambda i: len(options[i])):
        best = _best(labels, index, options[index], placed)
        for kept_free in (blocked, ()):
            if best is None:
                best = _best(labels, index, _candidates(labels[index], kept_free, crossed, page), placed)
        if best is None:
            raise ValueError(f"no free place on the page for the label {labels[index].lines[0]!r}")
        placed[index] = best
    return [placed[i] for i in range(len(labels))]


def _best(
    labels: Sequence[Label], index: int, options: Sequence[tuple[float, Box]], placed: dict[int, Box]
) -> Box | None:
    """The cheapest box that keeps off the labels placed so far; leaders across labels cost extra."""
    to_mm = labels[index].to_mm
    best, least = None, np.inf
    for cost, box in options:
        if cost >= least:
            break
        if any(overlap(box, other, PAD_MM) for other in placed.values()):
            continue
        leader = np.array([to_mm, _nearest(box, to_mm)])
        hits = sum(_crosses(leader, other) for other in placed.values())
        hits += sum(_crosses(np.array([labels[i].to_mm, _nearest(b, labels[i].to_mm)]), box) for i, b in placed.items())
        if cost + 40 * hits < least:
            best, least = box, cost + 40 * hits
    return best


def shapes_from_label(label: Label, box: Box) -> list[Shape]:
    """A leader from the thing to its label, and the label's lines."""
    near = _nearest(box, label.to_mm)
    away = near - label.to_mm
    reach = float(np.linalg.norm(away))
    ground = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
    shapes: list[Shape] = [Line(ground, "label-ground", True, "#ffffff", None, 0.0)]
    if reach > label.gap_mm + 0.5:
        start = label.to_mm + away / reach * (label.gap_mm - 0.6)
        shapes.append(Line(np.array([start, near]), "leader", width_mm=0.15, data={"of": label.owner}))
    right = near[0] > (box[0] + box[2]) / 2
    for row, line in enumerate(label.lines):
        baseline = box[1] + label.size_mm * (ASCENT + LEADING * row)
        x = box[2] if right else box[0]
        anchor = "end" if right else "start"
        shapes.append(
            Words(
                np.array([x, baseline]),
                line,
                "label",
                label.size_mm,
                anchor,
                bold=row == 0,
                fill=INK,
                data={"of": label.owner},
            )
        )
    return shapes


def _candidates(label: Label, blocked: Sequence[Box], crossed: np.ndarray, page: Box) -> list[tuple[float, Box]]:
    width, height = label.size_of_box_mm
    boxes = []
    for further in (0.0, 2.0, 4.5, 7.5, 11.0, 15.0, 20.0, 27.0, 36.0, 48.0, 64.0, 90.0, 120.0):
        reach = label.gap_mm + further
        for angle in np.arange(0, 360, 15.0):
            way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
            # Let the box touch the circle of this reach with its nearest side.
            x = label.to_mm[0] + way[0] * reach + (way[0] - 1) / 2 * width
            y = label.to_mm[1] + way[1] * reach + (way[1] - 1) / 2 * height
            box = (float(x), float(y), float(x + width), float(y + height))
            if box[0] < page[0] or box[1] < page[1] or box[2] > page[2] or box[3] > page[3]:
                continue
            if any(overlap(box, other, 0.4) for other in blocked):
                continue
            inside = ((crossed > np.array(box[:2]) - 0.5) & (crossed < np.array(box[2:]) + 0.5)).all(axis=1).sum()
            leader = np.array([label.to_mm, _nearest(box, label.to_mm)])
            over = sum(_crosses(leader, other) for other in blocked if not _holds(other, label.to_mm))
            boxes.append((float(reach + 4.5 * min(inside, 40) + 6 * over), box))
    return sorted(boxes, key=lambda item: item[0])


def _along(line: np.ndarray) -> np.ndarray:
    """Points every millimetre or so along a polyline."""
    pieces = []
    for a, b in pairwise(line):
        count = max(2, int(np.hypot(*(b - a))))
        pieces.append(a + (b - a) * np.linspace(0, 1, count)[:, None])
    return np.concatenate(pieces) if pieces else np.empty((0, 2))


def _nearest(box: Box, point: np.ndarray) -> np.ndarray:
    return np.array([np.clip(point[0], box[0], box[2]), np.clip(point[1], box[1], box[3])])


def _holds(box: Box, point: np.ndarray) -> bool:
    return bool(box[0] <= point[0] <= box[2] and box[1] <= point[1] <= box[3])


def _crosses(line: np.ndarray, box: Box) -> bool:
    """Whether the segment (2, 2) passes through a box: Liang and Barsky (1984)."""
    (x, y), (dx, dy) = line[0], line[1] - line[0]
    enter, leave = 0.0, 1.0
    for step, room in ((-dx, x - box[0]), (dx, box[2] - x), (-dy, y - box[1]), (dy, box[3] - y)):
        if step == 0:
            if room <= 0:
                return False
        elif step < 0:
            enter = max(enter, room / step)
        else:
            leave = min(leave, room / step)
    return bool(enter < leave)
