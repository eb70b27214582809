"""Records on the disk come into the logbook once, and never the other way round."""

import fcntl
import json
import threading
from dataclasses import replace

import pytest

from diagnose import journal
from diagnose.errors import LogError
from diagnose.logbook.behind import Intake
from diagnose.logbook.book import Book
from diagnose.logbook.intake import read_lines, take_in
from diagnose.logbook.verify import verify
from diagnose.logbook.work import read_work
from diagnose.model import Reading, Remedied, WorkUp

FAILED = Reading("breathing.hold_30", "falls_slowly", 1961.33, "20 cmH2O")
WORK = WorkUp("small", "breathing.hold_30", (FAILED,), 12.0, frozenset({"plug"}), "user",
              changed=frozenset({"bag"}))  # fmt: skip


@pytest.fixture
def record():
    own = journal.open_journal(WORK, "abc")
    own.flush()
    yield own
    own.close()


def test_a_record_is_taken_in_once(book, record):
    record.close()
    assert (take_in(book).events, take_in(book).events) == (2, 0)
    again = journal.reopen(journal.read_record(record.path))
    again.note_entry(Remedied("replace", "bag"))
    again.note("undone")
    again.write("closed", disposition="return to checkout", reason="", rule="")
    again.close()
    assert take_in(book).events == 3
    assert verify(book).is_well


def test_a_work_up_is_rebuilt_from_its_events_as_from_its_record(book, record):
    record.note_entry(Remedied("replace", "bag"))
    record.note_entry(Reading("breathing.bag_look", "torn", None, "torn"))
    record.note("undone")
    record.flush()
    record.close()
    take_in(book)
    one, two = journal.read_record(record.path), read_work(book, record.path.stem)
    assert one.work == two.work
    names = ("opened_at", "knowledge", "is_closed", "length")
    assert [getattr(one, n) for n in names] == [getattr(two, n) for n in names]


def test_a_record_open_in_a_window_is_taken_in_later(book, record):
    done = take_in(book)
    assert (done.events, done.waiting) == (0, [record.path.stem])
    record.close()
    assert take_in(book).events == 2


def test_a_torn_line_is_left_out_and_moves_no_number(book, record):
    record.close()
    with record.path.open("a") as file:
        file.write('{"event": "rea')
    assert take_in(book).events == 2
    again = journal.resume(journal.read_record(record.path))
    again.note_entry(Remedied("replace", "bag"))
    again.flush()
    again.close()
    assert take_in(book).events == 3  # the torn line, going on, and the remedy
    work = read_work(book, record.path.stem).work
    assert work == WORK.add(Remedied("replace", "bag"))


def test_a_line_not_ended_yet_is_not_read(record):
    record.close()
    with record.path.open("a") as file:
        file.write('{"event": "undone", "at": "2026-11-25T06:50:00+00:00"}')
    assert len(read_lines(record.path)) == 2


@pytest.mark.parametrize(
    "text", ["broken\n", '{"event": "reading"}\n', '{"event": "opened", "at": "never"}\n',
             '{"event": "opened", "at": "2026-11-25T06:50:00+00:00"}\n'],
)  # fmt: skip
def test_a_broken_record_is_named_and_holds_up_no_other(book, record, state, text):
    record.close()
    (state / "work-up-00000000-000000-0000.jsonl").write_text(text)
    done = take_in(book)
    assert done.events == 2
    assert len(done.broken) == (text != "broken\n")
    assert verify(book).is_well


def test_numbers_that_json_does_not_know_are_kept(book, state):
    state.mkdir()
    head = {"event": "opened", "at": "2026-11-25T06:50:00+00:00", "form": 1, "machine": "small",
            "failed": "x.y", "knowledge": ""}  # fmt: skip
    (state / "work-up-1.jsonl").write_text(
        json.dumps(head) + '\n{"event": "reading", "at": "2026-11-25T06:50:00+00:00", '
        '"number_si": NaN}\n'
    )
    assert take_in(book).events == 2
    assert verify(book).is_well


