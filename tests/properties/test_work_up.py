"""Whatever is answered, a work-up ends, in one of two dispositions, and never unsafely.

The answers are drawn at random, sense or nonsense; the acts too. ``TENHOLD_WORK_UPS`` sets how many
work-ups are played: 60 in the ordinary run, 10,000 for a release (figures in docs/ranking.md).
"""

import os

import numpy as np
import pytest

from diagnose.dispose import open_failures
from diagnose.model import REMOVE, RETURN, Reading, Remedied, WorkUp
from diagnose.progress import state_independent, state_repeat
from diagnose.readings import verdict
from diagnose.session import diagnose

NUMBER = int(os.environ.get("TENHOLD_WORK_UPS", "60"))


def draw_answer(kit, name, rng):
    """Return any answer to a test: an outcome, "not sure" or "could not be done"."""
    test = kit.catalogue.tests[kit.catalogue.test_index[name]]
    return Reading(name, str(rng.choice([*test.outcomes, *test.outcomes, "not_sure", "not_done"])))


def begin(kit, rng):
    """Return a work-up on a step that failed."""
    steps = [t for t in kit.catalogue.tests if t.check.kind == "step"]
    test = steps[rng.integers(len(steps))]
    fails = [n for n, o in test.check.reading.outcomes.items() if o.means == "fail"]
    minutes = [None, 5.0, 20.0][rng.integers(3)]
    work = WorkUp(kit.catalogue.circuit.machine_id, test.id, minutes_left=minutes)
    return work.add(Reading(test.id, str(rng.choice(fails))))


def act(kit, work, assessment, rng):
    """Return the work-up after one more act: mostly the one suggested, now and then any other."""
    choice = assessment.choices[rng.integers(len(assessment.choices))]
    name = choice.test
    if rng.uniform() < 0.15:
        name = kit.catalogue.tests[rng.integers(len(kit.catalogue.tests))].id
    elif choice.remedy is not None:
        work = work.add(choice.remedy)
    return work.add(draw_answer(kit, name, rng))


def assert_safe(kit, work, assessment):
    """Check every condition of a return against the entries themselves, not the engine's marks."""
    catalogue = kit.catalogue
    assert not any(said.kind == "stop" for said in assessment.said)
    assert not any(said.kind == "doubt" for said in assessment.said)
    assert state_repeat(catalogue, work) == "passed"
    last = [r for r in work.readings if r.test == work.failed and r.is_answer][-1]
    assert verdict(catalogue.tests[catalogue.test_index[work.failed]], last) == "pass"
    assert open_failures(catalogue, work) == []
    confirmed = state_independent(catalogue, kit.tested, work) == "passed"
    assert work.remedies or confirmed
    biomed_only = {
        (c.fault.remedy.act, c.component) for c in catalogue.causes if c.fault.remedy.by == "biomed"
    }
    user = {
        (c.fault.remedy.act, c.component) for c in catalogue.causes if c.fault.remedy.by == "user"
    }
    assert all((r.act, r.component) not in biomed_only - user for r in work.remedies)
    assert not work.stopped


def test_every_random_work_up_ends_in_one_of_two_dispositions_and_never_unsafely(get_kit):
    kit = get_kit("small")
    rng = np.random.default_rng(65)
    ends = {RETURN: 0, REMOVE: 0}
    for _ in range(NUMBER):
        work = begin(kit, rng)
        for _ in range(60):
            assessment = diagnose(kit, work)
            assert assessment.disposition.say in ends
            if assessment.disposition.final:
                break
            assert assessment.choices, "not final, and nothing to do"
            work = act(kit, work, assessment, rng)
        assert assessment.disposition.final, f"does not end: {work}"
        ends[assessment.disposition.say] += 1
        if assessment.disposition.say == RETURN:
            assert_safe(kit, work, assessment)
    print(f"random work-ups: {ends}")
    assert ends[REMOVE] > 0


def test_chances_sum_to_one_after_any_answers(get_kit):
    kit = get_kit("small")
    rng = np.random.default_rng(8)
    for _ in range(20):
        work = begin(kit, rng)
        for _ in range(4):
            work = work.add(draw_answer(kit, kit.catalogue.tests[rng.integers(40)].id, rng))
        total = sum(cause.chance for cause in diagnose(kit, work).ranking)
        assert total == pytest.approx(1.0, abs=0.03)  # pairs below one in 10,000 are not listed


def test_the_order_of_readings_changes_no_chance(get_kit):
    kit = get_kit("small")
    rng = np.random.default_rng(9)
    for _ in range(10):
        work = begin(kit, rng)
        names = rng.choice([t.id for t in kit.catalogue.tests], 4, replace=False)
        for name in names:
            work = work.add(draw_answer(kit, str(name), rng))
        turned = WorkUp(work.machine, work.failed, tuple(reversed(work.entries)))
        first = {c.ids: c.chance for c in diagnose(kit, work).ranking}
        second = {c.ids: c.chance for c in diagnose(kit, turned).ranking}
        assert all(abs(second[ids] - chance) < 1e-6 for ids, chance in first.items())


def test_undo_gives_the_assessment_of_before(get_kit):
    kit = get_kit("small")
    rng = np.random.default_rng(10)
    work = begin(kit, rng)
    before = diagnose(kit, work)
    after = work.add(draw_answer(kit, "breathing.hold_15", rng)).undo()
    assert diagnose(kit, after) == before


def test_a_stop_finding_cannot_be_outvoted_by_passes(get_kit):
    kit = get_kit("small")
    work = WorkUp("small", "outlet.flush").add(Reading("outlet.flush", "stays_on"))
    work = work.add(Remedied("replace", "bag")).add(Reading("breathing.hold_30", "holds"))
    disposition = diagnose(kit, work).disposition
    assert (disposition.say, disposition.final) == (REMOVE, True)
    assert disposition.hazard


def test_a_work_up_that_the_person_stops_ends_in_removal(get_kit):
    kit = get_kit("small")
    work = WorkUp("small", "breathing.hold_30", stopped=True)
    work = work.add(Reading("breathing.hold_30", "falls_slowly"))
    disposition = diagnose(kit, work).disposition
    assert (disposition.say, disposition.final) == (REMOVE, True)
