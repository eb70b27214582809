"""The commands from the outside: what they print, as text and as JSON, and how they end."""

import json
import statistics
import time

import pytest

from api.shapes import AssessmentOut, WorkUpIn
from diagnose.journal import read_record
from diagnose.kb.load import FOLDER
from diagnose.outline import get_outline

REMOVED = "REMOVE FROM SERVICE AND CALL BIOMED"
HOLD = ("--machine", "small", "--failed", "breathing.hold_30", "--reading", "20 cmH2O")


def ended(result):
    return "RETURN TO CHECKOUT" in result.output or REMOVED in result.output


def test_help_names_every_exit_code(call):
    said = " ".join(call("--help").output.split())
    for code in ("0 done", "1 fault", "2 wrong use", "3 bad", "4 problems", "5 the record", "10 ",
                 "130 "):  # fmt: skip
        assert code in said


@pytest.mark.parametrize("seed", range(4))
def test_a_demo_plays_by_itself_to_a_disposition(call, seed):
    result = call("demo", "--auto", "--seed", seed)
    assert result.exit_code == 0, result.output
    assert ended(result)
    assert "Never on a machine connected to a patient." in result.output.splitlines()[1]
    assert "The hidden cause was:" in result.output
    assert max(map(len, result.output.splitlines())) <= 80


def test_a_demo_without_a_terminal_plays_by_itself(process):
    done = process("demo")
    assert done.returncode == 0
    assert "RETURN TO CHECKOUT" in done.stdout or REMOVED in done.stdout


def test_the_same_demo_plays_the_same(call):
    assert call("demo", "--seed", "5").stdout == call("demo", "--seed", "5").stdout


def test_a_scripted_work_up_runs_to_its_end_and_is_recorded(call, tmp_path, state):
    answers = tmp_path / "answers.txt"
    answers.write_text("teaching\nhold at 30\n20 cmH2O\na\n15\n# look\n?\n1\ns\nu\nq\n", "utf-8")
    result = call("work-up", "--answers", answers)
    assert result.exit_code == 0, result.output
    assert REMOVED in result.output
    (path,) = state.glob("*.jsonl")
    record = read_record(path)
    assert record.is_closed
    (small,) = (m for m in get_outline(FOLDER).machines if m.id == "small")
    before = [step.id for step in small.steps].index("breathing.hold_30")
    assert len(record.work.entries) == before + 1  # steps passed and the failed one; one undone


def test_answers_that_end_early_end_in_removal(call):
    result = call("work-up", *HOLD, "--passed", "all", "--minutes", "20", "--answers", "-",
                  "--exit-disposition", text="1\nx\n")  # fmt: skip
    assert result.exit_code == 10
    assert "The answers end here" in result.output
    assert REMOVED in result.output


def test_a_record_goes_on_from_its_file(call, state):
    arguments = ("work-up", *HOLD, "--passed", "none", "--minutes", "20", "--answers", "-")
    assert call(*arguments, text="1\nno such answer\n").exit_code == 3
    (path,) = state.glob("*.jsonl")
    result = call("work-up", "--resume", path, "--answers", "-", text="1\ns\n")
    assert result.exit_code == 0, result.output
    assert [r.outcome for r in read_record(path).work.readings] == ["falls_slowly", "not_sure"]


def test_a_stop_finding_ends_a_work_up_at_once(call):
    flush = ("--machine", "small", "--failed", "outlet.flush", "--reading", "stays_on")
    result = call("work-up", *flush, "--passed", "all", "--minutes", "60", "--answers", "-")
    assert result.exit_code == 0, result.output
    assert REMOVED in result.output and "hazard.flush_stays_on" in result.output
    disposition = json.loads(call("rank", *flush, "--json").stdout)["disposition"]
    assert disposition["final"] and disposition["hazard"] == "barotrauma"


def test_rank_reads_json_and_gives_json(call, tmp_path):
    given = {
        "machine": "small", "failed": "breathing.hold_30", "passed": ["all"], "minutes_left": 12,
        "readings": [{"check": "breathing.hold_30", "answer": "20 cmH2O"},
                     {"check": "breathing.hold_bag_plugged", "answer": "holds"}],
    }  # fmt: skip
    path = tmp_path / "in.json"
    path.write_text(json.dumps(given), "utf-8")
    result = call("rank", path, "--json")
    assert result.exit_code == 0, result.output
    found = AssessmentOut.model_validate_json(result.stdout)
    assert found.ranking[0].chance == max(cause.chance for cause in found.ranking)
    assert sum(c.chance for c in found.ranking if len(c.ids) == 1) <= 1.0 + 1e-6
    assert 1 <= len(found.choices) <= 3 or found.disposition.final


def test_options_and_json_give_the_same(call):
    by_options = call("rank", *HOLD, "--then", "breathing.bag_look=torn", "--done", "replace@bag",
                      "--minutes", "9", "--tools", "plug,torch", "--json")  # fmt: skip
    given = {
        "machine": "small", "failed": "breathing.hold_30", "minutes_left": 9,
        "readings": [{"check": "breathing.hold_30", "answer": "20 cmH2O"},
                     {"check": "breathing.bag_look", "answer": "torn"}],
        "remedies": [{"act": "replace", "component": "bag"}], "tools": ["torch", "plug"],
    }  # fmt: skip
    by_json = call("rank", "-", "--json", text=json.dumps(given))
    assert by_options.exit_code == by_json.exit_code == 0
    assert by_options.stdout == by_json.stdout


