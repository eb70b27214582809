"""Read YAML strictly: every scalar is text, every key knows its line, every oddity is a problem.

Built from the parser's events, so that duplicate keys, anchors, aliases, tags and merge keys can be
refused, and so that `no`, `010` and `1:30` stay what the author wrote.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from diagnose.errors import Problem

Where = tuple[str | int, ...]
_LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)


@dataclass
class Document:
    """One file's content with the line of every value, and what was wrong with its form."""

    path: str
    data: Any = None
    lines: dict[Where, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def line(self, where: Where) -> int:
        """Return the line of the value at ``where``, or of the nearest value around it."""
        while where and where not in self.lines:
            where = where[:-1]
        return self.lines.get(where, 1)

    def note(self, where: Where, what: str) -> None:
        """Add a problem at a place in this file."""
        name = ".".join(map(str, where)) or "file"
        self.problems.append(Problem(self.path, self.line(where), name, what))


def read_text(text: str, path: str) -> Document:
    r"""Return the document in ``text``; broken YAML becomes a problem, never an exception.

    >>> read_text("a: no", "x.yaml").data
    {'a': 'no'}
    >>> str(read_text("a: 1\na: 2", "x.yaml").problems[0])
    'x.yaml:2: a: stands twice; keep one'
    """
    document = Document(path)
    try:
        events = iter(list(yaml.parse(text, Loader=_LOADER)))
        _build_stream(document, events)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = mark.line + 1 if mark is not None else 1
        words = getattr(error, "problem", None) or "cannot be read"
        document.problems.append(
            Problem(
                path,
                line,
                "file",
                f"is not valid YAML: {words}; mend the indentation or quoting here",
            )
        )
    return document


def _build_stream(document: Document, events: Iterator[Any]) -> None:
    roots = 0
    for event in events:
        if isinstance(event, yaml.DocumentStartEvent):
            roots += 1
            if roots > 1:
                document.note((), "holds more than one document; split it into files")
                return
        elif isinstance(event, yaml.NodeEvent):
            document.data = _build(document, event, events, ())
    if document.data is None and not document.problems:
        document.note((), "is empty; copy a template from knowledge/templates")


def _build(document: Document, event: Any, events: Iterator[Any], where: Where) -> Any:
    document.lines.setdefault(where, event.start_mark.line + 1)
    if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
        document.note(where, "uses an anchor or alias; write the value out")
    if isinstance(event, yaml.AliasEvent):
        return None
    if getattr(event, "tag", None):
        document.note(where, f"uses the tag {event.tag}; remove it, all values are text here")
    if isinstance(event, yaml.MappingStartEvent):
        return _build_mapping(document, events, where)
    if isinstance(event, yaml.SequenceStartEvent):
        return _build_sequence(document, events, where)
    return event.value


def _build_sequence(document: Document, events: Iterator[Any], where: Where) -> list[Any]:
    items: list[Any] = []
    for event in events:
        if isinstance(event, yaml.SequenceEndEvent):
            break
        items.append(_build(document, event, events, (*where, len(items))))
    return items


def _build_mapping(document: Document, events: Iterator[Any], where: Where) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for event in events:
        if isinstance(event, yaml.MappingEndEvent):
            break
        key = str(_build(document, event, events, (*where, "?key")))
        document.lines.pop((*where, "?key"), None)
        line = event.start_mark.line + 1
        if key in found:
            document.problems.append(
                Problem(
                    document.path, line, ".".join(map(str, (*where, key))), "stands twice; keep one"
                )
            )
        if key == "<<":
            document.note(where, "uses a merge key; write the values out")
        document.lines[(*where, key)] = line
        found[key] = _build(document, next(events), events, (*where, key))
    return found
