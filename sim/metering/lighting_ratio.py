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

NO_FILL_STOPS = 4.0
# Lights that open the shadow this nearly alike are told apart by how far they reach.
ALIKE_FILL_STOPS = 1.0
REACHED = ("chin", "gown")
# Common practice, no source.
DEFINITION = (
    "(key + fill) : fill at the face; each light metered alone, flat receptor turned to it, the key on the key-side "
    "cheek, the fill on the shadow-side cheek"
)


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
        if self.factor is None or self.key_over_fill_stops is None:
            return f"no fill ({self.key} alone)"
        over = self.key_over_fill_stops
        way = "as strong as" if abs(over) < 0.05 else f"{phrases.stops(over, 1)} {'over' if over > 0 else 'under'}"
        return f"{factor_text(self.factor)} ({self.key} + {self.fill} : {self.fill}; {self.key} {way} {self.fill})"


def ratio_from_stops(key_over_fill_stops: float) -> float:
    """Factor of (key + fill) : fill for a key so many stops over the fill.

    >>> round(ratio_from_stops(1.9), 1), ratio_from_stops(1.0), ratio_from_stops(0.0)
    (4.7, 3.0, 2.0)
    """
    return float(2.0**key_over_fill_stops + 1.0)


def factor_text(factor: float) -> str:
    """A ratio as people say it.

    >>> factor_text(4.73), factor_text(12.6), factor_text(0.91), factor_text(0.99), factor_text(2.0)
    ('4.7 : 1', '13 : 1', '1 : 1.1', '1 : 1', '2 : 1')
    """
    turned = max(factor, 1 / factor)
    text = phrases.number(turned, 1 if turned < 9.95 else 0)
    return f"{text} : 1" if factor >= 1 else f"1 : {text}"


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
