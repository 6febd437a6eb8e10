"""The result page of a sweep's folder: its table in the page's words, written beside the pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sim.quantities import units
from sim.quantities.errors import HalfstopError, quoted
from sim.sweep.page_text import (
    GENERATOR,
    PageAxis,
    PageReading,
    PageVariation,
    PageWish,
    SweepPage,
    html_from_page,
)
from sim.sweep.plan import AxisRecord, StudyRecord, WishRecord
from sim.sweep.setup import Cell, Row

if TYPE_CHECKING:
    import pyarrow as pa

Columns = Mapping[str, Sequence[Cell]]

PAGE = "index.html"
COMBINED, DONE, WAITING, LOOK = "combined", "done", "waiting", "look"
UNITS = {
    "incident": "stops over the camera's setting", "flat": "stops over the camera's setting",
    "spot": "stops from middle grey",
}  # fmt: skip
CHECK_WORDS = {
    "exposure": "exposure", "separation": "separation", "catchlights": "catchlights", "focus": "focus",
    "frame": "in the picture", "flare": "light into the lens", "duties": "what each light does",
}  # fmt: skip
# Column -> what it is called, its unit, decimals, and whether it carries a sign.
FIGURES = {
    "lighting_ratio": ("lighting ratio, (key + fill) : fill", ": 1", 1, False),
    "contrast_stops": ("contrast of the cheeks", "stops", 1, True),
    "fact.separation_median_stops": ("outline from the backdrop, median", "stops", 1, True),
    "fact.separation_weak_share": ("share of the outline that is weak", "", 2, False),
    "fact.face_median_stops": ("face in the picture, median", "stops from middle grey", 1, True),
    "fact.face_clipped_share": ("share of the face that clips", "", 3, False),
    "fact.catchlights": ("catchlights", "count", 0, False),
    "fact.sparkling_share": ("share of the sequins that glint", "", 3, False),
}  # fmt: skip
LEFT_OUT = ("fact.looks",)
NOT_YET = "not traced yet: run the study again to go on"


def page_from_results(folder: str | Path) -> Path:
    """Write the result page of a sweep, finished or not, into its folder, and say where.

    Does not: replace an `index.html` that is not a sweep's page. Raises `HalfstopError`.
    """
    from sim.sweep.chunks import SweepFolder
    from sim.sweep.table import read_table, study_of

    home = SweepFolder(Path(folder))
    table = read_table(home.path)
    place = home.path / PAGE
    if place.exists() and GENERATOR not in place.read_text("utf-8", "replace")[:2000]:
        raise HalfstopError(
            f"{quoted(PAGE)} in {quoted(home.path)}: halfstop did not make this; nothing was written; move it away"
        )
    home.write(PAGE, html_from_page(page_from_table(table, study_of(table))).encode())
    return place


def page_from_table(table: pa.Table, study: StudyRecord) -> SweepPage:
    """The page's data from a sweep's table and the study that it was made for."""
    columns: Columns = {name: table.column(name).to_pylist() for name in table.column_names}
    axes = tuple(axis_from_columns(axis, columns) for axis in study["axes"])
    readings = readings_from_columns(columns, study.get("lights", ()))
    wishes = tuple(wish_from_record(wish) for wish in study["wishes"])
    checks = [name for name in columns if name.startswith("verdict.")]
    return SweepPage(
        title=study["title"],
        source=study["scene"],
        axes=axes,
        readings=tuple(readings.values()),
        wishes=wishes,
        checks=tuple(_check_words(name) for name in checks),
        variations=tuple(
            _variation({name: cells[row] for name, cells in columns.items()}, axes, list(readings), wishes, checks)
            for row in range(table.num_rows)
        ),
        shape=(int(study["size"][0]), int(study["size"][1])),
        ranking=ranking_text(wishes, study.get("reference", "face")),
    )


def _variation(
    row: Row, axes: Sequence[PageAxis], readings: Sequence[str], wishes: Sequence[PageWish], checks: Sequence[str]
) -> PageVariation:
    """One row of the table in the page's words."""
    status, rank = row["status"], row.get("rank")
    verdicts = [row[name] for name in checks]
    texts = [_text(row, f"axis.{axis.label}") for axis in axes]
    return PageVariation(
        name=f"no. {row['variation']}",
        at=tuple(
            axis.texts.index(text) if text in axis.texts else None for axis, text in zip(axes, texts, strict=True)
        ),
        values=tuple(_number(row, name) for name in readings),
        off=tuple(_number(row, f"wish.{wish.point}") for wish in wishes),
        asks=tuple(None if verdict is None else verdict == LOOK for verdict in verdicts),
        remarks=tuple(_text(row, name.replace("verdict.", "check.", 1)) for name in checks),
        score=_number(row, "score"),
        rank=None if rank is None else int(rank),
        reason="" if status == DONE else NOT_YET if status == WAITING else _text(row, "reason") or "failed",
        is_waiting=status == WAITING,
        picture=_text(row, "picture"),
    )


