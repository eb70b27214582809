"""What was thought is kept once; old work-ups under the knowledge of today."""

import pytest

from diagnose.journal import open_journal
from diagnose.logbook.events import Draft
from diagnose.logbook.intake import take_in
from diagnose.logbook.rankings import keep_ranking, rank_all
from diagnose.logbook.replay import replay
from diagnose.model import REMOVE, RETURN, WorkUp
from diagnose.readings import read_answer
from diagnose.session import diagnose

FAILED = "breathing.hold_30"


@pytest.fixture
def kit(get_kit):
    return get_kit("small")


@pytest.fixture
def taken(book, kit):
    """A work-up with a torn bag, ended as the engine ends it today."""
    work = WorkUp("small", FAILED)
    for test, answer in ((FAILED, "22 cmH2O"), ("breathing.bag_look", "torn")):
        work = work.add(read_answer(kit.catalogue, test, answer))
    journal = open_journal(work, kit.base.version)
    say = diagnose(kit, work).disposition.say
    journal.write("closed", disposition=say, reason="", rule="")
    journal.close()
    take_in(book)
    return journal.path.stem


def test_what_the_ranking_said_first_and_last_is_kept_once(book, kit, taken):
    assert rank_all(book, lambda _: kit) == (1, [])
    assert keep_ranking(book, kit, taken) is False
    own = book.find(taken)
    assert own.last_cause == "breathing.bag_torn"
    assert 0 < own.first_chance < own.last_chance < 1
    (event,) = book.each("ranked")
    assert event.knowledge == kit.base.version
    assert len(event.facts["last"]) == 5


def test_the_same_knowledge_changes_nothing(book, kit, taken):
    keep_ranking(book, kit, taken)
    (change,) = replay(book, lambda _: kit)
    assert change.is_same


def test_another_disposition_and_another_first_cause_are_shown(book, kit, taken):
    said = book.read(taken)[-1].facts["disposition"]
    other = REMOVE if said == RETURN else RETURN
    book.append([Draft(taken, "reopened", {}, line=90),
                 Draft(taken, "closed", {"disposition": other}, line=91),
                 Draft(taken, "ranked", {"first_cause": "x.y", "first_chance": 0.5,
                                         "last_cause": "x.y", "last_chance": 0.5})])  # fmt: skip
    (change,) = replay(book, lambda _: kit, taken)
    assert not change.is_same
    assert (change.said, change.says, change.first) == (other, said, "x.y")


def test_what_the_knowledge_lost_is_said_and_stops_nothing(book, kit, taken, drafts):
    book.append([drafts.opened("old"), drafts.reading("old", 2, "gone", "breathing.gone"),
                 drafts.closed("old", 3)])  # fmt: skip
    changes = {change.stream: change for change in replay(book, lambda _: kit)}
    assert "not in the knowledge any more" in changes["old"].trouble
    assert changes[taken].is_same
    count, left = rank_all(book, lambda _: kit)
    assert count == 1
    assert left[0].startswith("old:")
