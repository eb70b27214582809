"""Every check can be done as written: parts, positions, ports, moves, tools, order, words."""

from __future__ import annotations

import graphlib
from collections.abc import Iterator, Mapping

from diagnose.circuit import (
    EXPIRATION,
    INSPIRATION,
    KNOWN_GOOD,
    SUPPLIES,
    Circuit,
    find_bellows,
    phases,
)
from diagnose.errors import UnitError
from diagnose.kb.lint.bands import lint_bands
from diagnose.kb.lint.desk import Desk, no_such, note_braces
from diagnose.kb.lint.signs import lint_signs
from diagnose.kb.reader import Where
from diagnose.kb.schema import Check, Move

TOOLS = ("plug", "cap", "suction_bulb", "test_gauge", "hand_bulb", "leak_solution",
         "known_good_part", "test_bag", "torch", "flow_source")  # fmt: skip
STORES = {"time": ("bag", "bulb"), "volume": ("bag", "bulb")}
WANTS = {"fill": ("to", "flow"), "feed": ("flow",), "hold": ("to",), "squeeze": (),
         "breathe": ("to", "volume", "inspiration", "expiration"),
         "set_": (), "wait": (), "look": ()}  # fmt: skip
MOVES = "set, fill, feed, squeeze, hold, breathe, wait, look"
ERRORS = {"pressure": "opening", "flow": "flow", "volume": "volume", "oxygen": "oxygen"}


def lint_checks(desk: Desk) -> None:
    """Note what is wrong with checkout steps and isolating tests."""
    for name, check in desk.base.checks.items():
        if _lint_place(desk, name, check):
            _lint_set_up(desk, name, check)
            _lint_procedure(desk, name, check)
            _lint_reading(desk, name, check)
        _lint_verdicts(desk, name, check)
        _lint_rest(desk, name, check)
        for where, text in _texts(check):
            note_braces(desk, "checks", name, where, text, it=bool(check.each))
    _lint_order(desk)


def _lint_place(desk: Desk, name: str, check: Check) -> bool:
    """Note a check that no machine has the parts for; tell whether more can be looked at."""
    kinds = desk.names("components")
    if check.each and check.each not in kinds:
        what = no_such(check.each, "kind of component", kinds)
        desk.note("checks", name, ("each",), what)
        return False
    options = [machine.options for machine in desk.base.machines.values()]
    for number, need in enumerate(check.needs):
        option, _, wanted = need.partition("=")
        allowed = (wanted or "yes").split("|")
        if not any(have.get(option) in allowed for have in options):
            what = f"no machine has '{need}'; write an option and value that a machine has"
            desk.note("checks", name, ("needs", number), what)
    _lint_names(desk, name, check)
    found = any(True for _ in desk.places(check))
    problems = desk.base.documents[f"checks/{name.replace('.', '/')}.yaml"].problems
    if not found and not problems and desk.all_wired:
        what = "no machine has all the parts it names; mend the names, or add a machine"
        desk.note("checks", name, (), what)
    return found


def _lint_names(desk: Desk, name: str, check: Check) -> None:
    """Note parts that no machine has, and ``$it`` where it stands for nothing."""
    parts = {part for machine in desk.base.machines.values() for part in machine.components}
    for where, part in _named(check):
        if part == "$it" and not check.each:
            desk.note("checks", name, where, "'$it' stands for nothing; add 'each' or name a part")
        elif part not in (*parts, "$it"):
            desk.note("checks", name, where, no_such(part, "part of any machine", parts))


def _named(check: Check) -> Iterator[tuple[Where, str]]:
    """Yield every part that a check names, with its place."""
    for part in check.set_up:
        yield ("set_up", part), part
    for part in check.isolate:
        if part != SUPPLIES:
            yield ("isolate", part), part
    for number, move in enumerate(check.procedure):
        for part in move.set_ or {}:
            yield ("procedure", number, "set", part), part
        for field in ("fill", "feed", "hold", "squeeze", "breathe"):
            if port := getattr(move, field):
                yield ("procedure", number, field), port.split(".")[0]
    if check.reading.at:
        yield ("reading", "at"), check.reading.at.split(".")[0]
    for sign, own in check.reading.signs.items():
        yield ("reading", "signs", sign, "at"), own.at.split(".")[0]


def _lint_set_up(desk: Desk, name: str, check: Check) -> None:
    for field, positions in (("set_up", check.set_up), ("isolate", check.isolate)):
        _lint_positions(desk, name, check, (field,), positions)
    for number, move in enumerate(check.procedure):
        where = ("procedure", number, "set")
        _lint_positions(desk, name, check, where, move.set_ or {})


def _lint_positions(
    desk: Desk, name: str, check: Check, field: Where, positions: Mapping[str, str]
) -> None:
    for part, position in positions.items():
        where = (*field, part)
        if field == ("isolate",) and part == SUPPLIES:
            if position != "off":
                desk.note("checks", name, where, f"'{position}' is not 'off'; write 'off'")
        else:
            allowed = field == ("isolate",) and position == KNOWN_GOOD
            _lint_position(desk, name, check, where, position, known_good=allowed)


