"""Published cases, entered as their failed step and its outcomes: is the true part found?

The cases are in ``cases/``, each with its source, written from the published text before the
program had answered. They are the open half of a list; others are held out, so nothing is tuned to
one of these. Cases of the zones built first have targets of their own; presets count apart. As a
script it writes docs/published_cases.md: python tests/published/test_cases.py
"""

from __future__ import annotations

from functools import lru_cache

import pytest
from casebook import (
    ALL_FIRST,
    ALL_FIRST_THREE,
    FILES,
    FIRST,
    FIRST_FILES,
    FIRST_THREE,
    FULLEST,
    OBSERVED,
    PAGE,
    PRESETS,
    enter,
    pick,
    read_cases,
    read_file,
    render,
    render_figures,
    share,
    show,
    solve,
)  # fmt: skip

from diagnose.kb.load import load
from diagnose.model import REMOVE, RETURN
from diagnose.session import diagnose, make_kit


@pytest.fixture(scope="module")
def results(get_kit):
    found = [solve(get_kit, case) for case in read_cases()]
    print("\n" + "\n".join([*map(show, found), *render_figures(found)]))
    return found


@pytest.fixture(scope="module")
def first_zones(results):
    return pick(results, FIRST_FILES)


@pytest.fixture(scope="module")
def presets(get_kit):
    found = [solve(get_kit, case) for case in read_cases(PRESETS)]
    print("\n" + "\n".join(map(show, found)))
    return found


def component_places(results):
    """Return the places when the report's own isolating acts are done as well."""
    return [(r.isolated or r.answer).component_place for r in results]


@pytest.mark.parametrize(("most", "least"), [(3, FIRST_THREE), (1, FIRST)])
def test_true_component_comes_out_with_the_isolating_acts(first_zones, most, least):
    assert share(component_places(first_zones), most) >= least


@pytest.mark.parametrize(("most", "least"), [(3, ALL_FIRST_THREE), (1, ALL_FIRST)])
def test_true_component_of_all_comes_out_with_the_isolating_acts(results, most, least):
    assert share(component_places(results), most) >= least


@pytest.mark.xfail(strict=True, reason="not reached: first three 83 % of 30, target 85 %")
def test_true_component_is_among_the_first_three(first_zones):
    assert share([r.answer.component_place for r in first_zones], 3) >= FIRST_THREE


@pytest.mark.xfail(strict=True, reason="not reached: first 57 % of 30, target 60 %")
def test_true_component_comes_first(first_zones):
    assert share([r.answer.component_place for r in first_zones], 1) >= FIRST


@pytest.mark.xfail(strict=True, reason="not reached: first three 67 % of 30, target 85 %")
def test_true_part_is_among_the_first_three_causes(first_zones):
    assert share([r.answer.place for r in first_zones], 3) >= FIRST_THREE


@pytest.mark.xfail(strict=True, reason="not reached: first 53 % of 30, target 60 %")
def test_true_part_comes_first(first_zones):
    assert share([r.answer.place for r in first_zones], 1) >= FIRST


MISSED = pytest.mark.xfail(strict=True, reason="not reached; docs/published_cases.md")


@MISSED
@pytest.mark.parametrize(("most", "least"), [(3, ALL_FIRST_THREE), (1, ALL_FIRST)])
def test_true_component_of_the_whole_list_comes_out(results, most, least):
    assert share([r.answer.component_place for r in results], most) >= least


@MISSED
@pytest.mark.parametrize(("most", "least"), [(3, ALL_FIRST_THREE), (1, ALL_FIRST)])
def test_true_part_of_the_whole_list_comes_out(results, most, least):
    assert share([r.answer.place for r in results], most) >= least


@pytest.mark.xfail(strict=True, reason="S-02, swapped cylinders, by one low oxygen reading alone")
def test_each_preset_fault_is_among_the_first_three_causes(presets):
    assert [(r.case["id"], r.answer.place) for r in presets if r.answer.place > 3] == []


def test_the_safe_action_that_a_source_names_is_said(get_kit):
    """S-04, pipeline failure: the cylinder opened, the hose pulled out, little oxygen used."""
    (case,) = [c for c in read_cases(PRESETS) if c["id"] == "S-04"]
    kit = get_kit(case.get("machine", FULLEST))
    said = " ".join(diagnose(kit, enter(kit, case)).advice)
    for words in ("open the oxygen cylinder", "pull the oxygen hose out", "flow as low as can be"):
        assert words in said


def test_each_preset_fault_ends_in_removal(presets):
    assert [(r.case["id"], r.answer.say) for r in presets if r.answer.say != REMOVE] == []


def test_no_published_fault_is_returned_to_checkout(results):
    told = [(r.case["id"], a.say) for r in results for a in (r.answer, r.isolated) if a]
    assert len(told) > len(results)
    assert [name for name, say in told if say == RETURN] == []


def test_the_page_about_the_cases_is_up_to_date(results, presets):
    assert PAGE.read_text("utf-8") == render(results, presets)


def test_only_what_a_report_says_is_entered():
    entered = [(case["id"], row["basis"]) for case in read_cases() for row in case["readings"]]
    assert [pair for pair in entered if pair[1] not in OBSERVED] == [("P-010", "performed")]


def test_only_what_was_preset_is_entered_as_a_preset():
    for case in read_cases(PRESETS):
        assert {row["basis"] for row in case["readings"]} == {"preset"}, case["id"]
        assert case["safe_action"], case["id"]


def test_every_case_of_the_list_is_scored_or_left_out_with_a_reason():
    scored = [case["id"] for case in read_cases()]
    others = list(read_file("elsewhere.yaml"))
    assert (len(scored), len(others), len({*scored, *others})) == (52, 2, 54)
    assert len(read_cases(FIRST_FILES)) == 30


def test_every_case_names_parts_of_its_machine_and_its_source(get_kit):
    for case in read_cases(FILES + PRESETS):
        kinds = get_kit(case.get("machine", FULLEST)).catalogue.circuit.kinds
        assert set(case["parts"]) & set(kinds), case["id"]
        assert case["component"] in read_file("groups.yaml"), case["id"]
        assert {"authors", "title", "journal", "year"} <= set(case["source"]), case["id"]


def test_every_case_is_entered_in_checks_of_its_machine(get_kit):
    for case in read_cases(FILES + PRESETS):
        kit = get_kit(case.get("machine", FULLEST))
        assert enter(kit, case, case.get("isolated", [])).failed, case["id"]


def main() -> None:
    base = load()
    kits = lru_cache(maxsize=None)(lambda machine: make_kit(base, machine))
    found = [solve(kits, case) for case in read_cases()]
    presets = [solve(kits, case) for case in read_cases(PRESETS)]
    PAGE.write_text(render(found, presets), "utf-8")
    print("\n".join(render_figures(found)))


if __name__ == "__main__":
    main()
