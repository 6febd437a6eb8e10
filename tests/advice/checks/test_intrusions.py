"""Things in the picture: panels whose place in the frame is known, and the moves that take them out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.advice.checks.frame import frame_from_camera
from sim.advice.checks.intrusions import CLEARANCE_M, intrusions, moves_out
from sim.advice.checks.raster import covered_by
from sim.render.stage.solids import STAND_TUBE_M
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


def _share(found) -> float:
    (one,) = found
    return one.frame_share


# The frame spans 24/85 of the distance across and 36/85 up.
FRAME = (24 / 85, 36 / 85)


@pytest.mark.parametrize("away_m", [0.3, 1.0, 2.5])
def test_a_rectangle_covers_what_similar_triangles_say(away_m: float) -> None:
    width_m, height_m = (round(0.4 * side * away_m, 4) for side in FRAME)
    panel = _panel(width_m, height_m, [0.02 * away_m, 1.53, 3 - away_m])
    share = _share(intrusions(staged(scene_of({"key": light(0, 60)}, STRAIGHT, panels={"flag": panel}))))
    assert share == pytest.approx(width_m * height_m / (FRAME[0] * FRAME[1] * away_m**2), rel=0.02)


def test_only_what_lies_inside_the_picture_counts() -> None:
    # A board far larger than the picture whose edge cuts off its right quarter.
    edge_m = 0.25 * FRAME[0] * 0.5
    panel = _panel(2.0, 2.0, [edge_m + 1.0, 1.53, 2.5])
    assert _share(intrusions(staged(_with(panel)))) == pytest.approx(0.25, rel=0.02)


def test_what_stands_behind_something_counts_as_far_as_it_shows() -> None:
    back, front = _panel(0.2, 0.2, [0.0, 1.53, 1.5]), _panel(0.5, 0.5, [0.25, 1.53, 2.0])
    scene = scene_of({"key": light(0, 60)}, STRAIGHT, panels={"back": back, "front": front})
    shown = {item.name: item for item in intrusions(staged(scene))}
    assert shown["back"].visible == pytest.approx(0.5, abs=0.01)
    assert shown["back"].frame_share == pytest.approx(0.1 * 0.2 / (FRAME[0] * FRAME[1] * 1.5**2), rel=0.03)


def test_a_stand_before_the_lens_covers_what_its_tube_does() -> None:
    away_m = 0.8
    high = light(0, 0, place={"at": ["0.03 m", "3 m", f"{3 - away_m} m"]}, stand="floor",
                 aim={"at": ["0.03 m", "0 m", f"{3 - away_m} m"]})  # fmt: skip
    (found,) = [item for item in intrusions(staged(scene_of({"key": light(0, 60), "top": high}, STRAIGHT)))
                if item.thing == "stand"]  # fmt: skip
    # An upright tube of 28 mm from edge to edge of the picture; a tangent cone is wider by a thousandth.
    assert found.frame_share == pytest.approx(STAND_TUBE_M / (FRAME[0] * away_m), rel=0.04)


def test_a_plane_that_runs_past_the_lens_is_cut_off_before_it() -> None:
    """A floor of panels under the lens: what it covers ends at the horizon, half-way up the picture."""
    frame = frame_from_camera(layout_from_scene(scene_of({"key": light(0, 0)}, STRAIGHT)).camera)
    corners = np.array([[-900, 1.43, 900], [900, 1.43, 900], [900, 1.43, -90000], [-900, 1.43, -90000]], float)
    covered = covered_by(frame, corners, np.array([[0, 1, 2], [0, 2, 3]]))
    assert len(covered.place) * covered.sample_share == pytest.approx(0.5, rel=0.01)
    assert covered.points_m[:, 1] == pytest.approx(1.43, abs=1e-6)


def _panel(width_m: float, height_m: float, middle_m: list[float]) -> dict:
    x, y, z = middle_m
    return {
        "kind": "flag",
        "size": {"width": f"{width_m} m", "height": f"{height_m} m"},
        "place": {"at": [f"{x} m", f"{y} m", f"{z} m"]},
        "aim": {"at": [f"{x} m", f"{y} m", f"{z + 0.3} m"]},
    }


def _with(panel: dict):
    return scene_of({"key": light(0, 60)}, STRAIGHT, panels={"flag": panel})
