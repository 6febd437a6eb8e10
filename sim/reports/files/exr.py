"""The light stack as one OpenEXR file: a named layer per light, in linear light, and what the camera met.

Channels: `R G B` the combined picture at the camera's settings, linear, 0.18 is middle grey, white balanced;
`<light>.R .G .B` each light as rendered, at full dial and of white colour: cd/m2, for flash cd s/m2 (BT.709 primaries);
`albedo.R .G .B`; `normal.X .Y .Z`; `depth.Z` metres from the lens; `part.id` whole numbers named in `halfstop.parts`.
Attributes `halfstop.<light>.*` hold the weights of the mix: picture = sum of layers x weight_rgb x picture_scale_rgb.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from sim.light.mix import Mix
from sim.light.stack import LightStack

LARGEST_HALF = 65504.0  # IEEE 754 binary16
RESERVED = ("albedo", "normal", "depth", "part")
# ITU-R BT.709 primaries and D65, as x, y pairs of red, green, blue, white.
CHROMATICITIES = (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290)


def exr_layer_names(names: Sequence[str]) -> list[str]:
    """Return a layer name for each light: letters, digits and `_` only, each once.

    >>> exr_layer_names(["key", "rim light", "rim_light", "depth"])
    ['key', 'rim_light', 'rim_light_2', 'depth_2']
    """
    taken = set(RESERVED)
    layer_names = []
    for name in names:
        plain = re.sub(r"[^A-Za-z0-9_]", "_", name)
        free, count = plain, 1
        while free in taken:
            count += 1
            free = f"{plain}_{count}"
        taken.add(free)
        layer_names.append(free)
    return layer_names


def write_layers(
    path: Path,
    stack: LightStack,
    mix: Mix,
    *,
    combined: np.ndarray,
    picture_scale_rgb: np.ndarray,
    shutter_s: float,
    notes: dict[str, str],
) -> None:
    """Write the measured layers, not the denoised ones, with the mix's weights beside them.

    combined: (h, w, 3) linear picture at the camera's settings. picture_scale_rgb: (3,) factor from exposure to it.
    shutter_s: time that the weights of continuous light hold. notes: title, scene hash, engine and the like.
    Does not: apply dials or colours to the layers.
    """
    import OpenEXR  # type: ignore[import-not-found,unused-ignore]

    channels = _rgb("", _half(combined))
    header: dict[str, object] = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "chromaticities": CHROMATICITIES,
        "halfstop.picture_scale_rgb": _floats(picture_scale_rgb),
        "halfstop.parts": " ".join(f"{i}={name}" for i, name in enumerate(stack.region_names)),
        **{f"halfstop.{key}": text for key, text in notes.items()},
    }
    weights = mix.weights_rgb(shutter_s)
    for index, layer in enumerate(exr_layer_names(stack.names)):
        channels |= _rgb(f"{layer}.", _half(stack.pixels[index]))
        header |= {
            f"halfstop.{layer}.light": stack.names[index],
            f"halfstop.{layer}.unit": "cd s/m2" if stack.is_flash[index] else "cd/m2",
            f"halfstop.{layer}.dial_stops": float(mix.dial_stops[index]),
            f"halfstop.{layer}.color_rgb": _floats(mix.color_rgb[index]),
            f"halfstop.{layer}.weight_rgb": _floats(weights[index]),
            f"halfstop.{layer}.muted": int(mix.muted[index]),
        }
    channels |= _rgb("albedo.", _half(stack.albedo))
    channels |= {f"normal.{axis}": _half(stack.normal[..., i]) for i, axis in enumerate("XYZ")}
    channels["depth.Z"] = np.ascontiguousarray(stack.distance_m, np.float32)
    channels["part.id"] = np.ascontiguousarray(stack.region, np.uint32)
    try:
        OpenEXR.File(header, channels, num_threads=1).write(str(path))
    except RuntimeError as error:
        # The library tells a full or lost disk this way.
        raise OSError(errno.EIO, str(error)) from None


def _rgb(prefix: str, picture: np.ndarray) -> dict[str, np.ndarray]:
    return {f"{prefix}{c}": np.ascontiguousarray(picture[..., i]) for i, c in enumerate("RGB")}


def _half(values: np.ndarray) -> np.ndarray:
    """Half floats where they can hold the values, else single ones."""
    return values.astype(np.float16 if np.abs(values).max(initial=0) <= LARGEST_HALF else np.float32)


def _floats(values: np.ndarray) -> np.ndarray:
    return np.asarray(values, np.float32)
