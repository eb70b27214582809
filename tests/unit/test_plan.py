"""Planning: what is offered, what comes first, and when nothing is worth its minutes."""

from dataclasses import replace

from diagnose.model import Reading, Remedied, WorkUp
from diagnose.plan import offered, plan
from diagnose.progress import must_repeat
from diagnose.rank import rank
from diagnose.session import diagnose

HOLD = "breathing.hold_30"


def begin(outcome="falls_fast", **options):
    """Return a work-up on a failed hold."""
    return WorkUp("small", HOLD, **options).add(Reading(HOLD, outcome))


def names(kit, work):
    """Return the ids of the tests that are offered."""
    ranking = rank(kit.catalogue, kit.table, work)
    return {kit.catalogue.tests[i].id for i in offered(kit.planner, work, ranking)}


def test_three_choices_are_shown_with_minutes_and_meanings(get_kit):
    choices = diagnose(get_kit("small"), begin()).choices
    assert 1 <= len(choices) <= 3
    assert all(choice.minutes > 0 and len(choice.means) >= 2 for choice in choices)
    assert all(abs(sum(m.chance for m in c.means) - 1) < 1e-6 for c in choices)


def test_the_same_check_is_not_offered_again_with_nothing_changed(get_kit):
    kit = get_kit("small")
    work = begin().add(Reading("breathing.hold_bag_plugged", "falls_fast"))
    assert "breathing.hold_bag_plugged" not in names(kit, work)


def test_after_a_remedy_the_failed_step_is_repeated_first(get_kit):
    kit = get_kit("small")
    work = begin().add(Remedied("close", "apl_valve"))
    assert must_repeat(work)
    first = diagnose(kit, work).choices[0]
    assert (first.kind, first.test) == ("repeat", HOLD)


def test_a_check_without_its_tool_is_not_offered(get_kit):
    kit = get_kit("small")
    bare = names(kit, begin(tools=frozenset()))
    assert "breathing.leak_solution" in names(kit, begin())
    assert "breathing.leak_solution" not in bare
    assert "breathing.apl_turn" in bare


def test_a_check_longer_than_the_minutes_left_is_not_offered(get_kit):
    kit = get_kit("small")
    assert "breathing.leak_solution" not in names(kit, begin(minutes_left=2.0))


def test_only_biomed_is_offered_what_only_biomed_may_do(get_kit):
    kit = get_kit("two_vaporizers_valve")
    mine = {t.id for t in kit.catalogue.tests if t.check.by == "biomed"}
    assert mine
    work = begin()
    work = replace(work, machine="two_vaporizers_valve")
    assert not mine & names(kit, work)
    assert mine & names(kit, replace(work, who="biomed"))


def test_a_seen_slip_leads_to_its_remedy(get_kit):
    kit = get_kit("small")
    work = begin().add(Reading("breathing.apl_turn", "was_open"))
    first = diagnose(kit, work).choices[0]
    assert first.remedy == Remedied("close", "apl_valve")


def test_when_time_is_short_the_machine_is_swapped_first(get_kit):
    kit = get_kit("small")
    assert diagnose(kit, begin(minutes_left=1.0)).swap_first
    assert not diagnose(kit, begin(minutes_left=600.0)).swap_first


def test_a_plan_never_costs_more_than_deciding_now(get_kit):
    kit = get_kit("small")
    ranking = rank(kit.catalogue, kit.table, begin())
    found = plan(kit.planner, ranking, begin(), False)
    assert found.options[0].score < found.now
