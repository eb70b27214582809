"""Codes of the open IMDRF adverse-event terminology, those that were read in its term lists.

They are optional fields of a confirmation: who has to report needs them, nobody else.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path


@lru_cache
def read_terms() -> dict[str, str]:
    """Return code -> term.

    >>> read_terms()["A050402"]
    'Gas/Air Leak'
    """
    text = Path(__file__).with_name("terms.json").read_text("utf-8")
    found: dict[str, str] = json.loads(text)["terms"]
    return found


def find_near(code: str) -> list[str]:
    """Return codes that begin as a code does, for a message.

    >>> find_near("A0801X")
    ['A08', 'A0801', 'A0802']
    """
    return sorted(own for own in read_terms() if own.startswith(code[:3]))[:8]
