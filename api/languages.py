"""The language of a page: which one its browser wants, and how English inside it is marked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from babel.dates import format_datetime
from fastapi import Request

from api.guard import App, Message, Receive, Send
from api.tongue import NAMES, Tongue
from diagnose.language import CLOSE, ENGLISH, OPEN, SOFT, _, speaking, spoken

COOKIE = "language"
WANTED = 20  # languages of a browser that are looked at
#: what programs ask for, and what has no words: always English
FOR_PROGRAMS = ("/api/", "/openapi.json", "/health", "/ready", "/metrics", "/static/")
#: pages that are not translated yet: whole in English, rather than half in each
NOT_YET = ("/drills", "/biomed")
TAG = re.compile(r"<[^>]*>")
NO_PARTS = re.compile(r"<(/?)(title|option|text|desc)\b")  # elements that hold text alone


def choose(cookie: str, header: str) -> str:
    """Return the language that a browser has chosen, else the one it likes best, else English.

    Parameters
    ----------
    cookie : str
        What the form of the pages put there; "" for nothing.
    header : str
        ``Accept-Language``, with weights.

    Examples
    --------
    >>> choose("", "fr;q=0.9, de-AT;q=0.8, en;q=0.5"), choose("en", "de"), choose("xx", "fr")
    ('de', 'en', 'en')
    """
    if cookie in NAMES:
        return cookie
    liked = sorted(_list_liked(header), key=lambda pair: -pair[0])
    return next((name for _weight, name in liked), ENGLISH)


def _list_liked(header: str) -> Iterator[tuple[float, str]]:
    for each in header.split(",")[:WANTED]:
        tag, _semicolon, weight = each.strip().partition(";")
        name = tag.strip().lower().partition("-")[0]
        number = weight.strip().removeprefix("q=") or "1"
        is_weight = re.fullmatch(r"[01](\.\d{0,3})?", number)
        if name in NAMES and is_weight and float(number) > 0:
            yield float(number), name


class Speak:
    """Answers each page in the language that its browser wants."""

    def __init__(self, app: App, tongue: Tongue) -> None:
        self.app, self.tongue = app, tongue

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http" or scope["path"].startswith(FOR_PROGRAMS + NOT_YET):
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        header = request.headers.get("accept-language", "")
        name = choose(request.cookies.get(COOKIE, ""), header)
        with speaking(self.tongue.language(name)):
            await self.app(scope, receive, send)


def mark_english(page: str) -> str:
    """Return a page in which everything that stays English says so to a screen reader.

    An attribute, a title and an option hold text alone, and a drawing cuts its texts into lines:
    there the marks only go.

    >>> mark_english(f'<p title="{OPEN}Bag{CLOSE}">{OPEN}Bag{CLOSE}</p>')
    '<p title="Bag"><span lang="en">Bag</span></p>'
    """
    found, last, is_alone = [], 0, False
    for tag in TAG.finditer(page):
        found += [_mark_text(page[last : tag.start()], is_alone), _mark_text(tag[0], True)]
        if alone := NO_PARTS.match(tag[0]):
            is_alone = not alone[1]
        last = tag.end()
    return "".join([*found, _mark_text(page[last:], is_alone)])


def _mark_text(text: str, is_alone: bool) -> str:
    begin, end = ("", "") if is_alone else (f'<span lang="{ENGLISH}">', "</span>")
    return text.replace(OPEN, begin).replace(CLOSE, end).replace(SOFT, "")


def say_time(at: datetime) -> str:
    """Return day and time as they are written here.

    >>> say_time(datetime(2026, 3, 2, 6, 48))
    '02 March 2026, 06:48'
    """
    return format_datetime(at, _("dd MMMM yyyy, HH:mm"), locale=spoken().name)
