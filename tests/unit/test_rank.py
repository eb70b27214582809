"""The posterior: remedies, repeats, intermittent causes, two at once, something else."""

import numpy as np
import pytest

from diagnose.likelihood import Again, density
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.pairs import combine
from diagnose.rank import is_fixed_by, prior_of, rank
from diagnose.readings import read_answer

HOLD = "breathing.hold_30"


def work_of(kit, *answers):
    """Return a work-up on the hold with these answers."""
    work = WorkUp("small", HOLD)
    for name, answer in answers:
        work = work.add(read_answer(kit.catalogue, name, answer))
    return work


def chance(kit, work, cause):
    """Return the chance of one cause."""
    return rank(kit.catalogue, kit.table, work).chance[kit.catalogue.cause_index[cause]]


def test_priors_sum_to_one_with_something_else(get_kit):
    kit = get_kit("small")
    assert prior_of(kit.catalogue).sum() == pytest.approx(0.998, abs=1e-9)


def test_all_chances_sum_to_one(get_kit):
    kit = get_kit("small")
    found = rank(kit.catalogue, kit.table, work_of(kit, (HOLD, "12 cmH2O")))
    total = found.chance.sum() + found.pair_chance.sum() + found.something_else
    assert total == pytest.approx(1.0)


def test_a_failed_hold_raises_a_torn_bag_and_a_plugged_hold_that_fails_lowers_it(get_kit):
    kit = get_kit("small")
    failed = work_of(kit, (HOLD, "falls_fast"))
    plugged = failed.add(Reading("breathing.hold_bag_plugged", "falls_fast"))
    before = prior_of(kit.catalogue)[kit.catalogue.cause_index["breathing.bag_torn"]]
    assert chance(kit, failed, "breathing.bag_torn") > 5 * before
    assert chance(kit, plugged, "breathing.bag_torn") < 0.2 * chance(
        kit, failed, "breathing.bag_torn"
    )


def test_a_number_says_more_than_its_outcome(get_kit):
    kit = get_kit("small")
    spread = rank(kit.catalogue, kit.table, work_of(kit, (HOLD, "falls_slowly")))
    sharp = rank(kit.catalogue, kit.table, work_of(kit, (HOLD, "27 cmH2O")))
    block = kit.catalogue.cause_index["breathing.bag_torn"]
    size = kit.table.leak[kit.table.block(block)]
    widths = [
        np.sqrt(np.average((np.log(size) - np.average(np.log(size), weights=w)) ** 2, weights=w))
        for w in (spread.weight[block], sharp.weight[block])
    ]
    assert widths[1] < widths[0]


def test_a_repeat_with_nothing_changed_is_no_fresh_evidence(get_kit):
    kit = get_kit("small")
    once = work_of(kit, (HOLD, "falls_fast"))
    twice = once.add(Reading(HOLD, "falls_fast"))
    cause = "breathing.bag_torn"
    assert chance(kit, twice, cause) == pytest.approx(chance(kit, once, cause), rel=0.02)


def test_after_the_right_remedy_a_pass_leaves_little_chance_and_after_a_wrong_one_much(get_kit):
    kit = get_kit("small")
    failed = work_of(kit, (HOLD, "falls_fast"), ("breathing.apl_turn", "was_open"))
    right = failed.add(Remedied("close", "apl_valve")).add(Reading(HOLD, "holds"))
    wrong = failed.add(Remedied("replace", "bag")).add(Reading(HOLD, "falls_fast"))
    assert rank(kit.catalogue, kit.table, right).remaining < 0.01
    assert rank(kit.catalogue, kit.table, wrong).remaining > 0.9


def test_a_passed_repeat_lowers_an_intermittent_cause_and_never_removes_it(get_kit):
    kit = get_kit("small")
    fitful = [c for c in kit.catalogue.causes if c.fault.intermittent < 1 and c.fault.effect]
    assert fitful, "the teaching machine has a cause that comes and goes"
    cause = fitful[0].id
    tests = [i for i, felt in enumerate(kit.table.felt[kit.catalogue.cause_index[cause]]) if felt]
    steps = [kit.catalogue.tests[i] for i in tests if kit.catalogue.tests[i].check.kind == "step"]
    test = steps[0]
    fail = next(n for n, o in test.check.reading.outcomes.items() if o.means == "fail")
    good = next(n for n, o in test.check.reading.outcomes.items() if o.means == "pass")
    work = WorkUp("small", test.id).add(Reading(test.id, fail))
    before = chance(kit, work, cause)
    after = chance(kit, work.add(Reading(test.id, good)), cause)
    assert after > 0
    assert after > 0.01 * before


