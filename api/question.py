"""One question about one reading: how it is shown, and what an answer to it means.

Light on purpose: the first question of a work-up is asked before the engine is loaded.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.ask import Asker
from api.errors import InputError
from api.show import Line, fit, wrap
from diagnose.errors import ReadingError, UnitError
from diagnose.language import _
from diagnose.model import NOT_DONE, NOT_SURE, OTHER_ANSWERS, Reading

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue, Test
    from diagnose.outline import Step

EXAMPLES = {"cmH2O": "12 cmH2O", "psi": "1500 psi", "s": "8 s", "mL": "400 mL",
            "mL/min": "350 mL/min", "L/min": "4 L/min"}  # fmt: skip
Way = Callable[[], "Reading | str | None"]


@dataclass(frozen=True)
class Question:
    """What is asked about one test."""

    test: str
    ask: str
    unit: str
    outcomes: tuple[str, ...]  # ids
    titles: tuple[str, ...]


def from_step(step: Step) -> Question:
    """Return the question of a step in the outline."""
    ids, titles = zip(*((each.id, each.title) for each in step.outcomes), strict=True)
    return Question(step.id, step.ask, step.unit, ids, titles)


def from_test(catalogue: Catalogue, test: Test) -> Question:
    """Return the question of a test."""
    from diagnose.catalogue import words

    reading = test.check.reading
    titles = tuple(outcome.title for outcome in reading.outcomes.values())
    ask = words(catalogue, reading.ask, test.it)
    return Question(test.id, ask, reading.unit or "", test.outcomes, titles)


def question_lines(question: Question, extra: str = "") -> list[Line]:
    """Return the question, its answers by number, and the other ways to answer."""
    found = wrap(question.ask, mark="bold")
    found += [Line(fit(f"{n:3}  {title}")) for n, title in enumerate(question.titles, 1)]
    if question.unit:
        example = EXAMPLES.get(question.unit, f"12 {question.unit}")
        found.append(Line(f"     or the number with its unit, for example: {example}"))
    return [*found, *wrap(f"s not sure   x could not be done   b back{extra}", mark="dim")]


def to_answer(question: Question, typed: str) -> str:
    """Return what was typed as an answer that the engine reads.

    Raises
    ------
    ReadingError
        It is a number without unit, or nothing.

    Examples
    --------
    >>> q = Question("breathing.hold_30", "?", "cmH2O", ("holds", "falls"), ("Held", "Fell"))
    >>> to_answer(q, "2"), to_answer(q, "s"), to_answer(q, "20 cmH2O")
    ('falls', 'not sure', '20 cmH2O')
    """
    short = {"s": OTHER_ANSWERS[NOT_SURE], "x": OTHER_ANSWERS[NOT_DONE]}
    if typed.lower() in short:
        return short[typed.lower()]
    last = len(question.outcomes)
    if typed.isdigit() and 1 <= int(typed) <= last:
        return question.outcomes[int(typed) - 1]
    if not typed or typed.isdigit():
        allowed = [f"1 to {last}", "s", "x"]
        if question.unit and typed:
            allowed.append(f"or with its unit: {typed} {question.unit}")
        raise ReadingError(question.test, typed, allowed)
    return typed


def ask_reading(
    asker: Asker, question: Question, catalogue: Callable[[], Catalogue], ways: Mapping[str, Way]
) -> Reading | None:
    """Ask until there is a reading; None for going back.

    Parameters
    ----------
    asker : Asker
        Whom to ask.
    question : Question
        What is asked.
    catalogue : callable
        Gives the machine's catalogue, once an answer has to be checked.
    ways : mapping
        Further keys, each with what it does: a reading, an answer, or None to ask again.
    """
    while True:
        typed = asker.ask()
        if typed.lower() == "b":
            return None
        if typed.lower() in ways:
            given = ways[typed.lower()]()
            if given is None:
                continue
            if isinstance(given, Reading):
                return given
            typed = given
        try:
            answer = to_answer(question, typed)
            from diagnose.readings import read_answer

            return read_answer(catalogue(), question.test, answer)
        except (ReadingError, UnitError) as error:
            asker.refuse(say_refusal(error))


def say_refusal(error: ReadingError | UnitError) -> str:
    """Return in short what is wrong with an answer."""
    if isinstance(error, UnitError):
        return f"{error}."
    given = _("Nothing was entered.")
    if error.given:
        given = _("'{given}' is not an answer here.").format(given=error.given)
    allowed = _("Allowed: {allowed}.").format(allowed=", ".join(error.allowed))
    return f"{given} {allowed} {error.hint}".strip()


def say_refused(error: ReadingError | UnitError | InputError) -> str:
    """Return in short what is wrong with what was entered on a page."""
    if isinstance(error, InputError):
        return error.what + (f"; {error.do}." if error.do else ".")
    return say_refusal(error)
