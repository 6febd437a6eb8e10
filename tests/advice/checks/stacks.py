"""Drawn light stacks: pictures whose contrast, glints and noise are known."""

from __future__ import annotations

import numpy as np

from sim.light.mix import Mix
from sim.light.stack import LightStack, no_excess
from sim.scene.model import Camera
from tests.advice.checks.setups import light, scene_of

REGIONS = ("nothing", "face", "hair", "neck", "chest", "arms", "hands", "gown", "suit", "legs", "eyes", "prop",
           "backdrop", "room", "light", "panel")  # fmt: skip


def drawn_stack(layers: dict[str, np.ndarray], region: np.ndarray, variance: float = 0.0, distance_m: float = 3.0):
    """A stack of grey layers (h, w) by light, with one variance for every pixel."""
    pixels = np.stack([np.repeat(layer[..., None], 3, axis=-1) for layer in layers.values()]).astype(np.float32)
    h, w = region.shape
    return LightStack(
        names=tuple(layers), is_flash=(True,) * len(layers), pixels=pixels,
        variance=np.full((len(layers), h, w), variance, np.float32), albedo=np.zeros((h, w, 3), np.float32),
        normal=np.zeros((h, w, 3), np.float32), distance_m=np.full((h, w), distance_m, np.float32),
        region=region.astype(np.uint8), region_names=REGIONS, samples=1, seed=0, depth=1, engine="drawn",
        part_excess=no_excess(len(layers), len(REGIONS)),
    )  # fmt: skip


def mix_of(*names: str) -> Mix:
    """Every light at full dial and white."""
    count = len(names)
    return Mix(names, (0.0,) * count, np.ones((count, 3)), (False,) * count, (True,) * count)


def camera() -> Camera:
    """The camera of the small scenes."""
    return scene_of({"key": light(0, 0)}).camera


def disc(size: tuple[int, int], radius_px: float, region: str = "gown") -> np.ndarray:
    """A round sitter before a backdrop, as a region picture (h, w)."""
    h, w = size
    y, x = np.mgrid[0:h, 0:w]
    inside = np.hypot(x - w / 2, y - h / 2) < radius_px
    return np.where(inside, REGIONS.index(region), REGIONS.index("backdrop"))
