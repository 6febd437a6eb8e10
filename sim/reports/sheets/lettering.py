"""Text on a page in the typeface that the imaging library carries; what it lacks comes from this machine's fonts."""

from __future__ import annotations

from functools import cache, lru_cache

from PIL import Image, ImageDraw, ImageFont

from sim.reports.fonts import missing
from sim.reports.fonts.order import clusters
from sim.reports.fonts.picture import Color, picture_from_run, run_width_px
from sim.reports.fonts.runs import BOX_ADVANCE, BOX_HEIGHT, BOX_WIDTH, Run, runs_from_text

__all__ = ["Color", "fitted", "font", "plain_spaces", "width_px", "wrapped", "write"]


@cache
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """The typeface at a size in pixels."""
    face = ImageFont.load_default(size_px)
    if not isinstance(face, ImageFont.FreeTypeFont):
        raise RuntimeError("the imaging library was built without scalable type")
    return face


def plain_spaces(text: str) -> str:
    """The text with one space between words and none around it."""
    return " ".join(text.split())


def width_px(text: str, size_px: int) -> float:
    """Width of a line of text."""
    return sum(_run_width_px(run, size_px) for run in _runs(text))


def fitted(text: str, size_px: int, room_px: float) -> str:
    """The text, cut with three dots where it is wider than the room."""
    plain = plain_spaces(text)
    if width_px(plain, size_px) <= room_px:
        return plain
    while plain and width_px(f"{plain}...", size_px) > room_px:
        plain = "".join(clusters(plain)[:-1]).rstrip(" ,·")
    return f"{plain}..."


def wrapped(text: str, size_px: int, room_px: float, most_lines: int = 2) -> list[str]:
    """The text in lines that fit the room; the last one is cut if there are too many."""
    lines = [""]
    for word in plain_spaces(text).split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and width_px(longer, size_px) > room_px and len(lines) < most_lines:
            lines.append(word)
        else:
            lines[-1] = longer
    return [fitted(line, size_px, room_px) for line in lines]


def write(
    draw: ImageDraw.ImageDraw, x: float, y: float, text: str, size_px: int, ink: Color, align: str = "left"
) -> None:
    """Write one line with its baseline at `y`; `align` says what `x` is: left, right or middle of the text."""
    runs = _runs(text)
    if len(runs) == 1 and not runs[0].boxed and runs[0].font is None:
        anchor = {"left": "ls", "right": "rs", "middle": "ms"}[align]
        draw.text((x, y), runs[0].drawn, font=font(size_px), fill=ink, anchor=anchor)
        return
    left = x - {"left": 0.0, "right": 1.0, "middle": 0.5}[align] * width_px(text, size_px)
    for run in runs:
        _write_run(draw, left, y, run, size_px, ink)
        left += _run_width_px(run, size_px)


def _write_run(draw: ImageDraw.ImageDraw, x: float, y: float, run: Run, size_px: int, ink: Color) -> None:
    if run.boxed:
        for index, sign in enumerate(clusters(run.text)):
            missing.note(sign)
            left = round(x + (index * BOX_ADVANCE + 0.5 * (BOX_ADVANCE - BOX_WIDTH)) * size_px)
            box = (left, round(y - BOX_HEIGHT * size_px), left + round(BOX_WIDTH * size_px), round(y))
            draw.rectangle(box, outline=ink)
    elif run.font is None:
        draw.text((x, y), run.drawn, font=font(size_px), fill=ink, anchor="ls")
    else:
        picture, left, top = picture_from_run(run, size_px, ink)
        page: Image.Image = draw._image
        page.paste(picture, (round(x) + left, round(y) + top), picture)


def _run_width_px(run: Run, size_px: int) -> float:
    if run.boxed:
        return BOX_ADVANCE * size_px * len(clusters(run.text))
    return font(size_px).getlength(run.drawn) if run.font is None else run_width_px(run, size_px)


@lru_cache(maxsize=4096)
def _runs(text: str) -> tuple[Run, ...]:
    return runs_from_text(plain_spaces(text), _has)


@cache
def _has(sign: str) -> bool:
    if sign == " ":
        return True
    face = font(32)
    return bytes(face.getmask(sign)) != bytes(face.getmask("\uffff"))
