"""Rates move as the conjugate formula says; nothing is in effect until a person accepts it."""

import time

import numpy as np
import pytest
from scipy import stats

from diagnose.errors import EntryError
from diagnose.logbook.accept import (
    accept,
    add_exposure,
    chance_seen,
    find_accepted,
    know,
    make_proposal,
    withdraw,
)
from diagnose.logbook.biomed import Confirmation, confirm
from diagnose.logbook.learn import (
    FLOOR,
    Belief,
    Case,
    Days,
    Evidence,
    Forgetting,
    Known,
    gamma_below,
    gamma_quantile,
    gather,
    pool,
    propose,
    tell,
)
from diagnose.logbook.project import Found
from diagnose.logbook.surprise import find_surprises
from diagnose.model import WorkUp
from diagnose.session import make_kit

DAY = 86400.0
TORN = "breathing.bag_torn"


@pytest.fixture
def kit(get_kit):
    return get_kit("small")


def test_the_worked_example_comes_out_as_by_hand():
    """Stock 12 in 10,000. Elsewhere 30 cases in 20,000 days, here 9 in 2,000, the machine 3 in 250.

    Fleet: shape 2 + 30, rate 2 / 0.0012 + 20,000 = 21,666.67, mean 0.00147692.
    Profile: shape 4 + 9, rate 4 / 0.00147692 + 2,000 = 4,708.33, mean 0.00276106.
    Machine: shape 8 + 3, rate 8 / 0.00276106 + 250 = 3,147.44, mean 0.00349491.
    """
    counts, days = (30, 9, 3), (20_000, 2_000, 250)
    profile = pool(0.0012, counts, days, has_machine=False)
    assert (profile.shape, profile.rate) == (13, pytest.approx(4708.3333, abs=1e-4))
    machine = pool(0.0012, counts, days, has_machine=True)
    assert (machine.shape, machine.rate) == (11, pytest.approx(3147.4359, abs=1e-4))
    assert machine.mean == pytest.approx(0.00349491, abs=1e-8)


def test_without_evidence_nothing_moves():
    assert pool(0.0012, (0, 0, 0), (0, 0, 0), True).mean == pytest.approx(0.0012)


def test_days_without_a_case_make_it_rarer_and_much_evidence_wins():
    assert pool(0.0012, (0, 0, 0), (0, 10_000, 0), False).mean < 0.0012
    assert pool(0.0012, (0, 500, 0), (0, 100_000, 0), False).mean == pytest.approx(0.005, rel=0.03)


@pytest.mark.parametrize("shape", [0.5, 1.0, 3.0, 40.0, 900.0])
@pytest.mark.parametrize("chance", [0.01, 0.05, 0.5, 0.95, 0.99])
def test_gamma_quantiles_are_those_of_another_program(shape, chance):
    own = gamma_quantile(chance, shape)
    assert own == pytest.approx(stats.gamma.ppf(chance, shape), rel=1e-6)
    assert gamma_below(own, shape) == pytest.approx(chance, rel=1e-6)


def test_an_interval_holds_the_rate_as_often_as_it_says():
    rng = np.random.default_rng(1)
    draws = rng.gamma(9.0, 1 / 5000.0, 20_000)
    low, high = Belief(9.0, 5000.0).interval(0.9)
    assert np.mean((draws > low) & (draws < high)) == pytest.approx(0.9, abs=0.01)


def test_evidence_is_counted_once_and_where_it_belongs():
    cases = [Case("a", "p", "m", 0), Case("a", "p", "n", 0), Case("a", "q", "m", 0)]
    days = [Days("p", "m", 0, DAY, 1), Days("p", "n", 0, DAY, 2), Days("q", "x", 0, DAY, 4)]
    of_machine = gather(cases, days, "p", "m", Forgetting(0))
    assert (of_machine.counts["a"], of_machine.days) == ((1, 1, 1), (4, 2, 1))
    of_profile = gather(cases, days, "p", "", Forgetting(0))
    assert (of_profile.counts["a"], of_profile.days) == ((1, 2, 0), (4, 3, 0))


def test_forgetting_halves_cases_and_days_alike():
    old = Forgetting(100 * DAY, 50.0)
    assert old.weigh_case(Case("a", "p", "", 50 * DAY)) == pytest.approx(0.5)
    point = Days("p", "", 50 * DAY, 50 * DAY + 1, 10)
    assert old.weigh_days(point) == pytest.approx(5.0, rel=1e-4)
    whole, halves = Days("p", "", 0, 100 * DAY, 100), [
        Days("p", "", 0, 40 * DAY, 40), Days("p", "", 40 * DAY, 100 * DAY, 60)]  # fmt: skip
    assert old.weigh_days(whole) == pytest.approx(sum(map(old.weigh_days, halves)))


def test_a_rate_is_held_at_the_floor_and_that_is_said():
    known = {"a": Known("Leak", 0.01, 1.0, "draft"), "b": Known("Block", 0.01, 1.0, "draft")}
    evidence = Evidence({"b": (0, 990, 0)}, (0, 99_000, 0))
    changes = {each.cause: each for each in propose(known, evidence)}
    assert (changes["a"].learned, changes["a"].is_held) == (pytest.approx(FLOOR * 0.01), True)
    assert changes["b"].learned == pytest.approx(0.01, rel=0.01)
    lines = tell(list(changes.values()), evidence)
    assert any("Leak (a): 5 times rarer" in line and "held there" in line for line in lines)
    assert lines[-1].startswith("1 causes stay")


