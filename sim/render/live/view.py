"""One camera's view of a set, kept while a hand drags: a moved light's layer within some milliseconds.

    view = LiveView(Ground(scene, layout), (400, 600))
    view.carry("key", placed, boxes, settled)        # once a picture has settled
    layer, scale = view.layer("key", placed_now, boxes_now)

A layer is the direct light of the lamp where it stands now, on surfaces found once, and what else the settled layer
held: light that came back from the set, carried along as it was. Recordings are used again, all numbers of the lamp are
opaque, and no step grows with the set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.render.live.cleaning import Smoothing, smoothed, smoothing_of
from sim.render.live.direct import DirectSums, Effort, arriving_share, direct_sums, luminance_of
from sim.render.live.enlarging import ALBEDO_FLOOR, Taps, enlarged, enlarged_values, taps_of
from sim.render.live.ground import Ground
from sim.render.live.hits import BusyHits, FirstHits, Lens, busy_hits_of, first_hits_of, lens_of
from sim.render.live.occluders import Boxes
from sim.render.live.recordings import Recordings, own_array
from sim.render.stage.build import world_from_faces
from sim.render.transport.luminaire import Luminaire
from sim.studio.layout import PlacedLight

# Half precision ends at 65504; a lamp that comes nearer than it was still fits.
HIGHEST, HEADROOM = 32768.0, 64.0
MOST_HALF = 65000.0
# Samples of the direct light that is taken off a settled layer.
CARRY_ROUNDS = 4
# Error of the direct light of a pixel, as a part of it, by trial.
DOUBT = 0.3


@dataclass
class Carried:
    """What a layer keeps while its lamp moves, at full size: `indirect` Color3f, and the power of two of its halves."""

    indirect: Any
    scale: float


@dataclass
class Sight:
    """A size of the view: hits, their filter, and how to bring it to full size (None: it is the full size)."""

    hits: FirstHits
    smoothing: Smoothing
    taps: Taps | None


class LiveView:
    """Layers of moved lights as a camera sees them.

    Arguments: `ground` room, backdrop and sitter as they stand and the camera that looks; when any of them has moved,
    another view is wanted. `size` (width, height) of the picture; `recordings` are shared by views.
    """

    def __init__(self, ground: Ground, size: tuple[int, int], recordings: Recordings | None = None) -> None:
        self.ground, self.size, self.camera = ground, size, ground.camera
        self.recordings = recordings or Recordings()
        self._sights: dict[int, Sight] = {}
        self._carried: dict[str, Carried] = {}
        self._seen = dr.full(mi.Float, 1, size[0] * size[1])
        self._busy: BusyHits | None = None
        self._sums: tuple[object, DirectSums] | None = None

    def sight(self, divisor: int) -> Sight:
        """The view at the full size over `divisor`."""
        if divisor not in self._sights:
            width, height = self.size
            small = -(-width // divisor), -(-height // divisor)
            hits = first_hits_of(self.ground, small, self.recordings)
            taps = None if divisor == 1 else taps_of(hits, self.sight(1).hits, self.recordings)
            self._sights[divisor] = Sight(hits, smoothing_of(hits, small[1], self.recordings), taps)
        return self._sights[divisor]

    @property
    def busy(self) -> BusyHits:
        """The pixels that show more than one surface."""
        if self._busy is None:
            self._busy = busy_hits_of(self.ground, self.size, self.recordings)
        return self._busy

    def see(self, seen: np.ndarray) -> None:
        """Which pixels (h, w) bool show what the ground holds; in the others a settled layer stays as it is."""
        self._seen = own_array(seen)

    def carries(self, name: str) -> bool:
        """Whether the light's settled layer has been taken apart."""
        return name in self._carried

    def forget(self) -> None:
        """Let go of all settled layers."""
        self._carried.clear()

    # -- layers ----------------------------------------------------------------------------------

    def carry(self, name: str, placed: PlacedLight, boxes: Boxes, settled: np.ndarray) -> None:
        """Take a settled layer (h, w, 3) apart: off goes its direct light where the lamp stood, the rest is carried."""
        sight, faces = self.sight(1), luminaires_of(placed)
        sums = None
        for round_number in range(CARRY_ROUNDS):
            sums = self._sampled(sight, faces, boxes, round_number, sums)
        assert sums is not None
        layer = dr.unravel(mi.Color3f, own_array(settled))
        tone, direct = sight.hits.albedo + ALBEDO_FLOOR, _direct(sums, sight, sight.hits.albedo, self.busy)
        rest = layer - direct
        dr.eval(rest)
        even = tone * mi.Color3f(*smoothed(sight.smoothing, list(rest * self._seen / tone)))
        even = dr.maximum(even, 0)
        # Trust a pixel's own rest as far as it stands out from what the direct light may be wrong by.
        own = dr.square(luminance_of(even))
        trust = own / (own + dr.square(DOUBT * luminance_of(direct)) + 1e-30)
        # Where a lamp or a panel is seen, the layer stays as it settled.
        indirect = dr.select(self._seen > 0, dr.maximum(dr.lerp(even, rest, trust), 0), layer)
        dr.eval(indirect)
        self._carried[name] = Carried(indirect, _scale_of(settled))

    def carry_whole(self, name: str, settled: np.ndarray) -> None:
        """Carry a settled layer (h, w, 3) of what is no lamp as it is."""
        layer = dr.unravel(mi.Color3f, own_array(settled))
        dr.eval(layer)
        self._carried[name] = Carried(layer, _scale_of(settled))

    def inherit(self, other: LiveView) -> None:
        """Carry what another view carries: each surface takes it from where that camera saw the place."""
        hits, before, lens = self.sight(1).hits, other.sight(1).hits, lens_of(other.camera, other.size)
        bring = self.recordings.of(("inherit",), _inherited)
        for name, carried in other._carried.items():
            self._carried[name] = Carried(bring(carried.indirect, before.albedo, lens, hits), carried.scale)

    def rest(self, name: str) -> tuple[np.ndarray, float]:
        """What a layer carries, without any direct light: as `layer` returns it."""
        carried = self._carried[name]
        packed = _packed(carried.indirect, 1 / carried.scale)
        pixels: np.ndarray = packed.numpy().reshape(self.size[1], self.size[0], 3)
        return pixels, carried.scale

    def layer(
        self, name: str, placed: PlacedLight, boxes: Boxes, *, divisor: int = 1, settling: int = 0
    ) -> tuple[np.ndarray, float]:
        """A light's layer now: (h, w, 3) float16 and the power of two that it has to be multiplied by.

        Arguments: `divisor` how many times smaller the direct light is worked out; `settling` rounds that this light
        has been traced at this place and size before, which are averaged in.
        """
        carried, sight, faces = self._carried[name], self.sight(divisor), luminaires_of(placed)
        key = (name, divisor)
        before = self._sums[1] if settling and self._sums is not None and self._sums[0] == key else None
        sums = self._sampled(sight, faces, boxes, settling if before is not None else 0, before)
        self._sums = key, sums
        finish = self.recordings.of(("finish", sight.taps is None), _halves)
        packed = finish(
            sums, sight, self.sight(1).hits.albedo, self.busy, carried.indirect, self._seen,
            dr.opaque(mi.Float, 1 / carried.scale),
        )  # fmt: skip
        pixels: np.ndarray = packed.numpy().reshape(self.size[1], self.size[0], 3)
        return pixels, carried.scale

    def _sampled(
        self, sight: Sight, faces: list[Luminaire], boxes: Boxes, taken: int, before: DirectSums | None
    ) -> DirectSums:
        """One more round of samples, averaged with those `taken` before."""
        count = dr.width(sight.hits.part)
        if before is None:
            nothing = [dr.zeros(mi.Color3f, each) for each in (count, count, count, dr.width(self.busy.pixel))]
            dr.make_opaque(nothing)
            before = DirectSums(*nothing)
        effort = Effort()

        def sample(bodies: Any, hits: Any, busy: Any, numbers: Any, boxes: Any, seed: Any, before: Any) -> DirectSums:
            lamps = [face.with_numbers(values) for face, values in zip(faces, numbers, strict=True)]
            new = direct_sums(bodies, hits, busy, lamps, boxes, seed, effort)
            share = 1 / (mi.Float(seed) + 1)
            return DirectSums(
                dr.lerp(before.free, new.free, share), dr.lerp(before.tested, new.tested, share),
                dr.lerp(before.arrived, new.arrived, share), dr.lerp(before.busy, new.busy, share),
            )  # fmt: skip

        recorded = self.recordings.of(("sums", *(face.kind for face in faces)), sample)
        numbers = [face.numbers() for face in faces]
        seed = dr.opaque(mi.UInt32, taken)
        sums: DirectSums = recorded(self.ground.bodies, sight.hits, self.busy, numbers, boxes, seed, before)
        dr.eval(sums)
        return sums


