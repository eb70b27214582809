"""Rules: how they are written, when they fire, and when a set of them is refused."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from diagnose.experta_gate import RuleEngine
from diagnose.rules import (
    Conclusion,
    Condition,
    Fact,
    Fired,
    Rule,
    RuleBase,
    RuleError,
    find_strata,
    rule_from_mapping,
)

HOLD_LOST: dict[str, Any] = {
    "id": "breathing.hold_lost",
    "when": [
        {"reading": "breathing.hold_30", "is": ["falls_slowly", "falls_fast"]},
        {"option": "outlet_check_valve", "is": ["yes"]},
        {"mark": "repeat_of_failed_step"},
        {"reading": "vapour.bulb_vaporizer_on", "is": ["refills_at_once"], "at": "same"},
    ],
    "unless": [
        {"reading": "breathing.look_over", "is": ["all_tight"]},
        {"symptom": "outlet_sound"},
    ],
    "conclude": {"symptom": "breathing_leak"},
    "because": "The pressure fell during the hold.",
    "source": "fda1993",
}


def reading(name: str, *values: str, same: bool = False) -> Condition:
    return Condition("reading", name, values, same)


def symptom(name: str, *, same: bool = False) -> Condition:
    return Condition("symptom", name, (), same)


def rule(
    name: str, when: list[Condition], unless: list[Condition] | None = None, **conclude: str
) -> Rule:
    [(kind, text)] = (conclude or {"doubt": "odd"}).items()
    conclusion = Conclusion(kind, tuple(text.split()))
    return Rule(name, tuple(when), tuple(unless or []), conclusion, "because", "judgement")


def names(fired: tuple[Fired, ...]) -> list[tuple[str, str]]:
    return [(one.rule, one.at) for one in fired]


LOW = Fact("reading", "bulb", "low")
LOW_1 = Fact("reading", "bulb", "low", "vaporizer_1")
LOW_2 = Fact("reading", "bulb", "low", "vaporizer_2")
SMELL_2 = Fact("reading", "smell", "yes", "vaporizer_2")


def test_every_part_of_a_written_rule_is_read() -> None:
    read = rule_from_mapping(HOLD_LOST)
    assert read == Rule(
        "breathing.hold_lost",
        (
            reading("breathing.hold_30", "falls_slowly", "falls_fast"),
            Condition("option", "outlet_check_valve", ("yes",)),
            Condition("mark", "repeat_of_failed_step"),
            reading("vapour.bulb_vaporizer_on", "refills_at_once", same=True),
        ),
        (reading("breathing.look_over", "all_tight"), symptom("outlet_sound")),
        Conclusion("symptom", ("breathing_leak",)),
        "The pressure fell during the hold.",
        "fda1993",
    )


@pytest.mark.parametrize(
    ("kind", "written", "read"),
    [
        ("exclude", ["vapour.cap_loose", "vapour.mount"], ("vapour.cap_loose", "vapour.mount")),
        ("point", ["vapour.cap_loose"], ("vapour.cap_loose",)),
        ("stop", "wrong_gas", ("wrong_gas",)),
        ("doubt", "contradiction", ("contradiction",)),
        ("remove", "not_for_users", ("not_for_users",)),
    ],
)
def test_every_kind_of_conclusion_is_read(kind: str, written: object, read: tuple[str]) -> None:
    data = {**HOLD_LOST, "conclude": {kind: written}}
    assert rule_from_mapping(data).conclude == Conclusion(kind, read)


@pytest.mark.parametrize(
    ("change", "field", "says"),
    [
        ({"when": []}, "when", "at least one condition"),
        ({"when": {"reading": "x"}}, "when", "is no list"),
        ({"when": "breathing.hold_30"}, "when", "is no list"),
        ({"when": ["breathing.hold_30"]}, "when.0", "allowed: reading, symptom, option, mark"),
        ({"when": [{"raeding": "x"}]}, "when.0.raeding", "allowed: reading, symptom"),
        ({"when": [{"is": ["low"]}]}, "when.0", "exactly one of: reading, symptom"),
        ({"when": [{"reading": "x", "mark": "y"}]}, "when.0", "has 2 kinds of fact"),
        ({"when": [{"reading": ""}]}, "when.0.reading", "is no text"),
        ({"when": [{"reading": "x", "is": "low"}]}, "when.0.is", "write [low]"),
        ({"when": [{"reading": "x", "is": []}]}, "when.0.is", "is no list of texts"),
        ({"when": [{"option": "x", "is": [True]}]}, "when.0.is.0", "in quotes"),
        ({"when": [{"reading": "x", "at": "vaporizer_1"}]}, "when.0.at", "write 'at: same'"),
        ({"when": [{"symptom": "x", "is": ["low"]}]}, "when.0.is", "leave 'is' out"),
        ({"unless": [{"symptom": "x"}, {"sign": "y"}]}, "unless.1.sign", "allowed: reading"),
        (
            {"when": [{"reading": "x"}], "unless": [{"reading": "y", "at": "same"}]},
            "unless",
            "needs a condition with it in 'when'",
        ),
        ({"conclude": {}}, "conclude", "exactly one of: symptom, stop"),
        ({"conclude": {"stop": "x", "doubt": "y"}}, "conclude", "has 2 keys"),
        ({"conclude": {"release": "x"}}, "conclude.release", "allowed: symptom, stop"),
        ({"conclude": {"stop": ["x"]}}, "conclude.stop", "is no text"),
        ({"conclude": {"exclude": "x.y"}}, "conclude.exclude", "write [x.y]"),
        ({"because": None}, "because", "is no text"),
        ({"salience": "9"}, "salience", "allowed: id, when, unless"),
    ],
)
def test_a_malformed_rule_is_refused_and_the_key_named(
    change: dict[str, Any], field: str, says: str
) -> None:
    with pytest.raises(RuleError) as caught:
        rule_from_mapping({**HOLD_LOST, **change})
    assert (caught.value.rule, caught.value.field) == ("breathing.hold_lost", field)
    assert says in caught.value.what


@pytest.mark.parametrize("key", ["id", "when", "conclude", "because", "source"])
def test_a_rule_without_a_needed_key_is_refused(key: str) -> None:
    with pytest.raises(RuleError) as caught:
        rule_from_mapping({name: part for name, part in HOLD_LOST.items() if name != key})
    assert caught.value.field == key


@pytest.mark.parametrize("names", [(), ("a", "b")])
def test_a_stop_names_exactly_one_hazard(names: tuple[str, ...]) -> None:
    with pytest.raises(RuleError) as caught:
        Rule("a.b", (reading("x"),), (), Conclusion("stop", names), "because", "judgement")
    assert caught.value.field == "conclude.stop"


def test_a_fact_of_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="'raeding' is no kind of fact; allowed: reading"):
        Fact("raeding", "bulb", "low")


def test_no_rules_and_no_facts_fire_nothing() -> None:
    assert RuleBase([]).fire([LOW]) == ()
    assert RuleBase([rule("a.low", [reading("bulb", "low")])]).fire([]) == ()


def test_all_conditions_must_be_met() -> None:
    base = RuleBase([rule("a.both", [reading("bulb", "low"), Condition("option", "valve")])])
    assert base.fire([LOW]) == ()
    assert names(base.fire([LOW, Fact("option", "valve", "yes")])) == [("a.both", "")]


def test_kinds_of_fact_do_not_mix() -> None:
    base = RuleBase([rule("a.low", [reading("bulb", "low")])])
    assert base.fire([Fact("option", "bulb", "low"), Fact("mark", "bulb", "low")]) == ()


def test_a_condition_without_values_is_met_by_any_value() -> None:
    base = RuleBase([rule("a.any", [reading("bulb")]), rule("a.high", [reading("bulb", "high")])])
    assert names(base.fire([LOW])) == [("a.any", "")]


def test_same_conditions_must_be_met_at_one_place() -> None:
    base = RuleBase([rule("a.leak", [reading("bulb", same=True), reading("smell", same=True)])])
    assert base.fire([LOW_1, SMELL_2]) == ()
    assert names(base.fire([LOW_1, LOW_2, SMELL_2])) == [("a.leak", "vaporizer_2")]


def test_without_same_the_place_is_of_no_account() -> None:
    base = RuleBase([rule("a.leak", [reading("bulb"), reading("smell")])])
    assert names(base.fire([LOW_1, SMELL_2])) == [("a.leak", "")]


def test_a_rule_fires_once_for_each_place() -> None:
    base = RuleBase([rule("a.low", [reading("bulb", "low", same=True)])])
    assert names(base.fire([LOW_2, LOW_1])) == [("a.low", "vaporizer_1"), ("a.low", "vaporizer_2")]


def test_same_in_unless_blocks_only_at_its_place() -> None:
    base = RuleBase([rule("a.low", [reading("bulb", same=True)], [reading("smell", same=True)])])
    assert names(base.fire([LOW_1, LOW_2, SMELL_2])) == [("a.low", "vaporizer_1")]


def test_unless_without_same_blocks_at_every_place() -> None:
    base = RuleBase([rule("a.low", [reading("bulb", same=True)], [reading("smell")])])
    assert base.fire([LOW_1, LOW_2, SMELL_2]) == ()


def test_a_symptom_triggers_other_rules_at_its_place() -> None:
    chain = [
        rule("a.first", [reading("bulb", "low", same=True)], symptom="leak"),
        rule(
            "a.second", [symptom("leak", same=True), reading("smell", same=True)], stop="overdose"
        ),
    ]
    [first_1, first_2, second] = RuleBase(chain).fire([LOW_1, LOW_2, SMELL_2])
    assert (first_1.at, first_2.at) == ("vaporizer_1", "vaporizer_2")
    assert second.matched == (Fact("symptom", "leak", "", "vaporizer_2"), SMELL_2)
    assert (second.at, second.conclusion) == ("vaporizer_2", Conclusion("stop", ("overdose",)))


def test_a_symptom_given_from_outside_counts() -> None:
    base = RuleBase([rule("a.leak", [symptom("leak")])])
    assert names(base.fire([Fact("symptom", "leak")])) == [("a.leak", "")]


def test_only_symptoms_become_facts() -> None:
    rules = [rule("a.odd", [reading("bulb")], doubt="leak"), rule("a.leak", [symptom("leak")])]
    assert names(RuleBase(rules).fire([LOW])) == [("a.odd", "")]


def test_an_absent_symptom_is_asked_for_after_all_that_conclude_it() -> None:
    rules = [
        rule("a.last", [reading("bulb")], [symptom("slow")], stop="delay_only"),
        rule("b.middle", [reading("bulb")], [symptom("leak")], symptom="slow"),
        rule("c.first", [reading("bulb", "low")], symptom="leak"),
    ]
    assert find_strata(rules) == {"a.last": 2, "b.middle": 1, "c.first": 0}
    assert names(RuleBase(rules).fire([LOW])) == [("a.last", ""), ("c.first", "")]
    high = Fact("reading", "bulb", "high")
    assert names(RuleBase(rules).fire([high])) == [("b.middle", "")]


def test_symptoms_that_follow_from_each_other_are_no_circle() -> None:
    rules = [
        rule("a.one", [symptom("leak")], symptom="slow"),
        rule("a.two", [symptom("slow")], symptom="leak"),
        rule("a.three", [reading("bulb")], symptom="slow"),
    ]
    assert names(RuleBase(rules).fire([LOW])) == [("a.one", ""), ("a.three", ""), ("a.two", "")]


def test_symptoms_that_wait_for_each_others_absence_are_refused_by_name() -> None:
    rules = [
        rule("a.one", [reading("bulb")], [symptom("leak")], symptom="slow"),
        rule("a.two", [symptom("odd")], symptom="leak"),
        rule("a.three", [symptom("slow")], symptom="odd"),
    ]
    with pytest.raises(RuleError) as caught:
        RuleBase(rules)
    assert (caught.value.rule, caught.value.field) == ("a.one", "unless")
    way = "'leak', which waits for 'odd', which waits for 'slow'"
    assert f"'slow' waits for the absence of {way}" in caught.value.what


def test_a_symptom_that_waits_for_its_own_absence_is_refused() -> None:
    with pytest.raises(RuleError, match="'leak' waits for the absence of 'leak'"):
        RuleBase([rule("a.one", [reading("bulb")], [symptom("leak")], symptom="leak")])


def test_two_rules_with_one_id_are_refused() -> None:
    with pytest.raises(RuleError) as caught:
        RuleBase([rule("a.one", [reading("bulb")]), rule("a.one", [reading("smell")])])
    assert (caught.value.rule, caught.value.field) == ("a.one", "id")


def test_the_first_fact_in_sort_order_is_reported() -> None:
    base = RuleBase([rule("a.low", [reading("bulb"), reading("smell")])])
    [fired] = base.fire([LOW_2, SMELL_2, LOW_1, LOW])
    assert fired.matched == (LOW, SMELL_2)


def test_what_fired_carries_its_reason_and_source() -> None:
    [fired] = RuleBase([rule("a.low", [reading("bulb")], point="b.c d.e")]).fire([LOW])
    conclusion = Conclusion("point", ("b.c", "d.e"))
    assert fired == Fired("a.low", conclusion, "", (LOW,), "because", "judgement")


def test_nothing_is_left_over_from_the_diagnosis_before() -> None:
    rules = [
        rule("a.leak", [reading("bulb", "low")], symptom="leak"),
        rule("a.sound", [reading("smell")], [symptom("leak")], doubt="odd"),
    ]
    base = RuleBase(rules)
    for _ in range(2):
        assert names(base.fire([LOW, SMELL_2])) == [("a.leak", "")]
        assert names(base.fire([SMELL_2])) == [("a.sound", "")]


def test_a_diagnosis_that_breaks_off_leaves_the_next_one_sound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def break_off(engine: object) -> None:
        raise KeyboardInterrupt

    base = RuleBase([rule("a.low", [reading("bulb", "low")])])
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(RuleEngine, "run", break_off)
        base.fire([LOW])
    assert base.fire([SMELL_2]) == ()
    assert names(base.fire([LOW])) == [("a.low", "")]


def test_diagnoses_in_several_threads_do_not_mix() -> None:
    base = RuleBase(
        [
            rule("a.low", [reading("bulb", same=True)], symptom="leak"),
            rule("a.leak", [symptom("leak", same=True)], [reading("smell")], stop="overdose"),
        ]
    )
    tasks = [[Fact("reading", "bulb", "low", f"vaporizer_{n % 7}")] for n in range(210)]
    with ThreadPoolExecutor(8) as pool:
        results = list(pool.map(base.fire, tasks))
    assert results == [base.fire(facts) for facts in tasks]
    assert {len(fired) for fired in results} == {2}
