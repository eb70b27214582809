"""The debrief in lines for a terminal; the page shows the same sentences."""

from __future__ import annotations

from api.drill_curve import letter, plot_letters
from api.drill_words import (
    say_cause,
    say_causes,
    say_clock,
    say_course,
    say_done,
    say_dropped,
    say_head,
    say_hidden,
    say_left,
    say_naming,
    say_told,
)
from api.drilling import Drilling, Play
from api.show import Line, Mark, say_minutes, wrap
from diagnose.catalogue import words
from diagnose.drill.curve import Curve, is_hold, suspect_curves, watch
from diagnose.drill.debrief import Debrief, Told, believe, list_suspects
from diagnose.drill.study import StudyResult
from diagnose.language import first_capital
from diagnose.model import RETURN, Reading


def list_curves(drilling: Drilling, play: Play) -> tuple[list[Curve], list[str], str]:
    """Return the hold that fell most, as seen and as each suspect would draw it; or nothing.

    Returns
    -------
    tuple
        The curves, the seen one first; what each one is; the title of the check.
    """
    catalogue, work = play.kit.catalogue, play.standing.work
    found = [(reading, _watch(play, reading)) for reading in list_untouched(play)]
    falls = [(c.pressure[0] - c.pressure[-1], n) for n, (_, c) in enumerate(found) if c]
    if not falls:
        return [], [], ""
    reading, seen = found[max(falls)[1]]
    assert seen is not None and reading.number_si is not None
    test = catalogue.tests[catalogue.test_index[reading.test]]
    with drilling.engine.one_at_a_time:
        belief = believe(play.kit, work)
    names = list_suspects(play.rig, play.standing, belief)
    curves = suspect_curves(catalogue, test, names, reading.number_si)
    hidden = play.record.case.causes
    marks = [" (there)" if name in hidden else "" for name in names]
    labels = [say_cause(catalogue, n) + m for n, m in zip(names, marks, strict=True)]
    title = first_capital(words(catalogue, test.check.title, test.it))
    return [seen, *curves], ["as you saw it", *labels], title


def list_untouched(play: Play) -> list[Reading]:
    """Return the readings from the failed step on, before anything was put right."""
    found: list[Reading] = []
    for entry in play.standing.work.entries[play.standing.opening - 1 :]:
        if not isinstance(entry, Reading):
            break
        found.append(entry)
    return found


def _watch(play: Play, reading: Reading) -> Curve | None:
    test = play.kit.catalogue.tests[play.kit.catalogue.test_index[reading.test]]
    return watch(play.rig, test, reading, ()) if is_hold(test) else None


def debrief_lines(drilling: Drilling, play: Play) -> list[Line]:
    """Return the debrief of an ended drill."""
    told = drilling.debrief(play)
    judged = told.judged
    mark: Mark = "alarm" if judged.is_failed else "good" if judged.verdict == "solved" else "bold"
    found = [*wrap(say_head(judged), mark=mark), Line()]
    found += _fact("What was wrong", say_hidden(play.rig))
    found += _fact("You named", say_naming(play, judged))
    found += _fact("Disposition", say_course(judged))
    found += _fact("Minutes", say_clock(told))
    if left := say_left(play, told):
        found += wrap(left, mark="alarm" if judged.is_failed else "")
    for dropped in told.dropped:
        found += [Line(), Line("Where you let it go", "bold")]
        for text in say_dropped(play, told, dropped):
            found += wrap(text)
    found += [Line(), Line("What you did, and what it told", "bold")]
    found += path_lines(play, told.path)
    found += [Line(), Line("What the planner did, seeing the same", "bold")]
    found += path_lines(play, told.planner_path)
    found += planner_end(play, told)
    found += curve_lines(drilling, play)
    return [*found, *lesson_lines(drilling, play)]


def _fact(name: str, text: str) -> list[Line]:
    return wrap(text, f"{name + ':':16}")


def path_lines(play: Play, path: tuple[Told, ...]) -> list[Line]:
    """Return acts with what each told."""
    found = []
    for number, each in enumerate(path, 1):
        found += wrap(f"{say_done(play.kit.catalogue, each.entry)} "
                      f"[{say_minutes(each.minutes)}]", f"{number:3} ")  # fmt: skip
        if told := say_told(play.kit.catalogue, play.record.case.causes, each):
            found += wrap(told, "      ")
    return found or [Line("    Nothing: it was ended at once.")]


