"""Read the user's picture for a backdrop: cut, upright, in linear sRGB, and no larger than the picture needs.

A file is decoded once and worked on in strips, so that memory follows the size that is wanted, not the file's.
Does not: read layers, animations or transparency (it is left out).
"""

from __future__ import annotations

import io
import math
import os
import struct
import threading
import warnings
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms, UnidentifiedImageError

from sim.quantities.color import linear_from_srgb
from sim.quantities.errors import HalfstopError
from sim.quantities.open_file import UnreadableFile, open_file

FloatArray = npt.NDArray[np.floating]
Rows = Callable[[int, int], FloatArray]

# Whatever the decoders raise for a damaged byte.
PICTURE_FAULTS = (
    OSError, UnidentifiedImageError, ValueError, KeyError, IndexError, TypeError, AttributeError, RuntimeError,
    SyntaxError, EOFError, OverflowError, MemoryError, struct.error, zlib.error, Image.DecompressionBombError,
    Image.DecompressionBombWarning,
)  # fmt: skip
CURE = "name a PNG, JPEG or OpenEXR picture that opens in other programs"
MOST_FILE_BYTES = 2 << 30
# PNG and JPEG are decoded whole, 4 bytes a pixel; OpenEXR is decoded in strips.
MOST_PIXELS, MOST_EXR_PIXELS = 64_000_000, 256_000_000
# A JPEG larger than this is halved while it is decoded: a progressive one takes 6 bytes a pixel more till then.
MOST_JPEG_PIXELS = 24_000_000
# Pixels kept for the last, fine resampling, and pixels of a strip.
KEPT_PIXELS, STRIP_PIXELS = 8_000_000, 1_000_000
DEEP_CODES = 1 << 16
STDERR = 2
ORIENTATION_TAG = 0x0112  # [Exif:2019], 4.6.4


@dataclass(frozen=True)
class _Window:
    """The part of the file's rows and columns that is wanted, in its own frame."""

    top: int
    left: int
    height: int
    width: int


def read_picture(path: Path, width_m: float, height_m: float) -> FloatArray:
    """Linear RGB (h, w, 3) float32 of a picture's middle, cut to a shape; at most `KEPT_PIXELS`.

    PNG and JPEG are read as sRGB, or by the profile that they carry, and turned as their camera says; OpenEXR as
    linear. width_m, height_m: what it is printed on, above 0.
    Raises `HalfstopError`.
    """
    try:
        read = _read_exr if path.suffix.lower() == ".exr" else _read_coded
        rgb = read(path, width_m / height_m)
    except UnreadableFile as error:
        raise HalfstopError(f"{path}: {error.why}; {CURE}") from None
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_large(path, MOST_PIXELS) from None
    except PICTURE_FAULTS as error:
        reason = getattr(error, "strerror", None) or "it is not a readable picture"
        raise HalfstopError(f"{path}: {reason}; {CURE}") from None
    if not np.isfinite(rgb).all():
        raise HalfstopError(f"{path}: the picture holds values that are not numbers; {CURE}")
    return rgb


def _too_large(path: Path, most: int) -> HalfstopError:
    return HalfstopError(f"{path}: the picture is over {most // 1_000_000} million pixels; make it smaller")


