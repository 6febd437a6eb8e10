"""Text beyond the shipped typefaces: fonts of the machine, right-to-left order, boxes for what has no font."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from reportlab.pdfgen.canvas import Canvas

from sim.cli import app
from sim.light.mix import mix_from_scene
from sim.reports.fonts import catalogue, missing, runs
from sim.reports.fonts.catalogue import FontFile
from sim.reports.fonts.order import in_drawn_order, levels
from sim.reports.plan import plan_from_scene, type
from sim.reports.plan.pdf import pdf_from_plan
from sim.reports.sheets import lettering
from sim.scene.read import load_scene
from sim.studio.layout import layout_from_scene

SCENE = Path(__file__).parents[2] / "scenes" / "classic_two.yaml"
HEBREW, ARABIC = "\u05e9\u05dc\u05d5\u05dd", "\u0645\u0631\u062d\u0628\u0627"
TEXTS = ("Привет", "Ελλάδα", "中文标题", "日本語の題", HEBREW, ARABIC, "😀", "−2")
WHITE = (255, 255, 255)


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    def forget() -> None:
        for kept in (catalogue.font_files, catalogue._ranked, lettering._runs, type._runs):
            kept.cache_clear()
        missing.take_line()

    forget()
    yield
    forget()


@pytest.fixture
def no_fonts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(catalogue, "font_files", _cached(()))


@pytest.fixture
def hebrew_font(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FontFile:
    """A font that says that it has Hebrew: the shipped one, whose sign for a missing letter takes its place."""
    shipped = ImageFont.load_default(20)
    assert isinstance(shipped, ImageFont.FreeTypeFont) and isinstance(shipped.path, io.BytesIO)
    path = tmp_path / "hebrew.ttf"
    path.write_bytes(shipped.path.getvalue())
    font = FontFile(str(path), 0, "Hebrew", "Regular", "20 5d0-5ea")
    monkeypatch.setattr(catalogue, "font_files", _cached((font,)))
    return font


def _cached(fonts: tuple[FontFile, ...]) -> object:
    def font_files() -> tuple[FontFile, ...]:
        return fonts

    font_files.cache_clear = lambda: None  # type: ignore[attr-defined]
    return font_files


def ink_of(text: str, size_px: int = 32) -> np.ndarray:
    """A line drawn white on black, (60, 700) uint8."""
    image = Image.new("RGB", (700, 60))
    lettering.write(ImageDraw.Draw(image), 10, 45, text, size_px, WHITE)
    return np.asarray(image)[..., 0]


@pytest.mark.parametrize(
    ("text", "drawn"),
    [
        ("ab cd", "ab cd"),
        ("אב גד", "דג בא"),
        ("key אב גד (12) end", "key )12( דג בא end"),
        ("אב (key) גד", "דג )key( בא"),
        ("key (אב) 2", "key (בא) 2"),
        ("אב 12:30 גד", "דג 12:30 בא"),
        ("אב, key 2", "key 2 ,בא"),
        ("a אב!", "a בא!"),
        ("אב!", "!בא"),
        ("\u0627\u0628 \u0661\u0662", "\u0661\u0662 \u0628\u0627"),
        ("אב 5% גד", "דג 5% בא"),
    ],
)
def test_mixed_directions_stand_in_the_order_of_the_standard(text: str, drawn: str) -> None:
    assert "".join(in_drawn_order(text, levels(text))) == drawn


def test_stretches_are_ordered_and_keep_their_reading_order(hebrew_font: FontFile) -> None:
    line = runs.runs_from_text("key אב גד (דה) 12", str.isascii)
    # The number between the words and the line's end stands left of them; brackets are mirrored.
    assert [(run.drawn if run.font is None else run.text, run.leftward) for run in line] == [
        ("key ", False), ("12", False), (" (", True), ("דה", True), (")", True), ("אב גד ", True),
    ]  # fmt: skip


def test_a_line_cut_after_its_first_right_to_left_word_ends_further_left(hebrew_font: FontFile) -> None:
    # In a line that runs to the left the first word stands at its right end: what follows moves it to the right.
    alone, both = ink_of("אבג"), ink_of("אבג key")
    right = [int(np.flatnonzero(ink.any(axis=0))[-1]) for ink in (alone, both)]
    moved = right[1] - right[0]
    assert moved > 40
    from_left = np.flatnonzero(alone.any(axis=0))[0]
    width = right[0] - from_left + 1
    first_word = both[:, right[1] - width + 1 : right[1] + 1]
    assert abs(float(first_word.mean()) - float(alone[:, from_left : right[0] + 1].mean())) < 2.0


def test_missing_signs_are_boxes_and_named_once(no_fonts: None, capfd: pytest.CaptureFixture[str]) -> None:
    ink = ink_of("日日 本")
    line = missing.take_line()
    assert line is not None and line.count("日") == 1 and "U+65E5" in line and "U+672C" in line
    assert "fonts-noto-cjk" in line and "\n" not in line and missing.take_line() is None
    # Every box is the same, and not the shipped typeface's question mark.
    assert ink.any() and not np.array_equal(ink, ink_of("?? ?"))
    columns = np.flatnonzero(ink.any(axis=0))
    assert len(columns) > 3 * 10


def test_the_command_line_names_missing_signs_in_one_line(no_fonts: None, capfd: pytest.CaptureFixture[str]) -> None:
    missing.note("日")
    assert app.run(["--version"]) == 0
    assert capfd.readouterr().err.splitlines() == [
        "halfstop: no font on this machine has 日 (U+65E5), drawn as a box; "
        "install one, on Debian fonts-noto-core or fonts-noto-cjk"
    ]


def test_without_fonts_signs_become_plain(no_fonts: None) -> None:
    def drawn(text: str) -> str:
        return "".join(run.drawn for run in lettering._runs(text))

    assert drawn("−2 × 90°, Größe, Dvořák, 日") == "-2 x 90°, Grosse, Dvorak, 日"
    assert "".join(run.drawn for run in type._runs("Łódź −2′ é", False)) == "Lódz -2' é"


@pytest.mark.parametrize("text", TEXTS)
def test_no_sign_becomes_a_question_mark(text: str) -> None:
    for line in (lettering._runs(text), type._runs(text, False), type._runs(text, True)):
        assert "?" not in "".join(run.text for run in line)
        assert sorted("".join(run.text for run in line)) == sorted(text) or text == "−2"


@pytest.mark.parametrize("text", TEXTS)
def test_a_font_of_the_machine_draws_what_it_holds(text: str) -> None:
    if catalogue.font_for(frozenset(text)) is None:
        pytest.skip(f"no font on this machine has {text}")
    assert not any(run.boxed for run in lettering._runs(text))
    assert any(run.font for run in lettering._runs(text))
    ink = ink_of(text)
    assert ink.any() and np.array_equal(ink, ink_of(text)) and missing.take_line() is None


def test_the_shipped_typeface_comes_first() -> None:
    assert [run.font for run in lettering._runs("key, 100 x 140 cm")] == [None]
    assert [run.font for run in type._runs("café · 1/60 s", False)] == [None]


def test_fonts_are_found_without_fontconfig(monkeypatch: pytest.MonkeyPatch, hebrew_font: FontFile) -> None:
    monkeypatch.undo()
    folder = str(Path(hebrew_font.path).parent)
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(catalogue, "_FOLDERS", {})
    monkeypatch.setattr(catalogue, "_FOLDERS_ELSEWHERE", (folder,))
    fonts = catalogue.font_files()
    assert [font.path for font in fonts] == [hebrew_font.path]
    assert fonts[0].has("a") and not fonts[0].has("\u05d0")


@pytest.mark.parametrize("title", ["Портрет −1", f"{HEBREW} key", "中文标题 <b>", "😀 & \ue000"])
def test_the_plan_holds_a_title_of_any_script(title: str) -> None:
    scene = load_scene(SCENE)
    layout = layout_from_scene(scene, SCENE.parent)
    plan = plan_from_scene(scene, layout, mix_from_scene(scene, layout))
    data = pdf_from_plan(replace(plan, title=title))
    assert data == pdf_from_plan(replace(plan, title=title))
    # The document's own title holds the real characters, in UTF-16.
    assert _title_of(data) == f"{title}: rig plan"


def _title_of(data: bytes) -> str:
    raw = data.split(b"/Title (", 1)[1].split(b" /Trapped", 1)[0].rsplit(b")", 1)[0]
    plain, place = bytearray(), 0
    escapes = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}
    while place < len(raw):
        if raw[place : place + 1] != b"\\":
            plain += raw[place : place + 1]
            place += 1
        elif raw[place + 1 : place + 4].isdigit():
            plain.append(int(raw[place + 1 : place + 4], 8))
            place += 4
        else:
            plain += escapes.get(raw[place + 1 : place + 2], raw[place + 1 : place + 2])
            place += 2
    return plain.decode("utf-16")


def test_a_line_of_ascii_is_drawn_as_the_page_maker_draws_it() -> None:
    pages = []
    for ours in (True, False):
        stream = io.BytesIO()
        canvas = Canvas(stream, invariant=1, pageCompression=0)
        if ours:
            type.draw_line(canvas, 100, 50, "key, 2 stops", 9, (0, 0, 0), align=0.5)
        else:
            canvas.setFont("Helvetica", 9)
            canvas.drawCentredString(100, 50, "key, 2 stops")
        canvas.save()
        pages.append(stream.getvalue())
    assert pages[0] == pages[1]


def test_long_lines_wrap_within_the_room() -> None:
    for text in ("中文标题" * 20, f"{HEBREW} " * 20, "Привет −1 " * 20):
        lines = type.lines_from_text(text, 17, 200)
        assert len(lines) > 1 and all(type.line_width(line, 17) <= 200 for line in lines)