def planner_end(play: Play, told: Debrief) -> list[Line]:
    """Return how the planner ended it."""
    end = told.planner.standing.end
    assert end is not None
    named = say_causes(play.kit.catalogue, end.causes)
    why = f" {told.planner.why}" if told.planner_judged.course != RETURN else ""
    return wrap(f"It named: {named}; and chose: {told.planner_judged.course}.{why}", "    ")


def curve_lines(drilling: Drilling, play: Play) -> list[Line]:
    """Return the plot of the suspects beside what was seen; nothing without a hold."""
    curves, labels, title = list_curves(drilling, play)
    if not curves:
        return []
    found = [
        Line(),
        *wrap(f"{title}: what was seen, and what each suspect would draw", mark="bold"),
    ]
    found += [Line(text) for text in plot_letters(curves)]
    for number, label in enumerate(labels):
        found += wrap(label, f"  {letter(number)} ")
    return found


def lesson_lines(drilling: Drilling, play: Play) -> list[Line]:
    """Return what to take from a stock drill, and the kind of case it comes from."""
    name = play.record.told.drill
    if not name:
        return []
    drill = drilling.stock(name)
    cite = drilling.engine.base().sources[drill.source.partition("#")[0]].cite
    return [
        Line(),
        *wrap(f"To take away: {drill.learn}", mark="bold"),
        *wrap(f"After a published kind of case: {drill.after}. {cite}."),
    ]


def study_lines(drilling: Drilling, play: Play) -> list[Line]:
    """Return the result of a preset-fault study, with the published figures beside it."""
    result = drilling.score(play)
    catalogue = play.kit.catalogue
    found = [Line(say_share(result), "bold"), Line()]
    found += wrap(f"{result.steps_done} of {result.steps_all} checkout steps were done, in "
                  f"{say_minutes(result.minutes)} by the clock of the drill.")  # fmt: skip
    for title, names in (("Found", result.found), ("Missed", result.missed)):
        found += [Line(), Line(f"{title}: {len(names)}", "bold")]
        for name in names:
            found += wrap(say_cause(catalogue, name), "  - ")
            found += wrap(say_shown_by(play, result, name), "      ")
    if result.wrong:
        found += [Line(), Line(f"Written down and not there: {len(result.wrong)}", "bold")]
        for name in result.wrong:
            found += wrap(say_cause(catalogue, name), "  - ")
    found += [Line(), Line("Published studies, for comparison", "bold")]
    for text in list_studies(drilling):
        found += wrap(text, "  - ")
    return [*found, *wrap("Other machines and other faults: a comparison of size, no more.")]


def say_share(result: StudyResult) -> str:
    """Return the share of faults found."""
    return (f"You found {len(result.found)} of {len(result.hidden)} preset faults "
            f"({result.share:.0%}).")  # fmt: skip


def say_shown_by(play: Play, result: StudyResult, name: str) -> str:
    """Return which checkout steps show a fault, and whether they were done."""
    catalogue, done = play.kit.catalogue, {r.test for r in play.standing.work.readings}
    steps = result.shown[name]
    tests = [catalogue.tests[catalogue.test_index[step]] for step in steps[:2]]
    titles = [first_capital(words(catalogue, test.check.title, test.it)) for test in tests]
    more = f" and {len(steps) - 2} more" if len(steps) > 2 else ""
    did = "you did one of them" if done & set(steps) else "you did none of them"
    if not titles:
        return "Alone it fails no step."
    return f"Shown by: {'; '.join(titles)}{more}; {did}."


def list_studies(drilling: Drilling) -> list[str]:
    """Return the published figures, each with its source."""
    base = drilling.engine.base()
    found = []
    for study in base.studies.values():
        groups = "; ".join(f"{g.who}: {g.found:g} of {g.faults} ({g.found / g.faults:.0%})"
                           for g in study.groups)  # fmt: skip
        cite = base.sources[study.source].cite
        found.append(f"{groups}. {study.people} people. {study.note} {cite}.".replace("  ", " "))
    return found
