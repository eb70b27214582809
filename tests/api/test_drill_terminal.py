"""``tenhold drill`` as a person and as a script meet it."""

import json

import pytest

PLAY = """
# a torn bag, found and put right
s
breathing.bag_torn
k
breathing.hold_bag_plugged
d
replace@bag
k
breathing.hold_30
l
e
breathing.bag_torn
b
1
"""


@pytest.fixture
def code(call):
    answer = call("drill", "set", "--cause", "breathing.bag_torn", "--seed", "7")
    assert answer.exit_code == 0, answer.output
    return answer.output.strip()


def script(tmp_path, text):
    file = tmp_path / "answers.txt"
    file.write_text(text)
    return file


def test_a_drill_by_a_script_ends_in_its_debrief(call, code, tmp_path):
    answer = call("drill", "play", code, "--nick", "anna", "--answers", script(tmp_path, PLAY))
    assert answer.exit_code == 0, answer.output
    assert "SOLVED" in answer.output
    assert "What the planner did" in answer.output
    assert max(map(len, answer.output.splitlines())) <= 80
    again = call("drill", "debrief", "last", "--svg", tmp_path / "curves.svg").output
    assert "SOLVED" in again
    assert (tmp_path / "curves.svg").read_text().startswith("<svg")
    assert "1 drill, 1 solved" in call("drill", "progress", "--nick", "anna").output
    data = json.loads(call("drill", "progress", "--nick", "anna", "--json").output)
    assert data["log"][0]["hidden"] == ["breathing.bag_torn"]
    lines = call("drill", "progress", "--nick", "anna", "--csv").output.splitlines()
    assert len(lines) == 2


def test_nothing_before_the_end_tells_the_cause(call, code, tmp_path):
    begun = script(tmp_path, "k\nbreathing.hold_30\nq\n")
    answer = call("drill", "play", code, "--answers", begun)
    assert "torn" not in answer.output.lower()
    assert "torn" not in call("drill", "list").output.lower()


def test_a_drill_left_goes_on_where_it_was(call, code, tmp_path):
    call("drill", "play", code, "--answers", script(tmp_path, "k\nbreathing.hold_30\nq\n"))
    answer = call("drill", "play", "last", "--answers", script(tmp_path, "q\n"))
    assert "  1 Breathing system hold at 30 cmH2O" in answer.output


def test_a_drill_goes_on_after_it_was_killed(terminal, code):
    person = terminal("drill", "play", code)
    person.wait_for("k check")
    person.say("d")
    person.wait_for("What do you put right?")
    person.say("replace@bag")
    person.wait_for("Put right: Fit a new bag")
    person.kill()
    again = terminal("drill", "play", "last")
    screen = again.wait_for("Put right: Fit a new bag")
    assert len(screen.splitlines()) <= 24 + 8, "the safety text stands above the first screen"


def test_the_stock_drills_are_listed_by_level_and_hide_their_causes(call):
    rows = json.loads(call("drill", "list", "--json").output)
    levels = [row["level"] for row in rows]
    assert levels == sorted(levels)
    assert set(rows[0]) == {"drill", "level", "machine", "title", "minutes"}


@pytest.mark.parametrize("arguments", [
    ("play", "d99"), ("play", "AAAAAA"), ("play", "last"), ("play", "0123456789abcdef"),
    ("debrief", "last"), ("set", "--cause", "no.such"), ("practice", "--nick", "<b>"),
    ("set", "--cause", "breathing.bag_torn", "--severity", "2"),
    ("set", "--cause", "breathing.bag_torn", "--machine", "tall"),
])  # fmt: skip
def test_what_cannot_be_is_said_with_what_to_do(call, arguments):
    answer = call("drill", *arguments)
    assert answer.exit_code == 3
    assert answer.output.startswith("Error: ")
    assert "Traceback" not in answer.output


def test_a_study_says_what_was_found_and_missed(call, tmp_path):
    text = "k\nbreathing.hold_30\ne\nbreathing.bag_torn\nb\n"
    answer = call("drill", "study", "--faults", "2", "--seed", "1", "--answers",
                  script(tmp_path, text))  # fmt: skip
    assert answer.exit_code == 0, answer.output
    assert "of 2 preset faults" in answer.output
    assert "Missed" in answer.output
    assert "Buffington" in answer.output
