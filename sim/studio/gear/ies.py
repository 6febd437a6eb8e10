"""Read IES photometric files: ANSI/IES LM-63 in its 1986, 1991, 1995, 2002 and 2019 forms, type C.

Does not: read type A or B photometry, tilt factors kept in a second file, or apply tilt factors of the first.
Source: [IESLM63:2019]; files written by its rules and read back in the tests.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.quantities.errors import SceneError, quoted
from sim.quantities.open_file import UnreadableFile, bytes_from_file
from sim.quantities.units import FOOT_M

FloatArray = NDArray[np.float64]

LARGEST_FILE_BYTES = 8_000_000
MOST_ANGLES = 4000
MOST_CANDELAS = 1_000_000
# Lines before TILT=; the standard's keywords take a few dozen.
MOST_KEYWORD_LINES = 20_000
# The widest modifier that a scene takes.
WIDEST_OPENING_M = 5.0
LEAST_CANDELA, LEAST_LUMENS = 1e-6, 1e-9
# Angles closer than this tell nothing of a lamp, and their differences divide.
LEAST_STEP_DEG = 0.001
_FORMS = {
    "IESNA91": "1991",
    "IESNA:LM-63-1995": "1995",
    "IESNA:LM-63-2002": "2002",
    "IES:LM-63-2019": "2019",
    "IESNA:LM-63-2019": "2019",
}
_NUMBER = re.compile(r"[^\s,]+")


@dataclass(frozen=True, eq=False)
class PhotometricFile:
    """One luminaire's intensity distribution, multipliers applied.

    vertical_deg (v,) rising, 0 is the luminaire's axis; horizontal_deg (h,) rising from the 0 plane, as in the file;
    candela (h, v). width_m across the 0 plane, length_m along it, height_m; negative sizes mean a round opening.
    """

    form: str
    keywords: dict[str, str]
    vertical_deg: FloatArray
    horizontal_deg: FloatArray
    candela: FloatArray
    lamp_lumens: float
    input_W: float
    width_m: float
    length_m: float
    height_m: float
    tilt: tuple[tuple[float, float], ...] = field(default=())


def read_ies(path: str | Path) -> PhotometricFile:
    """Read a photometric file, or raise `SceneError` with the file's own line.

    Args: path of a file of at most 8 MB.
    """
    name = Path(path).name
    try:
        data = bytes_from_file(path, LARGEST_FILE_BYTES)
    except UnreadableFile as fault:
        cure = "put it beside the scene file and check its name"
        raise SceneError(name, 1, "", f"cannot be read ({fault.why})", "a photometric file", cure) from None
    return parse_ies(data.decode("latin-1"), name)


class _Numbers:
    """The numbers after the TILT line, handed out in order, each with its line for messages."""

    def __init__(self, name: str, lines: list[str], first: int) -> None:
        self.name = name
        self.tokens: list[tuple[str, int]] = [
            (m.group(), i + 1) for i in range(first, len(lines)) for m in _NUMBER.finditer(lines[i])
        ]
        self.at = 0
        self.last_line = max(1, len(lines))

    def fault(self, what: str, expected: str, cure: str = "", back: int = 1) -> SceneError:
        """Return the error that points at the number handed out `back` numbers ago."""
        index = self.at - back
        line = self.tokens[index][1] if 0 <= index < len(self.tokens) else self.last_line
        return SceneError(self.name, line, "", what, expected, cure)

    def take(self, meaning: str) -> float:
        """Hand out the next number, which means `meaning`."""
        if self.at >= len(self.tokens):
            raise SceneError(
                self.name,
                self.last_line,
                "",
                "the file ends too early",
                meaning,
                "get a complete copy of the file",
            )
        text, line = self.tokens[self.at]
        self.at += 1
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in text:
            raise SceneError(
                self.name,
                line,
                "",
                f"got {quoted(text)}",
                f"a number: {meaning}",
                "get an undamaged copy of the file",
            )
        return value

    def count(self, meaning: str, most: int, least: int = 1) -> int:
        """Hand out a whole number between limits."""
        value = self.take(meaning)
        if value != int(value) or not least <= value <= most:
            raise self.fault(f"got {value:g}", f"{meaning}: a whole number from {least} to {most}")
        return int(value)

    def many(self, count: int, meaning: str) -> FloatArray:
        """Hand out `count` numbers."""
        if len(self.tokens) - self.at < count:
            raise SceneError(
                self.name,
                self.last_line,
                "",
                f"the file ends after {len(self.tokens) - self.at} of {count} values",
                meaning,
                "get a complete copy of the file",
            )
        return np.array([self.take(meaning) for _ in range(count)])


def parse_ies(text: str, name: str = "photometric file") -> PhotometricFile:
    """Parse the text of a photometric file, or raise `SceneError` naming `name` and the line.

    >>> lamp = "IESNA:LM-63-2002 [TEST] none [MANUFAC] none TILT=NONE 1 -1 1 3 1 1 2 0 0 0 1 1 50 0 45 90 0 100 80 0"
    >>> lines = lamp.replace(" [", chr(10) + "[").replace(" TILT=NONE ", chr(10) + "TILT=NONE" + chr(10))
    >>> round(float(parse_ies(lines).candela.max()), 1)
    100.0
    """
    lines = text.splitlines()
    if not text.strip():
        raise SceneError(name, 1, "", "the file is empty", "a photometric file", "get a complete copy of the file")
    form = _form(lines[0], name)
    keywords, tilt_at, tilt_word = _keywords(lines, name)
    numbers = _Numbers(name, lines, tilt_at + 1)
    tilt: tuple[tuple[float, float], ...] = ()
    if tilt_word.upper() == "INCLUDE":
        tilt = _tilt_factors(numbers)
    elif tilt_word.upper() != "NONE":
        what, cure = f"got TILT={quoted(tilt_word)}", "put the tilt factors into this file, or write TILT=NONE"
        raise SceneError(name, tilt_at + 1, "", what, "TILT=NONE or TILT=INCLUDE", cure)
    return _photometry(numbers, form, keywords, tilt)


def _form(line: str, name: str) -> str:
    """Tell the form of the standard, a year, by the file's first line."""
    first = line.strip().lstrip("\ufeff").removeprefix("ï»¿")
    form = _FORMS.get(first.upper(), "1986")
    if form == "1986" and first.upper().startswith(("IES:", "IESNA:")):
        expected, cure = "IES LM-63 of 1986, 1991, 1995, 2002 or 2019", "export the file in one of these forms"
        raise SceneError(name, 1, "", f"got the form {quoted(first)}", expected, cure)
    return form


