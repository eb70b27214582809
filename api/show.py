"""Lines on a screen: plain text with a few marks, so that they read the same without colour.

A screen is a list of lines made by pure functions; only ``Screen`` prints. Colour is never the only
signal, and where the terminal cannot show a bar it gets ASCII.
"""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from diagnose.language import _, mark, tell

WIDTH = 80
HEIGHT = 24
Mark = Literal["", "bold", "dim", "alarm", "good"]
_STYLES = {"": "", "bold": "bold", "dim": "dim", "alarm": "bold red", "good": "bold green"}
_PLAIN = str.maketrans({"█": "#", "░": ".", "…": "~", "═": "=", "→": ">", "±": "~"})

SAFETY = (
    mark("Training and decision support. Not a medical device."),
    mark("Never on a machine connected to a patient."),
    mark("Keep a self-inflating bag and another oxygen source at hand."),
    mark("Local policy, the maker's instructions and licensed practice come first."),
)


@dataclass(frozen=True)
class Line:
    """One line of a screen."""

    text: str = ""
    mark: Mark = ""


def safety_lines() -> list[Line]:
    """Return the safety text."""
    return [Line(text, "bold") for text in SAFETY]


def lines(*texts: str, mark: Mark = "") -> list[Line]:
    """Return texts as lines with one mark."""
    return [Line(text, mark) for text in texts]


def wrap(text: str, first: str = "", rest: str | None = None, mark: Mark = "") -> list[Line]:
    """Return a text over as many lines as it needs.

    >>> [line.text for line in wrap("word " * 20, "1. ")][1][:8]
    '   word '
    """
    after = " " * len(first) if rest is None else rest
    found = textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=after)
    return [Line(each, mark) for each in found or [first.rstrip()]]


def fit(text: str, width: int = WIDTH) -> str:
    """Return a text cut to a width, with a sign that it was cut.

    >>> fit("Oxygen flow control", 12)
    'Oxygen flow…'
    """
    return text if len(text) <= width else text[: width - 1].rstrip() + "…"


def bar(chance: float) -> str:
    """Return a chance as a bar of ten.

    >>> bar(0.68)
    '███████░░░'
    """
    full = min(10, max(0, round(chance * 10)))
    return "█" * full + "░" * (10 - full)


def count_fitting(found: Sequence[Line], room: int) -> int:
    """Return how many lines fit into a number of rows; a long one takes several rows.

    >>> count_fitting([Line("a"), Line("b" * 81), Line("c")], 3)
    2
    """
    used = 0
    for number, line in enumerate(found):
        used += max(1, -(-len(line.text) // WIDTH))
        if used > room:
            return number
    return len(found)


def say_minutes(minutes: float) -> str:
    """Return minutes as people say them.

    >>> say_minutes(0.4), say_minutes(2.1), say_minutes(1.0)
    ('under 1 min', '2 min', '1 min')
    """
    if 0 < minutes < 0.75:
        return _("under 1 min")
    return _("{number} min").format(number=round(minutes))


def say_tool(tool: str) -> str:
    """Return a tool in words."""
    return tell(tool.replace("_", " "))


class Screen:
    """Prints lines; clears between screens at a terminal that can."""

    def __init__(self, clears: bool = False) -> None:
        from rich.console import Console

        self._console = Console(highlight=False, soft_wrap=True)
        self._clears = clears and self._console.is_terminal and not self._console.is_dumb_terminal
        self._encoding = getattr(sys.stdout, "encoding", None) or "utf-8"

    @property
    def height(self) -> int:
        """Lines that fit; never fewer than 24."""
        try:
            return max(HEIGHT, os.get_terminal_size(sys.stdout.fileno()).lines)
        except (OSError, ValueError):
            return HEIGHT

    def clear(self) -> None:
        """Begin a new screen."""
        if self._clears:
            self._console.clear()
        else:
            self._console.print()

    def show(self, found: Iterable[Line]) -> None:
        """Print lines."""
        from rich.text import Text

        for line in found:
            self._console.print(Text(self.encode(line.text), style=_STYLES[line.mark]))

    def encode(self, text: str) -> str:
        """Return a text as this terminal can show it."""
        try:
            text.encode(self._encoding)
            return text
        except UnicodeEncodeError:
            return text.translate(_PLAIN).encode(self._encoding, "replace").decode(self._encoding)
