"""What the arms do, by name: bone rotations for a pose, and where the prop lies in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from . import posing
from .parts import Part
from .posing import ArmPose, Skeleton
from .viola import BOW_M, BRIDGE_AT_M, BRIDGE_HIGH_M, RIB_M, bow_parts, viola_parts

_AT_SIDE = ArmPose((0.20, -1.0, -0.03), (0.10, -1.0, 0.20))
_AT_SIDE_IN_SUIT = ArmPose((0.24, -1.0, -0.03), (0.13, -1.0, 0.20))
_ON_HIP = ArmPose((0.0, -1.0, 0.0), (0.0, -1.0, 0.0), hand=(-0.42, -0.42, 0.80), curl_deg=10.0, fore_twist_deg=25.0)
_ON_NECK = ArmPose(
    (0.0, -1.0, 0.0), (0.0, -1.0, 0.0), curl_deg=38.0, thumb_deg=-6.0, shoulder_deg=0.0, fore_twist_deg=-95.0
)
_ON_BOW = ArmPose((0.0, -1.0, 0.0), (0.0, -1.0, 0.0), curl_deg=22.0, shoulder_deg=0.0, fore_twist_deg=15.0)

# The viola when played, for a body of 1.68 m: end button, direction of the neck, direction out of its top.
_BUTTON_M = np.array([0.075, 1.398, 0.030])
_NECK = np.array([0.62, 0.13, 0.77])
_FACE = np.array([-0.30, 0.93, 0.12])
_BOW_SHARE = 0.42


def gesture(
    skeleton: Skeleton, name: str, suit: bool, viola: bool, scale: float
) -> tuple[dict[str, np.ndarray], list[Part]]:
    """Bone rotations and prop parts for a named pose; `scale` is the build's stature over 1.68 m."""
    side = _AT_SIDE_IN_SUIT if suit else _AT_SIDE
    if name == "at sides":
        turns = posing.arm_turns(skeleton, "L", side) | posing.arm_turns(skeleton, "R", side)
        return turns, _hanging_viola(skeleton, turns) if viola else []
    if name == "hand on hip":
        hip = np.array([0.232 if suit else 0.212, 1.000, 0.050]) * scale
        left = posing.reached(skeleton, "L", _ON_HIP, hip, np.array([0.8, -0.1, -0.6]))
        turns = posing.arm_turns(skeleton, "L", left) | posing.arm_turns(skeleton, "R", side)
        return turns, _hanging_viola(skeleton, turns, "R") if viola else []
    return _playing(skeleton, viola, scale)


def _playing(skeleton: Skeleton, viola: bool, scale: float) -> tuple[dict[str, np.ndarray], list[Part]]:
    """The instrument on the shoulder at +X, that hand round its neck, the other drawing the bow."""
    frame = _frame(_BUTTON_M * scale, _NECK, _FACE)
    hold = frame[:, :3] @ np.array([0.012, 0.452, -0.052]) + frame[:, 3]
    left = posing.reached(skeleton, "L", _ON_NECK, hold, np.array([0.1, -1.0, 0.1]))
    contact = frame[:, :3] @ np.array([0.0, BRIDGE_AT_M + 0.035, RIB_M / 2 + BRIDGE_HIGH_M + 0.003]) + frame[:, 3]
    draw = frame[:, :3] @ np.array([-1.0, 0.05, 0.08])
    draw /= np.linalg.norm(draw)
    frog = contact - draw * BOW_M * _BOW_SHARE
    # Bring the wrist up to the frog from the shoulder and bend the hand over it.
    back = skeleton.head("upperarm01.R") - frog
    grip = frog + 0.082 * back / np.linalg.norm(back) + 0.040 * frame[:, 2]
    bow_hand = replace(_ON_BOW, hand=tuple((frog - grip) * [-1.0, 1.0, 1.0]))
    right = posing.reached(skeleton, "R", bow_hand, grip, np.array([-0.6, -0.7, 0.0]))
    turns = posing.arm_turns(skeleton, "L", left) | posing.arm_turns(skeleton, "R", right)
    parts = [*viola_parts(frame), *bow_parts(frog, draw, frame[:, 2])] if viola else []
    return turns, parts


def _hanging_viola(skeleton: Skeleton, turns: dict[str, np.ndarray], side: str = "L") -> list[Part]:
    """The viola held by its neck beside the body, scroll up and top outward."""
    sign = 1.0 if side == "L" else -1.0
    move = skeleton.transforms(turns)[skeleton.index(f"finger3-1.{side}")]
    grip = move[:, :3] @ skeleton.head(f"finger3-1.{side}") + move[:, 3]
    neck = np.array([0.10 * sign, 0.93, -0.36])
    face = np.array([0.85 * sign, 0.1, 0.5])
    frame = _frame(np.zeros(3), neck, face)
    frame[:, 3] = grip + np.array([0.012 * sign, -0.02, 0.0]) - frame[:, :3] @ np.array([0.0, 0.47, 0.010])
    return viola_parts(frame)


def _frame(origin: np.ndarray, along: np.ndarray, face: np.ndarray) -> np.ndarray:
    """World-from-viola (3, 4) with y along the neck and z out of the top."""
    y = along / np.linalg.norm(along)
    z = face - (face @ y) * y
    z /= np.linalg.norm(z)
    return np.column_stack([np.cross(y, z), y, z, origin])
