"""Pressure over time during a hold: as the trainee saw it, and as each suspect would have drawn it.

A hold is a check whose last move is a wait and which reads a pressure at its end. Its course is
solved by ending the wait early.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.catalogue import Catalogue, Cause, Test
from diagnose.chances import reading_error
from diagnose.drill.machine import Rig, fix_severity
from diagnose.model import Reading, Remedied
from diagnose.particles import Bench, Draws, predict_quantity
from diagnose.physics.laws import Array
from diagnose.physics.network import build, typical
from diagnose.pretend import round_off

POINTS = 7
SHARES = 21  # severities of a suspect that are tried
BEGIN = 0.001  # of the wait: nothing has leaked yet [-]


@dataclass(frozen=True)
class Curve:
    """One course of pressure; ``name`` is a cause id, or empty for what was seen."""

    name: str
    seconds: tuple[float, ...]
    pressure: tuple[float, ...]  # [Pa]


def is_hold(test: Test) -> bool:
    """Tell whether a check watches a pressure over a wait."""
    moves = test.check.procedure
    return bool(moves) and moves[-1].wait is not None and test.check.reading.quantity == "pressure"


def cut(test: Test, fraction: float) -> Test:
    """Return a hold that ends after a fraction of its wait."""
    moves = list(test.check.procedure)
    wait = moves[-1].wait
    assert wait is not None
    text = f"{wait.si_time() * fraction:.6g} s"
    moves[-1] = moves[-1].model_copy(update={"wait": wait.model_copy(update={"text": text})})
    check = test.check.model_copy(update={"procedure": moves})
    return Test(f"{test.id} {fraction:.3f}", test.check_id, test.it, check)


def find_fractions() -> list[float]:
    """Return the parts of the wait at which a course is solved."""
    return [max(BEGIN, n / (POINTS - 1)) for n in range(POINTS)]


def find_seconds(test: Test) -> tuple[float, ...]:
    """Return the times at which a course is solved [s]."""
    wait = test.check.procedure[-1].wait
    assert wait is not None
    return tuple(round(wait.si_time() * n / (POINTS - 1), 2) for n in range(POINTS))


def watch(rig: Rig, test: Test, reading: Reading, remedies: Sequence[Remedied]) -> Curve | None:
    """Return the course that was seen, as finely as the gauge is read; None if no number was read.

    The reader's error grows with the fall, so that the course ends at the reading itself.
    """
    if not is_hold(test) or reading.number_si is None:
        return None
    present = rig.find_present(remedies)
    true = [rig.quantity(cut(test, fraction), present) for fraction in find_fractions()]
    error = float(reading_error(test.check.reading, np.array([true[-1]]))[0])
    off = reading.number_si - true[-1]
    unit = str(test.check.reading.unit)
    seen = [round_off(p + off * n / (POINTS - 1), error, unit) for n, p in enumerate(true)]
    return Curve("", find_seconds(test), (*seen[:-1], reading.number_si))


def suspect_curves(
    catalogue: Catalogue, test: Test, names: Sequence[str], end: float
) -> list[Curve]:
    """Return the course each suspect would draw on the usual machine.

    Parameters
    ----------
    catalogue : Catalogue
        The machine.
    test : Test
        A hold.
    names : sequence of str
        The suspects.
    end : float
        Where the seen course ends [Pa]: each suspect has the severity that comes nearest to it.
    """
    shares = np.linspace(0, 1, SHARES)
    tried = [_at(catalogue, name, float(share)) for name in names for share in shares]
    ends = _solve(catalogue, tried, test).reshape(len(names), SHARES)
    best = [float(shares[int(np.abs(row - end).argmin())]) for row in ends]
    chosen = [_at(catalogue, name, share) for name, share in zip(names, best, strict=True)]
    rows = np.array([_solve(catalogue, chosen, cut(test, f)) for f in find_fractions()])
    seconds = find_seconds(test)
    return [Curve(name, seconds, tuple(float(p) for p in rows[:, n]))
            for n, name in enumerate(names)]  # fmt: skip


def _solve(catalogue: Catalogue, causes: Sequence[Cause], test: Test) -> Array:
    """Return what a check reads with each cause alone on the usual machine, in SI."""
    network = build(catalogue.circuit)
    draws = Draws(np.zeros((1, len(network.column))), np.zeros((len(causes), 1)))
    bench = Bench(network, typical(network), tuple(causes), draws)
    return np.asarray(predict_quantity(bench, test)[1:, 0])


def _at(catalogue: Catalogue, name: str, share: float) -> Cause:
    cause = catalogue.causes[catalogue.cause_index[name] - 1]
    return replace(cause, id=f"{name} {share:.2f}", fault=fix_severity(cause.fault, share))
