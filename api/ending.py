"""The end of a work-up: one of exactly two dispositions, unmistakable, and what to pass on."""

from __future__ import annotations

import os

from api.screens import View, missing_lines, say_entry, say_leak
from api.show import WIDTH, Line, Mark, bar, first_capital, fit, lines, safety_lines, wrap
from diagnose.catalogue import words
from diagnose.choices import in_ten
from diagnose.model import RETURN, Reading
from diagnose.readings import verdict

TOLD = 8  # readings passed on to biomed; the record has all
DO_REMOVE = (
    "Do:     Label the machine and set it aside with its settings as they are.",
    "        Bring another machine and check it out whole.",
)


def final_screen(view: View, record: str) -> list[Line]:
    """Return the final block."""
    disposition = view.assessment.disposition
    returns = disposition.say == RETURN
    mark: Mark = "good" if returns else "alarm"
    rule = Line("═" * WIDTH, mark)
    found = [rule, Line(disposition.say.upper().center(WIDTH).rstrip(), mark), rule]
    why = f"{disposition.reason} (rule {disposition.rule})" if disposition.rule else (
        disposition.reason)  # fmt: skip
    found += wrap(why, "Why:    ", mark="bold")
    found += _do_lines(view) if returns else lines(*DO_REMOVE)
    found += _found_lines(view, "Found:  " if returns else "Likely: ")
    if record:
        found.append(Line(f"Record: {_short(record)}"))
    found += safety_lines()[1:3]
    found += _entry_lines(view, "Seen and done:" if returns else "Tell biomed:")
    return [*found, *([] if returns else missing_lines(view))]


def _short(path: str) -> str:
    """Return a path with the home folder as people write it."""
    home = os.path.expanduser("~")
    return f"~{path[len(home) :]}" if path.startswith(home + os.sep) else path


def _do_lines(view: View) -> list[Line]:
    test = view.catalogue.tests[view.catalogue.test_index[view.work.failed]]
    step = first_capital(words(view.catalogue, test.check.title, test.it))
    text = f"Begin at '{step}'. Use the machine only when the checkout is passed."
    return wrap(text, "Do:     ", mark="bold")


def _found_lines(view: View, label: str) -> list[Line]:
    """Return the likeliest causes, with the size of the leak."""
    found: list[Line] = []
    likely = [cause for cause in view.assessment.ranking if cause.chance >= 0.05]
    for cause in likely[:3] or view.assessment.ranking[:1]:
        head = label if not found else "        "
        text = f"{head}{bar(cause.chance)} {in_ten(cause.chance)}: {first_capital(cause.title)}"
        found += wrap(text, "", "                   ")
        if cause.leak_si is not None and cause.leak_range_si is not None:
            low, high = (say_leak(each).split()[0] for each in cause.leak_range_si)
            spread = f" ({low} to {high})" if low != high else ""
            leak = f"leak about {say_leak(cause.leak_si)} at 30 cmH2O{spread}"
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
