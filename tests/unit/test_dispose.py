"""The disposition and its invariants: return needs everything at once."""

import pytest

from diagnose.model import REMOVE, RETURN, Reading, Remedied, WorkUp
from diagnose.session import diagnose

HOLD = "breathing.hold_30"
FIXED = [
    Reading(HOLD, "falls_fast"),
    Reading("breathing.apl_turn", "was_open"),
    Remedied("close", "apl_valve"),
    Reading(HOLD, "holds"),
]


def decide(kit, entries, **options):
    """Return the disposition of a work-up on the hold."""
    return diagnose(kit, WorkUp("small", HOLD, tuple(entries), **options)).disposition


def test_a_slip_put_right_and_proved_returns_to_checkout(get_kit):
    found = decide(get_kit("small"), FIXED)
    assert (found.say, found.final) == (RETURN, True)
    assert "Repeat the checkout" in found.reason


@pytest.mark.parametrize("missing", [2, 3])
def test_without_the_remedy_or_without_the_repeat_there_is_no_return(get_kit, missing):
    entries = [entry for place, entry in enumerate(FIXED) if place != missing]
    assert decide(get_kit("small"), entries).say == REMOVE


def test_a_repeat_that_fails_again_is_no_return(get_kit):
    assert decide(get_kit("small"), [*FIXED[:3], Reading(HOLD, "falls_fast")]).say == REMOVE


def test_a_second_failed_step_blocks_return(get_kit):
    entries = [*FIXED, Reading("vapour.bulb_all_off", "fills_at_once")]
    assert decide(get_kit("small"), entries).say == REMOVE


def test_time_out_ends_in_removal(get_kit):
    found = decide(get_kit("small"), FIXED[:1], minutes_left=0.0)
    assert (found.say, found.final) == (REMOVE, True)


def test_a_hazard_is_final_and_names_its_rule(get_kit):
    entries = [*FIXED, Reading("outlet.flush", "stays_on")]
    found = decide(get_kit("small"), entries)
    assert (found.say, found.final) == (REMOVE, True)
    assert found.rule and found.hazard


def test_before_the_end_the_machine_is_not_for_use(get_kit):
    found = decide(get_kit("small"), FIXED[:1])
    assert (found.say, found.final) == (REMOVE, False)
    assert found.missing


def test_a_false_alarm_needs_the_repeat_and_another_check(get_kit):
    kit = get_kit("small")
    repeated = [Reading(HOLD, "falls_slowly"), Reading(HOLD, "holds")]
    assert decide(kit, repeated).say == REMOVE
