"""A machine comes back only with its root cause confirmed and a whole checkout passed after it."""

import threading
from datetime import datetime, timedelta

import pytest

from diagnose.errors import EntryError
from diagnose.logbook.biomed import (
    Checkout,
    Confirmation,
    amend,
    confirm,
    hand_over,
    return_to_use,
)
from diagnose.logbook.book import Book
from diagnose.logbook.look import list_assets, list_history, list_queue
from diagnose.logbook.project import NO_FAULT, Found
from diagnose.logbook.verify import verify

KNOWN = {"breathing.bag_torn", "breathing.bag_off"}
TORN = Found("breathing.bag_torn", "", "ranking")
WHOLE = Confirmation((TORN,), ("bag 2 L",), 20.0, 90.0, "torn at the neck", ("A050402",), "M-07")


def now(minutes=0.0):
    return (datetime.now().astimezone() + timedelta(minutes=minutes)).isoformat()


@pytest.fixture
def out(book, drafts):
    """A logbook with one machine out of service, one returned, one still at work."""
    book.append([drafts.opened("out"), drafts.closed("out"), drafts.opened("back"),
                 drafts.closed("back", out=False), drafts.opened("on")])  # fmt: skip
    return book


def test_a_machine_out_of_service_goes_the_whole_way(out):
    assert [own.stream for own in list_queue(out)] == ["out"]
    hand_over(out, "out", "Kim", "M-07")
    confirm(out, "out", WHOLE, "Kim", KNOWN)
    assert [own.state for own in list_queue(out)] == ["confirmed"]
    return_to_use(out, "out", "Kim", Checkout("Lee", now()))
    assert list_queue(out) == []
    (own,) = list_history(out, "M-07")
    assert (own.state, own.minutes, own.downtime, own.found) == ("in_use", 20.0, 90.0, (TORN,))
    assert list_assets(out) == ["M-07"]
    kinds = [event.kind for event in out.read("out")][2:]
    assert kinds == ["handed_over", "root_cause_confirmed", "returned_to_use"]
    assert [event.actor for event in out.read("out")][2:] == ["Kim"] * 3
    assert verify(out).is_well


def test_no_return_before_the_root_cause_is_confirmed(out):
    with pytest.raises(EntryError) as caught:
        return_to_use(out, "out", "Kim", Checkout("Lee", now()))
    assert caught.value.field == "state"
    assert out.find("out").state == "out"


@pytest.mark.parametrize(
    ("by", "at", "field"),
    [("", "", "checkout by"), ("Lee", "yesterday", "checkout at"), ("Lee", "", "checkout at"),
     ("Lee", now(-60), "checkout"), ("Lee", now(60), "checkout at")],
)  # fmt: skip
def test_no_return_without_a_checkout_passed_after_the_confirmation(out, by, at, field):
    confirm(out, "out", WHOLE, "Kim", KNOWN)
    with pytest.raises(EntryError) as caught:
        return_to_use(out, "out", "Kim", Checkout(by, at))
    assert caught.value.field == field
    assert out.find("out").state == "confirmed"


def test_no_return_while_another_work_up_holds_the_machine(out, drafts):
    out.append([drafts.opened("two", asset="M-07"), drafts.closed("two")])
    confirm(out, "out", WHOLE, "Kim", KNOWN)
    with pytest.raises(EntryError) as caught:
        return_to_use(out, "out", "Kim", Checkout("Lee", now()))
    assert "two" in caught.value.what
    confirm(out, "two", WHOLE, "Kim", KNOWN)
    return_to_use(out, "out", "Kim", Checkout("Lee", now()))


def test_a_cause_that_the_technician_put_right_can_be_confirmed_too(out):
    confirm(out, "back", WHOLE, "Kim", KNOWN)
    own = out.find("back")
    assert (own.state, own.found) == ("returned", (TORN,))


