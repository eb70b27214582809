"""A real server, a real browser, and somebody who only sees and taps what is on the screen."""

import contextlib
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import expect, sync_playwright

HERE = Path(__file__).parent
COMMAND = [sys.executable, "-c", "from api.cli import main; main()", "serve", "--port"]
SIZES = {"tablet": (1280, 800), "phone": (390, 844)}
FAILED = "/machines/small/steps/breathing.hold_30"
WAIT = 10_000  # ms; a computer in use by other tests answers slowly
COUNTED = re.compile(r'name="length" value="(\d+)"')
NAMED = re.compile(r"work-up-\d{8}-\d{6}-[0-9a-f]{4}")

# Every page, by the route that makes it. A new route without an example fails in test_pages.py.
PAGES = {
    "/": ["/"],
    "/machines/{machine}": ["/machines/small", "/machines/small?search=oxygen",
                            "/machines/small?search=nothing+like+it"],
    "/machines/{machine}/steps/{step}": [FAILED],
    "/fleet": ["/fleet"],
    "/fleet/{asset}": ["/fleet/T-7"],
    "/fleet/{asset}/label": ["/fleet/T-7/label"],
    "/units": ["/units"],
    "/sign-in": ["/sign-in"],  # without accounts both lead to the first page;
    "/account": ["/account"],  # test_sign_in.py looks at them with one
    "/biomed": ["/biomed"],
    "/biomed/figures": ["/biomed/figures"],
    "/biomed/machines/{asset}": ["/biomed/machines/T-7"],
    "/biomed/work-ups/{name}": ["/biomed{removed}", "/biomed{returned}"],
    "/work-ups/{name}": ["{work}", "{removed}", "{returned}"],
    "/work-ups/{name}/sheet": ["{work}/sheet", "{removed}/sheet", "{returned}/sheet"],
    "/work-ups/{name}/tag": ["{removed}/tag"],
    "/work-ups/{name}/told": ["{work}/told"],
    "/work-ups/{name}/do/{test}": ["{work}/do/breathing.hold_bag_plugged",
                                   "{work}/do/breathing.bag_look"],
    "/work-ups/{name}/put-right/{remedy}": ["{work}/put-right/replace@bag"],
    "/work-ups/{name}/checks": ["{work}/checks", "{work}/checks?search=hold"],
    "/work-ups/{name}/remedies": ["{work}/remedies"],
}  # fmt: skip
TROUBLES = ["/machines/tall"]  # pages that an error makes


def pytest_collection_modifyitems(items):
    """Mark everything in this folder: it needs a browser."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.browser)


class Server:
    """`tenhold serve` as a process of its own; it can be killed and started again."""

    def __init__(self, state, cache=None):
        self.state, self.process = state, None
        self.more = {"TENHOLD_STATE": str(state)} | ({"TENHOLD_CACHE": str(cache)} if cache else {})
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"

    def start(self):
        """Start it, and wait until it answers."""
        self.process = subprocess.Popen(
            [*COMMAND, str(self.port)], env=os.environ | self.more, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(600):
            assert self.process.poll() is None, "the server ended at once"
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{self.url}/health")
                return
            time.sleep(0.1)
        raise AssertionError("the server never answered")

    def kill(self):
        """End it as a crash would."""
        self.process.kill()
        self.process.wait()

    def entries(self, name):
        """Return the lines of a record."""
        return (self.state / f"{name}.jsonl").read_text("utf-8").splitlines()

    def send(self, path, to="", **form):
        """Send the form of a page as a browser does; return where it led."""
        with httpx.Client(base_url=self.url, follow_redirects=True, timeout=60) as client:
            counted = COUNTED.search(client.get(path).text)
            form |= {"length": counted[1]} if counted else {}
            answer = client.post(path + to, data=form)
            assert answer.status_code == 200, answer.text
            return answer.url.path

    def await_kit(self):
        """Begin a work-up and wait until the table of the teaching machine is there."""
        path = self.send(FAILED, answer="falls_slowly")
        while "Please wait" in httpx.get(self.url + path, timeout=60).text:
            time.sleep(0.2)


@pytest.fixture(scope="session", autouse=True)
def cache():
    """Where compiled tables lie: the same place as for all other tests."""
    shared = os.environ.get("TENHOLD_CACHE") or str(
        Path(tempfile.gettempdir()) / "tenhold-test-cache"
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TENHOLD_CACHE", shared)
        yield shared


@pytest.fixture(scope="session")
def start_server(tmp_path_factory):
    """Start servers that end with the tests."""
    started = []

    def start(cache=None):
        started.append(Server(tmp_path_factory.mktemp("state"), cache))
        started[-1].start()
        return started[-1]

    yield start
    for each in started:
        if each.process.poll() is None:
            each.kill()


@pytest.fixture(scope="session")
def server(start_server):
    """A server with the teaching machine ready."""
    own = start_server()
    own.await_kit()
    return own


@pytest.fixture(scope="session")
def browser():
    """The system's browser; none is fetched."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "these tests need Debian's chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        own = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield own
        own.close()


