"""What cannot be used: said in words, with what to do and its exit code, never as a traceback."""

import json
import os
import shutil

import pytest

from diagnose.journal import read_record
from diagnose.places import PACKAGED, cache_folder

HOLD = ("--machine", "small", "--failed", "breathing.hold_30")
GOOD = {
    "machine": "small",
    "failed": "breathing.hold_30",
    "readings": [{"check": "breathing.hold_30", "answer": "falls_slowly"}],
}
REMOVED = "REMOVE FROM SERVICE AND CALL BIOMED"

#: arguments, exit code, what must be said
COMMANDS = {
    "unknown_machine": (("rank", "--machine", "smal", "--failed", "a.b", "--reading", "x"), 3,
                        "'smal' is not known; allowed: one_vaporizer_air"),
    "unknown_step": (("rank", "--machine", "small", "--failed", "breathing.hold_3", "--reading",
                      "x"), 3, "is no checkout step of 'small'; allowed: breathing.hold_30"),
    "test_as_step": (("rank", "--machine", "small", "--failed", "breathing.bag_look", "--reading",
                      "torn"), 3, "is no checkout step"),
    "unknown_answer": (("rank", *HOLD, "--reading", "fell"), 3, "allowed: holds, falls_slowly"),
    "no_unit": (("rank", *HOLD, "--reading", "20"), 3, "has no unit; write a quantity in cmH2O"),
    "wrong_unit": (("rank", *HOLD, "--reading", "20 mL"), 3, "has a unit of another kind"),
    "unknown_unit": (("rank", *HOLD, "--reading", "20 cmH20"), 3, "is not understood"),
    "not_a_number": (("rank", *HOLD, "--reading", "nan cmH2O"), 3, "is not an answer"),
    "impossible_number": (("rank", *HOLD, "--reading", "900 cmH2O"), 3, "Read it again."),
    "a_pass": (("rank", *HOLD, "--reading", "holds"), 3, "is a pass; say what failed"),
    "negative_reading_time": (("rank", "--machine", "small", "--failed", "vapour.bulb_all_off",
                               "--reading", "-3 s"), 3, "allowed: 0 s to 600 s"),
    "negative_minutes": (("rank", *HOLD, "--reading", "falls_slowly", "--minutes", "-5"), 3,
                         "minutes: must be from 0 to 1440"),
    "minutes_in_words": (("rank", *HOLD, "--reading", "falls_slowly", "--minutes", "soon"), 3,
                         "write for example 12"),
    "minutes_nan": (("rank", *HOLD, "--reading", "falls_slowly", "--minutes", "nan"), 3,
                    "must be from 0 to 1440"),
    "unknown_check_then": (("rank", *HOLD, "--reading", "falls_slowly", "--then",
                            "breathing.bag_lok=torn"), 3, "is no check of this machine"),
    "then_without_answer": (("rank", *HOLD, "--reading", "falls_slowly", "--then", "x"), 3,
                            "is not CHECK=ANSWER"),
    "unknown_component": (("rank", *HOLD, "--reading", "falls_slowly", "--done", "close@door"), 3,
                          "'door' is no component"),
    "act_that_mends_nothing": (("rank", *HOLD, "--reading", "falls_slowly", "--done", "cap@bag"),
                               3, "puts nothing right at 'bag'; allowed: "),
    "done_without_place": (("rank", *HOLD, "--reading", "falls_slowly", "--done", "close"), 3,
                           "is not ACT@COMPONENT"),
    "unknown_tool": (("rank", *HOLD, "--reading", "falls_slowly", "--tools", "hammer"), 3,
                     "'hammer' is used by no check"),
    "unknown_person": (("rank", *HOLD, "--reading", "falls_slowly", "--who", "cat"), 3,
                       "allowed: user, biomed"),
    "passed_is_the_failed": (("rank", *HOLD, "--reading", "falls_slowly", "--passed",
                              "breathing.hold_30"), 3, "is the step that failed"),
    "nothing_given": (("rank",), 2, "rank needs a JSON file, or --machine"),
    "no_such_json": (("rank", "/nowhere/in.json"), 3, "cannot be read (No such file"),
    "a_folder_as_json": (("rank", "/"), 3, "cannot be read (Is a directory)"),
    "unknown_command": (("diagnose",), 2, "No such command"),
    "unknown_option": (("rank", "--loud"), 2, "No such option"),
    "no_terminal": (("work-up",), 2, "tenhold work-up --answers FILE"),
    "no_answers_file": (("work-up", "--answers", "/nowhere"), 3, "cannot be read (No such file"),
    "nothing_to_resume": (("work-up", "--resume", "last", "--answers", "-"), 3,
                          "no unfinished work-up"),
    "no_such_record": (("work-up", "--resume", "monday", "--answers", "-"), 3,
                       "no record 'monday'"),
    "checks_of_unknown": (("checks", "smal"), 3, "is no machine profile; known:"),
    "show_unknown": (("show", "breathing.bag_tron"), 3, "allowed: breathing.bag_torn"),
    "circuit_of_unknown": (("circuit", "smal"), 3, "is no machine profile; known:"),
    "circuit_unknown_check": (("circuit", "small", "--check", "breathing.hold_3"), 3,
                              "is no check of this machine; did you mean breathing.hold_30"),
    "circuit_nowhere": (("circuit", "small", "--out", "/nowhere/x.svg"), 3,
                        "cannot be written (No such file or directory)"),
    "lint_no_folder": (("lint", "/nowhere"), 3, "is no folder"),
    "no_knowledge": (("machines", "--knowledge", "/nowhere"), 4, "holds no knowledge files"),
    "negative_demo": (("demo", "--seed", "-1"), 2, "'--seed'"),
}  # fmt: skip


