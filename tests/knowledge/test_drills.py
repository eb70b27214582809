"""Every stock drill loads, fails at its step because of what it hides, and names its source."""

import re
from itertools import pairwise

import pytest

from diagnose.drill.case import check_case, from_file
from diagnose.drill.machine import Rig
from diagnose.drill.play import begin, is_felt
from diagnose.kb.lint import lint
from diagnose.kb.load import list_apart, load
from diagnose.readings import verdict

BASE = load()
LEVELS = range(1, 6)


def set_up(get_catalogue, name):
    case = from_file(BASE.drills[name])
    catalogue = get_catalogue(case.machine)
    check_case(catalogue, case)
    return Rig(catalogue, case)


@pytest.fixture(scope="module")
def get_catalogue():
    from functools import lru_cache

    from diagnose.catalogue import list_catalogue

    return lru_cache(maxsize=None)(lambda machine: list_catalogue(BASE, machine))


def test_there_are_forty_of_every_level():
    levels = [drill.level for drill in BASE.drills.values()]
    assert len(levels) == 40
    assert set(levels) == set(LEVELS)
    assert all(len(drill.causes) == 2 for drill in BASE.drills.values() if drill.level == 5)


def test_the_files_of_drills_and_studies_lint_clean():
    own = [str(p) for p in lint().problems if re.search(r"/(drills|studies)/", p.path)]
    assert own == []
    assert list_apart()


def test_names_run_on_so_that_they_say_nothing():
    numbers = [int(name[1:]) for name in sorted(BASE.drills)]
    assert all(b == a + 1 for a, b in pairwise(numbers))


def test_no_two_drills_hide_the_same_on_the_same_machine():
    hidden = [(d.machine, tuple(c.cause for c in d.causes)) for d in BASE.drills.values()]
    assert len(set(hidden)) == len(hidden)


@pytest.mark.parametrize("name", BASE.drills)
def test_the_step_fails_because_of_what_is_hidden(name, get_catalogue):
    rig = set_up(get_catalogue, name)
    failed = BASE.drills[name].failed
    test = rig.catalogue.tests[rig.catalogue.test_index[failed]]
    assert verdict(test, rig.answer(failed, (), 0)) == "fail"


@pytest.mark.bench
@pytest.mark.parametrize("name", BASE.drills)
def test_the_whole_checkout_fails_first_at_that_step(name, get_catalogue):
    rig = set_up(get_catalogue, name)
    work = begin(rig)
    assert work.failed == BASE.drills[name].failed
    assert is_felt(rig, work)
