"""``tenhold log`` from the outside: a machine out of service, until it is in use again."""

import json

import pytest

from api.accepted import read_rates
from diagnose.errors import LogError
from diagnose.journal import open_journal
from diagnose.kb.load import load
from diagnose.logbook.book import Book
from diagnose.logbook.events import Draft
from diagnose.model import REMOVE, Reading, WorkUp
from diagnose.places import logbook_file

FAILED = Reading("breathing.hold_30", "falls_slowly", 2157.46, "22 cmH2O")
LOOK = Reading("breathing.bag_look", "torn", None, "torn")


@pytest.fixture
def out(monkeypatch):
    """A record of a machine that was removed from service."""
    monkeypatch.delenv("TENHOLD_DATABASE", raising=False)
    journal = open_journal(WorkUp("small", FAILED.test, (FAILED, LOOK)), "k")
    journal.write("closed", disposition=REMOVE, reason="stopped", rule="")
    journal.close()
    return journal.path.stem


def show(call, *arguments):
    result = call("log", *arguments)
    assert result.exit_code == 0, result.output
    return result.output


def test_a_machine_goes_from_the_queue_back_into_use(call, out):
    assert "OUT OF SERVICE, cause not confirmed" in show(call, "queue")
    show(call, "hand-over", out, "--by", "Kim", "--asset", "M-07")
    refused = call("log", "return", out, "--by", "Kim", "--checkout-by", "Lee")
    assert (refused.exit_code, "no confirmed root cause" in refused.output) == (3, True)
    said = show(call, "confirm", out, "--by", "Kim", "--cause", "breathing.bag_torn",
                "--part", "bag", "--minutes", "20", "--code", "A050402")  # fmt: skip
    assert "Still out of service" in said
    (own,) = json.loads(show(call, "queue", "--json"))
    assert own["found"][0] == {"cause": "breathing.bag_torn", "words": "", "origin": "ranking"}
    assert own["first_cause"]
    show(call, "return", out, "--by", "Kim", "--checkout-by", "Lee")
    assert show(call, "queue") == "No machine is out of service.\n"
    assert "in use again" in show(call, "history", "M-07")
    assert "All 8 events are there" in show(call, "verify")
    assert json.loads(show(call, "figures", "--json"))["pareto"][0]["count"] == 1
    assert "0 cannot be replayed" in show(call, "replay")


def test_a_cause_or_machine_that_is_not_there_is_refused_with_what_is(call, out):
    result = call("log", "confirm", out, "--by", "Kim", "--cause", "breathing.bag_tron")
    assert (result.exit_code, "is no cause of this machine" in result.output) == (3, True)
    show(call, "amend", out, "--by", "Kim", "--why", "label read", "--asset", "M-07")
    result = call("log", "history", "M-70")
    assert (result.exit_code, "M-07" in result.output) == (3, True)


def test_bad_lines_of_an_import_are_named_and_the_exit_code_says_so(call, tmp_path):
    file = tmp_path / "old.csv"
    file.write_text("date,asset,profile,cause\n2024-05-31,M-1,small,breathing.bag_torn\n"
                    "2024-05-32,M-1,small,breathing.bag_torn\n")  # fmt: skip
    dry = call("log", "import", file, "--by", "Kim", "--dry-run")
    assert (dry.exit_code, "line 3: date:" in dry.output) == (3, True)
    assert "1 would be taken" in dry.output
    assert "1 taken" in call("log", "import", file, "--by", "Kim").output


def test_a_changed_logbook_is_named_with_an_exit_code_of_its_own(call, out):
    show(call, "take-in")
    book = Book()
    with book.engine.execution_options(writes=True).begin() as connection:
        connection.exec_driver_sql("UPDATE events SET actor = 'x' WHERE id = 2")
    book.close()
    result = call("log", "verify")
    assert (result.exit_code, "First bad event: 2" in result.output) == (5, True)


def test_what_is_no_head_is_refused(call, out):
    assert call("log", "verify", "--head", "12").exit_code == 3


def test_a_backup_comes_back_elsewhere(call, out, tmp_path, monkeypatch):
    show(call, "take-in")
    show(call, "backup", tmp_path / "b.gz")
    assert call("log", "restore", tmp_path / "b.gz").exit_code == 5
    monkeypatch.setenv("TENHOLD_STATE", str(tmp_path / "other"))
    assert "Restored: 4 events" in show(call, "restore", tmp_path / "b.gz")


def test_only_accepted_rates_reach_the_engine_and_no_logbook_costs_nothing(call, out):
    base = load()
    assert read_rates(base, "small") == {}
    assert not logbook_file().exists()
    show(call, "confirm", out, "--by", "Kim", "--other", "a seal")
    show(call, "exposure", "M-07", "small", "--by", "Kim", "--from", "2025-01-01",
         "--to", "2025-12-31")  # fmt: skip
    assert "Nothing is changed yet" in show(call, "learn", "small")
    assert read_rates(base, "small") == {}
    assert "accepted by Lee" in show(call, "accept", "small", "--by", "Lee")
    rates = read_rates(base, "small")
    assert rates["breathing.bag_torn"] < base.faults["breathing.bag_torn"].how_often.per_10000 / 1e4
    show(call, "withdraw", "small", "--by", "Lee")
    assert read_rates(base, "small") == {}


def test_a_logbook_that_cannot_be_used_leaves_the_rates_of_the_knowledge(monkeypatch, tmp_path):
    monkeypatch.setenv("TENHOLD_DATABASE", f"postgresql://u@/d?host={tmp_path}")
    with pytest.raises(LogError):
        Book()
    assert read_rates(load(), "small") == {}


def test_no_event_of_a_set_for_another_machine_is_used(out):
    book = Book()
    book.append([Draft("priors-tall", "priors_accepted", {"rates": {"a.b": [1, 2]}})])
    book.close()
    assert read_rates(load(), "small") == {}
