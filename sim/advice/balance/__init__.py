"""Dials for wanted readings: bounded least squares in stops, then the steps of each head's dial.

    wishes    what the user wants, and the probes that read it
    problem   the lights' dials and what they give the wished points, in plain numbers
    solve     the least change that meets most, on and off the steps of the heads
    outcome   what was reached, what was not and why, and the changed scene

A wish is an incident f-number at a meter point, or stops against the reference point. Every light of the scene that is
not locked or muted may be turned; room light never.
"""

from sim.advice.balance.outcome import Balance, balance_from_readings, definition, scene_with_balance
from sim.advice.balance.problem import BalanceProblem, LightDial
from sim.advice.balance.solve import solved_dials, stepped_dials
from sim.advice.balance.wishes import Wish, problem_from_readings, want_points, wish_from_text, wishes_from_texts

__all__ = [
    "Balance",
    "BalanceProblem",
    "LightDial",
    "Wish",
    "balance_from_readings",
    "definition",
    "problem_from_readings",
    "scene_with_balance",
    "solved_dials",
    "stepped_dials",
    "want_points",
    "wish_from_text",
    "wishes_from_texts",
]
