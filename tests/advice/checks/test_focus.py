"""Depth of field against published worked examples, the lens's geometry against the renderer's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.advice.checks.focus import (
    backdrop_coverage,
    blur_at,
    circle_of_confusion_m,
    far_limit_m,
    focus_check,
    hyperfocal_m,
    near_limit_m,
)
from sim.studio.layout import layout_from_scene
from tests.advice.checks.setups import light, scene_of

FOOT_M, INCH_M = 0.3048, 0.0254
PAPER = {"kind": "paper", "size": {"width": "3 m", "height": "3.06 m"}, "distance": "2 m"}


def test_a_published_example_of_hyperfocal_distance_and_limits() -> None:
    """NAVEDTRA 14209, "Photography (Basic)", chapter 1: 155 mm at f/2.8 focused at 10 ft.

    Printed there: hyperfocal 554 ft, near 9.8 ft, far 10.2 ft. Its circle of confusion follows from these:
    f^2 / (N H) = 0.0508 mm, 0.002 in.
    """
    far_away = hyperfocal_m(0.155, 2.8, 0.002 * INCH_M)
    assert far_away == pytest.approx(554 * FOOT_M, rel=0.01)
    assert near_limit_m(10 * FOOT_M, 0.155, far_away) == pytest.approx(9.8 * FOOT_M, rel=0.01)
    assert far_limit_m(10 * FOOT_M, 0.155, far_away) == pytest.approx(10.2 * FOOT_M, rel=0.01)


def test_a_textbook_example_of_the_hyperfocal_distance() -> None:
    """50 mm at f/8 with 0.03 mm: f^2 / (N c) + f = 10.47 m, and sharp from half of it."""
    far_away = hyperfocal_m(0.05, 8, 0.03e-3)
    assert far_away == pytest.approx(10.47, rel=0.001)
    assert near_limit_m(far_away, 0.05, far_away) == pytest.approx(far_away / 2, rel=1e-6)
    assert math.isinf(far_limit_m(far_away, 0.05, far_away))


@given(st.floats(20e-3, 300e-3), st.floats(1.2, 22), st.floats(0.8, 12))
def test_the_blur_at_both_limits_is_the_circle_of_confusion(focal_m: float, f_number: float, focus_m: float) -> None:
    camera = scene_of({"key": light(0, 0)}).camera.model_copy(update={"focal_length_m": focal_m, "f_number": f_number})
    circle_m = circle_of_confusion_m(camera)
    far_away = hyperfocal_m(focal_m, f_number, circle_m)
    near, far = near_limit_m(focus_m, focal_m, far_away), far_limit_m(focus_m, focal_m, far_away)
    assert blur_at(near, focus_m, camera).sensor_m == pytest.approx(circle_m, rel=1e-6)
    if math.isfinite(far) and far < 1e4:
        assert blur_at(far, focus_m, camera).sensor_m == pytest.approx(circle_m, rel=1e-6)


def test_circle_of_confusion_goes_with_the_sensor() -> None:
    camera = scene_of({"key": light(0, 0)}).camera
    assert circle_of_confusion_m(camera) == pytest.approx(0.030e-3)
    half = scene_of({"key": light(0, 0)}, {"sensor": {"width": "18 mm", "height": "12 mm"}}).camera
    assert circle_of_confusion_m(half) == pytest.approx(0.015e-3)


def test_the_rendered_blur_of_a_point_has_the_computed_size(engine) -> None:
    """A tiny lamp far behind the focus spreads to a disc: for an even disc the diameter is 4 standard deviations."""
    from sim.render.transport.render import render
    from sim.studio.gear.emitter import Emitter, Profile
    from tests.physics.stages import bare_stage, faced

    scene = scene_of(
        {"key": light(0, 0)}, {"aperture": "f/1.4", "focus": "1 m", "aim": {"at": ["0 m", "1.53 m", "0 m"]}}
    )
    layout = layout_from_scene(scene)
    lamp = faced(Emitter("sphere", 0.004, 10.0, Profile(theta_max_rad=np.pi)), [0, 1.53, 0], [0, 1.53, 3])
    stack = render(bare_stage([lamp], layout=layout), size=(160, 240), samples=1200, depth=0)
    picture = stack.pixels[0].sum(axis=-1)
    across, x = picture.sum(axis=0), np.arange(160)
    middle = (across * x).sum() / across.sum()
    diameter_px = 4 * math.sqrt((across * (x - middle) ** 2).sum() / across.sum())
    blur = blur_at(3.0, 1.0, scene.camera)
    # The renderer keeps the angle of view of focus at infinity: (s - f) / s of a lens that moves out.
    as_rendered = blur.frame_share * (1.0 - scene.camera.focal_length_m) / 1.0 * 160
    assert diameter_px == pytest.approx(as_rendered, rel=0.03)


def test_coverage_of_a_straight_view_is_similar_triangles() -> None:
    scene = scene_of({"key": light(0, 0)}, {"aim": {"at": ["0 m", "1.53 m", "0 m"]}}, backdrop=PAPER)
    found = backdrop_coverage(scene, layout_from_scene(scene))
    width_m, height_m = 5 * 24 / 85, 5 * 36 / 85
    assert found is not None and found.fills
    assert found.frame_m == pytest.approx((width_m, height_m))
    assert [found.spare_m[side] for side in ("left", "right")] == pytest.approx([(3 - width_m) / 2] * 2)
    assert [found.spare_m[side] for side in ("top", "bottom")] == pytest.approx([(3.06 - height_m) / 2] * 2)


def test_a_wide_lens_sees_past_the_backdrop() -> None:
    camera = {"focal_length": "35 mm", "aim": {"at": ["0.5 m", "1.53 m", "0 m"]}}
    scene = scene_of({"key": light(0, 0)}, camera, backdrop=PAPER)
    found = backdrop_coverage(scene, layout_from_scene(scene))
    assert found is not None and not found.fills
    assert found.spare_m["right"] < found.spare_m["left"]
    assert found.spare_m["right"] < 0
    # Turned by atan(0.5 / 3), the right edge meets the plane 5 m away at tan of the sum of both angles.
    edge = 5 * math.tan(math.atan(0.5 / 3) + math.atan(12 / 35))
    assert found.spare_m["right"] == pytest.approx(1.5 - edge, rel=0.02)


def test_parts_outside_the_depth_of_field_are_named() -> None:
    wide = scene_of({"key": light(0, 0)}, {"aperture": "f/1.4", "place": {"at": ["0 m", "1.53 m", "2 m"]}})
    found = focus_check(wide, layout_from_scene(wide))
    assert found.near_m < found.focus_m < found.far_m < found.near_m + 0.06
    # The crown of the hair lies about 9 cm behind the eyes of this figure, the nose 3 cm before them.
    assert found.outside_m["hair"] > 0.04
    assert found.outside_m["face"] < 0
    assert "near eye" not in found.outside_m
    small = wide.model_copy(update={"camera": wide.camera.model_copy(update={"f_number": 22.0})})
    assert focus_check(small, layout_from_scene(small)).outside_m == {}
