"""Text on a page in the typeface that the imaging library carries, the same on every machine."""

from __future__ import annotations

import unicodedata
from functools import cache

from PIL import ImageDraw, ImageFont

Color = tuple[int, int, int]

# Stand-ins for signs that photographers use and the typeface lacks.
_PLAIN = str.maketrans({
    "×": "x", "−": "-", "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "²": "2", "½": "1/2",
    "ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ł": "l", "Ł": "L", "đ": "d",
})  # fmt: skip


@cache
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """The typeface at a size in pixels."""
    face = ImageFont.load_default(size_px)
    if not isinstance(face, ImageFont.FreeTypeFont):
        raise RuntimeError("the imaging library was built without scalable type")
    return face


def drawable(text: str) -> str:
    """The text in signs that the typeface has: accents go where need be, and what is left becomes "?".

    >>> drawable("100 × 140 cm · café")
    '100 x 140 cm · cafe'
    """
    signs = []
    for sign in " ".join(text.split()).translate(_PLAIN):
        if _has(sign):
            signs.append(sign)
            continue
        base = "".join(c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c))
        signs.append("".join(c if _has(c) else "?" for c in base))
    return "".join(signs)


def width_px(text: str, size_px: int) -> float:
    """Width of a line of text."""
    return font(size_px).getlength(drawable(text))


def fitted(text: str, size_px: int, room_px: float) -> str:
    """The text, cut with three dots where it is wider than the room."""
    plain = drawable(text)
    if width_px(plain, size_px) <= room_px:
        return plain
    while plain and width_px(f"{plain}...", size_px) > room_px:
        plain = plain[:-1].rstrip(" ,·")
    return f"{plain}..."


def wrapped(text: str, size_px: int, room_px: float, most_lines: int = 2) -> list[str]:
    """The text in lines that fit the room; the last one is cut if there are too many."""
    lines = [""]
    for word in drawable(text).split(" "):
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
    anchor = {"left": "ls", "right": "rs", "middle": "ms"}[align]
    draw.text((x, y), drawable(text), font=font(size_px), fill=ink, anchor=anchor)


@cache
def _has(sign: str) -> bool:
    if sign == " ":
        return True
    face = font(32)
    return bytes(face.getmask(sign)) != bytes(face.getmask("\uffff"))
