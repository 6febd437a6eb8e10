"""Probes and what they read: the second seam, beside the light stack, between transport and metering."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]

CAMERA = "camera"


@dataclass(frozen=True, order=True)
class ProbeId:
    """Which meter a reading is of.

    `kind` "dome", "flat" or "spot" at a named part; "own" for a meter that a scene or a list of readings defines, whose
    name is `part`; "part" for what the picture shows of a whole part. `toward` the light that the receptor is turned to
    or another word for its direction; a spot meter looks from there at the part.
    """

    kind: str
    part: str
    toward: str = CAMERA


@dataclass(frozen=True)
class Probe:
    """A meter's receptor in the scene.

    `id` says which it is. `kind`: "flat" (a disc that answers by the cosine), "dome" (hemispherical receptor, a
    cardioid) or "spot" (luminance in a cone of 1 deg). `position_m` (3,) world metres: the receptor, for a spot the eye
    of the meter. `facing` (3,) unit direction its axis points along.
    """

    id: ProbeId
    kind: str
    position_m: np.ndarray
    facing: np.ndarray


@dataclass(frozen=True)
class ProbeReadings:
    """What m probes read of k lights, each light at full dial and white.

    `values` (m, k, 3) linear RGB: lx (dome, flat) or cd/m2 (spot), for flash lights times seconds.
    `stderr` (m, k): standard error of the luminance-weighted value, same unit, with what a limit of bounces leaves out.
    `rays` (m,) samples taken.
    """

    probes: tuple[Probe, ...]
    names: tuple[str, ...]
    is_flash: tuple[bool, ...]
    values: np.ndarray
    stderr: np.ndarray
    rays: tuple[int, ...]

    def and_then(self, others: ProbeReadings) -> ProbeReadings:
        """These readings and those of other probes of the same lights."""
        return replace(
            self,
            probes=self.probes + others.probes,
            values=np.concatenate([self.values, others.values]),
            stderr=np.concatenate([self.stderr, others.stderr]),
            rays=self.rays + others.rays,
        )

    def between(self, start: int, end: int) -> ProbeReadings:
        """The readings of probes `start` up to, not including, `end`."""
        cut = slice(start, end)
        return replace(
            self, probes=self.probes[cut], values=self.values[cut], stderr=self.stderr[cut], rays=self.rays[cut]
        )


@dataclass(frozen=True)
class Hits:
    """What n rays meet first.

    `distance_m` (n,): inf where nothing is met. `region` (n,): index into the stage's `region_names`, 0 for nothing.
    `layer` (n,): layer of the light whose face or housing was met, -1 for none. `normal` (n, 3): of the surface.
    """

    distance_m: FloatArray
    region: IntArray
    layer: IntArray
    normal: FloatArray


@dataclass(frozen=True)
class DirectLight:
    """Light that comes straight from k lights to n points, at full dial and white, lx (flash: lx s).

    `reaching` (n, k): past everything that stands in its way. `unblocked` (n, k): as if nothing stood there.
    """

    reaching: FloatArray
    unblocked: FloatArray
