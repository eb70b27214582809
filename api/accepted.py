"""The rates that a person accepted from the logbook, for the engine of a face.

A logbook that is not there, or cannot be reached, costs nothing: the knowledge's own rates hold.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from typing import TYPE_CHECKING

from diagnose.errors import LogError
from diagnose.places import logbook_file

if TYPE_CHECKING:
    from diagnose.kb.load import KnowledgeBase

log = logging.getLogger(__name__)


def read_rates(base: KnowledgeBase, machine: str) -> Mapping[str, float]:
    """Return the accepted chances per checkout by cause; none where none were accepted."""
    if not (os.environ.get("TENHOLD_DATABASE") or logbook_file().is_file()):
        return {}
    from diagnose.catalogue import list_catalogue
    from diagnose.logbook.accept import find_accepted
    from diagnose.logbook.book import Book

    try:
        book = Book()
        try:
            return find_accepted(book, list_catalogue(base, machine))
        finally:
            book.close()
    except LogError as error:
        log.warning("the rates of the knowledge are used: %s", error)
        return {}