class Person:
    """Somebody at a screen: opens, taps, enters, sees. Counts taps, keeps every request."""

    def __init__(self, page, url):
        self.page, self.url, self.taps = page, url, 0
        self.requests, self.status = [], None
        page.set_default_timeout(WAIT)
        page.on("requestfinished", lambda request: self.requests.append(request))
        page.on("response", self._note)

    def _note(self, response):
        if response.request.is_navigation_request() or response.request.method == "POST":
            self.status = response.status

    def open(self, path="/"):
        """Type an address."""
        self.page.goto(self.url + path)

    def tap(self, name, kind="link"):
        """Tap a link or a button by what is written on it."""
        self.page.get_by_role(kind, name=name).first.click()
        self.taps += 1

    def unfold(self, name):
        """Tap what opens a part of the page, if it is not open."""
        part = self.page.locator("details", has=self.page.locator("summary", has_text=name)).first
        if part.get_attribute("open") is None:
            part.locator("summary").first.click()
            self.taps += 1

    def answer(self, number):
        """Enter the number that was read."""
        self.page.get_by_label("Number read").fill(number)
        self.tap("Take the number", "button")

    def sees(self, *texts):
        """Wait until texts can be seen."""
        for text in texts:
            body = expect(self.page.locator("body"))
            body.to_contain_text(text, use_inner_text=True, timeout=WAIT)

    def misses(self, text):
        """Make sure that a text cannot be seen."""
        expect(self.page.locator("body")).not_to_contain_text(text, use_inner_text=True)

    def choose(self, title, other="Other check"):
        """Go to a check or remedy: the way that is suggested if it is, else by its words."""
        heading = self.page.get_by_role("heading", name=title)
        suggested = self.page.locator("article", has=heading)
        if suggested.count():
            suggested.first.get_by_role("link", name=re.compile("^Do")).click()
        else:
            self.tap(other)
            self.page.get_by_role("searchbox").fill(title)
            self.tap("Search", "button")
            self.tap(title)
        self.page.wait_for_url(re.compile("/(do|put-right)/"))
        self.sees("Back to the work-up", title)

    def check(self, title, answer):
        """Do a check and tap what was seen."""
        self.choose(title)
        self.tap(answer, "button")
        self.page.wait_for_url(re.compile(rf"/{NAMED.pattern}$"))

    @property
    def name(self):
        """The name of the record that the address shows."""
        return NAMED.search(self.page.url)[0]


@pytest.fixture
def come(browser, server):
    """Let somebody come to a screen; whoever it is, nothing may be asked of anywhere else."""
    contexts, asked = [], []

    def arrive(script=True, size="tablet", scheme="light", at=server, **more):
        width, height = SIZES[size]
        context = browser.new_context(
            java_script_enabled=script, viewport={"width": width, "height": height},
            color_scheme=scheme, reduced_motion="reduce", **more,
        )  # fmt: skip
        context.on("request", lambda request: asked.append((at.url, request.url)))
        contexts.append(context)
        return Person(context.new_page(), at.url)

    arrive.asked = asked
    yield arrive
    for context in contexts:
        context.close()
    assert [to for own, to in asked if not to.startswith((f"{own}/", "data:"))] == []


@pytest.fixture(scope="session")
def paths(server):
    """Work-ups in their middle and at both ends."""
    work = server.send(FAILED, number="22", unit="cmH2O", minutes="30", part="all")
    server.send(f"{work}/do/breathing.bag_look", answer="torn")
    server.send("/fleet", asset="T-7", profile="small", place="Room 3")
    removed = server.send(FAILED, answer="falls_slowly", minutes="20", asset="T-7")
    server.send(removed, "/stop")
    returned = server.send(FAILED, answer="falls_fast", part="all")
    server.send(f"{returned}/do/breathing.apl_turn", answer="was_open")
    server.send(f"{returned}/put-right/close@apl_valve")
    server.send(f"{returned}/do/breathing.hold_30", number="30", unit="cmH2O")
    return {"work": work, "removed": removed, "returned": returned}


@pytest.fixture(scope="session")
def pages():
    """The addresses of every page, by its route."""
    return PAGES


@pytest.fixture(params=[path for each in PAGES.values() for path in each] + TROUBLES)
def path(request, paths):
    """The address of every page in turn."""
    return request.param.format(**paths)


@pytest.fixture(params=[True, False], ids=["script", "no_script"])
def script(request):
    """With JavaScript and without."""
    return request.param