def test_answers_that_say_nothing_change_nothing(get_kit):
    kit = get_kit("small")
    work = work_of(kit, (HOLD, "falls_fast"))
    silent = work.add(Reading("breathing.listen", "not_sure"))
    assert rank(kit.catalogue, kit.table, silent).chance == pytest.approx(
        rank(kit.catalogue, kit.table, work).chance
    )


def test_two_leaks_let_more_go_than_one():
    one, two, none = (np.array(v) for v in (25.0, 20.0, 29.5))
    assert combine("pressure", one, two, none) < min(one, two)
    assert combine("flow", np.array(3.0), np.array(4.0), np.array(1.0)) == pytest.approx(6.0)
    assert combine("time", np.array(10.0), np.array(10.0), np.array(60.0)) < 10


def test_a_new_part_puts_right_only_what_a_user_may_put_right(get_kit):
    causes = get_kit("small").catalogue.causes
    outlet = [c for c in causes if c.component == "gas_outlet"]
    swapped = Remedied("replace", "gas_outlet")
    assert all(is_fixed_by(c, swapped) for c in outlet if c.fault.remedy.by == "user")
    kept = [c for c in outlet if c.fault.remedy.by == "biomed" and c.fault.remedy.act != "replace"]
    assert not any(is_fixed_by(c, swapped) for c in kept)


def test_the_likelihood_of_a_number_integrates_to_the_band_it_lies_in(get_kit):
    kit = get_kit("small")
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    at = np.array([2000.0])
    near = density(test, Reading(HOLD, "falls_slowly", 2000.0), at, np.array([70.0]))
    far = density(test, Reading(HOLD, "falls_slowly", 2600.0), at, np.array([70.0]))
    assert near > 100 * far > 0


def test_a_look_repeated_after_a_remedy_shows_a_cause_again_nine_times_in_ten():
    shows = np.array([True, False])
    log = np.log(np.array([0.05, 0.05]))
    other, same = Again(shows, same=False), Again(shows, same=True)
    assert np.exp(other.weigh(log, shows)) == pytest.approx([0.005, 0.05])
    assert np.exp(same.weigh(log, shows)) == pytest.approx([0.905, 0.05])


def test_a_look_that_passes_after_a_remedy_speaks_against_what_the_remedy_left(get_kit):
    """The hose was pushed home and now holds; a worn outlet would have let it go again."""
    kit, failed = get_kit("small"), "supply.tug@o2_hose"
    work = WorkUp("small", failed).add(read_answer(kit.catalogue, failed, "not_home"))
    remedy = kit.base.faults["supply.hose_not_home"].remedy
    work = work.add(Remedied(remedy.act, "o2_hose"))
    passed = work.add(read_answer(kit.catalogue, failed, "firm"))
    worn = "supply.wall_outlet_worn"
    stated = {own.outcome: own.chance for own in kit.base.faults[worn].seen
              if own.check == "supply.tug"}  # fmt: skip
    alone = (1 - sum(stated.values())) * chance(kit, work, worn)  # as if it were looked at afresh
    assert 0 < chance(kit, passed, worn) < 0.5 * alone
    assert rank(kit.catalogue, kit.table, passed).remaining < 0.01


def test_a_part_that_was_changed_makes_its_slips_likelier_and_no_others(get_kit):
    kit = get_kit("small")
    plain = prior_of(kit.catalogue)
    raised = prior_of(kit.catalogue, changed=frozenset({"absorber"}))
    index = kit.catalogue.cause_index
    seated, torn = index["breathing.canister_not_seated"], index["breathing.bag_torn"]
    assert raised[seated] == pytest.approx(5 * plain[seated])
    assert raised[torn] == plain[torn]
    assert raised.sum() == pytest.approx(plain.sum())
