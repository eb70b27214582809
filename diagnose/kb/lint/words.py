"""Lint of translated texts: each file has its form, and no entry is left without its text."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from pathlib import Path

from diagnose.errors import Problem
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.words import list_languages, list_texts, read_words


def lint_words(folder: Path, base: KnowledgeBase) -> Iterator[Problem]:
    """Yield every problem of the texts in other languages."""
    known = list_texts(base)
    for language in list_languages(folder):
        found = read_words(folder, language)
        for text in found.texts:
            if text not in known:
                found.note(text, _say_gone(text, known))
        yield from found.problems


def _say_gone(text: str, known: list[str]) -> str:
    near = difflib.get_close_matches(text, known, 1, 0.8)
    do = f"it may be '{near[0]}' now: look at what is said too" if near else "take the entry out"
    return f"'{text}' stands nowhere in the knowledge; {do}"
