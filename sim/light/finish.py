"""The picture's last steps: tone curve, black and white, edge burn, crop, print sizes, and files for print and share.

All of this is taste laid over the measured picture, and says so; readings never pass through it.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageCms
from scipy.interpolate import PchipInterpolator

from sim.light.develop import SATURATION, neutral_srgb
from sim.quantities import color, photometry, phrases

CURVES = ("neutral", "film")
# Film-like curve: stops from middle grey and the sRGB value (0..1) they are shown as. A toe, a straight part a little
# steeper than neutral, a long shoulder that ends where the sensor saturates. Taste, no source.
_FILM_STOPS = (-9.0, -6.0, -4.0, -2.5, -1.0, 0.0, 1.0, 2.0, math.log2(SATURATION / photometry.MIDDLE_GREY))
_FILM_SRGB = (0.0, 0.02, 0.062, 0.145, 0.312, 0.4613, 0.65, 0.85, 1.0)
_FILM = PchipInterpolator(_FILM_STOPS, _FILM_SRGB)

# How much light filters cost on panchromatic film in daylight: the factors of published film data sheets for gelatin
# filters no. 8, 21, 25, 11, from memory: a factor of 3 instead of 4 is 0.4 stop of grey behind that filter.
FILTER_FACTORS = {"yellow": 2.0, "orange": 4.0, "red": 8.0, "green": 4.0}
SURFACE_TRANSMISSION = 0.9  # of any filter at its best wavelength; common practice, no source
# A red filter passes one channel only, so its factor gives the film's share of red; green and blue share the rest as
# the green and yellow factors ask.
FILM_RGB = (1 / (8.0 * SURFACE_TRANSMISSION), 0.36, 1 - 1 / (8.0 * SURFACE_TRANSMISSION) - 0.36)
FILTERS = ("luminance", "film", *FILTER_FACTORS)

BURN_FROM = 0.35  # of the way from the centre to a corner; taste, no source
ASPECTS = {"2:3": 2 / 3, "4:5": 4 / 5, "5:7": 5 / 7, "1:1": 1.0, "A": 1 / math.sqrt(2), "16:9": 9 / 16}
# Print sizes in mm: ISO 216 and inches as sold; common practice, no source.
PRINTS_MM = {
    "A5": (148, 210), "A4": (210, 297), "A3": (297, 420), "A2": (420, 594), "A1": (594, 841), "A0": (841, 1189),
    "5 x 7 in": (127, 177.8), "8 x 10 in": (203.2, 254), "11 x 14 in": (279.4, 355.6), "16 x 20 in": (406.4, 508),
    "20 x 30 in": (508, 762), "24 x 36 in": (609.6, 914.4),
}  # fmt: skip
NOMINAL_PIXELS = 24e6  # of a sensor whose pixel count the scene does not tell; common practice, no source
EYE_RAD = math.radians(1 / 60)  # what a good eye resolves: one minute of arc (20/20 acuity)


@dataclass(frozen=True)
class Finish:
    """A finish: `curve` neutral or film; `bw_filter` None for colour; `burn_stops` at the corners; `aspect` of a crop.

    `exposure_stops` brightens before the curve.
    """

    curve: str = "neutral"
    bw_filter: str | None = None
    burn_stops: float = 0.0
    aspect: str | None = None
    exposure_stops: float = 0.0

    def words(self) -> str:
        """What was done, in words for the file."""
        parts = [f"{self.curve} curve"]
        parts += [f"black and white, {self.bw_filter}"] if self.bw_filter else []
        parts += [f"edges burnt by {phrases.stops(self.burn_stops)}"] if self.burn_stops else []
        parts += [f"cropped to {self.aspect}"] if self.aspect else []
        parts += [phrases.change(self.exposure_stops)] if self.exposure_stops else []
        return ", ".join(parts)


def finished(linear: np.ndarray, finish: Finish) -> np.ndarray:
    """Display picture (h, w, 3), sRGB-encoded 0..1, of a linear picture (h, w, 3) where 0.18 is middle grey."""
    picture = np.asarray(linear, float) * 2.0**finish.exposure_stops
    if finish.aspect is not None:
        picture = cropped(picture, ASPECTS[finish.aspect])
    if finish.bw_filter is not None:
        picture = np.repeat(black_and_white(picture, finish.bw_filter)[..., None], 3, axis=-1)
    if finish.burn_stops:
        picture = burnt(picture, finish.burn_stops)
    if finish.curve == "film":
        return film_curve(picture)
    return neutral_srgb(picture)


def film_curve(linear: np.ndarray) -> np.ndarray:
    """sRGB value 0..1 of linear values through the film-like curve; middle grey stays where it is, black is black.

    >>> [round(float(v), 3) for v in film_curve(np.array([0.0, 0.18, 1.404, 9.0]))]
    [0.0, 0.461, 1.0, 1.0]
    """
    stops = np.log2(np.maximum(np.asarray(linear, float), 1e-9) / photometry.MIDDLE_GREY)
    return np.clip(_FILM(np.clip(stops, _FILM_STOPS[0], _FILM_STOPS[-1])), 0, 1)


def channel_mix(name: str) -> tuple[float, float, float]:
    """Shares of red, green and blue in the grey of a filter, adding up to 1: a neutral keeps its tone.

    luminance: the eye's (BT.709); film: panchromatic film without a filter; others: that film behind the filter,
    exposed for it.

    >>> channel_mix("red")
    (1.0, 0.0, 0.0)
    """
    if name == "luminance":
        return color.LUMINANCE_WEIGHTS
    passed = np.multiply(FILM_RGB, filter_rgb(name))
    red, green, blue = passed / passed.sum()
    return float(red), float(green), float(blue)


def filter_rgb(name: str) -> tuple[float, float, float]:
    """Transmission of a filter in red, green and blue, such that it costs the film its published factor.

    Yellow takes blue, orange also part of the green, red all but red; green takes red and blue alike.
    """
    if name == "film":
        return 1.0, 1.0, 1.0
    best, passed = SURFACE_TRANSMISSION, 1 / FILTER_FACTORS[name]
    red, green, blue = FILM_RGB
    if name == "red":
        return best, 0.0, 0.0
    if name == "orange":
        return best, (passed - best * red) / green, 0.0
    if name == "yellow":
        return best, best, (passed - best * (red + green)) / blue
    # An estimate: a green filter passes at most 0.6 at its best (0.5 would darken green by 0.26 stop); the rest of its
    # light is red and blue alike.
    rest = (passed - 0.6 * green) / (red + blue)
    return rest, 0.6, rest


def black_and_white(linear: np.ndarray, name: str = "luminance") -> np.ndarray:
    """Linear grey (h, w) of a linear picture (h, w, 3) by a filter's channel mix."""
    grey: np.ndarray = np.asarray(linear, float) @ np.array(channel_mix(name))
    return grey


