"""The pages of docs/zones say what the knowledge says now: none is stale, none is left over."""

import re
import time
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli import app
from api.pages import render_pages
from diagnose.kb.load import KnowledgeBase, load
from diagnose.zone import cut_zone

ROOT = Path(__file__).resolve().parents[2]
PAGES = ROOT / "docs" / "zones"
SOUND = ROOT / "tests" / "knowledge" / "sound"
SECONDS = 10
AGAIN = "write them again: tenhold pages docs/zones"


@pytest.fixture(scope="module")
def base() -> KnowledgeBase:
    return load()


@pytest.fixture(scope="module")
def pages(base: KnowledgeBase) -> dict[str, str]:
    start = time.process_time()
    found = render_pages(base)
    assert time.process_time() - start < SECONDS
    return found


@pytest.fixture(scope="module")
def small() -> dict[str, str]:
    """The pages of a knowledge in which most zones are empty and one machine has few parts."""
    return render_pages(load(SOUND))


def find_stale(folder: Path, pages: dict[str, str]) -> list[str]:
    """Return the files that are missing, differ, or belong to no zone any more."""
    have = {path.name: path.read_text("utf-8") for path in folder.iterdir()}
    return sorted(name for name in {*have, *pages} if have.get(name) != pages.get(name))


def split_row(line: str) -> list[str]:
    return re.split(r"(?<!\\)\|", line)[1:-1]


def test_the_pages_of_the_zones_are_up_to_date(pages):
    assert find_stale(PAGES, pages) == [], AGAIN


def test_a_changed_a_missing_and_a_left_over_page_are_found(tmp_path, small):
    for name, text in small.items():
        (tmp_path / name).write_text(text, "utf-8")
    assert find_stale(tmp_path, small) == []
    (tmp_path / "breathing.md").write_text("old", "utf-8")
    (tmp_path / "breathing.svg").unlink()
    (tmp_path / "steam.md").write_text("a zone that is gone", "utf-8")
    assert find_stale(tmp_path, small) == ["breathing.md", "breathing.svg", "steam.md"]


def test_every_check_every_cause_and_every_source_of_a_zone_stands_on_its_page(base, pages):
    live = [name for name, fault in base.faults.items() if fault.status != "retired"]
    for name in [*base.checks, *live]:
        zone, _, own = name.partition(".")
        assert f" `{own}`" in pages[f"{zone}.md"], name
    cited = {key for text in pages.values() for key in re.findall(r"^- \*\*(\w+)\*\*", text, re.M)}
    assert {key for text in pages.values() for key in re.findall(r"\[(\w+?)(?:#[^]]*)?\] \|", text)}
    assert cited <= set(base.sources)


def test_every_source_named_in_a_table_is_cited_below_it(pages):
    for name, text in pages.items():
        below = set(re.findall(r"^- \*\*(\w+)\*\*", text, re.M))
        above = set(re.findall(r"\[([a-z]\w+)(?:#[^]]*)?\] \|", text))
        assert above <= below, name


def test_every_rule_that_stops_stands_on_a_page(base, pages):
    stops = [rule.because for rule in base.rules.values() if "stop" in rule.conclude]
    assert stops
    assert [said for said in stops if not any(said in text for text in pages.values())] == []


def test_rows_have_as_many_cells_as_their_table(pages):
    for name, text in pages.items():
        wide = 0
        for line in text.splitlines() if name.endswith(".md") else ():
            cells = split_row(line) if line.startswith("|") else []
            assert not (cells and wide) or len(cells) == wide, f"{name}: {line}"
            wide = len(cells)


def test_links_of_the_pages_lead_to_files_that_are_written(pages):
    links = {link for text in pages.values() for link in re.findall(r"\]\(([^)]+)\)", text)}
    assert "breathing.svg" in links
    assert links <= set(pages)


def test_a_zone_without_checks_and_causes_has_no_page(small):
    assert sorted(small) == ["README.md", "breathing.md", "breathing.svg"]
    assert "No checks and no causes yet: Emergency equipment, " in small["README.md"]


def test_signs_of_markdown_in_the_knowledge_are_shown_as_they_are():
    base = load(SOUND)
    odd = base.faults["breathing.bag_torn"].model_copy(update={"title": "A | b\n*c* <d>"})
    page = render_pages(replace(base, faults={"breathing.bag_torn": odd}))["breathing.md"]
    assert r"| **A \| b \*c\* &lt;d>** `bag_torn` |" in page


def test_a_retired_cause_is_not_shown():
    base = load(SOUND)
    gone = base.faults["breathing.bag_torn"].model_copy(update={"status": "retired"})
    page = render_pages(replace(base, faults={"breathing.bag_torn": gone}))["breathing.md"]
    assert "`bag_torn`" not in page
    assert "## Causes\n\nNone yet." in page


def test_the_picture_shows_a_zone_with_what_it_is_joined_to(base):
    circuit = cut_zone(base, "two_vaporizers_open", "outlet")
    zones = {name: kind.zone for name, kind in circuit.kinds.items()}
    assert zones["fresh_gas_hose"] == "outlet"
    assert {name for name, zone in zones.items() if zone != "outlet"} == {"mount_2", "insp_valve"}


def test_the_command_writes_the_pages_and_takes_away_those_of_empty_zones(tmp_path):
    (tmp_path / "power.md").write_text("no longer", "utf-8")
    (tmp_path / "mine.md").write_text("not ours", "utf-8")
    done = CliRunner().invoke(app, ["pages", str(tmp_path), "--knowledge", str(SOUND)])
    assert done.exit_code == 0, done.output
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["README.md", "breathing.md", "breathing.svg", "mine.md"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "here").write_text("a file", "utf-8")
    done = CliRunner().invoke(app, ["pages", str(tmp_path / "here"), "--knowledge", str(SOUND)])
    assert done.exit_code != 0
    assert "cannot be written" in done.output
