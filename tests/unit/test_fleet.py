"""The list of single machines: strict, by line, never written over when it has a problem."""

import pytest

from diagnose.errors import FleetError
from diagnose.fleet import (
    add_owned,
    find_owned,
    fleet_path,
    read_asset,
    read_fleet,
    remove_owned,
)

KNOWN = {"small", "tall"}


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    monkeypatch.setenv("TENHOLD_STATE", str(tmp_path))
    return tmp_path


def test_no_file_and_an_empty_file_are_an_empty_list(state):
    assert read_fleet(KNOWN) == ()
    fleet_path().write_text("\n", "utf-8")
    assert read_fleet(KNOWN) == ()


@pytest.mark.parametrize("place", ["", 'Theatre 3, "left": é', "- {x: 1} # no", "null", "\\ \\n"])
def test_what_is_added_is_read_back_as_it_was(place):
    own = add_owned("A-017", "small", place, KNOWN)
    add_owned("B.2_x", "tall", "", KNOWN)
    assert read_fleet(KNOWN)[0] == own == find_owned("A-017", KNOWN)
    assert own.place == place
    remove_owned("A-017", KNOWN)
    assert [each.asset for each in read_fleet(KNOWN)] == ["B.2_x"]
    remove_owned("B.2_x", KNOWN)
    assert read_fleet(KNOWN) == ()


@pytest.mark.parametrize("asset", ["", "a b", "-a", "a/b", "a" * 41, "é", "a\n", "1\u00b2"])
def test_an_asset_number_of_another_form_is_refused(asset):
    with pytest.raises(FleetError) as caught:
        add_owned(asset, "small", "", KNOWN)
    assert [problem.field for problem in caught.value.problems] == ["asset"]
    if asset:
        with pytest.raises(FleetError):
            read_asset(asset)


@pytest.mark.parametrize("place", ["a\nb", "\x00", "\u2028", "\x85", "x" * 61])
def test_a_place_is_one_short_line(place):
    with pytest.raises(FleetError) as caught:
        add_owned("A", "small", place, KNOWN)
    assert [problem.field for problem in caught.value.problems] == ["place"]


def test_every_problem_of_the_file_has_its_line():
    fleet_path().write_text(
        "machines:\n  - {asset: A, profile: small}\n  - {asset: A, profile: wide}\n", "utf-8"
    )
    with pytest.raises(FleetError) as caught:
        read_fleet(KNOWN)
    found = [(each.line, each.field) for each in caught.value.problems]
    assert found == [(3, "machines.1.asset"), (3, "machines.1.profile")]


@pytest.mark.parametrize("text", ["machines: 3\n", "- a\n", "machines: [\n", "x: &a 1\n", "\udcff"])
def test_a_file_with_a_problem_is_never_written_over(text):
    fleet_path().write_bytes(text.encode("utf-8", "surrogateescape"))
    before = fleet_path().read_bytes()
    for change in (lambda: add_owned("A", "small", "", KNOWN), lambda: remove_owned("A", KNOWN)):
        with pytest.raises(FleetError):
            change()
    assert fleet_path().read_bytes() == before


def test_a_folder_that_cannot_be_written_is_said(monkeypatch, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    monkeypatch.setenv("TENHOLD_STATE", str(blocked / "state"))
    with pytest.raises(FleetError, match="TENHOLD_STATE"):
        add_owned("A", "small", "", KNOWN)
