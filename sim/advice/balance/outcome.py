"""What a balance reached: residual per wish, why the rest cannot be had, and the scene with the new dials."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sim.advice.balance.problem import BalanceProblem
from sim.advice.balance.solve import MET_STOPS, least_change_dials, solved_dials
from sim.advice.balance.wishes import Wish, problem_from_readings
from sim.light.mix import mix_from_scene
from sim.light.readings import ProbeId, ProbeReadings
from sim.metering.points import PointReadings, readings_by_probe
from sim.quantities import units
from sim.scene.edit import SceneText
from sim.scene.model import Scene
from sim.scene.text import data_from_text
from sim.studio.layout import Layout

# A light is not turned down further than this for a wish: what is weaker a photographer would switch off. Common
# practice, no source; a head with less of a range ends before.
FLOOR_STOPS = -5.0
# A point that full power leaves this far under its wish is out of the lights' reach.
NEVER_REACHED_STOPS = 6.0
# How much a wish counts that cannot be met even alone: it must not spoil the others.
HOPELESS_WEIGHT = 0.03
# How far dials are let past their ends to see what a wish would take.
BEYOND_STOPS = 8.0


@dataclass(frozen=True)
class WishOutcome:
    """A wish and what the new dials give: `f_number` there, `residual_stops` got minus wanted, `stderr_stops`.

    `before_stops` is the residual at the old dials; `reasons` why it is not met, empty when it is.
    """

    wish: Wish
    f_number: float
    residual_stops: float
    before_stops: float
    stderr_stops: float
    reasons: tuple[str, ...]

    @property
    def met(self) -> bool:
        """Whether the wish is met within a tenth of a stop."""
        return abs(self.residual_stops) <= MET_STOPS + 1e-9


@dataclass(frozen=True)
class DialMove:
    """A light's dial before and after, in stops from full; `why_fixed` is empty for a light that may be turned."""

    light: str
    before_stops: float
    after_stops: float
    step_stops: float
    why_fixed: str

    @property
    def change_stops(self) -> float:
        """Stops the light gains (+) or loses (-)."""
        return self.after_stops - self.before_stops


@dataclass(frozen=True)
class Balance:
    """The outcome of a balance; `reference_f_number` is what the reference reads with the new dials."""

    reference: str
    reference_f_number: float
    wishes: tuple[WishOutcome, ...]
    moves: tuple[DialMove, ...]

    @property
    def met(self) -> bool:
        """Whether every wish is met."""
        return all(wish.met for wish in self.wishes)


def definition(reference: str) -> str:
    """What stops of a wish are counted from, in words."""
    against = "the camera's own f-number" if reference == "camera" else f"what the meter reads at {reference} then"
    return (
        f"Stops are counted from {against}. Points are read with a dome turned to the camera, the cheeks with a flat "
        "receptor (key side turned to the key, shadow side to the camera), your own meters as defined."
    )


def balance_from_readings(
    scene: Scene, layout: Layout, measured: ProbeReadings, wishes: Sequence[Wish], *, points: Mapping[str, ProbeId],
    reference: str = "face", locked: Sequence[str] = (), seed: int = 0,
) -> Balance:  # fmt: skip
    """Find the dials for some wishes from probes that were traced once; arguments as in `problem_from_readings`."""
    problem = problem_from_readings(scene, layout, measured, wishes, points=points, reference=reference, locked=locked)
    problem = floored(problem)
    alone = [_alone_stops(problem, index, seed) for index in range(len(wishes))]
    hopeless = [abs(off) > MET_STOPS for off in alone]
    if not all(hopeless):
        problem = replace(problem, weight=np.where(hopeless, HOPELESS_WEIGHT, 1.0))
    dials = least_change_dials(problem, seed=seed)
    after = _readings(scene, layout, measured, dials)
    residuals = problem.residual_stops(dials)
    before = problem.residual_stops(np.array([dial.now_stops for dial in problem.dials]))
    against = None if reference == "camera" else after[points[reference]]
    outcomes = []
    for index, wish in enumerate(wishes):
        reading = after[points[wish.point]].combined
        stderr = reading.stderr_stops
        if wish.stops is not None and against is not None:
            stderr = math.hypot(stderr, against.combined.stderr_stops)
        off = abs(residuals[index]) > MET_STOPS + 1e-9
        reasons = tuple(_reasons(problem, wishes, index, alone, reference, seed)) if off else ()
        outcomes.append(
            WishOutcome(wish, reading.f_number, float(residuals[index]), float(before[index]), stderr, reasons)
        )
    moves = tuple(
        DialMove(dial.name, dial.now_stops, float(stops), dial.step_stops,
             "" if dial.free else "muted" if scene.lights[dial.name].mute else "locked")
        for dial, stops in zip(problem.dials, dials, strict=True)
    )  # fmt: skip
    shown = scene.camera.f_number if against is None else against.combined.f_number
    return Balance(reference, shown, tuple(outcomes), moves)


def floored(problem: BalanceProblem) -> BalanceProblem:
    """The problem with no dial going below 1/32, or below where it stands if that is less."""
    dials = tuple(
        replace(dial, lowest_stops=max(dial.lowest_stops, min(FLOOR_STOPS, dial.now_stops))) for dial in problem.dials
    )
    return replace(problem, dials=dials)


def _readings(scene: Scene, layout: Layout, measured: ProbeReadings, dials: np.ndarray) -> dict[ProbeId, PointReadings]:
    change = {name: float(dial) - light.power_stops
              for (name, light), dial in zip(scene.lights.items(), dials, strict=True)}  # fmt: skip
    mix = mix_from_scene(scene, layout).faded(change)
    return readings_by_probe(measured, mix, scene.camera)


# -- reasons ------------------------------------------------------------------------------------


