"""Old work-ups under the knowledge of today: what would change."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from diagnose.errors import DiagnoseError
from diagnose.logbook.book import Book
from diagnose.logbook.rankings import cut_first, rank_work
from diagnose.logbook.work import to_record
from diagnose.session import Kit, diagnose


@dataclass(frozen=True)
class Change:
    """One work-up, then and now."""

    stream: str
    knowledge: str  # then
    said: str  # disposition then
    says: str  # disposition now
    first: str  # first cause at the first ranking, then; "" if it was not kept
    first_now: str
    trouble: str = ""  # why it cannot be replayed

    @property
    def is_same(self) -> bool:
        """Tell whether nothing would change."""
        same_first = not self.first or self.first == self.first_now
        return not self.trouble and self.said == self.says and same_first


def replay(book: Book, find_kit: Callable[[str], Kit], only: str = "") -> Iterator[Change]:
    """Yield for each ended work-up how it would go today, its answers being the same."""
    names = [only] if only else (event.stream for event in book.each("opened"))
    for stream in names:
        change = _replay(book, find_kit, stream)
        if change is not None:
            yield change


def _replay(book: Book, find_kit: Callable[[str], Kit], stream: str) -> Change | None:
    events = book.read(stream)
    record = to_record(stream, events, book.place)
    if not record.is_closed:
        return None
    said = next(e.facts["disposition"] for e in reversed(events) if e.kind == "closed")
    ranked = next((e.facts["first_cause"] for e in events if e.kind == "ranked"), "")
    try:
        kit = find_kit(record.work.machine)
        own = diagnose(kit, record.work)
        if not own.disposition.final:
            own = diagnose(kit, replace(record.work, stopped=True))
        first = rank_work(kit, cut_first(record.work))[0][0]
    except (DiagnoseError, KeyError, ValueError) as error:
        what = f"not in the knowledge any more: {error}"
        return Change(stream, record.knowledge, said, "", ranked, "", what)
    return Change(stream, record.knowledge, said, own.disposition.say, ranked, first)
