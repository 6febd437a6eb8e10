"""The sweep's result page: order, filter, charts and failures against plain Python, in a browser, from a file."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import warnings
from collections.abc import Callable
from pathlib import Path
from statistics import fmean
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from browser import opened_page
from results import (
    AXES,
    BOXES,
    DISTANCES_M,
    FAILED,
    FILLS,
    LIGHTS,
    POINTS,
    invented,
    rows_of_study,
    study_record,
    sweep_folder,
    table_of,
    written,
)

from sim.metering.lighting_ratio import LightingRatio, ratio_from_stops
from sim.metering.report import Contrast, MeterReport
from sim.quantities.errors import HalfstopError
from sim.sweep.columns import reading_columns
from sim.sweep.page import NOT_YET, page_from_results, page_from_table
from sim.sweep.page_text import PageVariation, SweepPage, html_from_page, plain

PAGE_FILES = Path(__file__).parent.parent.parent / "sim" / "sweep" / "page"
MINUS = "\u2212"


def settle(page: Any) -> None:
    """Wait until the page has drawn what was asked for."""
    page.evaluate(
        "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"
    )


def signed(value: float) -> str:
    """A number as the page writes readings."""
    text = f"{abs(value):.1f}"
    return text if float(text) == 0 else ("+" if value > 0 else MINUS) + text


def test_the_page_tells_lighting_ratio_and_contrast_each_by_its_name() -> None:
    """(key + fill) : fill of a key 1.9 stops over its fill is 2^1.9 + 1 = 4.7 : 1; without a fill there is none."""
    report = SimpleNamespace(
        key=SimpleNamespace(light="key", lit_cheek="left cheek"), points=(),
        ratio=LightingRatio("key", "fill", ratio_from_stops(1.9), 1.9, 0.01), contrast=Contrast(2.0, 1.0, 0.02),
    )  # fmt: skip
    alone = SimpleNamespace(**{**vars(report), "ratio": LightingRatio("key", None, None, None, 0.0)})
    rows = rows_of_study()
    for row in rows:
        row |= reading_columns(cast(MeterReport, alone if row["variation"] == 2 else report), {})
    page = page_from_table(table_of(rows), study_record() | {"lights": list(LIGHTS)})
    place = {reading.point: k for k, reading in enumerate(page.readings) if reading.kind == "figure"}
    ratio, contrast = place["lighting ratio, (key + fill) : fill"], place["contrast of the cheeks"]
    assert (page.readings[ratio].unit, page.readings[ratio].digits) == (": 1", 1)
    told = [variation.values[ratio] for variation in page.variations]
    assert told[0] == pytest.approx(4.73, abs=0.01) and told[1] is None
    assert page.variations[0].values[contrast] == pytest.approx(1.0)


# -- from the table to the page ---------------------------------------------------------------------------------------


def test_a_sweeps_folder_becomes_a_page(tmp_path: Path) -> None:
    rows = rows_of_study()
    sweep_folder(tmp_path, rows)
    place = page_from_results(tmp_path)
    assert place == tmp_path / "index.html"
    text = re.search(r'<script type="application/json" id="set">(.*?)</script>', place.read_text("utf-8"), re.S)
    assert text is not None
    held = json.loads(text[1])
    assert len(held["rows"]["id"]) == len(rows) == 36
    names = [(r["kind"], r["point"], r["light"]) for r in held["readings"]]
    assert names[: len(POINTS)] == [("incident", point, "") for point in POINTS]
    assert ("incident", "gown", "halo") in names and names[-1][0] == "figure"
    for k, (_, point, light) in enumerate(names[:-1]):
        wanted = [plain(row.get(f"incident.{point}.{light or 'combined'}")) for row in rows]
        assert held["rows"]["values"][k] == wanted
    # The page ranks as the sweep does; the sweep's own arithmetic is checked against ours on the way.
    assert held["rows"]["score"] == [plain(row.get("score")) for row in rows]
    assert held["rows"]["rank"] == [row.get("rank") for row in rows]
    assert [bool(url) for url in held["rows"]["picture"]] == [row["status"] == "done" for row in rows]
    with opened_page(place, beside=True) as page:
        settle(page)
        assert page.locator("#sheets article").count() == 10
        first = page.locator("#sheets img").first
        assert first.evaluate("node => node.decode().then(() => node.naturalWidth)") == 40


def test_the_base_is_known_by_text_or_by_number() -> None:
    _, page = invented()
    assert [axis.base for axis in page.axes] == [0, 1, None]
    assert [axis.base_text for axis in page.axes] == [BOXES[0], "170 cm", "-1.2 stops"]
    axes = [{key: held for key, held in axis.items() if "base" not in key} for axis in study_record()["axes"]]
    without = study_record(axes=axes)
    assert [axis.base for axis in page_from_table(table_of(rows_of_study()), without).axes] == [None] * 3


def test_statuses_are_told_apart() -> None:
    rows, page = invented()
    for row, variation in zip(rows, page.variations, strict=True):
        assert variation.ok == (row["status"] == "done") and variation.is_waiting == (row["status"] == "waiting")
    assert {v.reason for v in page.variations} == {"", FAILED, NOT_YET}
    assert "36 variations of recital.yaml; 3 failed; 1 not traced yet" in html_from_page(page)


def test_a_page_that_is_not_ours_stays(tmp_path: Path) -> None:
    sweep_folder(tmp_path, rows_of_study())
    own = tmp_path / "index.html"
    own.write_text("<p>my notes</p>", "utf-8")
    with pytest.raises(HalfstopError, match=r"index\.html.*halfstop did not make this; nothing was written"):
        page_from_results(tmp_path)
    assert own.read_text("utf-8") == "<p>my notes</p>"
    own.unlink()
    first = page_from_results(tmp_path).read_bytes()
    assert page_from_results(tmp_path).read_bytes() == first


def test_a_folder_without_a_sweep_is_refused(tmp_path: Path) -> None:
    with pytest.raises(HalfstopError, match="no sweep was made here"):
        page_from_results(tmp_path)


# -- the table --------------------------------------------------------------------------------------------------------


def shown_names(page: Any) -> list[str]:
    """Names in the table, through all of its pages."""
    found: list[str] = []
    while True:
        found += page.eval_on_selector_all("#table-box tbody .link", "nodes => nodes.map(n => n.textContent)")
        after = page.locator("#table-after")
        if not after.count() or after.is_disabled():
            return found
        after.click()


def in_order(page: SweepPage, value: Callable[[PageVariation], Any], down: bool) -> list[str]:
    """Names by a value, those without one last, equal ones in the study's order."""
    # Python keeps equal ones in order, downward too.
    have = sorted((v for v in page.variations if value(v) is not None), key=value, reverse=down)
    return [v.name for v in [*have, *(v for v in page.variations if value(v) is None)]]


