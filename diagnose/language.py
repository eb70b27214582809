"""The language in which a request is answered, and what says words in it.

The engine thinks in ids and numbers; where it makes sentences, they go through here. The language
is a value of the running request (a context variable), so two requests never see each other's, and
whatever sets none - the terminal, JSON, records on the disk - speaks English.

Texts of the knowledge that are not translated stay English inside a page of another language. They
are put between two marks, so that the page can say in which language they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from gettext import NullTranslations

ENGLISH = "en"
#: around English text inside another language: characters that no text holds (private use)
OPEN, CLOSE = "\ue000", "\ue001"
SOFT = "\u00ad"  # soft hyphen: where a drawing may break a long name


@dataclass(frozen=True, eq=False)
class Language:
    """A language: its short name, its sentences, and its texts of the knowledge."""

    name: str = ENGLISH
    messages: NullTranslations = field(default_factory=NullTranslations)
    knowledge: Mapping[str, str] = field(default_factory=dict)  # English text -> its own
    decimal: str = "."
    has_capital_nouns: bool = False  # then a title keeps its capital inside a sentence

    @property
    def is_english(self) -> bool:
        """Tell whether words stay as they are written in the code and in the knowledge."""
        return self.name == ENGLISH


_SPOKEN: ContextVar[Language] = ContextVar("language", default=Language())  # noqa: B039 (frozen)


def spoken() -> Language:
    """Return the language of this request."""
    return _SPOKEN.get()


@contextmanager
def speaking(language: Language) -> Iterator[None]:
    """Speak a language meanwhile."""
    token = _SPOKEN.set(language)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


def _(message: str) -> str:
    """Return a sentence of ours in the language of this request."""
    return spoken().messages.gettext(message)


def count(one: str, many: str, number: int) -> str:
    """Return a sentence about a number of things, ``{number}`` in it replaced.

    >>> count("{number} step", "{number} steps", 7)
    '7 steps'
    """
    return spoken().messages.ngettext(one, many, number).format(number=number)


def mark(message: str) -> str:
    """Return a sentence as it is: it is only marked here, and said elsewhere by ``_``."""
    return message


def tell(text: str) -> str:
    """Return a text of the knowledge; one that is not translated as marked English.

    >>> tell("Reservoir bag")
    'Reservoir bag'
    """
    own = spoken()
    if own.is_english or not text:
        return text
    found = own.knowledge.get(text) or own.messages.gettext(text)
    return found if found != text else f"{OPEN}{text}{CLOSE}"


def inside(text: str) -> str:
    """Return a title as it stands inside a sentence.

    >>> inside("Reservoir bag")
    'reservoir bag'
    """
    keeps = spoken().has_capital_nouns and not text.startswith(OPEN)
    return text if keeps else text.lower()


def without_stop(text: str) -> str:
    """Return a sentence without its full stop, so that it can go on.

    >>> without_stop("Fit a new bag.")
    'Fit a new bag'
    """
    if text.endswith(CLOSE):
        return text.removesuffix(CLOSE).rstrip(".") + CLOSE
    return text.rstrip(".")


def first_capital(text: str) -> str:
    """Return a text that begins with a capital.

    >>> first_capital("bag torn")
    'Bag torn'
    """
    start = len(text) - len(text.lstrip(OPEN))
    return text[:start] + text[start : start + 1].upper() + text[start + 1 :]


def say_percent(share: float) -> str:
    """Return a share in hundredths, as a number is written here.

    Parameters
    ----------
    share : float
        0 to 1 [-].

    Examples
    --------
    >>> say_percent(0.0015)
    '0.15%'
    """
    return f"{share:.2%}".replace(".", spoken().decimal)


def plain(text: str) -> str:
    """Return a text without any mark: around what is English in it, or inside a long name."""
    return text.replace(OPEN, "").replace(CLOSE, "").replace(SOFT, "")
