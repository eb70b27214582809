"""The invented machine: the same draw, the same answers; its cause can be put right."""

import pytest

from diagnose.catalogue import list_catalogue
from diagnose.kb.load import load
from diagnose.model import Remedied
from diagnose.pretend import draw_pretend
from diagnose.readings import verdict

NUMBERS = range(8)


@pytest.fixture(scope="module")
def catalogue():
    return list_catalogue(load(), "small")


@pytest.fixture(scope="module")
def drawn(catalogue):
    return [draw_pretend(catalogue, number) for number in NUMBERS]


def test_the_same_number_draws_the_same_machine(catalogue, drawn):
    again, work = draw_pretend(catalogue, 3)
    assert (again.cause.id, work) == (drawn[3][0].cause.id, drawn[3][1])


def test_numbers_draw_different_causes(drawn):
    assert len({pretend.cause.id for pretend, _ in drawn}) > 3


def test_the_work_up_begins_with_the_first_step_that_fails(catalogue, drawn):
    for _, work in drawn:
        tests = [catalogue.tests[catalogue.test_index[r.test]] for r in work.readings]
        verdicts = [verdict(*pair) for pair in zip(tests, work.readings, strict=True)]
        assert verdicts[-1] == "fail" and "fail" not in verdicts[:-1]
        assert work.failed == work.readings[-1].test


def test_asking_again_with_nothing_changed_reads_the_same(drawn):
    for pretend, work in drawn:
        if pretend.cause.fault.intermittent == 1.0:
            first = pretend.answer(work, "breathing.bag_look")
            assert pretend.answer(work.add(first), "breathing.bag_look") == first


def test_only_its_own_remedy_puts_the_cause_right(drawn):
    for pretend, _ in drawn:
        own = Remedied(pretend.cause.fault.remedy.act, pretend.cause.component)
        assert not pretend.is_fixed([Remedied("drain", "nothing")])
        assert pretend.is_fixed([own] * 40)  # a remedy is botched only now and then
