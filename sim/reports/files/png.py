"""PNG pictures that carry their title and settings as text."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
from PIL import Image
from PIL.PngImagePlugin import PngInfo

# Perceptual rendering intent of the sRGB chunk (PNG specification, third edition, 11.3.2.5).
SRGB_INTENT = b"\x00"


def png_bytes(picture: np.ndarray | Image.Image, texts: Mapping[str, str]) -> bytes:
    """Return a PNG, marked as sRGB, with text chunks; the same input gives the same bytes.

    picture: (h, w, 3) or (h, w) uint8, or a Pillow image. texts: keyword (1 to 79 Latin letters) and its text.
    Does not: write a time.
    """
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(np.ascontiguousarray(picture))
    info = PngInfo()
    info.add(b"sRGB", SRGB_INTENT)
    for keyword, text in texts.items():
        # Plain Latin-1 fits the old chunk that every viewer reads; the rest goes into the international one.
        try:
            text.encode("latin-1")
            info.add_text(keyword, text)
        except UnicodeEncodeError:
            info.add_itxt(keyword, text)
    stream = io.BytesIO()
    image.save(stream, "PNG", pnginfo=info, compress_level=4)
    return stream.getvalue()
