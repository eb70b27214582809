"""Every error of the engine, as one tree.

Attributes first, the message is built from them: what was wrong, where, what is allowed, what to
do.

DiagnoseError
    KnowledgeError   problems in knowledge files, all at once
    ReadingError     an answer that the check does not know
    UnitError        a quantity without a unit, or in the wrong one
    CircuitError     a machine whose parts do not fit together
    PhysicsError     a value outside the range of a model
    CacheError       the compiled tables cannot be read or written
    LogError         a work-up cannot be stored or read back
    EntryError       an entry of biomed that the logbook does not take
    DrillError       a drill cannot be set, or an act is not possible in it
    FleetError       problems in the list of single machines, all at once
    AccountError     an account, a password or a token that cannot be made or changed so
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from diagnose.language import _


class DiagnoseError(Exception):
    """Root of all errors that the engine raises on purpose."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in one knowledge file."""

    path: str
    line: int
    field: str
    what: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.field}: {self.what}"


class KnowledgeError(DiagnoseError):
    """The knowledge folder cannot be used as it is."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(map(str, self.problems)))


class ReadingError(DiagnoseError):
    """An answer does not belong to its check."""

    def __init__(self, check: str, given: str, allowed: Sequence[str], hint: str = "") -> None:
        self.check, self.given, self.allowed, self.hint = check, given, tuple(allowed), hint
        words = _("{check}: '{given}' is not an answer; allowed: {allowed}").format(
            check=check, given=given, allowed=", ".join(allowed)
        )
        super().__init__(f"{words}. {hint}" if hint else words)


class UnitError(DiagnoseError):
    """A quantity has no unit, an unknown one, or one of another kind."""

    def __init__(self, text: str, wanted: str, why: str) -> None:
        self.text, self.wanted, self.why = text, wanted, why
        super().__init__(
            _("'{text}' {why}; write a quantity in {wanted}, for example '12 {wanted}'").format(
                text=text, why=why, wanted=wanted
            )
        )


class CircuitError(DiagnoseError):
    """A machine's components and connections do not fit together, or a name is unknown in it."""

    def __init__(self, machine: str, what: str, allowed: Sequence[str] = ()) -> None:
        self.machine, self.what, self.allowed = machine, what, tuple(allowed)
        tail = f"; known: {', '.join(allowed)}" if allowed else ""
        super().__init__(f"{machine}: {what}{tail}")


class PhysicsError(DiagnoseError):
    """A quantity lies outside the range in which a model holds."""

    def __init__(self, model: str, quantity: str, value: float, allowed: str) -> None:
        self.model, self.quantity, self.value, self.allowed = model, quantity, value, allowed
        super().__init__(f"{model}: {quantity} = {value:g} is outside {allowed}")


class CacheError(DiagnoseError):
    """A compiled table cannot be stored or read."""

    def __init__(self, path: str, what: str, do: str) -> None:
        self.path, self.what, self.do = path, what, do
        super().__init__(f"{path}: {what}; {do}")


class LogError(DiagnoseError):
    """A work-up cannot be stored or read back."""

    def __init__(self, path: str, what: str, do: str) -> None:
        self.path, self.what, self.do = path, what, do
        super().__init__(f"{path}: {what}; {do}")


class EntryError(DiagnoseError):
    """An entry of biomed does not belong to the work-up as it stands, or is not whole."""

    def __init__(
        self, stream: str, field: str, what: str, do: str, allowed: Sequence[str] = ()
    ) -> None:
        self.stream, self.field, self.what, self.do = stream, field, what, do
        self.allowed = tuple(allowed)
        tail = f"; allowed: {', '.join(allowed)}" if allowed else ""
        super().__init__(f"{stream}: {field}: {what}{tail}; {do}")


class DrillError(DiagnoseError):
    """A drill cannot be set so, or an act is not possible in it: where, what, what to do."""

    def __init__(self, where: str, what: str, do: str = "") -> None:
        self.where, self.what, self.do = where, what, do
        super().__init__(f"{where}: {what}" + (f"; {do}" if do else ""))


class FleetError(DiagnoseError):
    """The list of single machines cannot be used, or not be changed as it was told.

    A problem of what was told has no path.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(str(p) if p.path else f"{p.field}: {p.what}" for p in problems))


class AccountError(DiagnoseError):
    """An account, a password or a token cannot be made or changed so."""

    def __init__(self, where: str, what: str, do: str, allowed: Sequence[str] = ()) -> None:
        self.where, self.what, self.do, self.allowed = where, what, do, tuple(allowed)
        tail = f"; allowed: {', '.join(allowed)}" if allowed else ""
        super().__init__(f"{where}: {what}{tail}; {do}")
