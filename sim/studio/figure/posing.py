"""Skeleton of the stand-in: arm and head poses as bone transforms, and the bending of skin by them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from . import shapes

# Share of the head's turn that each joint takes; the rest of the neck follows.
HEAD_CHAIN = {"neck01": 0.18, "neck02": 0.22, "neck03": 0.25, "head": 0.35}


@dataclass(frozen=True)
class Skeleton:
    """Bones of one build: names, parent index (-1 for the root) and start points (b, 3) at rest."""

    names: list[str]
    parents: np.ndarray
    heads_m: np.ndarray

    def index(self, bone: str) -> int:
        """Index of a bone by name."""
        return self.names.index(bone)

    def head(self, bone: str) -> np.ndarray:
        """Start point (3,) of a bone at rest."""
        head_m: np.ndarray = self.heads_m[self.index(bone)]
        return head_m

    def transforms(self, turns: dict[str, np.ndarray]) -> np.ndarray:
        """World transforms (b, 3, 4) from rest, given rotations (3, 3) of bones relative to their parents."""
        result = np.zeros((len(self.names), 3, 4))
        for i, name in enumerate(self.names):
            parent = self.parents[i]
            base = np.eye(3, 4) if parent < 0 else result[parent]
            turn = turns.get(name)
            if turn is None:
                result[i] = base
                continue
            rotation = base[:, :3] @ turn
            pivot = base[:, :3] @ self.heads_m[i] + base[:, 3]
            result[i, :, :3] = rotation
            result[i, :, 3] = pivot - rotation @ self.heads_m[i]
        return result


def bent(points: np.ndarray, shares: sp.csr_matrix, transforms: np.ndarray) -> np.ndarray:
    """Linear-blend skinning: points (n, 3) moved by the share-weighted mean of bone transforms."""
    blend = (shares @ transforms.reshape(len(transforms), 12)).reshape(-1, 3, 4)
    moved: np.ndarray = np.einsum("nij,nj->ni", blend[:, :, :3], points) + blend[:, :, 3]
    return moved


def rotation_about(axis: np.ndarray, angle_deg: float) -> np.ndarray:
    """Rotation (3, 3) about an axis by the right-hand rule (Rodrigues' formula)."""
    unit = np.asarray(axis, float) / np.linalg.norm(axis)
    cross = np.array([[0, -unit[2], unit[1]], [unit[2], 0, -unit[0]], [-unit[1], unit[0], 0]])
    angle = np.radians(angle_deg)
    rotation: np.ndarray = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
    return rotation


def rotation_between(start: np.ndarray, goal: np.ndarray) -> np.ndarray:
    """Smallest rotation (3, 3) that carries one direction onto another."""
    a, b = start / np.linalg.norm(start), goal / np.linalg.norm(goal)
    axis = np.cross(a, b)
    if np.linalg.norm(axis) < 1e-9:
        return np.eye(3)
    return rotation_about(axis, np.degrees(np.arctan2(np.linalg.norm(axis), a @ b)))


def head_turns(turn_deg: float, nod_deg: float, tilt_deg: float) -> dict[str, np.ndarray]:
    """Rotations of neck and head bones that add up to about the asked angles."""
    return {
        bone: shapes.head_rotation_from_angles(share * turn_deg, share * nod_deg, share * tilt_deg)
        for bone, share in HEAD_CHAIN.items()
    }


@dataclass(frozen=True)
class ArmPose:
    """How one arm is held, for the sitter's left arm (+X); the right arm mirrors it.

    Directions are unit-free and in body axes; twists turn the bone about its own length (degrees, positive
    turns the palm inward then back); `curl_deg` bends each finger joint, `spread` scales from little to index.
    """

    upper: tuple[float, float, float]
    fore: tuple[float, float, float]
    upper_twist_deg: float = 0.0
    fore_twist_deg: float = 0.0
    hand: tuple[float, float, float] | None = None
    curl_deg: float = 14.0
    thumb_deg: float = 8.0
    shoulder_deg: float = -6.0


def reached(skeleton: Skeleton, side: str, pose: ArmPose, wrist_m: np.ndarray, elbow: np.ndarray) -> ArmPose:
    """The pose with upper and forearm directions that bring the wrist to a point, the elbow pointing `elbow`.

    Takes the arm as two rigid lengths (law of cosines); a point out of reach is approached as far as possible.
    `wrist_m` and `elbow` are in body axes. Does not: keep the arm out of the body.
    """
    sign = 1.0 if side == "L" else -1.0
    collar, joint = skeleton.head(f"shoulder01.{side}"), skeleton.head(f"upperarm01.{side}")
    start = collar + shapes.rotation_z_from_deg(sign * pose.shoulder_deg) @ (joint - collar)
    upper = np.linalg.norm(skeleton.head(f"lowerarm01.{side}") - joint)
    fore = np.linalg.norm(skeleton.head(f"wrist.{side}") - skeleton.head(f"lowerarm01.{side}"))
    span = np.asarray(wrist_m) - start
    far = float(np.clip(np.linalg.norm(span), abs(upper - fore) + 0.01, upper + fore - 0.002))
    along = span / np.linalg.norm(span)
    aside = np.asarray(elbow) - (np.asarray(elbow) @ along) * along
    aside /= np.linalg.norm(aside)
    cosine = float((upper**2 + far**2 - fore**2) / (2.0 * upper * far))
    bend = start + upper * (cosine * along + np.sqrt(max(1.0 - cosine**2, 0.0)) * aside)
    mirror = np.array([sign, 1.0, 1.0])
    return replace(pose, upper=tuple(mirror * (bend - start)), fore=tuple(mirror * (start + far * along - bend)))


def arm_turns(skeleton: Skeleton, side: str, pose: ArmPose) -> dict[str, np.ndarray]:
    """Rotations relative to the parents for the shoulder, arm, hand and fingers of one side ("L" is +X)."""
    sign = 1.0 if side == "L" else -1.0
    mirror = np.array([sign, 1.0, 1.0])

    def bone(name: str) -> np.ndarray:
        return skeleton.head(f"{name}.{side}")

    turns: dict[str, np.ndarray] = {}
    shoulder = shapes.rotation_z_from_deg(sign * pose.shoulder_deg)
    turns[f"shoulder01.{side}"] = shoulder

    # Aim the upper arm, then the forearm; share the forearm's twist between its two bones.
    rest_upper = bone("lowerarm01") - bone("upperarm01")
    rest_fore = bone("wrist") - bone("lowerarm01")
    goal_upper = mirror * np.asarray(pose.upper)
    world = shoulder
    aim = rotation_between(world @ rest_upper, goal_upper) @ world
    aim = rotation_about(goal_upper, sign * pose.upper_twist_deg) @ aim
    turns[f"upperarm01.{side}"] = world.T @ aim
    world = aim
    goal_fore = mirror * np.asarray(pose.fore)
    aim = rotation_between(world @ rest_fore, goal_fore) @ world
    half = rotation_about(goal_fore, sign * 0.5 * pose.fore_twist_deg)
    turns[f"lowerarm01.{side}"] = world.T @ half @ aim
    turns[f"lowerarm02.{side}"] = (half @ aim).T @ half @ half @ aim
    world = half @ half @ aim
    rest_hand = bone("finger3-1") - bone("wrist")
    if pose.hand is not None:
        aim = rotation_between(world @ rest_hand, mirror * np.asarray(pose.hand)) @ world
        turns[f"wrist.{side}"] = world.T @ aim

    # Curl fingers about the axis across the palm, less for the index than for the little finger.
    across = bone("finger2-1") - bone("finger5-1")
    for finger in range(2, 6):
        along = bone(f"finger{finger}-3") - bone(f"finger{finger}-1")
        palm = np.cross(along, across)
        axis = np.cross(palm, along)
        share = np.interp(finger, [2, 5], [0.75, 1.2])
        for joint, part in ((1, 1.0), (2, 1.15), (3, 0.7)):
            turns[f"finger{finger}-{joint}.{side}"] = rotation_about(axis, -sign * pose.curl_deg * share * part)
    thumb = bone("finger1-3") - bone("finger1-1")
    axis = np.cross(np.cross(thumb, rest_hand), thumb)
    for joint in (2, 3):
        turns[f"finger1-{joint}.{side}"] = rotation_about(axis, pose.thumb_deg * 0.5)
    return turns
