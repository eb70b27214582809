"""Components and machines are whole: ports, elements, positions, connections."""

from __future__ import annotations

from collections.abc import Iterable

from diagnose.circuit import ROOM, wire
from diagnose.errors import CircuitError, UnitError
from diagnose.kb.lint.desk import Desk, no_such
from diagnose.kb.schema import PARAMETERS, Component, Element, Machine, Setting, Sourced
from diagnose.units import USUAL

#: type of element -> the parameters that the physics reads from it
READS = {
    "passage": ("drop", "bore", "open"),
    "leak": ("seep", "bore", "open"),
    "valve": ("opening", "drop", "seep", "bore", "open"),
    "relief": ("opening", "drop", "seep", "bore", "open"),
    "store": ("volume", "stretch"),
    "bag": ("size", "stretch"),
    "bulb": ("size", "recoil"),
    "bellows": ("size", "opening"),
    "feed": ("flow", "open", "oxygen"),
    "gauge": ("gain", "offset"),
    "cell": ("gain", "bias", "top", "open"),
    "cylinder": ("fill", "open"),
    "inlet": ("opening", "drop", "open"),
    "pump": ("flow", "pull", "open"),
    "regulator": ("keeps", "drop", "open"),
}


def lint_parts(desk: Desk) -> None:
    """Note what is wrong with components and machines."""
    for name, component in desk.base.components.items():
        for own, element in component.elements.items():
            _lint_element(desk, name, component, own, element)
        for position, settings in component.positions.items():
            for target, setting in settings.items():
                _lint_setting(desk, name, component, (position, target), setting)
        _lint_ready(desk, name, component)
    for name, machine in desk.base.machines.items():
        before = len(desk.base.documents[f"machines/{name}.yaml"].problems)
        _lint_machine(desk, name, machine)
        if before == len(desk.base.documents[f"machines/{name}.yaml"].problems):
            _lint_wiring(desk, name)
    _lint_use(desk)


def _lint_element(desk: Desk, name: str, component: Component, own: str, element: Element) -> None:
    ports = {*component.ports, *component.inside}
    for key, port in (("at", element.at), ("from", element.from_), ("to", element.to)):
        if port and port not in ports and not (key == "to" and port == ROOM):
            what = no_such(port, "port of this component", ports)
            desk.note("components", name, ("elements", own, key), what)
    for parameter in PARAMETERS:
        if getattr(element, parameter, None) is not None and parameter not in READS[element.type]:
            what = f"a {element.type} has none; it has: {', '.join(READS[element.type])}"
            desk.note("components", name, ("elements", own, parameter), what)


def _lint_setting(
    desk: Desk, name: str, component: Component, place: tuple[str, str], setting: Setting
) -> None:
    own, _, parameter = place[1].partition(".")
    where = ("positions", *place)
    if own not in component.elements:
        what = no_such(own, "element of this component", component.elements)
    elif parameter not in READS[component.elements[own].type]:
        kind = component.elements[own].type
        what = no_such(parameter, f"parameter of a {kind}", READS[kind])
    elif setting == "1" and parameter != "open":
        what = f"'1' has no unit; write '1 {USUAL[PARAMETERS[parameter]]}' with its source"
    elif isinstance(setting, Sourced):
        what = _say_unit(setting, parameter)
    else:
        what = ""
    if what:
        desk.note("components", name, where, what)


def _say_unit(setting: Sourced, parameter: str) -> str:
    try:
        setting.si(parameter)
    except UnitError as error:
        return str(error)
    return ""


def _lint_ready(desk: Desk, name: str, component: Component) -> None:
    if component.ready and component.ready not in component.positions:
        what = no_such(component.ready, "position of this component", component.positions)
        desk.note("components", name, ("ready",), what)
    elif component.positions and not component.ready:
        what = "has positions but no 'ready' one; say which it has before the checkout"
        desk.note("components", name, ("positions",), what)


def _lint_machine(desk: Desk, name: str, machine: Machine) -> None:
    kinds = desk.names("components")
    for own, kind in machine.components.items():
        if kind not in kinds:
            what = no_such(kind, "kind of component", kinds)
            desk.note("machines", name, ("components", own), what)
    for own in machine.titles:
        if own not in machine.components:
            what = no_such(own, "component of this machine", machine.components)
            desk.note("machines", name, ("titles", own), what)
    for own in machine.gases:
        if own not in machine.components:
            what = no_such(own, "component of this machine", machine.components)
            desk.note("machines", name, ("gases", own), what)
    for own, position in machine.ready.items():
        known = _positions(desk, machine, own)
        if position not in known and not _unread(desk, machine, own):
            what = no_such(position, f"position of '{own}'", known)
            desk.note("machines", name, ("ready", own), what)
    _lint_connections(desk, name, machine)


def _positions(desk: Desk, machine: Machine, own: str) -> Iterable[str]:
    kind = desk.base.components.get(machine.components.get(own, ""))
    return kind.positions if kind else ()


def _lint_connections(desk: Desk, name: str, machine: Machine) -> None:
    ports = _list_ports(desk, machine)
    joined: set[str] = set()
    for number, text in enumerate(machine.connections):
        ends = [end.strip() for end in text.split(" - ")]
        where = ("connections", number)
        if len(ends) != 2:
            what = f"'{text}' joins no two ports; write 'part.port - part.port'"
            desk.note("machines", name, where, what)
        joined |= {end.split(".")[0] for end in ends}
        for end in ends if len(ends) == 2 else ():
            if end not in ports and not _unread(desk, machine, end):
                desk.note("machines", name, where, no_such(end, "port in this machine", ports))
    for own in machine.components:
        if own not in joined and any(port.startswith(f"{own}.") for port in ports):
            what = "is joined to nothing; add its connections"
            desk.note("machines", name, ("components", own), what)


def _list_ports(desk: Desk, machine: Machine) -> set[str]:
    found = set()
    for own, kind in machine.components.items():
        component = desk.base.components.get(kind)
        if component:
            found |= {f"{own}.{port}" for port in [*component.ports, *component.inside]}
    return found


def _unread(desk: Desk, machine: Machine, end: str) -> bool:
    """Tell whether a port belongs to a component that is noted already."""
    kind = machine.components.get(end.split(".")[0])
    return kind is not None and kind not in desk.base.components


def _lint_wiring(desk: Desk, name: str) -> None:
    """Note what only wiring finds; where a component is broken, the note is there already."""
    machine = desk.base.machines[name]
    broken = any(
        kind not in desk.base.components or desk.base.documents[f"components/{kind}.yaml"].problems
        for kind in machine.components.values()
    )
    try:
        circuit = wire(desk.base, name)
    except (CircuitError, KeyError) as error:
        if not broken:
            desk.note("machines", name, ("connections",), f"{error}; mend the connections")
        return
    for piece in circuit.pieces:
        ends = [space for own in circuit.pieces for space in (own.before, own.after)]
        if piece.element.type == "relief" and ends.count(piece.after) < 2:
            what = f"'{piece.after}' leads nowhere, so nothing can leave there; join it"
            desk.note("machines", name, ("connections",), what)


def _lint_use(desk: Desk) -> None:
    used = {kind for machine in desk.base.machines.values() for kind in machine.components.values()}
    if used - desk.names("components"):
        return  # the name that is meant may be misspelt
    for name in desk.base.components:
        if name not in used:
            what = "is in no machine; put it into one or delete the file"
            desk.note("components", name, (), what)