FEW = (-3.0, -2.5, -2.0, -1.5, -1.0)


def test_every_column_sorts_as_python_does(tmp_path: Path) -> None:
    _, data = invented(FEW)
    columns: dict[str, Callable[[PageVariation], Any]] = {
        "rank": lambda v: v.rank,
        "score": lambda v: plain(v.score),
        "problems": lambda v: sum(map(bool, v.asks)) if v.ok else None,
        "axis-0": lambda v: v.at[0],
        "axis-1": lambda v: data.axes[1].numbers[v.at[1] or 0],
        "axis-2": lambda v: data.axes[2].numbers[v.at[2] or 0],
    }
    columns |= {f"off-{k}": lambda v, k=k: plain(v.off[k]) for k in range(2)}
    columns |= {f"r{k}": lambda v, k=k: plain(v.values[k]) for k in range(len(POINTS))}
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        assert shown_names(page) == in_order(data, columns["rank"], False)
        for key, value in columns.items():
            head = page.locator(f"#sort-{key}")
            if key == "rank":
                page.click("#sort-id")
            for down, word in ((False, "ascending"), (True, "descending")):
                head.click()
                assert page.locator(f"th:has(#sort-{key})").get_attribute("aria-sort") == word
                assert shown_names(page) == in_order(data, value, down), (key, word)


