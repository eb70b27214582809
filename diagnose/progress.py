"""How far a work-up has come: if the failed step was repeated, and if other checks confirm it."""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.catalogue import Catalogue
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.readings import verdict

OVERLAP = 0.5  # share of the failed step's components that a confirming check must cover [-]


def entries_since(work: WorkUp) -> tuple[Reading, ...]:
    """Return the readings after the last remedy, or after the first reading of the failed step."""
    start = 0
    for index, entry in enumerate(work.entries):
        if isinstance(entry, Remedied):
            start = index + 1
    if start == 0:
        first = next(
            (
                i
                for i, e in enumerate(work.entries)
                if isinstance(e, Reading) and e.test == work.failed
            ),
            -1,
        )
        start = first + 1
    return tuple(entry for entry in work.entries[start:] if isinstance(entry, Reading))


def state_repeat(catalogue: Catalogue, work: WorkUp) -> str:
    """Return whether the failed step was repeated since: passed, failed or missing."""
    own = [r for r in entries_since(work) if r.test == work.failed and r.is_answer]
    if not own:
        return "missing"
    test = catalogue.tests[catalogue.test_index[work.failed]]
    return "passed" if all(verdict(test, reading) == "pass" for reading in own) else "failed"


def state_independent(
    catalogue: Catalogue, tested: Mapping[str, frozenset[str]], work: WorkUp
) -> str:
    """Return whether another check of the same parts was done since: passed, failed or missing."""
    states = []
    for reading in entries_since(work):
        if reading.is_answer and is_independent(catalogue, tested, work.failed, reading.test):
            states.append(verdict(catalogue.tests[catalogue.test_index[reading.test]], reading))
    if "fail" in states:
        return "failed"
    return "passed" if "pass" in states else "missing"


def is_independent(
    catalogue: Catalogue, tested: Mapping[str, frozenset[str]], failed: str, name: str
) -> bool:
    """Tell whether a check covers the parts of a failed step by another way."""
    test = catalogue.tests[catalogue.test_index[name]]
    wanted = tested[failed]
    covers = len(tested[name] & wanted) >= OVERLAP * max(1, len(wanted))
    can_pass = any(outcome.means == "pass" for outcome in test.check.reading.outcomes.values())
    return name != failed and covers and can_pass


def must_repeat(work: WorkUp) -> bool:
    """Tell whether a remedy was done and the failed step not repeated since."""
    last = max(
        (i for i, entry in enumerate(work.entries) if isinstance(entry, Remedied)), default=-1
    )
    after = work.entries[last + 1 :]
    return last >= 0 and not any(isinstance(e, Reading) and e.test == work.failed for e in after)


def tests_done(work: WorkUp) -> int:
    """Return how many readings were taken since the step failed."""
    names = [reading.test for reading in work.readings]
    return len(names) - names.index(work.failed) - 1 if work.failed in names else 0


def tests_since_remedy(work: WorkUp) -> set[str]:
    """Return the tests done since the last remedy, or since the beginning."""
    found: set[str] = set()
    for entry in work.entries:
        if isinstance(entry, Remedied):
            found = set()
        else:
            found.add(entry.test)
    return found
