"""What is looked at as a whole: counts come out as by hand, and few cases have wide intervals."""

import pytest
from scipy import stats

from diagnose.logbook.accept import add_exposure
from diagnose.logbook.biomed import Confirmation, confirm
from diagnose.logbook.events import Draft
from diagnose.logbook.figures import (
    Share,
    count_no_fault,
    count_right,
    list_calibration,
    list_figures,
    list_minutes,
    list_pareto,
    mean_days,
    over_time,
    say_figures,
)
from diagnose.logbook.project import NO_FAULT, Found

KNOWN = {"breathing.bag_torn", "supply.hose_leak"}


@pytest.fixture
def told(book, drafts):
    """Three torn bags, one hose, one no fault; the tool named the bag first each time."""
    found = ["breathing.bag_torn"] * 3 + ["supply.hose_leak", ""]
    for number, cause in enumerate(found):
        name, minute = f"w{number}", 10 * (number + 1)
        book.append([
            drafts.opened(name, at="2026-11-25T06:00:00+00:00"),
            drafts.closed(name, at=f"2026-11-25T06:{minute}:00+00:00"),
            Draft(name, "ranked", {"first_cause": "breathing.bag_torn", "first_chance": 0.65,
                                   "last_cause": cause or "nothing_wrong", "last_chance": 1.0}),
        ])  # fmt: skip
        own = Found(cause, "", "search") if cause else Found("", "", NO_FAULT)
        confirm(book, name, Confirmation((own,)), "Kim", KNOWN)
    return book


def test_causes_are_counted_most_frequent_first(told):
    found = list_pareto(told)
    assert [(own["cause"], own["count"]) for own in found] == [
        ("breathing.bag_torn", 3), ("supply.hose_leak", 1)]  # fmt: skip
    assert [own["share_up_to"] for own in found] == [0.75, 1.0]
    assert list_pareto(told, since=4e9) == []


def test_the_share_of_right_first_causes_counts_no_fault_found_too(told):
    assert count_right(told, "first") == Share(3, 5)
    assert count_right(told, "last") == Share(5, 5)
    assert count_no_fault(told) == Share(1, 5)


def test_calibration_is_by_tenths_of_the_chance_given(told):
    (own,) = list_calibration(told, "first")
    assert (own["from"], own["part"], own["whole"]) == (0.6, 3, 5)
    assert own["mean_chance"] == pytest.approx(0.65)
    assert [own["from"] for own in list_calibration(told, "last")] == [0.9]
    last = over_time(told)[-1]
    assert (last["part"], last["whole"]) == (3, 5)


def test_minutes_to_a_disposition_are_those_of_the_record(told):
    own = list_minutes(told)
    assert (own["work_ups"], own["median"]) == (5, pytest.approx(30.0))


@pytest.mark.parametrize(("part", "whole"), [(0, 5), (3, 5), (5, 5), (120, 400)])
def test_the_interval_of_a_share_is_that_of_another_program(part, whole):
    low, high = Share(part, whole).interval()
    wanted = stats.binomtest(part, whole).proportion_ci(0.9, "wilson")
    assert (low, high) == (
        pytest.approx(wanted.low, abs=1e-4),
        pytest.approx(wanted.high, abs=1e-4),
    )


@pytest.mark.parametrize("count", [1, 7, 200])
def test_the_interval_of_days_between_failures_is_exact(count):
    own = mean_days("supply", count, 1000.0)
    low = 1000 / (stats.chi2.ppf(0.95, 2 * count + 2) / 2)
    high = 1000 / (stats.chi2.ppf(0.05, 2 * count) / 2)
    assert own["interval_days"] == [pytest.approx(low, rel=1e-6), pytest.approx(high, rel=1e-6)]


def test_a_zone_without_failures_has_no_longest_time():
    own = mean_days("supply", 0, 1000.0)
    assert (own["mean_days"], own["interval_days"][1]) == (None, None)
    assert own["interval_days"][0] == pytest.approx(1000 / 2.9957, rel=1e-3)


def test_everything_is_said_in_lines_with_and_without_cases(told, book, tmp_path):
    from diagnose.logbook.book import Book

    add_exposure(told, "M-1", "small", 0.0, 86400.0 * 100, "Kim")
    lines = say_figures(list_figures(told))
    assert any(
        line.startswith("First cause right at the first reading: 60% of 5") for line in lines
    )
    assert any("breathing: 33 (" in line for line in lines)
    empty = Book(f"sqlite:///{tmp_path / 'e.sqlite'}")
    assert "nothing confirmed yet" in "\n".join(say_figures(list_figures(empty)))
    empty.close()