def burnt(linear: np.ndarray, stops: float, start: float = BURN_FROM) -> np.ndarray:
    """Picture whose edges are darkened smoothly, by `stops` in the corners and by nothing inside `start`.

    Arguments: `start` part of the way from the centre to a corner, 0..0.9.
    """
    height, width = linear.shape[:2]
    y = (np.arange(height) + 0.5) / height * 2 - 1
    x = (np.arange(width) + 0.5) / width * 2 - 1
    away = np.hypot(*np.meshgrid(x, y)) / math.sqrt(2)
    t = np.clip((away - start) / (1 - start), 0, 1)
    factor = np.exp2(-stops * t * t * (3 - 2 * t))
    burnt_picture: np.ndarray = linear * (factor[..., None] if linear.ndim == 3 else factor)
    return burnt_picture


def cropped(picture: np.ndarray, aspect: float) -> np.ndarray:
    """Middle part of a picture at an aspect (short over long side); upright pictures stay upright."""
    left, top, right, bottom = crop_box(picture.shape[1], picture.shape[0], aspect)
    return picture[top:bottom, left:right]


def crop_box(width: int, height: int, aspect: float) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the largest middle part at an aspect (short over long side).

    >>> crop_box(800, 1200, 4 / 5)
    (0, 100, 800, 1100)
    """
    shape = aspect if width <= height else 1 / aspect
    wide, high = min(width, round(height * shape)), min(height, round(width / shape))
    left, top = (width - wide) // 2, (height - high) // 2
    return left, top, left + wide, top + high


@dataclass(frozen=True)
class PrintSize:
    """A picture on paper: pixels per inch after the crop, share of the picture kept, and from where it is sharp.

    `sharp_from_m`: nearest distance at which a good eye no longer sees the pixels.
    """

    name: str
    short_mm: float
    long_mm: float
    pixels_per_inch: float
    kept: float
    sharp_from_m: float


def sensor_pixels(long_m: float, short_m: float, upright: bool, pixels: float = NOMINAL_PIXELS) -> tuple[int, int]:
    """Width and height in pixels of a sensor of so many pixels in all.

    >>> sensor_pixels(0.036, 0.024, True)
    (4000, 6000)
    """
    short_px = round(math.sqrt(pixels * short_m / long_m))
    long_px = round(math.sqrt(pixels * long_m / short_m))
    return (short_px, long_px) if upright else (long_px, short_px)


def print_sizes(width_px: int, height_px: int) -> tuple[PrintSize, ...]:
    """The common print sizes for a picture of so many pixels, filled to the edge by cropping."""
    sizes = []
    for name, (short_mm, long_mm) in PRINTS_MM.items():
        left, top, right, bottom = crop_box(width_px, height_px, short_mm / long_mm)
        ppi = min(right - left, bottom - top) / (short_mm / 25.4)
        kept = (right - left) * (bottom - top) / (width_px * height_px)
        pixel_m = 0.0254 / ppi
        sizes.append(PrintSize(name, short_mm, long_mm, ppi, kept, pixel_m / math.tan(EYE_RAD)))
    return tuple(sizes)


def print_table_text(width_px: int, height_px: int) -> str:
    """The print sizes as lines of plain text."""
    rows = [f"{width_px} x {height_px} pixels", f"{'print':<12} {'cm':>13} {'ppi':>5} {'kept':>6}  sharp from"]
    for size in print_sizes(width_px, height_px):
        cm = f"{size.short_mm / 10:.1f} x {size.long_mm / 10:.1f}"
        from_cm = 100 * size.sharp_from_m
        rows.append(f"{size.name:<12} {cm:>13} {size.pixels_per_inch:>5.0f} {size.kept:>6.0%}  {from_cm:.0f} cm")
    return "\n".join(rows) + "\n"


# -- files ------------------------------------------------------------------------------------------------------------


# Six 16-bit numbers, big-endian: the first of January 2000, midnight.
PROFILE_DATE = bytes([7, 208, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0])


def srgb_profile() -> bytes:
    """The ICC profile of sRGB."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # Write a fixed date for the moment of making, which the header holds (ICC.1:2022, 7.2.8): no file holds a time.
    profile[24:36] = PROFILE_DATE
    return bytes(profile)