@pytest.mark.parametrize("stream", ["on", "nothing"])
def test_what_goes_on_or_is_not_there_cannot_be_confirmed(out, stream):
    with pytest.raises(EntryError):
        confirm(out, stream, WHOLE, "Kim", KNOWN)


def test_a_second_confirmation_is_refused_and_an_amendment_is_not(out):
    confirm(out, "out", WHOLE, "Kim", KNOWN)
    other = Confirmation((Found("", "seal of the mount", "other"),))
    with pytest.raises(EntryError) as caught:
        confirm(out, "out", other, "Lee", KNOWN)
    assert "amend" in caught.value.do
    amend(out, "out", other, "Lee", "looked again", KNOWN)
    own = out.find("out")
    assert (own.found[0].words, own.state, own.asset) == ("seal of the mount", "confirmed", "M-07")
    assert [e.kind for e in out.read("out")][-2:] == ["root_cause_confirmed", "amended"]
    assert verify(out).is_well


def test_which_machine_it_was_can_be_corrected_without_a_confirmation(out):
    amend(out, "out", None, "Lee", "wrong label", asset="M-08")
    assert [own.stream for own in list_history(out, "M-08")] == ["out"]
    with pytest.raises(EntryError):
        amend(out, "out", WHOLE, "Lee", "too early", KNOWN)
    with pytest.raises(EntryError):
        amend(out, "out", None, "Lee", "", asset="M-08")


def test_no_fault_found_is_a_root_cause_of_its_own(out):
    confirm(out, "out", Confirmation((Found("", "", NO_FAULT),)), "Kim", KNOWN)
    assert out.find("out").no_fault == 1


@pytest.mark.parametrize(
    ("own", "field"),
    [
        (Confirmation(()), "causes"),
        (Confirmation((Found("breathing.nothing", "", "search"),)), "causes"),
        (Confirmation((Found("", " ", "other"),)), "words"),
        (Confirmation((Found("breathing.bag_off", "", "other"),)), "causes"),
        (Confirmation((TORN, TORN)), "causes"),
        (Confirmation((TORN, Found("", "", NO_FAULT))), "causes"),
        (Confirmation((Found("", "x", "guess"),)), "origin"),
        (Confirmation((TORN,), codes=("A99",)), "codes"),
        (Confirmation((TORN,), minutes=-1.0), "minutes"),
        (Confirmation((TORN,), downtime_minutes=float("nan")), "downtime_minutes"),
        (Confirmation((TORN,), notes="x" * 5000), "notes"),
        (Confirmation((TORN,), parts=("x",) * 30), "parts"),
    ],
)
def test_a_confirmation_that_is_not_whole_is_refused_with_its_field(out, own, field):
    with pytest.raises(EntryError) as caught:
        confirm(out, "out", own, "Kim", KNOWN)
    assert caught.value.field == field
    assert caught.value.do
    assert out.find("out").confirmed_at is None


def test_nobody_is_no_actor(out):
    with pytest.raises(EntryError) as caught:
        confirm(out, "out", WHOLE, " ", KNOWN)
    assert caught.value.field == "by"


def test_a_work_up_taken_up_again_leaves_the_queue_and_keeps_its_confirmation(out, drafts):
    from diagnose.logbook.events import Draft

    confirm(out, "out", WHOLE, "Kim", KNOWN)
    out.append([Draft("out", "reopened", {}, line=3)])
    assert list_queue(out) == []
    out.append([drafts.closed("out", 4)])
    assert [own.state for own in list_queue(out)] == ["confirmed"]


def test_of_two_confirmations_at_once_one_is_taken(url, out):
    went = []

    def try_it(name):
        own = Book(url)
        try:
            confirm(own, "out", WHOLE, name, KNOWN)
            went.append(name)
        except EntryError:
            pass
        own.close()

    threads = [threading.Thread(target=try_it, args=(f"P{n}",)) for n in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(went) == 1
    assert sum(event.kind == "root_cause_confirmed" for event in out.read("out")) == 1