def _keywords(lines: list[str], name: str) -> tuple[dict[str, str], int, str]:
    """Read the keywords up to the TILT line; return them, that line's index and its word."""
    texts: dict[str, list[str]] = {}
    for i, line in enumerate(lines[: MOST_KEYWORD_LINES + 1]):
        plain = line.strip()
        tilt = re.fullmatch(r"TILT\s*=\s*(.*)", plain, re.IGNORECASE)
        if tilt:
            return {key: " ".join(parts) for key, parts in texts.items()}, i, tilt.group(1).strip()
        label = re.match(r"\[([^\]]{1,40})\]\s*(.*)", plain)
        if label:
            key = label.group(1).upper()
            if key == "MORE" and texts:
                # Continue the last keyword.
                texts[next(reversed(texts))].append(label.group(2))
            else:
                texts[key] = [label.group(2)]
    if len(lines) > MOST_KEYWORD_LINES:
        what, cure = f"no line of the first {MOST_KEYWORD_LINES} starts with TILT=", "remove keyword lines"
        raise SceneError(name, 1, "", what, "an IES LM-63 photometric file", cure)
    what, cure = "no line starts with TILT=", "check that this is a .ies file"
    raise SceneError(name, 1, "", what, "an IES LM-63 photometric file", cure)


def _tilt_factors(numbers: _Numbers) -> tuple[tuple[float, float], ...]:
    """Read lamp geometry, angles and factors of TILT=INCLUDE."""
    numbers.count("the lamp-to-luminaire geometry", 3)
    pairs = numbers.count("the number of tilt angles", MOST_ANGLES)
    angles = numbers.many(pairs, "tilt angles in degrees")
    factors = numbers.many(pairs, "tilt factors")
    return tuple(zip(angles.tolist(), factors.tolist(), strict=True))


def _photometry(
    numbers: _Numbers, form: str, keywords: dict[str, str], tilt: tuple[tuple[float, float], ...]
) -> PhotometricFile:
    """Read the thirteen numbers, the angles and the candelas, and apply the multipliers."""
    lamps = numbers.count("the number of lamps", 10_000)
    lumens = numbers.take("lumens per lamp, or -1")
    multiplier = _positive(numbers, "the candela multiplier")
    n_vertical, n_horizontal = _counts(numbers)
    width_m, length_m, height_m = _opening(numbers)
    multiplier *= _factors(numbers, form)
    watts = numbers.take("input watts")
    vertical = _rising(numbers, numbers.many(n_vertical, "vertical angles in degrees"), "vertical angles", 0, 180)
    horizontal = _rising(
        numbers, numbers.many(n_horizontal, "horizontal angles in degrees"), "horizontal angles", 0, 360
    )
    candela = _candela(numbers, n_horizontal, n_vertical, multiplier)
    _check_ranges(numbers, vertical, horizontal)
    lamp_lumens = lumens * lamps if lumens > 0 else -1.0
    lamp = PhotometricFile(
        form, keywords, vertical, horizontal, candela, lamp_lumens, watts, width_m, length_m, height_m, tilt
    )
    if not total_lumens(lamp) >= LEAST_LUMENS:
        raise numbers.fault("the candelas add up to no light", "a lamp that gives light", "take another file")
    return lamp


