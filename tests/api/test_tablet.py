"""What the tablet at the machine adds: clock, drawing, list of machines, labels, tag, units."""

import re
from html import unescape
from urllib.parse import unquote

import pytest

from api.board import list_units, say_example
from api.label import draw_code
from api.timing import find_timer
from diagnose.fleet import fleet_path, read_fleet
from diagnose.journal import list_records
from diagnose.outline import ZONE_TITLES
from diagnose.units import Units
from tests.api.test_forms import FAILED, HOLD, REMOVE, length_of, say, start, text_of

BULB = "outlet.bulb_supplies_off"


def test_a_hold_has_a_clock_that_counts_down_what_the_knowledge_says(client):
    path = start(client).url.path
    page = client.get(f"{path}/do/breathing.hold_bag_plugged").text
    assert re.search(r'class="timer" hidden data-way="down" data-stages="10.0"', page)
    assert '<script src="/static/timer.js" defer></script>' in page
    assert 'id="number"' in page and 'id="take"' in page


def test_a_wait_for_an_event_counts_up_to_the_limit_of_the_check(client):
    path = start(client).url.path
    page = client.get(f"{path}/do/{BULB}").text
    assert 'data-way="up" data-stages="10.0"' in page
    assert 'data-enough="Flat for 10 s or more"' in page


def test_a_look_has_no_clock_and_no_script(client):
    path = start(client).url.path
    page = client.get(f"{path}/do/breathing.bag_look").text
    assert 'class="timer"' not in page and "<script" not in page


def test_every_clock_of_the_knowledge_can_be_used(engine):
    clocks = [timer for check in engine.base().checks.values() if (timer := find_timer(check))]
    assert len(clocks) > 20
    assert all(1 <= each <= 300 for timer in clocks for each in timer.stages)
    assert all(timer.title and len(timer.stages) == 1 for timer in clocks if timer.way == "up")


def test_two_waits_are_two_stages_and_a_ventilator_keeps_its_own_time(engine):
    checks = engine.base().checks
    assert find_timer(checks["monitoring.oxygen_flush"]).stages == (30.0, 60.0)
    assert find_timer(checks["ventilator.end_pressure"]) is None


def test_the_script_is_served_and_holds_no_word_and_no_address(client):
    script = client.get("/static/timer.js")
    assert script.headers["content-type"].startswith("text/javascript")
    assert "http" not in script.text and "innerHTML" not in script.text
    assert not re.findall(r"\b\d\d+ s\b", script.text)


def test_every_zone_with_a_step_can_be_tapped_on_the_drawing(client, engine):
    page = client.get("/machines/small").text
    profile = next(each for each in engine.outline.machines if each.id == "small")
    zones = {step.zone for step in profile.steps}
    links = re.findall(r'<a class="area" href="([^"]+)" aria-label="([^"]+)">', page)
    assert {re.search(r"zone=(\w+)", link)[1] for link, _ in links} == zones
    assert {label.partition(",")[0] for _, label in links} == {ZONE_TITLES[z] for z in zones}


def test_a_zone_leads_to_its_steps_only_and_keeps_the_machine(client):
    page = client.get("/machines/small", params={"zone": "power", "asset": "A-017"})
    said = text_of(page)
    links = re.findall(r'class="tile" href="(/machines/small/steps/[^"]+)"', page.text)
    assert links and all("/steps/power." in unquote(link) for link in links)
    assert all(link.endswith("?asset=A-017") for link in links)
    assert "A-017" in said and "All parts of the checkout" in said


def test_a_zone_that_does_not_exist_shows_no_step(client):
    page = client.get("/machines/small", params={"zone": "<b>"})
    assert page.status_code == 200
    assert 'class="tile"' not in page.text and "<b>" not in page.text


def add(client, asset="A-017", profile="small", place="Theatre 3"):
    return client.post("/fleet", data={"asset": asset, "profile": profile, "place": place})


