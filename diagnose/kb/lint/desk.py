"""What a lint works on: the knowledge read so far, and a way to note a problem at its line.

A file that could not be read still counts as being there, so that one slip of form does not make
every file that names it wrong too.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from diagnose.catalogue import Catalogue, is_possible, list_catalogue
from diagnose.circuit import Circuit, wire
from diagnose.errors import CircuitError
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.reader import Where
from diagnose.kb.schema import Check, Fault

MANY = 10  # more names than this are not listed in a message
_BRACES = re.compile(r"\{[^}]*\}")


@dataclass
class Desk:
    """The knowledge under lint, its machines wired as far as they can be."""

    base: KnowledgeBase
    catalogues: dict[str, Catalogue] = field(default_factory=dict)
    rule_places: dict[str, tuple[str, int]] = field(default_factory=dict)
    known: dict[str, frozenset[str]] = field(default_factory=dict)

    @property
    def circuits(self) -> list[Circuit]:
        """The machines that could be wired."""
        return [catalogue.circuit for catalogue in self.catalogues.values()]

    @property
    def live(self) -> dict[str, Fault]:
        """The faults that are not retired."""
        return {name: f for name, f in self.base.faults.items() if f.status != "retired"}

    @property
    def all_wired(self) -> bool:
        """Tell whether every machine could be wired, so that what is on none is nowhere."""
        return len(self.catalogues) == len(self.base.machines)

    def names(self, kind: str) -> frozenset[str]:
        """Return the ids of a kind (``checks``, ``faults`` ...), also of files of bad form."""
        if kind not in self.known:
            self.known[kind] = frozenset(self._list_names(kind))
        return self.known[kind]

    def _list_names(self, kind: str) -> Iterator[str]:
        read = getattr(self.base, kind)
        yield from self.live if kind == "faults" else read
        for path in self.base.documents:
            top, _, rest = path.partition("/")
            name = rest.removesuffix(".yaml").replace("/", ".")
            if top == kind and name not in read:
                yield name

    def note(self, kind: str, name: str, where: Where, what: str) -> None:
        """Add a problem at a place in the file of one fault, check, machine, component or rule."""
        if kind == "rules":
            path, index = self.rule_places[name]
            self.base.documents[path].note((index, *where), what)
        elif kind == "sources":
            self.base.documents["sources.yaml"].note((name, *where), what)
        else:
            self.base.documents[f"{kind}/{name.replace('.', '/')}.yaml"].note(where, what)

    def has_problem(self, kind: str, name: str, fields: Collection[str]) -> bool:
        """Tell whether a problem is noted already in one of these fields of a file."""
        document = self.base.documents[f"{kind}/{name.replace('.', '/')}.yaml"]
        return any(problem.field.split(".")[0] in fields for problem in document.problems)

    def places(self, check: Check) -> Iterator[tuple[Circuit, str]]:
        """Yield where a check is possible: the machine, and what ``$it`` stands for there."""
        for circuit in self.circuits:
            for it in circuit.of_kind(check.each) if check.each else [""]:
                if is_possible(circuit, check, it):
                    yield circuit, it


def set_desk(base: KnowledgeBase) -> Desk:
    """Return the desk with the rules found in their files and every sound machine wired."""
    desk = Desk(base)
    for path, document in base.documents.items():
        if path.startswith("rules/") and isinstance(document.data, list):
            for index, rule in enumerate(document.data):
                if isinstance(rule, dict) and rule.get("id") in base.rules:
                    desk.rule_places.setdefault(rule["id"], (path, index))
    for name in base.machines:
        try:
            wire(base, name)
            desk.catalogues[name] = list_catalogue(base, name)
        except (CircuitError, KeyError):  # what is wrong is noted at its line, in parts.py
            continue
    return desk


def no_such(name: str, what: str, known: Iterable[str]) -> str:
    """Return the words for a name that is unknown, with the nearest one or all that are known.

    >>> no_such("bga", "kind of component", ["bag", "apl_valve"])
    "'bga' is no kind of component; did you mean 'bag'?"
    """
    names = sorted(known)
    near = difflib.get_close_matches(name, names, 1)
    if near:
        return f"'{name}' is no {what}; did you mean '{near[0]}'?"
    if 0 < len(names) <= MANY:
        return f"'{name}' is no {what}; write one of: {', '.join(names)}"
    return f"'{name}' is no {what}; write one that is there"


def note_braces(desk: Desk, kind: str, name: str, where: Where, text: str, *, it: bool) -> None:
    """Note every ``{...}`` in words that would be printed as it stands."""
    for found in _BRACES.findall(text):
        if found != "{it}":
            desk.note(kind, name, where, f"'{found}' is never filled in; only '{{it}}' is")
        elif not it:
            desk.note(kind, name, where, "'{it}' stands for nothing here; name the part")


def note_needs(desk: Desk, kind: str, name: str, needs: Iterable[str]) -> None:
    """Note every option asked for that no machine has."""
    options = [machine.options for machine in desk.base.machines.values()]
    for number, need in enumerate(needs):
        option, _, wanted = need.partition("=")
        allowed = (wanted or "yes").split("|")
        if not any(have.get(option) in allowed for have in options):
            what = f"no machine has '{need}'; write an option and value that a machine has"
            desk.note(kind, name, ("needs", number), what)
