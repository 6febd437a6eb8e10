"""Axes of what an eye sees: one rule for the picture, the checks, the page and the drawings, steep views too."""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.frame import frame_from_camera
from sim.reports.rig_view import eye_matrix
from sim.studio.layout import CameraView, axes_from_direction, frame_from_aim, unit

DOWN, UP = np.array([0.0, -1.0, 0.0]), np.array([0.0, 1.0, 0.0])


def view_along(direction: np.ndarray) -> CameraView:
    eye_m = np.array([0.2, 1.5, 0.3])
    return CameraView(eye_m, eye_m + 2 * direction, 30.0, 2 / 3, eye_m + direction, 1.0, 0.005)


@pytest.mark.parametrize("direction", [DOWN, UP, unit(np.array([0.1, -1.0, 0.02])), np.array([0.0, 0.0, -1.0])])
def test_axes_are_a_right_handed_frame_in_every_direction(direction: np.ndarray) -> None:
    right, up, forward = axes_from_direction(direction)
    frame = np.array([right, up, -forward])
    # An orthonormal frame times its transpose is the identity, its determinant 1: to rounding.
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(frame) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("direction", [DOWN, UP, unit(np.array([0.3, -0.2, -1.0]))])
def test_picture_checks_and_drawing_agree_on_the_axes(direction: np.ndarray) -> None:
    camera = view_along(direction)
    frame = frame_from_camera(camera)
    for ours, theirs in zip(camera.axes, (frame.right, frame.up, frame.forward), strict=True):
        np.testing.assert_array_equal(ours, theirs)
    pose = eye_matrix(camera.position_m, camera.aim_m)
    np.testing.assert_allclose(pose[:3, :3].T, [camera.axes[0], camera.axes[1], -camera.axes[2]], atol=1e-12)


def test_the_renderer_looks_along_the_same_axes(engine: object) -> None:
    from sim.render.stage.build import _frame

    for direction in (DOWN, UP, unit(np.array([0.3, -0.2, -1.0]))):
        camera = view_along(direction)
        matrix = np.array(_frame(camera.position_m, camera.aim_m).matrix, float)
        # The renderer's x points to the left of the picture; its numbers are single precision.
        np.testing.assert_allclose(matrix[:3, 0], -camera.axes[0], atol=1e-6)
        np.testing.assert_allclose(matrix[:3, 1], camera.axes[1], atol=1e-6)


@pytest.mark.parametrize("direction", [DOWN, UP])
def test_a_light_that_points_straight_down_or_up_has_a_frame(direction: np.ndarray) -> None:
    frame = frame_from_aim(np.zeros(3), direction)
    np.testing.assert_allclose(frame[:3, :3] @ frame[:3, :3].T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(frame[:3, 2], direction)
