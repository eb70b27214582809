"""Texts of the knowledge in other languages: ``knowledge/words/<language>``, read strictly.

A text is found by its English words, so that no knowledge file has to change for a language, and
a text that was changed loses its translation instead of keeping a wrong one. What is missing stays
English. Numbers, ids and limits are never translated: a language changes words and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import Field

from diagnose.errors import KnowledgeError, Problem
from diagnose.kb.atoms import Words
from diagnose.kb.load import KnowledgeBase, check_shape
from diagnose.kb.reader import Document, read_text
from diagnose.kb.schema import (
    Band,
    Check,
    Component,
    Fault,
    Machine,
    Outcome,
    Reading,
    RuleShape,
    Strict,
)

PLACE = "words"
PLACES = re.compile(r"\{\w*\}")
Say = Callable[[str], str]
Item = TypeVar("Item")


class Pair(Strict):
    """A text of the knowledge as it stands there, and in another language."""

    text: Words
    said: Words


class Pairs(Strict):
    """One file of a language."""

    texts: Annotated[list[Pair], Field(min_length=1)]


@dataclass
class Said:
    """Everything said in a language: by the English text, with the place where it stands."""

    documents: list[Document] = field(default_factory=list)
    texts: dict[str, str] = field(default_factory=dict)
    places: dict[str, tuple[Document, int]] = field(default_factory=dict)

    @property
    def problems(self) -> list[Problem]:
        """What is wrong, in all files."""
        return [problem for document in self.documents for problem in document.problems]

    def note(self, text: str, what: str) -> None:
        """Add a problem at the place of a text."""
        document, number = self.places[text]
        document.note(("texts", number, "text"), what)


def list_languages(folder: Path) -> list[str]:
    """Return the languages that a knowledge folder has texts in.

    >>> from diagnose.kb.load import FOLDER
    >>> "de" in list_languages(FOLDER)
    True
    """
    return sorted(path.name for path in (folder / PLACE).glob("*") if path.is_dir())


def load_words(folder: Path, language: str) -> dict[str, str]:
    """Return the texts of a language, by the English ones; none where there is no file.

    Raises
    ------
    KnowledgeError
        With every problem of its files.
    """
    found = read_words(folder, language)
    if found.problems:
        raise KnowledgeError(found.problems)
    return found.texts


def read_words(folder: Path, language: str) -> Said:
    """Return what is said in a language, and every problem of its files."""
    found = Said()
    for path in sorted((folder / PLACE / language).glob("*.yaml")):
        document = _read_file(path, f"{folder.name}/{path.relative_to(folder).as_posix()}")
        found.documents.append(document)
        own = None if document.problems else check_shape(document, document.data, Pairs, ())
        for number, pair in enumerate(own.texts if own else ()):
            _take(found, document, pair, number)
    return found


def _read_file(path: Path, name: str) -> Document:
    try:
        return read_text(path.read_text(encoding="utf-8"), name)
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        document = Document(name)
        document.note((), f"cannot be read: {why}; restore the file")
        return document


def _take(found: Said, document: Document, pair: Pair, number: int) -> None:
    if pair.text in found.texts:
        document.note(("texts", number, "text"), f"'{pair.text}' stands twice; keep one")
        return
    wanted, given = (sorted(PLACES.findall(text)) for text in (pair.text, pair.said))
    if wanted != given:
        what = f"has the places {given or 'none'} to fill in, not {wanted or 'none'}; keep them"
        document.note(("texts", number, "said"), what)
    found.texts[pair.text] = pair.said
    found.places[pair.text] = document, number


def translate(base: KnowledgeBase, say: Say) -> KnowledgeBase:
    """Return the knowledge with every text that a person reads said anew; all else as it is.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> loud = translate(load(), str.upper)
    >>> loud.components["bag"].title, loud.checks["breathing.hold_30"].minutes
    ('RESERVOIR BAG', 1.0)
    """
    return replace(
        base,
        components=_each(base.components, lambda own: _component(own, say)),
        machines=_each(base.machines, lambda own: _machine(own, say)),
        faults=_each(base.faults, lambda own: _fault(own, say)),
        checks=_each(base.checks, lambda own: _check(own, say)),
        rules=_each(base.rules, lambda own: _rule(own, say)),
    )


def _each(items: Mapping[str, Item], change: Callable[[Item], Item]) -> dict[str, Item]:
    return {name: change(item) for name, item in items.items()}


def _component(own: Component, say: Say) -> Component:
    return own.model_copy(update={"title": say(own.title)})


def _machine(own: Machine, say: Say) -> Machine:
    titles = {name: say(title) for name, title in own.titles.items()}
    return own.model_copy(
        update={"title": say(own.title), "about": say(own.about), "titles": titles}
    )


def _fault(own: Fault, say: Say) -> Fault:
    remedy = own.remedy.model_copy(update={"say": say(own.remedy.say)})
    return own.model_copy(update={"title": say(own.title), "remedy": remedy})


def _check(own: Check, say: Say) -> Check:
    changed = {
        "title": say(own.title),
        "say": [say(text) for text in own.say],
        "cautions": [say(text) for text in own.cautions],
        "reading": _reading(own.reading, say),
    }
    return own.model_copy(update=changed)


def _reading(own: Reading, say: Say) -> Reading:
    outcomes = {name: _outcome(each, say) for name, each in own.outcomes.items()}
    return own.model_copy(update={"ask": say(own.ask), "outcomes": outcomes})


def _outcome(own: Outcome, say: Say) -> Outcome:
    gases: dict[str, Band] = {
        gas: band.model_copy(update={"title": say(band.title)}) for gas, band in own.gases.items()
    }
    return own.model_copy(update={"title": say(own.title), "gases": gases})


def _rule(own: RuleShape, say: Say) -> RuleShape:
    return own.model_copy(update={"because": say(own.because)})


def list_texts(base: KnowledgeBase) -> list[str]:
    """Return every text that a page may show, once, in the order of the knowledge.

    Beside the texts proper these are the names of tools and of symptoms, options and marks, which
    are read from their ids.
    """
    found: dict[str, None] = {}

    def note(text: str) -> str:
        found[text] = None
        return text

    translate(base, note)
    for name in _list_names(base):
        note(name.replace("_", " "))
    return list(found)


def _list_names(base: KnowledgeBase) -> Iterator[str]:
    for check in base.checks.values():
        yield from check.tools
    for rule in base.rules.values():
        for condition in (*rule.when, *rule.unless):
            for kind in ("symptom", "option", "mark"):
                if kind in condition:
                    name = f"{kind} {condition[kind]}"
                    yield from (f"{name} {value}".strip() for value in condition.get("is", [""]))
