"""Every knowledge file: it loads, it lints clean, and the cases of a fault come out."""

from functools import lru_cache

import pytest

from diagnose.catalogue import Catalogue
from diagnose.kb.lint import LintReport, lint
from diagnose.kb.load import FOLDER, list_files, read
from diagnose.kb.schema import Case
from diagnose.model import WorkUp
from diagnose.readings import read_answer
from diagnose.session import Kit, diagnose

FILES = [path.relative_to(FOLDER).as_posix() for path in list_files()]
BASE, _ = read()
FIRST = {"first": 1, "first_three": 3}


@lru_cache(maxsize=1)
def lint_once() -> LintReport:
    return lint()


@pytest.mark.parametrize("file", FILES)
def test_file_lints_clean(file):
    own = [str(p) for p in lint_once().problems if p.path == f"knowledge/{file}"]
    assert own == []


def find_cause(catalogue: Catalogue, fault_id: str, case: Case) -> str:
    """Return the cause a case is about: its fault, where the case says."""
    (cause,) = [
        cause.id
        for cause in catalogue.causes
        if cause.fault_id == fault_id and case.at in (None, cause.component)
    ]
    return cause


def enter(kit: Kit, case: Case) -> WorkUp:
    """Return the work-up of a case: the failed step, then what is given."""
    failed, _, answer = case.failed.partition("=")
    work = WorkUp(case.machine, failed).add(read_answer(kit.catalogue, failed, answer))
    for test, text in case.given.items():
        work = work.add(read_answer(kit.catalogue, test, text))
    return work


def rank_singles(kit: Kit, case: Case) -> list[str]:
    """Return the single causes, the likeliest first; pairs and what is no fault left out."""
    ranking = diagnose(kit, enter(kit, case)).ranking
    return [ranked.ids[0] for ranked in ranking if ranked.kind in ("fault", "slip")]


@pytest.mark.parametrize("fault_id", BASE.faults)
def test_cases_of_a_fault_come_out(fault_id, get_kit):
    wrong = []
    for case in BASE.faults[fault_id].cases:
        kit = get_kit(case.machine)
        cause = find_cause(kit.catalogue, fault_id, case)
        ranked = rank_singles(kit, case)
        if cause not in ranked[: FIRST[case.expect]]:
            wrong.append(f"{case.name}: expected {cause} {case.expect}, ranked {ranked[:4]}")
    assert wrong == []