def _lint_position(
    desk: Desk, name: str, check: Check, where: Where, position: str, *, known_good: bool
) -> None:
    for circuit, it in desk.places(check):
        part = str(where[-1]).replace("$it", it)
        if part not in circuit.kinds:
            continue
        known = circuit.kinds[part].positions
        if position not in known and not known_good:
            owner = f"'{part}' in machine '{circuit.machine_id}'"
            what = no_such(position, f"position of {owner}", known)
            desk.note("checks", name, where, what)
            return


def _lint_procedure(desk: Desk, name: str, check: Check) -> None:
    for number, move in enumerate(check.procedure):
        where = ("procedure", number)
        kinds = [kind for kind in WANTS if getattr(move, kind) is not None]
        if len(kinds) != 1:
            what = f"makes {len(kinds)} moves; write exactly one of: {MOVES}"
            desk.note("checks", name, where, what)
            continue
        for wanted in WANTS[kinds[0]]:
            if getattr(move, wanted) is None:
                what = f"'{kinds[0]}' needs '{wanted}'; add it"
                desk.note("checks", name, where, what)
        _lint_amounts(desk, name, where, move)
        port = getattr(move, kinds[0])
        if kinds[0] == "squeeze":
            _lint_port(desk, name, check, (*where, "squeeze"), port, ("bulb",))
        elif isinstance(port, str) and not move.look:
            _lint_port(desk, name, check, (*where, kinds[0]), port, ())
        if move.breathe:
            _lint_breath(desk, name, check, (*where, "breathe"), move.breathe)


def _lint_breath(desk: Desk, name: str, check: Check, where: Where, port: str) -> None:
    """Note what breathes but has no bellows, or cannot be put in both halves of a breath."""
    for circuit, it in desk.places(check):
        own = port.replace("$it", it)
        part = own.split(".")[0]
        if own in circuit.spaces and not find_bellows(circuit, own):
            what = f"'{part}' in machine '{circuit.machine_id}' has no bellows; name one that has"
        elif own in circuit.spaces and part not in phases(circuit, INSPIRATION):
            what = f"'{part}' lacks the positions '{INSPIRATION}' and '{EXPIRATION}'; add them"
        else:
            continue
        desk.note("checks", name, where, what)
        return


def _lint_amounts(desk: Desk, name: str, where: Where, move: Move) -> None:
    amounts = (("to", "opening"), ("flow", "flow"), ("volume", "volume"))
    times = (("wait", ""), ("inspiration", ""), ("expiration", ""))
    for field, parameter in (*amounts, *times):
        amount = getattr(move, field)
        if amount is not None:
            try:
                amount.si(parameter) if parameter else amount.si_time()
            except UnitError as error:
                desk.note("checks", name, (*where, field), str(error))


def _lint_port(
    desk: Desk, name: str, check: Check, where: Where, port: str, types: tuple[str, ...]
) -> None:
    """Note a port or element that is not there, or not of the types wanted, on some machine."""
    for circuit, it in desk.places(check):
        own = port.replace("$it", it)
        known = {*_elements(circuit, types), *(() if types else circuit.spaces)}
        if own not in known:
            kind = " or ".join(types) or "port"
            near = [name for name in known if name.split(".")[0] == own.split(".")[0]]
            what = no_such(own, f"{kind} in machine '{circuit.machine_id}'", near or known)
            desk.note("checks", name, where, what)
            return


def _elements(circuit: Circuit, types: tuple[str, ...]) -> Iterator[str]:
    for piece in circuit.pieces:
        if not types or piece.element.type in types:
            yield f"{piece.component}.{piece.name}"


def _lint_reading(desk: Desk, name: str, check: Check) -> None:
    reading, where = check.reading, ("reading", "signs")
    if reading.signs and not check.procedure:
        desk.note("checks", name, where, "need a procedure; add one, or remove them")
    elif reading.signs:
        lint_signs(desk, name, check)
        for sign, own in reading.signs.items():
            types = STORES["volume"] if own.quantity == "fullness" else ()
            _lint_port(desk, name, check, (*where, sign, "at"), own.at, types)
    elif check.procedure:
        _lint_number(desk, name, check)
    else:
        _lint_observation(desk, name, check)


def _lint_number(desk: Desk, name: str, check: Check) -> None:
    reading = check.reading
    for field in ("quantity", "at", "unit", "error"):
        if getattr(reading, field) is None:
            what = "is missing; a check with a procedure reads a number"
            desk.note("checks", name, ("reading", field), what)
    if any(own.is_band for key, own in reading.outcomes.items() if key in reading.otherwise):
        what = "belongs to observations; a check with a procedure gets its chances from the physics"
        desk.note("checks", name, ("reading", "otherwise"), what)
    for key, own in reading.outcomes.items():
        if not own.is_band and key not in reading.otherwise:
            what = "has no band; give 'least' or 'most', or its chance under 'otherwise'"
            desk.note("checks", name, ("reading", "outcomes", key), what)
    if reading.quantity == "oxygen" and any(
        m.fill or m.hold or m.squeeze or m.breathe for m in check.procedure
    ):
        what = "a share of oxygen is followed through 'set', 'feed' and 'wait' only; use these"
        desk.note("checks", name, ("procedure",), what)
    if reading.quantity is None or reading.unit is None:
        return
    if reading.quantity == "time" and reading.reach is None:
        what = "is missing; say from which share of its size a bag or bulb counts as filled"
        desk.note("checks", name, ("reading", "reach"), what)
    _lint_at(desk, name, check)
    if reading.quantity == "flow" and not any(move.hold for move in check.procedure):
        what = "a flow is read where a 'hold' keeps the pressure; add that move"
        desk.note("checks", name, ("reading", "quantity"), what)
    _lint_error(desk, name, check)
    lint_bands(desk, name, check)


