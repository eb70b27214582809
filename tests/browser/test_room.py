"""What happens in the room: the server dies, two screens show one work-up, somebody goes back."""

import json
import re

import pytest
from playwright.sync_api import Error

FAILED = "/machines/small/steps/breathing.hold_30"
BAG = "do/breathing.bag_look"
APL = "do/breathing.apl_turn"
AT_WORK = re.compile(r"/work-ups/[^/]+$")


@pytest.fixture
def work(server):
    """The address of a work-up that has just begun."""
    return server.send(FAILED, number="22", unit="cmH2O")


def read_outcomes(server, path):
    """Return every outcome that stands in a record, in order."""
    lines = map(json.loads, server.entries(path.rpartition("/")[2]))
    return [line["outcome"] for line in lines if "outcome" in line]


def test_a_work_up_goes_on_after_the_server_was_killed(come, start_server, script):
    own = start_server()
    own.await_kit()
    work = own.send(FAILED, number="22", unit="cmH2O")
    somebody = come(script, at=own)
    somebody.open(f"{work}/{BAG}")
    own.kill()
    try:
        somebody.tap("Torn", "button")  # nothing answers; the browser says so
    except Error as error:
        assert "ERR_CONNECTION_REFUSED" in str(error)
    assert read_outcomes(own, work) == ["falls_slowly"]
    own.start()
    somebody.open(work)
    somebody.sees("Do next", "fell slowly (22 cmH2O)")
    somebody.check("Stretch the bag and look", "Torn")
    somebody.sees("Last:", "Reservoir bag torn or perished")
    assert read_outcomes(own, work) == ["falls_slowly", "torn"]


def test_the_first_page_offers_to_go_on(come, work, script):
    somebody = come(script)
    somebody.open()
    somebody.unfold("Go on")
    link = somebody.page.locator(f'a[href="{work}"]')
    link.click()
    somebody.sees("Do next", "fell slowly (22 cmH2O)")


def test_a_stale_entry_is_refused_on_the_second_screen_and_nothing_is_lost(come, work, server):
    one, other = come(), come(size="phone")
    one.open(f"{work}/{BAG}")
    other.open(f"{work}/{APL}")
    one.tap("Torn", "button")
    one.sees("Last:", "Reservoir bag torn or perished")
    other.tap("It was closed", "button")
    other.sees("Somebody entered something since this page was shown", "Not taken", "was closed",
               "Last:", "torn, holed or perished")  # fmt: skip
    assert other.status == 409
    assert read_outcomes(server, work) == ["falls_slowly", "torn"]
    other.check("Turn the APL valve to closed", "It was closed")
    assert read_outcomes(server, work) == ["falls_slowly", "torn", "was_closed"]
    one.page.reload()
    one.sees("it was closed")


@pytest.mark.parametrize("button", ["Undo", "Stop here"])
def test_a_stale_undo_or_stop_is_refused_too(come, work, server, script, button):
    somebody = come(script)
    somebody.open(work)
    server.send(f"{work}/{BAG}", answer="torn")
    somebody.tap(button, "button")
    somebody.sees("Somebody entered something since this page was shown", "Do next")
    assert somebody.status == 409
    assert read_outcomes(server, work) == ["falls_slowly", "torn"]


def test_a_reload_changes_nothing(come, work, server, script):
    somebody = come(script)
    somebody.open(f"{work}/{BAG}")
    somebody.tap("Torn", "button")
    somebody.page.wait_for_url(AT_WORK)
    before = somebody.page.locator("main").inner_text()
    for _ in range(2):
        somebody.page.reload()
    assert somebody.page.locator("main").inner_text() == before
    assert read_outcomes(server, work) == ["falls_slowly", "torn"]


def test_back_shows_the_check_anew_and_loses_nothing(come, work, server, script):
    """Pages are not kept by the browser, so what is tapped after Back is a second reading."""
    somebody = come(script)
    somebody.open(f"{work}/{BAG}")
    somebody.tap("Torn", "button")
    somebody.page.wait_for_url(AT_WORK)
    somebody.page.go_back()
    somebody.tap("Sound", "button")
    somebody.page.wait_for_url(AT_WORK)
    assert read_outcomes(server, work) == ["falls_slowly", "torn", "sound"]
    somebody.tap("Undo", "button")
    somebody.sees("Last: Stretch the bag and look: torn")


def test_back_to_the_step_that_failed_begins_another_work_up(come, server, script):
    somebody = come(script)
    somebody.open(FAILED)
    somebody.tap("Fell fast", "button")
    somebody.page.wait_for_url(AT_WORK)
    first = somebody.name
    somebody.page.go_back()
    somebody.tap("Fell slowly", "button")
    somebody.page.wait_for_url(AT_WORK)
    somebody.sees("fell slowly")
    assert somebody.name != first
    assert read_outcomes(server, f"/work-ups/{first}") == ["falls_fast"]


def test_a_double_tap_counts_once(come, work, server, script):
    somebody = come(script)
    somebody.open(f"{work}/{BAG}")
    somebody.page.get_by_role("button", name="Torn").dblclick()
    somebody.page.wait_for_url(AT_WORK)
    somebody.sees("Last:")
    assert read_outcomes(server, work) == ["falls_slowly", "torn"]
