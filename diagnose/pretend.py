"""An invented machine with one hidden cause, which answers checks as its physics says.

It is drawn apart from the machines that the ranking knows: another machine of the profile, another
severity, and a reader who errs. Every answer depends only on the draw and on what was done before,
so that undoing an answer and asking again gives the same answer again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from zlib import crc32

import numpy as np

from diagnose.catalogue import Catalogue, Cause, Test
from diagnose.chances import reading_error
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.outline import checkout_steps
from diagnose.physics.laws import Array
from diagnose.predict import Table, compile_table, words_shown
from diagnose.rank import is_fixed_by
from diagnose.readings import find_band, verdict
from diagnose.units import TRADE, show

DRAW = 977  # apart from the draw that tables are compiled from
MACHINES = 8  # drawn for spreading the severities; one of them is the machine
TRIES = 400
FELT = 2.0  # a step failed because of the cause if the cause makes it this much likelier [-]


@dataclass(frozen=True)
class Pretend:
    """One machine with one cause."""

    catalogue: Catalogue
    cause: Cause
    number: int  # of the draw
    machine: int  # which of the drawn machines

    def answer(self, work: WorkUp, name: str) -> Reading:
        """Return what is read at a test now; a repeat with nothing changed reads the same."""
        test = self.catalogue.tests[self.catalogue.test_index[name]]
        times = 0
        if self.cause.fault.intermittent < 1.0:
            times = sum(reading.test == name for reading in work.readings)
        rng = self._rng(name, len(work.remedies), times)
        shows = rng.uniform() < self.cause.fault.intermittent
        here = shows and not self.is_fixed(work.remedies)
        return self._read(test, self.machine + (MACHINES if here else 0), rng)

    def is_fixed(self, remedies: Sequence[Remedied]) -> bool:
        """Tell whether the cause was put right; a remedy is botched now and then."""
        botched = self.cause.fault.remedy.botched
        return any(
            is_fixed_by(self.cause, each) and self._rng("remedy", number, 0).uniform() > botched
            for number, each in enumerate(remedies)
        )

    def _rng(self, name: str, *numbers: int) -> np.random.Generator:
        return np.random.default_rng([self.number, crc32(name.encode()), *numbers])

    @cached_property
    def _tables(self) -> dict[str, Table]:
        return {}

    def table(self, test: Test) -> Table:
        """Return what one test reads on this machine, healthy and with its cause."""
        if test.id not in self._tables:
            own = replace(self.catalogue, causes=(self.cause,), tests=(test,))
            draw = DRAW + self.number
            self._tables[test.id] = compile_table(own, "pretend", n_machines=MACHINES, seed=draw)
        return self._tables[test.id]

    def _read(self, test: Test, row: int, rng: np.random.Generator) -> Reading:
        table = self.table(test)
        value = float(table.quantity[row, 0])
        told = words_shown(test, table.prob[row].astype(float), value)
        if test.check.procedure and rng.uniform() < told.sum():
            return draw_outcome(test, told, rng)
        if test.check.procedure and rng.uniform() > test.check.misread:
            error = float(reading_error(test.check.reading, np.array([value]))[0])
            seen = value + error * rng.standard_normal()
            if test.check.reading.quantity == "time":
                seen = max(0.0, seen)
            seen = round_off(seen, error, str(test.check.reading.unit))
            text = show(seen, str(test.check.reading.unit))
            return Reading(test.id, find_band(test, seen), seen, text)
        chances = table.prob[row].astype(float)
        if test.check.procedure:
            chances = np.ones(len(chances))  # a plain mistake
        return draw_outcome(test, chances, rng)

    def is_felt(self, test: Test, reading: Reading) -> bool:
        """Tell whether the cause makes this reading likelier; else it is a false alarm."""
        column = test.outcomes.index(reading.outcome)
        prob = self.table(test).prob
        return bool(prob[MACHINES + self.machine, column] > FELT * prob[self.machine, column])


def draw_outcome(test: Test, chances: Array, rng: np.random.Generator) -> Reading:
    """Return an outcome of a test drawn by its chances, which need not sum to one."""
    outcome = test.outcomes[rng.choice(len(chances), p=chances / chances.sum())]
    return Reading(test.id, outcome, None, outcome)


def round_off(value: float, error: float, unit: str) -> float:
    """Return a number as finely as it can be read, in SI.

    >>> show(round_off(-6.2, 39.2, "cmH2O"), "cmH2O"), show(round_off(-6.2, 98.1, "cmH2O"), "cmH2O")
    ('-0.10 cmH2O', '0 cmH2O')
    """
    one = TRADE[unit][1]
    step = 10.0 ** np.floor(np.log10(error / one))
    return float(round(value / one / step) * step * one)


def check_out(pretend: Pretend) -> WorkUp | None:
    """Return the work-up that a checkout leads to: steps passed, then the first that fails.

    None if every step passes, or the first failure is not the hidden cause's.
    """
    work = WorkUp(pretend.catalogue.circuit.machine_id, "")
    for test in checkout_steps(pretend.catalogue):
        reading = pretend.answer(work, test.id)
        work = work.add(reading)
        if verdict(test, reading) == "fail":
            return replace(work, failed=test.id) if pretend.is_felt(test, reading) else None
    return None


def draw_pretend(catalogue: Catalogue, number: int) -> tuple[Pretend, WorkUp]:
    """Return an invented machine whose checkout fails, and the work-up that begins there.

    Parameters
    ----------
    catalogue : Catalogue
        The machine profile.
    number : int
        Of the draw; the same number gives the same machine.

    Raises
    ------
    RuntimeError
        No cause of this profile fails a checkout step, in many draws.
    """
    rng = np.random.default_rng([DRAW, number])
    often = np.array([cause.fault.how_often.per_10000 for cause in catalogue.causes])
    for _ in range(TRIES):
        cause = catalogue.causes[int(rng.choice(len(often), p=often / often.sum()))]
        own = int(rng.integers(2**31))
        pretend = Pretend(catalogue, cause, own, int(rng.integers(MACHINES)))
        work = check_out(pretend)
        if work is not None:
            return pretend, work
    raise RuntimeError(f"no cause of '{catalogue.circuit.machine_id}' fails a checkout step")
