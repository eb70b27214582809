"""Events are added and never changed; each stands on the one before; nothing is taken twice."""

import threading

import pytest
import sqlalchemy as sa

from diagnose.errors import LogError
from diagnose.logbook import database, tables
from diagnose.logbook.book import Book
from diagnose.logbook.events import START, Draft
from diagnose.logbook.verify import verify


@pytest.fixture
def told(book, drafts):
    """Two work-ups, their events between each other."""
    book.append([drafts.opened("a"), drafts.opened("b")])
    book.append([drafts.reading("a", 2)])
    book.append([drafts.closed("b"), drafts.closed("a", 3, out=False)])
    return book


def test_every_event_stands_on_the_one_before(told):
    events = list(told.each())
    assert [event.id for event in events] == [1, 2, 3, 4, 5]
    assert [event.before for event in events] == [START, *(e.digest for e in events[:-1])]
    assert [event.seq for event in told.read("a")] == [1, 2, 3]
    assert verify(told).is_well


def test_the_read_model_follows_in_the_same_transaction(told):
    assert (told.find("a").state, told.find("b").state) == ("returned", "out")
    assert told.find("a").failed == "breathing.hold_30"
    assert told.find("none") is None


def test_a_line_is_taken_once(told, drafts):
    assert told.append([drafts.reading("a", 2), drafts.closed("b")]) == []
    (new,) = told.append([drafts.reading("b", 2), drafts.reading("b", 3)])
    assert (new.seq, new.line) == (3, 3)


def test_a_first_event_is_left_out_where_the_stream_is_not_empty(told):
    first = Draft("a", "handed_over", {}, is_first=True)
    assert told.append([first]) == []


def test_a_guard_that_refuses_leaves_nothing_behind(told, drafts):
    def refuse(standings, _connection):
        assert standings["a"].state == "returned"
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        told.append([drafts.reading("a", 4)], guard=refuse)
    assert told.head().count == 5


def test_undone_after_the_end_opens_a_work_up_again(told):
    told.append([Draft("a", "reopened", {}, line=4)])
    own = told.find("a")
    assert (own.state, own.closed_at, own.disposition) == ("open", None, "")


def test_any_text_comes_back_as_it_was(book, drafts):
    odd = "\x00 \ud800 ° 漢 '; DROP TABLE events; --"
    book.append([drafts.opened("a"), Draft("a", "handed_over", {"to": odd})])
    assert book.read("a")[-1].facts["to"] == odd
    assert verify(book).is_well


def test_writers_at_once_leave_no_gap(url, book, drafts):
    def write(name):
        own = Book(url)
        own.append([drafts.opened(name)])
        for line in range(2, 12):
            own.append([drafts.reading(name, line)])
        own.close()

    threads = [threading.Thread(target=write, args=(f"w{n}",)) for n in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert book.head().count == 66
    assert verify(book).is_well


def test_two_that_open_an_empty_database_at_once_both_can(url):
    found, threads = [], []

    def open_it():
        own = Book(url)
        found.append(own.head().count)
        own.close()

    for _ in range(4):
        threads.append(threading.Thread(target=open_it))
        threads[-1].start()
    for each in threads:
        each.join()
    assert found == [0, 0, 0, 0]


def test_read_models_made_again_are_the_same(told):
    before = {name: told.find(name) for name in "ab"}
    assert told.rebuild() == 5
    assert {name: told.find(name) for name in "ab"} == before
    assert verify(told).is_well


def test_many_events_are_read_in_order_and_rebuilt(book, drafts):
    book.append([drafts.opened(f"s{n}") for n in range(1203)])
    assert [event.id for event in book.each()] == list(range(1, 1204))
    assert book.rebuild() == 1203
    assert verify(book).is_well


def test_sqlite_commits_are_durable(tmp_path):
    own = Book(f"sqlite:///{tmp_path / 'x.sqlite'}")
    with own.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
    own.close()


def test_the_default_lies_beside_the_records(state):
    own = Book()
    assert own.place.endswith("state/logbook.sqlite")
    own.close()
    assert (state / "logbook.sqlite").is_file()


@pytest.mark.parametrize("address", ["nonsense", "nosuch://x/y", "mysql://u:secret@h/d"])
def test_an_address_that_is_none_says_how_one_looks(address):
    with pytest.raises(LogError) as caught:
        Book(address)
    assert "postgresql://" in caught.value.do
    assert "secret" not in str(caught.value)


def test_a_server_that_is_not_there_is_said_without_the_password(tmp_path):
    with pytest.raises(LogError) as caught:
        Book(f"postgresql://u:secret@/d?host={tmp_path}")
    assert "secret" not in str(caught.value)
    assert caught.value.do == database.DO


def test_a_logbook_of_a_newer_version_is_refused(url, book):
    with book.engine.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(LogError) as caught:
        Book(url)
    assert "newer version" in caught.value.what


def test_the_tables_are_what_the_migrations_make(book):
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    with book.engine.connect() as connection:
        context = MigrationContext.configure(connection)
        found = compare_metadata(context, tables.metadata)
        assert context.get_current_revision() == tables.REVISION
    assert found == []
