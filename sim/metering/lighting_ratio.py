"""The lighting ratio at the face, (key + fill) : fill, and the contrast of the two cheeks; two numbers, two names.

    lighting ratio  each light metered alone, the flat receptor turned to it: the key on the cheek that it lights, the
                    fill on the other; the fill is taken to reach both. A key 1.9 stops over the fill is 4.7 : 1
    contrast        all light on the key-side cheek, flat receptor turned to the key, over all light on the shadow-side
                    cheek, flat receptor turned to the camera: what rims, walls and bounced light leave of the ratio

The fill is the light besides the key that opens the shadow-side cheek as the camera sees it. Of those within a stop of
the strongest there it is the one that reaches chest and chin best, for a fill is broad and an accent is not. More than
four stops under the key, turned to it or as the camera sees that cheek, a light fills nothing: an edge from behind is
no fill. All of this is common practice, no source. Does not: go by names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from typing_extensions import TypedDict

from sim.light.mix import Mix
from sim.light.readings import Probe, ProbeId, ProbeReadings
from sim.metering.points import PointReadings, Reading, readings_by_probe
from sim.metering.report_points import (
    CHEEKS,
    SKIN_PARTS,
    KeySide,
    key_side_from_readings,
    lights_to_model,
    report_probes,
)
from sim.quantities import phrases
from sim.scene.model import Scene
from sim.studio.layout import Layout

Row: TypeAlias = list[float]
NO_FILL_STOPS = 4.0
# Lights that open the shadow this nearly alike are told apart by how far they reach.
ALIKE_FILL_STOPS = 1.0
REACHED = ("chin", "gown")
# Common practice, no source.
DEFINITION = (
    "(key + fill) : fill at the face; each light metered alone, flat receptor turned to it, the key on the key-side "
    "cheek, the fill on the shadow-side cheek"
)


class AloneAtFace(TypedDict):
    """What a light gives at full dial: `lit` and `shadow` cheek, the receptor turned to it; the shadow-side cheek as
    the camera sees it; and the parts that a fill reaches, each; red, green and blue, lx of continuous light or lx·s."""

    lit: Row
    shadow: Row
    opened: Row
    reached: list[Row]


@dataclass(frozen=True)
class LightingRatio:
    """`factor` of (key + fill) : fill, None without a fill; `key_over_fill_stops`; `stderr_stops` of that, at most.

    The two readings share their random numbers, so their errors do not add as those of independent ones.
    """

    key: str
    fill: str | None
    factor: float | None
    key_over_fill_stops: float | None
    stderr_stops: float

    @property
    def text(self) -> str:
        """The ratio in words, both lights by name.

        >>> LightingRatio("key", "fill", ratio_from_stops(1.9), 1.9, 0.0).text
        '4.7 : 1 (key + fill : fill; key 1.9 stops over fill)'
        >>> LightingRatio("key", None, None, None, 0.0).text
        'no fill (key alone)'
        """
        return phrases.lighting_ratio(self.key, self.fill, self.key_over_fill_stops or 0.0)


def ratio_from_stops(key_over_fill_stops: float) -> float:
    """Factor of (key + fill) : fill for a key so many stops over the fill.

    >>> round(ratio_from_stops(1.9), 1), ratio_from_stops(1.0), ratio_from_stops(0.0)
    (4.7, 3.0, 2.0)
    """
    return float(2.0**key_over_fill_stops + 1.0)


def lighting_ratio(readings: Mapping[ProbeId, PointReadings], side: KeySide) -> LightingRatio:
    """The ratio from readings of `report_probes`; a light without a place is metered toward the camera."""
    key = readings[ProbeId("flat", side.lit_cheek, side.light)].by_light[side.light]
    fill = fill_light(readings, side)
    none = LightingRatio(side.light, None, None, None, 0.0)
    if fill is None or key.exposure <= 0:
        return none
    alone = _alone(readings, side, fill)
    over = math.log2(key.exposure / alone.exposure)
    if over > NO_FILL_STOPS:
        return none
    stderr = key.stderr_stops + alone.stderr_stops
    return LightingRatio(side.light, fill, ratio_from_stops(over), over, stderr)


def ratio_probes(scene: Scene, layout: Layout) -> list[Probe]:
    """Those of a report's probes that the ratio needs, for a page that shows no other reading."""
    on_skin = [ProbeId("spot", part) for part in SKIN_PARTS]
    reached = [ProbeId("dome", part) for part in REACHED]
    return [
        probe for probe in report_probes(scene, layout)
        if probe.id in (*on_skin, *reached) or (probe.id.kind == "flat" and probe.id.part in CHEEKS)
    ]  # fmt: skip


def ratio_from_probes(scene: Scene, layout: Layout, measured: ProbeReadings, mix: Mix) -> LightingRatio:
    """The ratio from readings of `ratio_probes`."""
    readings = readings_by_probe(measured, mix, scene.camera)
    return lighting_ratio(readings, key_side_from_readings(readings, lights_to_model(layout)))


def alone_at_face(report: ProbeReadings, side: KeySide) -> dict[str, AloneAtFace]:
    """What the lighting ratio is made of, by light at full dial; for a page that follows the dials."""
    rows = {probe.id: index for index, probe in enumerate(report.probes)}
    toward_camera = {cheek: rows[ProbeId("flat", cheek)] for cheek in (side.lit_cheek, side.shadow_cheek)}
    reached = [rows[probe] for part in REACHED if (probe := ProbeId("dome", part)) in rows]

    def given(row: int, column: int) -> list[float]:
        return [float(x) for x in report.values[row, column]]

    def turned(cheek: str, name: str) -> int:
        return rows.get(ProbeId("flat", cheek, name), toward_camera[cheek])

    return {
        name: {
            "lit": given(turned(side.lit_cheek, name), k), "shadow": given(turned(side.shadow_cheek, name), k),
            "opened": given(toward_camera[side.shadow_cheek], k), "reached": [given(row, k) for row in reached],
        }
        for k, name in enumerate(report.names)
    }  # fmt: skip


def fill_light(readings: Mapping[ProbeId, PointReadings], side: KeySide) -> str | None:
    """The light that fills; None where no other light reaches the shadow-side cheek."""
    opened = readings[ProbeId("flat", side.shadow_cheek)].by_light
    key = readings[ProbeId("flat", side.lit_cheek, side.light)].by_light[side.light]
    least = key.exposure * 2.0**-NO_FILL_STOPS
    others = [name for name in opened if name != side.light and 0 < opened[name].exposure >= least]
    if not others:
        return None
    most = max(opened[name].exposure for name in others)
    near = [name for name in others if opened[name].exposure >= most * 2.0**-ALIKE_FILL_STOPS]

    def reach(name: str) -> float:
        domes = [readings[probe] for part in REACHED if (probe := ProbeId("dome", part)) in readings]
        return min(reading.by_light[name].exposure for reading in domes) if domes else opened[name].exposure

    return max(near, key=reach)


def _alone(readings: Mapping[ProbeId, PointReadings], side: KeySide, light: str) -> Reading:
    turned = readings.get(ProbeId("flat", side.shadow_cheek, light), readings[ProbeId("flat", side.shadow_cheek)])
    return turned.by_light[light]
