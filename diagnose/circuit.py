"""A machine profile as a networkx graph: what a set-up puts under pressure, vacuum or flow.

Nodes are gas spaces (ports that connections join); every edge belongs to an element of a component.
The graph answers which components could explain a reading at all: its suspects. It knows positions
and one-way valves, but no numbers: that is the physics' part, and the two must agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import networkx as nx

from diagnose.errors import CircuitError
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.schema import Check, Component, Element, Machine

ROOM = "room"
KNOWN_GOOD = "known_good"
SUPPLIES = "supplies"
INSPIRATION, EXPIRATION = "inspiration", "expiration"  # positions of what breathes


@dataclass(frozen=True)
class Piece:
    """One element of one component, between two gas spaces (``after`` is the room for leaks)."""

    component: str
    name: str
    element: Element
    before: str
    after: str


@dataclass(frozen=True)
class Circuit:
    """A machine's components wired together."""

    machine_id: str
    machine: Machine
    kinds: Mapping[str, Component]
    spaces: Mapping[str, str]  # "component.port" -> gas space
    pieces: tuple[Piece, ...] = field(repr=False)

    @cached_property
    def ready(self) -> dict[str, str]:
        """The position of everything that can be operated, in the machine ready for checkout."""
        positions = {name: kind.ready for name, kind in self.kinds.items() if kind.ready}
        return positions | dict(self.machine.ready)

    def title(self, component: str) -> str:
        """Return a component's name as people say it.

        >>> from diagnose.kb.load import load
        >>> wire(load(), "small").title("insp_valve")
        'Inspiratory valve'
        """
        return self.machine.titles.get(component) or self.kinds[component].title

    def of_kind(self, kind: str) -> list[str]:
        """Return the components of one kind, in the machine's order."""
        return [name for name, own in self.machine.components.items() if own == kind]

    def space(self, port: str) -> str:
        """Return the gas space at ``component.port``."""
        try:
            return self.spaces[port]
        except KeyError:
            raise CircuitError(
                self.machine_id, f"'{port}' is no port", sorted(self.spaces)
            ) from None


def wire(base: KnowledgeBase, machine_id: str) -> Circuit:
    """Return a machine's circuit.

    Raises
    ------
    CircuitError
        The machine is unknown, or its connections name ports that do not exist.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> wire(load(), "small").of_kind("one_way_valve")
    ['insp_valve', 'exp_valve']
    """
    if machine_id not in base.machines:
        raise CircuitError(machine_id, "is no machine profile", sorted(base.machines))
    machine = base.machines[machine_id]
    kinds = {}
    for name, kind in machine.components.items():
        if kind not in base.components:
            raise CircuitError(
                machine_id, f"component '{name}' has unknown kind '{kind}'", sorted(base.components)
            )
        kinds[name] = base.components[kind]
    spaces = _join_ports(machine_id, machine, kinds)
    return Circuit(machine_id, machine, kinds, spaces, tuple(_pieces(kinds, spaces)))


def _join_ports(
    machine_id: str, machine: Machine, kinds: Mapping[str, Component]
) -> dict[str, str]:
    ports = nx.Graph()
    for name, kind in kinds.items():
        ports.add_nodes_from(f"{name}.{port}" for port in [*kind.ports, *kind.inside])
    for text in machine.connections:
        ends = [end.strip() for end in text.split(" - ")]
        unknown = [end for end in ends if end not in ports]
        if len(ends) != 2 or unknown:
            raise CircuitError(machine_id, f"connection '{text}' names no two ports", unknown)
        ports.add_edge(*ends)
    spaces = {}
    for group in nx.connected_components(ports):
        first = min(group)
        spaces.update(dict.fromkeys(group, first))
    return spaces


def _pieces(kinds: Mapping[str, Component], spaces: Mapping[str, str]) -> Iterable[Piece]:
    for name, kind in kinds.items():
        for own, element in kind.elements.items():
            start = element.at or element.from_
            end = ROOM if element.to in (None, ROOM) else spaces[f"{name}.{element.to}"]
            yield Piece(name, own, element, spaces[f"{name}.{start}"], end)


