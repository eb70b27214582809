"""The disposition: return to checkout, or remove from service and call biomed.

Return needs everything at once: the cause put right or shown not to be there, the failed step
repeated and passed, no hazard, nothing unexplained, and a chance of a remaining fault below the
threshold. Rules can only move toward removal. Everything else is removal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from diagnose.catalogue import Catalogue, sightings
from diagnose.language import _, mark, say_percent
from diagnose.model import REMOVE, RETURN, SOMETHING_ELSE, Disposition, Reading, Remedied, WorkUp
from diagnose.predict import Table
from diagnose.progress import state_independent, state_repeat
from diagnose.rank import Ranking, fixed_at, is_fixed_by, name_ranking
from diagnose.readings import verdict
from diagnose.rules import Fact, Fired, RuleBase

REMAINING_MOST = 0.0015  # chance of a remaining fault with which it may return; judgement [-]
HIGH, LOW = 0.5, 0.2  # levels of the leading cause's chance [-]
UNEXPLAINED = 0.35  # chance of "something else" that counts as unexplained [-]
SURPRISE = 1.0  # log10 by which a broad guess beats all known causes
SECOND = 0.3
#: how the failed step stands -> what is lacking
NO_REPEAT = {
    "failed": mark("the failed step is not repeated and passed (failed)"),
    "missing": mark("the failed step is not repeated and passed (missing)"),
}
PUT_RIGHT = mark(
    "The cause was put right, the failed step was repeated and passed."
    " Repeat the checkout from that step on, or whole."
)
ABSENT = mark(
    "Nothing wrong was found by two different checks, the failed step was repeated and passed."
    " Repeat the checkout from that step on, or whole."
)


@dataclass(frozen=True)
class Standing:
    """Where a work-up stands, as levels: what the disposition rules see."""

    marks: Mapping[str, str]
    lacks: tuple[str, ...]  # what return still lacks, in words

    @property
    def may_return(self) -> bool:
        """Tell whether nothing is lacking for return."""
        return not self.lacks


def open_failures(catalogue: Catalogue, work: WorkUp) -> list[str]:
    """Return the other failed checkout steps that neither passed when repeated nor were put right.

    What was only seen (a cap off, a vaporizer not seated) is put right by the remedy for it.
    """
    latest: dict[str, Reading] = {}
    for entry in work.entries:
        if isinstance(entry, Remedied):
            latest = {
                name: r for name, r in latest.items() if not _is_put_right(catalogue, r, entry)
            }
        elif (
            entry.is_answer
            and catalogue.tests[catalogue.test_index[entry.test]].check.kind == "step"
        ):
            latest[entry.test] = entry
    failed = [
        name
        for name, reading in latest.items()
        if verdict(catalogue.tests[catalogue.test_index[name]], reading) == "fail"
    ]
    return [name for name in failed if name != work.failed]


def _is_put_right(catalogue: Catalogue, reading: Reading, remedy: Remedied) -> bool:
    test = catalogue.tests[catalogue.test_index[reading.test]]
    return any(
        is_fixed_by(cause, remedy) and reading.outcome in sightings(cause, test)
        for cause in catalogue.causes
    )


def find_standing(
    catalogue: Catalogue,
    table: Table,
    tested: Mapping[str, frozenset[str]],
    work: WorkUp,
    ranking: Ranking,
    fired: Sequence[Fired],
) -> Standing:
    """Return where a work-up stands."""
    named = name_ranking(table, ranking)
    ids, chance = named[0]
    fixed = fixed_at(catalogue, work) <= len(work.remedies)
    repeat = state_repeat(catalogue, work)
    independent = state_independent(catalogue, tested, work)
    blamed = next(names for names, _chance in named if names != ("nothing_wrong",))
    put_right = all(name in table.causes and fixed[table.causes.index(name)] for name in blamed)
    absent = ids == ("nothing_wrong",) and repeat == "passed" and independent == "passed"
    else_ = ranking.something_else
    contradiction = any(f.conclusion.kind == "doubt" for f in fired)
    disagrees = _graph_disagrees(catalogue, tested, work, ids, chance)
    marks = {
        "repeat": repeat,
        "independent": independent,
        "lead": _lead(catalogue, blamed if put_right else ids),
        "lead_chance": "high" if chance >= HIGH else "middling" if chance >= LOW else "low",
        "put_right": _yes(put_right),
        "shown_absent": _yes(absent),
        "unexplained": _yes(else_ >= UNEXPLAINED or ranking.surprise >= SURPRISE),
        "chance_left": "low" if ranking.remaining <= REMAINING_MOST else "high",
        "contradiction": _yes(contradiction),
        "graph_disagrees": _yes(disagrees),
        "answers": "missing" if _answers_missing(work) else "complete",
        "time": "out" if work.minutes_left is not None and work.minutes_left <= 0 else "left",
        "person": "stopped" if work.stopped else "goes_on",
        "second_cause": "likely" if _second(ranking, repeat, work) else "unlikely",
        "intermittent": "suspected" if _intermittent(catalogue, table, ids, chance) else "no",
    }
    return Standing(marks, tuple(_lacks(catalogue, work, marks, fired, ranking)))


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _lead(catalogue: Catalogue, ids: tuple[str, ...]) -> str:
    if ids[0] in ("nothing_wrong", SOMETHING_ELSE):
        return ids[0]
    people = {catalogue.causes[catalogue.cause_index[name] - 1].fault.remedy.by for name in ids}
    return "biomed" if "biomed" in people else "user"


def _graph_disagrees(
    catalogue: Catalogue,
    tested: Mapping[str, frozenset[str]],
    work: WorkUp,
    ids: tuple[str, ...],
    chance: float,
) -> bool:
    """Tell whether the likeliest cause lies in no part that any failed check puts to the test."""
    if (
        chance < HIGH
        or len(ids) > 1
        or ids[0] not in catalogue.cause_index
        or ids[0] == "nothing_wrong"
    ):
        return False
    component = catalogue.causes[catalogue.cause_index[ids[0]] - 1].component
    failed = [
        r
        for r in work.readings
        if verdict(catalogue.tests[catalogue.test_index[r.test]], r) == "fail"
    ]
    return bool(failed) and not any(component in tested[reading.test] for reading in failed)


def _answers_missing(work: WorkUp) -> bool:
    silent = sum(not reading.is_answer for reading in work.readings)
    return silent >= 3 and 2 * silent >= len(work.readings)


def _second(ranking: Ranking, repeat: str, work: WorkUp) -> bool:
    return (repeat == "failed" and bool(work.remedies)) or float(
        ranking.pair_chance.sum()
    ) >= SECOND


def _intermittent(catalogue: Catalogue, table: Table, ids: tuple[str, ...], chance: float) -> bool:
    return chance >= LOW and any(
        catalogue.causes[catalogue.cause_index[name] - 1].fault.intermittent < 1.0
        for name in ids
        if name in table.causes and name != "nothing_wrong"
    )


def _lacks(
    catalogue: Catalogue,
    work: WorkUp,
    marks: Mapping[str, str],
    fired: Sequence[Fired],
    ranking: Ranking,
) -> list[str]:
    """Return in words what return to checkout still lacks."""
    found = []
    if any(f.conclusion.kind == "stop" for f in fired):
        found.append(_("a finding ends the matter at once"))
    if marks["put_right"] == "no" and marks["shown_absent"] == "no":
        found.append(
            _("the cause is not put right, and not shown to be absent by two different checks")
        )
    if marks["repeat"] != "passed":
        no_repeat = NO_REPEAT[marks["repeat"]]
        found.append(_(no_repeat))
    if marks["independent"] == "failed":
        found.append(_("another check of the same parts fails"))
    found += [_("step '{step}' still stands as failed").format(step=name)
              for name in open_failures(catalogue, work)]  # fmt: skip
    if marks["unexplained"] == "yes":
        found.append(_("no known cause explains the readings"))
    if marks["contradiction"] == "yes" or marks["graph_disagrees"] == "yes":
        found.append(_("readings contradict each other"))
    if marks["intermittent"] == "suspected":
        found.append(_("the cause comes and goes, so a passed repeat proves nothing"))
    if marks["chance_left"] != "low":
        found.append(
            _("the chance of a remaining fault is {chance}, above {most}").format(
                chance=say_percent(ranking.remaining), most=say_percent(REMAINING_MOST)
            )
        )
    if work.stopped or marks["time"] == "out":
        found.append(_("the work-up was stopped before it was finished"))
    return found


def decide(
    rules: RuleBase, standing: Standing, fired: Sequence[Fired], is_done: bool
) -> Disposition:
    """Return the disposition.

    Parameters
    ----------
    rules : RuleBase
        The disposition rules among them see the marks.
    standing : Standing
        Where the work-up stands.
    fired : sequence of Fired
        What the rules concluded from the readings.
    is_done : bool
        No further act is worth its minutes.

    Returns
    -------
    Disposition
        Never "return to checkout" while anything is lacking.
    """
    stops = [f for f in fired if f.conclusion.kind == "stop"]
    if stops:
        first = stops[0]
        return Disposition(
            REMOVE, True, first.because, first.rule, first.conclusion.names[0], standing.lacks
        )
    marks = dict(standing.marks) | {
        "done": _yes(is_done),
        "tests": "used_up" if is_done else "left",
    }
    removals = [
        f
        for f in rules.fire(Fact("mark", name, value) for name, value in marks.items())
        if f.conclusion.kind == "remove"
    ]
    if standing.may_return and not removals:
        why = PUT_RIGHT if marks["put_right"] == "yes" else ABSENT
        return Disposition(RETURN, True, _(why))
    final = is_done or marks["time"] == "out" or marks["person"] == "stopped"
    if removals and final:
        return Disposition(REMOVE, True, removals[0].because, removals[0].rule, "", standing.lacks)
    if final:
        return Disposition(
            REMOVE, True, _("In doubt: {why}.").format(why="; ".join(standing.lacks)), "", "",
            standing.lacks,
        )  # fmt: skip
    return Disposition(
        REMOVE, False, _("Not for use until it is shown to be safe."), "", "", standing.lacks
    )
