"""Docstrings of the physics name every parameter, every unit and every error; modules have one."""

import ast
import re
import textwrap
from collections.abc import Iterator

Function = ast.FunctionDef | ast.AsyncFunctionDef
HEADING = re.compile(r"^(?P<title>[A-Z][A-Za-z ]+)\n-{3,}$", re.MULTILINE)
ENTRY = re.compile(r"^(?P<names>\*{0,2}\w+(?:, *\*{0,2}\w+)*)(?: : (?P<kind>.+))?$")
UNIT = re.compile(r"\[[^\]\d][^\]]*\]")
NUMERIC = re.compile(r"\b(float|int|complex|NDArray|ndarray|ArrayLike|array|Array\w*|\w*Array)\b")


def split_sections(docstring: str) -> dict[str, str]:
    """Return the text under each underlined heading of a numpy-style docstring."""
    marks = list(HEADING.finditer(docstring))
    ends = [*(mark.start() for mark in marks), len(docstring)][1:]
    return {
        mark["title"]: docstring[mark.end() : end].strip("\n")
        for mark, end in zip(marks, ends, strict=True)
    }


def read_entries(section: str) -> dict[str, str]:
    """Return, for each name of a Parameters section, its kind and text together."""
    entries: dict[str, str] = {}
    current: list[str] = []
    for line in section.splitlines():
        entry = None if line.startswith(" ") else ENTRY.match(line)
        if entry:
            current = [name.strip(" *") for name in entry["names"].split(",")]
        for name in current:
            entries[name] = f"{entries.get(name, '')}{line}\n"
    return entries


def list_parameters(function: Function) -> dict[str, str]:
    """Return each parameter's annotation as text, without self and cls."""
    args = function.args
    every = [*args.posonlyargs, *args.args, *args.kwonlyargs, args.vararg, args.kwarg]
    named = {arg.arg: arg.annotation for arg in every if arg is not None}
    return {
        name: "" if kind is None else ast.unparse(kind)
        for name, kind in named.items()
        if name not in {"self", "cls"}
    }


def walk_own(function: Function) -> Iterator[ast.AST]:
    """Walk a function's own statements, not those of functions defined inside it."""
    todo: list[ast.AST] = list(function.body)
    while todo:
        node = todo.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            todo.extend(ast.iter_child_nodes(node))


def find_public(tree: ast.Module) -> list[Function]:
    """Return the public functions of a module and the public methods of its public classes."""
    bodies = [tree.body]
    bodies += [n.body for n in tree.body if isinstance(n, ast.ClassDef) and n.name[0] != "_"]
    functions = [n for body in bodies for n in body if isinstance(n, Function)]
    return [function for function in functions if not function.name.startswith("_")]


def find_parameter_problems(function: Function, sections: dict[str, str]) -> list[str]:
    entries, wanted = read_entries(sections.get("Parameters", "")), list_parameters(function)
    problems = [f"parameter '{name}' is not described" for name in wanted if name not in entries]
    problems += [f"describes '{name}', no parameter" for name in entries if name not in wanted]
    for name, text in entries.items():
        head = text.splitlines()[0]
        is_numeric = NUMERIC.search(wanted.get(name, "")) or NUMERIC.search(head)
        if is_numeric and not UNIT.search(text):
            problems.append(f"parameter '{name}' has no unit in square brackets")
    return problems


def find_result_problems(function: Function, sections: dict[str, str]) -> list[str]:
    problems = []
    returns = ast.unparse(function.returns) if function.returns else "None"
    is_property = any(ast.unparse(mark).endswith("property") for mark in function.decorator_list)
    text = sections.get("Returns", sections.get("Yields", ""))
    if returns != "None" and not text and not is_property:
        problems.append("has no Returns section")
    if NUMERIC.search(returns) and text and not UNIT.search(text):
        problems.append("returns a number without a unit in square brackets")
    if any(isinstance(node, ast.Raise) for node in walk_own(function)) and "Raises" not in sections:
        problems.append("raises, but has no Raises section")
    return problems


def find_docstring_problems(path: str, tree: ast.Module) -> list[str]:
    problems: list[str] = []
    for function in find_public(tree):
        docstring = textwrap.dedent(ast.get_docstring(function) or "")
        sections = split_sections(docstring)
        found = [] if docstring else ["has no docstring"]
        found += find_parameter_problems(function, sections)
        found += find_result_problems(function, sections)
        problems += [f"{path}:{function.lineno}: {function.name}: {what}" for what in found]
    return problems


def test_physics_docstrings_name_parameters_units_and_errors(sources):
    physics = {p: t for p, t in sources.items() if p.startswith("diagnose/physics")}
    assert physics, "no physics found"
    assert [found for p, t in physics.items() for found in find_docstring_problems(p, t)] == []


def test_every_module_says_what_it_is(sources):
    modules = {p: t for p, t in sources.items() if p.startswith(("diagnose/", "api/"))}
    assert [path for path, tree in modules.items() if not ast.get_docstring(tree)] == []


GOOD = '''
def leak(p_up: float, n: int = 1, *, kind: str) -> float:
    """Return the flow.

    Parameters
    ----------
    p_up : float or array, shape (n,)
        Pressure before the hole [Pa].
    n : int
        How many [-].
    kind : str
        Which gas.

    Returns
    -------
    float
        Mass flow [kg/s].

    Raises
    ------
    ValueError
        The pressure is negative.
    """
    raise ValueError(p_up)
'''


def test_a_whole_docstring_passes():
    assert find_docstring_problems("a.py", ast.parse(GOOD)) == []


def test_a_missing_unit_is_found():
    problems = find_docstring_problems("a.py", ast.parse(GOOD.replace(" [Pa]", "")))
    assert problems == ["a.py:2: leak: parameter 'p_up' has no unit in square brackets"]


def test_a_shape_or_a_number_is_no_unit():
    problems = find_docstring_problems("a.py", ast.parse(GOOD.replace(" [Pa]", " [1]_")))
    assert problems == ["a.py:2: leak: parameter 'p_up' has no unit in square brackets"]


def test_an_undescribed_parameter_is_found():
    tree = ast.parse(GOOD.replace("    kind : str\n        Which gas.\n", ""))
    assert find_docstring_problems("a.py", tree) == [
        "a.py:2: leak: parameter 'kind' is not described"
    ]


def test_a_missing_raises_section_is_found():
    tree = ast.parse(GOOD.replace("Raises\n    ------", "Notes\n    -----"))
    assert find_docstring_problems("a.py", tree) == [
        "a.py:2: leak: raises, but has no Raises section"
    ]


def test_a_missing_docstring_is_found():
    problems = find_docstring_problems("a.py", ast.parse("def f() -> None:\n    pass"))
    assert problems == ["a.py:1: f: has no docstring"]
