"""Why, in words: readings for and against, the size of the leak, what would change the order."""

import pytest

from diagnose.model import Reading, WorkUp
from diagnose.readings import read_answer
from diagnose.session import diagnose
from diagnose.units import from_si

HOLD = "breathing.hold_30"


def test_a_look_that_finds_the_cause_speaks_for_it_and_against_others(get_kit):
    kit = get_kit("small")
    work = WorkUp("small", HOLD).add(Reading(HOLD, "falls_fast"))
    found = diagnose(kit, work.add(Reading("breathing.apl_turn", "was_open")))
    title = kit.catalogue.tests[kit.catalogue.test_index["breathing.apl_turn"]].check.title
    words = {
        a.cause: {text.split(":")[0]: said for text, said, _ in a.speaks} for a in found.accounts
    }
    assert "for it" in words["breathing.apl_left_open"][title]
    others = [said[title] for cause, said in words.items() if title in said and "apl" not in cause]
    assert others and all("against it" in said for said in others)


@pytest.mark.parametrize(
    ("pressure", "low", "high"), [("27 cmH2O", 300, 1600), ("10 cmH2O", 2000, 12000)]
)
def test_the_leak_is_sized_from_the_fall(get_kit, pressure, low, high):
    kit = get_kit("small")
    work = WorkUp("small", HOLD).add(read_answer(kit.catalogue, HOLD, pressure))
    torn = next(c for c in diagnose(kit, work).ranking if c.ids == ("breathing.bag_torn",))
    assert low < from_si(torn.leak_si, "mL/min") < high
    assert torn.leak_range_si[0] <= torn.leak_si <= torn.leak_range_si[1]


def test_every_conclusion_names_its_rule_what_it_matched_and_why(get_kit):
    work = WorkUp("small", HOLD).add(Reading(HOLD, "falls_fast"))
    said = diagnose(get_kit("small"), work).said
    assert said
    assert all(s.rule and s.because and s.matched and s.source for s in said)


def test_the_graphs_suspects_are_the_parts_every_failed_check_tests(get_kit):
    kit = get_kit("small")
    work = WorkUp("small", HOLD).add(Reading(HOLD, "falls_fast"))
    wide = set(diagnose(kit, work).suspects)
    work = work.add(Reading("breathing.hold_bag_plugged", "falls_fast"))
    narrow = set(diagnose(kit, work).suspects)
    assert "bag" in wide
    assert "bag" not in narrow
    assert narrow < wide
