"""The record of a work-up: on the disk before it is acknowledged, whole again after a crash."""

import errno
import json
import os
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import journal
from diagnose.errors import LogError
from diagnose.model import Reading, Remedied, WorkUp

FAILED = Reading("breathing.hold_30", "falls_slowly", 1961.33, "20 cmH2O")
LATER = Reading("breathing.bag_look", "torn", None, "torn")
REMEDY = Remedied("replace", "bag")
WORK = WorkUp("small", "breathing.hold_30", (FAILED,), 12.0, frozenset({"plug"}), "user")


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    folder = tmp_path / "state"
    monkeypatch.setenv("TENHOLD_STATE", str(folder))
    return folder


@pytest.fixture
def opened():
    own = journal.open_journal(WORK, "abc")
    own.flush()
    yield own
    own.close()


def test_a_record_tells_the_same_work_up(opened):
    opened.note_entry(LATER)
    opened.note_entry(REMEDY)
    opened.flush()
    record = journal.read_record(opened.path)
    assert record.work == WORK.add(LATER).add(REMEDY)
    assert (record.knowledge, record.is_closed) == ("abc", False)


def test_what_is_told_later_is_in_the_work_up_and_undo_leaves_it(opened):
    told = replace(WORK, tools=None, who="biomed", changed=frozenset({"bag"}))
    opened.note_told(told)
    opened.note_entry(LATER)
    opened.note("undone")
    opened.flush()
    record = journal.read_record(opened.path)
    assert record.work == told
    assert record.length == 5


def test_the_asset_number_is_kept_and_records_of_before_have_none(state):
    own = journal.open_journal(replace(WORK, asset="A-017"), "abc")
    own.flush()
    own.close()
    assert journal.read_record(own.path).work.asset == "A-017"
    own.path.write_text(own.path.read_text("utf-8").replace('"asset": "A-017", ', ""), "utf-8")
    assert journal.read_record(own.path).work == WORK


def test_a_line_is_synced_before_write_returns(opened, monkeypatch):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda file: synced.append(opened.path.read_text("utf-8")))
    opened.write("undone")
    assert '"undone"' in synced[-1]


def test_when_the_machine_is_needed_is_kept(state):
    needed = datetime(2026, 11, 25, 7, 15).astimezone()
    own = journal.open_journal(WORK, "abc", needed)
    own.flush()
    own.close()
    assert journal.read_record(own.path).needed_at == needed


def test_a_torn_last_line_is_left_out(opened):
    opened.close()
    with open(opened.path, "a", encoding="utf-8") as file:
        file.write('{"event": "reading", "at": "2026-')
    assert journal.read_record(opened.path).work == WORK


def test_a_record_goes_on_after_a_torn_line(opened):
    opened.close()
    with open(opened.path, "a", encoding="utf-8") as file:
        file.write('{"event": "rea')
    again = journal.resume(journal.read_record(opened.path))
    again.note_entry(LATER)
    again.flush()
    again.close()
    assert journal.read_record(opened.path).work == WORK.add(LATER)


@pytest.mark.parametrize("torn", ["", '{"event": "rea'])
def test_a_record_opened_again_grows_by_its_entry_and_names_a_torn_line(opened, torn):
    opened.close()
    before = journal.read_record(opened.path).length
    with open(opened.path, "a", encoding="utf-8") as file:
        file.write(torn)
    again = journal.reopen(journal.read_record(opened.path))
    again.note_entry(LATER)
    again.flush()
    again.close()
    record = journal.read_record(opened.path)
    assert record.work == WORK.add(LATER)
    assert record.length == before + 1 + bool(torn)


def test_when_a_record_was_closed_is_kept_until_it_is_opened_again(opened):
    opened.write("closed", disposition="remove", reason="", rule="")
    opened.write("resumed")
    assert journal.read_record(opened.path).closed_at is not None
    opened.write("reopened")
    assert journal.read_record(opened.path).closed_at is None


def test_an_unreadable_line_in_the_middle_is_named(opened):
    opened.close()
    text = opened.path.read_text("utf-8")
    opened.path.write_text(text + 'broken\n{"event": "undone"}\n', "utf-8")
    with pytest.raises(LogError) as caught:
        journal.read_record(opened.path)
    assert caught.value.what == "line 3 is not readable"


def test_undone_takes_the_last_entry_back(opened):
    opened.note_entry(LATER)
    opened.note("undone")
    opened.flush()
    assert journal.read_record(opened.path).work == WORK


