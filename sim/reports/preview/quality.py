"""How fine a preview is: picture size, camera rays per pixel, and how long the meters sample."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sim.quantities.errors import HalfstopError, quoted
from sim.session import size_from_long_side

SHORTEST_PX, LONGEST_PX = 16, 8000
MOST_PIXELS = 40_000_000
LEAST_SAMPLES, MOST_SAMPLES = 4, 4096
MOST_SEED = 2**20 - 1


@dataclass(frozen=True)
class Quality:
    """`long_side_px` of the picture, `samples` camera rays per pixel, and the meters' aim and limit.

    `meter_stderr_stops` is the standard error aimed at; `meter_rays` ends a probe that a light hardly reaches.
    `denoiser` how hard the pictures are cleaned: "high", "balanced" or "fast".
    """

    name: str
    long_side_px: int
    samples: int
    meter_stderr_stops: float
    meter_rays: int
    denoiser: str


QUALITIES = {
    "draft": Quality("draft", 600, 4, 0.05, 1 << 14, "fast"),
    "standard": Quality("standard", 900, 32, 0.02, 1 << 18, "high"),
    "final": Quality("final", 1800, 256, 0.01, 1 << 20, "high"),
}


def size_from_text(text: str, aspect: float) -> tuple[int, int]:
    """Return (width, height) in pixels from `400x600`, or from the long side alone as in `600`.

    aspect: width over height of the camera's picture; both sides must agree with it to the pixel.

    >>> size_from_text("600", 2 / 3), size_from_text("400x600", 2 / 3)
    ((400, 600), (400, 600))
    """
    match = re.fullmatch(r"\s*([0-9]{1,9})(?:\s*[x×*]\s*([0-9]{1,9}))?\s*", text, re.IGNORECASE)
    if not match:
        example = "x".join(map(str, size_from_long_side(600, aspect)))
        raise HalfstopError(f'--size {quoted(text)}: expected width x height in pixels; write "{example}" or "600"')
    if match[2] is None:
        return _checked(size_from_long_side(int(match[1]), aspect), text)
    width, height = int(match[1]), int(match[2])
    if abs(width - height * aspect) > 0.5 and abs(height - width / aspect) > 0.5:
        right = size_from_long_side(max(width, height), aspect)
        shape = "upright" if aspect < 1 else "lying" if aspect > 1 else "square"
        raise HalfstopError(
            f"--size {quoted(text)}: the camera's picture is {shape}, {_ratio(aspect)}; "
            f'write "{right[0]}x{right[1]}", or the long side alone'
        )
    return _checked((width, height), text)


def require_samples(samples: int) -> int:
    """Return the sample count if it is one that can be traced."""
    if not LEAST_SAMPLES <= samples <= MOST_SAMPLES:
        raise HalfstopError(
            f"--samples {samples}: expected {LEAST_SAMPLES} to {MOST_SAMPLES} rays per pixel; a draft takes "
            f"{QUALITIES['draft'].samples}, a final {QUALITIES['final'].samples}"
        )
    return samples


def require_seed(seed: int) -> int:
    """Return the seed if the random numbers can start from it."""
    if not 0 <= seed <= MOST_SEED:
        raise HalfstopError(f'--seed {seed}: expected a whole number from 0 to {MOST_SEED}; write "--seed 1"')
    return seed


def _checked(size: tuple[int, int], text: str) -> tuple[int, int]:
    if min(size) < SHORTEST_PX or max(size) > LONGEST_PX or size[0] * size[1] > MOST_PIXELS:
        raise HalfstopError(
            f"--size {quoted(text)}: expected sides from {SHORTEST_PX} to {LONGEST_PX} pixels and at most "
            f'{MOST_PIXELS // 1_000_000} million in all; write "600" for a draft or "1800" for print'
        )
    return size


def _ratio(aspect: float) -> str:
    for long in range(1, 22):
        for short in range(1, long + 1):
            if abs(short / long - min(aspect, 1 / aspect)) < 1e-6:
                return f"{short}:{long}" if aspect < 1 else f"{long}:{short}"
    return f"{aspect:.3f}:1"
