"""The light stack: one linear picture per light, the seam between light transport and everything after it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

# What a part of the picture can show, by its number in `LightStack.region`.
REGIONS = (
    "nothing", "face", "hair", "neck", "chest", "arms", "hands", "gown", "suit", "legs", "eyes", "prop",
    "backdrop", "room", "light", "panel",
)  # fmt: skip


@dataclass(frozen=True)
class LightStack:
    """Every light's own picture in absolute, linear units, as rendered.

    `names` (k,) lights in scene order; `is_flash` (k,) whether the layer is an exposure or a luminance.
    `pixels` (k, h, w, 3) float32, linear RGB with the luminance weights of `sim.quantities.color`: luminance in cd/m2
    for continuous light, in cd s/m2 for flash, each light at full dial and of unit white colour.
    `variance` (k, h, w) float32: variance of the luminance of each pixel's mean, in the same unit squared.
    `albedo` (h, w, 3), `normal` (h, w, 3), `distance_m` (h, w): what the camera rays met, averaged per pixel.
    `region` (h, w) uint8: index into `region_names` of what most of a pixel shows; 0 is nothing.
    `samples` camera rays per pixel, `seed`, `depth` (limit of bounces, None for none), `engine`: how it was made.
    `part_excess` (k, r, 4): what the mean of each part's pixels lacks, RGB, and the variance of the luminance of that;
    0 where the pixels are unbiased themselves (`no_excess`).
    `denoised` (k, h, w, 3) or None: the same layers cleaned for viewing; no reading may use them.

    Does not: hold dial, colour, exposure or mute, which are weights applied later.
    """

    names: tuple[str, ...]
    is_flash: tuple[bool, ...]
    pixels: np.ndarray
    variance: np.ndarray
    albedo: np.ndarray
    normal: np.ndarray
    distance_m: np.ndarray
    region: np.ndarray
    region_names: tuple[str, ...]
    samples: int
    seed: int
    depth: int | None
    engine: str
    part_excess: np.ndarray
    denoised: np.ndarray | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Picture size in pixels: (width, height)."""
        return self.pixels.shape[2], self.pixels.shape[1]

    @property
    def made(self) -> str:
        """How it was made, for a note: "4 samples, seed 0"."""
        limit = "" if self.depth is None else f", at most {self.depth} bounce{'s' * (self.depth != 1)}"
        return f"{self.samples} samples, seed {self.seed}{limit}"

    def layer(self, name: str) -> np.ndarray:
        """Linear picture (h, w, 3) of one light, as rendered."""
        layer: np.ndarray = self.pixels[self.names.index(name)]
        return layer

    def mask(self, region: str) -> np.ndarray:
        """Pixels (h, w) bool that show `region`; all False where the camera does not see it."""
        if region not in self.region_names:
            return np.zeros(self.region.shape, bool)
        mask: np.ndarray = self.region == self.region_names.index(region)
        return mask

    def part_means(self, region: str) -> tuple[np.ndarray, np.ndarray]:
        """Unbiased mean of the pixels that show `region`, (k, 3), and the standard error of its luminance, (k,).

        Not a number where none does.
        """
        mask = self.mask(region)
        count = int(mask.sum())
        if count == 0:
            return np.full((len(self.names), 3), np.nan), np.full(len(self.names), np.nan)
        means = self.pixels[:, mask].mean(axis=1, dtype=np.float64)
        variance = self.variance[:, mask].sum(axis=1, dtype=np.float64) / count**2
        excess = self.part_excess[:, self.region_names.index(region)]
        return means + excess[:, :3], np.sqrt(variance + excess[:, 3])

    def mixed(self, weights_rgb: np.ndarray, *, for_viewing: bool = False) -> np.ndarray:
        """Sum of the layers (h, w, 3), each times its own weight.

        `weights_rgb` (k, 3): dial, colour, mute and, for continuous light, shutter time.
        `for_viewing` takes the denoised layers where there are any.
        """
        source = self.denoised if for_viewing and self.denoised is not None else self.pixels
        mixed: np.ndarray = np.einsum("khwc,kc->hwc", source, np.asarray(weights_rgb, dtype=np.float32))
        return mixed

    def with_denoised(self, denoised: np.ndarray) -> LightStack:
        """The same stack with layers cleaned for viewing beside the measured ones."""
        if denoised.shape != self.pixels.shape:
            raise ValueError(f"denoised layers have shape {denoised.shape}, not {self.pixels.shape}")
        return replace(self, denoised=denoised)


def no_excess(layers: int, parts: int) -> np.ndarray:
    """`LightStack.part_excess` of pixels that are unbiased themselves: zeros (layers, parts, 4)."""
    return np.zeros((layers, parts, 4))
