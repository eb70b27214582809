"""What the checks of a machine can show: unseen causes, look-alikes, needless and fewest checks.

Everything is read off the likelihood table, severities averaged, one reading at a time: a cause is
shown or told from another if one check does it clearly, not if several together make it likely.
A cause that comes and goes is judged on an occasion on which it is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, groupby

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue, Test
from diagnose.fewest import find_fewest
from diagnose.physics.laws import Array
from diagnose.predict import Table
from diagnose.testability import TELLS, difference, join_alike, mean_chances

SHOWS = 0.5  # rise of outcome chances from which a check shows a cause clearly [-]
FELT = 0.01  # below this a check is not said to come near [-]
BETTER = 0.05  # difference by which a check must outdo those as cheap to help with a pair [-]


@dataclass(frozen=True)
class Sight:
    """A check, and how well it shows a cause or tells two apart: 0 not at all, 1 always."""

    test: str
    chance: float


@dataclass(frozen=True)
class Unshown:
    """A cause that no checkout step shows clearly; the best there is, None if nothing is felt."""

    cause: str
    best_step: Sight | None
    best_isolating: Sight | None


@dataclass(frozen=True)
class Pair:
    """Two causes that no check at all tells apart, and the check that comes nearest."""

    causes: tuple[str, str]
    nearest: Sight | None  # None if they read alike everywhere


@dataclass(frozen=True)
class Split:
    """An ambiguity group, the fewest checks that split all of it that can be, and what is left."""

    causes: tuple[str, ...]
    tests: tuple[str, ...]
    is_smallest: bool
    left: tuple[Pair, ...]


@dataclass(frozen=True)
class Idle:
    """A check that helps with no pair, and the most by which it outdoes those as cheap [-]."""

    test: str
    gain: float


@dataclass(frozen=True)
class Showing:
    """The fewest checks that show every cause that can be shown, and the causes that cannot."""

    tests: tuple[str, ...]
    minutes: float
    is_smallest: bool
    missed: tuple[str, ...]


@dataclass(frozen=True)
class Coverage:
    """What the checks of a machine can show."""

    shows: Array = field(repr=False)  # (n_causes, n_tests) as ``find_shows``
    unshown: tuple[Unshown, ...]
    splits: tuple[Split, ...]
    idle: tuple[Idle, ...]
    showing: Showing


def cover(catalogue: Catalogue, table: Table) -> Coverage:
    """Return what the checks of a machine can show.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> from diagnose.session import make_kit
    >>> kit = make_kit(load(), "small")
    >>> found = cover(kit.catalogue, kit.table)
    >>> len(found.showing.tests) < len(kit.catalogue.tests)
    True
    """
    shows = find_shows(catalogue, table)
    return Coverage(
        shows,
        find_unshown(catalogue, shows),
        split_groups(catalogue, table),
        find_idle(catalogue, table),
        find_showing(catalogue, shows),
    )


def find_shows(catalogue: Catalogue, table: Table) -> Array:
    """Return how well each check shows each cause, (n_causes, n_tests) [-].

    It is how much oftener than on a sound machine the check ends in outcomes that the cause makes
    likelier: of a step only those count that fail it, of an isolating test all.
    """
    chances = mean_chances(table)
    counts = np.array([
        test.check.kind != "step" or outcome.means == "fail"
        for test in catalogue.tests
        for outcome in test.check.reading.outcomes.values()
    ])  # fmt: skip
    rise = np.maximum(chances[1:] - chances[0], 0.0) * counts
    return np.asarray(np.add.reduceat(rise, table.first[:-1], axis=1))


def find_unshown(catalogue: Catalogue, shows: Array) -> tuple[Unshown, ...]:
    """Return the causes that no checkout step shows clearly, the least shown first.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's causes and tests.
    shows : array, shape (n_causes, n_tests)
        As ``find_shows`` [-].
    """
    steps = np.array([test.check.kind == "step" for test in catalogue.tests])
    found = [
        Unshown(
            cause.id,
            _best(catalogue, np.where(steps, own, 0.0)),
            _best(catalogue, np.where(steps, 0.0, own)),
        )
        for cause, own in zip(catalogue.causes, shows, strict=True)
        if own[steps].max(initial=0.0) < SHOWS
    ]
    return tuple(sorted(found, key=lambda each: each.best_step.chance if each.best_step else 0.0))


def _best(catalogue: Catalogue, shows: Array) -> Sight | None:
    """Return the check that shows or tells most, the quickest of several as good; None if none."""
    near = np.flatnonzero(shows >= shows.max() - 1e-6)
    best = min(near, key=lambda i: catalogue.tests[i].check.minutes)
    if shows[best] < FELT:
        return None
    return Sight(catalogue.tests[best].id, float(shows[best]))


def split_groups(catalogue: Catalogue, table: Table) -> tuple[Split, ...]:
    """Return the ambiguity groups, each with the fewest checks, biomed's too, that split it."""
    chances = mean_chances(table)
    return tuple(_split(catalogue, table, chances, group) for group in join_alike(catalogue, table))


