"""What a light does, in one plain sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from sim.advice.checks.duties import GROUPS, IDLE_STOPS, LARGEST_STOPS
from sim.advice.finding import Finding
from sim.metering.report_points import point_of_part, worn_name
from sim.quantities import phrases

# A point that loses so much has nearly all its light from there. The sentence names this many points or groups.
WHOLE_STOPS = 4.0
MOST_TOLD = 5
# Points that lose nearly the same are told as one.
ALIKE_STOPS = 0.3


def sentence_from_tasks(tasks: Sequence[Finding], garment: str) -> str:
    """One sentence of all that a light does to a sitter who wears this."""
    text = "; ".join(
        _points_text(task.numbers, garment) if task.kind == "lights points" else TASKS[task.kind](task)
        for task in tasks
    )
    lights = any(task.kind in ("lights points", "muted", "idle") for task in tasks)
    return f"{text}." if lights else f"{text}; no meter point changes by more than 1/10 stop."


TASKS: dict[str, Callable[[Finding], str]] = {
    "muted": lambda task: "muted",
    "idle": lambda task: "idle: without it nothing changes by more than 1/10 stop",
    "changes little": lambda task: "changes only the outline or the sparkle a little",
    "makes the halo": lambda task: (
        f"makes the halo behind the head ({_stops(task.numbers['loss_stops'])} less without it)"
    ),
    "draws the edge": lambda task: (
        f"draws the edge of the {task.words['shoulder']} ({_stops(task.numbers['loss_stops'])} of it)"
    ),
    "makes the sparkle": lambda task: (
        f"makes the sparkle ({percent_of_sequins(task.numbers['share'])} of the sequins glint, "
        f"{percent_of_sequins(task.numbers['without'])} without it)"
    ),
    "parts the sitter": lambda task: (
        f"sets the sitter off from what is behind ({_stops(task.numbers['loss_stops'])} of the contrast)"
    ),
}


def _points_text(lost: Mapping[str, float], garment: str) -> str:
    """What is lost at the points, most first, points that agree told as their group."""
    losses: list[tuple[float, str]] = []
    for group, names in GROUPS.items():
        values = {name: lost[name] for name in names if name in lost}
        if not values:
            continue
        low, high = min(values.values()), max(values.values())
        if len(values) > 1 and low > IDLE_STOPS and high - low <= ALIKE_STOPS:
            losses.append(
                (
                    float(np.mean(list(values.values()))),
                    f"the whole {worn_name(group, garment)}" if group != "shoulders" else "both shoulders",
                )
            )
            continue
        losses += [
            (value, f"the {point_of_part(name, garment)}") for name, value in values.items() if value > IDLE_STOPS
        ]
    if not losses:
        return ""
    losses.sort(key=lambda item: -item[0])
    whole = [place for value, place in losses if value >= WHOLE_STOPS]
    partial = [(value, place) for value, place in losses if value < WHOLE_STOPS]
    texts = []
    if whole:
        texts.append(f"gives nearly all the light on {_listed(whole[:MOST_TOLD])}")
    if partial:
        first, *others = partial[: max(MOST_TOLD - len(whole), 1)]
        text = f"adds {_stops(first[0])} to {first[1]}"
        texts.append(text + "".join(f", {phrases.number(value, 1)} to {place}" for value, place in others))
    left = len(losses) - min(len(whole), MOST_TOLD) - min(len(partial), max(MOST_TOLD - len(whole), 1))
    text = "; ".join(texts)
    if left > 0:
        return f"{text}, less to {left} other point{'' if left == 1 else 's'}"
    everywhere = sum(value > IDLE_STOPS for value in lost.values()) == len(lost)
    return text if everywhere else f"{text}, nothing elsewhere"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _stops(value: float) -> str:
    if value >= LARGEST_STOPS:
        return f"over {LARGEST_STOPS:.0f} stops"
    return phrases.stops(value, 1)


def percent_of_sequins(share: float) -> str:
    """A share of the sequins in tenths of a percent.

    >>> percent_of_sequins(0.0721), percent_of_sequins(0.0002), percent_of_sequins(0.0)
    ('7.2 %', 'under 0.1 %', 'none')
    """
    if share <= 0:
        return "none"
    return f"{100 * share:.1f} %" if share >= 0.0005 else "under 0.1 %"
