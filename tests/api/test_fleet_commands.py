"""The list of single machines at the command line, and a work-up on one of them."""

import json

import pytest

from diagnose.journal import list_records

TOLD = ("--failed", "breathing.hold_30", "--reading", "20 cmH2O", "--passed", "none",
        "--minutes", "30", "--answers", "-")  # fmt: skip


@pytest.fixture
def listed(call):
    assert call("fleet", "add", "A-017", "small", "--place", "Theatre 3").exit_code == 0


def test_a_machine_is_added_listed_and_removed(call, listed):
    assert "A-017" in call("fleet", "list").output
    (own,) = json.loads(call("fleet", "list", "--json").output)
    assert own == {"asset": "A-017", "profile": "small", "place": "Theatre 3"}
    assert call("fleet", "remove", "A-017").exit_code == 0
    assert "No machine is in the list yet." in call("fleet", "list").output


@pytest.mark.parametrize("arguments", [("add", "a b", "small"), ("add", "A-1", "wide"),
                                       ("add", "A-017", "small"), ("remove", "B")])  # fmt: skip
def test_what_cannot_be_done_to_the_list_is_said_and_exits_3(call, listed, arguments):
    done = call("fleet", *arguments)
    assert done.exit_code == 3
    assert "Error: " in done.output
    assert len(json.loads(call("fleet", "list", "--json").output)) == 1


def test_a_work_up_on_a_machine_of_the_list_keeps_its_number(call, listed):
    assert call("work-up", "--asset", "A-017", *TOLD, text="q\n").exit_code == 0
    (record,) = list_records()[0]
    assert (record.work.asset, record.work.machine) == ("A-017", "small")


def test_a_number_that_is_not_in_the_list_begins_nothing(call, listed):
    done = call("work-up", "--asset", "B-1", *TOLD, text="q\n")
    assert done.exit_code == 3 and "tenhold fleet list" in done.output
    assert list_records()[0] == []
