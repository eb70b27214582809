"""A logbook of two forms ago comes up to this one with all that is in it."""

import sqlalchemy as sa

from diagnose.logbook.book import Book
from diagnose.logbook.database import make_engine, migrate, read_revision
from diagnose.logbook.events import START, Draft, seal, to_text
from diagnose.logbook.tables import REVISION
from diagnose.logbook.verify import verify

COLUMNS = ("id", "stream", "seq", "line", "at", "actor", "kind", "knowledge", "told", "before",
           "stream_before", "digest")  # fmt: skip


def write_old(engine, drafts):
    """Write events with nothing but what the first form of the logbook knew."""
    made, before, heads = [], START, {}
    told = [drafts.opened("a"), drafts.opened("b"), drafts.closed("a"),
            Draft("a", "root_cause_confirmed", {"minutes": 30, "downtime_minutes": 90, "causes": [
                {"cause": "breathing.bag_torn", "words": "", "origin": "ranking"}]},
                at="2026-11-25T09:00:00+00:00")]  # fmt: skip
    for number, draft in enumerate(told, 1):
        seq, own = heads.get(draft.stream, (0, START))
        event = seal(before, own, number, seq + 1, draft, draft.at, to_text(draft.facts))
        heads[draft.stream], before = (event.seq, event.digest), event.digest
        made.append(event)
    with engine.execution_options(writes=True).begin() as connection:
        for event in made:
            marks = ", ".join(f":{name}" for name in COLUMNS)
            row = {name: getattr(event, name) for name in COLUMNS}
            connection.execute(
                sa.text(f"INSERT INTO events ({', '.join(COLUMNS)}) VALUES ({marks})"), row
            )
        connection.execute(sa.text("UPDATE head SET count = 4, digest = :own"), {"own": before})
        for stream, (seq, digest) in heads.items():
            row = {"stream": stream, "seq": seq, "digest": digest}
            connection.execute(sa.text("INSERT INTO streams VALUES (:stream, :seq, :digest, 1)"),
                               row)  # fmt: skip
    return made


def test_two_forms_back_comes_up_with_its_data(url, drafts):
    engine = make_engine(url)
    migrate(engine, "0001")
    made = write_old(engine, drafts)
    with engine.connect() as connection:
        assert read_revision(connection) == "0001"
        assert not sa.inspect(connection).has_table("work_ups")
    engine.dispose()
    book = Book(url)
    assert list(book.each()) == made
    assert book.find("a").state == "confirmed"
    assert book.find("a").found[0].cause == "breathing.bag_torn"
    assert verify(book).is_well
    book.append([drafts.closed("b")])
    assert verify(book).is_well
    book.close()


def test_one_form_back_comes_up_too(url, drafts):
    engine = make_engine(url)
    migrate(engine, "0002")
    write_old(engine, drafts)
    engine.dispose()
    book = Book(url)
    with book.engine.connect() as connection:
        assert read_revision(connection) == REVISION
    assert book.find("a").minutes == 30
    assert verify(book).is_well
    book.close()


def test_a_logbook_that_is_new_enough_is_left_alone(url, book):
    assert migrate(book.engine) is False