def test_a_remedy_stands_where_its_after_says(call):
    given = {
        "machine": "small", "failed": "breathing.hold_30",
        "readings": [{"check": "breathing.hold_30", "answer": "falls_slowly"},
                     {"check": "breathing.hold_30", "answer": "holds"}],
        "remedies": [{"act": "close", "component": "apl_valve", "after": 1}],
    }  # fmt: skip
    between = json.loads(call("rank", "-", "--json", text=json.dumps(given)).stdout)
    given["remedies"][0]["after"] = 2
    last = json.loads(call("rank", "-", "--json", text=json.dumps(given)).stdout)
    assert not any("repeated" in text for text in between["disposition"]["missing"])
    assert any("repeated" in text for text in last["disposition"]["missing"])


def test_rank_says_the_same_in_words(call):
    result = call("rank", *HOLD, "--minutes", "2")
    assert result.exit_code == 0
    assert "SWAP THE MACHINE NOW" in result.output
    assert "For a return to checkout these are still missing:" in result.output


def test_the_schema_is_that_of_the_shapes(call):
    found = json.loads(call("rank", "--schema").stdout)
    assert found["in"] == WorkUpIn.model_json_schema()
    assert found["out"] == AssessmentOut.model_json_schema()


def test_a_check_is_machine_readable(call):
    found = {each["id"]: each for each in json.loads(call("checks", "small", "--json").stdout)}
    hold = found["breathing.hold_30"]
    assert (hold["kind"], hold["zone"], hold["by"]) == ("step", "breathing", "user")
    assert hold["reading"]["kind"] == "number"
    assert (hold["reading"]["quantity"], hold["reading"]["unit"]) == ("pressure", "cmH2O")
    assert hold["set_up"]["apl_valve"] == "closed"
    assert hold["procedure"][0]["to"]["is"] == "30 cmH2O"
    by_id = {outcome["id"]: outcome for outcome in hold["outcomes"]}
    assert by_id["holds"]["means"] == "pass"
    assert by_id["holds"]["least"].endswith("cmH2O")
    assert hold["limit"]["source"] in hold["sources"]
    for name in ("minutes", "tools", "cautions", "isolate", "say", "other_answers"):
        assert name in hold


def test_places_are_filled_in_for_a_machine(call):
    found = json.loads(call("checks", "two_vaporizers_valve", "--json").stdout)
    assert "vapour.bulb_vaporizer_on@vaporizer_2" in {each["id"] for each in found}
    assert not [e["id"] for e in found if "{it}" in json.dumps(e) or "$it" in str(e["set_up"])]


@pytest.mark.parametrize("what", ["checks", "causes"])
def test_lists_hold_everything_of_the_knowledge(call, what):
    found = json.loads(call(what, "--json").stdout)
    shown = call(what).output.splitlines()
    assert len(found) == len(shown) > 70
    assert max(map(len, shown)) <= 80


def test_machines_are_listed_with_what_they_have(call):
    found = {each["id"]: each for each in json.loads(call("machines", "--json").stdout)}
    assert found["small"]["teaching"] is True
    assert found["small"]["steps"] > 20
    assert "Teaching machine" in call("machines").output


@pytest.mark.parametrize("name", ["breathing.hold_30", "breathing.bag_torn"])
def test_one_check_or_cause_is_shown_whole(call, name):
    assert json.loads(call("show", name, "--json").stdout)["id"] == name
    assert max(map(len, call("show", name).output.splitlines())) <= 80


def test_lint_counts_what_there_is_and_its_code_says_whether_it_is_whole(call):
    result, said = call("lint", "--json"), call("lint").output
    found = json.loads(result.stdout)
    assert result.exit_code == (4 if found["problems"] else 0)
    assert f"{len(found['problems'])} problem" in said
    assert f"{found['counts']['causes']} causes" in said
    assert found["counts"]["causes"] > 70
    for problem in found["problems"]:
        assert f"{problem['path']}:{problem['line']}: {problem['field']}: " in said


def test_another_knowledge_folder_is_taken(call, tmp_path, monkeypatch):
    monkeypatch.setenv("TENHOLD_KNOWLEDGE", str(tmp_path / "none"))
    assert call("machines").exit_code == 4
    from diagnose.places import PACKAGED

    assert call("machines", "--knowledge", PACKAGED).exit_code == 0


def test_the_first_question_comes_within_0_7_s(terminal):
    def wait_once():
        start = time.perf_counter()
        own = terminal("work-up")
        own.wait_for("Which machine?")
        taken = time.perf_counter() - start
        own.kill()
        return taken

    wait_once()  # the outline is made
    taken = [wait_once() for _ in range(5)]
    assert min(taken) < 0.7, f"median {statistics.median(taken):.2f} s"
