"""The simulated machine of a drill: every check answers as its own physics or its chances say.

It is no row of the compiled table: one machine of its own out of the profile, each cause at the
severity of the case, two or more causes solved together, and a reader who errs. An answer depends
on the case and on what was done before, on nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from zlib import crc32

import numpy as np

from diagnose.catalogue import Catalogue, Cause, Test, sightings
from diagnose.chances import band_chances, reading_error
from diagnose.drill.case import Case
from diagnose.kb.schema import PARAMETERS, Effect, Fault
from diagnose.model import Reading, Remedied
from diagnose.particles import Bench, Draws, predict_quantity, severity_values
from diagnose.physics.laws import Array
from diagnose.physics.network import Network, build, typical
from diagnose.predict import observe, stated_rows
from diagnose.pretend import draw_outcome, round_off
from diagnose.rank import is_fixed_by
from diagnose.readings import find_band, possible
from diagnose.units import USUAL, from_si, show

WIDEST = 2.5  # how far a part of the machine may lie from the usual one, in spreads [-]
SEVERITIES = ("bore", "seep", "open", "flow", "gain", "offset", "bias", "fill", "top")


def fix_severity(fault: Fault, share: float) -> Fault:
    """Return a fault whose every severity is one value: a share of its range."""
    effects = [_fix_effect(effect, share) for effect in fault.effect]
    return fault.model_copy(update={"effect": effects})


def _fix_effect(effect: Effect, share: float) -> Effect:
    fixed = {}
    for name in SEVERITIES:
        severity = getattr(effect, name)
        if severity is not None:
            unit = USUAL[PARAMETERS[name]]
            value = float(severity_values(severity, name, np.array([share]))[0])
            text = f"{from_si(value, unit):.9g} {unit}"
            fixed[name] = severity.model_copy(update={"range": (text, text), "spread": "uniform"})
    return effect.model_copy(update=fixed)


@dataclass(frozen=True)
class Rig:
    """One machine with its hidden causes."""

    catalogue: Catalogue
    case: Case

    @cached_property
    def causes(self) -> tuple[Cause, ...]:
        """The hidden causes, each at its severity."""
        found = []
        for name, share in zip(self.case.causes, self.case.shares, strict=True):
            cause = self.catalogue.causes[self.catalogue.cause_index[name] - 1]
            found.append(replace(cause, fault=fix_severity(cause.fault, share)))
        return tuple(found)

    @cached_property
    def network(self) -> Network:
        """The wiring."""
        return build(self.catalogue.circuit)

    @cached_property
    def _own(self) -> Array:
        rng = np.random.default_rng([self.case.seed, 1])
        drawn = rng.standard_normal(len(self.network.column))
        return np.asarray(np.clip(drawn, -WIDEST, WIDEST)[None, :])

    @cached_property
    def _solved(self) -> dict[tuple[str, tuple[str, ...]], float]:
        return {}

    def find_present(self, remedies: Sequence[Remedied]) -> tuple[Cause, ...]:
        """Return the causes not put right; a remedy is botched now and then."""
        return tuple(
            cause
            for cause in self.causes
            if not any(
                is_fixed_by(cause, each)
                and self._rng(f"remedy {cause.id}", number).uniform() > cause.fault.remedy.botched
                for number, each in enumerate(remedies)
            )
        )

    def answer(self, name: str, remedies: Sequence[Remedied], times: int) -> Reading:
        """Return what is read at a check now.

        A repeat with nothing changed reads the same, unless a cause comes and goes.

        Parameters
        ----------
        name : str
            Test id.
        remedies : sequence of Remedied
            What was put right so far.
        times : int
            How often the check was read since the beginning.
        """
        test = self.catalogue.tests[self.catalogue.test_index[name]]
        present = self.find_present(remedies)
        if all(cause.fault.intermittent == 1.0 for cause in present):
            times = 0
        present = tuple(
            cause
            for cause in present
            if self._rng(f"shows {cause.id} {name}", len(remedies), times).uniform()
            < cause.fault.intermittent
        )
        if test.check.procedure:
            return self._measure(test, present, self._rng(name, len(remedies), times))
        # what a person sees stays so while the same things are wrong
        rng = self._rng(f"{name} {[cause.id for cause in present]}", times)
        return self._look(test, present, rng)

    def _rng(self, name: str, *numbers: int) -> np.random.Generator:
        return np.random.default_rng([self.case.seed, crc32(name.encode()), *numbers])

    def quantity(self, test: Test, present: Sequence[Cause]) -> float:
        """Return what a calculated check would show on this machine without any error, in SI."""
        key = (test.id, tuple(cause.id for cause in present))
        if key not in self._solved:
            causes = (join(present),) if present else ()
            draws = Draws(self._own, np.zeros((len(causes), 1)))
            bench = Bench(self.network, typical(self.network), causes, draws)
            self._solved[key] = float(predict_quantity(bench, test)[-1, 0])
        return self._solved[key]

    def _look(self, test: Test, present: Sequence[Cause], rng: np.random.Generator) -> Reading:
        felt = [cause for cause in present if sightings(cause, test)]
        rows = observe(replace(self.catalogue, causes=tuple(felt)), test)
        seen = [draw_outcome(test, row, rng) for row in (rows[1:] if felt else rows)]
        means = test.check.reading.outcomes
        return next((each for each in seen if means[each.outcome].means != "pass"), seen[0])

    def _measure(self, test: Test, present: Sequence[Cause], rng: np.random.Generator) -> Reading:
        value = self.quantity(test, present)
        reading = test.check.reading
        error = float(reading_error(reading, np.array([value]))[0])
        chances = band_chances(reading, np.array([value]), np.array([error]), 0.0)[0]
        told = self._stated(test, present)
        bands = np.array(test.bands)
        if told[bands].any():  # what is stated has no number behind it
            return draw_outcome(test, told + max(0.0, 1 - told.sum()) * chances, rng)
        if rng.uniform() < told.sum():
            return draw_outcome(test, told, rng)
        if rng.uniform() < test.check.misread:
            return draw_outcome(test, np.ones(len(told)), rng)
        seen = value + error * float(rng.standard_normal())
        low, high = possible(test)
        seen = round_off(min(max(seen, low), high), error, str(reading.unit))
        return Reading(test.id, find_band(test, seen), seen, show(seen, str(reading.unit)))

    def _stated(self, test: Test, present: Sequence[Cause]) -> Array:
        """Return the chances stated of what is seen instead of a number."""
        felt = tuple(cause for cause in present if sightings(cause, test))
        rows = stated_rows(replace(self.catalogue, causes=felt), test)
        told = next((row for row in (rows[1:] or rows) if row is not None), None)
        return np.zeros(len(test.outcomes)) if told is None else told


def join(present: Sequence[Cause]) -> Cause:
    """Return causes as one that has them all."""
    joined = present[-1]
    for cause in reversed(present[:-1]):
        joined = replace(cause, id=f"{cause.id}+{joined.id}", also=joined)
    return joined
