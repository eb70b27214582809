"""Answers: outcomes, numbers with units, and what is refused with what is allowed."""

import pytest

from diagnose.errors import ReadingError, UnitError
from diagnose.readings import read_answer

HOLD = "breathing.hold_30"


def read(kit, answer, name=HOLD):
    return read_answer(kit.catalogue, name, answer)


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        ("falls_fast", "falls_fast"),
        ("12 cmH2O", "falls_fast"),
        ("1.2 kPa", "falls_fast"),
        ("20 mbar", "falls_slowly"),
        ("not sure", "not_sure"),
        ("could not be done", "not_done"),
    ],
)
def test_an_answer_becomes_an_outcome(get_kit, answer, outcome):
    assert read(get_kit("small"), answer).outcome == outcome


@pytest.mark.parametrize("answer", ["12", "12 s", "12 furlongs", "30 mL/min"])
def test_a_number_without_its_unit_or_in_another_is_refused(get_kit, answer):
    with pytest.raises(UnitError) as caught:
        read(get_kit("small"), answer)
    assert caught.value.wanted


@pytest.mark.parametrize("answer", ["falls_fats", "", "900 cmH2O", "-400 cmH2O"])
def test_an_unknown_answer_or_an_impossible_number_says_what_is_allowed(get_kit, answer):
    with pytest.raises(ReadingError) as caught:
        read(get_kit("small"), answer)
    assert caught.value.allowed


def test_a_negative_time_is_refused(get_kit):
    with pytest.raises(ReadingError):
        read(get_kit("small"), "-3 s", "vapour.bulb_all_off")


def test_an_unknown_check_names_the_nearest(get_kit):
    with pytest.raises(ReadingError) as caught:
        read(get_kit("small"), "holds", "breathing.hold_3")
    assert HOLD in caught.value.allowed


@pytest.mark.parametrize(
    ("check", "answer", "possible"),
    [
        ("supply.cylinder_pressure@o2_cylinder", "1900 psi", True),
        ("supply.cylinder_pressure@o2_cylinder", "137 bar", True),
        ("supply.cylinder_pressure@o2_cylinder", "19000 psi", False),
        ("supply.cylinder_pressure@o2_cylinder", "-100 psi", False),
        ("breathing.hold_30", "30 psi", False),
    ],
)
def test_what_is_possible_depends_on_the_bands_of_the_check(get_kit, check, answer, possible):
    if possible:
        assert read_answer(get_kit("small").catalogue, check, answer).number_si > 0
    else:
        with pytest.raises(ReadingError):
            read_answer(get_kit("small").catalogue, check, answer)
