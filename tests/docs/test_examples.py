"""Every `python` and `console` block of README.md, DEVELOPERS.md and docs/*.md runs as printed.

In a `console` block each line after `$ ` is run by the shell, in one scratch folder per page that
holds a copy of the knowledge; the lines below it are what it must print (both streams). ` ... `
stands for anything; trailing blanks do not count; an exit code other than 0 fails, unless the
command itself deals with it (`; echo exit $?`). Blocks of another language are not run.
"""

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from sybil import Example, Sybil
from sybil.evaluators.doctest import NUMBER
from sybil.parsers.markdown import CodeBlockParser, PythonCodeBlockParser, SkipParser

ROOT = Path(__file__).resolve().parents[2]
PAGES = [
    *(page for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md") if page.exists()),
    *sorted((ROOT / "docs").glob("*.md")),
]
LANGUAGES = {"python", "console", "sh", "yaml", "json", "toml", "text"}
SECONDS = 300


@dataclass(frozen=True)
class Command:
    """One line typed at the prompt, and what it must print."""

    line: str
    expected: str


def read_commands(block: str) -> list[Command]:
    r"""Split a console block; a command goes on over lines that end in a backslash.

    >>> read_commands("$ echo a\na\n$ true\n")
    [Command(line='echo a', expected='a\n'), Command(line='true', expected='')]
    """
    pieces = re.split(r"^\$ ((?:.*\\\n)*.*)\n?", block, flags=re.MULTILINE)
    assert not pieces[0].strip(), f"a console block starts with '$ ', not with {pieces[0]!r}"
    return [Command(*pair) for pair in zip(pieces[1::2], pieces[2::2], strict=True)]


def trim(text: str) -> str:
    """Drop blanks at line ends and empty lines at the end."""
    return "\n".join(line.rstrip() for line in text.splitlines()).rstrip()


def match_output(expected: str, got: str) -> bool:
    r"""Return whether an output is the expected one, where ... stands for any text.

    >>> match_output("a ... c", "a b\nb c  \n"), match_output("a", "a\nb"), match_output("...", "")
    (True, False, True)
    """
    pattern = ".*?".join(re.escape(piece) for piece in trim(expected).split("..."))
    return re.fullmatch(pattern, trim(got), re.DOTALL) is not None


def make_environment(home: Path) -> dict[str, str]:
    """Return a plain 80-column terminal with a home of its own; compiled tables are shared."""
    kept = {k: v for k, v in os.environ.items() if k not in {"FORCE_COLOR", "CLICOLOR_FORCE"}}
    own = {
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "HOME": str(home),
        "XDG_CONFIG_HOME": str(home / ".config"),
        "XDG_DATA_HOME": str(home / ".local/share"),
        "XDG_STATE_HOME": str(home / ".local/state"),
        "NO_COLOR": "1",
        "TERM": "dumb",
        "COLUMNS": "80",
        "LINES": "24",
        "LC_ALL": "C.UTF-8",
        "OPENBLAS_NUM_THREADS": "1",
    }
    return kept | own


def run_console(example: Example) -> str | None:
    """Run each command of a console block; return what went wrong, if anything."""
    folder: Path = example.namespace["folder"]
    for command in read_commands(example.parsed):
        done = subprocess.run(
            ["sh", "-c", command.line],
            cwd=folder,
            env=make_environment(folder.parent),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            timeout=SECONDS,
            check=False,
        )
        if done.returncode or not match_output(command.expected, done.stdout):
            heading = f"$ {command.line}\nexit code {done.returncode}"
            return f"{heading}\n-- expected --\n{command.expected}\n-- printed --\n{done.stdout}"
    return None


def read_examples(page: Path) -> list[Example]:
    parsers = [
        PythonCodeBlockParser(doctest_optionflags=NUMBER),
        CodeBlockParser("console", run_console),
        SkipParser(),
    ]
    return list(Sybil(parsers).parse(page))


@pytest.fixture(scope="session")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A scratch folder per page, each inside a home of its own."""
    made = {}
    for page in PAGES:
        made[page.name] = tmp_path_factory.mktemp(page.stem) / "here"
        caches = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / "knowledge", made[page.name] / "knowledge", ignore=caches)
    return made


@pytest.mark.parametrize(
    ("page", "example"),
    [
        pytest.param(page, example, id=f"{page.name}:{example.line}")
        for page in PAGES
        for example in read_examples(page)
    ],
)
def test_a_block_runs_as_printed(page, example, folders, monkeypatch):
    monkeypatch.chdir(folders[page.name])
    example.namespace["folder"] = folders[page.name]
    example.evaluate()


def test_the_readme_shows_a_diagnosis_that_runs():
    assert any(example.region.evaluator is run_console for example in read_examples(PAGES[0]))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_block_says_its_language(page):
    fences = re.findall(r"^ *```(.*)$", page.read_text("utf-8"), re.MULTILINE)
    assert len(fences) % 2 == 0, "a block is not closed"
    assert set(fences[::2]) <= LANGUAGES
    assert set(fences[1::2]) <= {""}


def check_page(folder: Path, text: str) -> None:
    page = folder / "page.md"
    page.write_text(text, "utf-8")
    for example in read_examples(page):
        example.namespace["folder"] = folder
        example.evaluate()


def test_a_console_block_keeps_its_folder(tmp_path):
    check_page(tmp_path, "```console\n$ echo one two > f\n$ cat f\none ...\n```\n")


@pytest.mark.parametrize(
    "block",
    ["console\n$ echo 1\n2", "console\n$ false", "console\n$ echo 1", "python\nassert 1 == 2"],
)
def test_a_wrong_block_fails(tmp_path, block):
    with pytest.raises(AssertionError):
        check_page(tmp_path, f"```{block}\n```\n")
