"""How likely every particle makes a reading; numbers keep their density, mistakes stay possible."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue, Test
from diagnose.model import Reading
from diagnose.physics.laws import Array
from diagnose.predict import Table
from diagnose.readings import bands, find_band

ELSE_VISIBLE = 0.01  # share of unknown causes that show at a given look; judgement [-]
STEADY = 0.9  # how often what a cause showed at a look it shows again; judgement [-]
LOGISTIC = 1.702  # this steep it looks normal, with wider tails: machines differ [-]
BEYOND = 1.5  # times the inner edge of an open band
TINY = 1e-12


@dataclass(frozen=True)
class Group:
    """Readings of one test with nothing put right between them: they share their error."""

    test: int
    remedies: int  # how many remedies had been done
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Again:
    """The same look as before a remedy, which failed then."""

    shows: NDArray[np.bool_]  # (n_blocks,) causes that it showed then
    same: bool  # it reads as it did then

    def weigh(self, log: Array, shows: NDArray[np.bool_]) -> Array:
        """Return log chances of the reading now, for what it showed then and what it did not."""
        steady = np.log(STEADY * self.same + (1 - STEADY) * np.exp(log))
        return np.asarray(np.where(shows, steady, log))


def is_stated(own: Test, reading: Reading) -> bool:
    """Tell whether a reading says no more than its outcome; else its number counts."""
    number = reading.number_si
    return number is None or not own.check.procedure or is_beyond(own, number)


def log_likelihood(catalogue: Catalogue, table: Table, test: int, reading: Reading) -> Array:
    """Return the log of how likely each particle makes a reading, (n_particles,)."""
    own = catalogue.tests[test]
    stated: Array = table.log_prob[table.first[test] + own.outcomes.index(reading.outcome)]
    if is_stated(own, reading):
        return stated
    chance = density(own, reading, table.shown[test], table.spreads[test])
    words = [table.first[test] + place for place, band in enumerate(own.bands) if not band]
    if words:  # a number was seen, so none of these
        chance = chance * (1 - np.exp(table.log_prob[words]).sum(axis=0))
    return np.asarray(np.where(np.isnan(chance), stated, np.log(chance + TINY)))


def density(test: Test, reading: Reading, quantity: NDArray[Any], error: NDArray[Any]) -> Array:
    """Return the likelihood of a number: logistic about what is predicted, broad for a mistake."""
    width = np.array([_width(test, *limits) for limits in bands(test.check.reading)])
    share = test.outcomes.index(find_band(test, float(reading.number_si or 0.0)))
    broad = 1 / (len(width) * width[share])
    z = (float(reading.number_si or 0.0) - quantity) / error
    below = 1 / (1 + np.exp(-np.clip(LOGISTIC * z, -50, 50)))
    peak = LOGISTIC * below * (1 - below) / error
    misread = test.check.misread
    return np.asarray(((1 - misread) * peak + misread * broad) * width[share])


def is_beyond(test: Test, number: float) -> bool:
    """Tell whether a number lies so far out in an open band that only the band says anything."""
    low, high = bands(test.check.reading)[test.outcomes.index(find_band(test, number))]
    if np.isfinite(low) and np.isfinite(high):
        return False
    edge = low if np.isfinite(low) else high
    return bool(abs(number - edge) > BEYOND * abs(edge))


def _width(test: Test, low: float, high: float) -> float:
    """Return a band's width; an open band is as wide as the widest closed one or its inner edge."""
    if np.isfinite(low) and np.isfinite(high):
        return high - low
    edges = [abs(edge) for pair in bands(test.check.reading) for edge in pair if np.isfinite(edge)]
    return max(edges) if edges else 1.0


def broad_chances(catalogue: Catalogue, table: Table, test: int) -> Array:
    """Return the outcome chances of a test when the cause lies outside the knowledge.

    At a pressure or flow check any outcome is as likely as another; at a look the machine mostly
    looks sound. Less breadth at the checks was tried: it made the ranking overconfident.
    """
    own = catalogue.tests[test]
    share = 1.0 if own.check.procedure else ELSE_VISIBLE
    usual = table.prob[0, table.columns(test)].astype(float)
    return np.asarray(share / len(own.outcomes) + (1 - share) * usual)


def broad_likelihood(catalogue: Catalogue, table: Table, test: int, reading: Reading) -> float:
    """Return how likely a cause outside the knowledge makes a reading."""
    place = catalogue.tests[test].outcomes.index(reading.outcome)
    return float(broad_chances(catalogue, table, test)[place])
