"""What stands on the pages of drills, as plain values: templates only loop and choose."""

from __future__ import annotations

from typing import Any

from api.ask import Item
from api.board import group as group
from api.drill_curve import draw_curves, list_pressures
from api.drill_debrief import (
    list_curves,
    list_studies,
    say_share,
    say_shown_by,
)
from api.drill_group import Group
from api.drill_list import LEVELS, drill_rows
from api.drill_words import (
    HEADS,
    NOT_REAL,
    say_cause,
    say_causes,
    say_clock,
    say_course,
    say_done,
    say_dropped,
    say_hidden,
    say_left,
    say_naming,
    say_shown,
    say_told,
)
from api.drill_words import list_causes as list_causes
from api.drilling import Drilling, Play
from api.errors import InputError
from api.screens import say_about
from api.show import say_minutes
from api.tasks import Bench, list_others
from diagnose.catalogue import words
from diagnose.drill import play as rules
from diagnose.drill.curve import watch
from diagnose.drill.debrief import Debrief, Told
from diagnose.drill.practice import Progress, now_utc
from diagnose.drill.record import read_nick
from diagnose.errors import DrillError
from diagnose.language import first_capital
from diagnose.model import RETURN, Reading
from diagnose.readings import say_reading, verdict


def list_levels(drilling: Drilling) -> dict[str, list[dict[str, Any]]]:
    """Return the stock drills by level."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in drill_rows(drilling):
        found.setdefault(f"Level {row['level']}: {LEVELS[row['level']]}", []).append(row)
    return found


def say_refusal(error: DrillError | InputError) -> str:
    """Return what is wrong and what to do, as one or two sentences."""
    tail = f" {first_capital(error.do)}." if error.do else ""
    return f"{first_capital(error.what)}.{tail}"


def read_optional_nick(text: str) -> str:
    """Return a nickname, or nothing where none was given."""
    return read_nick(text) if text else ""


def read_count(text: str) -> int:
    """Return how many faults are set; raises InputError if it is no number."""
    if not (text.isascii() and text.isdecimal() and len(text) < 3):
        raise InputError("faults", "is no number of faults; write for example 5")
    return int(text)


def list_checks(play: Play) -> list[Item]:
    """Return the checks that may be done, by zone, the steps of the checkout first."""
    work = play.standing.work
    may = {test.id for test in rules.list_checks(play.kit.catalogue, work)}
    return [item for item in list_others(play.kit.catalogue, work) if item.key in may]


def show_standing(play: Play) -> dict[str, Any]:
    """Return what the page of a drill shows."""
    catalogue, standing = play.kit.catalogue, play.standing
    left = standing.work.minutes_left
    failed, before = "", 0
    if not play.is_study:
        reading = next(r for r in standing.work.readings if r.test == standing.work.failed)
        failed, before = say_reading(catalogue, reading), standing.opening - 1
    last = standing.work.entries[-1] if standing.work.entries else None
    seen = show_seen(play, last) if isinstance(last, Reading) else None
    return {
        "name": play.record.name, "length": len(play.record.acts), "is_study": play.is_study,
        "machine": catalogue.circuit.machine.title, "not_real": NOT_REAL, "failed": failed,
        "before": before, "many": len(play.record.case.causes) if play.is_study else 0,
        "used": say_minutes(standing.minutes), "seen": seen,
        "left": None if left is None else say_minutes(max(0.0, left - standing.minutes)),
        "rows": [_row(play, entry) for entry in standing.own],
        "suspect": say_cause(catalogue, standing.noted[-1].cause) if standing.noted else "",
    }  # fmt: skip


def _row(play: Play, entry: Any) -> dict[str, str]:
    catalogue = play.kit.catalogue
    sign = "done"
    if isinstance(entry, Reading):
        test = catalogue.tests[catalogue.test_index[entry.test]]
        sign = {"fail": "failed", "pass": "passed"}.get(verdict(test, entry), "seen")
    return {"sign": sign, "word": sign, "text": say_done(catalogue, entry)}


def show_seen(play: Play, reading: Reading) -> dict[str, str]:
    """Return what the last check showed, and the course of a pressure as a picture."""
    catalogue = play.kit.catalogue
    test = catalogue.tests[catalogue.test_index[reading.test]]
    curve = watch(play.rig, test, reading, play.standing.work.remedies)
    return {
        "title": first_capital(words(catalogue, test.check.title, test.it)),
        "shown": say_shown(catalogue, reading),
        "picture": "" if curve is None else draw_curves([curve], ["the gauge over the wait"]),
        "numbers": "" if curve is None else list_pressures(curve),
    }


def show_check(drilling: Drilling, play: Play, name: str) -> dict[str, Any]:
    """Return how a check is done; raises DrillError for one that may not be done."""
    test = rules.find_check(play.kit.catalogue, play.standing.work, name)
    bench = Bench(play.kit.catalogue, drilling.engine.base().checks, play.standing.work)
    task = bench.of_test(test)
    return {
        "test": name, "title": first_capital(task.title), "say": task.say,
        "minutes": first_capital(say_about(task.minutes)), "cautions": task.cautions,
        "ask": words(play.kit.catalogue, test.check.reading.ask, test.it),
    }  # fmt: skip


def show_debrief(drilling: Drilling, play: Play) -> dict[str, Any]:
    """Return what the page of a debrief shows."""
    told, catalogue = drilling.debrief(play), play.kit.catalogue
    judged = told.judged
    curves, labels, title = list_curves(drilling, play)
    facts = {
        "What was wrong": say_hidden(play.rig),
        "You named": say_naming(play, judged),
        "Disposition": say_course(judged),
        "Minutes": say_clock(told),
    }
    return {
        "machine": catalogue.circuit.machine.title, "head": HEADS[judged.verdict],
        "score": round(judged.score), "failed": judged.is_failed, "facts": facts,
        "left": say_left(play, told), "solved": judged.verdict == "solved",
        "dropped": [say_dropped(play, told, each) for each in told.dropped],
        "path_rows": _path(play, told.path), "planner": _path(play, told.planner_path),
        "planner_end": _say_planner(play, told), "nick": play.record.told.nick,
        "picture": draw_curves(curves, labels) if curves else "", "hold": title,
        "numbers": [f"{label}: {list_pressures(curve)}"
                    for label, curve in zip(labels, curves, strict=True)],
        **_lesson(drilling, play),
    }  # fmt: skip


def _path(play: Play, path: tuple[Told, ...]) -> list[dict[str, str]]:
    hidden = play.record.case.causes
    return [
        _row(play, each.entry)
        | {"minutes": say_minutes(each.minutes), "told": say_told(play.kit.catalogue, hidden, each)}
        for each in path
    ]


def _say_planner(play: Play, told: Debrief) -> str:
    end = told.planner.standing.end
    assert end is not None
    named = say_causes(play.kit.catalogue, end.causes)
    why = f" {told.planner.why}" if told.planner_judged.course != RETURN else ""
    return f"It named: {named}; and chose: {told.planner_judged.course}.{why}"


def _lesson(drilling: Drilling, play: Play) -> dict[str, str]:
    name = play.record.told.drill
    if not name:
        return {"learn": "", "after": ""}
    drill = drilling.stock(name)
    cite = drilling.engine.base().sources[drill.source.partition("#")[0]].cite
    return {"learn": drill.learn, "after": f"{drill.after}. {cite}."}


def show_study(drilling: Drilling, play: Play) -> dict[str, Any]:
    """Return what the page of a study's result shows."""
    result, catalogue = drilling.score(play), play.kit.catalogue
    told = {name: [{"title": say_cause(catalogue, each), "by": say_shown_by(play, result, each)}
                   for each in names]
            for name, names in (("Found", result.found), ("Missed", result.missed))}  # fmt: skip
    return {
        "machine": catalogue.circuit.machine.title, "share": say_share(result), "told": told,
        "wrong": [say_cause(catalogue, each) for each in result.wrong],
        "steps": f"{result.steps_done} of {result.steps_all}",
        "minutes": say_minutes(result.minutes), "studies": list_studies(drilling),
    }  # fmt: skip