def put(circuit: Circuit, check: Check, it: str = "") -> dict[str, str]:
    """Return every position during a check: ready, then its set-up, then what it isolates.

    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> put(wire(base, "small"), base.checks["breathing.hold_30"])["apl_valve"]
    'closed'
    """
    positions = dict(circuit.ready) | ordinary(circuit, check, it)
    for name, position in check.isolate.items():
        if position != KNOWN_GOOD and name != SUPPLIES:
            positions[name.replace("$it", it)] = position
    return positions


def ordinary(circuit: Circuit, check: Check, it: str = "") -> dict[str, str]:
    """Return the set-up of a check for the parts the machine has; what it lacks needs no setting.

    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> "selector" in ordinary(wire(base, "small"), base.checks["breathing.hold_30"])
    False
    """
    named = {name.replace("$it", it): position for name, position in check.set_up.items()}
    return {name: position for name, position in named.items() if name in circuit.kinds}


def flow_graph(circuit: Circuit, positions: Mapping[str, str]) -> nx.DiGraph:
    """Return which gas space can pass gas to which, with these positions.

    Passages conduct both ways, valves one way; a way that a position shuts is left out.
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(set(circuit.spaces.values()))
    for piece in circuit.pieces:
        if piece.element.type not in ("passage", "valve") or _is_shut(circuit, piece, positions):
            continue
        graph.add_edge(piece.before, piece.after, component=piece.component)
        if piece.element.type == "passage":
            graph.add_edge(piece.after, piece.before, component=piece.component)
    return graph


def _is_shut(circuit: Circuit, piece: Piece, positions: Mapping[str, str]) -> bool:
    kind = circuit.kinds[piece.component]
    settings = kind.positions.get(positions.get(piece.component, ""), {})
    setting = settings.get(f"{piece.name}.open", piece.element.open)
    return setting == "0"


def spread(circuit: Circuit, check: Check, it: str = "") -> tuple[set[str], set[str]]:
    """Return the gas spaces a check puts under pressure or flow, and those it puts under vacuum."""
    positions = put(circuit, check, it)
    pressed: set[str] = set()
    drawn: set[str] = set()
    for move in check.procedure:
        for name, position in (move.set_ or {}).items():
            positions[name.replace("$it", it)] = position
        if move.breathe:
            positions |= phases(circuit, EXPIRATION)
        graph = flow_graph(circuit, positions)
        for port in (move.fill, move.feed, move.hold, move.breathe):
            if port:
                start = circuit.space(port.replace("$it", it))
                pressed |= {start} | nx.descendants(graph, start)
        filled = any(each.fill for each in check.procedure)
        for port in check.reading.ports if move.wait and not filled else ():
            start = find_space(circuit, port.replace("$it", it))
            pressed |= {start} | nx.ancestors(graph, start)  # what leaks in is read here
        if move.squeeze:
            start = find_space(circuit, move.squeeze.replace("$it", it))
            drawn |= {start} | nx.ancestors(graph, start)
    return pressed, drawn


def suspects(circuit: Circuit, check: Check, it: str = "") -> set[str]:
    """Return the components that a check puts to the test.

    Those that touch a space under pressure or vacuum; also a one-way valve that holds such a space
    back, since it may leak the wrong way. A component swapped for a known good one is none.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> tested = suspects(wire(base, "small"), base.checks["breathing.hold_bag_plugged"])
    >>> "apl_valve" in tested, "bag" in tested
    (True, False)
    """
    pressed, drawn = spread(circuit, check, it)
    touched = pressed | drawn
    found = {
        piece.component
        for piece in circuit.pieces
        if (piece.before in touched or piece.after in touched)
        and (piece.element.type != "cell" or check.reading.quantity == "oxygen")
    }
    found |= {port.split(".")[0] for port in _named_ports(check, it)}
    swapped = {name.replace("$it", it) for name, how in check.isolate.items() if how == KNOWN_GOOD}
    return found - swapped


def find_space(circuit: Circuit, name: str) -> str:
    """Return the gas space of ``component.port`` or of ``component.element``."""
    for piece in circuit.pieces:
        if f"{piece.component}.{piece.name}" == name:
            return piece.before
    return circuit.space(name)


def phases(circuit: Circuit, phase: str) -> dict[str, str]:
    """Return the positions in a half of a breath, of every component that has both halves.

    >>> from diagnose.kb.load import load
    >>> phases(wire(load(), "one_vaporizer_valve"), "inspiration")
    {'ventilator': 'inspiration', 'spill_valve': 'inspiration'}
    """
    both = {INSPIRATION, EXPIRATION}
    return {own: phase for own, kind in circuit.kinds.items() if both <= set(kind.positions)}


def find_bellows(circuit: Circuit, port: str) -> str | None:
    """Return the gas space of the bellows of the component that a port belongs to, if it has one.

    >>> from diagnose.kb.load import load
    >>> find_bellows(wire(load(), "one_vaporizer_valve"), "ventilator.in")
    'ventilator.pouch'
    """
    own = port.split(".")[0]
    found = (p.before for p in circuit.pieces if p.component == own and p.element.type == "bellows")
    return next(found, None)


def joined(circuit: Circuit, check: Check, it: str = "") -> set[str]:
    """Return the gas spaces that can feel a check at any time, whichever way gas would go.

    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> own = joined(wire(base, "small"), base.checks["breathing.hold_30"])
    >>> "manifold.in" in own or "flow_tube" in str(own), "o2_cylinder.out" in own
    (True, False)
    """
    times = [put(circuit, check, it)]
    for move in check.procedure:
        changed = {name.replace("$it", it): to for name, to in (move.set_ or {}).items()}
        times.append({**times[-1], **changed})
        if move.breathe:
            times += [times[-1] | phases(circuit, phase) for phase in (INSPIRATION, EXPIRATION)]
    ways = nx.Graph()
    moved = [move.port.replace("$it", it) for move in check.procedure if move.port]
    seeds = {find_space(circuit, port) for port in [*_named_ports(check, it), *moved]}
    ways.add_nodes_from(seeds)
    for piece in circuit.pieces:
        is_way = piece.element.type in ("passage", "valve", "relief") and piece.after != ROOM
        if is_way and not all(_is_shut(circuit, piece, positions) for positions in times):
            ways.add_edge(piece.before, piece.after)
    return seeds.union(*(nx.node_connected_component(ways, seed) for seed in seeds))


def _named_ports(check: Check, it: str) -> list[str]:
    ports = [*check.reading.ports, *(move.squeeze for move in check.procedure)]
    return [port.replace("$it", it) for port in ports if port]


def upstream(circuit: Circuit, component: str) -> set[str]:
    """Return the components from which gas can reach ``component`` in the ready machine.

    >>> from diagnose.kb.load import load
    >>> "o2_tube" in upstream(wire(load(), "small"), "gas_outlet")
    True
    """
    return _along(circuit, component, reverse=True)


def downstream(circuit: Circuit, component: str) -> set[str]:
    """Return the components that gas from ``component`` can reach in the ready machine.

    >>> from diagnose.kb.load import load
    >>> "insp_valve" in downstream(wire(load(), "small"), "gas_outlet")
    True
    """
    return _along(circuit, component, reverse=False)


def _along(circuit: Circuit, component: str, *, reverse: bool) -> set[str]:
    graph = flow_graph(circuit, circuit.ready)
    if reverse:
        graph = graph.reverse(copy=False)
    own = {space for port, space in circuit.spaces.items() if port.startswith(f"{component}.")}
    reach = set(own).union(*(nx.descendants(graph, space) for space in own)) if own else set()
    return {p.component for p in circuit.pieces if p.before in reach or p.after in reach} - {
        component
    }


def segments(circuit: Circuit, positions: Mapping[str, str]) -> list[set[str]]:
    """Return the groups of gas spaces that no open way joins, largest first."""
    graph = flow_graph(circuit, positions)
    return sorted(
        nx.weakly_connected_components(graph), key=lambda group: (-len(group), min(group))
    )
