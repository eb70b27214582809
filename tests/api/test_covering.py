"""``tenhold coverage`` from the outside: to read, as JSON, as a picture."""

import json
import re
import xml.etree.ElementTree as ET

import pytest

from api.covering import coverage_lines


@pytest.fixture(scope="module")
def found():
    from typer.testing import CliRunner

    from api.cli import app

    result = CliRunner().invoke(app, ["coverage", "small", "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_every_part_is_said_with_its_count_on_lines_of_80(call, found):
    result = call("coverage", "small")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    heads = [re.match(r"(\d)\. .*: (\d+)$", line) for line in lines]
    counts = [(int(head[1]), int(head[2])) for head in heads if head]
    names = ("not_shown_by_steps", "groups", "never_help")
    expected = [len(found[name]) for name in names] + [len(found["fewest_checks"]["checks"])]
    assert counts == list(enumerate(expected, 1))


def test_every_cause_and_check_found_is_named(call, found):
    said = " ".join(call("coverage", "small").stdout.split())
    causes = [*found["not_shown_by_steps"], *found["fewest_checks"]["not_shown_by_any"]]
    causes += [cause for group in found["groups"] for cause in group["causes"]]
    checks = [*found["never_help"], *found["fewest_checks"]["checks"]]
    checks += [check for group in found["groups"] for check in group["split_by"]]
    for each in causes + checks:
        assert f"{each['title']} ({each['id']})" in said


def test_the_json_speaks_of_checks_and_causes_of_the_machine(call, found):
    checks = {each["id"]: each for each in json.loads(call("checks", "small", "--json").stdout)}
    causes = {each["id"] for each in json.loads(call("causes", "small", "--json").stdout)}
    assert (found["checks"], found["causes"]) == (len(checks), len(causes))
    for each in found["not_shown_by_steps"]:
        assert each["id"] in causes
        if each["best_step"]:
            assert checks[each["best_step"]["id"]]["kind"] == "step"
            assert each["best_step"]["shows_chance"] <= found["limits"]["shows_chance"]
        if each["best_isolating_test"]:
            assert checks[each["best_isolating_test"]["id"]]["kind"] == "isolating_test"
    fewest = found["fewest_checks"]
    minutes = sum(checks[each["id"]]["minutes"] for each in fewest["checks"])
    assert fewest["minutes"] == pytest.approx(minutes, abs=0.05)
    assert fewest["causes_shown"] + len(fewest["not_shown_by_any"]) == len(causes)


def test_the_groups_are_those_that_lint_lists(found, get_kit):
    from diagnose.testability import find_groups

    kit = get_kit("small")
    listed = [list(group.causes) for group in find_groups(kit.catalogue, kit.table)]
    assert [[cause["id"] for cause in group["causes"]] for group in found["groups"]] == listed


@pytest.mark.parametrize("nearest", [None, "breathing.hold_30"])
def test_a_pair_that_nothing_splits_is_said_with_what_comes_nearest(found, nearest):
    group = dict(found["groups"][0])
    first, second = (cause["id"] for cause in group["causes"][:2])
    hold = {"id": nearest, "title": "Hold", "kind": "step", "by": "user", "minutes": 1.0}
    pair = {"causes": [first, second], "nearest_check": nearest and hold | {"tells_chance": 0.3}}
    lines = coverage_lines(found | {"groups": [group | {"not_split": [pair], "split_by": []}]})
    said = " ".join(" ".join(line.text for line in lines).split())
    titles = " / ".join(cause["title"] for cause in group["causes"][:2])
    tail = "Nearest: Hold (breathing.hold_30), checkout step, 1 min: 30 in 100"
    expected = tail if nearest else "Nothing that is read differs"
    assert f"No check at all splits: {titles} {expected}" in said


def test_a_search_cut_short_is_said(found):
    cut = found["fewest_checks"] | {"is_smallest": False}
    said = " ".join(line.text for line in coverage_lines(found | {"fewest_checks": cut}))
    assert "fewer may do: the search was cut short" in " ".join(said.split())


def test_the_picture_is_written_beside_the_report(call, tmp_path):
    path = tmp_path / "matrix.svg"
    result = call("coverage", "small", "--svg", path)
    assert result.exit_code == 0, result.output
    assert ET.parse(path).getroot().tag.endswith("svg")
    assert f"Written: {path}" in result.stderr
    assert "4. Fewest checks" in result.stdout


def test_a_picture_that_cannot_be_written_is_a_bad_name(call, tmp_path):
    result = call("coverage", "small", "--svg", tmp_path / "none" / "matrix.svg")
    assert result.exit_code == 3
    assert "cannot be written" in result.output


def test_an_unknown_machine_is_named_with_what_there_is(call):
    result = call("coverage", "tall")
    assert result.exit_code == 3
    assert "tall" in result.output and "small" in result.output