def _window(height: int, width: int, aspect: float) -> _Window:
    """The middle of a picture, cut to width over height `aspect`."""
    cut_width = max(min(width, round(height * aspect)), 1)
    cut_height = max(min(height, round(width / aspect)), 1)
    return _Window((height - cut_height) // 2, (width - cut_width) // 2, cut_height, cut_width)


def _reduced(rows: Rows, window: _Window) -> FloatArray:
    """The window as means of square blocks, so few that at most `KEPT_PIXELS` are left.

    rows: linear RGB (n, window.width, 3) from one row of the window to before another.
    """
    side = max(math.ceil(math.sqrt(window.height * window.width / KEPT_PIXELS)), 1)
    side = min(side, window.height, window.width)
    height, width = window.height // side, window.width // side
    reduced = np.empty((height, width, 3), np.float32)
    step = max(STRIP_PIXELS // (window.width * side), 1)
    for top in range(0, height, step):
        bottom = min(top + step, height)
        strip = rows(top * side, bottom * side)[:, : width * side]
        with np.errstate(over="ignore", invalid="ignore"):
            blocks = np.maximum(strip, 0).reshape(bottom - top, side, width, side, 3)
            reduced[top:bottom] = blocks.mean(axis=(1, 3), dtype=np.float32) if side > 1 else blocks[:, 0, :, 0]
    return reduced


# -- PNG and JPEG ----------------------------------------------------------------------------------


def _read_coded(path: Path, aspect: float) -> FloatArray:
    with open_file(path, MOST_FILE_BYTES) as stream, warnings.catch_warnings():
        # Of damaged Exif data Pillow warns; the picture is good all the same.
        warnings.simplefilter("ignore")
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        with Image.open(stream, formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > MOST_PIXELS:
                raise _too_large(path, MOST_PIXELS)
            orientation = _orientation(picture)
            if picture.width * picture.height > MOST_JPEG_PIXELS:
                picture.draft(None, (picture.width // 2, picture.height // 2))
            picture.load()
            # Cut in the file's own frame, which may lie on its side.
            window = _window(picture.height, picture.width, aspect if orientation < 5 else 1 / aspect)
            return _upright(_reduced(_decoder(picture, window), window), orientation)


def _decoder(picture: Image.Image, window: _Window) -> Rows:
    """What gives rows of the window in linear RGB."""
    deep = picture.mode.startswith("I;16")
    linear = (
        _linear_from_grey_codes(picture) if deep else np.asarray(linear_from_srgb(np.arange(256) / 255), np.float32)
    )
    to_srgb = (lambda strip: strip) if deep else _to_srgb(picture)

    def rows(first: int, end: int) -> FloatArray:
        box = (window.left, window.top + first, window.left + window.width, window.top + end)
        values = linear[np.asarray(to_srgb(picture.crop(box)))]
        return np.repeat(values[..., None], 3, -1) if deep else values

    return rows


def _to_srgb(picture: Image.Image) -> Callable[[Image.Image], Image.Image]:
    """What turns strips of a picture into sRGB, by its profile where it carries one that fits."""
    data = picture.info.get("icc_profile")
    if isinstance(data, bytes) and data:
        try:
            profile = ImageCms.ImageCmsProfile(io.BytesIO(data))
            mode = {"RGB": "RGB", "GRAY": "L", "CMYK": "CMYK"}[profile.profile.xcolor_space.strip()]
            if (mode == "CMYK") == (picture.mode == "CMYK"):
                srgb = ImageCms.createProfile("sRGB")
                intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
                transform = ImageCms.buildTransform(profile, srgb, mode, "RGB", intent)
                return lambda strip: _transformed(strip.convert(mode), transform)
        except (ImageCms.PyCMSError, *PICTURE_FAULTS):
            # Read it as sRGB, as a picture without a profile.
            pass
    return lambda strip: strip.convert("RGB")


def _linear_from_grey_codes(picture: Image.Image) -> FloatArray:
    """Linear light (65536,) of each code of a 16-bit grey picture, by its profile where it carries one that fits."""
    data = picture.info.get("icc_profile")
    if isinstance(data, bytes) and data:
        try:
            profile, linear = (ImageCms.ImageCmsProfile(io.BytesIO(one)) for one in (data, _profile_of_linear_grey()))
            intent, exact = ImageCms.Intent.RELATIVE_COLORIMETRIC, ImageCms.Flags.NOOPTIMIZE
            transform = ImageCms.buildTransform(profile, linear, "I;16", "I;16", intent, exact)
            codes = Image.fromarray(np.arange(DEEP_CODES, dtype=np.uint16).reshape(256, -1))
            return (np.asarray(_transformed(codes, transform)).ravel() / (DEEP_CODES - 1)).astype(np.float32)
        except (ImageCms.PyCMSError, *PICTURE_FAULTS):
            # Read it as sRGB, as a picture without a profile.
            pass
    return np.asarray(linear_from_srgb(np.arange(DEEP_CODES) / (DEEP_CODES - 1)), np.float32)


def _profile_of_linear_grey() -> bytes:
    """A grey profile whose codes are light itself: header, one tag, an identity curve [ICC1:2004]."""
    curve = struct.pack(">4s4xI", b"curv", 0)
    tags = struct.pack(">I4sII", 1, b"kTRC", 144, len(curve))
    white_fixed = (63190, 65536, 54061)
    header = struct.pack(">I4xI4s4s4s12x4s28x3i48x", 144 + len(curve), 0x02200000, b"mntr", b"GRAY", b"XYZ ", b"acsp",
                         *white_fixed)  # fmt: skip
    return header + tags + curve


def _transformed(strip: Image.Image, transform: ImageCms.ImageCmsTransform) -> Image.Image:
    changed = ImageCms.applyTransform(strip, transform)
    assert changed is not None
    return changed


def _orientation(picture: Image.Image) -> int:
    """How the camera was held, 1 to 8; 1 where the file does not say, or says it wrongly."""
    try:
        value = picture.getexif().get(ORIENTATION_TAG, 1)
    except PICTURE_FAULTS:
        return 1
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _upright(rgb: FloatArray, orientation: int) -> FloatArray:
    """A picture (h, w, 3) turned as Exif's orientation tag says.

    >>> [_upright(np.arange(6.0).reshape(2, 3, 1), n)[0, :, 0].tolist() for n in (2, 3, 4)]
    [[2.0, 1.0, 0.0], [5.0, 4.0, 3.0], [3.0, 4.0, 5.0]]
    >>> [_upright(np.arange(6.0).reshape(2, 3, 1), n)[0, :, 0].tolist() for n in (5, 6, 7, 8)]
    [[0.0, 3.0], [3.0, 0.0], [5.0, 2.0], [2.0, 5.0]]
    """
    if orientation >= 5:
        rgb = rgb.swapaxes(0, 1)
    down = orientation in (3, 4, 7, 8)
    across = orientation in (2, 3, 6, 7)
    return np.ascontiguousarray(rgb[:: -1 if down else 1, :: -1 if across else 1])


# -- OpenEXR ---------------------------------------------------------------------------------------

_SILENCE = threading.RLock()


@contextmanager
def _silent() -> Iterator[None]:
    """Let go of what compiled code writes to the process's standard error meanwhile.

    The reader prints each fault there by itself, beside the exception that becomes the user's one line.
    """
    with _SILENCE:
        try:
            before = os.dup(STDERR)
        except OSError:
            # There is none, so nothing is written.
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, STDERR)
        os.close(nowhere)
        try:
            yield
        finally:
            os.dup2(before, STDERR)
            os.close(before)


def _read_exr(path: Path, aspect: float) -> FloatArray:
    """The first part of an OpenEXR file; a single channel counts as grey."""
    import Imath
    import OpenEXR

    with open_file(path, MOST_FILE_BYTES) as stream, _silent():
        # The reader that gives rows ends the process on a header that is no text, so let the other one look first.
        with OpenEXR.File(stream, separate_channels=True, header_only=True) as looked_at:
            header = looked_at.header()
            low, high = (corner.tolist() for corner in header["dataWindow"])
            sampled = {channel.name: (channel.xSampling, channel.ySampling) for channel in header["channels"]}
        height, width = high[1] - low[1] + 1, high[0] - low[0] + 1
        if height * width > MOST_EXR_PIXELS:
            raise _too_large(path, MOST_EXR_PIXELS)
        names = ["R", "G", "B"] if "R" in sampled else [next(iter(sampled))]
        if any(sampled[name] != (1, 1) for name in names):
            raise ValueError("a channel without a value for each pixel")
        window = _window(height, width, aspect)
        stream.seek(0)
        file = OpenEXR.InputFile(stream)
        number = Imath.PixelType(Imath.PixelType.FLOAT)

        def rows(first: int, end: int) -> FloatArray:
            top = low[1] + window.top
            planes = file.channels(names, number, top + first, top + end - 1)
            cut = slice(window.left, window.left + window.width)
            values = [np.frombuffer(plane, np.float32).reshape(end - first, width)[:, cut] for plane in planes]
            return np.stack(values * (3 // len(values)), -1)

        try:
            return _reduced(rows, window)
        finally:
            file.close()
