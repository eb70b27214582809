"""The clock that a check needs: counted down for a hold, counted up until something happens."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from diagnose.kb.schema import Check
from diagnose.readings import bands
from diagnose.units import to_si

SHORTEST = 3.0  # seconds from which a clock is of use


@dataclass(frozen=True)
class Timer:
    """What a clock does, as the knowledge tells it."""

    way: Literal["down", "up"]
    stages: tuple[float, ...]  # seconds; down: one after the other; up: from here on it passes
    title: str = ""  # up: what it is called from there on


def find_timer(check: Check) -> Timer | None:
    """Return the clock of a check; None if its procedure has no time.

    >>> from diagnose.kb.load import load
    >>> checks = load().checks
    >>> find_timer(checks["breathing.hold_30"])
    Timer(way='down', stages=(10.0,), title='')
    >>> find_timer(checks["outlet.bulb_supplies_off"])
    Timer(way='up', stages=(10.0,), title='Flat for 10 s or more')
    """
    if check.reading.quantity == "time":
        return _count_up(check)
    waits = tuple(to_si(move.wait.text, "time") for move in check.procedure if move.wait)
    breathes = any(move.breathe for move in check.procedure)  # then the ventilator keeps the time
    return None if breathes or sum(waits) < SHORTEST else Timer("down", waits)


def _count_up(check: Check) -> Timer:
    """Return the clock that stops at an event, with the limit from which the reading passes."""
    outcomes = check.reading.outcomes.values()
    for outcome, (low, high) in zip(outcomes, bands(check.reading), strict=True):
        if outcome.means == "pass" and math.isfinite(low) and not math.isfinite(high):
            return Timer("up", (low,), outcome.title)
    return Timer("up", ())
