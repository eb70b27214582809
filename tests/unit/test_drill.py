"""A drill is a value: the machine answers as its physics says, and the end is judged for safety."""

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from fsrs import Rating

from diagnose.drill import practice, record
from diagnose.drill.case import Act, Case, act_to_data, check_case, to_act, to_case, to_data
from diagnose.drill.curve import cut, is_hold, suspect_curves, watch
from diagnose.drill.debrief import count_bits, debrief
from diagnose.drill.judge import Judged, follow, judge
from diagnose.drill.machine import Rig, fix_severity
from diagnose.drill.play import begin, do, draw_case, list_checks, replay
from diagnose.drill.study import begin_study, draw_study, score_study
from diagnose.errors import DrillError, LogError
from diagnose.model import REMOVE, RETURN, Remedied
from diagnose.particles import severity_values

BAG = Case("small", ("breathing.bag_torn",), (0.5,), 7)
HOLD, PLUGGED = "breathing.hold_30", "breathing.hold_bag_plugged"
MEND = (Act("remedy", "replace@bag"), Act("check", HOLD))


@pytest.fixture(scope="module")
def kit(get_kit):
    return get_kit("small")


@pytest.fixture(scope="module")
def rig(kit):
    return Rig(kit.catalogue, BAG)


@pytest.fixture(scope="module")
def start(rig):
    return begin(rig)


@pytest.fixture(scope="module")
def planner(kit, rig, start):
    return follow(kit, rig, start)


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    monkeypatch.setenv("TENHOLD_STATE", str(tmp_path))
    return tmp_path


def end(course, *causes):
    return Act("end", "", causes, course)


def test_the_same_case_and_acts_are_the_same_drill_again(kit, start):
    acts = (Act("check", PLUGGED), *MEND)
    one, two = (replay(Rig(kit.catalogue, BAG), start, acts) for _ in range(2))
    assert one == two


def test_another_seed_is_another_machine(kit, rig):
    other = Rig(kit.catalogue, replace(BAG, seed=8))
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    assert rig.quantity(test, rig.causes) != other.quantity(test, other.causes)


def test_no_row_of_the_compiled_table_is_the_machine_of_a_drill(kit, rig):
    index = kit.table.index[HOLD]
    block = kit.table.block(kit.catalogue.cause_index["breathing.bag_torn"])
    own = rig.quantity(kit.catalogue.tests[index], rig.causes)
    assert abs(kit.table.quantity[block, index] - own).min() > 0.1


def test_a_worse_leak_falls_further(kit):
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    rigs = [Rig(kit.catalogue, replace(BAG, shares=(share,))) for share in (0.1, 0.5, 0.9)]
    falls = [rig.quantity(test, rig.causes) for rig in rigs]
    assert falls == sorted(falls, reverse=True)


def test_two_leaks_fall_further_than_either(kit):
    names = ("breathing.bag_torn", "breathing.gasket_dusty")
    rig = Rig(kit.catalogue, Case("small", names, (0.2, 0.6), 7))
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    both = rig.quantity(test, rig.causes)
    assert both < min(rig.quantity(test, (cause,)) for cause in rig.causes)


def test_a_fixed_severity_is_the_share_of_its_range(kit):
    fault = kit.catalogue.causes[kit.catalogue.cause_index["breathing.bag_torn"] - 1].fault
    wanted = severity_values(fault.effect[0].bore, "bore", 0.25)
    fixed = fix_severity(fault, 0.25).effect[0].bore
    assert severity_values(fixed, "bore", 0.9) == pytest.approx(float(wanted), rel=1e-6)


def test_a_remedy_puts_right_its_own_cause_and_no_other(rig):
    assert rig.find_present([Remedied("close", "apl_valve")]) == rig.causes
    assert rig.find_present([Remedied("replace", "bag")]) == ()


def test_a_look_stays_as_it_was_after_a_remedy_that_did_not_help(rig):
    before = rig.answer("breathing.bag_look", (), 0)
    assert rig.answer("breathing.bag_look", (Remedied("close", "apl_valve"),), 1) == before


def test_every_check_of_a_user_can_be_done_and_answers_in_its_own_form(kit, rig, start):
    for test in list_checks(kit.catalogue, start):
        reading = rig.answer(test.id, (), 0)
        assert reading.outcome in test.outcomes
        assert (reading.number_si is None) or reading.text.split(" ", 1)[
            1
        ] == test.check.reading.unit


