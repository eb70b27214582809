"""What was changed behind the logbook's back is named: the first event that is not as written."""

import pytest
import sqlalchemy as sa

from diagnose.logbook.verify import verify


@pytest.fixture
def told(book, drafts):
    book.append([drafts.opened("a"), drafts.opened("b"), drafts.opened("c")])
    book.append([drafts.reading("a", 2), drafts.reading("b", 2), drafts.reading("c", 2)])
    book.append([drafts.closed("a", 3), drafts.closed("b", 3), drafts.closed("c", 3)])
    return book


def change(book, *statements):
    with book.engine.execution_options(writes=True).begin() as connection:
        for each in statements:
            connection.execute(sa.text(each))


@pytest.mark.parametrize(
    ("column", "value"),
    [("told", "'{}'"), ("actor", "'somebody'"), ("at", "'2020-01-01T00:00:00+00:00'"),
     ("kind", "'undone'"), ("stream", "'z'"), ("knowledge", "'v2'"), ("line", "99"),
     ("digest", "'00'"), ("before", "'00'"), ("stream_before", "'00'")],
)  # fmt: skip
def test_a_changed_field_is_found(told, column, value):
    change(told, f"UPDATE events SET {column} = {value} WHERE id = 5")
    found = verify(told)
    assert (found.is_well, found.event) == (False, 5)


def test_an_event_taken_out_is_named(told):
    change(told, "DELETE FROM events WHERE id = 4")
    found = verify(told)
    assert found.event == 5
    assert "event 4 is missing" in found.wrong


def test_a_whole_stream_taken_out_is_found(told):
    names = ("events", "streams", "work_ups", "causes")
    change(told, *(f"DELETE FROM {name} WHERE stream = 'b'" for name in names))
    assert "event 2 is missing" in verify(told).wrong


def test_the_last_events_taken_out_are_found(told):
    change(told, "DELETE FROM events WHERE id > 7")
    found = verify(told)
    assert "events 8 to 9 are missing" in found.wrong
    assert found.event == 8


def test_a_tail_taken_out_with_its_head_is_found_by_a_noted_head(told):
    noted = str(told.head())
    last = next(event for event in told.each() if event.id == 7)
    change(told, "DELETE FROM events WHERE id > 7",
           f"UPDATE head SET count = 7, digest = '{last.digest}'")  # fmt: skip
    assert "not in this logbook" in verify(told, noted).wrong
    assert verify(told, f"7:{last.digest}").wrong == ""


def test_a_noted_head_is_still_there_after_more_events(told, drafts):
    noted = str(told.head())
    told.append([drafts.reading("a", 4)])
    assert verify(told, noted).is_well


def test_an_event_put_in_behind_is_found(told):
    change(told, "INSERT INTO events SELECT 10, stream, 4, 9, at, actor, kind, knowledge, told, "
           "digest, digest, digest FROM events WHERE id = 9")  # fmt: skip
    assert verify(told).event == 10


def test_a_read_model_that_does_not_follow_is_named(told):
    change(told, "UPDATE work_ups SET state = 'in_use' WHERE stream = 'b'")
    found = verify(told)
    assert (found.wrong, found.stale) == ("", ("b",))
    told.rebuild()
    assert verify(told).is_well