def _halves(
    sums: DirectSums, sight: Sight, albedo: Any, busy: BusyHits, indirect: Any, seen: Any, per_unit: Any
) -> Any:  # fmt: skip
    """A layer from its direct light and what it carries, as halves in rows of RGB."""
    direct = _direct(sums, sight, albedo, busy)
    return _packed(direct * seen + indirect, per_unit)


def _packed(layer: Any, per_unit: Any) -> Any:
    return mi.Float16(dr.ravel(dr.clip(layer * per_unit, 0, MOST_HALF)))


def _scale_of(settled: np.ndarray) -> float:
    """Power of two by which a layer and what may become of it fits into halves."""
    highest = max(float(settled.max(initial=0.0)), 1e-30) * HEADROOM
    return float(2.0 ** int(np.ceil(np.log2(highest / HIGHEST))))


def _inherited(indirect: Any, albedo_before: Any, lens_before: Lens, hits: FirstHits) -> Any:
    """What another view carries, on the surfaces of this one: from where that camera saw the place."""
    at, seen = lens_before.pixel_of(hits.si.p)
    even = indirect / (albedo_before + ALBEDO_FLOOR)
    dr.eval(even)
    return dr.gather(mi.Color3f, even, at, seen) * (hits.albedo + ALBEDO_FLOOR)


def _direct(sums: DirectSums, sight: Sight, albedo: Any, busy: BusyHits) -> Any:
    """Direct light by pixel of the full size, Color3f."""
    share, free = arriving_share(sums, sight.smoothing), sums.free
    if sight.taps is not None:
        even = free / (sight.hits.albedo + ALBEDO_FLOOR)
        dr.eval(share, even)
        free = enlarged(even, sight.taps) * (albedo + ALBEDO_FLOOR)
        share = enlarged_values(share, sight.taps)
    dr.eval(sums.busy)
    is_busy = busy.row > 0
    return share * dr.select(is_busy, dr.gather(mi.Color3f, sums.busy, busy.row - 1, is_busy), free)


def luminaires_of(placed: PlacedLight) -> list[Luminaire]:
    """The luminous faces of a light where it stands."""
    return [
        Luminaire(emitter, world_from_face, 0, number)
        for number, (emitter, world_from_face) in enumerate(world_from_faces(placed))
    ]
