"""The drawing to choose from, and the part of the drawing where the likely parts lie."""

import re

import pytest

from diagnose.areas import Area, draw_areas
from diagnose.catalogue import list_catalogue
from diagnose.kb.load import load
from diagnose.near import NARROWEST, WIDEST, draw_near
from diagnose.outline import ZONES


@pytest.fixture(scope="module")
def base():
    return load()


def areas(*zones):
    return {zone: Area(f"The {zone} <zone>", "2 steps", f"?zone={zone}&x=1") for zone in zones}


@pytest.mark.parametrize("machine", ["small", "three_vaporizers_electronic"])
def test_each_zone_is_one_link_with_a_name_and_a_place_of_its_own(base, machine):
    svg = draw_areas(list_catalogue(base, machine), base.version, areas(*ZONES))
    links = re.findall(r'<a class="area" href="([^"]+)" aria-label="([^"]+)">(.*?)</a>', svg)
    assert [link for link, *_ in links] == [f"?zone={zone}&amp;x=1" for zone in ZONES]
    assert all("&lt;zone&gt;, 2 steps" in label for _, label, _ in links)
    taps = [re.findall(r'class="tap" x="\S+" y="\S+" width="(\d+)" height="(\d+)"', inside)
            for *_, inside in links]  # fmt: skip
    assert all(int(wide) >= 90 and int(high) >= 60 for own in taps for wide, high in own)
    assert all(taps)


def test_a_zone_without_steps_is_drawn_but_cannot_be_chosen(base):
    svg = draw_areas(list_catalogue(base, "small"), base.version, areas("power"))
    assert svg.count("<a ") == 1
    assert svg.count('class="zone"') > 4


def test_the_picture_has_no_style_of_its_own(base):
    svg = draw_areas(list_catalogue(base, "small"), base.version, areas(*ZONES))
    assert "style" not in svg and "fill=" not in svg and "<script" not in svg


def frame(svg):
    return [float(number) for number in re.search(r'viewBox="([^"]+)"', svg)[1].split()]


def test_near_holds_what_is_likely_at_a_size_to_be_read(base):
    catalogue = list_catalogue(base, "small")
    one = frame(draw_near(catalogue, base.version, {"bag": 0.9}))
    assert NARROWEST <= one[2] <= WIDEST
    chances = dict.fromkeys(catalogue.circuit.kinds, 0.06) | {"bag": 0.4}
    many = frame(draw_near(catalogue, base.version, chances))
    assert max(many[2:]) <= WIDEST + NARROWEST


def test_near_says_in_words_what_it_shows(base):
    catalogue = list_catalogue(base, "small")
    svg = draw_near(catalogue, base.version, {"bag": 0.72, "apl_valve": 0.2, "gauge": 0.01})
    said = re.search(r'role="img" aria-label="([^"]+)"', svg)[1]
    assert "Reservoir bag: about 7 in 10; APL valve: about 2 in 10." in said
    assert "style=" not in svg


def test_a_part_off_the_gas_paths_is_found_too(base):
    catalogue = list_catalogue(base, "small")
    assert "about 9 in 10" in draw_near(catalogue, base.version, {"battery": 0.9})


def test_nothing_likely_draws_nothing(base):
    assert draw_near(list_catalogue(base, "small"), base.version, {"bag": 0.001}) == ""
