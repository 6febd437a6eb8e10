"""What the picture takes in: the camera's pyramid of view as planes in the room, without a renderer.

The camera is the pinhole at the middle of the lens; its angle of view is that of focus at infinity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.studio.layout import CameraView

SIDES = ("left", "right", "top", "bottom")


@dataclass(frozen=True)
class ImageFrame:
    """The pyramid of view: its tip, its axes and half its extent at distance 1.

    `inward` (4, 3): unit normals of the sides `SIDES`, pointing into the picture.
    """

    tip_m: np.ndarray
    right: np.ndarray
    up: np.ndarray
    forward: np.ndarray
    half_width: float
    half_height: float
    inward: np.ndarray

    def depth_m(self, points_m: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) along the optical axis, negative behind the camera."""
        depth_m: np.ndarray = (np.asarray(points_m, float) - self.tip_m) @ self.forward
        return depth_m

    def place(self, points_m: np.ndarray) -> np.ndarray:
        """Place (n, 2) of points in the picture: x 0 left to 1 right, y 0 top to 1 bottom; nan behind the camera."""
        offset = np.asarray(points_m, float) - self.tip_m
        depth = offset @ self.forward
        depth = np.where(depth > 1e-6, depth, np.nan)
        x = (offset @ self.right) / depth / self.half_width
        y = (offset @ self.up) / depth / self.half_height
        return np.stack([(1 + x) / 2, (1 - y) / 2], axis=-1)

    def holds(self, points_m: np.ndarray) -> np.ndarray:
        """Whether points (n, 3) lie inside the pyramid, (n,) bool."""
        return (self.margins_m(points_m) > 0).all(axis=-1) & (self.depth_m(points_m) > 0)

    def margins_m(self, points_m: np.ndarray) -> np.ndarray:
        """Distance (n, 4) of points to the sides in the order of `SIDES`, positive inside."""
        margins_m: np.ndarray = (np.asarray(points_m, float) - self.tip_m) @ self.inward.T
        return margins_m

    def corners_at(self, normal: np.ndarray, offset_m: float) -> np.ndarray:
        """Where the edges of the picture meet the plane `normal` . p = `offset_m`: (4, 3), nan where they do not.

        Order: top left, top right, bottom left, bottom right.
        """
        rays = np.array([
            self.forward + sx * self.half_width * self.right + sy * self.half_height * self.up
            for sy in (1, -1) for sx in (-1, 1)
        ])  # fmt: skip
        along = rays @ normal
        reach = (offset_m - self.tip_m @ normal) / np.where(np.abs(along) > 1e-9, along, np.nan)
        corners_m: np.ndarray = self.tip_m + np.where(reach > 0, reach, np.nan)[:, None] * rays
        return corners_m


def frame_from_camera(camera: CameraView) -> ImageFrame:
    """The pyramid of view of a placed camera."""
    right, up, forward = camera.axes
    half_width = float(np.tan(np.radians(camera.horizontal_fov_deg) / 2))
    half_height = half_width / camera.aspect
    inward = np.array([
        right + half_width * forward,
        -right + half_width * forward,
        -up + half_height * forward,
        up + half_height * forward,
    ])  # fmt: skip
    inward /= np.linalg.norm(inward, axis=1, keepdims=True)
    return ImageFrame(camera.position_m, right, up, forward, half_width, half_height, inward)