def tiff16_bytes(display: np.ndarray, texts: Mapping[str, str], pixels_per_inch: float = 300.0) -> bytes:
    """A TIFF of 16 bits per channel with the sRGB profile and the set-up as JSON in its description.

    Arguments: `display` (h, w, 3) sRGB-encoded 0..1; `texts` what the file shall say of itself.
    """
    import tifffile

    stream = io.BytesIO()
    profile = srgb_profile()
    tifffile.imwrite(
        stream, np.round(np.clip(display, 0, 1) * 65535).astype(np.uint16), photometric="rgb", compression="zlib",
        predictor=True, description=json.dumps(dict(texts)), software="halfstop", metadata=None,
        resolution=(pixels_per_inch, pixels_per_inch), resolutionunit="INCH", iccprofile=profile,
    )  # fmt: skip
    return stream.getvalue()


def jpeg_bytes(
    display: np.ndarray, texts: Mapping[str, str], camera: Mapping[int, object] | None = None, quality: int = 92
) -> bytes:
    """A JPEG to share, in sRGB with its profile, the set-up as JSON and the exposure in its Exif.

    Arguments: `camera` Exif tags of the exposure block, see `exif_from_camera`.
    """
    image = Image.fromarray(np.round(np.clip(display, 0, 1) * 255).astype(np.uint8))
    exif = Image.Exif()
    exif[0x010E] = json.dumps(dict(texts))  # ImageDescription, Exif 2.32
    exif[0x0131] = "halfstop"  # Software
    exif.get_ifd(0x8769).update(dict(camera or {}))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=quality, subsampling=0, icc_profile=srgb_profile(), exif=exif)
    return stream.getvalue()


def exif_from_camera(f_number: float, shutter_s: float, iso: float, focal_length_m: float) -> dict[int, object]:
    """Exif tags of an exposure (CIPA DC-008, Exif 2.32): ExposureTime, FNumber, ISO, FocalLength."""
    return {0x829A: shutter_s, 0x829D: f_number, 0x8827: round(iso), 0x920A: focal_length_m * 1000}
