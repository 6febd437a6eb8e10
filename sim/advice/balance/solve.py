"""The dials that come nearest to the wishes: bounded least squares in stops, then a search over the dials' steps."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import least_squares

from sim.advice.balance.problem import BalanceProblem, LightDial

# Weight on moving a dial by one stop, from strong to next to nothing, so that lights move no more than need be.
HOLD_WEIGHTS = (0.1, 3e-2, 1e-2, 1e-3, 1e-6)
# A wish counts as met within this: the finest step of most heads.
MET_STOPS = 0.1
RANDOM_STARTS = 6
# Squared stops under which no other start can do better to any purpose.
MET_EXACTLY = 1e-10

# Squared stops that straying a stop from the exact solution costs: a weak light is no vernier for the others' steps.
STRAY_WEIGHT = 1e-2
# Stops of a missed wish that a stop of a dial must be worth.
WORTH = 0.1
# A meter shows tenths: less than this is no difference.
UNSEEN_STOPS = 0.005


def least_change_dials(problem: BalanceProblem, *, seed: int = 0) -> np.ndarray:
    """Settings (k,) on the heads' steps that meet as many wishes as can be met, with the least change that does.

    The dials are held ever more loosely; a looser hold is taken only where it meets more wishes, so that no light runs
    down its dial for a tenth of a stop that is missed all the same.
    """
    best, most = np.array([dial.now_stops for dial in problem.dials]), -1.0
    for count in range(1, len(HOLD_WEIGHTS) + 1):
        dials = stepped_dials(problem, solved_dials(problem, seed=seed, holds=HOLD_WEIGHTS[:count]))
        met = float(problem.weights[np.abs(problem.residual_stops(dials)) <= MET_STOPS + 1e-9].sum())
        if met > most + 1e-9:
            best, most = dials, met
    return _given_back(problem, best)


def _given_back(problem: BalanceProblem, dials: np.ndarray) -> np.ndarray:
    """Take back what is not worth it: each moved dial as far as met wishes stay met and the others miss little more.

    Little is a tenth of a stop for every stop that the dial is given back.
    """
    met = np.abs(problem.residual_stops(dials)) <= MET_STOPS + 1e-9

    def missed(at: np.ndarray) -> float:
        off = np.abs(problem.residual_stops(at))
        return np.inf if (off[met] > MET_STOPS + 1e-9).any() else float((problem.weights * off)[~met].sum())

    dials = dials.copy()
    now = np.array([dial.now_stops for dial in problem.dials])
    for index in np.argsort(-np.abs(dials - now)):
        reached, least = dials[index], missed(dials)
        between = [now[index], *settings_of(problem.dials[index])]
        between = [stops for stops in between if min(now[index], reached) <= stops <= max(now[index], reached)]
        for stops in sorted(between, key=lambda stops: abs(stops - now[index])):
            dials[index] = stops
            if missed(dials) <= least + WORTH * abs(stops - reached) + 1e-9:
                break
        else:
            dials[index] = reached
    return dials


def solved_dials(
    problem: BalanceProblem, *, seed: int = 0, beyond_stops: float = 0.0, holds: Sequence[float] = HOLD_WEIGHTS
) -> np.ndarray:
    """Dials (k,) between lowest and full that come nearest to the wishes; lights move no more than need be.

    Arguments: `seed` of the random starts; `beyond_stops` how far dials may pass their ends, to see what it would
    take; `holds` weights on moving a dial, loosened one by one. Does not: round to steps.
    """
    now = np.array([dial.now_stops for dial in problem.dials])
    lowest = np.array([dial.lowest_stops for dial in problem.dials]) - beyond_stops
    highest = np.full(len(now), beyond_stops)
    turns = np.array([dial.free for dial in problem.dials]) & (highest - lowest > 1e-9)
    if not turns.any() or not len(problem.target):
        return now
    low, high = lowest[turns], highest[turns]
    rng = np.random.default_rng(seed)
    starts = [now[turns], high, (low + high) / 2, *(rng.uniform(low, high) for _ in range(RANDOM_STARTS))]
    best, least = now, math.inf
    for start in starts:
        dials = now.copy()
        dials[turns] = _descended(problem, now, turns, start, low, high, holds)
        cost = float(np.square(problem.weights * problem.residual_stops(dials)).sum())
        cost += float(np.square(holds[-1] * (dials - now)).sum())
        # Keep the first start, which moves least, unless another is truly better.
        if cost < least - MET_EXACTLY:
            best, least = dials, cost
        if least < MET_EXACTLY:
            break
    return _left_alone(problem, best, now)


def _descended(
    problem: BalanceProblem, now: np.ndarray, turns: np.ndarray, start: np.ndarray, low: np.ndarray, high: np.ndarray,
    holds: Sequence[float],
) -> np.ndarray:  # fmt: skip
    """Minimise over the dials that turn, from a start, with the hold on them loosened step by step."""

    def dials_from(x: np.ndarray) -> np.ndarray:
        dials = now.copy()
        dials[turns] = x
        return dials

    def residual(x: np.ndarray, hold: float) -> np.ndarray:
        return np.concatenate([problem.weights * problem.residual_stops(dials_from(x)), hold * (x - now[turns])])

    def jacobian(x: np.ndarray, hold: float) -> np.ndarray:
        slopes = problem.weights[:, None] * problem.jacobian(dials_from(x))
        return np.vstack([slopes[:, turns], hold * np.eye(len(x))])

    inset = 1e-9 * (high - low)
    x = start
    for hold in holds:
        solution = least_squares(
            residual, np.clip(x, low + inset, high - inset), jacobian, bounds=(low, high), args=(hold,),
            xtol=1e-12, ftol=1e-14, gtol=1e-12, max_nfev=200,
        )  # fmt: skip
        x = np.clip(solution.x, low, high)
    return x


def _left_alone(problem: BalanceProblem, dials: np.ndarray, now: np.ndarray) -> np.ndarray:
    """Put back every dial whose move made no difference that a meter could show."""
    dials = dials.copy()
    for index, dial in enumerate(problem.dials):
        # A setting from the file that lies off the dial cannot be kept.
        if not dial.free or not dial.lowest_stops <= now[index] <= 0:
            continue
        kept = dials.copy()
        kept[index] = now[index]
        if np.abs(problem.residual_stops(kept) - problem.residual_stops(dials)).max() < UNSEEN_STOPS:
            dials = kept
    return dials


def settings_of(dial: LightDial) -> np.ndarray:
    """Every setting of a dial in stops from full, full first, none outside its range."""
    count = math.floor(-dial.lowest_stops / dial.step_stops + 1e-6)
    return np.round(-dial.step_stops * np.arange(count + 1), 9) + 0.0


def stepped_dials(problem: BalanceProblem, dials: np.ndarray) -> np.ndarray:
    """Dials on the steps of their heads near a solution: nearest steps, then single and paired steps while they help.

    A dial that stays where it was keeps its setting, on a step or not.
    """
    choices = [
        np.unique(np.append(settings_of(f), f.now_stops)) if f.free else np.array([f.now_stops]) for f in problem.dials
    ]
    place = [int(np.abs(options - dial).argmin()) for options, dial in zip(choices, dials, strict=True)]

    def cost(places: Sequence[int]) -> float:
        at = np.array([options[i] for options, i in zip(choices, places, strict=True)])
        missed = np.square(problem.weights * problem.residual_stops(at)).sum()
        return float(missed + STRAY_WEIGHT * np.square(at - dials).sum())

    least = cost(place)
    moves: list[tuple[tuple[int, int], ...]] = [((i, d),) for i in range(len(place)) for d in (-1, 1)]
    moves += [((i, d), (j, e)) for i in range(len(place)) for j in range(i) for d in (-1, 1) for e in (-1, 1)]
    improved = True
    while improved:
        improved = False
        for move in moves:
            trial = list(place)
            for index, step in move:
                trial[index] += step
            if all(0 <= i < len(options) for i, options in zip(trial, choices, strict=True)):
                value = cost(trial)
                if value < least - 1e-12:
                    place, least, improved = trial, value, True
    return np.array([options[i] for options, i in zip(choices, place, strict=True)])
