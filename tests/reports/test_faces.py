"""The small drawings of a face: each shows the pattern it stands for, by the definitions that name real shadows."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw

from sim.advice.checks.faceframe import FaceGrid, HeadAxes
from sim.advice.checks.noseshadow import PATTERNS, named_shadow
from sim.advice.checks.shadow_words import PATTERN_WORDS, SIDE_WORDS
from sim.reports.faces import BOX, NAMES, drawing, picture_from_drawing, svg_from_drawing
from sim.reports.faces.outline import SHADE, SKIN, Shape, head
from sim.reports.plan.buildup import BuildStep

# Where the drawing has its pupils and the tip of its nose.
PUPILS, NOSE, STEP = ((44.5, 58.9), (75.5, 58.9)), (60.0, 84.0), 0.5


def painted(shapes: list[Shape], color: str) -> np.ndarray:
    """What of the drawing's box (r, c) is of a colour when fields are filled in their order, lines left out."""
    image = Image.new("L", (round(BOX[0] / STEP), round(BOX[1] / STEP)))
    draw = ImageDraw.Draw(image)
    for shape in shapes:
        if shape.fill:
            draw.polygon([(float(x), float(y)) for x, y in shape.points / STEP], fill=255 * (shape.fill == color))
    return np.asarray(image) > 0


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("lit_side", ["left", "right"])
def test_a_drawing_shows_the_pattern_that_it_stands_for(pattern: str, lit_side: str) -> None:
    """Read its light and dark as a face's and name them: the name is the drawing's own.

    Does not: check that it looks well; that was done by eye.
    """
    oval = painted(head()[-1:], SKIN)
    bare = [shape for shape in drawing(pattern, lit_side) if shape.fill in (SKIN, SHADE)]
    dark = painted(bare, SHADE) & oval
    distance = PUPILS[1][0] - PUPILS[0][0]
    x = (STEP * (np.arange(oval.shape[1]) + 0.5) - BOX[0] / 2) / distance
    y = (PUPILS[0][1] - STEP * (np.arange(oval.shape[0]) + 0.5)) / distance
    tip = np.array([(NOSE[0] - BOX[0] / 2) / distance, (PUPILS[0][1] - NOSE[1]) / distance, 0.4])
    axes = HeadAxes(np.zeros(3), *np.eye(3), 1.0, tip)
    empty = np.zeros((*oval.shape, 3))
    toward = x if lit_side == "right" else -x
    # What is lit is lit a little more on the side that the light comes from.
    share = np.where(oval & ~dark, 0.8 + 0.02 * toward[None], 0.0)
    found = named_shadow(FaceGrid(axes, x, y, oval, empty, empty), share, 0.0)
    assert (found.pattern, found.lit_side) == (pattern, lit_side)


@pytest.mark.parametrize("side", ["broad", "short"])
def test_a_turned_head_is_lit_on_its_wide_side_or_on_its_narrow_one(side: str) -> None:
    """The nose points to camera left, so that what lies right of it is the side turned to the camera."""
    dark = painted([shape for shape in drawing(side) if shape.fill in (SKIN, SHADE)], SHADE)
    middle = round(45 / STEP)
    near, far = dark[:, middle:].sum(), dark[:, :middle].sum()
    assert (near > 4 * far) if side == "short" else (far > 4 * near)


def test_every_drawing_has_its_words_and_comes_as_vector_and_as_pixels() -> None:
    assert set(NAMES) == {*PATTERN_WORDS, *SIDE_WORDS}
    for name in NAMES:
        svg = svg_from_drawing(name, title="a & b")
        assert svg.startswith("<svg") and "a &amp; b" in svg and "<image" not in svg
        picture = picture_from_drawing(name, 66)
        assert picture.size == (60, 66) and picture.mode == "RGBA"
        assert picture.getpixel((0, 65))[3] == 0  # type: ignore[index]


def test_a_step_of_the_plan_tells_lx_and_lx_s_where_they_are_asked_for() -> None:
    amounts = ("209 lx·s", "214 lx·s + 85 lx", "225 lx·s")
    step = BuildStep("key", 1, "full", "at the face", 8.0, 8.0, 8.0, None, "", amounts)
    plain, told = (step.ticks(is_first=False, lux=lux) for lux in (False, True))
    assert not any("lx" in text for text in plain)
    assert all(text.endswith(f"({amount})") for text, amount in zip(told, amounts, strict=True))