@pytest.mark.parametrize("name", COMMANDS)
def test_a_bad_command_is_said_in_words(call, name):
    arguments, code, said = COMMANDS[name]
    result = call(*arguments, text="")
    assert result.exit_code == code, result.output
    assert said in " ".join(result.output.split())
    assert "Traceback" not in result.output


#: the text of a JSON file, what must be said
JSONS = {
    "empty": ("", "in.json:1: is not valid JSON"),
    "cut_off": ('{\n"machine": "small",\n', "in.json:3: is not valid JSON"),
    "a_list": ("[]", "top: Input should be"),
    "nothing_in_it": ("{}", "machine: is missing; failed: is missing; readings: is missing"),
    "unknown_field": (json.dumps(GOOD | {"colour": "red"}), "colour: is not a field"),
    "no_readings": (json.dumps(GOOD | {"readings": []}), "readings: List should have at least 1"),
    "negative_minutes": (json.dumps(GOOD | {"minutes_left": -1}), "(given: -1)"),
    "infinite_minutes": (json.dumps(GOOD | {"minutes_left": 1e999}), "minutes_left: "),
    "minutes_as_words": (json.dumps(GOOD | {"minutes_left": "soon"}), "(given: 'soon')"),
    "unknown_person": (json.dumps(GOOD | {"who": "cat"}), "who: Input should be 'user' or"),
    "answer_is_a_number": (
        json.dumps(GOOD | {"readings": [{"check": "breathing.hold_30", "answer": 20}]}),
        "readings.0.answer: Input should be a valid string (given: 20)",
    ),
    "other_step_only": (
        json.dumps(GOOD | {"readings": [{"check": "breathing.bag_look", "answer": "torn"}]}),
        "hold none of the failed step 'breathing.hold_30'",
    ),
    "remedy_too_late": (
        json.dumps(GOOD | {"remedies": [{"act": "close", "component": "apl_valve", "after": 9}]}),
        "after 9: there are only 1 readings",
    ),
}


@pytest.mark.parametrize("name", JSONS)
def test_a_bad_json_is_said_in_words(call, tmp_path, name):
    text, said = JSONS[name]
    (tmp_path / "in.json").write_text(text, "utf-8")
    result = call("rank", tmp_path / "in.json")
    assert result.exit_code == 3, result.output
    assert said in " ".join(result.output.split())
    assert "--schema" in result.output or name in ("other_step_only", "remedy_too_late")


def test_json_that_is_not_utf8_is_said_in_words(call, tmp_path):
    (tmp_path / "in.json").write_bytes(b'{"machine": "\xff"}')
    result = call("rank", tmp_path / "in.json")
    assert (result.exit_code, "is not UTF-8 text" in result.output) == (3, True)


#: answers after the failed step's reading, what must be said
ANSWERS = {
    "no_such_choice": ("7\n", "line 1: '7': '7' is no choice here."),
    "no_such_outcome": ("1\n9\n", "line 2: '9': '9' is not an answer here."),
    "no_unit": ("1\n24.5\n", "line 2: '24.5': '24.5' has no unit"),
    "wrong_unit": ("1\n20 mL\n", "line 2: '20 mL': '20 mL' has a unit of another kind"),
    "no_such_check": ("o\nunicorn\n", "line 2: 'unicorn': Nothing here matches 'unicorn'"),
    "nothing_to_undo": ("u\n", "line 1: 'u': There is nothing to take back."),
}


