"""Drills over HTTP: a whole one, resuming, wrong input, a group, a study; and nothing leaks."""

import re
import statistics
import time

import pytest
from fastapi.testclient import TestClient

from api import routes_drill
from api.app import make_app
from api.drilling import Drilling, set_case
from diagnose.drill.case import Case
from diagnose.drill.judge import alike
from diagnose.drill.machine import Rig
from diagnose.drill.play import check_out

LEAK = Case("small", ("breathing.bag_torn",), (0.5,), 7)
NAME = re.compile(r"[0-9a-f]{16}")
PAGES = ("", "/checks", "/remedies", "/suspect", "/end", "/check/breathing.hold_bag_plugged")


@pytest.fixture
def quick():
    """The server without its beat, so that the tests need not wait for it."""
    routes_drill.BEAT = 0.001
    yield
    routes_drill.BEAT = 0.5


def start(client, case=LEAK, nick=""):
    answer = client.post("/drills", data={"how": "code", "code": set_case(case), "nick": nick},
                         follow_redirects=False)  # fmt: skip
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def send(client, path, page, **form):
    text = client.get(path).text
    form["length"] = (
        re.search(r"length=(\d+)", text)[1] if "length=" in text else count(client, path)
    )
    return client.post(f"{path}{page}", data=form, follow_redirects=False)


def count(client, path):
    """Return how many acts a drill has, as its forms say."""
    return re.search(r'name="length" value="(\d+)"', client.get(f"{path}/suspect").text)[1]


def test_a_whole_drill_is_played_and_debriefed(client, quick):
    path = start(client, nick="anna")
    assert "failed:" in client.get(path).text
    assert "10 s" in read(client, path, "/check/breathing.hold_known_good_bag")
    send(client, path, "/suspect", cause="breathing.bag_torn")
    send(client, path, "/remedies", remedy="replace@bag")
    read(client, path, "/check/breathing.hold_30")
    send(client, path, "/end", cause="breathing.bag_torn", course="return")
    page = client.get(path).text
    assert "SOLVED" in page
    assert "Reservoir bag torn" in page
    assert "anna" in client.get("/drills/progress?nick=anna").text
    exported = client.get("/drills/progress?nick=anna&form=csv").text.splitlines()
    assert len(exported) == 2


def read(client, path, page):
    send(client, path, page)
    return client.get(path).text


def test_a_wrong_return_is_a_failed_drill_whatever_was_named(client, quick):
    path = start(client)
    send(client, path, "/end", cause="breathing.bag_torn", course="return")
    page = client.get(path).text
    assert "FAILED" in page
    assert "0 of 100" in page


def test_a_drill_goes_on_after_the_server_was_started_again(client, quick, engine):
    path = start(client)
    before = read(client, path, "/check/breathing.hold_bag_plugged")
    again = TestClient(make_app(engine), base_url="http://127.0.0.1:8000")
    assert again.get(path).text == before


def test_the_same_tap_twice_is_one_act_and_an_old_page_is_refused(client, quick):
    path = start(client)
    page = f"{path}/check/breathing.hold_bag_plugged"
    for _ in range(2):
        assert client.post(page, data={"length": "0"}, follow_redirects=False).status_code == 303
    assert count(client, path) == "1"
    stale = client.post(f"{path}/check/breathing.hold_30", data={"length": "0"})
    assert stale.status_code == 409
    assert count(client, path) == "1"


@pytest.mark.parametrize("page, form, status", [
    ("/check/no.such", {}, 409), ("/remedies", {"remedy": "no@such"}, 409),
    ("/suspect", {"cause": "no.such"}, 409), ("/end", {"course": "maybe"}, 422),
    ("/end", {"course": "return"}, 422), ("/end", {"course": "return", "cause": "no.such"}, 409),
])  # fmt: skip
def test_what_is_not_possible_is_said_and_changes_nothing(client, quick, page, form, status):
    path = start(client)
    assert send(client, path, page, **form).status_code == status
    assert count(client, path) == "0"


@pytest.mark.parametrize("form", [
    {"how": "stock", "drill": "none"}, {"how": "code", "code": "AAAAAA"}, {"how": "due"},
    {"how": "study", "machine": "small", "faults": "many"}, {"how": "drawn", "machine": "tall"},
    {"how": "fly"}, {"how": "drawn", "machine": "small", "nick": "<b>"},
])  # fmt: skip
def test_a_drill_that_cannot_be_begun_is_said_on_the_page(client, quick, form):
    answer = client.post("/drills", data=form)
    assert answer.status_code in (404, 422)
    assert 'role="alert"' in answer.text or '"detail"' in answer.text


