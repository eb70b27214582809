"""Raw answers to readings: an outcome, or a number with its unit, checked against its check."""

from __future__ import annotations

import difflib
import math
from functools import cache

from diagnose.catalogue import Catalogue, Test, words
from diagnose.errors import ReadingError
from diagnose.kb import schema
from diagnose.language import _, inside
from diagnose.model import NOT_DONE, NOT_SURE, OTHER_ANSWERS, Reading
from diagnose.units import AS_WRITTEN, Units, kind_of, show, to_si

#: what can be read at all, in SI: wider than any gauge, narrower than a slip of the keyboard
POSSIBLE = {
    "pressure": (-15e3, 15e3),
    "flow": (-2e-3, 2e-3),
    "time": (0.0, 600.0),
    "volume": (0.0, 20e-3),
    "fraction": (0.0, 1.1),
}
#: where the bands of a check lie beyond that: scale of its gauge over the highest limit
FULL_SCALE = 3.0
FINER = 3  # figures of a number that was read in another unit
_WORDS = {
    "not sure": NOT_SURE,
    "?": NOT_SURE,
    "could not be done": NOT_DONE,
    "not done": NOT_DONE,
    NOT_SURE: NOT_SURE,
    NOT_DONE: NOT_DONE,
}


def find_test(catalogue: Catalogue, name: str) -> Test:
    """Return a test by its id.

    Raises
    ------
    ReadingError
        The machine has no such test.
    """
    if name in catalogue.test_index:
        return catalogue.tests[catalogue.test_index[name]]
    near = difflib.get_close_matches(name, catalogue.test_index, 3, 0.5)
    known = near or [
        _("the checks listed by 'tenhold checks {machine}'").format(
            machine=catalogue.circuit.machine_id
        )
    ]
    raise ReadingError(name, name, known, _("There is no such check on this machine."))


def read_answer(catalogue: Catalogue, name: str, text: str) -> Reading:
    """Return what a person answered at a test.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's tests.
    name : str
        Test id.
    text : str
        An outcome id, a number with unit, "not sure" or "could not be done".

    Returns
    -------
    Reading
        With the outcome that a number falls in.

    Raises
    ------
    ReadingError
        The answer is none of these, or the number cannot be.
    UnitError
        A number without its unit, or in a unit of another kind.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> from diagnose.catalogue import list_catalogue
    >>> read_answer(list_catalogue(load(), "small"), "breathing.hold_30", "20 cmH2O").outcome
    'falls_slowly'
    """
    test = find_test(catalogue, name)
    plain = " ".join(text.strip().split())
    lower = plain.lower()
    if lower in _WORDS:
        return Reading(name, _WORDS[lower], None, plain)
    by_title = {outcome.title.lower(): key for key, outcome in test.check.reading.outcomes.items()}
    outcome = lower if lower in test.outcomes else by_title.get(lower)
    if outcome:
        return Reading(name, outcome, None, plain)
    if test.check.reading.unit and lower[:1] in {*"0123456789+-."}:
        return _read_number(test, plain)
    raise ReadingError(name, text, _allowed(test))


def _allowed(test: Test) -> list[str]:
    unit = test.check.reading.unit
    number = [_("a number such as '12 {unit}'").format(unit=unit)] if unit else []
    return [*test.outcomes, *number, "not sure", "could not be done"]


def _read_number(test: Test, text: str) -> Reading:
    kind = kind_of(str(test.check.reading.unit))
    value = to_si(text, kind)
    low, high = possible(test)
    if not (math.isfinite(value) and low <= value <= high):
        unit = str(test.check.reading.unit)
        raise ReadingError(test.id, text, [say_span(low, high, unit)], _("Read it again."))
    return Reading(test.id, find_band(test, value), value, text)


def say_span(low: float, high: float, unit: str) -> str:
    """Return the lowest and the highest number that can be read.

    Parameters
    ----------
    low, high : float
        In SI [of the unit's kind].
    unit : str
        In which they are told.
    """
    return _("{low} to {high}").format(low=show(low, unit), high=show(high, unit))


def possible(test: Test) -> tuple[float, float]:
    """Return what can be read at a test at all, in SI: wider where its own bands lie higher.

    A cylinder's gauge goes to megapascals; anywhere else such a pressure is a slip of the keyboard.

    >>> from diagnose.kb.load import load
    >>> from diagnose.catalogue import list_catalogue
    >>> catalogue = list_catalogue(load(), "small")
    >>> possible(find_test(catalogue, "breathing.hold_30"))
    (-15000.0, 15000.0)
    >>> round(possible(find_test(catalogue, "supply.cylinder_pressure@o2_cylinder"))[1] / 1e6)
    21
    """
    low, high = POSSIBLE[kind_of(str(test.check.reading.unit))]
    edges = [edge for pair in bands(test.check.reading) for edge in pair if math.isfinite(edge)]
    widest = max(edges, default=0.0)
    return (0.0, FULL_SCALE * widest) if widest > high else (low, high)


@cache
def _bands(
    unit: str, edges: tuple[tuple[str | None, str | None], ...]
) -> list[tuple[float, float]]:
    kind = kind_of(unit)
    return [
        (math.nan, math.nan)
        if low is None and high is None
        else (
            -math.inf if low is None else to_si(low, kind),
            math.inf if high is None else to_si(high, kind),
        )
        for low, high in edges
    ]


def bands(reading: schema.Reading) -> list[tuple[float, float]]:
    """Return the limits of each outcome's band in SI; infinite where open, nan where none.

    >>> from diagnose.kb.load import load
    >>> [round(v) for v in bands(load().checks["breathing.hold_30"].reading)[1]]
    [1471, 2795]
    """
    return _bands(str(reading.unit), tuple((o.least, o.most) for o in reading.outcomes.values()))


def find_band(test: Test, value: float) -> str:
    """Return the outcome whose band holds a number in SI."""
    for outcome, (low, high) in zip(test.outcomes, bands(test.check.reading), strict=True):
        if low <= value < high:
            return outcome
    return next(o for o in reversed(test.outcomes) if test.check.reading.outcomes[o].is_band)


def verdict(test: Test, reading: Reading) -> str:
    """Return what a reading means for the checkout: pass, fail, neutral, or none."""
    outcome = test.check.reading.outcomes.get(reading.outcome)
    return outcome.means if outcome else "none"


def say_reading(catalogue: Catalogue, reading: Reading, units: Units = AS_WRITTEN) -> str:
    """Return a reading in words; a pressure in the unit that is wanted."""
    test = find_test(catalogue, reading.test)
    title = words(catalogue, test.check.title, test.it)
    outcome = test.check.reading.outcomes.get(reading.outcome)
    what = inside(outcome.title) if outcome else _(OTHER_ANSWERS[reading.outcome])
    number = ""
    if reading.number_si is not None:
        unit = str(test.check.reading.unit)
        own = units.of(unit)
        number = f" ({show(reading.number_si, own, 2 if own == unit else FINER)})"
    return f"{title}: {what}{number}"
