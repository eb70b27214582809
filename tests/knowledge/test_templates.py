"""A template, copied to its place as it stands, loads and lints clean."""

import re
import shutil
from pathlib import Path

import pytest

from diagnose.kb.lint import lint
from diagnose.kb.load import FOLDER

PLACES = {
    "fault": "faults/breathing/from_template.yaml",
    "check": "checks/breathing/from_template.yaml",
    "machine": "machines/from_template.yaml",
}


def put_rule(folder: Path, text: str) -> str:
    """Add the rule to the file of its zone, as the template says; return that file."""
    found = re.search(r"^- id: ([a-z]+)\.", text, re.M)
    assert found, "the template of a rule begins with '- id: zone.name'"
    place = f"rules/{found.group(1)}.yaml"
    with (folder / place).open("a", encoding="utf-8") as file:
        file.write(text)
    return place


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copied = tmp_path / "knowledge"
    shutil.copytree(FOLDER, copied, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return copied


@pytest.mark.parametrize("kind", PLACES)
def test_template_lints_clean_in_its_place(kind, folder):
    shutil.copy(folder / "templates" / f"{kind}.yaml", folder / PLACES[kind])
    report = lint(folder)
    assert [str(p) for p in report.problems if "from_template" in p.path] == []


def test_template_of_a_rule_lints_clean_in_the_file_of_its_zone(folder):
    before = set(lint(folder).problems)
    text = (folder / "templates" / "rule.yaml").read_text(encoding="utf-8")
    put_rule(folder, text)
    assert [str(problem) for problem in lint(folder).problems if problem not in before] == []


def test_template_is_a_file_that_counts_once_it_is_in_its_place(folder):
    before = lint(folder).counts
    for kind, place in PLACES.items():
        shutil.copy(folder / "templates" / f"{kind}.yaml", folder / place)
    put_rule(folder, (folder / "templates" / "rule.yaml").read_text(encoding="utf-8"))
    after = lint(folder).counts
    grown = {name: after[name] - before[name] for name in ("causes", "checks", "machines", "rules")}
    assert grown == {"causes": 1, "checks": 1, "machines": 1, "rules": 1}


def test_templates_are_these_four_and_are_no_knowledge_themselves():
    names = {path.stem for path in (FOLDER / "templates").glob("*.yaml")}
    assert names == {*PLACES, "rule"}
    assert not any(problem.path.startswith("knowledge/templates") for problem in lint().problems)