@pytest.mark.parametrize("name", ANSWERS)
def test_a_bad_answer_names_its_line_and_loses_nothing(call, state, name):
    text, said = ANSWERS[name]
    more = ("--reading", "falls_slowly", "--passed", "none", "--minutes", "20", "--answers", "-")
    result = call("work-up", *HOLD, *more, text=text)
    assert result.exit_code == 3, result.output
    output = " ".join(result.output.split())
    assert said in output
    assert "tenhold work-up --resume last" in output
    (path,) = state.glob("*.jsonl")
    assert [reading.test for reading in read_record(path).work.readings] == ["breathing.hold_30"]


def test_a_terminal_is_asked_for_before_anything_is_done(process, state):
    done = process("work-up")
    assert (done.returncode, done.stdout) == (2, "")
    assert "Error: work-up asks questions" in done.stderr
    assert not state.exists()


@pytest.fixture
def knowledge(tmp_path):
    return shutil.copytree(PACKAGED, tmp_path / "knowledge")


def break_yaml(folder):
    path = folder / "checks" / "breathing" / "hold_30.yaml"
    path.write_text(path.read_text("utf-8") + "\n  - [", "utf-8")
    return "checks/breathing/hold_30.yaml:"


def break_utf8(folder):
    (folder / "faults" / "breathing" / "bag_torn.yaml").write_bytes(b"title: \xff\n")
    return "bag_torn.yaml:1: file: cannot be read: it is not UTF-8 text"


def break_link(folder):
    os.symlink(folder / "nowhere", folder / "rules" / "lost.yaml")
    return "lost.yaml:1: file: cannot be read: No such file or directory"


def break_field(folder):
    path = folder / "machines" / "small.yaml"
    path.write_text(path.read_text("utf-8").replace("title:", "titel:", 1), "utf-8")
    return "machines/small.yaml:1: titel: is not a field here; did you mean 'title'?"


@pytest.mark.parametrize("spoil", [break_yaml, break_utf8, break_link, break_field])
@pytest.mark.parametrize("command", [("machines",), ("work-up", "--answers", "-"), ("lint",)])
def test_broken_knowledge_is_named_by_file_and_line(call, knowledge, monkeypatch, spoil, command):
    said = spoil(knowledge)
    monkeypatch.setenv("TENHOLD_KNOWLEDGE", str(knowledge))
    result = call(*command, text="1\n")
    assert result.exit_code == 4, result.output
    assert said in result.output


def test_a_broken_cache_is_made_anew(process, tmp_path):
    command = ("rank", *HOLD, "--reading", "falls_slowly", "--json")
    first = process(*command)
    own = tmp_path / "cache"
    own.mkdir()
    for path in cache_folder().glob("small-*.npz"):
        (own / path.name).write_bytes(path.read_bytes()[:1000])
    for path in cache_folder().glob("outline-*.json"):
        (own / path.name).write_text('{"form": 1, "machines": [{', "utf-8")
    assert len(list(own.iterdir())) >= 2
    again = process(*command, TENHOLD_CACHE=str(own))
    assert (again.returncode, again.stdout) == (0, first.stdout)
    assert "is broken" in again.stderr and "Traceback" not in again.stderr


def end_of(text):
    """Return the lines between the marks: what was entered, to be copied."""
    return text.split("-----8<-----")[1].strip().splitlines()


WORK_UP = ("work-up", *HOLD, "--reading", "falls_slowly", "--passed", "none", "--minutes", "30",
           "--answers", "-")  # fmt: skip


def test_a_full_disk_never_stops_the_work_and_loses_nothing(process, call, tmp_path):
    done = process(*WORK_UP, text="1\n2\nq\n", limit="-f 0")
    assert done.returncode == 5, done.stderr
    output = " ".join(done.stdout.split())
    assert REMOVED in output
    assert output.count("the record cannot be written (File too large); free space") == 2
    path = tmp_path / "copied.jsonl"
    path.write_text("\n".join(end_of(done.stdout)) + "\n", "utf-8")
    assert len(read_record(path).work.entries) == 2
    result = call("work-up", "--resume", path, "--answers", "-", text="u\nq\n")
    assert (result.exit_code, REMOVED in result.output) == (0, True)


def test_a_folder_that_cannot_be_written_is_said_at_once_and_at_the_end(process, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    done = process(*WORK_UP, text="1\n2\nq\n", TENHOLD_STATE=str(blocked))
    assert done.returncode == 5
    assert "set TENHOLD_STATE to a folder that can be written" in " ".join(done.stdout.split())
    assert [json.loads(line)["event"] for line in end_of(done.stdout)] == [
        "opened", "reading", "reading", "closed"]  # fmt: skip


def test_a_fault_in_tenhold_is_said_without_a_traceback(call, monkeypatch):
    def fail(*_):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr("api.listing.list_machines", fail)
    result = call("machines")
    assert result.exit_code == 1
    assert "Error: a fault in tenhold itself: ZeroDivisionError: oh (" in result.output
    assert "Traceback" not in result.output
