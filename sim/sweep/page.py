"""The result page of a sweep's folder: its table in the page's words, written beside the pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

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

if TYPE_CHECKING:
    import pyarrow as pa

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
    "ratio_stops": ("key side over shadow side", "stops", 1, True),
    "fact.separation_median_stops": ("outline from the backdrop, median", "stops", 1, True),
    "fact.separation_weak_share": ("share of the outline that is weak", "", 2, False),
    "fact.face_median_stops": ("face in the picture, median", "stops from middle grey", 1, True),
    "fact.face_clipped_share": ("share of the face that clips", "", 3, False),
    "fact.catchlights": ("catchlights", "count", 0, False),
    "fact.sparkle_per_cm2": ("sparkle", "1/cm²", 2, False),
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


def page_from_table(table: pa.Table, study: Mapping[str, Any]) -> SweepPage:
    """The page's data from a sweep's table and the study that it was made for."""
    columns = {name: table.column(name).to_pylist() for name in table.column_names}
    axes = tuple(axis_from_columns(axis, columns) for axis in study["axes"])
    readings = readings_from_columns(columns, study.get("lights", ()))
    wishes = tuple(wish_from_record(wish) for wish in study["wishes"])
    checks = [name for name in columns if name.startswith("verdict.")]
    missing: list[None] = [None] * table.num_rows

    def column(name: str) -> Sequence[Any]:
        return columns.get(name, missing)

    places = [{text: index for index, text in enumerate(axis.texts)} for axis in axes]
    variations = []
    for row in range(table.num_rows):
        status = columns["status"][row]
        verdicts = [columns[name][row] for name in checks]
        variations.append(
            PageVariation(
                name=f"no. {columns['variation'][row]}",
                at=tuple(
                    place.get(columns[f"axis.{axis.label}"][row]) for place, axis in zip(places, axes, strict=True)
                ),
                values=tuple(columns[name][row] for name in readings),
                off=tuple(column(f"wish.{wish.point}")[row] for wish in wishes),
                asks=tuple(None if verdict is None else verdict == LOOK for verdict in verdicts),
                found=tuple(column(name.replace("verdict.", "check.", 1))[row] or "" for name in checks),
                score=column("score")[row],
                rank=column("rank")[row],
                reason="" if status == DONE else NOT_YET if status == WAITING else column("reason")[row] or "failed",
                is_waiting=status == WAITING,
                picture=column("picture")[row] or "",
            )
        )
    return SweepPage(
        title=study["title"],
        source=study["scene"],
        axes=axes,
        readings=tuple(readings.values()),
        wishes=wishes,
        checks=tuple(_check_words(name) for name in checks),
        variations=tuple(variations),
        shape=(int(study["size"][0]), int(study["size"][1])),
        ranking=ranking_text(wishes, study.get("reference", "face")),
    )


def axis_from_columns(axis: Mapping[str, Any], columns: Mapping[str, Sequence[Any]]) -> PageAxis:
    """An axis in its study's order, with the number of each value and the base scene's own."""
    name, texts = axis["name"], tuple(axis["values"])
    known = dict(zip(columns[f"axis.{name}"], columns.get(f"value.{name}", ()), strict=False))
    numbers = tuple(known.get(text) for text in texts)
    base_text, base_number = axis.get("base"), axis.get("base_number")
    base = texts.index(base_text) if base_text in texts else None
    if base is None and base_number is not None:
        near = [i for i, n in enumerate(numbers) if n is not None and abs(n - base_number) <= 1e-9 * max(1.0, abs(n))]
        base = near[0] if near else None
    return PageAxis(name, texts, numbers, axis.get("unit") or "", base, base_text or "")


def readings_from_columns(columns: Mapping[str, Sequence[Any]], lights: Sequence[str]) -> dict[str, PageReading]:
    """What each column of readings is, by its name: all lights together first, then each light, then the figures.

    Does not: show a column that is empty throughout.
    """
    order = {light: index for index, light in enumerate((COMBINED, *lights))}
    found: dict[str, PageReading] = {}
    for kind, unit in UNITS.items():
        names = [name.split(".") for name in columns if name.startswith(f"{kind}.") and name.count(".") == 2]
        points = {point: index for index, (_, point, _) in reversed(list(enumerate(names)))}
        for _, point, light in sorted(names, key=lambda n: (order.get(n[2], len(order)), points[n[1]])):
            found[f"{kind}.{point}.{light}"] = PageReading(kind, point, "" if light == COMBINED else light, unit)
    for name in columns:
        if name in FIGURES or (name.startswith("fact.") and name not in LEFT_OUT):
            words, unit, digits, signed = FIGURES.get(name, (name.partition(".")[2].replace("_", " "), "", 2, False))
            found[name] = PageReading("figure", words, "", unit, digits, signed)
    return {name: reading for name, reading in found.items() if any(v is not None for v in columns[name])}


def wish_from_record(wish: Mapping[str, Any]) -> PageWish:
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
    told = "Ranked by how far the wishes are missed: the root of the mean of their squares, in stops, least first."
    if any(wish.stops is not None for wish in wishes):
        counted = "the camera's setting" if reference == "camera" else f"the {reference}"
        told += f" Wishes in stops count from {counted}."
    return told


def _check_words(name: str) -> str:
    plain = name.partition(".")[2]
    return CHECK_WORDS.get(plain, plain.replace("_", " "))
