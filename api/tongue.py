"""What the engine knows and says, in the language of the request.

English stands in the code and in the knowledge. Every other language has its sentences in
``api/locale`` (gettext) and its texts of the knowledge in ``knowledge/words``. Light on purpose:
whatever speaks only English loads none of it.
"""

from __future__ import annotations

import gettext
import logging
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import KnowledgeError
from diagnose.language import ENGLISH, Language, spoken, tell

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue
    from diagnose.kb.load import KnowledgeBase
    from diagnose.outline import Outline
    from diagnose.session import Kit

log = logging.getLogger(__name__)
LOCALE = Path(__file__).parent / "locale"
DOMAIN = "tenhold"
NAMES = {ENGLISH: "English", "de": "Deutsch"}  # each as its speakers call it
CAPITAL_NOUNS = {"de"}


def load_language(folder: Path, name: str) -> Language:
    """Return a language; texts of the knowledge that cannot be read cost only the translation."""
    if name == ENGLISH:
        return Language()
    from babel.numbers import get_decimal_symbol

    from diagnose.kb.words import load_words

    messages = gettext.translation(DOMAIN, LOCALE, [name])
    try:
        knowledge = load_words(folder, name)
    except KnowledgeError as error:  # 'tenhold lint' names it too
        log.warning("texts of the knowledge stay English: %s", error)
        knowledge = {}
    return Language(name, messages, knowledge, get_decimal_symbol(name), name in CAPITAL_NOUNS)


class Tongue:
    """What the engine knows, in the language of the request; made once for each language."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._languages: dict[str, Language] = {}
        self._lock = threading.RLock()
        self._bases: dict[str, KnowledgeBase] = {}
        self._outlines: dict[str, Outline] = {}
        self._catalogues: dict[tuple[str, str], Catalogue] = {}
        self._kits: dict[tuple[str, str], Kit] = {}

    def language(self, name: str) -> Language:
        """Return a language by its name."""
        with self._lock:
            if name not in self._languages:
                self._languages[name] = load_language(self._folder, name)
            return self._languages[name]

    def base(self, base: KnowledgeBase) -> KnowledgeBase:
        """Return the knowledge."""
        from diagnose.kb.words import translate

        name = spoken().name
        if name == ENGLISH:
            return base
        with self._lock:
            if name not in self._bases:
                self._bases[name] = translate(base, tell)
            return self._bases[name]

    def outline(self, outline: Outline, base: KnowledgeBase) -> Outline:
        """Return the machines and their steps."""
        from diagnose.outline import make_outline

        name = spoken().name
        if name == ENGLISH:
            return outline
        with self._lock:
            if name not in self._outlines:
                self._outlines[name] = make_outline(self.base(base))
            return self._outlines[name]

    def catalogue(self, catalogue: Catalogue, base: KnowledgeBase) -> Catalogue:
        """Return what can be asked of a machine."""
        from diagnose.catalogue import list_catalogue

        key = spoken().name, catalogue.circuit.machine_id
        if key[0] == ENGLISH:
            return catalogue
        with self._lock:
            if key not in self._catalogues:
                self._catalogues[key] = list_catalogue(self.base(base), key[1])
            return self._catalogues[key]

    def kit(self, kit: Kit) -> Kit:
        """Return a kit: the same numbers, other words."""
        from diagnose.rulebase import compile_rules

        key = spoken().name, kit.catalogue.circuit.machine_id
        if key[0] == ENGLISH:
            return kit
        with self._lock:
            if key not in self._kits:
                base, catalogue = self.base(kit.base), self.catalogue(kit.catalogue, kit.base)
                planner = replace(kit.planner, catalogue=catalogue)
                self._kits[key] = replace(
                    kit, base=base, catalogue=catalogue, planner=planner, rules=compile_rules(base)
                )
            return self._kits[key]


def name_version(version: str) -> str:
    """Return the name of a drawing's layout: longer words need other boxes.

    >>> name_version("1a2b")
    '1a2b'
    """
    own = spoken()
    return version if own.is_english else f"{version}-{own.name}"