def test_a_cause_that_a_checkout_hardly_shows_is_not_made_rare_by_quiet_days():
    known = {"a": Known("Seen", 0.01, 1.0, "draft"), "b": Known("Hidden", 0.01, 0.05, "draft")}
    changes = {c.cause: c for c in propose(known, Evidence({}, (0, 1000, 0)))}
    assert changes["a"].learned < changes["b"].learned


def test_how_often_a_checkout_shows_a_cause_follows_from_the_table(kit):
    seen = chance_seen(kit.catalogue, kit.table)
    assert seen.shape == (len(kit.table.causes),)
    assert seen[kit.catalogue.cause_index["breathing.bag_off"]] > 0.9
    assert ((seen >= 0.01) & (seen <= 1.0)).all()


@pytest.fixture
def told(book, drafts):
    """Forty work-ups with a torn bag on one machine, and its days."""
    began = time.time() - 200 * DAY
    add_exposure(book, "M-1", "small", began, began + 199 * DAY, "Kim")
    for number in range(40):
        name = f"w{number}"
        book.append([drafts.opened(name, asset="M-1"), drafts.reading(name, 2),
                     drafts.reading(name, 3, "sound", "breathing.bag_look"),
                     drafts.closed(name, 4)])  # fmt: skip
        own = Confirmation((Found(TORN, "", "ranking"),), asset="M-1")
        confirm(book, name, own, "Kim", {TORN})
    return book


def test_a_proposal_changes_nothing_until_a_person_accepts_it(told, kit):
    own = make_proposal(told, kit)
    first = own.changes[0]
    assert (first.cause, first.factor > 5) == (TORN, True)
    assert find_accepted(told, kit.catalogue) == {}
    with pytest.raises(EntryError):
        accept(told, own, " ")
    event = accept(told, own, "Lee")
    assert event.actor == "Lee"
    assert find_accepted(told, kit.catalogue)[TORN] == pytest.approx(first.learned, abs=1e-8)
    withdraw(told, "small", "Lee")
    assert find_accepted(told, kit.catalogue) == {}


def test_the_rate_of_one_machine_stands_before_that_of_its_profile(told, kit):
    accept(told, make_proposal(told, kit), "Lee")
    accept(told, make_proposal(told, kit, asset="M-1"), "Lee")
    of_profile = find_accepted(told, kit.catalogue)[TORN]
    assert find_accepted(told, kit.catalogue, "M-1")[TORN] != of_profile
    assert find_accepted(told, kit.catalogue, "M-2")[TORN] == of_profile


def test_a_cause_that_the_knowledge_changed_is_no_longer_overruled(told, kit):
    accept(told, make_proposal(told, kit), "Lee")
    causes = kit.catalogue.causes
    place = next(i for i, cause in enumerate(causes) if cause.id == TORN)
    often = causes[place].fault.how_often.model_copy(update={"per_10000": 99.0})
    fault = causes[place].fault.model_copy(update={"how_often": often})
    from dataclasses import replace

    changed = (*causes[:place], replace(causes[place], fault=fault), *causes[place + 1 :])
    found = find_accepted(told, replace(kit.catalogue, causes=changed))
    assert TORN not in found
    assert len(found) == len(causes) - 1


def test_accepted_rates_reach_the_ranking(told, kit):
    from diagnose.logbook.rankings import rank_work
    from diagnose.readings import read_answer

    accept(told, make_proposal(told, kit), "Lee")
    learned = make_kit(kit.base, "small", rates=find_accepted(told, kit.catalogue))
    answer = read_answer(kit.catalogue, "breathing.hold_30", "22 cmH2O")
    work = WorkUp("small", "breathing.hold_30", (answer,))
    before, after = dict(rank_work(kit, work)), dict(rank_work(learned, work))
    assert after[TORN] > 2 * before.get(TORN, 0)


def test_without_days_or_with_a_bad_half_life_it_is_refused(book, kit):
    with pytest.raises(EntryError) as caught:
        make_proposal(book, kit)
    assert "exposure" in caught.value.do
    with pytest.raises(EntryError):
        make_proposal(book, kit, half_life=0.0)


@pytest.mark.parametrize(
    ("begins", "ends", "days"),
    [(0.0, 0.0, None), (10 * DAY, 0.0, None), (0.0, time.time() + 9 * DAY, None),
     (0.0, DAY, 2.0), (0.0, DAY, 0.0)],
)  # fmt: skip
def test_days_that_cannot_be_are_refused(book, begins, ends, days):
    with pytest.raises(EntryError):
        add_exposure(book, "M-1", "small", begins, ends, "Kim", days)


def test_readings_that_the_knowledge_did_not_expect_are_listed(told, kit):
    (own, *_) = [s for s in find_surprises(told, kit) if s.test == "breathing.bag_look"]
    assert (own.cause, own.outcome, own.asked, own.seen) == (TORN, "sound", 40, 40)
    assert own.expected < 15
    assert own.tail < 1e-6


def test_every_cause_of_a_machine_can_be_learnt_about(kit):
    assert set(know(kit)) == {cause.id for cause in kit.catalogue.causes}