def test_taking_in_behind_the_work_needs_no_lock(url, book, record):
    own = Intake(url)
    own.tell(record.path.stem, record.lines)
    own.tell(record.path.stem, record.lines)
    own.finish(20)
    assert book.head().count == 2
    assert own.trouble == ""


def test_all_records_are_taken_in_behind_the_work(url, book, record):
    record.close()
    own = Intake(url)
    own.tell()
    own.finish(20)
    assert book.head().count == 2


def test_a_database_that_is_not_there_never_stops_the_work(tmp_path, record):
    own = Intake(f"postgresql://u@/d?host={tmp_path}")
    own.tell(record.path.stem, record.lines)
    record.write("undone")
    own.finish(20)
    assert "cannot be used" in own.trouble
    assert journal.read_record(record.path).length == 3


def test_a_full_disk_under_the_logbook_loses_no_record(tmp_path, record):
    book = Book(f"sqlite:///{tmp_path / 'small.sqlite'}")
    with book.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()

    def limit(connection, _record):
        connection.execute(f"PRAGMA max_page_count={pages}")

    import sqlalchemy as sa

    book.engine.dispose()
    sa.event.listen(book.engine, "connect", limit)
    record.note("resumed", long="x" * 100_000)
    record.flush()
    record.close()
    with pytest.raises(LogError) as caught:
        take_in(book)
    assert "full" in caught.value.what
    book.close()
    sa.event.remove(book.engine, "connect", limit)
    assert take_in(book).events == 3
    book.close()


def test_a_record_is_not_read_again_until_it_grows(book, record, monkeypatch):
    record.close()
    known = {}
    assert take_in(book, known=known).events == 2
    with monkeypatch.context() as patch:
        patch.setattr("diagnose.logbook.intake.read_lines", lambda path: 1 / 0)
        assert take_in(book, known=known).events == 0
    again = journal.reopen(journal.read_record(record.path))
    again.write("undone")
    again.close()
    assert take_in(book, known=known).events == 1


def test_an_entry_at_the_terminal_comes_into_a_shared_logbook(url, book, record, monkeypatch):
    from api.keep import Keeper

    monkeypatch.setenv("TENHOLD_DATABASE", url)
    keeper = Keeper(record, print)
    keeper.entry(Remedied("replace", "bag"))
    assert keeper.finish() == (0, [])
    keeper.intake.finish(20)
    assert [event.kind for event in book.each()] == ["opened", "reading", "remedied"]


def test_without_a_shared_logbook_the_terminal_leaves_it_to_the_next_command(record, state):
    from api.keep import Keeper

    keeper = Keeper(record, print)
    assert keeper.intake is None
    keeper.finish()
    assert not (state / "logbook.sqlite").exists()


def test_a_server_takes_in_after_each_request(book, url, record):
    import asyncio

    from api.behind import TakesIn

    async def answer(scope, receive, send):
        record.close()

    intake = Intake(url)
    asyncio.run(TakesIn(answer, intake)({"type": "http"}, None, None))
    intake.finish(20)
    assert book.head().count == 2


def test_what_was_told_on_the_way_is_taken_in(book, record):
    told = replace(WORK, tools=None, who="biomed", changed=frozenset({"absorber"}))
    record.note_told(told)
    record.flush()
    record.close()
    take_in(book)
    assert read_work(book, record.path.stem).work == told


def test_an_event_of_another_version_is_named_and_not_left_out(book, record):
    record.write("weighed", grams=3)
    record.close()
    done = take_in(book)
    assert done.events == 0
    assert "does not know: weighed" in done.broken[0]


def test_a_record_being_read_can_be_written_a_moment_later(record):
    record.close()
    with record.path.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_SH)
        threading.Timer(0.1, fcntl.flock, (file, fcntl.LOCK_UN)).start()
        again = journal.reopen(journal.read_record(record.path))
        again.write("undone")
        again.close()
    assert len(read_lines(record.path)) == 3
