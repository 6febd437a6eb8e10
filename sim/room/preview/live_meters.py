"""The report's meters while a hand drags: the settled readings, with a moved light's direct part read anew."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sim.light.readings import ProbeReadings
from sim.metering.report_points import report_probes
from sim.quantities.color import luminance
from sim.room.preview.job import Job

if TYPE_CHECKING:
    from sim.render.live.ground import Ground

# The light that comes back from the set may change as much as the direct light does, or stay: it is told as uncertain
# by this part of the change, and never by less than a part of itself (by trial).
DOUBT_OF_CHANGE, LEAST_DOUBT = 0.5, 0.1


class FollowingMeters:
    """Settled readings and the direct light in them, light by light as it is asked for."""

    def __init__(self, job: Job, readings: ProbeReadings) -> None:
        from sim.render.live.meters import LiveMeters

        self._job, self._readings = job, readings
        self._meters = LiveMeters()
        self._before: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def read(self, job: Job, names: tuple[str, ...], ground: Ground) -> ProbeReadings | None:
        """The report's readings with these lights where they stand now; None where other points are read than before.

        Their errors count the few rays, and what is not known of the light that comes back from the set.
        """
        probes = report_probes(job.scene, job.layout)
        if [probe.id for probe in probes] != [probe.id for probe in self._readings.probes]:
            return None
        values, stderr = self._readings.values.copy(), self._readings.stderr.copy()
        for name in names:
            row = self._readings.names.index(name)
            if name not in self._before:
                self._before[name] = self._direct(self._job, name, ground)
            before, before_error = self._before[name]
            now, now_error = self._direct(job, name, ground)
            rest = np.maximum(values[:, row] - before, 0)
            change = np.abs(luminance(now) - luminance(before)) / np.maximum(luminance(before), 1e-12)
            doubt = luminance(rest) * np.maximum(DOUBT_OF_CHANGE * np.minimum(change, 1), LEAST_DOUBT)
            values[:, row] = now + rest
            stderr[:, row] = np.sqrt(stderr[:, row] ** 2 + before_error**2 + now_error**2 + doubt**2)
        return replace(self._readings, probes=tuple(probes), values=values, stderr=stderr)

    def _direct(self, job: Job, name: str, ground: Ground) -> tuple[np.ndarray, np.ndarray]:
        from sim.render.live.occluders import boxes_from_layout
        from sim.render.live.view import luminaires_of

        probes, boxes = report_probes(job.scene, job.layout), boxes_from_layout(job.layout, [name])
        return self._meters.direct(ground.bodies, probes, luminaires_of(job.layout.light(name)), boxes)
