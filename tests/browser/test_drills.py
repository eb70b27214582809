"""A whole drill and a group of ten in a real browser; going on after a reload.

``TENHOLD_SHOTS=FOLDER pytest tests/browser/test_drills.py -m browser`` keeps pictures there.
"""

import os
import shutil
import socket
import threading
import time
from pathlib import Path

import pytest
import uvicorn

from api.app import make_app
from api.drilling import set_case
from api.engine import Engine
from diagnose.drill.case import Case
from diagnose.kb.load import FOLDER

CHROMIUM = shutil.which("chromium")
BAG = Case("small", ("breathing.bag_torn",), (0.4,), 7)
SIZES = {"tablet": (1280, 800), "phone": (390, 844)}
PEOPLE = 10
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium here"),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A running server; its address."""
    os.environ["TENHOLD_STATE"] = str(tmp_path_factory.mktemp("state"))
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    engine = Engine(FOLDER)
    engine.kit("small")
    server = uvicorn.Server(uvicorn.Config(make_app(engine), log_level="warning"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    server.should_exit = True
    thread.join(30)
    del os.environ["TENHOLD_STATE"]


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def shoot(tmp_path):
    folder = Path(os.environ.get("TENHOLD_SHOTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)

    def keep(page, name):
        page.screenshot(path=folder / f"drill-{name}.png", full_page=True)
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"{name}: {wide} px too wide"

    return keep


def open_page(browser, size):
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height},
                                  java_script_enabled=True)  # fmt: skip
    context.set_default_timeout(60_000)
    return context.new_page()


def begin(page, place, nick):
    page.goto(f"{place}/drills")
    form = page.locator("form", has=page.locator("#code"))
    form.locator("#code").fill(set_case(BAG))
    form.locator("[name=nick]").fill(nick)
    form.get_by_role("button", name="Begin").click()
    page.wait_for_url("**/drills/*")


def pick(page, link, words, button):
    page.get_by_role("link", name=link).click()
    page.get_by_label("Words to search").fill(words)
    page.get_by_role("button", name="Search").click()
    page.get_by_text(button, exact=True).first.click()


def name_cause(page, zone, cause, course):
    page.get_by_role("link", name="Name the cause and end").click()
    page.locator("summary", has_text=zone).click()
    page.get_by_label(cause).check()
    page.get_by_role("button", name=course).click()


@pytest.mark.parametrize("size", SIZES)
def test_a_whole_drill_with_a_reload_in_its_middle(place, browser, size, shoot):
    page = open_page(browser, size)
    page.goto(f"{place}/drills")
    shoot(page, f"list-{size}")
    begin(page, place, f"anna {size}")
    shoot(page, f"begun-{size}")
    pick(page, "Note a suspicion", "bag torn", "Reservoir bag torn or perished")
    pick(page, "Do a check", "bag plugged", "Hold with the bag off and its mount plugged")
    shoot(page, f"check-{size}")
    page.get_by_role("button", name="Do it and see").click()
    assert page.locator(".shown").inner_text()
    assert page.locator(".plot svg").count() == 1
    shoot(page, f"seen-{size}")
    before = page.locator("main").inner_text()
    page.reload()
    assert page.locator("main").inner_text() == before
    other = open_page(browser, size)
    other.goto(page.url)
    assert other.locator("main").inner_text() == before, "another window goes on there"
    pick(page, "Put something right", "bag", "Fit a new bag.")
    pick(page, "Do a check", "hold at 30", "Breathing system hold at 30 cmH2O")
    page.get_by_role("button", name="Do it and see").click()
    page.get_by_role("link", name="Name the cause and end").click()
    page.locator("summary", has_text="Breathing system").click()
    shoot(page, f"end-{size}")
    page.get_by_label("Reservoir bag torn or perished").check()
    page.get_by_role("button", name="Return to checkout").click()
    assert "SOLVED" in page.locator("h1").inner_text()
    assert page.locator(".plot svg").count() == 1
    shoot(page, f"debrief-{size}")
    page.get_by_role("link", name="Progress of").click()
    shoot(page, f"progress-{size}")


def test_a_wrong_return_is_shown_as_failed(place, browser, shoot):
    page = open_page(browser, "tablet")
    begin(page, place, "berta")
    pick(page, "Do a check", "bag plugged", "Hold with the bag off and its mount plugged")
    page.get_by_role("button", name="Do it and see").click()
    name_cause(page, "Breathing system", "Dust or granules on the absorber gasket",
               "Return to checkout")  # fmt: skip
    assert "FAILED" in page.locator("h1").inner_text()
    assert "Still there at the end" in page.locator("main").inner_text()
    shoot(page, "failed-tablet")


def test_a_group_of_ten_with_a_board_that_spoils_nothing(place, browser, shoot):
    trainer = open_page(browser, "tablet")
    trainer.goto(f"{place}/drills/groups")
    shoot(trainer, "groups-tablet")
    trainer.get_by_label("or your own case").fill(set_case(BAG))
    trainer.get_by_role("button", name="Open the group").click()
    code = trainer.locator(".code strong").inner_text()
    people = []
    for number in range(PEOPLE):
        page = open_page(browser, "phone")
        page.goto(f"{place}/drills/groups")
        page.get_by_label("Code on the board").fill(code)
        page.get_by_label("Nickname").fill(f"trainee {number}")
        page.get_by_role("button", name="Join").click()
        page.wait_for_url("**/drills/*")
        people.append(page)
    assert len({page.url for page in people}) == PEOPLE
    for page in people[:6]:
        pick(page, "Do a check", "bag plugged", "Hold with the bag off and its mount plugged")
        page.get_by_role("button", name="Do it and see").click()
    for page in people[:4]:
        name_cause(page, "Breathing system", "Reservoir bag torn or perished",
                   "Remove from service")  # fmt: skip
    name_cause(people[4], "Breathing system", "Bag not fully on its mount", "Return to checkout")
    trainer.reload()
    text = trainer.locator("main").inner_text()
    assert text.count("at work") == PEOPLE - 5
    assert text.count("ended") == 5
    assert "torn" not in text.lower()
    shoot(trainer, "board-tablet")
    trainer.get_by_role("button", name="Close the group").click()
    text = trainer.locator("main").inner_text()
    assert "What was wrong: Reservoir bag torn or perished" in text
    assert "FAILED" in text
    shoot(trainer, "board-closed-tablet")