def _alone_stops(problem: BalanceProblem, index: int, seed: int) -> float:
    """Residual of a wish when it is the only one."""
    own = problem.only([index])
    return float(own.residual_stops(solved_dials(own, seed=seed))[0])


def _reasons(
    problem: BalanceProblem, wishes: Sequence[Wish], index: int, alone: Sequence[float], reference: str, seed: int
) -> list[str]:
    """Why a wish is not met: no light reaches the point, a dial ends, or the wishes contradict each other."""
    if not any(dial.free for dial in problem.dials):
        return ["every light is locked or muted"]
    if abs(alone[index]) > MET_STOPS:
        return [_out_of_reach(problem, index, alone[index], reference, seed)]
    beyond = solved_dials(problem, seed=seed, beyond_stops=BEYOND_STOPS)
    if abs(float(problem.residual_stops(beyond)[index])) <= MET_STOPS:
        return _ends(problem, beyond) or ["the dials' steps are too coarse"]
    contrary = [
        wishes[other].text
        for other in range(len(wishes))
        if other != index and abs(alone[other]) <= MET_STOPS and _clash(problem.only([index, other]), seed)
    ]
    if contrary:
        return [f"it contradicts {' and '.join(contrary)}: the same lights serve both points"]
    # Three or more that are only together too much: each whose absence would free this one fights it.
    rest = [other for other in range(len(wishes)) if other != index]
    fights = [wishes[other].text for other in rest if _is_met_without(problem, index, other, seed)]
    if fights:
        return [f"it fights {' and '.join(fights)}: without {'either' if len(fights) > 1 else 'it'} it could be met"]
    free = sum(dial.free for dial in problem.dials)
    return [f"{len(wishes)} wishes together ask for more than {free} dial{'s' if free != 1 else ''} can give"]


def _is_met_without(problem: BalanceProblem, index: int, other: int, seed: int) -> bool:
    """Whether a wish is met once another is given up, however far dials would go."""
    kept = [row for row in range(len(problem.target)) if row != other]
    nearest = solved_dials(problem.only(kept), seed=seed, beyond_stops=BEYOND_STOPS)
    return bool(np.abs(problem.only(kept).residual_stops(nearest)[kept.index(index)]) <= MET_STOPS)


def _out_of_reach(problem: BalanceProblem, index: int, off: float, reference: str, seed: int) -> str:
    """The reason of a wish that cannot be met even on its own."""
    free = np.array([dial.free for dial in problem.dials])
    side = "under" if off < 0 else "over"
    if problem.relative[index] and not np.allclose(problem.reference_gain[free], 0):
        beyond = solved_dials(problem.only([index]), seed=seed, beyond_stops=BEYOND_STOPS)
        past = _ends(problem, beyond)
        if past and abs(float(problem.only([index]).residual_stops(beyond)[0])) <= MET_STOPS:
            return f"the dials end {abs(off):.1f} stops {side} it: {'; '.join(past)}"
        return f"no dial brings it nearer than {abs(off):.1f} stops {side}: light there also falls on the {reference}"
    if off > 0:
        now = np.array([dial.now_stops for dial in problem.dials])
        fixed = problem.base[index] + float(problem.gain[index, ~free] @ np.exp2(now[~free]))
        shown = units.text_from_f_number_in_thirds(math.sqrt(fixed)) if fixed > 0 else "nothing"
        return (
            f"with every dial at its lowest it is still {off:.1f} stops over; locked lights and room light alone give "
            f"{shown}"
        )
    if off < -NEVER_REACHED_STOPS:
        return "no light that may be turned reaches this point"
    return f"with every dial at full power it is still {-off:.1f} stops under"


def _clash(pair: BalanceProblem, seed: int) -> bool:
    nearest = solved_dials(pair, seed=seed, beyond_stops=BEYOND_STOPS)
    return bool(np.abs(pair.residual_stops(nearest)).max() > MET_STOPS)


def _ends(problem: BalanceProblem, beyond: np.ndarray) -> list[str]:
    """Dials that had to pass an end, and how far."""
    ends = []
    for dial, stops in zip(problem.dials, beyond, strict=True):
        over, under = stops, dial.lowest_stops - stops
        if over > 0.05:
            ends.append(f'"{dial.name}" is at full power and would need {over:.1f} stops more')
        elif under > 0.05:
            ends.append(f'"{dial.name}" is at its lowest and would have to go {under:.1f} stops lower')
    return ends


# -- the new scene ------------------------------------------------------------------------------


def dial_text(dial_stops: float, step_stops: float, before: object = None) -> str:
    """A setting as the scene file has it: on its own scale if it was so before, else a fraction or stops.

    >>> dial_text(-2.0, 0.1), dial_text(-1.3, 0.1), dial_text(-4 / 3, 1 / 3)
    ('1/4', '-1.3 stops', '-4/3 stops')
    """
    on_its_scale = units.text_from_dial_as(round(dial_stops, 2), before)
    if on_its_scale is not None:
        return on_its_scale
    parts = round(1 / step_stops)
    count = round(-dial_stops * parts)
    whole = abs(dial_stops - round(dial_stops)) < 1e-9
    if parts % 3 == 0 and not whole and abs(-dial_stops * parts - count) < 1e-6:
        return f"-{count}/{parts} stops"
    return units.text_from_dial_stops(round(dial_stops, 9) + 0.0)


def scene_with_balance(source: SceneText, result: Balance) -> SceneText:
    """The scene file with the new powers of the lights that were turned, and nothing else changed."""
    lights = data_from_text(source.text)["lights"]
    return source.changed({
        ("lights", move.light, "power"): dial_text(
            move.after_stops, move.step_stops, lights[move.light].get("power")
        )
        for move in result.moves
        if abs(move.change_stops) > 1e-9
    })  # fmt: skip
