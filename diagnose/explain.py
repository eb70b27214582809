"""Why, in words: which reading speaks for or against each cause, and how strongly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from diagnose.catalogue import Catalogue, words
from diagnose.choices import cause_title
from diagnose.language import _, inside, mark, tell
from diagnose.model import (
    SOMETHING_ELSE,
    Account,
    Assessment,
    Choice,
    Disposition,
    RankedCause,
    Remedied,
    Said,
    WorkUp,
)
from diagnose.plan import Plan
from diagnose.predict import Table
from diagnose.rank import Ranking, name_ranking
from diagnose.readings import say_reading, verdict
from diagnose.rules import Fact, Fired

SHOWN = 8
SIZED = 1e-3  # the leak's size is given for causes at least this likely [-]
#: least log10 of a factor, words where it speaks for a cause, words where against
STRENGTHS = (
    (2.0, mark("speaks very strongly for it"), mark("speaks very strongly against it")),
    (1.0, mark("speaks strongly for it"), mark("speaks strongly against it")),
    (0.5, mark("speaks clearly for it"), mark("speaks clearly against it")),
    (0.15, mark("speaks a little for it"), mark("speaks a little against it")),
)


def list_causes(catalogue: Catalogue, table: Table, ranking: Ranking) -> tuple[RankedCause, ...]:
    """Return all causes, likeliest first, with the size of the leak where the cause is one."""
    return tuple(
        _ranked(catalogue, table, ranking, ids, chance)
        for ids, chance in name_ranking(table, ranking)
    )


def _ranked(
    catalogue: Catalogue, table: Table, ranking: Ranking, ids: tuple[str, ...], chance: float
) -> RankedCause:
    if len(ids) == 2:
        titles = [cause_title(catalogue, catalogue.cause_index[name]) for name in ids]
        both = _("{first} and {second}").format(first=titles[0], second=_second(titles[1]))
        return RankedCause(ids, both, chance, "two")
    name = ids[0]
    if name == SOMETHING_ELSE:
        return RankedCause(ids, _("Something not in the knowledge"), chance, SOMETHING_ELSE)
    block = catalogue.cause_index[name]
    if block == 0:
        return RankedCause(ids, _("Nothing wrong (a misreading)"), chance, name)
    cause = catalogue.causes[block - 1]
    size, limits = estimate_leak(table, ranking, block) if chance >= SIZED else (None, None)
    return RankedCause(
        ids, cause_title(catalogue, block), chance, cause.fault.kind, cause.component, size, limits
    )


def _second(title: str) -> str:
    """Return a title that follows another; only its first letter, so that a name stays one."""
    start = inside(title[:2])[:1] if title[:1].isalpha() else title[:1]
    return start + title[1:]


def estimate_leak(
    table: Table, ranking: Ranking, block: int
) -> tuple[float | None, tuple[float, float] | None]:
    """Return the leak a cause would have at 30 cmH2O, given the readings: median and 80 % range.

    Parameters
    ----------
    table, ranking : Table, Ranking
        The machine and what is believed.
    block : int
        The cause.

    Returns
    -------
    median, range : float or None, pair of float or None
        In SI [m^3/s]; None where the cause is no leak.
    """
    size = table.leak[table.block(block)]
    weight = ranking.weight[block]
    if not np.isfinite(size).all() or weight.sum() <= 0:
        return None, None
    order = np.argsort(size)
    share = np.cumsum(weight[order]) / weight.sum()
    places = np.minimum(np.searchsorted(share, (0.1, 0.5, 0.9)), len(order) - 1)
    low, middle, high = (float(each) for each in size[order][places])
    return middle, (low, high)


def account(
    catalogue: Catalogue,
    table: Table,
    ranking: Ranking,
    choices: tuple[Choice, ...],
    number: int = SHOWN,
) -> tuple[Account, ...]:
    """Return for the likeliest single causes what each reading says about them."""
    found = []
    for ids, chance in name_ranking(table, ranking):
        if len(ids) > 1 or ids[0] not in catalogue.cause_index:
            continue
        block = catalogue.cause_index[ids[0]]
        speaks = tuple(_speaks(catalogue, ranking, block))
        found.append(
            Account(
                ids[0],
                cause_title(catalogue, block),
                chance,
                speaks,
                _changes(catalogue, block, choices),
            )
        )
        if len(found) == number:
            break
    return tuple(found)


def _speaks(catalogue: Catalogue, ranking: Ranking, block: int) -> list[tuple[str, str, float]]:
    found = []
    rivals = ranking.chance.copy()
    rivals[block] = (
        0.0  # a cause is compared with the others, else the leading one beats only itself
    )
    for group, own in zip(ranking.groups, ranking.means, strict=True):
        usual = float(rivals @ own / max(rivals.sum(), 1e-12))
        factor = float(np.log10(max(own[block], 1e-9) / max(usual, 1e-9)))
        if abs(factor) >= STRENGTHS[-1][0]:
            found.append((say_reading(catalogue, group.readings[-1]), say_strength(factor), factor))
    return sorted(found, key=lambda each: -abs(each[2]))


def say_strength(factor: float) -> str:
    """Return how strongly a reading speaks, from the log10 of its factor.

    >>> say_strength(1.3), say_strength(-0.7), say_strength(0.0)
    ('speaks strongly for it', 'speaks clearly against it', 'says nothing')
    """
    for least, for_it, against_it in STRENGTHS:
        if abs(factor) >= least:
            return _(for_it if factor > 0 else against_it)
    return _("says nothing")


def _changes(catalogue: Catalogue, block: int, choices: tuple[Choice, ...]) -> str:
    """Return which answer to a suggested check would put another cause first."""
    own = cause_title(catalogue, block)
    for choice in choices:
        for meaning in choice.means:
            if not meaning.then.startswith(own) and meaning.chance >= 0.02:
                return _("'{outcome}' at '{check}' would put first: {cause}").format(
                    outcome=meaning.title, check=choice.title, cause=meaning.then
                )
    return ""


def say_fired(catalogue: Catalogue, fired: Fired) -> Said:
    """Return a rule's conclusion with what it matched, in words."""
    return Said(
        fired.rule,
        fired.conclusion.kind,
        fired.conclusion.names,
        fired.because,
        tuple(_say_fact(catalogue, fact) for fact in fired.matched),
        fired.source,
    )


