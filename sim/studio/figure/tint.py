"""Colour per point from painted channels and a sitter's tones, in linear sRGB."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

Rgb = npt.NDArray[np.floating]
Channels = Mapping[str, npt.NDArray[np.floating]]
# No skin or hair is paler (common practice, no source).
PALEST = 0.72


def _toward(color: Rgb, goal: Rgb, share: npt.NDArray[np.floating]) -> Rgb:
    limited: Rgb = np.clip(share, 0.0, 1.0)
    return color + limited[:, None] * (goal - color)


def skin_color(channels: Channels, skin: Rgb, hair: Rgb) -> npt.NDArray[np.float32]:
    """Skin reflectance (n, 3) from channels (n,) in 0..1: lips, lids, blush, hollow, scalp, brow, mouth, nails."""
    count = len(channels["blush"])
    color = np.repeat(skin[None], count, axis=0)
    color = color * (0.955 + 0.09 * channels["mottle"])[:, None]
    # Blood makes a place redder by taking green and blue away.
    color = _toward(color, skin * [1.02, 0.74, 0.72], 0.75 * channels["blush"])
    color = _toward(color, skin * [0.80, 0.68, 0.72], 0.8 * channels["hollow"])
    color = _toward(color, skin * [0.82, 0.70, 0.68], 0.45 * channels["lids"])
    color = _toward(color, skin * [0.70, 0.40, 0.42], 0.85 * channels["lips"])
    color = _toward(color, skin * [1.05, 0.95, 0.95] + 0.02, 0.7 * channels["nails"])
    color = _toward(color, 0.35 * skin + 0.65 * np.array(brow_color(hair, skin)), 0.48 * channels["brow"])
    color = _toward(color, 0.25 * skin + 0.75 * hair, 0.80 * channels["scalp"])
    color = _toward(color, np.array([0.10, 0.025, 0.022]), channels["mouth"])
    return np.clip(color, 0.0, PALEST).astype(np.float32)


def hair_color(channels: Channels, hair: Rgb, skin: Rgb) -> npt.NDArray[np.float32]:
    """Hair albedo (n, 3) from `streak` (tone) and `fade` (share of skin showing through)."""
    tone = 0.55 + 0.9 * channels["streak"]
    color = hair[None] * tone[:, None] * (1.0 + 0.12 * (tone - 1.0)[:, None] * np.array([1.0, 0.3, 0.0]))
    return np.clip(_toward(color, 0.72 * skin + 0.28 * hair, channels["fade"]), 0.0, PALEST).astype(np.float32)


def brow_color(hair: Rgb, skin: Rgb) -> tuple[float, float, float]:
    """Brow albedo: that of the hair, but never pale, since brows are darker than light hair."""
    level = float(hair @ np.array([0.2126, 0.7152, 0.0722]))
    red, green, blue = min(1.3, 0.055 / max(level, 1e-4)) * hair + 0.05 * skin
    return float(red), float(green), float(blue)


def iris_rgb(skin: Rgb) -> tuple[float, float, float]:
    """Iris reflectance: hazel with pale skin, dark brown with deep skin (common practice, no source)."""
    pale = float(np.clip((skin @ np.array([0.2126, 0.7152, 0.0722]) - 0.08) / 0.27, 0.0, 1.0))
    red, green, blue = pale * np.array([0.100, 0.058, 0.030]) + (1.0 - pale) * np.array([0.030, 0.015, 0.008])
    return float(red), float(green), float(blue)


def eye_color(channels: Channels, iris: tuple[float, float, float]) -> npt.NDArray[np.float32]:
    """Eye reflectance (n, 3) from `iris` brightness, `sclera`, `pupil` and `vein` channels."""
    tone = channels["iris"][:, None] / 0.5
    color: Rgb = np.asarray(iris) * tone * (1.0 + 0.25 * (tone - 1.0) * np.array([1.0, 0.55, 0.1]))
    white = np.array([0.50, 0.475, 0.45]) * (1.0 - channels["vein"][:, None] * np.array([0.10, 0.26, 0.28]))
    color = color + channels["sclera"][:, None] * (white - color)
    color = color + channels["pupil"][:, None] * (0.003 - color)
    limited: npt.NDArray[np.float32] = np.clip(color, 0.0, 0.9).astype(np.float32)
    return limited