def _counts(numbers: _Numbers) -> tuple[int, int]:
    """Read how many vertical and horizontal angles there are, and that they are of type C."""
    n_vertical = numbers.count("the number of vertical angles", MOST_ANGLES)
    n_horizontal = numbers.count("the number of horizontal angles", MOST_ANGLES)
    kind = numbers.count("the photometric type", 3)
    if kind != 1:
        letter = {2: "B", 3: "A"}[kind]
        raise numbers.fault(
            f"the file holds type {letter} photometry", "type C", "ask for the type C file of the same lamp"
        )
    if n_vertical * n_horizontal > MOST_CANDELAS:
        raise numbers.fault(f"the file announces {n_vertical} x {n_horizontal} candelas", f"at most {MOST_CANDELAS}")
    return n_vertical, n_horizontal


def _opening(numbers: _Numbers) -> tuple[float, float, float]:
    """Read width, length and height of the luminous opening, in metres; negative for a round one."""
    units = numbers.count("the unit of length (1 feet, 2 metres)", 2)
    scale = FOOT_M if units == 1 else 1.0
    width_m, length_m, height_m = (
        numbers.take(f"the {side} of the luminous opening") * scale for side in ("width", "length", "height")
    )
    size_m = max(abs(width_m), abs(length_m), abs(height_m))
    if size_m > WIDEST_OPENING_M:
        raise numbers.fault(
            f"the luminous opening is {size_m:g} m wide",
            f"an opening of at most {WIDEST_OPENING_M:g} m",
            "check the unit of length (1 feet, 2 metres) and the sizes after it",
        )
    return width_m, length_m, height_m


def _factors(numbers: _Numbers, form: str) -> float:
    """Read the ballast factor and the number after it, and return what they multiply the candelas by."""
    ballast = _positive(numbers, "the ballast factor")
    # The next number is a photometric factor in 1995 and before, reserved in 2002, the kind of file in 2019.
    factor = numbers.take("the ballast-lamp photometric factor, or the kind of file")
    if form in ("2002", "2019"):
        return ballast
    if factor <= 0:
        raise numbers.fault(f"got {factor:g}", "a ballast-lamp photometric factor above 0")
    return ballast * factor


def _candela(numbers: _Numbers, n_horizontal: int, n_vertical: int, multiplier: float) -> FloatArray:
    """Read the candelas (h, v), the last numbers of the file, and apply the multiplier."""
    candela = numbers.many(n_vertical * n_horizontal, "candelas")
    if (candela < 0).any():
        back = len(candela) - int(np.argmax(candela < 0))
        raise numbers.fault(f"got {candela[candela < 0][0]:g}", "candelas of 0 or more", back=back)
    if numbers.at < len(numbers.tokens):
        numbers.at += 1
        raise numbers.fault(
            f"more values follow, from {quoted(numbers.tokens[numbers.at - 1][0])}",
            f"{n_vertical} x {n_horizontal} candelas and no more",
            "get an undamaged copy of the file",
        )
    with np.errstate(over="ignore"):
        candela = candela.reshape(n_horizontal, n_vertical) * multiplier
    if not np.isfinite(candela).all() or candela.max() > 1e12:
        raise numbers.fault("the candelas are beyond all lamps", "candelas up to 1e12 after the multipliers")
    # A lamp so faint divides by zero where its lumens scale it.
    if candela.max() < LEAST_CANDELA:
        raise numbers.fault("all candelas are 0", f"a lamp that gives light, {LEAST_CANDELA:g} cd at least somewhere")
    return candela


def _positive(numbers: _Numbers, meaning: str) -> float:
    value = numbers.take(meaning)
    if not 0 < value < 1e9:
        raise numbers.fault(f"got {value:g}", f"{meaning}, above 0")
    return value


def _rising(numbers: _Numbers, angles: FloatArray, meaning: str, low: float, high: float) -> FloatArray:
    """Check that angles rise within limits."""
    step = np.diff(angles)
    too_close = (step > 0) & (step < LEAST_STEP_DEG)
    if too_close.any():
        at = int(np.argmax(too_close)) + 1
        what = f"{angles[at]:g} follows {angles[at - 1]:g}"
        raise numbers.fault(what, f"{meaning} at least {LEAST_STEP_DEG:g} degrees apart", back=len(angles) - at)
    if (step <= 0).any():
        at = int(np.argmax(step <= 0)) + 1
        raise numbers.fault(f"{angles[at]:g} follows {angles[at - 1]:g}", f"{meaning} that rise", back=len(angles) - at)
    if angles[0] < low or angles[-1] > high:
        raise numbers.fault(f"got {meaning} from {angles[0]:g} to {angles[-1]:g}", f"{low:g} to {high:g} degrees")
    return angles


