"""Every page: no barrier (axe-core, WCAG 2.2 AA), big targets, little to load, all of it our own.

The pages are those of the routes, so a page that nobody looked at is a failing test.
"""

import os

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from fastapi.routing import APIRoute

from api.app import make_app
from api.engine import Engine
from diagnose.kb.load import FOLDER

RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
TARGET = 44  # CSS px, each way
MOST = 200_000  # bytes
SCREENS = [("tablet", "light"), ("phone", "dark"), ("tablet", "dark"), ("phone", "light")]
if "TENHOLD_SCREENS" not in os.environ:
    SCREENS = SCREENS[:2]  # each size and each scheme once; all four take twice the time
PICTURES = {"/work-ups/{name}/circuit.svg"}  # routes below the pages that are no page
TOO_WIDE = "document.documentElement.scrollWidth > document.documentElement.clientWidth"
UNFOLD = "document.querySelectorAll('details').forEach(each => { each.open = true })"
# What can be tapped, measured as what takes the tap: the label of a box or field counts with it.
# Excepted, as in WCAG 2.5.8: a link inside a sentence of a paragraph.
SMALL = """least => [...document.querySelectorAll(
    'main :is(a[href], button, input:not([type=hidden]), select, textarea, summary), nav a')]
  .filter(each => each.checkVisibility() && each.tabIndex >= 0)
  .filter(each => !(getComputedStyle(each).display === 'inline' && each.closest('p, li')))
  .map(each => [each, each.closest('label') || each.querySelector('img') || each])
  .map(([each, taken]) => [each, taken.getBoundingClientRect()])
  .filter(([each, box]) => box.width < least || box.height < least)
  .map(([each, box]) => `${each.outerHTML.slice(0, 90)}: ${box.width} x ${box.height}`)"""


def walk(routes):
    """Yield every route of a server, those of its routers too."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        yield from [route] if inner is None else walk(inner.routes)


def unfold(page):
    """Open everything that can be opened, and let every picture come."""
    page.evaluate(UNFOLD)
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    page.wait_for_function("[...document.images].every(each => each.naturalWidth)")


def find_violations(page):
    """Return what axe-core finds on a page, and what it cannot tell.

    A drawing's parts outside its frame count as lying over the text around, and what is written
    over its lines has no one background: what axe leaves open is asked again without drawings.
    """
    violations, unsure = run_axe(page)
    if unsure:
        page.evaluate("document.querySelectorAll('main svg:not(.bar)').forEach(x => x.remove())")
        more, unsure = run_axe(page)
        violations += more
    return violations, unsure


def run_axe(page):
    """Return the violations, and what axe leaves open."""
    found = Axe().run(page, options={"runOnly": RULES}).response
    assert len(found["passes"]) > 5, "axe looked at nothing"
    return tuple(
        [f"{each['id']}: {node['html'][:90]}" for each in found[kind] for node in each["nodes"]]
        for kind in ("violations", "incomplete")
    )


@pytest.fixture(scope="module", params=SCREENS, ids="-".join)
def screen(request, browser, server):
    """A screen in a room; the policy of the pages is set aside on it, as it would keep axe out."""
    size, scheme = request.param
    width, height = {"tablet": (1280, 800), "phone": (390, 844)}[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, bypass_csp=True
    )
    yield context.new_page()
    context.close()


@pytest.fixture
def shown(screen, server, path):
    """A page on a screen, everything on it unfolded."""
    screen.goto(server.url + path)
    unfold(screen)
    return screen


def test_every_page_of_the_server_is_among_those_looked_at(pages):
    own = {
        route.path
        for route in walk(make_app(Engine(FOLDER)).routes)
        if isinstance(route, APIRoute) and "GET" in route.methods and not route.include_in_schema
    }
    drills = {path for path in own if path.startswith("/drills")}  # test_drills.py plays them
    assert own - PICTURES - drills == set(pages)


def test_every_page_that_is_looked_at_is_a_page(server, path):
    answer = httpx.get(
        server.url + path, headers={"accept": "text/html"}, follow_redirects=True, timeout=60
    )
    assert answer.status_code == (404 if path == "/machines/tall" else 200)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"


def test_no_page_has_a_barrier_a_small_target_or_more_width_than_the_screen(shown):
    violations, unsure = find_violations(shown)
    assert violations == []
    assert unsure == []
    assert shown.evaluate(SMALL, TARGET) == []
    assert not shown.evaluate(TOO_WIDE)


def test_the_page_that_waits_has_no_barrier(come, start_server, tmp_path):
    own = start_server(cache=tmp_path)
    work = own.send("/machines/small/steps/breathing.hold_30", answer="falls_slowly")
    somebody = come(size="phone", at=own, bypass_csp=True)
    somebody.page.route("**/wait.js", lambda route: route.abort())  # it would look again meanwhile
    somebody.open(work)
    somebody.sees("Please wait", "What you entered is kept")
    violations, unsure = find_violations(somebody.page)
    own.kill()
    assert violations == [] and unsure == []


def test_a_barrier_is_found(come):
    somebody = come(bypass_csp=True)
    somebody.open("/")
    somebody.page.evaluate("document.querySelector('main').innerHTML += '<input><img src=x>'")
    found = " ".join(find_violations(somebody.page)[0])
    assert "label:" in found and "image-alt:" in found


def test_a_small_target_is_found(come):
    somebody = come()
    somebody.open("/")
    somebody.page.evaluate("document.querySelector('main').innerHTML += '<div><a href=x>x</a>'")
    assert len(somebody.page.evaluate(SMALL, TARGET)) == 1


def test_no_page_needs_much_and_all_of_it_is_our_own(come, server, path):
    somebody = come()
    somebody.open(path)
    unfold(somebody.page)
    loaded = [each for each in somebody.requests if not each.url.startswith("data:")]
    sizes = [each.sizes() for each in loaded]
    total = sum(each["responseBodySize"] + each["responseHeadersSize"] for each in sizes)
    print(path.partition("?")[0], len(loaded), total)
    assert loaded and all(each.url.startswith(f"{server.url}/") for each in loaded)
    assert 1000 < total < MOST


def test_a_request_elsewhere_is_noticed(come):
    somebody = come(bypass_csp=True)
    somebody.open("/")
    somebody.page.evaluate("new Image().src = 'http://127.0.0.1:9/elsewhere.png'")
    somebody.page.wait_for_timeout(100)
    assert [to for _, to in come.asked if "elsewhere" in to]
    come.asked.clear()
