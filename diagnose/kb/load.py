"""Read the whole knowledge folder into one frozen KnowledgeBase, or say everything that is wrong.

Nothing is registered: a file's place is its meaning and its path is its id.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from diagnose.errors import KnowledgeError, Problem
from diagnose.kb.reader import Document, read_text
from diagnose.kb.schema import (
    Check,
    Citation,
    Component,
    Fault,
    Machine,
    RuleShape,
)
from diagnose.kb.training import Drill, Study

FOLDER = Path(__file__).resolve().parents[2] / "knowledge"
APART = ("drills", "studies")  # no diagnosis rests on them: they are no part of the version
Shape = TypeVar("Shape", bound=BaseModel)


@dataclass(frozen=True)
class KnowledgeBase:
    """All knowledge, checked; ``version`` is the digest of the files it came from."""

    version: str
    components: Mapping[str, Component]
    machines: Mapping[str, Machine]
    faults: Mapping[str, Fault]
    checks: Mapping[str, Check]
    rules: Mapping[str, RuleShape]
    sources: Mapping[str, Citation]
    drills: Mapping[str, Drill] = field(default_factory=dict)
    studies: Mapping[str, Study] = field(default_factory=dict)
    documents: Mapping[str, Document] = field(default_factory=dict, repr=False, compare=False)


def list_files(folder: Path = FOLDER) -> list[Path]:
    """Return the files that diagnoses rest on, in a fixed order.

    No templates, no drills, no words in other languages: they change nothing that is worked out.
    """
    apart = {"templates", "words", *APART}
    files = sorted(p for p in folder.rglob("*.yaml") if not apart & {*p.relative_to(folder).parts})
    if not files:
        raise KnowledgeError(
            [Problem(str(folder), 1, "folder", "holds no knowledge files; reinstall the package")]
        )
    return files


def list_apart(folder: Path = FOLDER) -> list[Path]:
    """Return the files of drills and studies, in a fixed order."""
    return [path for name in APART for path in sorted((folder / name).glob("*.yaml"))]


def digest(files: list[Path], folder: Path = FOLDER) -> str:
    """Return a digest of names and contents: the knowledge version."""
    total = hashlib.sha256()
    for path in files:
        total.update(path.relative_to(folder).as_posix().encode() + b"\0")
        total.update(path.read_bytes() + b"\0")
    return total.hexdigest()[:16]


def load(folder: Path = FOLDER) -> KnowledgeBase:
    """Return the knowledge in ``folder``.

    Raises
    ------
    KnowledgeError
        With every problem of form in every file; cross-file problems are found by ``lint``.
    """
    base, problems = read(folder)
    if problems:
        raise KnowledgeError(problems)
    return base


def read(folder: Path = FOLDER) -> tuple[KnowledgeBase, list[Problem]]:
    """Return what could be read, and every problem of form."""
    files = list_files(folder)
    tables: dict[str, dict[str, Any]] = {name: {} for name in _SHAPES}
    documents: dict[str, Document] = {}
    problems: list[Problem] = []
    for path in [*files, *list_apart(folder)]:
        inside = path.relative_to(folder)
        document = _read_file(path, f"{folder.name}/{inside.as_posix()}")
        documents[inside.as_posix()] = document
        if not document.problems:
            _take(document, inside, tables)
        problems += document.problems
    base = KnowledgeBase(version=digest(files, folder), documents=documents, **tables)
    return base, sorted(problems)


def _read_file(path: Path, name: str) -> Document:
    try:
        return read_text(path.read_text(encoding="utf-8"), name)
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        return Document(
            name, problems=[Problem(name, 1, "file", f"cannot be read: {why}; restore the file")]
        )


_SHAPES: dict[str, type[BaseModel]] = {
    "components": Component,
    "machines": Machine,
    "faults": Fault,
    "checks": Check,
    "rules": RuleShape,
    "sources": Citation,
    "drills": Drill,
    "studies": Study,
}


def _take(document: Document, inside: Path, tables: dict[str, dict[str, Any]]) -> None:
    top = inside.parts[0] if len(inside.parts) > 1 else inside.stem
    if top not in tables:
        document.note((), f"lies in no known place; use one of {', '.join(tables)}")
    elif top == "sources":
        _take_mapping(document, document.data, Citation, tables[top])
    elif top == "rules":
        _take_rules(document, tables[top])
    else:
        name = ".".join([*inside.parts[1:-1], inside.stem])
        item = check_shape(document, document.data, _SHAPES[top], ())
        if item is not None:
            tables[top][name] = item


def _take_mapping(
    document: Document, data: Any, shape: type[BaseModel], table: dict[str, Any]
) -> None:
    if not isinstance(data, dict):
        document.note((), "must be a mapping of names")
        return
    for name, value in data.items():
        item = check_shape(document, value, shape, (name,))
        if item is not None:
            table[name] = item


def _take_rules(document: Document, table: dict[str, Any]) -> None:
    if not isinstance(document.data, list):
        document.note((), "must be a list of rules, each beginning with '- id:'")
        return
    for number, value in enumerate(document.data):
        item = check_shape(document, value, RuleShape, (number,))
        if item is None:
            continue
        if item.id in table:
            document.note((number, "id"), f"'{item.id}' names two rules; rename one")
        table[item.id] = item


def check_shape(
    document: Document, data: Any, shape: type[Shape], where: tuple[str | int, ...]
) -> Shape | None:
    """Return ``data`` as ``shape``, or note every problem at its line and return None."""
    try:
        return shape.model_validate(data)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            place = tuple(part for part in detail["loc"] if not _is_branch(part))
            document.note((*where, *place), _say(detail, shape))
        return None


def _is_branch(part: str | int) -> bool:
    """Tell pydantic's names of union branches from keys of the file."""
    return isinstance(part, str) and (
        part.startswith(("literal[", "function-")) or part == "Sourced"
    )


def _say(detail: Any, shape: type[BaseModel]) -> str:
    kind, given = detail["type"], detail.get("input")
    if kind == "missing":
        return "is missing; add it"
    if kind == "extra_forbidden":
        known = [field.alias or name for name, field in shape.model_fields.items()]
        near = difflib.get_close_matches(str(detail["loc"][-1]), known, 1)
        hint = f"did you mean '{near[0]}'?" if near else "remove it"
        return f"is not a field here; {hint}"
    words = str(detail["msg"]).removeprefix("Value error, ")
    if kind == "string_pattern_mismatch":
        words = "does not have the form of an id (small letters, digits, underscores)"
    return f"{words}; given: {given!r}" if isinstance(given, str) else words