def _text(row: Row, name: str) -> str:
    """A cell's words, empty where there are none."""
    cell = row.get(name)
    return "" if cell is None else str(cell)


def _number(row: Row, name: str) -> float | None:
    """A cell's number, None where there is none."""
    cell = row.get(name)
    return cell if isinstance(cell, (int, float)) else None


def axis_from_columns(axis: AxisRecord, columns: Columns) -> PageAxis:
    """An axis in its study's order, with the number of each value and the base scene's own."""
    name, texts = axis["name"], tuple(axis["values"])
    known: Row = {
        str(text): n for text, n in zip(columns[f"axis.{name}"], columns.get(f"value.{name}", ()), strict=False)
    }
    numbers = tuple(_number(known, text) for text in texts)
    base_text, base_number = axis.get("base"), axis.get("base_number")
    base = texts.index(base_text) if base_text is not None and base_text in texts else None
    if base is None and base_number is not None:
        near = [i for i, n in enumerate(numbers) if n is not None and abs(n - base_number) <= 1e-9 * max(1.0, abs(n))]
        base = near[0] if near else None
    return PageAxis(name, texts, numbers, axis.get("unit") or "", base, base_text or "")


def readings_from_columns(columns: Columns, lights: Sequence[str]) -> dict[str, PageReading]:
    """What each column of readings is, by its name: all lights together first, then each light, then the figures.

    Does not: show a column that is empty throughout.
    """
    order = {light: index for index, light in enumerate((COMBINED, *lights))}
    readings: dict[str, PageReading] = {}
    for kind, unit in UNITS.items():
        names = [name.split(".") for name in columns if name.startswith(f"{kind}.") and name.count(".") == 2]
        points = {point: index for index, (_, point, _) in reversed(list(enumerate(names)))}
        for _, point, light in sorted(names, key=lambda n: (order.get(n[2], len(order)), points[n[1]])):
            readings[f"{kind}.{point}.{light}"] = PageReading(kind, point, "" if light == COMBINED else light, unit)
    for name in columns:
        if name in FIGURES or (name.startswith("fact.") and name not in LEFT_OUT):
            words, unit, digits, signed = FIGURES.get(name, (name.partition(".")[2].replace("_", " "), "", 2, False))
            readings[name] = PageReading("figure", words, "", unit, digits, signed)
    return {name: reading for name, reading in readings.items() if any(v is not None for v in columns[name])}


def wish_from_record(wish: WishRecord) -> PageWish:
    """A wish in words."""
    f_number, stops = wish.get("f_number"), wish.get("stops")
    if f_number is not None:
        return PageWish(wish["point"], units.text_from_f_number_in_thirds(f_number), f_number=f_number)
    text = f"{stops + 0.0:+g}".replace("-", "\u2212") if stops else "0"
    return PageWish(wish["point"], text, stops=stops)


def ranking_text(wishes: Sequence[PageWish], reference: str) -> str:
    """How variations are ranked, in a sentence or two."""
    if not wishes:
        return "The study wishes for nothing, so nothing is ranked."
    text = "Ranked by how far the wishes are missed: the root of the mean of their squares, in stops, least first."
    if any(wish.stops is not None for wish in wishes):
        counted = "the camera's setting" if reference == "camera" else f"the {reference}"
        text += f" Wishes in stops count from {counted}."
    return text


def _check_words(name: str) -> str:
    plain = name.partition(".")[2]
    return CHECK_WORDS.get(plain, plain.replace("_", " "))