def _split(catalogue: Catalogue, table: Table, chances: Array, blocks: list[int]) -> Split:
    causes, group = tuple(table.causes[block] for block in blocks), chances[blocks]
    pairs = list(combinations(range(len(causes)), 2))
    rows, columns = np.triu_indices(len(causes), 1)  # in the order of ``pairs``
    apart = np.empty((len(table.tests), len(pairs)))
    for test in range(len(table.tests)):
        apart[test] = difference(table, group, test)[rows, columns]
    fewest = find_fewest(_to_sets(apart >= TELLS), _minutes(catalogue.tests))
    left = tuple(
        Pair((causes[a], causes[b]), _best(catalogue, own))
        for (a, b), own in zip(pairs, apart.T, strict=True)
        if own.max() < TELLS
    )
    names = tuple(table.tests[test] for test in fewest.chosen)
    return Split(causes, names, fewest.is_smallest, left)


def find_idle(catalogue: Catalogue, table: Table) -> tuple[Idle, ...]:
    """Return the checks that never help, in the catalogue's order.

    A check helps if it tells two causes apart, or a cause from the healthy machine, that no other
    check of as many minutes or fewer does, or that none does nearly as well. A user's check is
    compared with users' checks only. All that are returned may be left out together: every pair
    that was told apart still is.
    """
    chances = mean_chances(table)
    size = (len(chances), len(chances))
    reach = {"user": np.zeros(size), "biomed": np.zeros(size)}
    found: dict[int, float] = {}
    order = sorted(range(len(table.tests)), key=lambda i: _rank(catalogue.tests[i], i))
    for _, group in groupby(order, lambda i: catalogue.tests[i].check.minutes):
        own = {test: difference(table, chances, test) for test in group}
        for test in reversed(list(own)):
            gain, is_needed = _gain(catalogue, own, test, reach)
            if not is_needed:
                found[test] = gain
                del own[test]
        for test, apart in own.items():
            for who in _reached(catalogue.tests[test]):
                np.maximum(reach[who], apart, out=reach[who])
    return tuple(Idle(table.tests[test], found[test]) for test in sorted(found))


def _rank(test: Test, place: int) -> tuple[float, bool, bool, int]:
    """Return a test's place by minutes; of as many, a user's and a step come first: they stay."""
    return test.check.minutes, test.check.by != "user", test.check.kind != "step", place


def _reached(test: Test) -> tuple[str, ...]:
    """Return who can do a test: what users may do, biomed may do too."""
    return ("user", "biomed") if test.check.by == "user" else ("biomed",)


def _gain(
    catalogue: Catalogue, own: dict[int, Array], test: int, reach: dict[str, Array]
) -> tuple[float, bool]:
    """Return by how much a test outdoes all others as cheap, and whether it is needed."""
    who = catalogue.tests[test].check.by
    best = reach[who].copy()
    for other, apart in own.items():
        if other != test and who in _reached(catalogue.tests[other]):
            np.maximum(best, apart, out=best)
    told = own[test] >= TELLS
    gain = float(np.max(own[test] - best, where=told, initial=0.0))
    return gain, gain > BETTER or bool((told & (best < TELLS)).any())


def find_showing(catalogue: Catalogue, shows: Array) -> Showing:
    """Return the fewest checks that show every cause that can be shown clearly.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's causes and tests.
    shows : array, shape (n_causes, n_tests)
        As ``find_shows`` [-].
    """
    clear = shows >= SHOWS
    minutes = _minutes(catalogue.tests)
    fewest = find_fewest(_to_sets(clear.T), minutes)
    missed = tuple(c.id for c, own in zip(catalogue.causes, clear, strict=True) if not own.any())
    names = tuple(catalogue.tests[test].id for test in fewest.chosen)
    return Showing(names, sum(minutes[i] for i in fewest.chosen), fewest.is_smallest, missed)


def _minutes(tests: Sequence[Test]) -> list[float]:
    return [test.check.minutes for test in tests]


def _to_sets(holds: NDArray[np.bool_]) -> list[int]:
    """Return each row of yes and no as bits of one whole number."""
    return [
        int.from_bytes(np.packbits(row, bitorder="little").tobytes(), "little") for row in holds
    ]