def test_filters_agree_with_python_everywhere(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        page.click("#filter-open")
        page.select_option("#filter-0", label=f"{BOXES[0]} (base)")
        page.click("#limit-add")
        page.select_option("#limit-0", label="face, off its wish")
        page.fill("#limit-least-0", "-1")
        page.fill("#limit-most-0", "0.2")
        settle(page)
        wanted = [v for v in data.variations if v.ok and v.at[0] == 0 and -1 <= (v.off[0] or 9) <= 0.2]
        assert 0 < len(wanted) < 12
        assert sorted(shown_names(page)) == sorted(v.name for v in wanted)
        assert page.locator("#scatter-chart .marks .mark").count() == len(wanted)
        assert page.text_content("#shown") == f"{len(wanted)} of 36 variations"
        best = min(wanted, key=lambda v: v.rank or math.inf)
        assert page.text_content("#sheets h3 >> nth=0") == best.name
        # Taking a chip away takes its filter away.
        page.click("#chips button >> nth=0")
        settle(page)
        assert len(shown_names(page)) == sum(v.ok and -1 <= (v.off[0] or 9) <= 0.2 for v in data.variations)
        page.click("#filter-clear")
        page.fill("#filter-text", "OCTABOX 2.4 m")
        settle(page)
        assert len(shown_names(page)) == len(FILLS)
        page.fill("#filter-text", "")
        page.select_option("#filter-checks", "clear")
        settle(page)
        assert len(shown_names(page)) == sum(v.ok and not any(v.asks) for v in data.variations)


# -- charts -----------------------------------------------------------------------------------------------------------

MARKS = """() => [...document.querySelectorAll('#scatter-chart .marks .mark')].map(node => {
  const at = node.getScreenCTM(), box = node.getBBox();
  return [Number(node.dataset.row), at.e, at.f, box.x + box.width / 2, box.y + box.height / 2] })"""
TICKS = """(way) => [...document.querySelectorAll('#scatter-chart .tick-' + way)].map(node => {
  const box = node.querySelector('path').getBBox(), at = node.getScreenCTM();
  return [Number(node.dataset.value), way === 'x' ? box.x + at.e : box.y + at.f,
          node.querySelector('text').textContent] })"""


@pytest.mark.parametrize("width", [1280, 390])
def test_marks_stand_where_their_readings_are(tmp_path: Path, width: int) -> None:
    _, data = invented()
    pairs = [("off-0", "off-1", 0, 1), ("r0", "r2", None, None)]
    with opened_page(written(tmp_path, data), width=width, beside=True) as page:
        for key_x, key_y, *_ in pairs:
            page.select_option("#scatter-x", key_x)
            page.select_option("#scatter-y", key_y)
            settle(page)
            marks = page.evaluate(MARKS)
            ticks = {way: page.evaluate(TICKS, way) for way in "xy"}
            assert len(marks) == sum(v.ok for v in data.variations)
            for way, key, column in (("x", key_x, 1), ("y", key_y, 2)):
                # The lettered ticks say where a value belongs; the two outermost fix the scale.
                (low, at_low, _), (high, at_high, _) = ticks[way][0], ticks[way][-1]
                assert all(float(text.replace(MINUS, "-")) == pytest.approx(v, abs=1e-9) for v, _, text in ticks[way])
                kind, k = key.rstrip("0123456789"), int(re.sub(r"\D", "", key))
                for mark in marks:
                    variation = data.variations[mark[0]]
                    value = (variation.off if kind == "off-" else variation.values)[k]
                    assert value is not None
                    expected = at_low + (value - low) / (high - low) * (at_high - at_low)
                    assert abs(mark[column] - expected) <= 0.5
                    assert abs(mark[column + 2]) < 0.05  # the shape lies evenly about its place


def test_marks_in_a_box_are_picked_everywhere(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        page.locator("#scatter-chart svg").scroll_into_view_if_needed()
        marks = page.evaluate(MARKS)
        xs, ys = sorted(m[1] for m in marks), sorted(m[2] for m in marks)
        # A box over all heights around nine marks with the best ranked in their middle.
        best = next(m[1] for m in marks if data.variations[m[0]].rank == 1)
        at = min(max(xs.index(best) - 4, 1), len(xs) - 10)
        left, right = (xs[at - 1] + xs[at]) / 2, (xs[at + 8] + xs[at + 9]) / 2
        page.mouse.move(left, ys[0] - 8)
        page.mouse.down()
        page.mouse.move(right, ys[-1] + 8, steps=3)
        page.mouse.up()
        settle(page)
        inside = {m[0] for m in marks if left <= m[1] <= right}
        assert len(inside) == 9
        assert page.text_content("#tray p") == "9 picked" and page.locator("#tray .strip button").count() == 9
        picked = {int(r) for r in page.eval_on_selector_all("#table-box tr.picked", "n => n.map(r => r.dataset.row)")}
        assert picked == inside
        rings = page.eval_on_selector_all("#scatter-chart .mark.picked", "n => n.map(r => Number(r.dataset.row))")
        assert set(rings) == inside
        laid_out = page.eval_on_selector_all(
            "#pictures td[data-row]", "n => n.map(r => [Number(r.dataset.row), r.classList.contains('picked')])"
        )
        assert any(on for _, on in laid_out) and all(on == (row in inside) for row, on in laid_out)
        page.click("#compare")
        assert page.locator("#dialog thead th img").count() == 9
        page.keyboard.press("Escape")
        assert page.locator("#dialog").is_hidden()
        page.click("#unpick")
        settle(page)
        assert page.locator("#tray").is_hidden() and not page.locator(".picked").count()


def gathered(data: SweepPage, value: Callable[[PageVariation], float | None], by: str, i: int, j: int) -> float | None:
    """What a cell of distance i and box j gathers, in plain Python."""
    cell = [v for v in data.variations if v.ok and v.at[1] == i and v.at[0] == j and value(v) is not None]
    numbers = [value(v) or 0.0 for v in cell]
    if not numbers:
        return None
    best = min(cell, key=lambda v: v.rank or math.inf)
    return {"mean": fmean(numbers), "low": min(numbers), "high": max(numbers), "best": value(best)}[by]


def contrast(one: str, other: str) -> float:
    """Contrast of two `rgb(r, g, b)` colours: WCAG 2.2, "contrast ratio"."""
    light = []
    for text in (one, other):
        rgb = np.array([int(v) for v in re.findall(r"\d+", text)[:3]]) / 255
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        light.append(float(linear @ [0.2126, 0.7152, 0.0722]) + 0.05)
    return max(light) / min(light)


CELLS = """() => [...document.querySelectorAll('#heat-chart .cell')].map(node => ({
  i: Number(node.dataset.i), j: Number(node.dataset.j), text: node.querySelector('text').textContent,
  value: node.dataset.value === undefined ? null : Number(node.dataset.value), told: node.getAttribute('aria-label'),
  ground: getComputedStyle(node.querySelector('rect')).fill,
  ink: getComputedStyle(node.querySelector('text')).fill }))"""


def test_heat_map_cells_gather_as_python_does(tmp_path: Path) -> None:
    _, data = invented()
    shown: dict[str, Callable[[PageVariation], float | None]] = {
        "score": lambda v: v.score, "off-1": lambda v: v.off[1], "r3": lambda v: v.values[3],
    }  # fmt: skip
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        for key, by in itertools.product(shown, ("mean", "best", "low", "high")):
            page.select_option("#heat-key", key)
            page.select_option("#heat-by", by)
            settle(page)
            cells = page.evaluate(CELLS)
            assert len(cells) == len(DISTANCES_M) * len(BOXES)
            for cell in cells:
                wanted = gathered(data, shown[key], by, cell["i"], cell["j"])
                if wanted is None:
                    assert cell["text"] == "failed" and cell["value"] is None
                    continue
                # The page holds thousandths.
                assert cell["value"] == pytest.approx(wanted, abs=0.0006)
                decimals = 2 if key == "score" else 1
                half = 0.5 * 10**-decimals + 0.0006
                assert float(cell["text"].replace(MINUS, "-")) == pytest.approx(wanted, abs=half)
                assert contrast(cell["ground"], cell["ink"]) >= 4.5  # WCAG 2.2, 1.4.3
            told = page.text_content("#heat-told")
            assert f"over every {AXES[2]}" in told
            assert {"mean": "the mean", "best": "best ranked", "low": "lowest", "high": "highest"}[by] in told


def test_keys_alone_walk_and_pick(tmp_path: Path) -> None:
    _, data = invented()
    best = min((v for v in data.variations if v.rank), key=lambda v: v.rank or 0)
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        page.locator("#scatter-chart .plot").focus()
        page.keyboard.press("ArrowRight")
        assert page.text_content("#told").startswith(f"{best.name}: ")
        page.keyboard.press("Space")
        settle(page)
        assert page.text_content("#tray p") == "1 picked"
        before = next(m for m in page.evaluate(MARKS) if data.variations[m[0]].name == best.name)
        page.keyboard.press("ArrowRight")
        after = page.text_content("#told").split(":")[0]
        moved = next(m for m in page.evaluate(MARKS) if data.variations[m[0]].name == after)
        assert moved[1] > before[1]
        page.keyboard.press("Enter")
        assert page.text_content("#dialog-h") == after
        page.keyboard.press("Escape")
        page.locator('#heat-chart .cell[tabindex="0"]').focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        settle(page)
        cell = [v for v in data.variations if v.ok and v.at[0] == 1 and v.at[1] == 1]
        assert page.text_content("#tray p") == f"{len({best.name, *(v.name for v in cell)})} picked"


# -- sheets, pictures, failures ----------------------------------------------------------------------------------------


def test_sheets_tell_what_differs_and_how_far_off(tmp_path: Path) -> None:
    _, data = invented()
    best = sorted((v for v in data.variations if v.rank), key=lambda v: v.rank or 0)[:10]
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        assert page.eval_on_selector_all("#sheets h3", "n => n.map(h => h.textContent)") == [v.name for v in best]
        for index, variation in enumerate(best):
            sheet = page.locator("#sheets article").nth(index)
            told = sheet.text_content()
            for k, axis in enumerate(data.axes):
                text = axis.texts[variation.at[k] or 0]
                differs = f"{text} instead of {axis.base_text}"
                assert (differs in told) == (variation.at[k] != axis.base), (variation.name, axis.label)
            off = variation.off[1] or 0.0
            assert signed(off - 3.0) in told
            words = "met" if abs(off) < 0.05 else f"{abs(off):.1f} {'under' if off < 0 else 'over'}"
            assert words in told
            f_number = 8 * 2 ** ((variation.off[0] or 0) / 2)
            assert f"f/{f_number:.1f}" in told
            assert ("23 % of the outline is weak" in told) == any(variation.asks)
            for reading, value in zip(data.readings, variation.values, strict=True):
                if reading.kind == "incident" and value is not None:
                    assert signed(plain(value) or 0.0) in told


def test_pictures_are_laid_out_by_two_settings(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        lines = page.locator("#pictures-grid tbody tr")
        assert lines.count() == len(DISTANCES_M)
        for i, j in itertools.product(range(len(DISTANCES_M)), range(len(BOXES))):
            cell = lines.nth(i).locator("td").nth(j)
            live = [v for v in data.variations if v.ok and v.at[0] == j and v.at[1] == i]
            if not live:
                assert "all 3 failed" in cell.text_content()
                continue
            assert cell.locator("img").get_attribute("loading") == "lazy"
            assert min(live, key=lambda v: v.rank or math.inf).name in cell.text_content()
        page.select_option("#grid-at-2", "0")
        settle(page)
        wanted = next(v for v in data.variations if v.at == (2, 3, 0))
        assert wanted.name in lines.nth(3).locator("td").nth(2).text_content()
        page.select_option("#grid-down", "")
        settle(page)
        assert lines.count() == 1


def test_failures_are_listed_with_their_reason(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), beside=True) as page:
        settle(page)
        lines = page.locator("#failed-box tbody tr")
        stopped = [v for v in data.variations if not v.ok]
        assert lines.count() == len(stopped) == 4
        for index, variation in enumerate(stopped):
            told = lines.nth(index).text_content()
            assert variation.name in told and variation.reason in told
            assert all(axis.texts[variation.at[k] or 0] in told for k, axis in enumerate(data.axes))
        assert page.text_content("#failed-reasons").startswith(f"3 × {FAILED}")
        assert page.text_content("#failed-h") == "Failed or not traced yet"


HOSTILE = (
    '</script><script>alert(1)</script>', '<img src=x onerror="alert(2)">', "{{script}} {{set}}", "\u2028'\"&lt;`${1}",
    "<!--<script>", "]]>&amp;\\u003c",
)  # fmt: skip


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    _, page_data = invented()
    axes = tuple(
        dataclasses.replace(
            axis, label=f"{axis.label} {HOSTILE[k]}", texts=tuple(f"{text} {HOSTILE[k + 1]}" for text in axis.texts)
        )
        for k, axis in enumerate(page_data.axes)
    )
    odd = "pictures/a b#1?%41<x>'\".png"
    rank_one = next(i for i, v in enumerate(page_data.variations) if v.rank == 1)
    variations = tuple(
        dataclasses.replace(
            v, name=f"{v.name} {HOSTILE[i % 6]}", reason=v.reason and f"{v.reason} {HOSTILE[i % 6]}",
            picture=odd if i == rank_one else v.picture,
        )
        for i, v in enumerate(page_data.variations)
    )  # fmt: skip
    hostile = dataclasses.replace(
        page_data, title=f"Title {HOSTILE[0]}", source=HOSTILE[1], axes=axes, variations=variations,
        ranking=HOSTILE[2], checks=(HOSTILE[0], HOSTILE[1]),
    )  # fmt: skip
    with opened_page(written(tmp_path, hostile), beside=True) as page:
        page.on("dialog", lambda dialog: pytest.fail("a name ran as a script"))
        settle(page)
        assert page.text_content("h1") == f"Title {HOSTILE[0]}"
        assert page.text_content("#best .note") == HOSTILE[2]
        assert sorted(shown_names(page)) == sorted(v.name for v in variations)
        assert axes[1].label in page.text_content("#sort-axis-1")
        assert not page.locator("img[src=x]").count() and page.locator("script").count() == 2
        failed = page.text_content("#failed-box")
        assert all(v.reason in failed for v in variations if not v.ok)
        picture = page.locator("#sheets img").first
        assert picture.evaluate("node => node.decode().then(() => node.naturalWidth)") == 40


# -- ease of use ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [pytest.param(1280, marks=pytest.mark.slow), 390])
def test_page_is_accessible_and_fits(tmp_path: Path, width: int) -> None:
    # WCAG 2.2 A and AA as far as axe-core can tell by itself.
    from axe_playwright_python.sync_playwright import Axe

    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    _, data = invented()

    def faults(page: Any) -> list[str]:
        found = Axe().run(page, options=rules).response["violations"]
        return [f"{v['id']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])})" for v in found]

    with opened_page(written(tmp_path, data), width=width, beside=True) as page:
        settle(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.click("#sheets input >> nth=0")
        page.click("#filter-open")
        page.click("#limit-add")
        page.click("#sheets summary >> nth=0")
        settle(page)
        assert faults(page) == []
        page.click("#sheets .mat button >> nth=1")
        assert faults(page) == []
        page.click("#dialog-close")
        page.click("#compare")
        assert faults(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_printed_page_leaves_the_controls_out(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), beside=True) as page:
        page.click("#sheets input >> nth=0")
        page.emulate_media(media="print")
        settle(page)
        for hidden in ("#bar", "#tray", "nav", "#table-controls"):
            assert page.locator(hidden).is_hidden(), hidden
        assert page.locator("#sheets article").first.is_visible() and page.locator("#heat-chart svg").is_visible()


def test_without_scripts_the_page_says_so(tmp_path: Path) -> None:
    _, data = invented()
    with opened_page(written(tmp_path, data), script=False, beside=True) as page:
        assert page.locator("noscript p").is_visible()
        assert page.text_content("h1") == data.title


def test_two_thousand_variations_stay_light(tmp_path: Path) -> None:
    fills = tuple(round(-8 + 0.05 * i, 2) for i in range(167))
    _, data = invented(fills)
    assert len(data.variations) == 2004
    place = written(tmp_path, data)
    # 24 columns of numbers at 6 to 7 bytes, and the code.
    assert place.stat().st_size < 1_000_000
    with opened_page(place, beside=True) as page:
        # Lay the most pictures out: three boxes, and the fill's 167 powers gathered into ranges.
        page.select_option("#grid-down", "2")
        settle(page)
        assert 3 < page.locator("#pictures-grid tbody tr").count() <= 24
        assert page.locator("#table-box tbody tr").count() == 50
        assert page.locator("#scatter-chart .mark").count() == sum(v.ok for v in data.variations)
        # Only pictures in or near view are fetched, the best ten aside.
        loaded, held = page.evaluate(
            "[[...document.images].filter(i => i.complete && i.naturalWidth).length, document.images.length]"
        )
        assert 10 <= loaded <= held < 100
        # Work of the main thread alone: the machine's load must not decide. Ten times what it takes here.
        session = page.context.new_cdp_session(page)
        session.send("Performance.enable", {"timeDomain": "threadTicks"})
        page.click("#filter-open")

        def busy_s() -> float:
            told = session.send("Performance.getMetrics")["metrics"]
            return next(metric["value"] for metric in told if metric["name"] == "TaskDuration")

        start = busy_s()
        page.click("#sort-score")
        settle(page)
        sorting = busy_s() - start
        start = busy_s()
        page.select_option("#filter-0", "1")
        settle(page)
        filtering = busy_s() - start
    assert sorting < 0.5 and filtering < 1.0, (sorting, filtering)


# -- colours ----------------------------------------------------------------------------------------------------------


def colour_science() -> Any:
    """The library, without its word on what else might be installed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def palette(name: str) -> list[str]:
    found = re.search(rf"const {name} = \[(.*?)\];", (PAGE_FILES / "colours.js").read_text("utf-8"), re.S)
    assert found is not None
    return re.findall(r"#[0-9a-f]{6}", found[1])


def test_hues_stay_apart_in_every_colour_blindness() -> None:
    # Machado, Oliveira and Fernandes 2009, full severity, and CIEDE2000 by colour-science.
    colour = colour_science()
    kinds = (None, "Protanomaly", "Deuteranomaly", "Tritanomaly")
    hues = np.array([[int(h[i : i + 2], 16) for i in (1, 3, 5)] for h in palette("HUES")]) / 255
    linear = colour.cctf_decoding(hues, "sRGB")
    for kind in kinds:
        with warnings.catch_warnings():
            # The library warns that tritanopia is approximate.
            warnings.simplefilter("ignore")
            seen = linear if kind is None else linear @ colour.blindness.matrix_cvd_Machado2009(kind, 1.0).T
        lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(np.clip(seen, 0, 1), "sRGB"))
        for one, other in itertools.combinations(lab, 2):
            # 20 is far beyond a just noticeable difference, about 1; common practice, no source.
            assert colour.delta_E(one, other, method="CIE 2000") > 20
    # Marks against white: WCAG 2.2, 1.4.11.
    assert all(contrast("rgb(255,255,255)", f"rgb({','.join(str(int(h[i:i+2], 16)) for i in (1, 3, 5))})") >= 3
               for h in palette("HUES"))  # fmt: skip


def test_ramps_go_by_lightness_alone() -> None:
    # Amounts must read in grey and in print.
    colour = colour_science()
    for name in ("RAMP", "UNDER", "OVER"):
        rgb = np.array([[int(h[i : i + 2], 16) for i in (1, 3, 5)] for h in palette(name)]) / 255
        lightness = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb))[:, 0]
        assert (np.diff(lightness) < -12).all()
    assert palette("UNDER")[0] == palette("OVER")[0]
    assert len(LIGHTS) == 3
