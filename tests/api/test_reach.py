"""From where a server is reached, and what it needs for that; what the door does without a page."""

import statistics
import time

import pytest

from api.door import Door
from diagnose.errors import LogError
from diagnose.logbook import accounts as store
from diagnose.logbook.accounts import Accounts
from diagnose.logbook.book import Book

WORDS = "correct horse battery"


@pytest.fixture
def own(monkeypatch):
    """The accounts of an own logbook, with one account."""
    monkeypatch.delenv("TENHOLD_DATABASE", raising=False)
    book = Book()
    found = Accounts(book.engine)
    found.add("Kim", "admin", WORDS)
    yield found
    book.close()


def test_a_server_that_asked_once_asks_also_without_its_database(own, monkeypatch):
    Door().look()

    def fail(*_):
        raise LogError("database", "is away", "wait")

    monkeypatch.setattr(store, "is_any_there", fail)
    door = Door()
    assert door.is_needed()


def test_the_hash_of_a_name_that_nobody_has_takes_the_same_time(own):
    """Medians of few tries on a busy computer: far apart only if the hash were left out."""

    def measure(name):
        start = time.perf_counter()
        own.check(name, "wrong words here")
        return time.perf_counter() - start

    own.check("Nobody", "x")  # makes the digest that stands in for one
    pairs = [(measure("Kim"), measure("Nobody")) for _ in range(7)]
    known, unknown = (statistics.median(each) for each in zip(*pairs, strict=True))
    assert 0.4 < known / unknown < 2.5


@pytest.mark.parametrize(("options", "said"), [
    (["--host", "0.0.0.0"], "make the first: tenhold accounts add NAME --role admin"),
    (["--name", "ward"], "make the first: tenhold accounts add NAME --role admin"),
    (["--host", "ward"], "'ward' is no IP address"),
])  # fmt: skip
def test_a_server_for_others_refuses_without_accounts(call, options, said):
    result = call("serve", *options)
    assert result.exit_code == 3
    assert said in result.output


@pytest.mark.parametrize(("options", "said"), [
    (["--host", "0.0.0.0"], "name it: --name hospital-host"),
    (["--host", "0.0.0.0", "--name", "ward/x"], "is no name of a computer"),
    (["--host", "0.0.0.0", "--name", "ward"], "passwords must not go over the network"),
    (["--host", "0.0.0.0", "--name", "ward", "--certificate", "none.pem"], "in the clear"),
    (["--name", "ward", "--certificate", "a.pem", "--key", "b.pem"], "there is no file"),
])  # fmt: skip
def test_a_server_for_others_needs_a_name_and_encryption(call, own, options, said):
    result = call("serve", *options)
    assert result.exit_code == 3
    assert said in result.output