def show_progress(drilling: Drilling, progress: Progress) -> dict[str, Any]:
    """Return what the page of a trainee's progress shows."""
    titles = {each.id: each.title for each in drilling.engine.outline.machines}
    due = sum(card.due <= now_utc() for card in progress.cards.values())
    rows = [
        {**row, "score": round(float(row["score"])), "title": titles.get(row["machine"], ""),
         "head": HEADS[row["verdict"]]}
        for row in reversed(progress.log)
    ]  # fmt: skip
    mixed = []
    for (true, named), times in progress.confusions[:8]:
        own = next((r for r in progress.log if true in r["hidden"] and named in r["named"]), None)
        catalogue = drilling.engine.catalogue(own["machine"]) if own else None
        if catalogue is not None:
            mixed.append({"true": say_cause(catalogue, true), "named": say_cause(catalogue, named),
                          "times": times})  # fmt: skip
    return {"nick": progress.nick, "rows": rows, "mixed": mixed, "due": due,
            "plot": [round(float(row["score"])) for row in progress.log[-40:]]}  # fmt: skip


def show_result(drilling: Drilling, own: Group) -> dict[str, Any]:
    """Return what a closed group shows: what was wrong, who named what, the usual mistakes."""
    catalogue = drilling.engine.catalogue(own.case.machine)
    rows, wrong = [], dict[str, int]()
    for nick, name in own.joined:
        play = drilling.open(name)
        if play.standing.end is None:
            rows.append({"nick": nick, "head": "not ended", "score": "", "named": ""})
            continue
        told = drilling.debrief(play).judged
        named = say_causes(catalogue, play.standing.end.causes)
        rows.append({"nick": nick, "head": HEADS[told.verdict], "score": round(told.score),
                     "named": named})  # fmt: skip
        for each in set(play.standing.end.causes) - set(own.case.causes):
            wrong[say_cause(catalogue, each)] = wrong.get(say_cause(catalogue, each), 0) + 1
    mistakes = sorted(wrong.items(), key=lambda each: (-each[1], each[0]))[:5]
    return {"hidden": say_causes(catalogue, own.case.causes), "rows": rows, "mistakes": mistakes}
