"""Files, functions and lines stay small enough to be read in one go."""

import ast
from pathlib import PurePosixPath

FILE_LINES = 400
BODY_LINES = 45
LINE_CHARACTERS = 100
KNOWLEDGE_LINES = 60
LONG_KNOWLEDGE = (
    "rules/*.yaml",
    "machines/*.yaml",
    "components/*.yaml",
    "words/*/*.yaml",
    "sources.yaml",
)
FORBIDDEN_STEMS = {"utils", "util", "helpers", "helper", "common", "manager", "base", "misc"}


def limit_lines(path: str) -> int | None:
    """Return how many lines a file may have, None for a kind of file that has no limit.

    >>> limit_lines("knowledge/faults/outlet/hose_split.yaml")
    60
    >>> limit_lines("knowledge/machines/small.yaml")
    400
    """
    pure = PurePosixPath(path)
    if pure.suffix not in {".py", ".yaml", ".md"}:
        return None
    is_short = pure.suffix == ".yaml" and pure.parts[0] == "knowledge"
    is_long = any(pure.match(f"knowledge/{pattern}") for pattern in LONG_KNOWLEDGE)
    return KNOWLEDGE_LINES if is_short and not is_long else FILE_LINES


def count_body(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return 0 if not body else (body[-1].end_lineno or 0) - body[0].lineno + 1


def find_long_bodies(path: str, tree: ast.Module) -> list[str]:
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    return [
        f"{path}:{function.lineno}: {function.name} has {count_body(function)} lines"
        for function in functions
        if count_body(function) > BODY_LINES
    ]


def find_long_lines(path: str, text: str) -> list[str]:
    return [
        f"{path}:{number}: {len(line)} characters"
        for number, line in enumerate(text.splitlines(), 1)
        if len(line) > LINE_CHARACTERS
    ]


def test_no_file_is_too_long(root, files):
    lengths = {
        path: len((root / path).read_text("utf-8").splitlines())
        for path in files
        if limit_lines(path)
    }
    assert lengths, "no files found"
    assert [f"{p}: {n} lines" for p, n in lengths.items() if n > (limit_lines(p) or 0)] == []


def test_no_function_body_is_too_long(sources):
    assert [p for path, tree in sources.items() for p in find_long_bodies(path, tree)] == []


def test_no_line_of_python_or_yaml_is_too_long(root, files):
    texts = {p: (root / p).read_text("utf-8") for p in files if p.endswith((".py", ".yaml"))}
    assert [found for path, text in texts.items() for found in find_long_lines(path, text)] == []


def test_no_file_has_a_name_that_says_nothing(files):
    named = [path for path in files if PurePosixPath(path).stem in FORBIDDEN_STEMS]
    assert [path for path in named if path.endswith((".py", ".yaml", ".md"))] == []


def test_a_docstring_is_not_part_of_a_body():
    tree = ast.parse('def f():\n    """One.\n\n    Two.\n    """\n    x = 1\n    return x')
    (function,) = tree.body
    assert isinstance(function, ast.FunctionDef)
    assert count_body(function) == 2


def test_a_long_body_is_found():
    text = "def f():\n" + "    pass\n" * (BODY_LINES + 1)
    assert find_long_bodies("a.py", ast.parse(text)) == ["a.py:1: f has 46 lines"]


def test_a_long_line_is_found():
    assert find_long_lines("a.py", "x" * 101) == ["a.py:1: 101 characters"]
