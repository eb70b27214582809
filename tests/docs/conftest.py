"""What the tests about the project itself share: its files, its sources, its documentation."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FENCE = re.compile(r"^```[^\n]*\n(.*?)^```", re.MULTILINE | re.DOTALL)
INLINE = re.compile(r"`([^`\n]+)`")


@pytest.fixture(scope="session")
def root() -> Path:
    """The top folder of the project."""
    return ROOT


@pytest.fixture(scope="session")
def files() -> list[str]:
    """Every file that git tracks or would track, relative to the root."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return sorted(name for name in set(listed.stdout.split("\0")) if (ROOT / name).is_file())


@pytest.fixture(scope="session")
def sources(files: list[str]) -> dict[str, ast.Module]:
    """The syntax tree of every Python file, by its path."""
    texts = {name: (ROOT / name).read_text("utf-8") for name in files if name.endswith(".py")}
    return {name: ast.parse(text, name) for name, text in texts.items()}


@pytest.fixture(scope="session")
def docs_text() -> str:
    """README.md and docs/*.md as one text."""
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    return "\n".join(page.read_text("utf-8") for page in pages)


@pytest.fixture(scope="session")
def docs_code(docs_text: str) -> str:
    """Only what the documentation sets as code: fenced blocks and words in backticks."""
    prose = FENCE.sub("", docs_text)
    return "\n".join([*FENCE.findall(docs_text), *INLINE.findall(prose)])
