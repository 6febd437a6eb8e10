"""A picture on its way to the page: every light's layer in half precision, and what each pixel shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim.room.protocol.messages import Sight
from sim.studio.layout import CameraView, unit

# Largest value a layer is scaled to: half precision ends at 65504.
HIGHEST = 32768.0


@dataclass(frozen=True)
class PreviewFrame:
    """A whole picture, light by light, each at full dial and white.

    `names`, `is_flash` (k,) in layer order. `view` (k, h, w, 3) float16 cleaned for viewing, `raw` (k, h, w, 3) float16
    as traced; a layer's linear value, in the unit of `sim.light.stack`, is the stored one times `view_scale[k]` or
    `raw_scale[k]`, powers of two. `part` (h, w) uint8 index into `part_names`, 0 is nothing. `distance_m` (h, w)
    float32 along the pixel's line of sight, 0 where nothing is met. `camera` what it was seen through.
    `pass_name` "first" or "settled"; `samples` (k,) camera rays per pixel of each layer. `fresh` layers traced for this
    request, the others are kept ones; `coarse` layers from few rays, at full or half size; `stale` layers kept though
    something of the set has moved since (both only in a first picture).
    Does not: hold dials, colours or mutes.
    """

    serial: int
    revision: int
    pass_name: str
    names: tuple[str, ...]
    is_flash: tuple[bool, ...]
    view: np.ndarray
    view_scale: tuple[float, ...]
    raw: np.ndarray
    raw_scale: tuple[float, ...]
    part: np.ndarray
    part_names: tuple[str, ...]
    distance_m: np.ndarray
    camera: CameraView
    samples: tuple[int, ...]
    fresh: tuple[str, ...]
    coarse: tuple[str, ...] = ()
    stale: tuple[str, ...] = ()

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self.view.shape[2], self.view.shape[1]

    def layer(self, name: str, kind: str = "view") -> np.ndarray:
        """Linear layer (h, w, 3) float32 of one light, `kind` "view" or "raw"."""
        index = self.names.index(name)
        stored, scale = (self.view, self.view_scale) if kind == "view" else (self.raw, self.raw_scale)
        linear: np.ndarray = stored[index].astype(np.float32) * np.float32(scale[index])
        return linear

    def layer_bytes(self, name: str, kind: str = "view") -> bytes:
        """The stored layer: float16 little-endian, row by row from the top, RGB."""
        stored = self.view if kind == "view" else self.raw
        data: bytes = stored[self.names.index(name)].astype("<f2", copy=False).tobytes()
        return data

    def part_bytes(self) -> bytes:
        """One byte for each pixel, row by row from the top."""
        return self.part.astype(np.uint8, copy=False).tobytes()

    def distance_bytes(self) -> bytes:
        """float32 little-endian metres, row by row from the top."""
        return self.distance_m.astype("<f4", copy=False).tobytes()

    def sight(self) -> Sight:
        """The camera as JSON: with it and a pixel's distance a page finds the pixel's place; see `place_m`."""
        right, up, forward = self.camera.axes
        across, upward = half_extent(self.camera, self.size)
        return {
            "position_m": self.camera.position_m.tolist(), "right": right.tolist(), "up": up.tolist(),
            "forward": forward.tolist(), "half_width": across, "half_height": upward,
        }  # fmt: skip

    def place_m(self, column: int, row: int) -> np.ndarray | None:
        """World point (3,) in the middle of a pixel, None where it shows nothing."""
        distance_m = float(self.distance_m[row, column])
        if distance_m <= 0:
            return None
        width, height = self.size
        right, up, forward = self.camera.axes
        across, upward = half_extent(self.camera, self.size)
        x = (2 * (column + 0.5) / width - 1) * across
        y = (1 - 2 * (row + 0.5) / height) * upward
        return self.camera.position_m + distance_m * unit(forward + x * right + y * up)


def half_extent(camera: CameraView, size: tuple[int, int]) -> tuple[float, float]:
    """Half of the picture's width and height at distance 1 along the optical axis."""
    across = float(np.tan(np.radians(camera.horizontal_fov_deg) / 2))
    return across, across * size[1] / size[0]


def half_precision(layer: np.ndarray) -> tuple[np.ndarray, float]:
    """A layer as float16 and the power of two that it has to be multiplied by.

    What is not finite becomes 0, as does what is below 0 for the denoiser's undershoot.
    """
    safe = np.maximum(np.nan_to_num(np.asarray(layer, np.float32), nan=0.0, posinf=0.0, neginf=0.0), 0)
    highest = float(safe.max(initial=0.0))
    scale = 2.0 ** int(np.ceil(np.log2(highest / HIGHEST))) if highest > 0 else 1.0
    return (safe * np.float32(1 / scale)).astype(np.float16), scale


def frame_from_layers(
    *,
    serial: int,
    revision: int,
    pass_name: str,
    names: tuple[str, ...],
    is_flash: tuple[bool, ...],
    view: Mapping[str, np.ndarray],
    raw: Mapping[str, np.ndarray],
    **others: Any,
) -> PreviewFrame:
    """A frame from linear layers (h, w, 3) by light; `others` are the remaining fields of `PreviewFrame`."""
    seen = [half_precision(view[name]) for name in names]
    traced = [half_precision(raw[name]) for name in names]
    return PreviewFrame(
        serial=serial,
        revision=revision,
        pass_name=pass_name,
        names=names,
        is_flash=is_flash,
        view=np.stack([pixels for pixels, _ in seen]),
        view_scale=tuple(scale for _, scale in seen),
        raw=np.stack([pixels for pixels, _ in traced]),
        raw_scale=tuple(scale for _, scale in traced),
        **others,
    )