def _check_ranges(numbers: _Numbers, vertical: FloatArray, horizontal: FloatArray) -> None:
    """Check that the angles span what type C photometry allows."""
    ends = (float(vertical[0]), float(vertical[-1]))
    if len(vertical) < 2 or ends not in ((0.0, 90.0), (90.0, 180.0), (0.0, 180.0)):
        raise numbers.fault(
            f"vertical angles run from {ends[0]:g} to {ends[1]:g}", "0 to 90, 90 to 180 or 0 to 180 (type C)"
        )
    span = (float(horizontal[0]), float(horizontal[-1]))
    if span not in ((0.0, 0.0), (0.0, 90.0), (0.0, 180.0), (90.0, 270.0), (0.0, 360.0)):
        raise numbers.fault(
            f"horizontal angles run from {span[0]:g} to {span[1]:g}",
            "0 alone, or 0 to 90, 0 to 180, 90 to 270 or 0 to 360 (type C)",
        )


def intensity_cd(lamp: PhotometricFile, theta_rad: ArrayLike, phi_rad: ArrayLike) -> FloatArray:
    """Return the intensity of a lamp in cd in any direction, linear between the file's angles, 0 where it has none.

    Args: theta from the axis (0 to pi) and phi from the 0 plane, radians, broadcast together. Planes that the file
    leaves out follow by its symmetry.
    """
    theta, phi = np.broadcast_arrays(np.degrees(np.asarray(theta_rad, float)), np.degrees(np.asarray(phi_rad, float)))
    phi = np.mod(phi, 360.0)
    first, last = float(lamp.horizontal_deg[0]), float(lamp.horizontal_deg[-1])
    # Fold the azimuth into the planes that the file holds.
    if (first, last) == (0.0, 0.0):
        phi = np.zeros_like(phi)
    elif (first, last) == (0.0, 90.0):
        phi = np.where(phi > 180, 360 - phi, phi)
        phi = np.where(phi > 90, 180 - phi, phi)
    elif (first, last) == (0.0, 180.0):
        phi = np.where(phi > 180, 360 - phi, phi)
    elif (first, last) == (90.0, 270.0):
        phi = np.where(phi < 90, 180 - phi, np.where(phi > 270, 540 - phi, phi))
    # Interpolate in both angles.
    v, h, table = lamp.vertical_deg, lamp.horizontal_deg, lamp.candela
    j = np.clip(np.searchsorted(v, theta, side="right") - 1, 0, len(v) - 2)
    ft = np.clip((theta - v[j]) / (v[j + 1] - v[j]), 0, 1)
    if len(h) == 1:
        value = table[0, j] * (1 - ft) + table[0, j + 1] * ft
    else:
        i = np.clip(np.searchsorted(h, phi, side="right") - 1, 0, len(h) - 2)
        fp = np.clip((phi - h[i]) / (h[i + 1] - h[i]), 0, 1)
        low = table[i, j] * (1 - ft) + table[i, j + 1] * ft
        high = table[i + 1, j] * (1 - ft) + table[i + 1, j + 1] * ft
        value = low * (1 - fp) + high * fp
    edge = 1e-9
    return np.where((theta < v[0] - edge) | (theta > v[-1] + edge), 0.0, value)


def total_lumens(lamp: PhotometricFile) -> float:
    """Return the lumens of a lamp: its intensity integrated over the sphere, exact for the linear interpolation."""
    theta = np.radians(lamp.vertical_deg)
    # Integrate (a + b theta) sin theta on each cell in closed form.
    a, b = theta[:-1], theta[1:]
    width = b - a
    ones = np.cos(a) - np.cos(b)
    first = (np.sin(b) - b * np.cos(b)) - (np.sin(a) - a * np.cos(a))
    weight_high = (first - a * ones) / width
    weight_low = ones - weight_high
    per_plane = lamp.candela[:, :-1] @ weight_low + lamp.candela[:, 1:] @ weight_high
    if len(lamp.horizontal_deg) == 1:
        return float(per_plane[0] * 2 * math.pi)
    # Average the planes by the trapezium rule; symmetry makes the folded parts alike.
    planes = np.radians(lamp.horizontal_deg)
    mean = float(((per_plane[:-1] + per_plane[1:]) / 2 * np.diff(planes)).sum() / (planes[-1] - planes[0]))
    return mean * 2 * math.pi
