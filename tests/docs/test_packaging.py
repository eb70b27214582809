"""The lock file pins what the project says it needs, and CI runs what the README says."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PIN = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)(?:\[[^\]]*\])?==(?P<version>[^\s;\\]+)", re.MULTILINE)
SETUP = (
    "python3 -m venv .venv"
    " && .venv/bin/pip install -q -r requirements.lock"
    " && .venv/bin/pip install -q --no-deps -e ."
    " && .venv/bin/python -m pytest"
)


@pytest.fixture(scope="module")
def project(root: Path) -> dict:
    return tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]


def name_requirements(lines: list[str]) -> dict[str, Requirement]:
    return {canonicalize_name(r.name): r for r in map(Requirement, lines)}


def join_lines(text: str) -> str:
    """Return a text on one line, as the shell reads lines that end in a backslash."""
    return " ".join(text.replace("\\\n", " ").split())


def test_the_lock_file_pins_every_dependency_within_its_range(project, root):
    pins = {
        canonicalize_name(m["name"]): m["version"]
        for m in PIN.finditer((root / "requirements.lock").read_text("utf-8"))
    }
    wanted = name_requirements(
        project["dependencies"] + project["optional-dependencies"]["dev"],
    )
    assert [n for n, r in wanted.items() if n not in pins or pins[n] not in r.specifier] == []


def test_the_lock_file_names_no_place_to_fetch_from(root):
    text = (root / "requirements.lock").read_text("utf-8")
    assert [line for line in text.splitlines() if "://" in line or line.startswith("-")] == []


def test_ci_runs_the_command_that_the_readme_gives(root):
    assert SETUP in join_lines((root / ".ci" / "run").read_text("utf-8"))
    assert SETUP in join_lines((root / "README.md").read_text("utf-8"))