def test_a_machine_of_the_list_is_chosen_by_one_tap_and_kept_in_the_record(client):
    assert "A-017, Theatre 3" in text_of(add(client))
    assert 'href="/fleet/A-017"' in client.get("/").text
    steps = client.get("/fleet/A-017")
    assert str(steps.url).endswith("/machines/small?asset=A-017")
    failed = client.get(f"{FAILED}?asset=A-017")
    assert '<input type="hidden" name="asset" value="A-017">' in failed.text
    page = start(client, asset="A-017")
    assert list_records()[0][0].work.asset == "A-017"
    assert "A-017 (Teaching machine)" in text_of(page)
    assert "Asset number A-017" in text_of(client.get(f"{page.url.path}/sheet"))


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"asset": "a b"}, "asset: has 1 to 40 letters"),
        ({"asset": "../x"}, "asset: has 1 to 40 letters"),
        ({"asset": ""}, "asset: has 1 to 40 letters"),
        ({"profile": "tall"}, "'tall' is no machine of the knowledge"),
        ({"place": "x" * 61}, "place: has at most 60 characters"),
    ],
)
def test_a_machine_that_cannot_be_listed_is_refused_and_asked_again(client, form, said):
    add(client, "B-1")
    told = {"asset": "A-017", "profile": "small", "place": "Theatre 3"} | form
    page = client.post("/fleet", data=told)
    assert page.status_code == 422
    assert said in text_of(page)
    assert [each.asset for each in read_fleet({"small"})] == ["B-1"]


def test_a_number_stands_once_in_the_list_and_can_be_taken_off(client):
    add(client)
    assert "'A-017' is in the list already" in text_of(add(client, place="elsewhere"))
    assert "No machine is in the list yet" in text_of(client.post("/fleet/A-017/remove"))
    assert "is not in the list" in text_of(client.post("/fleet/A-017/remove"))
    assert client.get("/fleet/A-017").status_code == 404


def test_a_broken_list_is_said_by_line_is_not_written_over_and_stops_no_work(client):
    add(client)
    path = fleet_path()
    broken = path.read_text("utf-8") + "  - {asset: A-017, profile: tall, plac: x}\n"
    path.write_text(broken, "utf-8")
    first = text_of(client.get("/"))
    assert "fleet.yaml:3: machines.1.plac: is not a field here" in first
    assert "Teaching machine" in first
    assert add(client, "B-1").status_code == 422
    assert path.read_text("utf-8") == broken
    start(client, asset="A-017")


def test_the_label_holds_the_address_that_opens_the_machine(client):
    add(client)
    label = client.get("/fleet/A-017/label")
    code = draw_code("http://127.0.0.1:8000/fleet/A-017")
    assert code in label.text and "A-017" in text_of(label)
    assert client.get("/fleet/B-1/label").status_code == 404


def test_an_asset_number_of_another_form_begins_nothing(client):
    for path in (f"{FAILED}?asset=a/b", "/machines/small?asset=%3Cb%3E"):
        assert client.get(path).status_code == 422
    refused = client.post(FAILED, data={"answer": "falls_fast", "asset": "<b>"})
    assert refused.status_code == 422 and list_records()[0] == []


def test_the_tag_says_what_failed_and_opens_the_record(client):
    page = start(client, asset="A-017")
    path = page.url.path
    client.post(f"{path}/stop", data={"length": length_of(page)})
    tag = client.get(f"{path}/tag")
    said = text_of(tag)
    assert "REMOVED FROM SERVICE" in said and "A-017" in said
    assert "Breathing system hold at 30 cmH2O: fell slowly" in said
    assert "The work was stopped before the machine was shown to be safe" in said
    assert "Never on a machine connected to a patient" in said
    assert draw_code(f"http://127.0.0.1:8000{path}") in tag.text


def test_a_machine_that_went_back_to_its_checkout_has_no_tag(client):
    page = start(client, "falls_fast", part="all")
    path = page.url.path
    page = say(client, page, "breathing.apl_turn", "was_open")
    client.post(f"{path}/put-right/close@apl_valve", data={"length": length_of(page)})
    ended = say(client, client.get(path), HOLD, "holds")
    assert "RETURN TO CHECKOUT" in text_of(ended)
    assert f"{path}/tag" not in ended.text
    assert client.get(f"{path}/tag").status_code == 422


def test_units_are_kept_in_a_cookie_and_applied_to_numbers_and_the_first_unit(client):
    form = {"low": "kPa", "high": "bar", "back": FAILED}
    page = client.post("/units", data=form)
    assert page.url.path == FAILED
    cookie = client.cookies.jar
    assert [(each.name, each.value) for each in cookie] == [("units", "kPa.bar")]
    assert re.search(r'<select id="unit" name="unit">\s*<option>kPa</option>', page.text)
    assert "Number read, such as 1.2" in text_of(page)
    page = start(client, "2.16 kPa")
    assert "fell slowly (2.16 kPa)" in text_of(page)
    (record,) = list_records()[0]
    assert abs(record.work.readings[0].number_si - 2160) < 1e-6
    client.cookies.clear()
    assert "fell slowly (22 cmH2O)" in text_of(client.get(page.url.path))


