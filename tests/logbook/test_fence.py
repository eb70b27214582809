"""Only the logbook knows a database; everything else works without one installed."""

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DATABASE = {"sqlalchemy", "alembic", "psycopg", "sqlite3"}


def find_tops(path):
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.split(".")[0])
    return names


def test_only_the_logbook_imports_a_database():
    files = [*ROOT.glob("diagnose/**/*.py"), *ROOT.glob("api/**/*.py")]
    using = {path.relative_to(ROOT) for path in files if find_tops(path) & DATABASE}
    assert using
    assert {path for path in using if path.parts[:2] != ("diagnose", "logbook")} == set()


def test_no_command_but_those_of_the_logbook_loads_a_database():
    import subprocess
    import sys

    code = "import api.cli, api.keep, sys; print({'sqlalchemy', 'alembic'} & {*sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT,
                          check=True)  # fmt: skip
    assert done.stdout == "set()\n"
