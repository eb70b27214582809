"""The plan in words: what to do, how long it takes, and what each outcome would mean."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue, words
from diagnose.course import Planner
from diagnose.language import _, without_stop
from diagnose.model import Choice, OutcomeMeaning, Remedied
from diagnose.plan import SEEN, WORTH, Option, Plan


def show_choices(planner: Planner, plan_: Plan, number: int = SEEN) -> tuple[Choice, ...]:
    """Return the best options in words."""
    worth = [option for option in plan_.options if option.score < plan_.now - WORTH]
    return tuple(
        _say(planner, plan_.live, option, plan_.now - option.score) for option in worth[:number]
    )


def _say(planner: Planner, live: NDArray[np.int64], option: Option, worth: float) -> Choice:
    catalogue = planner.catalogue
    test = catalogue.tests[option.test]
    title = words(catalogue, test.check.title, test.it)
    say = tuple(words(catalogue, text, test.it) for text in test.check.say)
    if option.remedy is not None:
        own = _remedy_words(planner, live, option, option.remedy)
        title = say_then_repeat(own, title)
        say = (own, *say)
    elif option.kind == "repeat":
        title = _("Repeat: {title}").format(title=title)
    means = tuple(_mean(planner, live, option, row, name) for row, name in enumerate(test.outcomes))
    return Choice(
        kind=option.kind,
        test=test.id,
        title=title,
        say=say,
        minutes=round(option.minutes, 1),
        worth=round(worth, 1),
        means=means,
        remedy=option.remedy,
        tools=tuple(test.check.tools),
        cautions=tuple(test.check.cautions),
    )


def _remedy_words(
    planner: Planner, live: NDArray[np.int64], option: Option, remedy: Remedied
) -> str:
    """Return what to do, in the words of the likeliest cause that the remedy puts right."""
    likely = dict(zip(live.tolist(), option.chance @ option.after[:, :-1], strict=True))
    own = [
        (float(likely.get(block, 0.0)), cause)
        for block, cause in enumerate(planner.catalogue.causes, 1)
        if (cause.fault.remedy.act, cause.component) == (remedy.act, remedy.component)
    ]
    best = max(own, key=lambda each: (each[0], each[1].id))[1]
    return words(planner.catalogue, best.fault.remedy.say, remedy.component)


def _mean(
    planner: Planner, live: NDArray[np.int64], option: Option, row: int, outcome: str
) -> OutcomeMeaning:
    test = planner.catalogue.tests[option.test]
    blocks = option.after[row]
    top = int(blocks.argmax())
    name = (
        _("something not in the knowledge")
        if top == len(blocks) - 1
        else cause_title(planner.catalogue, int(live[top]))
    )
    then = f"{name}, {in_ten(float(blocks[top]))}"
    return OutcomeMeaning(
        outcome, test.check.reading.outcomes[outcome].title, float(option.chance[row]), then
    )


def cause_title(catalogue: Catalogue, block: int) -> str:
    """Return a cause in words; block 0 is nothing wrong."""
    return catalogue.titles[block] if block else _("Nothing wrong")


def say_then_repeat(remedy: str, title: str) -> str:
    """Return a remedy and the step that is repeated after it.

    >>> say_then_repeat("Close the drain.", "Hold at 30 cmH2O")
    'Close the drain, then repeat: Hold at 30 cmH2O'
    """
    return _("{remedy}, then repeat: {title}").format(remedy=without_stop(remedy), title=title)


def in_ten(chance: float) -> str:
    """Return a chance as people say it.

    >>> in_ten(0.68), in_ten(0.004), in_ten(0.997)
    ('about 7 in 10', 'less than 1 in 100', 'almost certain')
    """
    if chance >= 0.98:
        return _("almost certain")
    if chance < 0.01:
        return _("less than 1 in 100")
    if chance < 0.08:
        return _("about {number} in 100").format(number=round(chance * 100))
    tenths = min(9, max(1, round(chance * 10)))
    return _("about {number} in 10").format(number=tenths)