@pytest.mark.parametrize("act", [
    Act("check", "no.such"), Act("remedy", "no@such"), Act("suspect", "no.such"),
    Act("end", "", ("no.such",), "remove"), Act("end", "", ("breathing.bag_torn",)),
])  # fmt: skip
def test_an_act_that_is_not_possible_is_refused(rig, start, act):
    with pytest.raises(DrillError):
        replay(rig, start, [act])


def test_an_ended_drill_takes_no_more_acts(rig, start):
    standing = replay(rig, start, [end("remove", "breathing.bag_torn")])
    with pytest.raises(DrillError, match="ended"):
        do(rig, standing, Act("check", HOLD))


def test_a_tool_not_at_hand_bars_its_checks(kit):
    rig = Rig(kit.catalogue, replace(BAG, tools=frozenset()))
    work = begin(rig)
    assert all(not test.check.tools for test in list_checks(kit.catalogue, work))
    needs = next(t.id for t in kit.catalogue.tests if t.check.tools and t.check.by == "user")
    with pytest.raises(DrillError, match="not at hand"):
        replay(rig, work, [Act("check", needs)])


def test_return_with_the_cause_there_is_failed_whatever_was_named(kit, rig, start, planner):
    standing = replay(rig, start, [end("return", "breathing.bag_torn")])
    told = judge(kit, rig, standing, planner.standing)
    assert (told.verdict, told.score, told.named) == ("unsafe", 0.0, 1.0)


def test_return_without_a_repeat_that_passed_is_failed_too(kit, rig, start, planner):
    standing = replay(rig, start, [MEND[0], end("return", "breathing.bag_torn")])
    assert judge(kit, rig, standing, planner.standing).verdict == "not shown"


def test_the_cause_named_put_right_and_shown_is_solved(kit, rig, start, planner):
    standing = replay(rig, start, [*MEND, end("return", "breathing.bag_torn")])
    told = judge(kit, rig, standing, planner.standing)
    assert (told.verdict, told.should) == ("solved", RETURN)
    assert told.score == 100.0


def test_a_removal_is_safe_and_worth_less_where_the_user_could_mend(kit, rig, start, planner):
    standing = replay(rig, start, [end("remove", "breathing.bag_torn")])
    told = judge(kit, rig, standing, planner.standing)
    assert (told.verdict, told.course) == ("safe", REMOVE)
    assert 50 < told.score < 100


def test_naming_everything_is_worth_little(kit, rig, start, planner):
    names = [cause.id for cause in kit.catalogue.causes[:10]]
    standing = replay(rig, start, [end("remove", "breathing.bag_torn", *names)])
    assert judge(kit, rig, standing, planner.standing).named < 0.2


def test_the_debrief_finds_where_a_noted_cause_was_dropped(kit, rig, start, planner):
    acts = [Act("suspect", "breathing.bag_torn"), Act("check", PLUGGED),
            Act("suspect", "breathing.gasket_dusty"),
            end("remove", "breathing.gasket_dusty")]  # fmt: skip
    told = debrief(kit, rig, replay(rig, start, acts), planner)
    (dropped,) = told.dropped
    assert dropped.by_note
    assert dropped.after == 1
    assert told.left == ("breathing.bag_torn",)
    assert told.path[0].after[0] > told.path[0].before[0]


def test_bits_are_never_negative_and_nothing_told_is_none():
    belief = {("a",): 0.3, ("b",): 0.7}
    assert count_bits(belief, belief) == 0.0
    assert count_bits(belief, {("a",): 0.31, ("b",): 0.69}) >= 0.0


def test_a_curve_begins_at_the_mark_and_ends_at_the_reading(kit, rig, start):
    reading = start.readings[-1]
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    curve = watch(rig, test, reading, ())
    assert curve is not None
    assert curve.pressure[0] == pytest.approx(30 * 98.0665, rel=0.05)  # gauges differ
    assert curve.pressure[-1] == reading.number_si
    assert list(curve.pressure) == sorted(curve.pressure, reverse=True)


def test_a_suspect_is_drawn_at_the_severity_that_ends_nearest(kit):
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    (curve,) = suspect_curves(kit.catalogue, test, ["breathing.bag_torn"], 20 * 98.0665)
    assert curve.pressure[-1] == pytest.approx(20 * 98.0665, rel=0.15)


def test_a_hold_cut_short_falls_less(kit, rig):
    test = kit.catalogue.tests[kit.catalogue.test_index[HOLD]]
    assert is_hold(test)
    assert rig.quantity(cut(test, 0.5), rig.causes) > rig.quantity(test, rig.causes)


def test_case_and_act_survive_as_plain_data():
    case = replace(BAG, minutes=20.0, tools=frozenset({"suction_bulb"}))
    act = end("return", "breathing.bag_torn")
    assert to_case(json.loads(json.dumps(to_data(case)))) == case
    assert to_act(json.loads(json.dumps(act_to_data(act)))) == act


