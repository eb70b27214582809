"""The debrief: what each act told, where the true cause was dropped, and what the planner did.

What an act told is measured on the ranking: the bits by which what should be believed moved, and
how likely each hidden cause was before and after. The trainee saw none of it during the drill.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import log2

from diagnose import rank, rulebase
from diagnose.drill.judge import Followed, Judged, judge
from diagnose.drill.machine import Rig
from diagnose.drill.play import Standing
from diagnose.explain import minutes_used
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.session import Kit

MUCH, SOME, LITTLE = 2.0, 0.7, 0.1  # bits that count as much, something, little
TINY = 1e-9
NEAREST = 4  # wrong causes whose curves are shown beside the true one


@dataclass(frozen=True)
class Told:
    """One act, and what it told."""

    entry: Reading | Remedied
    minutes: float
    bits: float
    before: tuple[float, ...]  # chance of each hidden cause before [-]
    after: tuple[float, ...]
    first: tuple[str, ...]  # what ranked first afterwards


@dataclass(frozen=True)
class Dropped:
    """Where the true cause was let go."""

    cause: str
    after: int  # acts done then
    by_note: bool  # the trainee had noted it before; else the readings had shown it
    chance: float  # of it, by the readings then [-]
    against: int | None  # the act that speaks most for it and against what was named instead


@dataclass(frozen=True)
class Debrief:
    """Everything that is said after a drill."""

    judged: Judged
    planner: Followed
    planner_judged: Judged
    path: tuple[Told, ...]
    planner_path: tuple[Told, ...]
    dropped: tuple[Dropped, ...]
    left: tuple[str, ...]  # hidden causes still there at the end


Belief = dict[tuple[str, ...], float]


def believe(kit: Kit, work: WorkUp) -> Belief:
    """Return the chance of every cause and pair after what was read."""
    fired = kit.rules.fire(rulebase.read_facts(kit.catalogue, work))
    excluded = rulebase.list_excluded(kit.catalogue, fired)
    ranking = rank.rank(kit.catalogue, kit.table, work, excluded)
    return dict(rank.name_ranking(kit.table, ranking))


def chance_of(belief: Belief, cause: str) -> float:
    """Return the chance that a cause is there, alone or with another."""
    return sum(chance for names, chance in belief.items() if cause in names)


def count_bits(before: Belief, after: Belief) -> float:
    """Return how far a belief moved: the information gained about what is wrong [bit].

    >>> count_bits({("a",): 0.5, ("b",): 0.5}, {("a",): 1.0, ("b",): 0.0})
    1.0
    """
    return max(0.0, sum(p * log2(p / max(TINY, before.get(names, 0.0)))
                        for names, p in after.items() if p > TINY))  # fmt: skip


def say_bits(bits: float) -> str:
    """Return in words how much was told.

    >>> say_bits(2.4), say_bits(0.05)
    ('told much', 'told nothing new')
    """
    for least, words in ((MUCH, "told much"), (SOME, "told something"), (LITTLE, "told little")):
        if bits >= least:
            return words
    return "told nothing new"


def trace(kit: Kit, hidden: tuple[str, ...], standing: Standing) -> tuple[list[Told], list[Belief]]:
    """Return what each act told, and the belief before the first and after each."""
    entries, opening = standing.work.entries, standing.opening
    work = replace(standing.work, entries=entries[:opening], minutes_left=None)
    beliefs, found = [believe(kit, work)], []
    for entry in entries[opening:]:
        work = work.add(entry)
        before, after = beliefs[-1], believe(kit, work)
        beliefs.append(after)
        first = max(after, key=lambda names: (after[names], names))
        was, now = (tuple(chance_of(b, name) for name in hidden) for b in (before, after))
        minutes = _minutes(kit, standing, entry)
        found.append(Told(entry, minutes, count_bits(before, after), was, now, first))
    return found, beliefs


def _minutes(kit: Kit, standing: Standing, entry: Reading | Remedied) -> float:
    return minutes_used(kit.catalogue, replace(standing.work, entries=(entry,)))


def debrief(kit: Kit, rig: Rig, standing: Standing, planner: Followed) -> Debrief:
    """Return the debrief of an ended drill."""
    hidden = rig.case.causes
    path, beliefs = trace(kit, hidden, standing)
    planner_path, _ = trace(kit, hidden, planner.standing)
    return Debrief(
        judge(kit, rig, standing, planner.standing),
        planner,
        judge(kit, rig, planner.standing, planner.standing),
        tuple(path),
        tuple(planner_path),
        tuple(_find_dropped(hidden, standing, path, beliefs)),
        tuple(cause.id for cause in rig.find_present(standing.work.remedies)),
    )


def _find_dropped(
    hidden: tuple[str, ...], standing: Standing, path: list[Told], beliefs: list[Belief]
) -> list[Dropped]:
    assert standing.end is not None
    found = []
    for place, name in enumerate(hidden):
        if name in standing.end.causes:
            continue
        noted = _last_noted(name, standing)
        best = max(range(len(beliefs)), key=lambda n: chance_of(beliefs[n], name))
        after = best if noted is None else noted
        wrong = [each for each in standing.end.causes if each not in hidden]
        against = _speaks_most(beliefs, name, wrong[0]) if wrong else None
        chance = chance_of(beliefs[min(after, len(path))], name)
        found.append(Dropped(hidden[place], after, noted is not None, chance, against))
    return found


def _last_noted(name: str, standing: Standing) -> int | None:
    """Return after how many acts the trainee turned from a noted cause to another."""
    noted = [each for each in standing.noted if each.cause == name]
    if not noted:
        return None
    later = [each.entries for each in standing.noted
             if each.entries >= noted[-1].entries and each.cause != name]  # fmt: skip
    return (later[0] if later else len(standing.work.entries)) - standing.opening


def _speaks_most(beliefs: list[Belief], true: str, wrong: str) -> int | None:
    """Return the act after which the true cause gained most on the wrong one; None for none."""
    ratios = [log2(max(TINY, chance_of(b, true)) / max(TINY, chance_of(b, wrong))) for b in beliefs]
    gains = [after - before for before, after in pairwise(ratios)]
    best = max(range(len(gains)), key=gains.__getitem__, default=None)
    return best if best is not None and gains[best] >= SOME else None


def list_suspects(rig: Rig, standing: Standing, belief: Belief) -> list[str]:
    """Return causes whose curves are worth comparing: hidden, named, then the likeliest."""
    assert standing.end is not None
    likely = [names[0] for names, _ in sorted(belief.items(), key=lambda each: -each[1])
              if len(names) == 1 and names[0] in rig.catalogue.cause_index]  # fmt: skip
    likely = [name for name in likely if name != "nothing_wrong"]
    own = [*rig.case.causes, *standing.end.causes]
    return list(dict.fromkeys([*own, *likely]))[: len(own) + NEAREST - 1]
