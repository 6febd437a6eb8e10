"""Strips: the set-up built light by light, and the whole less each light, side by side and as slow animations."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from sim.light.develop import develop
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.reports.sheets.lettering import fitted, font, write
from sim.scene.model import Camera

GAP_PX, GROUND, INK = 6, (24, 26, 28), (238, 236, 230)
HOLD_MS, FADE_MS, FADE_FRAMES = 1400, 80, 6  # slow, and faded: nothing here flashes


@dataclass(frozen=True, eq=False)
class StripFrame:
    """One picture (h, w, 3) uint8 of a strip, with its caption."""

    caption: str
    picture: np.ndarray


def build_up(stack: LightStack, mix: Mix, camera: Camera, order: Sequence[str]) -> tuple[StripFrame, ...]:
    """The first light, the first two, and so on, all at the scene's settings.

    Arguments: `order` names of the lights that are enabled, first one first.
    """
    frames = []
    for count, name in enumerate(order, 1):
        picture = develop(stack, mix.only(order[:count]), camera)
        frames.append(StripFrame(f"{count}. {name}" if count == 1 else f"{count}. + {name}", picture))
    return tuple(frames)


def leave_one_out(stack: LightStack, mix: Mix, camera: Camera, order: Sequence[str]) -> tuple[StripFrame, ...]:
    """All lights, then all but each one: what a light does shows where it is missing."""
    frames = [StripFrame("all lights", develop(stack, mix.only(order), camera))]
    for name in order:
        rest = [other for other in order if other != name]
        frames.append(StripFrame(f"without {name}", develop(stack, mix.only(rest), camera)))
    return tuple(frames)


def strip_image(frames: Sequence[StripFrame], height_px: int = 480) -> Image.Image:
    """The frames side by side, each over its caption."""
    pictures = [_scaled(frame.picture, height_px) for frame in frames]
    type_px = max(12, round(height_px / 22))
    foot = round(2.2 * type_px)
    width = sum(p.width for p in pictures) + GAP_PX * (len(pictures) + 1)
    sheet = Image.new("RGB", (width, height_px + GAP_PX + foot), GROUND)
    draw = ImageDraw.Draw(sheet)
    x = GAP_PX
    for frame, picture in zip(frames, pictures, strict=True):
        sheet.paste(picture, (x, GAP_PX))
        text = fitted(frame.caption, type_px, picture.width)
        baseline = GAP_PX + height_px + 0.45 * type_px + font(type_px).getmetrics()[0]
        write(draw, x, baseline, text, type_px, INK)
        x += picture.width + GAP_PX
    return sheet


def animated_webp(frames: Sequence[StripFrame], height_px: int = 600, quality: int = 80) -> bytes:
    """The frames as an animation that fades from one to the next, with their captions, again and again."""
    stills = [_captioned(frame, height_px) for frame in frames]
    shown: list[Image.Image] = []
    lasting: list[int] = []
    for still, following in zip(stills, [*stills[1:], stills[0]], strict=True):
        shown.append(still)
        lasting.append(HOLD_MS)
        for step in range(1, FADE_FRAMES):
            shown.append(Image.blend(still, following, step / FADE_FRAMES))
            lasting.append(FADE_MS)
    stream = io.BytesIO()
    shown[0].save(stream, "WEBP", save_all=True, append_images=shown[1:], duration=lasting, loop=0, quality=quality)
    return stream.getvalue()


def _captioned(frame: StripFrame, height_px: int) -> Image.Image:
    picture = _scaled(frame.picture, height_px)
    type_px = max(12, round(height_px / 26))
    sheet = Image.new("RGB", (picture.width, height_px + round(2 * type_px)), GROUND)
    sheet.paste(picture, (0, 0))
    text = fitted(frame.caption, type_px, picture.width - type_px)
    baseline = height_px + 0.35 * type_px + font(type_px).getmetrics()[0]
    write(ImageDraw.Draw(sheet), type_px // 2, baseline, text, type_px, INK)
    return sheet


def _scaled(picture: np.ndarray, height_px: int) -> Image.Image:
    image = Image.fromarray(np.ascontiguousarray(picture))
    if image.height == height_px:
        return image
    return image.resize((max(1, round(image.width * height_px / image.height)), height_px), Image.Resampling.LANCZOS)