def test_the_way_to_the_units_leads_back_to_where_one_was(client):
    steps = client.get("/machines/small?asset=A-017&zone=power")
    (link,) = re.findall(r'href="(/units[^"]*)"', steps.text)
    units = client.get(unescape(link))
    assert 'name="back" value="/machines/small?asset=A-017&amp;zone=power"' in units.text
    page = start(client)
    old = {"length": "1"}
    late = client.post(f"{page.url.path}/undo", data=old)
    assert late.status_code == 409
    (link,) = re.findall(r'href="(/units[^"]*)"', late.text)
    assert f'value="{page.url.path}"' in client.get(unescape(link)).text


@pytest.mark.parametrize("form", [{"low": "psi", "high": "bar"}, {"low": "kPa", "high": ""}, {}])
def test_another_unit_is_refused(client, form):
    refused = client.post("/units", data=form, headers={"accept": "text/html"})
    assert refused.status_code == 422 and "is no unit of these" in text_of(refused)


@pytest.mark.parametrize("value", ["x.y", "", "kPa", "<b>.bar", "kPa.bar.psi", "mbar." * 500])
def test_a_cookie_that_fits_nothing_does_no_harm(client, value):
    client.cookies.set("units", value)
    page = client.get(FAILED)
    assert page.status_code == 200 and "<b>" not in page.text


@pytest.mark.parametrize("back", ["//elsewhere.org", "https://elsewhere.org", "/\\elsewhere.org",
                                  "javascript:alert(1)", "/\r\nx: y", ""])  # fmt: skip
def test_units_lead_back_only_to_pages_of_this_server(client, back):
    form = {"low": "kPa", "high": "bar", "back": back}
    answer = client.post("/units", data=form, follow_redirects=False)
    assert answer.headers["location"] == "/"
    assert "elsewhere" not in client.get("/units", params={"back": back}).text


def test_the_unit_first_offered_follows_the_check(client):
    assert list_units("cmH2O", Units("mbar", "kPa")) == ("mbar", "cmH2O", "kPa")
    assert list_units("psi", Units("mbar", "kPa")) == ("kPa", "psi", "bar")
    assert list_units("L/min", Units("mbar", "kPa")) == ("L/min", "mL/min")
    assert say_example("cmH2O", "mbar") == "12"


def test_what_was_told_later_is_in_the_record_and_in_the_choices(client):
    page = start(client)
    path = page.url.path
    told = client.get(f"{path}/told")
    assert told.text.count('name="tool"') == told.text.count("checked") - 1 > 3
    form = {"length": length_of(told), "who": "biomed", "tool": ["plug"], "changed": ["bag"]}
    said = text_of(client.post(f"{path}/told", data=form))
    assert "Worked on by biomed." in said
    assert "Changed since the machine last passed: Reservoir bag." in said
    assert "Tools at hand: plug." in said
    work = list_records()[0][0].work
    assert (work.who, work.tools, work.changed) == ("biomed", {"plug"}, {"bag"})
    needed = re.findall(r"you need: ([^<)]*)", client.get(path).text)
    assert set(needed) <= {"plug"}
    assert client.get(f"{path}/put-right/repair@apl_valve").status_code == 200


def test_every_tool_ticked_means_that_nothing_was_told(client):
    path = start(client).url.path
    told = client.get(f"{path}/told")
    tools = re.findall(r'name="tool" value="(\w+)"', told.text)
    form = {"length": length_of(told), "who": "user", "tool": tools}
    page = client.post(f"{path}/told", data=form)
    assert list_records()[0][0].work.tools is None
    assert length_of(page) == form["length"]


def test_what_is_told_on_an_old_page_or_cannot_be_is_not_taken(client):
    page = start(client)
    path = page.url.path
    old = length_of(page)
    for bad in ({"tool": "wand"}, {"changed": "wing"}, {"who": "nobody"}):
        form = {"length": old, "who": "user"} | bad
        assert client.post(f"{path}/told", data=form).status_code == 422
    say(client, page, "breathing.bag_look", "torn")
    form = {"length": old, "who": "user", "changed": "bag"}
    assert client.post(f"{path}/told", data=form).status_code == 409
    assert list_records()[0][0].work.changed == frozenset()


def test_the_work_up_shows_the_likely_parts_with_pattern_and_words(client):
    page = start(client)
    page = say(client, page, "breathing.hold_bag_plugged", "holds")
    picture = re.search(r'<svg class="near".*?</svg>', page.text, re.DOTALL)[0]
    assert "url(#near-band" in picture
    assert re.search(r'aria-label="Gas paths around the likely parts\. [^"]*in 10', picture)
    assert REMOVE not in text_of(page)
