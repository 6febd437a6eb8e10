"""The font files of this machine, the best for running text first, and the characters that each one holds."""

from __future__ import annotations

import os
import subprocess
import sys
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from PIL import ImageFont

LIMIT_S = 10.0
MOST_FILES = 4000
_SUFFIXES = (".ttf", ".otf", ".ttc", ".otc")
_FORMAT = r"%{file}\t%{index}\t%{family[0]}\t%{style[0]}\t%{charset}\n"
# Families to ask first, plain sans serifs; a family not named comes after them, serifs and narrow ones last.
_FIRST = ("Noto Sans", "DejaVu Sans", "Liberation Sans", "Arimo", "FreeSans", "Noto Sans CJK", "Noto Sans")
_LATE = ("serif", "mono", "condensed", "italic", "oblique", "light", "thin", "black", "nastaliq", "display", "symbols")
# Where fonts lie on systems without fontconfig.
_FOLDERS = {
    "darwin": ("/System/Library/Fonts", "/Library/Fonts", "~/Library/Fonts"),
    "win32": (r"C:\Windows\Fonts", r"~\AppData\Local\Microsoft\Windows\Fonts"),
}
_FOLDERS_ELSEWHERE = ("/usr/share/fonts", "/usr/local/share/fonts", "~/.fonts", "~/.local/share/fonts")


@dataclass(frozen=True)
class FontFile:
    """One typeface in a file; `charset` lists its characters as hexadecimal ranges, empty where it must be asked."""

    path: str
    index: int
    family: str
    style: str
    charset: str = ""

    def has(self, char: str) -> bool:
        """Whether the typeface holds a character."""
        return _in_charset(self.charset, ord(char)) if self.charset else _drawn_unlike_missing(self, char)


def font_for(signs: frozenset[str], bold: bool = False, language: str = "") -> FontFile | None:
    """The first typeface that holds all these characters; None where there is none.

    Arguments: `language` is the mark in the names of East Asian families to be preferred: JP, KR or SC.
    """
    return next((font for font in _ranked(bold, language) if all(font.has(sign) for sign in signs)), None)


@cache
def font_files() -> tuple[FontFile, ...]:
    """Every typeface of this machine: by fontconfig, or from the usual folders where that is not installed."""
    try:
        done = subprocess.run(
            ["fc-list", "--format", _FORMAT], stdin=subprocess.DEVNULL, capture_output=True, timeout=LIMIT_S, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return _from_folders()
    fonts: list[FontFile] = []
    for line in done.stdout.decode("utf-8", "ignore").splitlines():
        path, index, family, style, charset = [*line.split("\t"), "", "", "", "", ""][:5]
        # High bits of the index name an instance of a variable font: the file's own form is enough.
        if path.lower().endswith(_SUFFIXES) and index.isdigit() and int(index) < 1 << 16 and charset:
            fonts.append(FontFile(path, int(index), family, style, charset))
    return tuple(fonts)


@cache
def _ranked(bold: bool, language: str) -> tuple[FontFile, ...]:
    wanted = ("bold",) if bold else ("regular", "book", "normal", "")

    def rank(font: FontFile) -> tuple[int, bool, int, bool, str, int]:
        name = f"{font.family} {font.style}".lower()
        late = sum(word in name for word in _LATE)
        place = next((k for k, family in enumerate(_FIRST) if font.family == family), len(_FIRST))
        return late, font.style.lower() not in wanted, place, language not in font.family, font.path, font.index

    return tuple(sorted(font_files(), key=rank))


@cache
def _ranges(charset: str) -> tuple[list[int], list[int]]:
    ends = [part.partition("-")[::2] for part in charset.split()]
    pairs = sorted((int(first, 16), int(last or first, 16)) for first, last in ends)
    return [first for first, _ in pairs], [last for _, last in pairs]


def _in_charset(charset: str, code: int) -> bool:
    firsts, lasts = _ranges(charset)
    place = bisect_right(firsts, code) - 1
    return place >= 0 and code <= lasts[place]


def _from_folders() -> tuple[FontFile, ...]:
    fonts: list[FontFile] = []
    for folder in _FOLDERS.get(sys.platform, _FOLDERS_ELSEWHERE):
        for place, folders, names in os.walk(Path(folder).expanduser()):
            folders.sort()
            for name in sorted(names):
                if name.lower().endswith(_SUFFIXES) and len(fonts) < MOST_FILES:
                    fonts += _from_file(str(Path(place, name)))
    return tuple(fonts)


def _from_file(path: str) -> list[FontFile]:
    try:
        family, style = ImageFont.truetype(path, 32).getname()
    except (OSError, ValueError):
        return []
    return [FontFile(path, 0, family or "", style or "")]


@cache
def _drawn_unlike_missing(font: FontFile, char: str) -> bool:
    try:
        face = ImageFont.truetype(font.path, 32, font.index)
    except (OSError, ValueError):
        return False
    return bytes(face.getmask(char)) != bytes(face.getmask("\uffff"))