def test_closed_is_finished_and_reopened_is_not(opened):
    opened.write("closed", disposition="remove", reason="", rule="")
    assert journal.read_record(opened.path).is_closed
    opened.write("reopened")
    assert not journal.read_record(opened.path).is_closed
    assert journal.read_record(opened.path).work == WORK


def fail_after(count, number):
    """Return an os.write that writes some bytes, then fails as a full disk does."""
    real, left = os.write, [count]

    def write(file, data):
        if not left[0]:
            raise OSError(number, os.strerror(number))
        done = real(file, bytes(data)[: left[0]])
        left[0] -= done
        return done

    return write


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_full_disk_leaves_no_half_line_and_says_what_to_do(opened, monkeypatch, number):
    before = opened.path.read_bytes()
    monkeypatch.setattr(os, "write", fail_after(7, number))
    with pytest.raises(LogError) as caught:
        opened.write("undone")
    assert opened.path.read_bytes() == before
    assert caught.value.path == str(opened.path)
    assert "free space" in caught.value.do


def test_what_could_not_be_written_is_written_with_the_next_line(opened, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", fail_after(0, errno.ENOSPC))
        opened.note_entry(LATER)
        with pytest.raises(LogError):
            opened.flush()
    assert len(opened.pending) == 1
    opened.note_entry(REMEDY)
    opened.flush()
    assert opened.pending == []
    assert journal.read_record(opened.path).work == WORK.add(LATER).add(REMEDY)


def test_a_folder_that_cannot_be_made_is_an_error_with_what_to_do(tmp_path, monkeypatch):
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    monkeypatch.setenv("TENHOLD_STATE", str(blocked))
    own = journal.open_journal(WORK, "abc")
    with pytest.raises(LogError) as caught:
        own.flush()
    assert "TENHOLD_STATE" in caught.value.do
    assert [json.loads(line)["event"] for line in own.pending] == ["opened", "reading"]


def test_a_record_open_elsewhere_is_refused(opened):
    with pytest.raises(LogError) as caught:
        journal.resume(journal.read_record(opened.path)).flush()
    assert "another window" in caught.value.what


@pytest.mark.parametrize("text", ["", "no journal\n", "[1]\n", '{"event": "reading"}\n'])
def test_what_is_no_record_is_refused(tmp_path, text):
    path = tmp_path / "x.jsonl"
    path.write_text(text, "utf-8")
    with pytest.raises(LogError) as caught:
        journal.read_record(path)
    assert "no record of a work-up" in caught.value.what


def test_a_record_of_another_form_is_refused(opened):
    opened.close()
    text = opened.path.read_text("utf-8").replace('"form": 1', '"form": 99')
    opened.path.write_text(text, "utf-8")
    with pytest.raises(LogError) as caught:
        journal.read_record(opened.path)
    assert "form 99" in caught.value.what


def test_a_missing_file_is_an_error(tmp_path):
    with pytest.raises(LogError) as caught:
        journal.read_record(tmp_path / "none.jsonl")
    assert "cannot be read" in caught.value.what


def test_unfinished_are_listed_newest_first_and_broken_ones_apart(state, monkeypatch):
    made = []
    for hour in (6, 7, 8):
        own = journal.open_journal(WORK, "abc")
        own.path = state / f"work-up-20261125-0{hour}0000-aaaa.jsonl"
        if hour == 7:
            own.note("closed", disposition="remove", reason="", rule="")
        own.flush()
        own.close()
        made.append(own.path)
    (state / "work-up-20261125-090000-aaaa.jsonl").write_text("broken\nbroken\n", "utf-8")
    assert [record.path for record in journal.list_unfinished()] == [made[2], made[0]]
    records, broken = journal.list_records()
    assert (len(records), len(broken)) == (3, 1)


def test_no_records_yet_is_no_error():
    assert journal.list_records() == ([], [])


@given(st.lists(st.sampled_from(["reading", "remedy", "undo"]), max_size=12))
def test_any_course_of_entries_and_undoing_is_told_back(tmp_path_factory, acts):
    path = tmp_path_factory.mktemp("journal") / "work-up-x.jsonl"
    own, work = journal.open_journal(WORK, "abc"), WORK
    own.path = path
    for place, act in enumerate(acts):
        if act == "undo":
            work = work.undo()
            own.note("undone")
        else:
            entry = Reading(f"a.b{place}", "c") if act == "reading" else REMEDY
            work = work.add(entry)
            own.note_entry(entry)
    own.flush()
    own.close()
    assert journal.read_record(path).work == work


def test_opened_at_is_now(opened):
    age = datetime.now().astimezone() - journal.read_record(opened.path).opened_at
    assert timedelta(0) <= age < timedelta(seconds=60)
