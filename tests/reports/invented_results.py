"""Results of every kind of report for a scene, invented: all that is said of them is the program's own words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np

from sim.advice.balance import Balance, balance_from_readings, want_points
from sim.advice.balance.wishes import Wish
from sim.advice.checks.burnout import Burnout
from sim.advice.checks.catchlights import Catchlight
from sim.advice.checks.duties import Duty
from sim.advice.checks.flare import Flare, ShadingFlag
from sim.advice.checks.intrusions import Intrusion
from sim.advice.checks.latitude import MOVES, Latitude, Limit, MoveSweep, Sample
from sim.advice.checks.noseshadow import KeyShadow, NoseShadow
from sim.advice.checks.report import CheckReport
from sim.advice.checks.sparkle import Sparkle
from sim.advice.checks.spill import Spill
from sim.advice.compare.figures import Figures
from sim.advice.finding import Finding, Severity
from sim.light.mix import Mix, mix_from_scene
from sim.light.readings import ProbeReadings
from sim.metering.calibrate import Calibration, Readings
from sim.metering.lighting_ratio import LightingRatio
from sim.metering.report import MeterReport, report_from_probes
from sim.metering.report_points import report_probes
from sim.room.snapshot.placement_cache import Placed, PlacementCache
from sim.scene.model import Scene
from sim.scene.read import scene_from_text
from sim.studio.layout import Layout

FACT = Severity.FACT


@dataclass(frozen=True)
class Invented:
    """A scene, where all of it stands, and its mix."""

    path: Path
    text: str

    @cached_property
    def scene(self) -> Scene:
        """The scene itself."""
        return scene_from_text(self.text, self.path.name, self.path.parent)

    @cached_property
    def placed(self) -> Placed:
        """Where all of it stands."""
        return PlacementCache().placed(self.scene)

    @property
    def layout(self) -> Layout:
        """The same, without its numbers."""
        return self.placed.layout

    @cached_property
    def mix(self) -> Mix:
        """The scene's own mix."""
        return mix_from_scene(self.scene, self.layout)

    @cached_property
    def measured(self) -> ProbeReadings:
        """Readings of a report's probes, one light nearly dark, another that gives nearly all at some points."""
        probes = tuple(report_probes(self.scene, self.layout))
        values = np.random.default_rng(1).uniform(0.0, 400.0, (len(probes), len(self.mix.names), 3))
        values[:, -1] *= 1e-9
        values[::3, 0] *= 1e3
        return ProbeReadings(
            probes, self.mix.names, self.mix.is_flash, values, values[..., 0] * 0.01, (64,) * len(probes)
        )

    @cached_property
    def report(self) -> MeterReport:
        """The meter report of these readings."""
        return report_from_probes(self.scene, self.layout, self.measured)

    def checks(self) -> CheckReport:
        """Findings of every kind, small and large, for every light of the scene in turn."""
        names, worn = self.mix.names, self.scene.sitter.garment
        flag = ShadingFlag(0.004, 0.013, np.zeros(3), np.zeros(3), np.zeros(3), 0.03, -0.021, 0.004)
        far = ShadingFlag(0.2, 0.3, np.zeros(3), np.zeros(3), np.zeros(3), 0.5, 0.4, -0.27)
        lost = {"gown": 5.0, "hip": 0.2, "hair": 1.0, "left cheek": 0.5, "backdrop head": 1.2, "backdrop centre": 0.96}
        tasks = (
            Finding("lights points", FACT, names[0], lost),
            Finding("makes the halo", FACT, names[0], {"loss_stops": 0.5}),
            Finding("draws the edge", FACT, names[0], {"loss_stops": 1.0}, {"shoulder": "left shoulder"}),
            Finding("makes the sparkle", FACT, names[0], {"share": 0.0721, "without": 0.0002}),
            Finding("parts the sitter", FACT, names[0], {"loss_stops": 1.04}),
        )
        glints = dict.fromkeys(names, 0.02)
        return cast(CheckReport, SimpleNamespace(
            garment=worn, has_sitter=True,
            duties=SimpleNamespace(duties=(Duty(names[0], False, lost, tasks), *(
                Duty(name, True, {}, (Finding("idle", FACT, name),)) for name in names[1:]
            ))),
            separation=SimpleNamespace(
                median_stops=1.0, weak_share=0.4, provider=names[0], loss_stops={names[0]: 1.0},
                stretches=(SimpleNamespace(region=worn, side="camera left", contrast_stops=0.001,
                                           stderr_stops=0.012, length=0.002),),
            ),
            catchlights=tuple(
                Catchlight("left eye", name, clock, 1.0, 1.0, 0.3, 1.2, 1e-5, 0.004, grey, ())
                for name, clock, grey in zip(names, (12, 0, 3, 9, 10), (-0.01, 5.2, 1.0, -1.0, 0.0), strict=False)
            ),
            focus=SimpleNamespace(
                focus_m=2.0, near_m=1.9, far_m=math.inf, hyperfocal_m=40.0, circle_m=3e-5,
                outside_m={"left hip": 0.004, "right shoulder": -0.2},
                backdrop_blur=SimpleNamespace(there_m=0.008, frame_share=0.004),
                coverage=SimpleNamespace(fills=False, spare_m={"left": -0.001, "right": 0.4}),
            ),
            intrusions=(Intrusion(names[0], "stand", 0.5, 0.0002, (0.1, 0.5), {"left": 0.3}),),
            flares=tuple(
                Flare(name, 0.004, 2.0, 30.0, in_frame, flag, far)
                for name, in_frame in zip(names, (False, True), strict=False)
            ),
            nose_shadow=KeyShadow(names[0], NoseShadow("loop", "short", "right", 20.0, 1.0, 1.0, 0.0)),
            burnouts=(
                Burnout(worn, names[0], 0.004, 1.0, 0.04), Burnout("hair", names[-1], 0.2, 0.3, None),
            ),
            spills=(
                Spill(names[0], "backdrop head", "backdrop", 0.3, "canvas flag", {"gown": 0.01, "hair": 1.0}, {}),
                Spill(names[-1], "gown", "body", 0.999, "silk", {"face": -0.2, "backdrop head": 7.0}, {}, True),
            ),
            sparkle=Sparkle(1, 0.2, glints, glints, names[0]),
        ))  # fmt: skip

    def latitude(self) -> Latitude:
        """A sweep of each move with limits at once, near, far and none."""
        shadow = NoseShadow("loop", "short", "right", 20.0, 1.0, 1.0, 0.0)
        placed = Sample(0.0, 0.0, 0.01, shadow, (0.9,))
        name = self.mix.names[0]
        sweeps = []
        for move in MOVES:
            near, far = move.offsets[0], move.offsets[-1]
            limits = (
                Limit("face reading", -1, near / 3, abs(near) / 9, "under by more than 1/3 stop"),
                Limit("nose shadow", -1, -0.001, 0.001, "flat"),
                Limit(name, 1, None, 0.0, ""),
            )
            ends = tuple(Sample(offset, 0.2, 0.01, shadow, (0.4,)) for offset in (near, 0.0, far))
            sweeps.append(MoveSweep(move, ends, limits))
        return Latitude(name, (name,), placed, tuple(sweeps))

    def balances(self) -> list[Balance]:
        """Wishes that are met as things stand, that turn dials, and that nothing can give."""
        points = want_points(self.scene, self.layout, self.measured)
        garment = self.scene.sitter.garment
        wishes = (
            [Wish("face", self.report.point("face").incident.combined.f_number)] if self.report.point("face").incident
            else [],
            [Wish("backdrop centre", stops=-1.0), Wish("hair", stops=-0.04)],
            [Wish(f"upper {garment}", f_number=0.02), Wish("chin", stops=12.0)],
        )  # fmt: skip
        return [
            balance_from_readings(self.scene, self.layout, self.measured, each, points=points)
            for each in wishes
            if each
        ]

    def alternatives(self) -> list[Figures]:
        """Two alternatives: as the scene is, and one that is nearly alike and asks for too much."""
        name, other, worn = self.mix.names[0], self.mix.names[-1], self.scene.sitter.garment
        parts = dict.fromkeys(("face", "hair", worn, "backdrop"), 0.0)
        errors = dict.fromkeys(parts, 0.02)
        shadow = KeyShadow(name, NoseShadow("split", "", "left", math.nan, 1.0, 1.0, 0.0))
        first = Figures(
            "as it is", np.zeros(0), 0.0, 0.0, parts, errors, name, 12.34, 1.0,
            shadow, LightingRatio(name, other, 4.73, 1.9, 0.01), {}, 400.0, 70.0, (),
        )  # fmt: skip
        second = Figures(
            "less", np.zeros(0), -0.01, 0.02, parts | {"hair": -0.04, worn: -1.3}, errors, name, None, 0.45,
            None, LightingRatio(name, None, None, None, 0.0), {name: 1.0, other: 0.3}, None, 0.0, (name,),
        )  # fmt: skip
        return [first, second]

    def calibrations(self) -> list[tuple[Readings, Calibration]]:
        """Corrections that are sure, unsure and of a reading that is off; and of one reading alone."""
        names = self.mix.names
        found = []
        for count in (3, 1):
            texts = tuple(f"face, dome, {names[0]}: f/8" for _ in range(count))
            readings = Readings(100.0, (), np.ones((count, len(names)), bool), np.full(count, 8.0),
                                tuple(range(3, 3 + count)), texts, (names[0],) * count)  # fmt: skip
            stops, stderr = np.full(len(names), -0.304), np.full(len(names), 0.05)
            stderr[-1] = np.inf
            gross = np.arange(count) == 1
            found.append((readings, Calibration(names, stops, stderr, np.full(count, 2.4), gross)))
        return found