def _lint_at(desk: Desk, name: str, check: Check) -> None:
    """Note a reading at what cannot show it."""
    reading = check.reading
    breathes = any(move.breathe for move in check.procedure)
    if reading.at:
        types: tuple[str, ...] = STORES.get(str(reading.quantity), ())
        if breathes and types:
            types = ("store", *types)
        _lint_port(desk, name, check, ("reading", "at"), reading.at, types)
    if reading.when and not (breathes and reading.quantity == "pressure"):
        what = "is for a pressure in a breath; add a 'breathe', or leave this out"
        desk.note("checks", name, ("reading", "when"), what)


def _lint_error(desk: Desk, name: str, check: Check) -> None:
    reading = check.reading
    if reading.error is not None and not reading.error.text.endswith("%"):
        try:
            if reading.quantity == "time":
                reading.error.si_time()
            else:
                reading.error.si(ERRORS[str(reading.quantity)])
        except UnitError as error:
            desk.note("checks", name, ("reading", "error"), str(error))


def _lint_observation(desk: Desk, name: str, check: Check) -> None:
    reading = check.reading
    for field in ("quantity", "unit", "at", "when", "reach", "error"):
        if getattr(reading, field) is not None:
            what = "belongs to numbers; remove it, or add a procedure"
            desk.note("checks", name, ("reading", field), what)
    for outcome, own in reading.outcomes.items():
        if own.least is not None or own.most is not None:
            what = "an observation has no bands; remove 'least' and 'most'"
            desk.note("checks", name, ("reading", "outcomes", outcome), what)
    if not reading.otherwise:
        what = "is missing; give the chance of each outcome when nothing here is wrong"
        desk.note("checks", name, ("reading", "otherwise"), what)
        return
    for outcome in reading.otherwise:
        if outcome not in reading.outcomes:
            what = no_such(outcome, "outcome of this check", reading.outcomes)
            desk.note("checks", name, ("reading", "otherwise", outcome), what)
    total = sum(reading.otherwise.values())
    if abs(total - 1) > 1e-6:
        what = f"sums to {100 * total:.6g} %; let the chances sum to 100 %"
        desk.note("checks", name, ("reading", "otherwise"), what)


def _lint_verdicts(desk: Desk, name: str, check: Check) -> None:
    means = {outcome.means for outcome in check.reading.outcomes.values()}
    where = ("reading", "outcomes")
    if len(check.reading.outcomes) < 2:
        desk.note("checks", name, where, "holds fewer than two outcomes; add what else can be seen")
    elif check.kind == "step":
        for wanted in ("pass", "fail"):
            if wanted not in means:
                what = f"a checkout step needs an outcome that means {wanted}; add one"
                desk.note("checks", name, where, what)


def _lint_rest(desk: Desk, name: str, check: Check) -> None:
    for number, tool in enumerate(check.tools):
        if tool not in TOOLS:
            desk.note("checks", name, ("tools", number), no_such(tool, "tool known here", TOOLS))
    checks = desk.names("checks")
    for number, before in enumerate(check.after):
        if before not in checks:
            desk.note("checks", name, ("after", number), no_such(before, "check", checks))
    if check.zone != name.split(".")[0]:
        what = f"'{check.zone}' is not the folder '{name.split('.')[0]}'; move the file or mend it"
        desk.note("checks", name, ("zone",), what)
    if not 0 < check.minutes < 240:
        desk.note("checks", name, ("minutes",), "must lie between 0 and 240; mend it")
    if not 0 < check.misread < 0.5:
        what = "must lie above 0 % and below 50 %: nobody reads without a mistake ever"
        desk.note("checks", name, ("misread",), what)


def _texts(check: Check) -> Iterator[tuple[Where, str]]:
    yield ("title",), check.title
    yield ("reading", "ask"), check.reading.ask
    for field in ("say", "cautions"):
        for number, text in enumerate(getattr(check, field)):
            yield (field, number), text
    for outcome, own in check.reading.outcomes.items():
        yield ("reading", "outcomes", outcome), own.title
    if check.limit:
        yield ("limit", "say"), check.limit.say


def _lint_order(desk: Desk) -> None:
    graph = {name: [b for b in check.after if b in desk.base.checks]
             for name, check in desk.base.checks.items()}  # fmt: skip
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        ring = list(dict.fromkeys(error.args[1]))
        what = f"goes round in a ring ({', '.join(sorted(ring))}); take one out"
        desk.note("checks", min(ring), ("after",), what)