def _say_fact(catalogue: Catalogue, fact: Fact) -> str:
    if fact.kind != "reading":
        return tell(" ".join(f"{fact.kind} {fact.name} {fact.value}".replace("_", " ").split()))
    test = catalogue.tests[catalogue.test_index[f"{fact.name}@{fact.at}" if fact.at else fact.name]]
    outcome = test.check.reading.outcomes.get(fact.value)
    title = words(catalogue, test.check.title, test.it)
    return f"{title}: {inside(outcome.title) if outcome else fact.value}"


def find_suspects(
    catalogue: Catalogue, tested: Mapping[str, frozenset[str]], work: WorkUp
) -> tuple[str, ...]:
    """Return the components every failed check puts to the test, by the graph alone."""
    failed = [
        tested[r.test]
        for r in work.readings
        if verdict(catalogue.tests[catalogue.test_index[r.test]], r) == "fail"
    ]
    common = frozenset.intersection(*failed) if failed else frozenset()
    return tuple(name for name in catalogue.circuit.kinds if name in common)


def minutes_used(catalogue: Catalogue, work: WorkUp) -> float:
    """Return the minutes of everything done so far, by the knowledge's figures."""
    total = 0.0
    for entry in work.entries:
        if isinstance(entry, Remedied):
            total += max(
                (
                    c.fault.remedy.minutes
                    for c in catalogue.causes
                    if (c.fault.remedy.act, c.component) == (entry.act, entry.component)
                ),
                default=0.0,
            )
        else:
            total += catalogue.tests[catalogue.test_index[entry.test]].check.minutes
    return total


def report(
    catalogue: Catalogue,
    table: Table,
    tested: Mapping[str, frozenset[str]],
    work: WorkUp,
    ranking: Ranking,
    fired: Sequence[Fired],
    next_: Plan,
    shown: tuple[Choice, ...],
    disposition: Disposition,
) -> Assessment:
    """Return the assessment."""
    ahead = 0.0 if disposition.final else next_.minutes_ahead
    failed = catalogue.tests[catalogue.test_index[work.failed]]
    return Assessment(
        machine=work.machine,
        failed=work.failed,
        knowledge_version=table.version,
        ranking=list_causes(catalogue, table, ranking),
        said=tuple(say_fired(catalogue, each) for each in fired),
        choices=shown,
        disposition=disposition,
        accounts=account(catalogue, table, ranking, shown),
        suspects=find_suspects(catalogue, tested, work),
        minutes_used=round(minutes_used(catalogue, work), 1),
        minutes_ahead=round(ahead, 1),
        minutes_left=work.minutes_left,
        swap_first=work.minutes_left is not None
        and not disposition.final
        and ahead > work.minutes_left,
        left_out=tuple(say_reading(catalogue, r) for r in work.readings if not r.is_answer),
        advice=tuple(
            dict.fromkeys(each.because for each in fired if each.conclusion.kind == "advise")
        ),
        cautions=tuple(dict.fromkeys(failed.check.cautions)),
    )
