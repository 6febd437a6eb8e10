"""The sweep's results as one page that opens offline: best ten, pictures side by side, charts, table, failures."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from urllib.parse import quote

from sim.reports.plan.caution_words import DEFER
from sim.web.one_file import live_html_from_template

# How a page of ours is known again.
GENERATOR = "halfstop sweep"
FOLDER = Path(__file__).parent / "page"


@dataclass(frozen=True)
class PageAxis:
    """A setting that the study varies, in words: `texts` of its values, `numbers` of them in `unit` or None each.

    `base` index of the base scene's value, or None where it is not among them; `base_text` that value in words.
    """

    label: str
    texts: tuple[str, ...]
    numbers: tuple[float | None, ...]
    unit: str = ""
    base: int | None = None
    base_text: str = ""


@dataclass(frozen=True)
class PageReading:
    """A reading at `point` of one `light`, or of all with "": how it is shown.

    `kind` incident, flat (receptor), spot, or figure: any other number, whose name is `point`.
    """

    kind: str
    point: str
    light: str = ""
    unit: str = "stops"
    digits: int = 1
    signed: bool = True


@dataclass(frozen=True)
class PageWish:
    """A wish for a point: `wanted` in words, and as `stops` against the reference or as `f_number`."""

    point: str
    wanted: str
    stops: float | None = None
    f_number: float | None = None


@dataclass(frozen=True)
class PageVariation:
    """One variation of the study.

    `at` index of each axis' value; `values` each reading, `off` stops off each wish (got minus wanted); `asks` of each
    check whether it asks for a look, or None unread, `remarks` what it says; `score` stops off all wishes and `rank`
    from 1, or None; `reason` why there is no result, else empty; `picture` path beside the page, or empty.
    """

    name: str
    at: tuple[int | None, ...]
    values: tuple[float | None, ...]
    off: tuple[float | None, ...] = ()
    asks: tuple[bool | None, ...] = ()
    remarks: tuple[str, ...] = ()
    score: float | None = None
    rank: int | None = None
    reason: str = ""
    is_waiting: bool = False
    picture: str = ""

    @property
    def ok(self) -> bool:
        """Whether it was traced."""
        return not self.reason


@dataclass(frozen=True)
class SweepPage:
    """All that the page shows: `shape` width and height of a picture in pixels, `ranking` how the score is made."""

    title: str
    source: str
    axes: tuple[PageAxis, ...]
    readings: tuple[PageReading, ...]
    wishes: tuple[PageWish, ...]
    checks: tuple[str, ...]
    variations: tuple[PageVariation, ...]
    shape: tuple[int, int] = (2, 3)
    ranking: str = ""


def html_from_page(page: SweepPage) -> str:
    """The whole page as text.

    Does not: hold the pictures, which lie beside it.
    """
    made = f"Made by halfstop{f' from {page.source}' if page.source else ''}."
    return live_html_from_template(
        FOLDER,
        images="'self' file: data:",
        data=record_from_page(page),
        style=f"body{{--shape:{page.shape[0] / page.shape[1]:.4f}}}",
        generator=GENERATOR,
        title=page.title,
        about=about_text(page),
        axes=[(axis.label, values_text(axis)) for axis in page.axes],
        failed_count=f"({sum(not v.ok for v in page.variations)})",
        ranking=page.ranking,
        defer=DEFER,
        made=f"{made} Numbers come from the model of the scene; the meter on the set has the last word.",
    )


def record_from_page(page: SweepPage) -> dict[str, object]:
    """Everything that the scripts read, one list per column."""
    every = page.variations
    return {
        "shape": page.shape,
        "axes": [
            asdict(a) | {"numbers": [None if n is None or not math.isfinite(n) else n for n in a.numbers]}
            for a in page.axes
        ],
        "readings": [asdict(r) for r in page.readings],
        "wishes": [asdict(w) for w in page.wishes],
        "checks": page.checks,
        "rows": {
            "id": [v.name for v in every],
            "ok": [int(v.ok) for v in every],
            "waiting": [int(v.is_waiting) for v in every],
            "reason": [v.reason or None for v in every],
            "at": [[v.at[k] for v in every] for k in range(len(page.axes))],
            "values": [[plain(v.values[k]) if v.ok else None for v in every] for k in range(len(page.readings))],
            "off": [[plain(v.off[k]) if v.ok else None for v in every] for k in range(len(page.wishes))],
            "checks": [[_flag(v.asks[k]) if v.ok else None for v in every] for k in range(len(page.checks))],
            "remarks": [[v.remarks[k] if v.ok and v.asks[k] else None for v in every] for k in range(len(page.checks))],
            "score": [plain(v.score) for v in every],
            "rank": [v.rank for v in every],
            "picture": [url_from_path(v.picture) for v in every],
        },
    }


def _flag(asks: bool | None) -> int | None:
    return None if asks is None else int(asks)


def plain(value: float | None) -> float | None:
    """A number to a thousandth, None for what is no number: darkness has no stops.

    >>> plain(1.234567), plain(float("-inf")), plain(None)
    (1.235, None, None)
    """
    return None if value is None or not math.isfinite(value) else round(float(value), 3)


def url_from_path(path: str) -> str:
    """A path beside the page as an address in it, so that no name is read as a scheme or a question.

    >>> url_from_path("pictures/a b#1.png"), url_from_path("")
    ('./pictures/a%20b%231.png', '')
    """
    return f"./{quote(path)}" if path else ""


def about_text(page: SweepPage) -> str:
    """How many variations of what, on one line."""
    total = len(page.variations)
    waiting = sum(v.is_waiting for v in page.variations)
    failed = sum(not v.ok for v in page.variations) - waiting
    told = f"{total:,} variations".replace(",", "\u202f") if total != 1 else "1 variation"
    of = f" of {page.source}" if page.source else ""
    parts = [f"{failed} failed"] * bool(failed) + [f"{waiting} not traced yet"] * bool(waiting)
    return "; ".join([f"Sweep: {told}{of}", *parts])


def values_text(axis: PageAxis) -> str:
    """The values of a setting, or their range where they are many."""
    if len(axis.texts) <= 8:
        return ", ".join(axis.texts)
    return f"{len(axis.texts)} values, {axis.texts[0]} to {axis.texts[-1]}"
