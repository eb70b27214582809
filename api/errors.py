"""What a face says when something is wrong, and the exit code that goes with it.

InputError, for what was typed or handed in, joins the engine's own tree of errors.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Sequence

from diagnose.errors import DiagnoseError, KnowledgeError, LogError, ReadingError

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
        tail = f"; allowed: {', '.join(allowed)}" if allowed else ""
        super().__init__(f"{where}: {what}{tail}" + (f"; {do}" if do else ""))


class UseError(DiagnoseError):
    """A command was called in a way that cannot work."""


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
