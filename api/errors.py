"""What a face says when something is wrong, and the exit code that goes with it.

InputError, for what was typed or handed in, joins the engine's own tree of errors.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from diagnose.errors import (
    AccountError,
    CircuitError,
    DiagnoseError,
    EntryError,
    FleetError,
    KnowledgeError,
    LogError,
    ReadingError,
    UnitError,
)
from diagnose.language import _, mark

OK = 0
INTERNAL = 1
WRONG_USE = 2
BAD_INPUT = 3
BAD_KNOWLEDGE = 4
NOT_SAVED = 5
REMOVAL = 10
STOPPED = 130

SHOWN = 20  # problems printed before the rest is only counted
EXIT_CODES = """Exit codes: 0 done; 1 fault in tenhold itself; 2 wrong use of a command;
3 bad answer, file or name; 4 problems in the knowledge; 5 the record could not be written;
10 removed from service (only with --exit-disposition); 130 stopped by Ctrl-C."""


class InputError(DiagnoseError):
    """Something handed in cannot be used: where, what is wrong, what is allowed."""

    def __init__(self, where: str, what: str, allowed: Sequence[str] = (), do: str = "") -> None:
        self.where, self.what, self.allowed, self.do = where, what, tuple(allowed), do
        tail = _("; allowed: {allowed}").format(allowed=", ".join(allowed)) if allowed else ""
        super().__init__(f"{where}: {what}{tail}" + (f"; {do}" if do else ""))


class UnknownError(InputError):
    """A name that nothing has."""


class StaleError(DiagnoseError):
    """A work-up went on since the page was shown on which an entry was made."""

    def __init__(self, name: str, what: str, length: int | None = None) -> None:
        self.name, self.what, self.length = name, what, length
        super().__init__(f"{name}: {what}")


class SignInError(InputError):
    """Nobody is signed in, or not as who they say."""

    headers: ClassVar[dict[str, str]] = {"www-authenticate": 'Bearer realm="tenhold"'}


class RoleError(InputError):
    """Whoever is signed in may not do this."""


class HeldError(InputError):
    """Too many wrong passwords lately: wait."""

    def __init__(self, seconds: int) -> None:
        self.seconds, self.headers = seconds, {"retry-after": str(seconds)}
        super().__init__("sign-in", "too many tries", do=f"wait {seconds} s, then try again")


class UseError(DiagnoseError):
    """A command was called in a way that cannot work."""


#: what can be wrong with an answer: it is asked again
REFUSED = (ReadingError, UnitError, InputError)


def find_code(error: BaseException) -> int:
    """Return the exit code of an error.

    >>> find_code(InputError("--minutes", "is negative"))
    3
    """
    for kind, code in (
        (UseError, WRONG_USE),
        (KnowledgeError, BAD_KNOWLEDGE),
        (LogError, NOT_SAVED),
        (DiagnoseError, BAD_INPUT),
    ):
        if isinstance(error, kind):
            return code
    return INTERNAL


def say_error(error: BaseException) -> list[str]:
    """Return an error in lines: what is wrong, where, what to do."""
    if isinstance(error, KnowledgeError):
        return _say_problems(error)
    if isinstance(error, ReadingError) and error.given == error.check:
        return [f"Error: '{error.check}' is no check of this machine; did you mean "
                f"{' or '.join(error.allowed)}?"]  # fmt: skip
    if isinstance(error, DiagnoseError):
        return [f"Error: {line}" if not number else line
                for number, line in enumerate(str(error).splitlines())]  # fmt: skip
    if os.environ.get("TENHOLD_DEBUG"):
        return "".join(traceback.format_exception(error)).splitlines()
    frames = traceback.extract_tb(error.__traceback__)
    place = f" ({os.path.basename(frames[-1].filename)}:{frames[-1].lineno})" if frames else ""
    return [
        f"Error: a fault in tenhold itself: {type(error).__name__}: {error}{place}",
        "Treat the machine as not shown to be safe. What was answered is in its record:",
        "'tenhold work-up --resume last' goes on there. TENHOLD_DEBUG=1 shows more for a report.",
    ]


def _say_problems(error: KnowledgeError) -> list[str]:
    count = len(error.problems)
    rest = [f"... and {count - SHOWN} more; 'tenhold lint' lists them all"] if count > SHOWN else []
    return [
        f"Error: the knowledge cannot be used as it is ({count} problem{'s' * (count > 1)}):",
        *map(str, error.problems[:SHOWN]),
        *rest,
        "Mend the lines named, or name another folder by --knowledge or TENHOLD_KNOWLEDGE.",
    ]


@dataclass(frozen=True)
class Trouble:
    """What is wrong, as it leaves over HTTP (problem details, RFC 9457): the same for every error.

    Each problem has ``where``, ``what`` and ``allowed``. ``length`` is how long a record is by now.
    """

    status: int
    title: str
    detail: str
    problems: tuple[dict[str, object], ...] = ()
    length: int | None = None


_STATUSES: tuple[tuple[type[DiagnoseError], int, str], ...] = (
    (StaleError, 409, mark("The work-up went on meanwhile")),
    (UnknownError, 404, mark("No such name")),
    (SignInError, 401, mark("Sign in first")),
    (RoleError, 403, mark("Not for this role")),
    (HeldError, 429, mark("Too many tries")),
    (KnowledgeError, 503, mark("The knowledge cannot be used as it is")),
    (LogError, 503, mark("The record cannot be used")),
    (DiagnoseError, 422, mark("This cannot be used")),
)


def to_trouble(error: BaseException) -> Trouble:
    """Return an error as problem details.

    >>> to_trouble(UnknownError("machine", "'tall' is not known")).status
    404
    """
    detail = " ".join(say_error(error)).removeprefix("Error: ")
    if isinstance(error, ReadingError) and error.given == error.check:
        return Trouble(404, _("No such name"), detail, _list_problems(error))
    for kind, status, title in _STATUSES:
        if isinstance(error, kind):
            length = getattr(error, "length", None)
            return Trouble(status, _(title), detail, _list_problems(error), length)
    return Trouble(500, _("A fault in tenhold itself"), detail)


def _list_problems(error: DiagnoseError) -> tuple[dict[str, object], ...]:
    """Return every single thing that is wrong."""
    if isinstance(error, KnowledgeError):
        places = [(f"{p.path}:{p.line}: {p.field}", p.what) for p in error.problems]
        return tuple(one_problem(where, what) for where, what in places)
    match error:
        case InputError():
            return (one_problem(error.where, error.what, error.allowed),)
        case ReadingError():
            what = _("'{given}' is not an answer.").format(given=error.given)
            what = f"{what} {error.hint}".strip()
            return (one_problem(error.check, what, error.allowed),)
        case UnitError():
            return (one_problem("answer", f"'{error.text}' {error.why}", [error.wanted]),)
        case CircuitError():
            return (one_problem(error.machine, error.what, error.allowed),)
        case AccountError():
            return (one_problem(error.where, f"{error.what}; {error.do}", error.allowed),)
        case EntryError():
            return (one_problem(error.field, f"{error.what}; {error.do}", error.allowed),)
        case FleetError():
            return tuple(one_problem(f"{p.path}:{p.line}: {p.field}" if p.path else p.field, p.what)
                         for p in error.problems)  # fmt: skip
        case StaleError():
            return (one_problem(error.name, error.what),)
        case LogError():
            return (one_problem(error.path, f"{error.what}; {error.do}"),)
    return (one_problem("", str(error)),)


def one_problem(where: str, what: str, allowed: Sequence[str] = ()) -> dict[str, object]:
    """Return one thing that is wrong."""
    return {"where": where, "what": what, "allowed": list(allowed)}