def test_a_group_sees_who_is_where_and_the_cause_only_at_the_end(client, quick):
    code = set_case(LEAK)
    opened = client.post("/drills/groups", data={"code": code}, follow_redirects=False)
    board = opened.headers["location"]
    group = re.search(r"groups/(\w{6})/", board)[1]
    paths = [
        client.post("/drills/join", data={"code": group, "nick": f"p{n}"}, follow_redirects=False)
        .headers["location"] for n in range(3)
    ]  # fmt: skip
    again = client.post("/drills/join", data={"code": group, "nick": "P1"}, follow_redirects=False)
    assert again.headers["location"] == paths[1]
    read(client, paths[0], "/check/breathing.hold_30")
    shown = client.get(board).text
    assert "p2" in shown
    assert "bag torn" not in shown.lower()
    send(client, paths[0], "/end", cause="breathing.gasket_dusty", course="remove")
    for page in (paths[0], "/drills/progress?nick=p0", "/drills/progress?nick=p0&form=json"):
        assert "bag torn" not in client.get(page).text.lower().replace("_", " "), page
    wrong = client.post(f"/drills/groups/{group}/close", data={"key": "0" * 16})
    assert wrong.status_code == 422
    client.post(f"/drills/groups/{group}/close", data={"key": board.partition("key=")[2]})
    result = client.get(board).text
    assert "What was wrong: Reservoir bag torn" in result
    assert "bag torn" in client.get(paths[0]).text
    assert "bag_torn" in client.get("/drills/progress?nick=p0&form=json").text
    assert "gasket" in result


def test_a_study_is_scored_beside_the_published_figures(client, quick):
    begun = client.post("/drills", data={"how": "study", "machine": "small", "faults": "2"},
                        follow_redirects=False)  # fmt: skip
    path = begun.headers["location"]
    assert "2 faults are set" in client.get(path).text
    send(client, path, "/end", cause="breathing.bag_torn")
    page = client.get(path).text
    assert re.search(r"You found \d of 2 preset faults", page)
    assert "3.7 of 5 (74%)" in page
    assert "Larson" in page


def find_alike(engine):
    """Return two cases that no check tells apart, on one machine, with one failed step."""
    kit = engine.kit("small")
    by_group = {group for group in alike(kit.catalogue, kit.table).values()}
    for group in sorted(by_group, key=sorted):
        names = sorted(group)[:2]
        for seed in range(4):
            cases = [Case("small", (name,), (0.5,), seed) for name in names]
            works = [check_out(Rig(kit.catalogue, case)) for case in cases]
            if all(works) and works[0].entries == works[1].entries:
                return cases
    raise AssertionError("no two causes begin alike")


def blind(text):
    """Return a page with the random names of drills taken out; they have one length."""
    return NAME.sub("x" * 16, text)


def test_two_causes_with_the_same_answers_have_the_same_pages_to_the_last_byte(
    client, quick, engine
):
    one, two = (start(client, case) for case in find_alike(engine))
    for page in PAGES:
        answers = [client.get(path + page) for path in (one, two)]
        assert blind(answers[0].text) == blind(answers[1].text), page
        kept = [{k: blind(v) for k, v in a.headers.items() if k != "date"} for a in answers]
        assert kept[0] == kept[1], page


def test_no_page_names_what_is_hidden_but_in_the_list_of_every_cause(client, quick):
    path = start(client)
    read(client, path, "/check/breathing.hold_bag_plugged")
    for page in PAGES:
        text = client.get(path + page).text
        lists_all = page in ("/suspect", "/end")
        assert ("breathing.bag_torn" in text) == lists_all, page
        for word in ("severity", "seed", '"shares"', "0.5"):
            assert page == "" or word not in text, (page, word)


def test_names_and_orders_are_the_same_whatever_is_hidden(client, quick):
    other = Case("small", ("breathing.apl_left_open",), (0.5,), 7)
    paths = [start(client, case) for case in (LEAK, other, LEAK)]
    assert len({NAME.search(path)[0] for path in paths}) == 3
    for page in ("/checks", "/remedies", "/suspect", "/end"):
        assert len({blind(client.get(path + page).text) for path in paths}) == 1, page


def test_codes_and_the_list_of_drills_tell_nothing(client, quick, engine):
    codes = {set_case(LEAK) for _ in range(20)}
    assert len(codes) == 20, "the same case has another code each time"
    text = client.get("/drills").text
    for drill in Drilling(engine).drills.values():
        for each in drill.causes:
            assert each.cause not in text
        assert drill.after not in text
        assert drill.learn not in text


def test_answers_are_sent_on_a_beat_so_that_their_time_tells_nothing(client):
    sound = Case("small", ("power.lamp_dead",), (0.5,), 7)  # no gas path is touched: solved quickly
    times = {}
    for beat in (0.001, 0.5):
        routes_drill.BEAT = beat
        for case in (LEAK, sound):
            own = []
            for _ in range(3):
                path = start(client, case)
                began = time.monotonic()
                client.post(f"{path}/check/breathing.squeeze_through", data={"length": "0"},
                            follow_redirects=False)  # fmt: skip
                own.append(time.monotonic() - began)
            times[beat, case.causes[0]] = statistics.median(own)
    routes_drill.BEAT = 0.5
    for (beat, cause), seconds in times.items():
        print(f"beat {beat} {cause}: {seconds:.3f} s")
    for cause in (LEAK.causes[0], sound.causes[0]):
        off = times[0.5, cause] % 0.5
        assert min(off, 0.5 - off) < 0.1, "not on a beat"
