"""Signing in and out in a real browser, and no barrier on the pages for it."""

import time

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe

from diagnose.logbook.accounts import Accounts
from diagnose.logbook.book import Book

WORDS = "correct horse battery"


@pytest.fixture(scope="module")
def asked(start_server):
    """A server that got its first account while it ran."""
    own = start_server()
    book = Book(f"sqlite:///{own.state / 'logbook.sqlite'}")
    Accounts(book.engine).add("Kim", "technician", WORDS)
    book.close()
    end = time.monotonic() + 30
    while httpx.get(f"{own.url}/api/machines").status_code != 401:
        assert time.monotonic() < end, "it never noticed"
        time.sleep(0.2)
    return own


def find_barriers(page):
    found = Axe().run(page).response
    assert len(found["passes"]) > 5, "axe looked at nothing"
    return [each["id"] for each in found["violations"]]


@pytest.mark.parametrize("size", ["tablet", "phone"])
def test_a_person_signs_in_works_and_signs_out(come, asked, size):
    somebody = come(size=size, at=asked, bypass_csp=True)
    somebody.open("/fleet")
    assert find_barriers(somebody.page) == []
    somebody.page.get_by_label("Name").fill("Kim")
    somebody.page.get_by_label("Password").fill("wrong")
    somebody.tap("Sign in", "button")
    somebody.sees("The name or the password is wrong.")
    assert find_barriers(somebody.page) == []
    somebody.page.get_by_label("Password").fill(WORDS)
    somebody.tap("Sign in", "button")
    somebody.sees("Signed in as Kim")
    assert somebody.page.url == f"{asked.url}/fleet"
    somebody.open("/biomed")
    somebody.sees("Not for this role", "Signed in as Kim")
    somebody.tap("Signed in as Kim")
    assert find_barriers(somebody.page) == []
    somebody.tap("Sign out", "button")
    somebody.open("/fleet")
    assert somebody.page.url == f"{asked.url}/sign-in?next=%2Ffleet"
