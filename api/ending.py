"""The end of a work-up: one of exactly two dispositions, unmistakable, and what to pass on."""

from __future__ import annotations

import os

from api.screens import View, missing_lines, say_entry, say_leak
from api.show import WIDTH, Line, Mark, bar, fit, lines, safety_lines, wrap
from diagnose.catalogue import words
from diagnose.choices import in_ten
from diagnose.language import _, first_capital, mark
from diagnose.model import RETURN, RankedCause, Reading
from diagnose.readings import verdict

TOLD = 8  # readings passed on to biomed; the record has all
DO_REMOVE = (
    mark("Label the machine and set it aside with its settings as they are."),
    mark("Bring another machine and check it out whole."),
)


def final_screen(view: View, record: str) -> list[Line]:
    """Return the final block."""
    disposition = view.assessment.disposition
    returns = disposition.say == RETURN
    mark: Mark = "good" if returns else "alarm"
    rule = Line("═" * WIDTH, mark)
    found = [rule, Line(disposition.say.upper().center(WIDTH).rstrip(), mark), rule]
    found += wrap(say_reason(view), "Why:    ", mark="bold")
    for number, text in enumerate(list_do(view)):
        found += wrap(text, "        " if number else "Do:     ", mark="bold" if returns else "")
    found += _found_lines(view, "Found:  " if returns else "Likely: ")
    if record:
        found.append(Line(f"Record: {_short(record)}"))
    found += safety_lines()[1:3]
    found += _entry_lines(view, "Seen and done:" if returns else "Tell biomed:")
    return [*found, *([] if returns else missing_lines(view))]


def say_reason(view: View) -> str:
    """Return why it ends so, with the rule if one says it."""
    own = view.assessment.disposition
    said = _("{reason} (rule {rule})") if own.rule else "{reason}"
    return said.format(reason=own.reason, rule=own.rule)


def list_likely(view: View) -> tuple[RankedCause, ...]:
    """Return the causes that are told at the end."""
    likely = [cause for cause in view.assessment.ranking if cause.chance >= 0.05]
    return tuple(likely[:3] or view.assessment.ranking[:1])


def say_leak_range(cause: RankedCause) -> str:
    """Return the size of the leak that a cause would be; "" if it is none."""
    if cause.leak_si is None or cause.leak_range_si is None:
        return ""
    low, high = (say_leak(each).split()[0] for each in cause.leak_range_si)
    flow = say_leak(cause.leak_si)
    if low == high:
        return _("leak about {flow} at 30 cmH2O").format(flow=flow)
    said = _("leak about {flow} at 30 cmH2O ({low} to {high})")
    return said.format(flow=flow, low=low, high=high)


def _short(path: str) -> str:
    """Return a path with the home folder as people write it."""
    home = os.path.expanduser("~")
    return f"~{path[len(home) :]}" if path.startswith(home + os.sep) else path


def list_do(view: View) -> tuple[str, ...]:
    """Return what to do at the end; what the rules advise meanwhile stands first."""
    if view.assessment.disposition.say == RETURN:
        return (say_return(view),)
    return (*view.assessment.advice, *map(_, DO_REMOVE))


def say_return(view: View) -> str:
    """Return what to do after a return to checkout."""
    test = view.catalogue.tests[view.catalogue.test_index[view.work.failed]]
    step = first_capital(words(view.catalogue, test.check.title, test.it))
    said = _("Begin at '{step}'. Use the machine only when the checkout is passed.")
    return said.format(step=step)


def _found_lines(view: View, label: str) -> list[Line]:
    """Return the likeliest causes, with the size of the leak."""
    found: list[Line] = []
    for cause in list_likely(view):
        head = label if not found else "        "
        text = f"{head}{bar(cause.chance)} {in_ten(cause.chance)}: {first_capital(cause.title)}"
        found += wrap(text, "", "                   ")
        if leak := say_leak_range(cause):
            found.append(Line(f"                   {leak}"))
    return found


def _entry_lines(view: View, heading: str) -> list[Line]:
    """Return what was read and done, from the failed step on."""
    entries = list(view.work.entries)
    start = next(
        (n for n, e in enumerate(entries) if isinstance(e, Reading) and e.test == view.work.failed),
        0,
    )
    told, left_out = entries[start:], max(0, len(entries) - start - TOLD)
    found = lines(heading, mark="bold")
    for number, entry in enumerate(told):
        if 1 <= number <= left_out:
            if number == 1:
                found.append(Line(f"   ... {left_out} more, not shown here"))
            continue
        sign = "   - "
        if isinstance(entry, Reading):
            test = view.catalogue.tests[view.catalogue.test_index[entry.test]]
            sign = {"fail": "   x ", "pass": "   + "}.get(verdict(test, entry), "   - ")
        found.append(Line(fit(sign + first_capital(say_entry(view.catalogue, entry)))))
    if start:
        found.append(Line(f"   {start} checkout steps before it passed."))
    return found
