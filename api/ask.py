"""Asking a person, or a file of answers, and choosing from a list by number or by a few letters."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from api.errors import InputError
from api.show import Line, Screen, fit, lines, wrap
from diagnose.language import plain

PROMPT = "> "


class AnswersEndError(Exception):
    """The file of answers has no more lines."""


class Asker(Protocol):
    """Whoever answers."""

    def ask(self) -> str:
        """Return the next answer, without blanks around it."""

    def refuse(self, what: str) -> None:
        """Say that an answer cannot be used."""

    def tell(self, what: str) -> None:
        """Say something that must be read, and go on."""

    def pause(self) -> bool:
        """Wait until what is shown was read; False if no more of it is wanted."""


@dataclass
class Person:
    """A person at a terminal; a wrong answer is asked again."""

    screen: Screen
    notice: list[str] = field(default_factory=list)  # said above the next prompt

    def ask(self) -> str:
        """Return what is typed; the end of input counts as Ctrl-C."""
        for text in self.notice:
            self.screen.show(wrap(text, "! ", mark="alarm"))
        self.notice.clear()
        try:
            return input(PROMPT).strip()
        except EOFError:
            raise KeyboardInterrupt from None

    def refuse(self, what: str) -> None:
        """Say it above the next prompt."""
        self.notice.append(what)

    def tell(self, what: str) -> None:
        """Say it above the next prompt."""
        self.notice.append(what)

    def pause(self) -> bool:
        """Wait for Enter; b ends it."""
        self.screen.show(lines("Enter goes on, b goes back.", mark="dim"))
        return self.ask().lower() not in ("b", "q")


@dataclass
class Script:
    """Answers from a file, one a line; a wrong one ends the run: nobody is there to mend it."""

    name: str
    answers: Sequence[str]
    screen: Screen
    line: int = 0
    last: str = field(default="", init=False)

    def ask(self) -> str:
        """Return the next line that is neither empty nor a comment, and print it."""
        while self.line < len(self.answers):
            self.last = self.answers[self.line].strip()
            self.line += 1
            if self.last and not self.last.startswith("#"):
                self.screen.show(lines(f"{PROMPT}{self.last}"))
                return "" if self.last == "-" else self.last
        raise AnswersEndError

    def refuse(self, what: str) -> None:
        """Raise InputError with the line."""
        raise InputError(f"{self.name}, line {self.line}", f"'{self.last}': {what}")

    def tell(self, what: str) -> None:
        """Print it."""
        self.screen.show(wrap(what, "! ", mark="alarm"))

    def pause(self) -> bool:
        """Never wait."""
        return True


def read_script(name: str, screen: Screen) -> Script:
    """Return the answers in a file, or on the standard input for ``-``.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    try:
        if name == "-":
            return Script("answers", sys.stdin.read().splitlines(), screen)
        with open(name, encoding="utf-8") as file:
            return Script(name, file.read().splitlines(), screen)
    except UnicodeDecodeError:
        raise InputError(name, "is not UTF-8 text", do="write one answer a line") from None
    except OSError as error:
        raise InputError(name, f"cannot be read ({error.strerror})", do="name a file") from error


@dataclass(frozen=True)
class Item:
    """One line of a list to choose from."""

    key: str
    label: str
    group: str = ""


def has_words(item: Item, text: str) -> bool:
    """Tell whether an item holds every word of a search.

    >>> has_words(Item("breathing.bag_look", "Stretch the bag and look"), "look BAG")
    True
    """
    own = plain(f"{item.label} {item.key} {item.group}").lower()
    return all(word in own for word in text.lower().split())


LONG = 45  # items of a list that begins with its groups
GROUPS = 12  # groups that one screen holds


