"""The picture of causes by checks: every value has its sign, and every sign says itself."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from diagnose.coverage import cover
from diagnose.kb.atoms import ZONES
from diagnose.matrix import BANDS, CELL, CUT, draw_matrix, list_columns, list_rows
from diagnose.outline import ZONE_TITLES

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def kit(get_kit):
    return get_kit("small")


@pytest.fixture(scope="module")
def coverage(kit):
    return cover(kit.catalogue, kit.table)


@pytest.fixture(scope="module")
def root(kit, coverage):
    return ET.fromstring(draw_matrix(kit.catalogue, coverage))


def list_signs(root):
    """Return the signs in the cells; those of the legend have no place of their own."""
    return [use for use in root.iter(f"{SVG}use") if use.get("x")]


def test_every_value_worth_a_sign_has_one_of_its_band(root, coverage):
    signs = [int(use.get("href").rpartition("-")[2]) for use in list_signs(root)]
    edges = [np.inf, *(least for least, *_ in BANDS)]
    for band in range(len(BANDS)):
        inside = (coverage.shows >= edges[band + 1]) & (coverage.shows < edges[band])
        assert signs.count(band) == inside.sum() > 0


def test_every_sign_stands_in_its_cell_and_says_cause_check_and_value(root, kit, coverage):
    rows, columns = (make(kit.catalogue, coverage) for make in (list_rows, list_columns))
    signs = list_signs(root)
    left = min(float(use.get("x")) for use in signs)
    top = min(float(use.get("y")) for use in signs)
    first_row = min(i for i, row in enumerate(rows) if row.cause is not None)
    seen = set()
    for use in signs:
        down = first_row + round((float(use.get("y")) - top) / CELL)
        row = rows[down]
        title, value = re.fullmatch(r"(.*): (\d+) in 100", use.find(f"{SVG}title").text).groups()
        (column,) = [c for c in columns if c.test is not None and title.endswith(f"; {c.label}")]
        assert title == f"{row.label}; {column.label}"
        assert int(value) == round(100 * coverage.shows[row.cause, column.test])
        seen.add((column.test, round((float(use.get("x")) - left) / CELL)))
    assert len({test for test, _ in seen}) == len({place for _, place in seen}) == len(seen)


def test_clear_and_weak_differ_in_form_and_size_not_only_in_shade(root):
    shapes = {child.get("id"): child for child in root.find(f"{SVG}defs")}
    assert [shape.tag.removeprefix(SVG) for shape in shapes.values()] == ["rect"] * 2 + [
        "circle"
    ] * 2
    sizes = [size for _, size, *_ in BANDS]
    assert sizes == sorted(sizes, reverse=True) and len(set(sizes)) == len(sizes)


def test_rows_and_columns_stand_by_zone_under_headings(kit, coverage):
    causes, tests = kit.catalogue.causes, kit.catalogue.tests
    rows = {r.cause: causes[r.cause].fault_id.partition(".")[0]
            for r in list_rows(kit.catalogue, coverage) if r.cause is not None}  # fmt: skip
    columns = {c.test: tests[c.test].check.zone
               for c in list_columns(kit.catalogue, coverage) if c.test is not None}  # fmt: skip
    assert sorted(rows) == list(range(len(causes))) and sorted(columns) == list(range(len(tests)))
    for zones in (list(rows.values()), list(columns.values())):
        assert zones == sorted(zones, key=ZONES.index)


def test_every_zone_has_one_heading_before_its_causes(kit, coverage):
    rows = list_rows(kit.catalogue, coverage)
    places = [number for number, row in enumerate(rows) if row.cause is None]
    zones = {cause.fault_id.partition(".")[0] for cause in kit.catalogue.causes}
    assert places[0] == 0 and len(places) == len(zones)
    assert {rows[place].label for place in places} == {ZONE_TITLES.get(z, z) for z in zones}


def test_marks_agree_with_the_report(kit, coverage):
    rows, columns = (make(kit.catalogue, coverage) for make in (list_rows, list_columns))
    causes, tests = kit.catalogue.causes, kit.catalogue.tests
    assert {causes[r.cause].id for r in rows if r.is_unshown} == {u.cause for u in coverage.unshown}
    for marks, known in (
        (("idle", "both"), {each.test for each in coverage.idle}),
        (("kept", "both"), set(coverage.showing.tests)),
    ):
        assert {tests[c.test].id for c in columns if c.mark in marks} == known
    for number, split in enumerate(coverage.splits, 1):
        assert {causes[r.cause].id for r in rows if r.group == number} == set(split.causes)


def test_letters_are_large_enough(root):
    assert float(root.get("font-size")) >= 11
    texts = list(root.iter(f"{SVG}text"))
    assert min(float(text.get("font-size", "11")) for text in texts) >= 11


def retitle(kit, coverage, title):
    """Return the picture with another title for the first cause."""
    first = kit.catalogue.causes[0]
    fault = first.fault.model_copy(update={"title": title})
    causes = (replace(first, fault=fault), *kit.catalogue.causes[1:])
    return ET.fromstring(draw_matrix(replace(kit.catalogue, causes=causes), coverage))


def test_a_long_label_is_cut_and_stands_whole_in_its_title(kit, coverage):
    long = "Long " * 30 + "end"
    root = retitle(kit, coverage, long)
    cut = {t.text for t in root.iter(f"{SVG}text") if t.text.startswith("Long Long")}
    assert len(cut) == 1 and all(len(text) <= CUT and text.endswith("…") for text in cut)
    assert any(str(title.text).startswith(long) for title in root.iter(f"{SVG}title"))


def test_a_title_with_signs_of_xml_is_escaped(kit, coverage):
    root = retitle(kit, coverage, "less < more & <b>")
    assert "Less < more & <b>" in {text.text for text in root.iter(f"{SVG}text")}


def test_the_picture_needs_nothing_from_elsewhere(kit, coverage):
    svg = draw_matrix(kit.catalogue, coverage)
    assert re.findall(r'https?://[^"]*', svg) == ["http://www.w3.org/2000/svg"]
    assert all(target.startswith("#") for target in re.findall(r'href="([^"]*)"', svg))
