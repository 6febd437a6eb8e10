"""A line of text as stretches of one typeface and one direction, from left to right as they are drawn."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby

from sim.reports.fonts.catalogue import FontFile, font_for
from sim.reports.fonts.order import clusters, in_drawn_order, is_attached, levels, turned

# What stands in for a sign that neither the shipped typeface nor a font of this machine has.
_STAND_INS = str.maketrans({
    "×": "x", "−": "-", "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "²": "2", "½": "1/2", "′": "'",
    "ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ł": "l", "Ł": "L", "đ": "d",
})  # fmt: skip

# Width and height of the box for a sign without a font, of the type size, and what it takes of the line.
BOX_WIDTH, BOX_HEIGHT, BOX_ADVANCE = 0.5, 0.7, 0.62


@dataclass(frozen=True)
class Run:
    """A stretch of text in reading order; `font` None is the shipped typeface, `boxed` no typeface at all."""

    text: str
    font: FontFile | None = None
    boxed: bool = False
    leftward: bool = False

    @property
    def drawn(self) -> str:
        """The signs from left to right, for a typeface that needs no shaping."""
        return turned(self.text) if self.leftward else self.text


def runs_from_text(text: str, has: Callable[[str], bool], bold: bool = False) -> tuple[Run, ...]:
    """The stretches of a line, from left to right.

    Arguments: `has` tells whether the shipped typeface holds a character; it is asked first, then the fonts of this
    machine, then the stand-ins; a sign that none holds becomes a stretch that is `boxed`.

    >>> runs_from_text("key", str.isascii)
    (Run(text='key', font=None, boxed=False, leftward=False),)
    """
    line = unicodedata.normalize("NFC", text)
    if all(map(has, line)):
        # Right-to-left order needs letters that the shipped typefaces lack.
        return (Run(line),)
    pieces, faces = _pieces_and_faces(line, has, bold)
    of_char = levels("".join(pieces))
    starts = [0]
    for piece in pieces:
        starts.append(starts[-1] + len(piece))
    marked = [(of_char[start], face, piece) for piece, face, start in zip(pieces, faces, starts, strict=False)]
    runs: list[Run] = []
    run_levels: list[int] = []
    for (level, (font, boxed)), group in groupby(marked, key=lambda item: (item[0], item[1])):
        runs.append(Run("".join(piece for _, _, piece in group), font, boxed, level % 2 == 1))
        run_levels.append(level)
    return tuple(in_drawn_order(runs, run_levels))


_Face = tuple[FontFile | None, bool]


def _pieces_and_faces(line: str, has: Callable[[str], bool], bold: bool) -> tuple[list[str], list[_Face]]:
    language = _east_asian(line)
    pieces: list[str] = []
    faces: list[_Face] = []
    for is_space, group in groupby(clusters(line), key=str.isspace):
        word = list(group)
        if is_space:
            # A space goes with the word before it, so that a phrase stays one stretch.
            pieces += word
            faces += [faces[-1] if faces and not faces[-1][1] else (None, False)] * len(word)
            continue
        whole = _font_of_word(word, has, bold, language)
        for piece in word:
            shown, face = (piece, (whole, False)) if whole else _shown(piece, has, bold, language)
            pieces.append(shown)
            faces.append(face)
    return pieces, faces


def _font_of_word(word: list[str], has: Callable[[str], bool], bold: bool, language: str) -> FontFile | None:
    """One font for a word with a letter that the shipped typeface lacks, so that its letters match."""
    if not any(piece[0].isalpha() and not _holds(has, piece) for piece in word):
        return None
    return font_for(_needed("".join(word)), bold, language)


def _shown(piece: str, has: Callable[[str], bool], bold: bool, language: str) -> tuple[str, _Face]:
    if _holds(has, piece):
        return piece, (None, False)
    font = font_for(_needed(piece), bold, language) or font_for(frozenset(piece[0]), bold, language)
    if font:
        return piece, (font, False)
    plain = "".join(c for c in unicodedata.normalize("NFKD", piece.translate(_STAND_INS)) if not is_attached(c))
    plain = plain.translate(_STAND_INS)
    if plain and all(map(has, plain)):
        return plain, (None, False)
    return piece, (None, True)


def _holds(has: Callable[[str], bool], piece: str) -> bool:
    return all(map(has, _needed(piece)))


@lru_cache(maxsize=4096)
def _needed(text: str) -> frozenset[str]:
    """The characters that must be drawn: all but joiners, direction marks and selectors."""
    drawn = frozenset(c for c in text if unicodedata.category(c) != "Cf" and not 0xFE00 <= ord(c) <= 0xFE0F)
    return drawn or frozenset(text[:1])


def _east_asian(line: str) -> str:
    if any("\u3040" <= char <= "\u30ff" for char in line):
        return "JP"
    return "KR" if any("\uac00" <= char <= "\ud7a3" for char in line) else "SC"
