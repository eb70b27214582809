"""What drills say, in words that terminal and pages share."""

from __future__ import annotations

from api.ask import Item
from api.drilling import Play
from api.screens import say_remedy
from api.show import say_minutes
from diagnose.catalogue import Catalogue, words
from diagnose.choices import in_ten
from diagnose.drill.debrief import Debrief, Dropped, Told, say_bits
from diagnose.drill.judge import Judged
from diagnose.drill.machine import SEVERITIES, Rig
from diagnose.language import first_capital
from diagnose.model import RETURN, Reading, Remedied
from diagnose.outline import ZONE_TITLES, ZONES
from diagnose.readings import say_reading

NOT_REAL = "A drill: nothing here is real, and nothing of it goes into a record of a machine."
HEADS = {
    "solved": "SOLVED",
    "safe": "SAFE, but not solved",
    "unsafe": "FAILED: returned to checkout with the cause still there",
    "not shown": "FAILED: returned to checkout without a repeat that passed",
}
UNLIKELY = 0.1  # chance below which a cause was not really thought of [-]
BAD = ((0.34, "slight"), (0.67, "middling"), (2.0, "severe"))


def say_cause(catalogue: Catalogue, name: str) -> str:
    """Return a cause in words."""
    if name == "nothing_wrong":
        return "Nothing wrong"
    if name not in catalogue.cause_index:
        return first_capital(name.replace("_", " "))
    cause = catalogue.causes[catalogue.cause_index[name] - 1]
    title = words(catalogue, cause.fault.title, cause.component)
    return first_capital(title)


def say_causes(catalogue: Catalogue, names: tuple[str, ...]) -> str:
    """Return causes in words."""
    return " and ".join(say_cause(catalogue, name) for name in names) or "nothing"


def list_causes(catalogue: Catalogue) -> list[Item]:
    """Return every cause of a machine by its zone, always in the same order."""
    found = [Item(c.id, say_cause(catalogue, c.id), ZONE_TITLES[c.fault_id.split(".")[0]])
             for c in catalogue.causes]  # fmt: skip
    order = [ZONE_TITLES[zone] for zone in ZONES]
    return sorted(found, key=lambda item: (order.index(item.group), item.label, item.key))


def say_done(catalogue: Catalogue, entry: Reading | Remedied) -> str:
    """Return what was read or done."""
    if isinstance(entry, Remedied):
        return f"Put right: {say_remedy(catalogue, entry)}"
    return first_capital(say_reading(catalogue, entry))


def say_shown(catalogue: Catalogue, reading: Reading) -> str:
    """Return what a check shows, in the form the real thing gives it."""
    test = catalogue.tests[catalogue.test_index[reading.test]]
    title = test.check.reading.outcomes[reading.outcome].title
    return title if reading.number_si is None else f"{reading.text}. {title}."


def say_hidden(rig: Rig) -> str:
    """Return what was wrong, and how bad where that can differ."""
    parts = []
    for cause, share in zip(rig.causes, rig.case.shares, strict=True):
        has_severity = any(getattr(e, name) for e in cause.fault.effect for name in SEVERITIES)
        bad = next(word for most, word in BAD if share < most)
        tail = f" ({bad})" if has_severity else ""
        parts.append(f"{say_cause(rig.catalogue, cause.id)}{tail}")
    return f"{' and '.join(parts)}."


def say_head(judged: Judged) -> str:
    """Return the verdict."""
    return f"{HEADS[judged.verdict]}. Score {judged.score:.0f} of 100."


def say_naming(play: Play, judged: Judged) -> str:
    """Return what was named, and how right it was."""
    assert play.standing.end is not None
    named = say_causes(play.kit.catalogue, play.standing.end.causes)
    if judged.named == 1.0:
        exact = set(play.standing.end.causes) == set(play.record.case.causes)
        return f"{named}. {'Right.' if exact else 'Right: no check tells it from the true one.'}"
    return f"{named}. {'Right in part.' if judged.named > 0 else 'Wrong.'}"


def say_course(judged: Judged) -> str:
    """Return the disposition chosen, and whether it was right."""
    if judged.is_failed:
        return f"{first_capital(judged.course)}. Never with the cause there or not shown absent."
    if judged.course == judged.should:
        return f"{first_capital(judged.course)}. Right."
    if judged.course == RETURN:
        return "Return to checkout: put right and shown by the repeat. The planner was warier."
    return "Remove from service. Safe; but you could have put it right yourself and returned it."


def say_clock(told: Debrief) -> str:
    """Return the minutes beside the planner's."""
    own, best = say_minutes(told.judged.minutes), say_minutes(told.planner.standing.minutes)
    same = "" if told.planner_judged.verdict == "solved" else " (it did not solve this one)"
    return f"{own}; the planner took {best}{same}."


def say_told(catalogue: Catalogue, hidden: tuple[str, ...], told: Told) -> str:
    """Return what an act told: in bits and words, and what became of each hidden cause."""
    if isinstance(told.entry, Remedied):
        return ""  # it shows nothing by itself; the repeat does
    parts = []
    for name, before, after in zip(hidden, told.before, told.after, strict=True):
        what = "The true cause" if len(hidden) == 1 else say_cause(catalogue, name)
        if in_ten(before) == in_ten(after):
            parts.append(f"{what}: {in_ten(after)} as before")
        else:
            parts.append(f"{what}: {in_ten(before)}, then {in_ten(after)}")
    return f"{say_bits(told.bits).capitalize()} ({told.bits:.1f} bit). {'; '.join(parts)}."


def say_dropped(play: Play, told: Debrief, dropped: Dropped) -> list[str]:
    """Return where a hidden cause was let go, what spoke for it, and what would have shown it."""
    catalogue = play.kit.catalogue
    name = say_cause(catalogue, dropped.cause)
    where = "at the start" if dropped.after == 0 else f"after number {dropped.after}"
    if dropped.by_note:
        found = [f"You had noted: {name}. You turned from it {where}; by the readings it was "
                 f"{in_ten(dropped.chance)} then."]  # fmt: skip
    elif dropped.chance < UNLIKELY:
        found = [f"{name}: nothing you did raised it above {in_ten(dropped.chance)}."]
    else:
        found = [f"{name} stood highest {where}: {in_ten(dropped.chance)} by the readings."]
    if dropped.against is not None and dropped.against < len(told.path):
        entry = say_done(catalogue, told.path[dropped.against].entry)
        found.append(f"What spoke most against your answer: number {dropped.against + 1}, {entry}.")
    if (shows := _find_showing(play, told, dropped.cause)) is not None:
        entry = say_done(catalogue, told.planner_path[shows].entry)
        found.append(f"What showed it to the planner: its number {shows + 1}, {entry}.")
    return found


def _find_showing(play: Play, told: Debrief, cause: str) -> int | None:
    """Return the act of the planner that raised a hidden cause most; None if none raised it."""
    place = play.record.case.causes.index(cause)
    rises = [each.after[place] - each.before[place] for each in told.planner_path]
    best = max(range(len(rises)), key=rises.__getitem__, default=None)
    return best if best is not None and rises[best] > UNLIKELY else None


def say_left(play: Play, told: Debrief) -> str:
    """Return what was still wrong with the machine at the end; empty for nothing."""
    if not told.left:
        return ""
    left = say_causes(play.kit.catalogue, told.left)
    return f"Still there at the end: {left}."
