"""Quantities with their units: there and back, and everything that must be refused."""

import math

import pint
import pytest

from diagnose.errors import UnitError
from diagnose.units import SI, TRADE, USUAL, from_si, kind_of, show, to_si

LIBRARY = pytest.mark.xfail(strict=True, reason="the library does not know 'm3'")
LOOSE = pytest.mark.xfail(strict=True, reason="the library reads units and sums as quantities")


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("30 cmH2O", "pressure", 2941.995),  # conventional centimetre of water, 98.0665 Pa
        ("30 mmHg", "pressure", 3999.67),  # 133.322 Pa
        ("1 psi", "pressure", 6894.757),
        ("3 kPa", "pressure", 3000.0),
        ("-65 cmH2O", "pressure", -6374.3225),
        ("150 mL/min", "flow", 2.5e-6),
        ("5 L/min", "flow", 8.33333e-5),
        ("2 L", "volume", 2e-3),
        ("0.26 mm", "length", 2.6e-4),
        ("60 mL/cmH2O", "compliance", 6.1183e-7),
        ("2 min", "time", 120.0),
        ("10 %", "fraction", 0.1),
        ("0.25", "fraction", 0.25),
    ],
)
def test_trade_units_become_si(text, kind, value):
    assert to_si(text, kind) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize("unit", TRADE)
@pytest.mark.parametrize("number", ["12", "0.5", "-3", "1e3"])
def test_a_number_comes_back_from_si_as_it_went_in(unit, number):
    assert from_si(to_si(f"{number} {unit}", kind_of(unit)), unit) == pytest.approx(float(number))


@pytest.fixture(scope="module")
def registry():
    own = pint.UnitRegistry()
    own.define("cmH2O = 98.0665 pascal")
    return own


@pytest.mark.parametrize("unit", [u for u in TRADE if u not in ("%", "m3/Pa", "mL/cmH2O")])
def test_the_quick_table_agrees_with_the_units_library(registry, unit):
    kind, factor = TRADE[unit]
    units = SI[kind].replace("m3", "m**3")
    assert factor == pytest.approx(registry.Quantity(1, unit).to(units).magnitude, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("30", "pressure"),
        ("1e3", "pressure"),
        ("", "pressure"),
        ("", "fraction"),
        ("three cmH2O", "pressure"),
        ("3,5 cmH2O", "pressure"),
        ("3 L", "pressure"),
        ("10 s", "flow"),
        ("12 xyz", "pressure"),
        ("12 cmh2o", "pressure"),
        ("--3 Pa", "pressure"),
        ("nan cmH2O", "pressure"),
        ("inf Pa", "pressure"),
        ("1e400 Pa", "pressure"),
        pytest.param("cmH2O", "pressure", marks=LOOSE),
        pytest.param("3 Pa 4", "pressure", marks=LOOSE),
        pytest.param("2 * 3 Pa", "pressure", marks=LOOSE),
    ],
)
def test_bad_quantities_are_refused_with_what_to_write(text, kind):
    with pytest.raises(UnitError) as caught:
        to_si(text, kind)
    assert caught.value.text == text
    assert caught.value.wanted == USUAL[kind]
    assert f"'12 {USUAL[kind]}'" in str(caught.value)


def test_a_missing_unit_is_told_from_a_unit_of_another_kind():
    found = {}
    for text in ("30", "30 L"):
        with pytest.raises(UnitError) as caught:
            to_si(text, "pressure")
        found[text] = caught.value.why
    assert found == {"30": "has no unit", "30 L": "has a unit of another kind"}


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        pytest.param("5 l/min", "flow", 8.33333e-5, marks=LIBRARY),
        pytest.param("100 ml/s", "flow", 1e-4, marks=LIBRARY),
        pytest.param("2 liter", "volume", 2e-3, marks=LIBRARY),
        ("1 bar", "pressure", 1e5),
        ("10 sec", "time", 10.0),
        ("1 inch", "length", 0.0254),
    ],
)
def test_units_outside_the_quick_table_are_understood(text, kind, value):
    assert to_si(text, kind) == pytest.approx(value, rel=1e-5)


def test_an_unknown_unit_has_no_kind():
    with pytest.raises(UnitError) as caught:
        kind_of("furlong")
    assert caught.value.text == "furlong"
    assert "cmH2O" in caught.value.wanted


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (2941.995, "cmH2O", "30 cmH2O"),
        (-1471.0, "cmH2O", "-15 cmH2O"),
        (48.63, "cmH2O", "0.50 cmH2O"),
        (2.5e-6, "mL/min", "150 mL/min"),
        (0.0, "Pa", "0 Pa"),
        (9.96, "s", "10.0 s"),
    ],
)
def test_values_are_shown_with_two_digits_at_least(value, unit, words):
    assert show(value, unit) == words


def test_every_kind_has_a_usual_unit_of_that_kind():
    assert {kind: kind_of(unit) for kind, unit in USUAL.items()} == {kind: kind for kind in SI}
    assert all(math.isfinite(factor) and factor > 0 for _, factor in TRADE.values())


@pytest.mark.parametrize(
    "text",
    ["9**9**9**9 psi", "2**99999999 psi", "1 psi^99999999", "9⁹⁹⁹⁹⁹⁹⁹⁹ psi", "9⁹**9 psi",
     f"1 {'(' * 50}kPa"],
)  # fmt: skip
def test_a_tower_of_powers_is_refused_before_it_is_computed(text):
    with pytest.raises(UnitError) as caught:
        to_si(text, "pressure")
    assert caught.value.why in ("is not understood", "does not start with a number")