@pytest.mark.parametrize("change", [
    {"causes": ("no.such",)}, {"causes": ()}, {"shares": (1.5,)}, {"tools": frozenset({"hammer"})},
    {"causes": ("breathing.bag_torn",) * 2, "shares": (0.5, 0.5)},
])  # fmt: skip
def test_a_case_that_cannot_be_is_refused(kit, change):
    with pytest.raises(DrillError):
        check_case(kit.catalogue, replace(BAG, **change))


def test_a_drawn_case_fails_because_of_what_is_hidden(kit):
    rig = draw_case(kit.catalogue, 3, ["breathing.bag_torn"])
    assert rig.case.causes == ("breathing.bag_torn",)
    assert draw_case(kit.catalogue, 3, ["breathing.bag_torn"]).case == rig.case


def test_a_record_goes_on_after_a_crash_tore_its_last_line(state):
    own = record.open_record(BAG, "v", record.Told("anna"))
    own = record.add_act(own, MEND[0])
    with own.path.open("a") as file:
        file.write('{"event": "act", "kin')
    assert record.find_record(own.name).acts == (MEND[0],)
    record.add_act(own, MEND[1])
    assert record.find_record(own.name).acts == MEND


def test_a_record_with_a_line_that_no_crash_tore_is_refused(state):
    own = record.open_record(BAG, "v", record.Told())
    text = own.path.read_text()
    own.path.write_text(f"{text}nonsense\n{text}")
    with pytest.raises(LogError):
        record.find_record(own.name)


def test_names_of_records_say_nothing_of_the_case(state):
    names = {record.open_record(BAG, "v", record.Told()).name for _ in range(5)}
    assert len(names) == 5


NOW = datetime(2026, 1, 5, tzinfo=UTC)
SOLVED = Judged("solved", 1.0, RETURN, RETURN, 5.0, 100.0)


@pytest.mark.parametrize("told, rating", [
    (SOLVED, Rating.Easy), (replace(SOLVED, minutes=8.0), Rating.Good),
    (replace(SOLVED, minutes=30.0), Rating.Hard), (replace(SOLVED, verdict="unsafe"), Rating.Again),
    (replace(SOLVED, verdict="safe", named=0.5), Rating.Again),
])  # fmt: skip
def test_a_drill_is_graded_for_the_scheduler(told, rating):
    assert practice.grade(told, 6.0) == rating


def test_what_was_mixed_up_comes_back_before_anything_new(state):
    progress = practice.Progress("anna")
    practice.review(progress, ("a.b",), ("a.c",), Rating.Again, NOW)
    assert set(progress.cards) == {"a.b", "a.b|a.c"}
    later = max(card.due for card in progress.cards.values())
    found = practice.choose_next(progress, {}, later)
    assert found.faults
    assert set(found.faults) <= {"a.b", "a.c"}


def test_what_is_known_comes_back_later_than_what_was_missed():
    due = {}
    for rating in (Rating.Again, Rating.Easy):
        progress = practice.Progress("anna")
        practice.review(progress, ("a.b",), ("a.b",), rating, NOW)
        due[rating] = progress.cards["a.b"].due
    assert due[Rating.Again] < due[Rating.Easy]


def test_progress_is_kept_and_exported(state):
    progress = practice.read_progress("anna b")
    practice.review(progress, ("a.b",), ("a.c",), Rating.Again, NOW)
    row = dict.fromkeys(practice.FIELDS, "x") | {"hidden": ["a.b"], "named": ["a.c", "a.d"]}
    progress.log.append(row)
    practice.write_progress(progress)
    again = practice.read_progress("anna b")
    assert again == progress
    assert again.confusions[0][0][0] == "a.b"
    assert practice.to_csv(again).splitlines()[1].split(",")[6] == "a.c a.d"


@pytest.mark.parametrize("nick", ["", "../x", "<b>", "x" * 25, "a/b"])
def test_a_nickname_that_could_be_a_path_or_markup_is_refused(nick):
    with pytest.raises(DrillError):
        record.read_nick(nick)


def test_a_study_counts_what_was_written_down(kit):
    rig = draw_study(kit.catalogue, 1, 3)
    start = begin_study(rig.case)
    named = (*rig.case.causes[:2], "breathing.bag_torn")
    result = score_study(kit, rig, replay(rig, start, [Act("end", "", named, "remove")]))
    assert result.share == pytest.approx(2 / 3)
    assert result.missed == rig.case.causes[2:]
    assert all(result.shown.values()), "each is found by a step of the checkout"
