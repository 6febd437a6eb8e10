"""The nose's shadow: drawn masks with a known name, and lights whose pattern follows from where they stand.

Angles at which the trade expects each pattern (common practice, no source): key over the camera,
butterfly; 30 to 45 degrees to the side, loop; 45 degrees and high, triangle; 90 degrees, split.
"""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.faceframe import FaceGrid, HeadAxes
from sim.advice.checks.noseshadow import PATTERNS, key_shadow, named_shadow, nose_shadow
from tests.advice.checks.setups import light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")


def _grid() -> FaceGrid:
    """An oval face seen from ahead, with the nose's tip half an eye distance under the eyes."""
    x, y = np.arange(-1.6, 1.61, 0.04), np.arange(1.6, -2.11, -0.04)
    axes = HeadAxes(
        np.zeros(3),
        np.array([1.0, 0, 0]),
        np.array([0, 1.0, 0]),
        np.array([0, 0, 1.0]),
        1.0,
        np.array([0.0, -0.5, 0.4]),
    )
    on_face = (x[None] / 1.1) ** 2 + ((y[:, None] + 0.2) / 1.8) ** 2 < 1
    empty = np.zeros((*on_face.shape, 3))
    return FaceGrid(axes, x, y, on_face, empty, empty)


def _shadow(grid: FaceGrid, left: float, right: float, bottom: float, top: float) -> np.ndarray:
    return (grid.x[None] > left) & (grid.x[None] < right) & (grid.y[:, None] > bottom) & (grid.y[:, None] < top)


DRAWN = {
    "flat": [],
    "butterfly": [(-0.2, 0.2, -0.85, -0.5)],
    "loop": [(-0.45, 0.0, -0.85, -0.55)],
    # The nose's shadow runs into that of the cheek, and light stays between them.
    "triangle": [(-0.3, 0.0, -1.0, 0.1), (-0.8, 0.0, -2.0, -0.8), (-1.2, -0.8, -2.0, 1.6)],
    "split": [(-1.6, 0.0, -2.1, 1.6)],
    "from below": [(-0.1, 0.15, -0.45, -0.05)],
    "none": [(-1.6, 1.6, -2.1, 1.6)],
}


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("mirrored", [False, True])
def test_drawn_shadows_get_their_name(pattern: str, mirrored: bool) -> None:
    grid = _grid()
    dark = np.zeros(grid.on_face.shape, bool)
    for box in DRAWN[pattern]:
        dark |= _shadow(grid, *box)
    share = np.where(grid.on_face & ~dark, 0.8, 0.0)
    if pattern in ("flat", "butterfly", "from below"):
        # Make one side a little brighter, as an exact tie has no lit side.
        share[:, grid.x > 0] *= 1.1
    found = named_shadow(grid, share[:, ::-1] if mirrored else share, camera_side_deg=0.0)
    assert found.pattern == pattern
    if pattern != "none":
        assert found.lit_side == ("left" if mirrored else "right")


@pytest.mark.parametrize(
    ("side_deg", "height_deg", "pattern"),
    [
        (0, 35, "butterfly"), (0, 50, "butterfly"), (30, 35, "loop"), (-30, 35, "loop"), (37, 35, "loop"),
        (45, 50, "triangle"), (-45, 50, "triangle"), (90, 0, "split"), (-90, 20, "split"), (75, 35, "split"),
        (165, 20, "none"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("figure", ["simple", "woman"])
def test_a_keys_place_gives_its_pattern(figure: str, side_deg: float, height_deg: float, pattern: str) -> None:
    stage = staged(scene_of({"key": light(side_deg, height_deg)}, sitter={"figure": figure}))
    found = nose_shadow(stage, 0)
    assert found.pattern == pattern
    if pattern in ("loop", "triangle", "split"):
        assert found.lit_side == ("right" if side_deg > 0 else "left")


@pytest.mark.parametrize("side_deg", [-45, 45])
@pytest.mark.parametrize("figure", ["simple", "woman"])
def test_a_key_at_45_and_45_draws_a_loop_or_a_triangle(figure: str, side_deg: float) -> None:
    stage = staged(scene_of({"key": light(side_deg, 45)}, sitter={"figure": figure}))
    assert nose_shadow(stage, 0).pattern in ("loop", "triangle")


@pytest.mark.parametrize("side_deg", [0, 8])
def test_a_key_from_below_throws_the_shadow_up(side_deg: float) -> None:
    stage = staged(scene_of({"key": light(side_deg, -40)}, sitter={"figure": "woman"}))
    assert nose_shadow(stage, 0).pattern == "from below"


def test_a_set_names_what_its_key_draws_and_nothing_where_there_is_no_such_light() -> None:
    stage = staged(scene_of({"key": light(-90, 0), "fill": light(0, 10)}))
    found = key_shadow(stage, "key")
    assert found is not None and (found.light, found.shadow.pattern, found.shadow.lit_side) == ("key", "split", "left")
    assert key_shadow(stage, "sun") is None


def test_mirrored_keys_draw_mirrored_shadows() -> None:
    left, right = (nose_shadow(staged(scene_of({"key": light(side, 35)})), 0) for side in (-32, 32))
    assert left.pattern == right.pattern == "loop"
    assert left.lean_deg == pytest.approx(right.lean_deg, abs=4)
    assert left.far_cheek_lit == pytest.approx(right.far_cheek_lit, abs=0.04)


@pytest.mark.parametrize(("turn_deg", "side"), [(-30, "short"), (30, "broad"), (0, "")])
def test_broad_and_short_follow_the_side_turned_to_the_camera(turn_deg: float, side: str) -> None:
    """The key keeps its 35 degrees from the nose, on camera left of it."""
    scene = scene_of({"key": light(turn_deg - 35, 35)}, sitter={"figure": "simple", "turn": f"{turn_deg} deg"})
    found = nose_shadow(staged(scene), 0)
    assert (found.pattern, found.side) == ("loop", side)


def test_turning_head_and_light_together_changes_nothing() -> None:
    still = nose_shadow(staged(scene_of({"key": light(45, 50)})), 0)
    scene = scene_of({"key": light(70, 50)}, sitter={"figure": "simple", "turn": "25 deg"})
    turned = nose_shadow(staged(scene), 0)
    assert still.pattern == turned.pattern == "triangle"
    assert turned.patch == pytest.approx(still.patch, abs=0.04)
