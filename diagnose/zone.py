"""The picture of one zone: its parts on the fullest machine, and what they are joined to."""

from __future__ import annotations

from dataclasses import replace

from diagnose.circuit import Circuit, wire
from diagnose.draw import View, write_svg
from diagnose.kb.load import KnowledgeBase
from diagnose.layout import get_layout, list_ends, stand_apart
from diagnose.outline import ZONE_TITLES

NARROWEST = 680  # px that the line above a picture needs


def find_fullest(base: KnowledgeBase, zone: str) -> str | None:
    """Return the machine with most kinds of part in a zone, of equals with most parts.

    >>> from diagnose.kb.load import load
    >>> find_fullest(load(), "vapour")
    'three_vaporizers_electronic'
    """

    def fill(name: str) -> tuple[int, int, int]:
        every = base.machines[name].components
        own = find_parts(base, name, zone)
        return len({every[each] for each in own}), len(own), len(every)

    found = [name for name in base.machines if find_parts(base, name, zone)]
    return max(found, key=fill, default=None)


def find_parts(base: KnowledgeBase, machine: str, zone: str) -> list[str]:
    """Return the components of a machine that belong to a zone."""
    kinds = base.machines[machine].components.items()
    return [name for name, kind in kinds if base.components[kind].zone == zone]


def draw_zone(base: KnowledgeBase, zone: str) -> str | None:
    """Return the picture of a zone as SVG; None if no machine has a part of it.

    >>> from diagnose.kb.load import load
    >>> svg = draw_zone(load(), "outlet")
    >>> "part of this zone" in svg, "Breathing system" in svg
    (True, True)
    """
    machine = find_fullest(base, zone)
    if machine is None:
        return None
    circuit = cut_zone(base, machine, zone)
    own = frozenset(find_parts(base, machine, zone))
    line = "What the zone is joined to is drawn with thin borders; leaks to the room are not drawn."
    if not circuit.machine.connections:
        line = "No gas way is calculated here: the parts stand side by side, not as joined."
    view = View(f"{ZONE_TITLES[zone]}: {circuit.machine.title}", (line,), own=own)
    layout = stand_apart(circuit, get_layout(circuit, base.version))
    return write_svg(circuit, layout, view, f"zone-{zone}", NARROWEST)


def cut_zone(base: KnowledgeBase, machine: str, zone: str) -> Circuit:
    """Return the zone of a machine, the parts joined to it, and the gas ways between them."""
    circuit = wire(base, machine)
    own = set(find_parts(base, machine, zone))
    ways = [
        ({port.split(".")[0] for port in ends}, " - ".join(ends)) for ends in list_ends(circuit)
    ]
    joined = [(pair, way) for pair, way in ways if pair & own]
    kept = own.union(*(pair for pair, _ in joined))
    parts = {name: kind for name, kind in circuit.machine.components.items() if name in kept}
    change = {"components": parts, "connections": [way for _, way in joined], "ready": {}}
    name = f"{machine}-{zone}"  # also names the kept layout
    less = circuit.machine.model_copy(update=change)
    return wire(replace(base, machines={name: less}), name)
