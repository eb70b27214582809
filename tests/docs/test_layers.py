"""Imports run one way: knowledge <- diagnose <- api, and inside diagnose only upward in ORDER.

What is imported from outside is what pyproject.toml declares, no more and no less.
"""

import ast
import sys
import tomllib
from importlib.metadata import packages_distributions

import networkx as nx
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ORDER = (
    "language",
    "errors",
    "units",
    "places",
    "kb",
    "circuit",
    "catalogue",
    "model",
    "readings",
    "physics",
    "particles",
    "chances",
    "predict",
    "store",
    "experta_gate",
    "rules",
    "rulebase",
    "likelihood",
    "pairs",
    "rank",
    "progress",
    "sequence",
    "course",
    "plan",
    "choices",
    "dispose",
    "explain",
    "session",
    "testability",
    "fewest",
    "coverage",
    "kb.lint",
    "journal",
    "fleet",
    "outline",
    "logbook",
    "pretend",
    "layout",
    "signs",
    "draw",
    "zone",
    "areas",
    "near",
    "matrix",
    "drill",
)
FORBIDDEN = {"knowledge": {"diagnose", "api"}, "diagnose": {"api"}, "api": set()}


def name_module(path: str) -> str:
    return path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def read_imports(tree: ast.Module, path: str) -> set[str]:
    """Return the full dotted names a file imports: ``from a import b`` counts as ``a.b``."""
    package = path.removesuffix(".py").split("/")[:-1]
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            base = ".".join([*above, *filter(None, [node.module])])
            names.update(f"{base}.{alias.name}" for alias in node.names)
    return names


def find_part(dotted: str) -> str | None:
    """Return which entry of ORDER a name in ``diagnose`` belongs to; None for the package itself.

    A package inside a package may have a place of its own: linting needs nearly the whole engine,
    while all of the engine needs what loads the knowledge.

    >>> find_part("diagnose.kb.load"), find_part("diagnose.kb.lint.checks")
    ('kb', 'kb.lint')
    """
    pieces = dotted.split(".")
    if pieces[0] != "diagnose" or len(pieces) == 1:
        return None
    inner = ".".join(pieces[1:3])
    return inner if inner in ORDER else pieces[1]


def find_layer_problems(path: str, tree: ast.Module) -> list[str]:
    top, imports = path.split("/")[0], read_imports(tree, path)
    tops = {name.split(".")[0] for name in imports}
    problems = [
        f"{path}: {top} imports {other}"
        for other in sorted(tops & (FORBIDDEN.get(top, set()) | {"tests"}))
    ]
    part = find_part(name_module(path))
    if part is None:
        return problems
    if part not in ORDER:
        return [*problems, f"{path}: '{part}' has no place in ORDER"]
    for name in sorted(imports):
        other = find_part(name)
        if name == "diagnose" or (other is not None and other not in ORDER):
            problems.append(f"{path}: imports {name}; import from the module that defines it")
        elif other is not None and ORDER.index(other) > ORDER.index(part):
            problems.append(f"{path}: '{part}' stands above '{other}' and may not import it")
    return problems


def find_import_cycles(trees: dict[str, ast.Module]) -> list[list[str]]:
    """Return every group of modules that import each other, directly or round a ring."""
    known = {name_module(path): read_imports(tree, path) for path, tree in trees.items()}
    graph: nx.DiGraph[str] = nx.DiGraph()
    for module, imports in known.items():
        for name in imports:
            target = name if name in known else name.rpartition(".")[0]
            if target in known and target != module:
                graph.add_edge(module, target)
    return [sorted(group) for group in nx.strongly_connected_components(graph) if len(group) > 1]


def find_distributions(trees: dict[str, ast.Module]) -> set[str]:
    """Return the distributions that modules import, the standard library and our own apart."""
    provided = packages_distributions()
    tops = {n.split(".")[0] for path, tree in trees.items() for n in read_imports(tree, path)}
    outside = tops - sys.stdlib_module_names - set(FORBIDDEN)
    return {canonicalize_name(d) for top in outside for d in provided.get(top, [f"no {top}"])}


def keep_packages(sources: dict[str, ast.Module]) -> dict[str, ast.Module]:
    return {path: tree for path, tree in sources.items() if path.split("/")[0] in FORBIDDEN}


def test_imports_point_only_upward(sources):
    packages = keep_packages(sources)
    assert packages, "no sources found"
    problems = [p for path, tree in packages.items() for p in find_layer_problems(path, tree)]
    assert problems == []


def test_no_modules_import_each_other_in_a_ring(sources):
    assert find_import_cycles(keep_packages(sources)) == []


def test_knowledge_holds_no_logic(sources):
    pythons = {path: tree for path, tree in sources.items() if path.startswith("knowledge/")}
    assert set(pythons) == {"knowledge/__init__.py"}
    (tree,) = pythons.values()
    assert [type(node) for node in tree.body] == [ast.Expr], "only its docstring"


def test_outside_imports_are_the_declared_dependencies(root, sources):
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    declared = {canonicalize_name(Requirement(line).name) for line in project["dependencies"]}
    extras = project["optional-dependencies"]
    optional = {canonicalize_name(Requirement(line).name) for line in extras["parquet"]}
    imported = find_distributions(keep_packages(sources))
    assert {"undeclared": imported - declared - optional, "unused": declared - imported} == {
        "undeclared": set(),
        "unused": set(),
    }


def test_a_downward_import_is_found():
    tree = ast.parse("from .session import diagnose\nfrom diagnose import kb")
    assert find_layer_problems("diagnose/rank.py", tree) == [
        "diagnose/rank.py: 'rank' stands above 'session' and may not import it"
    ]


def test_an_import_of_a_package_above_its_own_is_found():
    problems = find_layer_problems("diagnose/kb/load.py", ast.parse("from diagnose.kb import lint"))
    assert problems == ["diagnose/kb/load.py: 'kb' stands above 'kb.lint' and may not import it"]


def test_an_import_of_a_face_by_the_engine_is_found():
    problems = find_layer_problems("diagnose/kb/load.py", ast.parse("import api.cli"))
    assert problems == ["diagnose/kb/load.py: diagnose imports api"]


def test_a_module_without_a_place_is_found():
    problems = find_layer_problems("diagnose/misc.py", ast.parse(""))
    assert problems == ["diagnose/misc.py: 'misc' has no place in ORDER"]


def test_an_import_through_the_package_is_found():
    problems = find_layer_problems("diagnose/rank.py", ast.parse("from diagnose import run"))
    assert problems == [
        "diagnose/rank.py: imports diagnose.run; import from the module that defines it"
    ]


def test_a_ring_of_imports_is_found():
    trees = {
        "diagnose/kb/load.py": ast.parse("from diagnose.kb.lint import check"),
        "diagnose/kb/lint.py": ast.parse("from . import load"),
    }
    assert find_import_cycles(trees) == [["diagnose.kb.lint", "diagnose.kb.load"]]
