"""Things in the picture: panels whose place in the frame is known, and the moves that take them out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.advice.checks.frame import frame_from_camera
from sim.advice.checks.intrusions import CLEARANCE_M, intrusions, moves_out
from sim.studio.layout import layout_from_scene
from tests.advice.checks.setups import light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

STRAIGHT = {"aim": {"at": ["0 m", "1.53 m", "0 m"]}}
# Half the width of the frame at the sitter's mark, 3 m from an 85 mm lens on a sensor 24 mm wide.
HALF_WIDTH_M = 3 * 12 / 85


def _with_panel(x_m: float, z_m: float = 0.0, y_m: float = 1.53, **more):
    panel = {
        "kind": "flag",
        "size": {"width": "20 cm", "height": "20 cm"},
        "place": {"at": [f"{x_m} m", f"{y_m} m", f"{z_m} m"]},
        "aim": {"at": [f"{x_m} m", f"{y_m} m", f"{z_m + 1} m"]},
    }
    return scene_of({"key": light(0, 60)}, STRAIGHT, panels={"flag": panel}, **more)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_panel_inside_the_edge_moves_out_by_similar_triangles(side: int) -> None:
    x_m = side * (HALF_WIDTH_M - 0.05)
    (found,) = intrusions(staged(_with_panel(x_m)))
    assert (found.name, found.thing) == ("flag", "panel")
    word = "right" if side > 0 else "left"
    # Its inner edge lies 15 cm inside; the clearance is square to the slanting side of the frame.
    slant = np.hypot(1, 12 / 85)
    assert found.shortest == (word, pytest.approx(0.15 + CLEARANCE_M * slant, abs=2e-3))
    assert found.place[0] == pytest.approx(0.93 if side > 0 else 0.07, abs=0.03)


def test_moved_by_what_it_says_it_is_gone_and_by_less_it_is_not() -> None:
    (found,) = intrusions(staged(_with_panel(0.35)))
    distance_m = found.move_m["right"]
    assert not intrusions(staged(_with_panel(0.35 + distance_m)))
    assert intrusions(staged(_with_panel(0.35 + distance_m - 0.06)))
    up_m = found.move_m["up"]
    assert not intrusions(staged(_with_panel(0.35, y_m=1.53 + up_m)))


def test_what_is_hidden_or_outside_is_not_told() -> None:
    paper = {"kind": "paper", "size": {"width": "3 m", "height": "3 m"}, "distance": "1.5 m"}
    assert not intrusions(staged(_with_panel(0.3, z_m=-2.0, backdrop=paper)))
    assert intrusions(staged(_with_panel(0.3, z_m=-2.0)))
    assert not intrusions(staged(_with_panel(1.5)))
    assert not intrusions(staged(_with_panel(0.0, z_m=4.5)))


def test_a_lights_stand_in_the_picture_is_told_apart_from_the_light() -> None:
    high = light(0, 0, place={"at": ["0.35 m", "3 m", "-1 m"]}, stand="floor")
    (found,) = intrusions(staged(scene_of({"key": light(0, 60), "top": high}, STRAIGHT)))
    assert (found.name, found.thing) == ("top", "stand")
    assert "up" not in found.move_m


@given(
    st.lists(st.tuples(st.floats(-2, 2), st.floats(0, 3), st.floats(-3, 2.5)), min_size=1, max_size=12),
    st.sampled_from(["left", "right", "up"]),
)
def test_after_the_move_no_point_is_inside(points: list[tuple[float, float, float]], word: str) -> None:
    frame = frame_from_camera(layout_from_scene(scene_of({"key": light(0, 0)})).camera)
    places = np.array(points)
    moves = moves_out(frame, places)
    if word not in moves:
        assert not frame.holds(places).any()
        return
    direction = {"left": -frame.right, "right": frame.right, "up": np.array([0.0, 1, 0])}[word]
    assert not frame.holds(places + moves[word] * direction).any()