@dataclass
class Picker:
    """A list to choose from by number, by name, or by letters that narrow it down."""

    screen: Screen
    asker: Asker
    heading: list[Line]
    items: Sequence[Item]
    default: str = ""  # chosen by Enter
    has_back: bool = False

    def pick(self) -> str | None:
        """Return the key chosen; None for going back."""
        shown, page = list(range(len(self.items))), 0
        is_first = bool(self.groups)
        while True:
            chunk = self._page(shown, page)
            self.screen.clear()
            if is_first:
                self.screen.show([*self.heading, *self._overview()])
            else:
                self.screen.show([*self.heading, *self._list(chunk), *self._say_how(shown, chunk)])
            text = self.asker.ask()
            is_first, was_first = False, is_first
            if self.has_back and text.lower() == "b":
                return None
            if not text and was_first:
                continue
            if not text:
                if chunk[-1] == shown[-1] and page == 0 and self.default:
                    return self.default
                at_end = chunk[-1] == shown[-1]
                page = 0 if at_end else page + 1
                if at_end and self.groups:
                    shown, is_first = list(range(len(self.items))), True
                continue
            found = self.find(text)
            if len(found) == 1:
                return self.items[found[0]].key
            if found:
                shown, page = found, 0
            else:
                self._refuse(text)
                shown, page = list(range(len(self.items))), 0

    @property
    def groups(self) -> dict[str, str]:
        """The groups of a list too long for three screens, by a letter each; else none."""
        if len(self.items) <= LONG:
            return {}
        names = dict.fromkeys(item.group for item in self.items if item.group)
        letters = (letter for letter in "acdefghijklmnopqrstuvwxyz")  # b goes back
        return dict(zip(letters, names, strict=False)) if 1 < len(names) <= GROUPS else {}

    def _overview(self) -> list[Line]:
        count = {name: sum(item.group == name for item in self.items)
                 for name in self.groups.values()}  # fmt: skip
        found = [Line(f"   {key}  {name} ({count[name]})") for key, name in self.groups.items()]
        back = "   b back" if self.has_back else ""
        how = f"A letter from the list, words to search, or Enter for all.{back}"
        return [*found, Line(how, "dim")]

    def _refuse(self, text: str) -> None:
        if text.isdigit():
            self.asker.refuse(f"There is no line {text}; the last is {len(self.items)}.")
        else:
            self.asker.refuse(f"Nothing here matches '{text}'. Try a shorter word.")

    def find(self, text: str) -> list[int]:
        """Return the places of the items that a text means."""
        wanted = " ".join(text.lower().split())
        if wanted.isdigit():
            return [int(wanted) - 1] if 1 <= int(wanted) <= len(self.items) else []
        if wanted in self.groups:
            return [n for n, item in enumerate(self.items) if item.group == self.groups[wanted]]
        for place, item in enumerate(self.items):
            if wanted in (item.key.lower(), item.label.lower()):
                return [place]
        return [place for place, item in enumerate(self.items) if has_words(item, wanted)]

    def _page(self, shown: list[int], page: int) -> list[int]:
        """Return the places on a page; a group's heading takes a line too."""
        room = self.screen.height - len(self.heading) - 4
        start = 0
        for number in range(page + 1):
            chunk: list[int] = []
            used, group = 0, ""
            for place in shown[start:]:
                used += 1 + (self.items[place].group not in ("", group))
                if used > room and chunk:
                    break
                group = self.items[place].group
                chunk.append(place)
            if number < page:
                start += len(chunk)
        return chunk

    def _list(self, chunk: list[int]) -> list[Line]:
        found, group = [], ""
        for place in chunk:
            item = self.items[place]
            if item.group and item.group != group:
                group = item.group
                found.append(Line(group, "bold"))
            found.append(Line(fit(f"{place + 1:4}  {item.label}")))
        return found

    def _say_how(self, shown: list[int], chunk: list[int]) -> list[Line]:
        ways = ["Number"]
        if len(self.items) > 9:
            ways.append("letters to search")
        if len(chunk) < len(shown):
            ways.append("Enter for more")
        elif self.groups:
            ways.append("Enter for the parts")
        elif self.default:
            label = next(item.label for item in self.items if item.key == self.default)
            ways.append(f"Enter for: {label}")
        if self.has_back:
            ways.append("b back")
        return [Line(fit(", ".join(ways) + "."), "dim")]


def parse_numbers(text: str, last: int) -> list[int] | None:
    """Return the numbers in a list such as ``1 3 5-7``; None if it is no such list.

    >>> parse_numbers("1, 3 5-7", 9), parse_numbers("4", 3)
    ([1, 3, 5, 6, 7], None)
    """
    found: list[int] = []
    for part in text.replace(",", " ").split():
        low, dash, high = part.partition("-")
        if not low.isdigit() or (dash and not high.isdigit()):
            return None
        found += range(int(low), int(high if dash else low) + 1)
    return found if found and min(found) >= 1 and max(found) <= last else None
